"""What a match refuses, what it leaves as it was, and a flap of two that is matched again."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import Final

import pytest

from busproto.errors import ReplyTimeoutError
from busproto.ops import Link
from busproto.ops.steps import Progress
from busproto.ops.survey import survey
from busproto.plan.airframe.audit import audit
from busproto.plan.airframe.results import table_sentences
from busproto.plan.calibration.match import Matched, match, matched_json, reasons_against
from busproto.plan.calibration.match_checks import raw_table
from busproto.plan.load import Plan, load
from busproto.plan.trials.trial import Subject
from busproto.sim.actuators.actuator import Actuator
from busproto.sim.bus import VirtualBus
from busproto.sim.scene.scenario import parse
from busproto.wire import Frame, Message, message_of
from busproto.wire import messages as m
from busproto.wire.frame import BROADCAST_ADDRESS
from busproto.wire.messages import LIMP_STATES
from busproto.wire.parameters import RawValue
from tests.plan.calibration.helpers import MIDDLE, MS, members, rudder, shipped, truth


def flap(
    *, outer: str = "{ actuator = 'flap, outer', stiffness = 2.0, ratio = -0.8 }", table: str = "0.5, -0.25"
) -> str:
    """Two on one flap, mirrored, with less travel than the shipped gang and a table each from an earlier match."""
    common = f'channel = 5, travel = 60.0, neutral = 4.0, gang = 2, correction = [{table}], loss-action = "hold"'
    return f"""
        title = "flap"
        [model.m]
        stall-torque = 3.0
        no-load-speed = 250
        backlash = 0.2
        sensor-curve = 0.5
        sensor-noise = 0.02
        [[actuator]]
        label = "flap, inner"
        model = "m"
        uid = "91d0000000000001"
        address = 17
        settings = {{ {common}, place = 1 }}
        [[actuator]]
        label = "flap, outer"
        model = "m"
        uid = "91d0000000000002"
        address = 18
        settings = {{ {common}, place = 2, direction = "reversed", neutral = -4.0 }}
        [[surface]]
        name = "flap"
        friction = 0.05
        members = [ {{ actuator = "flap, inner", stiffness = 2.0, ratio = 0.8 }}, {outer} ]
    """.replace(f"{common}, place = 2", f"{common}, place = 2".replace("neutral = 4.0, ", ""))


FLAP_FLEET: Final = """
fleet-map = 1
title = "one flap"
[settings]
loss-action = "hold"
travel = 60.0
[function]
"flap, inner" = { address = 17, channel = 5, settings = { neutral = 4.0 } }
"flap, outer" = { address = 18, channel = 5, settings = { neutral = -4.0, direction = "reversed" } }
"""

FLAP_AIRFRAME: Final = """
airframe = 1
title = "flap"
fleet-map = "fleet.toml"
[function]
"flap, inner" = {}
"flap, outer" = {}
[gang.flap]
number = 2
members = ["flap, inner", "flap, outer"]
"""


def flap_plan(directory: Path) -> Plan:
    (directory / "fleet.toml").write_text(FLAP_FLEET, "utf-8")
    (directory / "flap.toml").write_text(FLAP_AIRFRAME, "utf-8")
    return load(directory / "flap.toml")


def all_as_before(bus: VirtualBus, kept: list[dict[str, RawValue]]) -> bool:
    return [one.settings.stored() for one in bus.actuators] == kept == [one.settings.working for one in bus.actuators]


def refused(text: str, subjects_of: Callable[[Link], list[Subject]] = members) -> Matched:
    """It is refused with every setting as before, all limp, and that was read back."""
    bus = parse(text).build(1)
    link = Link(bus.host)
    kept = [one.settings.stored() for one in bus.actuators]
    subjects = subjects_of(link)
    result = link.run(match(subjects, stations=12, looks=1))
    assert not result.stored
    assert result.tables == "as before"
    assert all_as_before(bus, kept)
    assert all(one.state in LIMP_STATES for one in bus.actuators)
    body = matched_json(subjects, result)
    assert (body["stored"], body["table_state"], body["reasons"]) == (False, "as before", list(result.refused))
    return result


def test_one_whose_rod_is_off_was_not_carried_along() -> None:
    """No other member is driven together with it, and no table is written."""
    assert MIDDLE in shipped()
    result = refused(shipped().replace(MIDDLE, ""))
    (reason,) = result.refused
    assert reason.startswith("rudder, middle was not carried along by rudder, upper: it went 0.")
    assert "where the lead went 10" in reason
    assert "Look at its rod" in reason
    assert (result.before, result.after, result.fits) == (None, None, {})


def test_with_all_rods_off_the_leads_is_named_first() -> None:
    text = shipped()
    result = refused(text[: text.index("[[surface]]")] + text[text.index("[[wanted]]") :])
    assert [one.partition(" was ")[0] for one in result.refused[:2]] == ["rudder, middle", "rudder, lower"]
    assert result.refused[2] == "no member was carried along: look at the rod of rudder, upper first, which leads"


@pytest.mark.parametrize(
    ("new", "says"),
    [
        (MIDDLE.replace("offset = 0.7", "offset = 9.0"), "would need a correction of -1"),
        (MIDDLE.replace("ratio = 0.6", "ratio = 0.48"), "and a table ends at +-10"),
        (MIDDLE.replace("ratio = 0.6", "ratio = 0.2"), "was not carried along by rudder, upper: it went 32"),
        (MIDDLE.replace("ratio = 0.6", "ratio = -0.6"), "it went the other way"),
    ],
    ids=["another tooth of the spline", "another hole", "far too short an arm", "wrong way round"],
)
def test_a_wrong_spare_is_refused_before_all_are_powered(new: str, says: str) -> None:
    result = refused(shipped().replace(MIDDLE, new))
    assert any(says in reason and reason.startswith("rudder, middle") for reason in result.refused), result.refused
    assert result.before is None


@dataclasses.dataclass
class Flap:
    """The two of the flap, and what they were set to."""

    bus: VirtualBus
    link: Link
    plan: Plan

    def __post_init__(self) -> None:
        self.kept = [one.settings.stored() for one in self.bus.actuators]
        self.subjects = self.members(self.link)

    def members(self, link: Link) -> list[Subject]:
        rows = audit(self.plan, {}, link.run(survey())).rows
        return [Subject(row.role, row.snapshot) for row in rows if row.snapshot is not None]

    def match(self) -> Matched:
        return self.link.run(match(self.subjects, stations=12, looks=1))

    def when(self, kind: type[Message], number: int, do: Callable[[], None], *, to_all: bool = False) -> None:
        """Do something when the nth request of a kind is heard, of those to all or of those to one."""
        left = number

        def look(_: int, __: Actuator, frame: Frame) -> None:
            nonlocal left
            if isinstance(message_of(frame), kind) and to_all == (frame.destination == BROADCAST_ADDRESS):
                left -= 1
                if not left:
                    do()

        self.bus.on_frame = look

    def wears_out(self) -> None:
        """From now on the outer one's sensor is crooked by 3 deg."""
        arm = self.bus.actuators[1].arm
        assert arm.curve is not None
        arm.curve = dataclasses.replace(arm.curve, first_deg=3.0)


@pytest.fixture
def two(tmp_path: Path) -> Flap:
    bus = parse(flap()).build(1)
    return Flap(bus, Link(bus.host), flap_plan(tmp_path))


def test_two_mirrored_ones_are_matched_and_matching_again_makes_nothing_worse(two: Flap) -> None:
    assert reasons_against(two.subjects) == []
    said: list[Progress] = []
    two.link = Link(two.bus.host, said.append)
    began_ns = two.bus.kernel.now_ns
    result = two.match()
    assert two.bus.kernel.now_ns - began_ns < 60_000 * MS, "39 s: it goes on where all stand still"
    assert [(one.at, one.of) for one in said if one.task == "matching"] == [(at, 5) for at in range(6)]
    assert result.refused == ()
    assert result.before is not None
    assert result.after is not None
    assert result.after.worst_deg < 0.25 < result.before.worst_deg
    assert two.bus.actuators[0].settings.stored()["correction"] == ()
    assert two.bus.actuators[1].settings.stored()["correction"] == raw_table(result.fits[18])
    two.subjects = two.members(two.link)
    again = two.match()
    assert again.refused == ()
    assert again.after is not None
    assert again.after.worst_deg < 0.25
    assert truth(two.bus, two.link, "flap", 5, (17, 18))[0] < 0.25, "at the surface, by what the simulator knows"


def test_a_rod_that_is_off_leaves_the_tables_of_an_earlier_match(two: Flap) -> None:
    assert "flap, outer was not carried along by flap, inner" in refused(flap(outer=""), two.members).refused[0]


def test_a_worn_sensor_makes_no_noise_that_a_table_could_leave(two: Flap) -> None:
    worn = flap().replace("sensor-noise = 0.02", "sensor-noise = 0.5")
    assert any("no table fits" in one and "sensors' step is 0.05" in one for one in refused(worn, two.members).refused)


def test_one_that_became_worse_is_refused(two: Flap) -> None:
    two.when(m.Write, 1, two.wears_out)
    result = two.match()
    assert len(result.refused) == 1
    assert result.refused[0].startswith("flap, outer became worse: its greatest mismatch was ")
    assert result.tables == "as before"
    assert all_as_before(two.bus, two.kept)


def test_a_table_that_cannot_be_read_back_is_not_called_as_before(two: Flap) -> None:
    def worn_and_then_silent() -> None:
        two.wears_out()
        # the release of all comes when everything is measured
        two.when(m.Release, 1, lambda: setattr(two.bus.actuators[1], "is_mute", True), to_all=True)

    two.when(m.Write, 1, worn_and_then_silent)
    result = two.match()
    assert not result.stored
    assert result.tables == "not known"
    assert list(result.unknown) == ["flap, outer"]
    (sentence,) = table_sentences(result)
    assert "correction table of flap, outer is as before is NOT KNOWN" in sentence
    assert matched_json(two.subjects, result)["not_read_back"] == dict(result.unknown)


def test_what_was_stored_already_is_taken_back_where_the_next_one_cannot_store(two: Flap) -> None:
    two.when(m.Commit, 2, lambda: setattr(two.bus.actuators[1], "is_mute", True))
    with pytest.raises(ReplyTimeoutError) as caught:
        two.match()
    assert two.bus.actuators[0].settings.generation > 1, "it had been stored"
    assert two.bus.actuators[0].settings.stored() == two.bus.actuators[0].settings.working == two.kept[0]
    assert caught.value.__notes__ == [
        "whether the correction tables are as before is not known of: flap, outer",
        "NOT SEEN LIMP: address 18 (no answer). Take the pack off before you touch anything they move. Seen limp: 1",
    ]


def test_what_was_changed_without_being_stored_is_not_stored_by_the_way() -> None:
    bus, link = rudder()
    bus.actuators[1].settings.set_working("damping", 40)
    (reason,) = reasons_against(members(link))
    assert reason == "rudder, middle: damping changed without being stored: store or undo it first"
