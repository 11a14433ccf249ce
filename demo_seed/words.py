"""Names of people who do not exist: plain given names, and surnames made of two words for land and weather."""

import random

GIVEN = (
    "Avery", "Blake", "Casey", "Dana", "Ellis", "Finley", "Gray", "Harper", "Indigo", "Jules", "Kerry", "Logan",
    "Morgan", "Noel", "Oakley", "Parker", "Quinn", "Robin", "Sage", "Taylor", "Umber", "Vale", "Wren", "Yael",
)  # fmt: skip
FIRST_HALF = (
    "Alder", "Amber", "Birch", "Copper", "Dawn", "Elder", "Fallow", "Gorse", "Hazel", "Iron", "Juniper", "Larch",
    "Marl", "Nettle", "Otter", "Pebble", "Reed", "Slate", "Thistle", "Willow",
)  # fmt: skip
SECOND_HALF = ("beck", "brow", "combe", "dell", "garth", "holt", "lock", "mere", "rigg", "shaw", "thwaite", "wick")


def person_name(rng: random.Random) -> str:
    """Return an invented name."""
    return f"{rng.choice(GIVEN)} {rng.choice(FIRST_HALF)}{rng.choice(SECOND_HALF)}"
