"""Compare hardware with the plan: model, firmware, rating and supply, which no setting can correct. Calculation only.

Used by audit, apply, claim, and every operation that is about to move something.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from busproto.ops.survey import Survey, firmware_text
from busproto.plan.load import Plan, Role
from busproto.wire.frame import UNADDRESSED
from busproto.wire.messages import Description

WRONG_HARDWARE: Final = frozenset({"model", "firmware", "rating", "supply"})
"""Names of the differences that mean another actuator, or another pack, than planned."""


@dataclass(frozen=True, slots=True)
class Difference:
    """One thing that is not as planned.

    Attributes:
        name: a setting, or "address", "model", "firmware", "supply", "rating", "gang", "fault".
        found, wanted: in words.
        can_be_applied: whether `apply` mends it; the others ask for another actuator, pack or plan.
        note: more about it; "" for nothing.
        harms: the pack or the supply is too high for the actuator.
    """

    name: str
    found: str
    wanted: str
    can_be_applied: bool = True
    note: str = ""
    harms: bool = False

    @property
    def text(self) -> str:
        """What was found and what is planned, in one line."""
        return f"{self.name}: {self.found}, planned {self.wanted}" + (f" ({self.note})" if self.note else "")


def hardware_differences(
    plan: Plan, role: Role, description: Description, supply_mv: int | None = None
) -> Iterator[Difference]:
    """Model, firmware, rating and supply of one actuator against its place in the plan.

    Args:
        description: what it says of itself.
        supply_mv: what it measures now, mV; None where that is not known.
    """
    if role.model is not None and description.model != role.model:
        yield Difference("model", description.model, role.model, can_be_applied=False)
    firmware = firmware_text(description)
    if role.firmware is not None and firmware != role.firmware:
        yield Difference("firmware", firmware, role.firmware, can_be_applied=False)
    yield from supply_differences(plan, description, supply_mv)


def supply_differences(plan: Plan, description: Description, supply_mv: int | None) -> Iterator[Difference]:
    """The rating against the pack of the plan, full and empty, and against what is measured now, mV."""
    low_mv, high_mv = description.supply_min_mv, description.supply_max_mv
    rated = f"rated {_volts(low_mv)}..{_volts(high_mv)} V"
    if plan.full_mv is not None and plan.full_mv > high_mv:
        note = "take the pack off: it harms this actuator"
        wanted = f"for a pack of {_volts(plan.full_mv)} V"
        yield Difference("rating", rated, wanted, can_be_applied=False, note=note, harms=True)
    if plan.empty_mv is not None and plan.empty_mv < low_mv:
        note = "it may fail before the pack is empty"
        wanted = f"for a pack that goes down to {_volts(plan.empty_mv)} V"
        yield Difference("rating", rated, wanted, can_be_applied=False, note=note)
    if supply_mv is not None and not low_mv <= supply_mv <= high_mv:
        is_high = supply_mv > high_mv
        note = "take the supply off: it harms this actuator" if is_high else ""
        wanted = f"within {_volts(low_mv)}..{_volts(high_mv)} V"
        found = f"{supply_mv / 1000:.2f} V"
        yield Difference("supply", found, wanted, can_be_applied=False, note=note, harms=is_high)


def _volts(millivolts: int) -> str:
    return f"{millivolts / 1000:g}"


@dataclass(frozen=True, slots=True)
class Harmed:
    """An actuator that the plan's pack, or the supply now, is too high for.

    Attributes:
        uid: 8 bytes.
        address: where it answers, 1..239, or 240 (F0h) for none.
        function: that it is known to be in; "" where that is not known.
        low_mv, high_mv: its rating.
        full_mv: of the pack, where that is too high; else None.
        supply_mv: what it measures now, where that is too high; else None.
    """

    uid: bytes
    address: int
    function: str
    low_mv: int
    high_mv: int
    full_mv: int | None
    supply_mv: int | None

    @property
    def text(self) -> str:
        """The whole of it in one line."""
        where = "without an address" if self.address == UNADDRESSED else f"address {self.address}"
        device = f"{self.function} ({self.uid.hex()}, {where})" if self.function else f"{self.uid.hex()}, {where},"
        whys = [f"the pack has {_volts(self.full_mv)} V when it is full"] if self.full_mv is not None else []
        whys += [f"it has {self.supply_mv / 1000:.2f} V now"] if self.supply_mv is not None else []
        rated = f"is rated {_volts(self.low_mv)}..{_volts(self.high_mv)} V"
        return f"TAKE THE SUPPLY OFF: {device} {rated}; {' and '.join(whys)}. That harms it."

    def as_json(self) -> dict[str, Any]:
        """The actuator and the voltages, V, for ``--json``."""
        return {
            "uid": self.uid.hex(),
            "address": None if self.address == UNADDRESSED else self.address,
            "function": self.function or None,
            "rated_v": [self.low_mv / 1000, self.high_mv / 1000],
            "pack_v": None if self.full_mv is None else self.full_mv / 1000,
            "supply_v": None if self.supply_mv is None else self.supply_mv / 1000,
        }


def harm_of(
    plan: Plan, description: Description, address: int, supply_mv: int | None, function: str = ""
) -> Harmed | None:
    """The harm to this actuator; None if there is none, as far as known."""
    high_mv = description.supply_max_mv
    full_mv = plan.full_mv if plan.full_mv is not None and plan.full_mv > high_mv else None
    now_mv = supply_mv if supply_mv is not None and supply_mv > high_mv else None
    if full_mv is None and now_mv is None:
        return None
    return Harmed(description.uid, address, function, description.supply_min_mv, high_mv, full_mv, now_mv)


def harmed_by_supply(plan: Plan, assigned: Mapping[str, bytes], survey: Survey) -> tuple[Harmed, ...]:
    """All actuators on the line that could be read and that the pack or the supply harms, also those without a
    function."""
    functions = {uid: function for function, uid in assigned.items()}
    found = (
        harm_of(plan, snapshot.description, snapshot.address, snapshot.status.supply_mv, functions.get(uid, ""))
        for uid, snapshot in survey.snapshots.items()
    )
    return tuple(one for one in found if one is not None)


def gang_difference(kinds: Sequence[str]) -> Iterator[Difference]:
    """Members of one gang that are not alike: `kinds` are model and firmware of each."""
    if len(set(kinds)) > 1:
        yield Difference("gang", f"unlike actuators: {' and '.join(sorted(set(kinds)))}", "all alike", False)
