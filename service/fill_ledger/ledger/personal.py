"""What is known of a member as a person: the text that is sealed under the member's own key."""

from typing import Annotated

import msgspec
from msgspec import Meta

from fill_ledger.trade.events.envelope import MAXIMUM_SHORT_TEXT

MAXIMUM_BADGE_NUMBER = 32
NO_CONTROL_CHARACTERS = r"^[^\x00-\x1f\x7f-\x9f]+\Z"

MemberName = Annotated[str, Meta(min_length=1, max_length=MAXIMUM_SHORT_TEXT, pattern=NO_CONTROL_CHARACTERS)]
BadgeNumber = Annotated[str, Meta(min_length=1, max_length=MAXIMUM_BADGE_NUMBER, pattern=NO_CONTROL_CHARACTERS)]


class PersonalMalformed(ValueError):
    """A member's personal text is not a name with an optional badge number. The message never shows the text."""


class MemberPersonal(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """A member's name, and the badge number if the department gives any."""

    name: MemberName
    badge_number: BadgeNumber | None = None

    def __repr__(self) -> str:
        return "MemberPersonal(...)"  # a name must not reach a log by accident

    def encode(self) -> str:
        """Return the JSON text that is sealed as `personal`."""
        return msgspec.json.encode(self).decode()

    @classmethod
    def decode(cls, text: str) -> "MemberPersonal":
        """Read the JSON text back. Raises PersonalMalformed."""
        try:
            return _decoder.decode(text)
        except (msgspec.MsgspecError, UnicodeEncodeError):
            raise PersonalMalformed("personal must be a JSON object with name and, optionally, badge_number") from None


_decoder = msgspec.json.Decoder(MemberPersonal)


def normal_badge_number(badge_number: str) -> str:
    """Return a badge number as it is compared: upper case, without spaces (common practice, no source)."""
    return "".join(badge_number.upper().split())
