"""What is known of each subject, folded from its events."""

from typing import Any

from fill_ledger.trade.identifiers import SubjectKind
from fill_ledger.trade.states.base import Fold, Period, State
from fill_ledger.trade.states.codes import codes_fold
from fill_ledger.trade.states.county import (
    department_fold,
    inventory_number_fold,
    numbering_fold,
    policy_fold,
    principal_fold,
)
from fill_ledger.trade.states.cylinders import cylinder_fold, tag_fold
from fill_ledger.trade.states.findings import finding_fold
from fill_ledger.trade.states.members import member_fold
from fill_ledger.trade.states.rulebook import rulebook_fold
from fill_ledger.trade.states.stations import air_source_fold, station_fold

FOLDS: dict[SubjectKind, Fold[Any]] = {
    SubjectKind.DEPARTMENT: department_fold,
    SubjectKind.PRINCIPAL: principal_fold,
    SubjectKind.POLICY: policy_fold,
    SubjectKind.NUMBERING: numbering_fold,
    SubjectKind.CODES: codes_fold,
    SubjectKind.STATION: station_fold,
    SubjectKind.AIR_SOURCE: air_source_fold,
    SubjectKind.CYLINDER: cylinder_fold,
    SubjectKind.INVENTORY_NUMBER: inventory_number_fold,
    SubjectKind.TAG: tag_fold,
    SubjectKind.MEMBER: member_fold,
    SubjectKind.RULEBOOK: rulebook_fold,
    SubjectKind.FINDING: finding_fold,
}

__all__ = ["FOLDS", "Fold", "Period", "State"]
