"""Which way a surface goes: each arm's side is measured, what was seen is told, what was not seen is not known.

The truth is an angle of the surface: positive where the plan's words say. How each arm hangs on it is a sign that only
the test knows, as only a person at a bench does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import pytest

from busproto.errors import InputError, NotLimpError, OperationError
from busproto.plan.load import Plan, load
from busproto.plan.trials.direction import (
    FRACTION,
    LEAST_DEG,
    PART,
    Order,
    Surface,
    Swung,
    Tried,
    Way,
    _places,
    carried_over,
    fault_of,
    not_tried,
    surface_named,
    surfaces_of,
    swing,
    try_directions,
    with_directions,
)
from busproto.sim.actuators.actuator import Actuator
from busproto.wire import Message
from busproto.wire.messages import LIMP_STATES, Demand, Engage
from tests.ops.helpers import MS, Box, box

FLEET: Final = """
fleet-map = 1
title = "fleet"
[function]
flap = { address = 10, channel = 4, settings = { direction = "FLAP" } }
"rudder, upper" = { address = 30, channel = 8 }
"rudder, lower" = { address = 31, channel = 8, settings = { direction = "reversed" } }
spoiler = { address = 40, channel = 9 }
"""
AIRFRAME: Final = """
airframe = 1
title = "small"
fleet-map = "fleet.toml"
[function.flap]
positive = "trailing edge down"
[function."rudder, upper"]
[function."rudder, lower"]
positive = "to the left"
[function.spoiler]
[gang.rudder]
number = 1
members = ["rudder, upper", "rudder, lower"]
"""
AT: Final = "2031-05-04T10:00:00+02:00"
HALF_TRAVEL_DEG: Final = 60.0
"""FORMAT.md, parameter travel: the factory sets 120 deg from end to end."""


def plan_of(directory: Path, flap: str = "normal") -> Plan:
    (directory / "fleet.toml").write_text(FLEET.replace("FLAP", flap), "utf-8")
    (directory / "small.toml").write_text(AIRFRAME, "utf-8")
    return load(directory / "small.toml")


@dataclass
class Subject:
    """Actuators with surfaces on them, and a person who looks.

    Attributes:
        plan: the airframe.
        box: the bus.
        one: actuators by function.
        hangs: +1 where the arm's own positive side takes the surface to its positive side, else -1.
        seen: the surfaces at which was looked, and how far each arm had turned.
        kept: what came of each surface, as it was kept.
    """

    plan: Plan
    box: Box
    one: dict[str, Actuator]
    hangs: dict[str, int]
    blind: bool = False
    says: list[Way | Order] = field(default_factory=list)
    seen: list[tuple[str, Swung]] = field(default_factory=list)
    kept: list[Sequence[Tried]] = field(default_factory=list)
    seen_by: str = "the test"

    def will_look(self, surface: Surface) -> bool:
        return not self.blind

    def look(self, surface: Surface, swung: Swung) -> Way | Order:
        assert all(one.state in LIMP_STATES for one in self.one.values()), "whoever is asked finds it limp"
        self.seen.append((surface.name, swung))
        if self.says:
            return self.says.pop(0)
        lead = surface.arms[0].role.function
        went = swung.by_deg[lead]
        assert went is not None
        return Way.PLANNED if went * self.hangs[lead] > 0 else Way.OTHER

    @property
    def surfaces(self) -> list[Surface]:
        return surfaces_of(self.plan, {name: (one.uid, one.address) for name, one in self.one.items()})

    def tried(self, only: str = "") -> dict[str, Tried]:
        surfaces = [one for one in self.surfaces if one.name == (only or one.name)]
        found = self.box.run(try_directions(surfaces, self, lambda: AT, self.kept.append))
        assert all(one.state in LIMP_STATES for one in self.one.values())
        assert [one for some in self.kept for one in some] == found
        return {one.function: one for one in found}

    def carry(self, leader: str, follower: str, ratio: float) -> None:
        """The follower's arm is turned along with the leader's, by this much of its way; it is on one surface."""
        lead, other = self.one[leader], self.one[follower]
        lead_from, other_from = lead.arm.position_deg, other.arm.position_deg

        def hook(_: Message) -> None:
            lead.arm.move_to(self.box.now_ns)
            to_deg = other_from + ratio * (lead.arm.position_deg - lead_from)
            other.arm.hand(to_deg, 1 * MS, self.box.now_ns)

        self.box.hooked(hook)


def subject(directory: Path, *, flap: str = "normal", set_flap: int = 0, at_deg: float = 3.0) -> Subject:
    plan = plan_of(directory, flap)
    bus = box(3)
    one = {
        name: bus.add(number, role.address, at_deg=at_deg if name == "flap" else 2.0, channel=role.channel)
        for number, (name, role) in enumerate(plan.roles.items(), 1)
    }
    one["flap"].settings.working["direction"] = set_flap
    return Subject(plan, bus, one, {"flap": 1, "rudder, upper": 1, "rudder, lower": -1})


# --- which surfaces ----------------------------------------------------------------------------------------------


def test_those_whose_positive_side_is_stated_a_gang_as_one(tmp_path: Path) -> None:
    found = subject(tmp_path).surfaces
    assert [(one.name, one.positive, [arm.role.function for arm in one.arms]) for one in found] == [
        ("flap", "trailing edge down", ["flap"]),
        ("rudder", "to the left", ["rudder, upper", "rudder, lower"]),
    ]
    assert [[arm.planned_side for arm in one.arms] for one in found] == [[1], [1, -1]]


def test_a_person_names_a_surface_by_its_name_or_a_member(tmp_path: Path) -> None:
    plan = plan_of(tmp_path)
    assert [surface_named(plan, name) for name in ("flap", "rudder", "rudder, lower")] == ["flap", "rudder", "rudder"]
    for name in ("spoiler", "fin"):
        with pytest.raises(InputError, match=f"'{name}' is no surface .*; there are: flap, rudder$"):
            surface_named(plan, name)


# --- the side ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("planned", ["normal", "reversed"])
@pytest.mark.parametrize("is_set", [0, 1])
@pytest.mark.parametrize("hangs", [1, -1])
def test_the_plan_is_judged_whatever_is_set_now(tmp_path: Path, planned: str, is_set: int, hangs: int) -> None:
    """At a positive demand an arm goes to its positive side where direction is normal, else to the other: FORMAT.md."""
    on = subject(tmp_path, flap=planned, set_flap=is_set)
    on.hangs["flap"] = hangs
    side = 1 if planned == "normal" else -1
    flap = on.tried("flap")["flap"]
    assert flap.by_deg == pytest.approx(side * FRACTION * HALF_TRAVEL_DEG, abs=0.3)
    assert flap.way is (Way.PLANNED if side == hangs else Way.OTHER)
    assert (flap.direction, flap.seen_by, flap.at, flap.why) == (planned, "the test", AT, "")
    on.one["flap"].arm.move_to(on.box.now_ns)
    assert on.one["flap"].arm.position_deg == pytest.approx(3.0, abs=0.6), "and it is back where it stood"


def test_near_the_end_of_its_travel_it_goes_no_further_than_that_end(tmp_path: Path) -> None:
    on = subject(tmp_path, at_deg=HALF_TRAVEL_DEG - 2.0)
    assert on.tried("flap")["flap"].by_deg == pytest.approx(2.0, abs=0.3)


@pytest.mark.parametrize(
    ("lead_hangs", "ratio", "says"),
    [
        (1, -0.9, (Way.PLANNED, Way.PLANNED)),  # as planned: the lower one is to turn against the upper one
        (1, 0.9, (Way.PLANNED, Way.OTHER)),
        (-1, -0.9, (Way.OTHER, Way.OTHER)),
        (-1, 0.9, (Way.OTHER, Way.PLANNED)),
        (1, 0.05, (Way.PLANNED, Way.NOT_KNOWN)),
    ],
)
def test_one_look_tells_of_all_that_are_carried_along(
    tmp_path: Path, lead_hangs: int, ratio: float, says: tuple[Way, Way]
) -> None:
    on = subject(tmp_path)
    on.hangs["rudder, upper"] = lead_hangs
    on.carry("rudder, upper", "rudder, lower", ratio)
    found = on.tried("rudder")
    upper, lower = found["rudder, upper"], found["rudder, lower"]
    assert (upper.way, lower.way) == says
    assert lower.by_deg == pytest.approx(ratio * FRACTION * HALF_TRAVEL_DEG, abs=0.3)
    if lower.way is Way.NOT_KNOWN:
        assert lower.why == f"it was not carried along: its arm turned by {lower.by_deg:+.1f} deg only"
        assert lower.seen_by == ""


def test_only_the_first_of_a_gang_is_driven(tmp_path: Path) -> None:
    on = subject(tmp_path)
    port = on.box.hooked(lambda _: None)
    on.box.run(swing(on.surfaces[1]))
    assert sum(isinstance(one, Engage) for one in port.sent) == 1
    assert len({one.demand for one in port.sent if isinstance(one, Demand)}) == 2  # where it stands, and out


# --- what is not known -------------------------------------------------------------------------------------------


def test_where_no_one_looks_nothing_moves_and_nothing_is_known(tmp_path: Path) -> None:
    on = subject(tmp_path)
    on.blind = True
    port = on.box.hooked(lambda _: None)
    found = on.tried()
    assert port.sent == []
    assert {one.why for one in found.values()} == {"no one was there to look, so it was not moved"}
    assert {one.way for one in found.values()} == {Way.NOT_KNOWN}


def test_one_that_is_blocked_is_not_asked_for(tmp_path: Path) -> None:
    on = subject(tmp_path)
    on.one["flap"].arm.stop_deg = 0.0
    flap = on.tried()["flap"]
    assert flap.way is Way.NOT_KNOWN
    assert flap.by_deg is not None
    assert abs(flap.by_deg) < LEAST_DEG
    assert flap.why == f"asked to swing, its arm turned by {flap.by_deg:+.1f} deg only"
    assert [name for name, _ in on.seen] == ["rudder"]


def test_one_that_stands_outside_its_travel_is_not_moved(tmp_path: Path) -> None:
    on = subject(tmp_path, at_deg=70.0)
    port = on.box.hooked(lambda _: None)
    with pytest.raises(OperationError, match=r"its arm stands at 70.00 deg, .* nothing moved"):
        on.box.run(swing(on.surfaces[0]))
    assert not any(isinstance(one, Engage | Demand) for one in port.sent)
    flap = on.tried("flap")["flap"]
    assert flap.way is Way.NOT_KNOWN
    assert "its arm stands at 70.00 deg" in flap.why


def test_one_that_is_not_seen_limp_ends_it_before_anything_moves(tmp_path: Path) -> None:
    on = subject(tmp_path)
    on.one["rudder, lower"].is_mute = True
    port = on.box.hooked(lambda _: None)
    with pytest.raises(NotLimpError, match=r"NOT SEEN LIMP: address 31 \(no answer\)"):
        on.box.run(swing(on.surfaces[1]))
    assert not any(isinstance(one, Engage | Demand) for one in port.sent)
    found = on.tried("rudder")
    assert found["rudder, upper"].why.startswith("NOT SEEN LIMP: address 31")


def test_one_that_falls_silent_while_it_is_out_ends_the_rest(tmp_path: Path) -> None:
    """It holds there unseen: no other surface is moved, no one is asked, and it is named."""
    on = subject(tmp_path)
    demands = 0

    def hook(message: Message) -> None:
        nonlocal demands
        demands += isinstance(message, Demand)
        if demands == 60:
            on.one["flap"].is_mute = True

    port = on.box.hooked(hook)
    found = {one.function: one for one in on.box.run(try_directions(on.surfaces, on, lambda: AT, on.kept.append))}
    assert found["flap"].way is found["rudder, upper"].way is Way.NOT_KNOWN
    assert on.seen == []
    assert sum(isinstance(one, Engage) for one in port.sent) == 1


def test_again_not_seen_and_stop(tmp_path: Path) -> None:
    on = subject(tmp_path)
    on.says = [Order.AGAIN, Order.AGAIN, Way.NOT_KNOWN, Order.STOP]
    found = on.tried()
    assert [name for name, _ in on.seen] == ["flap", "flap", "flap", "rudder"]
    assert (found["flap"].way, found["flap"].why) == (Way.NOT_KNOWN, "it was not seen")
    on.seen.clear()
    on.kept.clear()
    on.says = [Order.STOP]
    found = on.tried()
    assert [name for name, _ in on.seen] == ["flap"]
    assert found["rudder, upper"].why == "ended before it"


@pytest.mark.parametrize("number", [2, 8, 20])
def test_interrupted_anywhere_all_are_limp(tmp_path: Path, number: int) -> None:
    on = subject(tmp_path)
    count = 0

    def hook(_: Message) -> None:
        nonlocal count
        count += 1
        if count == number:
            raise KeyboardInterrupt

    on.box.hooked(hook)
    with pytest.raises(KeyboardInterrupt):
        on.box.run(swing(on.surfaces[1]))
    on.box.pass_time(20 * MS)
    assert all(one.state in LIMP_STATES for one in on.one.values())


# --- in the file of the trial ------------------------------------------------------------------------------------


def tried(function: str = "flap", way: Way = Way.PLANNED, **changes: Any) -> Tried:
    fields: dict[str, Any] = {
        "function": function,
        "uid": bytes(8),
        "address": 10,
        "positive": "down",
        "direction": "normal",
        "way": way,
        "why": "",
        "by_deg": 7.5,
        "seen_by": "A. Pilot",
        "at": AT,
    }
    return Tried(**{**fields, **changes})


EMPTY: Final[dict[str, Any]] = {"format": 1, "parts": ["loss"], "missing": [], "as_planned": True, "actuators": []}
FAULT: Final = (
    "a positive demand takes it the other way than 'down': give it direction = \"reversed\" in the plan "
    "(now \"normal\"), then 'busproto apply', and try again"
)


def test_a_wrong_side_is_a_fault_that_says_what_to_do_and_goes_when_it_is_right() -> None:
    body = with_directions(EMPTY, [tried(way=Way.OTHER)])
    (row,) = body["actuators"]
    assert (body["as_planned"], row["as_planned"], row["problems"]) == (False, False, [FAULT])
    assert row["problems_by_part"] == {PART: [FAULT]}
    assert row["direction_test"]["turned_deg"] == 7.5
    assert body["parts"] == ["loss", PART]
    mended = with_directions(body, [tried(direction="reversed")])
    (row,) = mended["actuators"]
    assert (mended["as_planned"], row["problems"], row["problems_by_part"]) == (True, [], {})
    assert 'give it direction = "normal" in the plan (now "reversed")' in fault_of("down", "reversed")


def test_what_is_not_known_is_no_fault_and_does_not_pass() -> None:
    body = with_directions(EMPTY, [tried(way=Way.NOT_KNOWN, seen_by="")])
    assert (body["as_planned"], body["actuators"][0]["problems"]) == (False, [])
    assert with_directions({**EMPTY, "missing": ["flap"]}, [tried()])["as_planned"] is False


def test_a_later_trial_keeps_the_direction_with_its_own_date_and_only_of_the_same_one() -> None:
    before = with_directions(EMPTY, [tried(way=Way.OTHER)])
    row = {**before["actuators"][0], "problems": ["too fast"], "problems_by_part": {"start": ["too fast"]}}
    del row["direction_test"]
    after = carried_over({**EMPTY, "actuators": [row]}, before)
    assert after["actuators"][0]["direction_test"]["date"] == AT
    assert after["actuators"][0]["problems"] == ["too fast", FAULT]
    assert after["as_planned"] is False
    other = carried_over({**EMPTY, "actuators": [{**row, "function": "spoiler"}]}, before)
    assert "direction_test" not in other["actuators"][0]
    for odd in ({}, {"actuators": [3, {"uid": "x", "direction_test": 4}]}):
        assert carried_over({**EMPTY, "actuators": [row]}, odd)["actuators"] == [row]


def test_a_surface_that_was_left_out_says_why(tmp_path: Path) -> None:
    found = [one for surface in subject(tmp_path).surfaces for one in not_tried(surface, "no", AT)]
    assert [(one.function, one.way, one.why, one.by_deg) for one in found] == [
        ("flap", Way.NOT_KNOWN, "no", None),
        ("rudder, upper", Way.NOT_KNOWN, "no", None),
        ("rudder, lower", Way.NOT_KNOWN, "no", None),
    ]


def test_another_of_the_gang_that_does_not_answer_stands_nowhere(tmp_path: Path) -> None:
    """What it was last seen at is no place; the one that moves has to answer."""
    on = subject(tmp_path)
    rudder = on.surfaces[1]
    assert set(on.box.run(_places(rudder))) == {30, 31}
    on.one["rudder, lower"].is_mute = True
    places = on.box.run(_places(rudder))
    assert places[31] is None
    assert places[30] is not None
    on.one["rudder, upper"].is_mute = True
    with pytest.raises(OperationError):
        on.box.run(_places(rudder))
