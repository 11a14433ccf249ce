"""Credentials that a device binds: a scanned card as it is, and never a passcode."""

import msgspec

from fill_ledger.ledger.credentials import CardSecret, CardUnreadable, encode_secret, normal_card_value
from fill_ledger.trade.events.members import CredentialBound

PASSCODE_IN_FACT = "A passcode is never sent in a fact: an officer binds it under /v1/members/{member_id}/credentials."


class CredentialNotTaken(ValueError):
    """The fact cannot be read as a bound credential. The message says why and never shows what was sent."""


def credential_of_device(body: CredentialBound) -> CredentialBound:
    """Return a device's `credential.bound` with the scanned value in the form that is sealed.

    Raises:
        CredentialNotTaken: it is a passcode, or the scanned value cannot be a card's.
    """
    if body.credential_kind != "card":
        raise CredentialNotTaken(PASSCODE_IN_FACT)
    if body.secret is None:
        raise CredentialNotTaken("The scanned value is missing.")
    if not isinstance(body.secret, str):
        raise CredentialNotTaken("The scanned value must be a text.")
    try:
        value = normal_card_value(body.secret)
    except CardUnreadable as unreadable:
        raise CredentialNotTaken(f"{str(unreadable).capitalize()}.") from None
    return msgspec.structs.replace(body, secret=encode_secret(CardSecret(value=value)))
