"""Who and what the ledger speaks of: subjects, and ids derived from other ids."""

import uuid
from enum import StrEnum

import msgspec

# All derived ids live under this namespace. It was drawn once at random; changing it would change every derived id.
NAMESPACE = uuid.UUID("6a1f2f0e-3d5c-4c56-9a59-0b6d1f5a7c31")

# The reserved department whose ledger holds what belongs to nobody in particular: departments, principals, keys, rules.
COUNTY_ID = uuid.UUID("00000000-0000-4000-8000-000000000001")


class SubjectKind(StrEnum):
    """The kinds of things that have a state of their own. Names are stored; never rename one."""

    DEPARTMENT = "department"
    PRINCIPAL = "principal"
    POLICY = "policy"
    NUMBERING = "numbering"
    CODES = "codes"
    STATION = "station"
    AIR_SOURCE = "air_source"
    CYLINDER = "cylinder"
    INVENTORY_NUMBER = "inventory_number"
    TAG = "tag"
    MEMBER = "member"
    RULEBOOK = "rulebook"
    FINDING = "finding"
    EVENT = "event"


class Subject(msgspec.Struct, frozen=True, order=True):
    """One thing with a state: its kind and its id within the department."""

    kind: SubjectKind
    subject_id: uuid.UUID


def derived_id(*parts: object) -> uuid.UUID:
    """Return the id that always follows from these parts (RFC 9562, version 5)."""
    return uuid.uuid5(NAMESPACE, "\x1f".join(str(part) for part in parts))


def codes_subject() -> Subject:
    """Return the subject that knows who has which short code: stations, and departments in the county ledger."""
    return Subject(SubjectKind.CODES, derived_id("codes"))


def rulebook_subject() -> Subject:
    """Return the subject, in the county ledger, that knows what the rules go by."""
    return Subject(SubjectKind.RULEBOOK, COUNTY_ID)


def finding_id(event_id: uuid.UUID, code: str) -> uuid.UUID:
    """Return the id of a finding: it follows from event and code, so that a review survives a new judgement."""
    return derived_id("finding", event_id, code)


def finding_subject(identifier: uuid.UUID) -> Subject:
    """Return the subject that knows what persons made of a finding."""
    return Subject(SubjectKind.FINDING, identifier)


def normal_serial(serial: str) -> str:
    """Return a serial as it is compared: upper case, no spaces or hyphens.

    Clerks and stamps disagree about case, spaces and hyphens (common practice, no source).
    """
    return "".join(character for character in serial.upper() if not character.isspace() and character != "-")


def inventory_number_subject(inventory_number: str) -> Subject:
    """Return the subject that knows which cylinder was ever given this inventory number."""
    return Subject(SubjectKind.INVENTORY_NUMBER, derived_id("inventory-number", inventory_number.strip().upper()))


def tag_subject(tag: str) -> Subject:
    """Return the subject that knows the pairings of a tag, given in its canonical text form."""
    return Subject(SubjectKind.TAG, derived_id("tag", tag))
