"""May this member fill this kind of cylinder here today?"""

from collections.abc import Iterable
from datetime import date, datetime

from fill_ledger.trade.rules.calendar import day_ends_at, day_of, day_starts_at, day_text
from fill_ledger.trade.rules.case import Case
from fill_ledger.trade.rules.reasons import USE_WORDS, Reason, ReasonKind, plain
from fill_ledger.trade.rules.rule import Facts, Rule
from fill_ledger.trade.states.base import period_at
from fill_ledger.trade.states.members import Authorisation, MemberState, Training

_POLICY = "department policy"
_TRAINED = "department record; 49 CFR 172.704 asks for function-specific training (whether it binds is open)"

UNKNOWN = ReasonKind(
    code="member-unknown",
    effect="deny",
    title="Nobody said who is filling, or the person is not known",
    source=_POLICY,
    clears_by="the member's card or passcode",
)
NOT_ENROLLED = ReasonKind(
    code="member-not-enrolled",
    effect="deny",
    title="The member was not enrolled at that time",
    source=_POLICY,
    clears_by="enrolment",
)
DEACTIVATED = ReasonKind(
    code="member-deactivated",
    effect="deny",
    title="The member has left or is suspended",
    source="department record",
    clears_by="reactivation",
)
NOT_AUTHORISED = ReasonKind(
    code="member-not-authorised",
    effect="deny",
    title="The member is not authorised to fill cylinders of this use",
    source=_TRAINED,
    clears_by="an authorisation for this use",
)
ENDED = ReasonKind(
    code="authorisation-ended",
    effect="deny",
    title="The member's authorisation has ended; its last day counts, in the station's calendar",
    source=_TRAINED,
    clears_by="a new authorisation",
)
NOT_HERE = ReasonKind(
    code="member-not-authorised-here",
    effect="deny",
    title="The member is authorised at other stations only",
    source="department record",
    clears_by="an authorisation that names this station",
)


TRAINING_DUE = ReasonKind(
    code="training-due",
    effect="deny",
    title="No training of the member is within the interval that policy sets; its last day counts",
    source="department policy; 29 CFR 1910.134(k)(5) (2015 edition): yearly for who wears a respirator; "
    "49 CFR 172.704(c): every 3 years (whether it binds is open)",
    clears_by="training, entered with its day",
)


def last_training(case: Case, member: MemberState) -> tuple[date, Training] | None:
    """Return the member's last training whose day has begun, with the day, or None."""
    for training in reversed(member.trainings):
        trained_on = day_of(training.trained_on)
        if trained_on is not None and day_starts_at(trained_on, case.zone) <= case.at:
            return trained_on, training
    return None


def _training_stops_at(case: Case, trained_on: date) -> datetime | None:
    days = case.question.policy.training_interval_days
    return None if days is None else day_ends_at(trained_on, case.zone, days)


def _training_reasons(case: Case, member: MemberState) -> tuple[Reason, ...]:
    """Policy names what its interval rests on, because it is open which regulation binds a department."""
    policy = case.question.policy
    if policy.training_interval_days is None:
        return ()
    latest = last_training(case, member)
    stops_at = None if latest is None else _training_stops_at(case, latest[0])
    if stops_at is not None and case.at < stops_at:
        return ()
    asked = f"policy asks for training every {policy.training_interval_days} days"
    if latest is None:
        text = f"No training of the member is on record; {asked}. Enter the last one with its day."
        shortly = "Do not fill. No training of yours is on record."
    else:
        text = f"The member was last trained {latest[0]}; {asked}. Refresh the training and enter it."
        shortly = f"Do not fill. Training is due: your last was {latest[0]}."
    return (TRAINING_DUE.reason(text, shortly, source=policy.training_interval_source),)


def _reasons(case: Case) -> tuple[Reason, ...]:
    question = case.question
    member = question.member
    if member is None:
        return _nobody(case)
    if member.enrolled_at is None or member.enrolled_at > case.at:
        return (
            NOT_ENROLLED.reason(
                "The member was not enrolled at that time. Enrol the member first.",
                "Do not fill. Member not enrolled.",
            ),
        )
    if member.absences and (absence := period_at(member.absences, case.at)) is not None:
        day = day_text(absence.starts_at, case.zone)
        return (
            DEACTIVATED.reason(
                f"The member was deactivated on {day}.",
                f"Do not fill. Member deactivated {day}: another must fill.",
                clears_at=absence.ends_at,
            ),
        )
    authorisation = period_at(member.authorisations, case.at)
    if authorisation is None or not authorisation.kinds:
        return (_not_authorised("any cylinder"), *_training_reasons(case, member))
    return (*_by_authorisation(case, authorisation), *_training_reasons(case, member))


def _nobody(case: Case) -> tuple[Reason, ...]:
    if case.question.member_asked:
        return (
            UNKNOWN.reason(
                "The member given is not known here. Check the card, or enrol the member.",
                "Do not fill. Member not known here.",
            ),
        )
    if not case.question.policy.member_required:
        return ()
    return (
        UNKNOWN.reason(
            "Policy asks who is filling, and nobody was named. Scan a card or enter a passcode.",
            "Do not fill yet. Scan your card.",
        ),
    )


def _by_authorisation(case: Case, authorisation: Authorisation) -> tuple[Reason, ...]:
    found: list[Reason] = []
    if authorisation.through is not None:
        ends_at = _ends_at(case, authorisation.through)
        if ends_at is None or ends_at <= case.at:
            through = plain(authorisation.through, 10)
            found.append(
                ENDED.reason(
                    f"The member's authorisation ended after {through}. A trainer or officer must renew it.",
                    f"Do not fill. Your authorisation ended {through}.",
                )
            )
    use = None if case.details is None else case.details.use
    if use is not None and use not in authorisation.kinds:
        found.append(_not_authorised(f"{USE_WORDS[use]} cylinders"))
    if _is_elsewhere(case, authorisation):
        found.append(
            NOT_HERE.reason(
                "The member is authorised at other stations, not at this one.",
                "Do not fill here. Authorised at other stations only.",
            )
        )
    return tuple(found)


def _is_elsewhere(case: Case, authorisation: Authorisation) -> bool:
    station = case.question.station
    if authorisation.station_ids is None:
        return False
    return station is None or station.subject_id not in authorisation.station_ids


def _not_authorised(what: str) -> Reason:
    return NOT_AUTHORISED.reason(
        f"The member is not authorised to fill {what}. An authorised member must do it.",
        f"Do not fill. Member may not fill {what}.",
    )


def _ends_at(case: Case, through: str) -> datetime | None:
    day = day_of(through)
    return None if day is None else day_ends_at(day, case.zone)


def _training_instants(case: Case, member: MemberState) -> Iterable[datetime]:
    if case.question.policy.training_interval_days is None:
        return
    for training in member.trainings:
        trained_on = day_of(training.trained_on)
        if trained_on is not None:
            yield day_starts_at(trained_on, case.zone)
    latest = last_training(case, member)
    stops_at = None if latest is None else _training_stops_at(case, latest[0])
    if stops_at is not None:
        yield stops_at


def _instants(case: Case) -> Iterable[datetime]:
    member = case.question.member
    if member is None:
        return
    yield from _training_instants(case, member)
    if member.enrolled_at is not None:
        yield member.enrolled_at
    for period in (*member.absences, *member.authorisations):
        yield period.starts_at
        if period.ends_at is not None:
            yield period.ends_at
        if isinstance(period, Authorisation) and period.through is not None:
            ends_at = _ends_at(case, period.through)
            if ends_at is not None:
                yield ends_at


def _facts(case: Case) -> Facts:
    member = case.question.member
    authorisation = None if member is None else period_at(member.authorisations, case.at)
    training = None if member is None else last_training(case, member)
    return {
        "member_required": case.question.policy.member_required,
        "member_named": case.question.member_asked or member is not None,
        "enrolled": _is_enrolled(member, case.at),
        "deactivated": member is not None and period_at(member.absences, case.at) is not None,
        "kinds": None if authorisation is None else ", ".join(authorisation.kinds),
        "through": None if authorisation is None else authorisation.through,
        "other_stations_only": authorisation is not None and _is_elsewhere(case, authorisation),
        "use": None if case.details is None else case.details.use,
        "training_interval_days": case.question.policy.training_interval_days,
        "last_trained": None if training is None else str(training[0]),
    }


def _is_enrolled(member: MemberState | None, at: datetime) -> bool:
    return member is not None and member.enrolled_at is not None and member.enrolled_at <= at


RULE = Rule(
    name="member",
    concerns="member",
    kinds=(UNKNOWN, NOT_ENROLLED, DEACTIVATED, NOT_AUTHORISED, ENDED, NOT_HERE, TRAINING_DUE),
    reasons=_reasons,
    instants=_instants,
    facts=_facts,
)
