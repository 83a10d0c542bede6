"""Flows that compare actuators with an airframe file: match a gang, take the signal away."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Final

from msgspec import Meta

from busproto.errors import InputError
from busproto.ops.survey import Survey, actuators_of, survey
from busproto.plan.airframe.audit import Audit, audit
from busproto.plan.airframe.results import (
    TRIAL_ENDING,
    check_result_place,
    gang_named,
    keep_match,
    members_to_match,
    subjects_to_try,
    table_sentences,
    trial_body,
    write_trial,
)
from busproto.plan.assignment import load_assignment
from busproto.plan.calibration.gang_match import MATCH_ENDING, matches_of
from busproto.plan.calibration.match import Figures, match
from busproto.plan.trials.trial import PARTS, trial
from busproto.web.flows.desk import Desk, Fields, Kind
from busproto.web.orders import Text

# --- match -----------------------------------------------------------------------------------------------------


def _audited(desk: Desk) -> tuple[Survey, Audit]:
    seen = desk.run(survey())
    desk.show_found(seen)
    return seen, audit(desk.plan, load_assignment(desk.plan), seen, matches_of(desk.plan))


class MatchFields(Fields, frozen=True):
    """The gang, and the number of points."""

    gang: Text
    stations: Annotated[int, Meta(ge=12, le=101)] = 33
    looks: Annotated[int, Meta(ge=1, le=50)] = 3


def _match(desk: Desk, wanted: MatchFields) -> dict[str, Any]:
    plan = desk.plan
    gang = gang_named(plan, wanted.gang)
    seen, found = _audited(desk)
    subjects = members_to_match(gang, found)
    check_result_place(plan, MATCH_ENDING)
    result = desk.run(match(subjects, stations=wanted.stations, looks=wanted.looks, actuators=actuators_of(seen)))
    desk.tell(result.let_go.text)
    before, after = result.before, result.after
    if before is not None and after is not None:
        desk.tell(
            f"{subjects[0].role.function} leads. Greatest mismatch {before.worst_deg:.3f} -> {after.worst_deg:.3f} "
            "deg, "
            f"current of all at rest {before.idle_ma:.0f} -> {after.idle_ma:.0f} mA.",
        )
    desk.tell(
        *(f"Refused: {reason}." for reason in result.refused),
        *table_sentences(result),
    )
    body = keep_match(plan, gang, subjects, result)
    desk.tell(
        f"Kept in {plan.beside(MATCH_ENDING).name}, for the card.",
    )
    desk.show_found(desk.run(survey()))
    names = {subject.address: subject.role.function for subject in subjects}
    curves = None
    if before is not None and after is not None:
        curves = {"before": _curves(before, names), "after": _curves(after, names)}
    return {**body, "curves": curves}


def _curves(figures: Figures, names: Mapping[int, str]) -> dict[str, list[list[float]]]:
    return {
        names[address]: [[round(100 * fraction, 2), round(error, 4)] for fraction, error in points]
        for address, points in figures.curve.items()
    }


# --- the signal taken away ---------------------------------------------------------------------------------------


class TrialFields(Fields, frozen=True):
    """The parts of the trial, and the size of the movements, % of travel."""

    parts: tuple[Text, ...] = ("loss",)
    throw: Annotated[float, Meta(ge=1, le=100)] = 25.0


def _trial(desk: Desk, wanted: TrialFields) -> dict[str, Any]:
    parts = [part for part in PARTS if part in wanted.parts]
    if not parts or set(wanted.parts) - set(PARTS):
        raise InputError(f"parts of a trial are: {', '.join(PARTS)}")
    seen, found = _audited(desk)
    subjects, missing = subjects_to_try(desk.plan, found, seen.roster)
    check_result_place(desk.plan, TRIAL_ENDING)
    if missing:
        desk.tell(f"Left out, not at the planned address: {', '.join(missing)}.")
    findings, seen_limp = desk.run(trial(subjects, parts, wanted.throw / 100, actuators=actuators_of(seen)))
    desk.tell(seen_limp.text)
    body = trial_body(desk.plan, parts, subjects, findings, missing, found.unmatched)
    for subject in subjects:
        one = findings[subject.address]
        after = "" if one.loss_after_ms is None else " after {:.0f}..{:.0f} ms".format(*one.loss_after_ms)
        what = "" if one.loss_action is None else f"signal gone: {one.loss_action or 'nothing'}{after}; "
        desk.tell(f"{subject.role.function}: {what}{'; '.join(one.faults) or 'as planned'}")
    did_all = not missing and not any(one.faults for one in findings.values())
    desk.tell("All did as planned." if did_all else "NOT all did as planned.")
    desk.tell(*(f"{gang}: {why}." for gang, why in found.unmatched.items()))
    body = write_trial(desk.plan, body)
    desk.tell(f"Kept in {desk.plan.beside(TRIAL_ENDING).name}, for the card.")
    return body


KINDS: Final = (
    Kind("match", "Match a gang", MatchFields, _match, moves=True, needs_plan=True),
    Kind("trial", "Take the signal away", TrialFields, _trial, moves=True, needs_plan=True),
)
