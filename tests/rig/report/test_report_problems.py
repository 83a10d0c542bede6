"""What a report of an airframe's tables complains of, what it notes and what it refuses."""

from __future__ import annotations

import re
from typing import Any

import pytest

from busproto.errors import InputError
from busproto.rig.actuator import Actuator
from busproto.rig.report import report
from busproto.rig.tables import EXAMPLE, RigTables
from busproto.toml_source import read
from tests.rig.report.helpers import ACTUATORS, STRONG, aileron, changed, power, rudder, tables


def test_who_cannot_be_counted_is_named() -> None:
    odd = Actuator(2.5, (4.8, 8.4), 120.0)
    found = power(report(tables(), {**ACTUATORS, "rudder-top": odd, "flap": None}))
    assert found.missing == {"rudder-top": "no stall current is told", "flap": "nothing is known of its model"}
    assert found.counted == ("aileron-left", "rudder-bottom")


def test_a_lead_of_one_function_that_cannot_be_is_told_with_its_name() -> None:
    """Throttle moves no surface of the file."""
    own = "throttle = { length = 0.2, copper = 0.6, brown-out = 4.4 }"
    with pytest.raises(InputError, match=r"^function 'throttle': there is no flexible conductor of 0\.6 mm"):
        report(changed(("[flight] ", f"[leads]\n{own}\n[flight] ")), {**ACTUATORS, "throttle": STRONG})


def test_a_thin_lead_lets_it_drop_out_and_a_full_pack_may_be_too_much() -> None:
    low = Actuator(2.5, (4.8, 7.4), 120.0, stall_ma=4000.0)
    found = power(report(changed(("gauge = 20 ", "gauge = 30 ")), {**ACTUATORS, "aileron-left": low}))
    assert found.rating_problems == (
        "aileron-left: the full pack has 8.40 V, rated up to 7.4 V (+13.5%): fewer cells, or a regulator",
    )
    assert len(found.problems) == 1
    assert re.match(
        r"aileron-left: when all stall on the empty pack it gets 3\.\d\d V, it drops out below 4\.5 V",
        found.problems[0],
    )


def test_an_empty_pack_below_the_rating_is_told() -> None:
    found = power(report(changed(("cells = 2", "cells = 1")), ACTUATORS))
    assert (
        "rudder-top: the empty pack has 3.00 V, rated from 4.8 V: stop earlier, or more cells" in found.rating_problems
    )


def test_what_does_not_reach_or_hardly_follows_is_a_problem() -> None:
    short = aileron(report(changed(("arm = 14.0", "arm = 8.0")), ACTUATORS))
    assert len(short.problems) == 2
    assert short.problems[0] == (
        "the surface goes to +16.2 deg, +22 deg is wanted: take a longer arm, a shorter horn or more travel"
    )
    assert "goes to -16.0 deg, -22 deg is wanted" in short.problems[1]
    steep = aileron(
        report(
            changed(("arm = 14.0\nhorn = 25.0", "arm = 34.0\nhorn = 25.0"), ("[-22.0, 22.0]", "[-60, 60]")), ACTUATORS
        )
    )
    assert any("the transmission angle falls to" in one for one in steep.problems)


def test_a_travel_beyond_what_the_linkage_follows_is_a_problem() -> None:
    wide = {one: Actuator(2.5, (4.8, 8.4), 180.0, slew_deg_s=300.0) for one in ACTUATORS}
    turning = aileron(report(tables(), wide))
    low_deg, high_deg = turning.linkage.follows_deg
    assert turning.problems == (
        f"travel and ends let the arm go from -90.0 to 90.0 deg of its neutral, but beyond {low_deg:.1f} to "
        f"{high_deg:.1f} deg the surface turns back: set less travel, or end-low and end-high inside of that",
    )
    ended = {one: Actuator(2.5, (4.8, 8.4), 180.0, room_deg=(60.0, 60.0)) for one in ACTUATORS}
    assert aileron(report(tables(), ended)).problems == ()
    jams = aileron(report(changed(("arm = 14.0", "arm = 26.0")), wide))
    assert jams.full_throw is None
    assert any("rod and horn stand in line and the arm jams" in one for one in jams.problems)


def test_a_throw_that_takes_the_arm_to_its_dead_point_is_refused() -> None:
    jams = changed(
        ("arm = 14.0\nhorn = 25.0\npivots = 90", "arm = 34.0\nhorn = 25.0\npivots = 45"), ("-22.0, 22.0", "-80, 80")
    )
    with pytest.raises(
        InputError, match="surface 'aileron-left': the throw of -80 to 80 deg takes the arm to its dead"
    ):
        report(jams, {one: Actuator(2.5, (4.8, 8.4), 180.0) for one in ACTUATORS})


def test_actuators_of_one_surface_set_apart_are_a_problem() -> None:
    other = Actuator(2.5, (4.8, 8.4), 150.0)
    found = rudder(report(tables(), {**ACTUATORS, "rudder-top": other}))
    assert "its actuators are set to different travels: they would fight; set them alike" in found.problems


def test_fast_air_is_noted() -> None:
    found = report(changed(("airspeed = 45.0", "airspeed = 120.0")), ACTUATORS)
    assert found.notes[0].startswith("120 m/s is above Mach 0.3")


@pytest.mark.parametrize(
    ("pairs", "actuators", "text"),
    [
        ([], {}, "surface 'aileron-left': nothing is known of the actuator of aileron-left"),
        ([("rod = 119.7\n", "")], ACTUATORS, None),
        (
            [("arm-angle = 92.0\n", "")],
            ACTUATORS,
            "surface 'rudder': linkage: arm-angle and horn-angle belong together",
        ),
        ([("rod = 119.7", "rod = 90")], ACTUATORS, "surface 'rudder': the rod is 90 mm long"),
        ([("rod = 119.7", "rod = 115")], ACTUATORS, "surface 'rudder': with these lengths the horn stands at"),
        ([("rod = 119.7", "opposite-sides = true")], ACTUATORS, "leave out opposite-sides"),
        ([("b1 = -0.25", "chord-ratio = 0.3")], ACTUATORS, "surface 'rudder': air: either chord-ratio or b1 and b2"),
        ([("b1 = -0.25\n", "")], ACTUATORS, "surface 'rudder': air: chord-ratio is wanted, or both b1 and b2"),
        (
            [("gauge = 20 ", "copper = 0.6 #")],
            ACTUATORS,
            "surface 'aileron-left': there is no flexible conductor of 0.6 mm^2",
        ),
        ([("gauge = 20 ", "copper = 0.5\ngauge = 20 ")], ACTUATORS, "lead: either gauge or copper is wanted, not both"),
        ([("[-22.0, 22.0]", "[0, 0]")], ACTUATORS, "surface 'aileron-left': the wanted throw is 0 to both sides"),
    ],
)
def test_tables_that_make_no_sense_name_their_surface(
    pairs: list[tuple[str, str]], actuators: dict[str, Actuator], text: str | None
) -> None:
    wanted = changed(*pairs)
    if text is None:
        assert rudder(report(wanted, actuators)).linkage.rod_mm == pytest.approx(119.7, abs=0.5)
        return
    with pytest.raises(InputError, match=re.escape(text)):
        report(wanted, actuators)


def test_a_brown_out_threshold_must_be_told_with_a_lead() -> None:
    source, _ = read(EXAMPLE.replace("brown-out = 4.5", "#"), "tow.toml")
    assert source is not None
    found, problems = source.checked(RigTables)
    assert found is None
    assert [str(one).split(": ", 1)[1] for one in problems] == ["surface.aileron-left.lead: 'brown-out' is missing"]


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ({"stall_nm": 0.0}, "the stall torque is 0 N m"),
        ({"supply_v": (8.4, 4.8)}, "not from 8.4 to 4.8 V"),
        ({"travel_deg": 190.0}, "the travel is 190 deg"),
        ({"stall_ma": -1.0}, "the stall current is -1"),
        ({"room_deg": (-1.0, 5.0)}, "the room beside the neutral is -1 deg"),
    ],
)
def test_an_actuator_that_cannot_be_is_refused(changes: dict[str, Any], text: str) -> None:
    with pytest.raises(InputError, match=re.escape(text)):
        Actuator(**{"stall_nm": 2.5, "supply_v": (4.8, 8.4), "travel_deg": 120.0, **changes})
