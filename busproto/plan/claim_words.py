"""The sentences of a claim, for the terminal and for the page.

`name` gives the text that is shown for a uid.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from busproto.ops.moving.hand_movement import Held, Restless, Silent, Verdict
from busproto.plan.airframe import claim as claims
from busproto.plan.hardware import Difference
from busproto.plan.load import Plan

LIMP_TEXT: Final = "All go limp now and stay so: support what would fall. Move surfaces gently, with your hands only."
NOT_GIVEN_TEXT: Final = "Not given: these cannot be watched."
Name = Callable[[bytes], str]


def wanted_text(task: claims.Task) -> str:
    """Which surface is to be moved, and how."""
    how = [f"{len(task.members)} actuators"] if len(task.members) > 1 else []
    how += [task.positive] if task.positive else []
    how += ["to the side to which a positive demand is to take it"] if task.needs_side else []
    return f"Move by hand: {task.name}" + (f" ({'; '.join(how)})" if how else "")


def claimed_lines(told: claims.Claimed, name: Name) -> list[str]:
    """What was claimed, and how actuators that moved together were told apart."""
    by_deg = {one.uid: one.by_deg for one in told.moved}
    lines = [f"{function}: {name(uid)}, moved {by_deg[uid]:+.1f} deg" for function, uid in told.uids.items()]
    if told.by_order:
        lines.append("Nothing tells these apart: they are taken in the order of uid.")
    if told.task.needs_side:
        lines.append(
            "Distinguished by the sides to which they turned, as if a positive demand had taken the surface there."
        )
    return lines


def advice_line(text: str) -> str:
    """Something that does not fit the plan, and is to be looked at."""
    return f"LOOK: {text}"


def other_lines(told: claims.Told, name: Name) -> list[str]:
    """The lines for every other event; see `wanted_text` and `claimed_lines` for what is asked and claimed."""
    return _SAID[type(told)](told, name).splitlines()


def names_text(uids: Sequence[bytes], name: Name) -> str:
    """Several actuators in a row."""
    return " and ".join(name(uid) for uid in uids)


def _not_claimed_text(told: claims.NotClaimed, name: Name) -> str:
    task, moved = told.task, told.judgement.moved
    which = names_text(told.judgement.uids, name)
    farthest = f"{abs(moved[0].by_deg):.1f} deg"
    alone = "alone" if len(task.functions) == 1 else "and nothing else"
    texts = {
        Verdict.TAKEN: f"That is {which}. Wanted is: {task.name}.",
        Verdict.SEVERAL: f"These moved alike: {which}. Once more, please: {task.name} {alone}.",
        Verdict.FEW: f"Only {len(moved)} of {len(task.functions)} moved: {which}.\nOnce more, please, and farther.",
        Verdict.SMALL: f"{which} moved by {farthest} only, which does not count: farther, please, "
        f"if it is {task.name}.",
        Verdict.SHORT: f"{which} moved by {farthest}, but for a moment only: more slowly, please.",
    }
    return texts[told.judgement.verdict]


_SAID: Final[Mapping[type, Callable[[Any, Name], str]]] = {
    claims.NotClaimed: _not_claimed_text,
    claims.BackAgain: lambda told, name: (
        f"{names_text(told.uids, name)} only went back to where it was: once more, please."
    ),
    Restless: lambda told, name: f"{names_text(told.uids, name)} keeps moving: let it rest, so that it counts.",
    Held: lambda told, name: f"{name(told.uid)} was not limp; it was released again.",
    Silent: lambda told, name: f"{name(told.uid)} does not answer; the others go on.",
    claims.Undone: lambda told, name: (
        f"Open again: {', '.join(told.functions)}" if told.functions else "Nothing was claimed in this run."
    ),
    claims.Skipped: lambda told, name: f"{'No movement' if told.is_late else 'Skipped'}: {told.task.name} stays open.",
    claims.CannotSwing: lambda told, name: f"{name(told.member.uid)}: {told.why}",
}


# --- at the end ------------------------------------------------------------------------------------------------


def count_text(plan: Plan, assigned: Mapping[str, bytes]) -> str:
    """How many functions have their actuators."""
    return f"{len(assigned)} of {len(plan.roles)} functions are claimed"


def unfit_line(function: str, differences: Sequence[Difference]) -> str:
    """An actuator that is not what the plan has for its function."""
    return f"Not the hardware of the plan: {function}: {'; '.join(one.text for one in differences)}"


def earlier_line(earlier: str | None) -> str:
    """In which file the claims before are kept; None where there were none."""
    return f"The claims before are kept in {earlier}." if earlier is not None else "There were no claims before."
