"""What identifies a member at a station: how a card or a badge number is found, and what is sealed of a credential.

A scanned card and a badge number are found by a keyed digest, so that the table tells nobody without the master key
which cards exist. A passcode is too short to be found that way: the member is named first, then the passcode checked
(see `passcodes`). Both secrets are sealed under the member's key, so that erasing the member erases them too.
"""

import re
import unicodedata
from collections.abc import Callable, Sequence
from enum import StrEnum
from typing import Annotated

import msgspec
from msgspec import Meta

from fill_ledger.ledger.key_ring import KeyRing, hmac_sha256
from fill_ledger.ledger.personal import MemberPersonal, PersonalMalformed, normal_badge_number

MAXIMUM_CARD_VALUE = 256
# What readers send for the same chip differs in case and separators only where it is a row of hexadecimal bytes.
_HEXADECIMAL_BYTES = re.compile(r"[0-9A-Fa-f]{2}(?:[ :-]?[0-9A-Fa-f]{2}){3,}")


class LookupKind(StrEnum):
    """What a lookup digest was made of. The words go into the digest; never change one."""

    CARD = "card"
    BADGE_NUMBER = "badge-number"
    ATTEMPT = "attempt"  # whose failed attempts are counted together


class CardUnreadable(ValueError):
    """The scanned value is empty, too long, or holds control characters. The message never shows the value."""


class CredentialMalformed(ValueError):
    """An opened credential is not in a form this version reads. The message never shows it."""


class CardSecret(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, tag_field="kind", tag="card"):
    """A card's value, kept sealed so that its lookup digest can be made again under a new master key."""

    value: Annotated[str, Meta(min_length=1, max_length=MAXIMUM_CARD_VALUE)]

    def __repr__(self) -> str:
        return "CardSecret(...)"


class PasscodeSecret(
    msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, tag_field="kind", tag="passcode"
):
    """A passcode's argon2id hash in its standard text form. The passcode itself is kept nowhere."""

    argon2id: Annotated[str, Meta(pattern=r"^\$argon2id\$", max_length=512)]

    def __repr__(self) -> str:
        return "PasscodeSecret(...)"


CredentialSecret = CardSecret | PasscodeSecret
_secret_decoder: msgspec.json.Decoder[CredentialSecret] = msgspec.json.Decoder(CardSecret | PasscodeSecret)


def encode_secret(secret: CredentialSecret) -> str:
    """Return the text that is sealed for a credential."""
    return msgspec.json.encode(secret).decode()


def decode_secret(text: str) -> CredentialSecret:
    """Read an opened credential. Raises CredentialMalformed."""
    try:
        return _secret_decoder.decode(text)
    except (msgspec.MsgspecError, UnicodeEncodeError):
        raise CredentialMalformed("the sealed credential is not in a form this version reads") from None


def normal_card_value(scanned: str) -> str:
    """Return a scanned value as it is compared.

    Readers add line ends, and write the bytes of one chip with or without separators, in either case (common practice,
    no source): white space at the ends goes, and a row of four or more hexadecimal bytes becomes bare upper case. All
    else stays as scanned, because bar codes tell case apart.

    Raises:
        CardUnreadable: empty, longer than MAXIMUM_CARD_VALUE, control characters inside, or not valid Unicode.
    """
    value = scanned.strip()
    if not value:
        raise CardUnreadable("the scanned value is empty")
    if len(value) > MAXIMUM_CARD_VALUE:
        raise CardUnreadable(f"the scanned value is longer than {MAXIMUM_CARD_VALUE} characters")
    if any(unicodedata.category(character) in ("Cc", "Cs") for character in value):
        raise CardUnreadable("the scanned value holds control characters or is not valid Unicode")
    if _HEXADECIMAL_BYTES.fullmatch(value):
        return re.sub("[ :-]", "", value).upper()
    return unicodedata.normalize("NFC", value)


class Lookups:
    """Makes the keyed digests by which sealed records are found."""

    def __init__(self, peppers: Sequence[bytes]) -> None:
        """Take the peppers, the current one first, then those of previous master keys."""
        if not peppers:
            raise ValueError("at least one pepper is needed")
        self._peppers = tuple(peppers)

    @classmethod
    def from_key_ring(cls, key_ring: KeyRing) -> "Lookups":
        """Make the lookups of a running service."""
        return cls(key_ring.lookup_peppers)

    def digest(self, kind: LookupKind, value: str) -> bytes:
        """Return the digest to store: HMAC-SHA256 over kind and normal value, under the current pepper.

        Raises:
            CardUnreadable: the value is a card's and cannot be one.
        """
        return hmac_sha256(self._peppers[0], _lookup_message(kind, value))

    def candidates(self, kind: LookupKind, value: str) -> tuple[bytes, ...]:
        """Return every digest the value may be stored under: until a rotation is finished, old ones still stand.

        Raises:
            CardUnreadable: the value is a card's and cannot be one.
        """
        message = _lookup_message(kind, value)
        return tuple(hmac_sha256(pepper, message) for pepper in self._peppers)

    def of_secret(self, secret: CredentialSecret) -> bytes | None:
        """Return the digest to store beside a sealed credential: a card's, and none for a passcode."""
        return self.digest(LookupKind.CARD, secret.value) if isinstance(secret, CardSecret) else None

    def of_personal(self, personal: MemberPersonal) -> bytes | None:
        """Return the digest to store beside sealed personal data: that of the badge number, if there is any."""
        if personal.badge_number is None or not normal_badge_number(personal.badge_number):
            return None
        return self.digest(LookupKind.BADGE_NUMBER, personal.badge_number)

    def for_bodies(self) -> Callable[[str, str], bytes | None]:
        """Return what `seal_body` needs to make members findable by badge number."""
        return self._of_field

    def _of_field(self, field: str, text: str) -> bytes | None:
        if field != "personal":
            return None
        try:
            return self.of_personal(MemberPersonal.decode(text))
        except PersonalMalformed:
            return None  # a device may send anything; it is sealed all the same, only not findable


def _lookup_message(kind: LookupKind, value: str) -> bytes:
    normal = value
    if kind is LookupKind.CARD:
        normal = normal_card_value(value)
    elif kind is LookupKind.BADGE_NUMBER:
        normal = normal_badge_number(value)
    return f"{kind}|{normal}".encode(errors="surrogatepass")  # any text may be looked for, and is then not found
