"""What a text of a given form looks like, in words and by an example: told in place of the pattern.

A pattern is for programs; who typed a month as 4/2026 wants to read what a month looks like. All forms that the
interface takes or gives are worded here, and a test walks the OpenAPI document for one that is not.
"""

from msgspec import Struct


class TextForm(Struct, frozen=True):
    """The words for a form, as a noun phrase, and a text that has it.

    The example is not told where it would only mislead: nobody types a cursor or a digest.
    """

    wanted: str
    example: str
    tells_example: bool = True

    @property
    def phrase(self) -> str:
        """The form with its example: ``a month as YYYY-MM, such as 2026-04``."""
        return f"{self.wanted}, such as {self.example}" if self.tells_example else self.wanted


_DIGEST = TextForm(
    "a SHA-256 digest: 64 digits of 0 to 9 and a to f in lower case",
    "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08",
    tells_example=False,
)
_STAMPED_DECIMAL = "up to six digits, then possibly a point and up to three more, without unit or commas"
_ENTITY_TAGS = TextForm("entity tags in double quotes, separated by commas, or *", '"v17"')

TEXT_FORMS: dict[str, TextForm] = {
    # Time
    r"^[0-9]{4}-(0[1-9]|1[0-2])$": TextForm("a month as YYYY-MM, from 01 to 12", "2026-04"),
    r"^(19[0-9]{2}|20[0-9]{2}|21[0-9]{2}|2200)-(0[1-9]|1[0-2])$": TextForm(
        "a month as YYYY-MM, its year from 1900 to 2200 and its month from 01 to 12", "2026-04"
    ),
    r"^(19|20|21)[0-9]{2}-(0[1-9]|1[0-2])-(0[1-9]|[12][0-9]|3[01])$": TextForm(
        "a day as YYYY-MM-DD, its year from 1900 to 2199", "2026-04-30"
    ),
    r"^[A-Za-z0-9_+/-]+$": TextForm("the name of a zone in the IANA time zone database", "America/New_York"),
    r"^[A-Z0-9][A-Z0-9.-]{0,23}$": TextForm(
        "a course code of 1 to 24 capital letters, digits, dots and hyphens, a letter or digit first", "AIR-FILL-1"
    ),
    # Numbers as text, because their digits are kept as stamped or reported
    r"^(0|[1-9][0-9]{0,5})(\.[0-9]{1,3})?$": TextForm(
        f"a number as stamped, in quotes: {_STAMPED_DECIMAL}, no zero in front", "4500"
    ),
    r"^[0-9]{1,6}(\.[0-9]{1,3})?$": TextForm(f"a number as stamped, in quotes: {_STAMPED_DECIMAL}", "4500"),
    r"^-?[0-9]{1,6}(\.[0-9]{1,4})?$": TextForm(
        "a number as reported, in quotes: up to six digits, then possibly a point and up to four more", "0.25"
    ),
    # What is stamped or painted
    r"^[^\x00-\x1f]*[A-Za-z0-9][^\x00-\x1f]*$": TextForm(
        "a serial as stamped: with a letter or digit in it, without line breaks and other control characters",
        "QX 40717",
    ),
    r"^[A-Z0-9][A-Z0-9./-]{0,23}$": TextForm(
        "an inventory number: capital letters, digits, point, slash and hyphen, starting with a letter or digit",
        "C-0107",
    ),
    r"^[A-Za-z0-9][A-Za-z0-9./-]{0,23}$": TextForm(
        "an inventory number: letters, digits, point, slash and hyphen, starting with a letter or digit", "C-0107"
    ),
    r"^[A-Z0-9]{4}$": TextForm(
        "a requalifier identification number: four capital letters or digits, clockwise from the upper left of the "
        "square (49 CFR 180.213(d))",
        "A123",
    ),
    # Codes and names
    r"^[A-Z0-9-]{1,16}$": TextForm("a code of 1 to 16 capital letters, digits and hyphens", "S3"),
    r"^[A-Z0-9]{2,12}$": TextForm("a code of 2 to 12 capital letters and digits", "QFD"),
    r"^[a-z0-9]+(-[a-z0-9]+)*$": TextForm(
        "words of small letters and digits, joined by single hyphens", "requalification-due"
    ),
    r"^[a-z0-9]+(_[a-z0-9]+)*$": TextForm(
        "words of small letters and digits, joined by single underscores", "interval_years"
    ),
    r"^[a-z_]+\.[a-z_]+$": TextForm("a type of event: two parts of small letters around a point", "cylinder.filled"),
    r"^[a-z-]+:[a-z-]+$": TextForm("the name of a right: two parts of small letters around a colon", "cylinders:read"),
    r"^(active|inactive|unenrolled)$": TextForm("active, inactive or unenrolled", "active"),
    r"^/v1/problems/[a-z0-9-]+$": TextForm("the address of a problem type", "/v1/problems/not-found"),
    # What the service made and gets back unchanged
    r"^[A-Za-z0-9_-]+$": TextForm(
        "a cursor exactly as next_cursor gave it: letters, digits, hyphen and underscore",
        "Ab3_x-9",
        tells_example=False,
    ),
    r"^[A-Za-z0-9._~-]+$": TextForm(
        "a token exactly as an answer gave it: letters, digits, point, hyphen, underscore and tilde",
        "Ab3_x-9",
        tells_example=False,
    ),
    r"^[0-9a-f]{64}$": _DIGEST,
    # Plain text and headers
    r"^[^\x00-\x1f\x7f-\x9f]+$": TextForm("a text without line breaks and other control characters", "Q-117"),
    r"^[^\u0000]*$": TextForm("a text without the character U+0000", "Any.", tells_example=False),
    r"^[ -~]*$": TextForm("a text of printable ASCII characters", "Any.", tells_example=False),
    r'^(\*|(W/)?"[!#-~]*"(, *(W/)?"[!#-~]*")*)$': _ENTITY_TAGS,
    r'^("[!-~]{1,128}"|[!#-~][!-~]{0,127})$': TextForm(
        "1 to 128 printable ASCII characters without spaces, in double quotes or not",
        '"8e03978e-40d5-43e8-bc93-6894a57f9324"',
    ),
}
"""The forms by their pattern as JSON Schema writes it."""


def pattern_words(pattern: str) -> str:
    """Return the words for a pattern, as Python or as JSON Schema writes it; the pattern itself where it has none."""
    portable = portable_pattern(pattern)
    form = TEXT_FORMS.get(portable)
    return f"a text that matches {portable}" if form is None else form.phrase


def portable_pattern(pattern: str) -> str:
    r"""Return a Python pattern as JSON Schema writes it (ECMA-262): ``\Z``, the very end, is ``$`` there."""
    return pattern.removesuffix(r"\Z") + "$" if pattern.endswith(r"\Z") else pattern
