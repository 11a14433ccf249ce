"""Cheap passcode hashing, for tests of everything but the cost of a hash."""

import msgspec

from fill_ledger.api.parts import PARTS_KEY
from fill_ledger.ledger.passcodes import Argon2Parameters, PasscodeHasher
from tests.support.county import County

# RFC 9106, section 3.1: at least 8 KiB for each lane.
CHEAP = Argon2Parameters(passes=1, memory_kib=64, lanes=1)


def use_hasher(county: County, hasher: PasscodeHasher | None = None) -> None:
    """Have the county's service hash with this hasher, or with a cheap one."""
    county.parts.passcode_hasher.close()
    county.parts = msgspec.structs.replace(county.parts, passcode_hasher=hasher or PasscodeHasher(CHEAP))
    county.service.state[PARTS_KEY] = county.parts
