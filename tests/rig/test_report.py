"""From an airframe's tables to a result for each surface: held against the other modules, and what it complains of."""

from __future__ import annotations

import math
import re
import subprocess
import sys
from typing import Any

import pytest

from busproto.errors import InputError
from busproto.rig import hinge
from busproto.rig.linkage import Linkage
from busproto.rig.report import Actuator, AirframeResult, SurfaceResult, report
from busproto.rig.supply import awg_ohm_m, lead_ohm
from busproto.rig.tables import EXAMPLE, RigTables
from busproto.toml_source import read

STRONG = Actuator(
    stall_nm=2.5,
    supply_v=(4.8, 8.4),
    travel_deg=120.0,
    stall_ma=4000.0,
    no_load_deg_s=400.0,
    dead_band_deg=0.1,
    sensor_deg=0.0879,
)
CREW = dict.fromkeys(("aileron-left", "rudder-top", "rudder-bottom"), STRONG)


def tables(text: str = EXAMPLE) -> RigTables:
    source, problems = read(text, "tow.toml")
    assert source is not None
    found, problems = source.checked(RigTables)
    assert problems == []
    assert found is not None
    return found


def changed(*pairs: tuple[str, str]) -> RigTables:
    text = EXAMPLE
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new, 1)
    return tables(text)


def example(crew: dict[str, Actuator] = CREW) -> AirframeResult:
    return report(tables(), crew)


def aileron(result: AirframeResult) -> SurfaceResult:
    return result.surfaces[0]


def rudder(result: AirframeResult) -> SurfaceResult:
    return result.surfaces[1]


def test_one_surface_is_what_the_other_modules_say() -> None:
    found = aileron(example())
    air = hinge.atmosphere(300.0, temperature_offset_k=10.0)
    pressure_pa = hinge.dynamic_pressure_pa(45.0, air.density_kg_m3)
    flap = hinge.plain_flap(0.25)
    assert found.linkage == Linkage.normal_case(14.0, 25.0, 90.0)
    ch = abs(flap.b1) * math.radians(8.0) + abs(flap.b2) * math.radians(22.0)
    weight_nm = 0.12 * 9.80665 * 4.0 * 0.02 * math.cos(math.radians(22.0))
    assert found.hinge_nm == pytest.approx(ch * pressure_pa * 0.045 * 0.06 + weight_nm, rel=1e-9)
    assert found.needed_nm == pytest.approx(found.hinge_nm * found.linkage.ratio(found.judged.worst_at_deg), rel=1e-6)
    assert found.margin == pytest.approx(2.5 / found.needed_nm)
    assert found.margin_empty == pytest.approx(found.margin * 6.0 / 8.4)
    assert found.floating_deg == pytest.approx(-flap.b1 * 8.0 / flap.b2)
    assert found.lead_ohm == pytest.approx(lead_ohm(1.4, awg_ohm_m(20), temperature_c=40.0))
    assert found.full_throw is not None
    assert found.full_throw.plus_deg == pytest.approx(found.linkage.surface_deg(60.0))
    sweep_deg = found.judged.end_high_deg - found.judged.end_low_deg
    share = 6.0 / 8.4
    steady = 400.0 * share * (1 - found.needed_nm / (2.5 * share))
    assert found.sweep_s == pytest.approx(sweep_deg / steady)
    assert found.problems == ()
    assert found.notes == (
        "hinge moment of a thin aerofoil: an upper estimate",
        "on an empty pack torque and speed are taken to fall with the supply; drives that regulate keep them",
    )


def test_at_its_limit_speed_the_margin_is_the_wanted_one() -> None:
    for which in (aileron, rudder):
        limit_m_s = which(example()).limit_m_s
        there = which(report(changed(("airspeed = 45.0", f"airspeed = {limit_m_s!r}")), CREW))
        assert there.margin_empty == pytest.approx(1.5, rel=1e-6)


def test_a_gang_shares_the_load_and_pays_for_its_fight() -> None:
    found = rudder(example())
    assert found.fight is not None
    assert math.fsum(found.fight.torques_nm) == pytest.approx(found.hinge_nm, rel=1e-6)
    assert max(found.fight.torques_nm) == pytest.approx(found.hinge_nm / 2 + 0.8 * 0.3 / 2, rel=1e-6)
    ratio = found.linkage.ratio(found.judged.worst_at_deg)
    assert found.needed_nm == pytest.approx(found.fight.worst_nm * ratio, rel=1e-6)
    assert found.fight.currents_ma[1] == pytest.approx(found.needed_nm / 2.5 * 4000.0, rel=1e-6)
    assert found.problems == (
        "the margin is 1.37 on an empty pack, 1.5 is wanted: fly slower, ask for less throw, or take a shorter arm "
        "with more travel, a longer horn or a stronger actuator",
    )
    assert found.choice.recommended is not None
    assert found.choice.recommended.travel_deg == 150.0
    calm = rudder(
        report(
            changed(("[surface.rudder.sharing]\nstiffness = 0.8", "[surface.rudder.sharing]\nstiffness = 0.01")), CREW
        )
    )
    assert calm.margin > found.margin


def test_a_gang_of_which_nothing_is_said_is_taken_as_even() -> None:
    text = EXAMPLE[: EXAMPLE.index("[surface.rudder.sharing]")]
    found = rudder(report(tables(text), CREW))
    assert found.fight is None
    assert found.needed_nm == pytest.approx(found.hinge_nm / 2 * found.linkage.ratio(found.judged.worst_at_deg))
    assert "the load is taken as shared evenly by 2 actuators, without any fight" in found.notes


def test_the_supply_of_all_that_is_told() -> None:
    found = example()
    assert found.sag_of == ("aileron-left",)
    assert found.sag_full is not None
    assert found.sag_empty is not None
    motor_ohm = 8.4 / 4.0
    lead = aileron(found).lead_ohm
    assert lead is not None
    assert found.sag_full.nodes_v[0] == pytest.approx(8.4 * motor_ohm / (motor_ohm + lead + 0.02))
    assert found.sag_empty.nodes_v[0] == pytest.approx(6.0 * motor_ohm / (motor_ohm + lead + 0.02))
    assert found.problems == ()
    assert found.notes == tuple(
        f"{one}: no lead is told; it is left out of the sag" for one in ("rudder-top", "rudder-bottom")
    )


def test_a_thin_lead_lets_it_drop_out_and_a_full_pack_may_be_too_much() -> None:
    low = Actuator(2.5, (4.8, 7.4), 120.0, stall_ma=4000.0)
    found = report(changed(("gauge = 20 ", "gauge = 30 ")), {**CREW, "aileron-left": low})
    assert [one.split(":")[0] for one in found.problems] == ["aileron-left"] * 2
    assert "the full pack has 8.40 V, rated up to 7.4 V (+13.5%): fewer cells, or a regulator" in found.problems[0]
    assert re.search(
        r"when all stall on the empty pack it gets 3\.\d\d V, it drops out below 4\.5 V", found.problems[1]
    )


def test_an_empty_pack_below_the_rating_is_told() -> None:
    found = report(changed(("cells = 2", "cells = 1")), CREW)
    assert any(
        "the empty pack has 3.00 V, rated from 4.8 V: stop earlier, or more cells" in one for one in found.problems
    )


def test_a_pack_without_resistance_is_noted_and_none_at_all_is_fine() -> None:
    found = report(changed(("resistance = 0.02 ", "#")), CREW)
    assert any("resistance is not told" in one for one in found.notes)
    start, end = EXAMPLE.index("[pack]"), EXAMPLE.index("[surface.aileron-left]")
    bare = report(tables(EXAMPLE[:start] + EXAMPLE[end:]), CREW)
    assert bare.sag_full is None
    assert aileron(bare).margin_empty is None
    assert aileron(bare).limit_m_s > aileron(found).limit_m_s


def test_what_does_not_reach_or_hardly_follows_is_a_problem() -> None:
    short = aileron(report(changed(("arm = 14.0", "arm = 8.0")), CREW))
    assert len(short.problems) == 2
    assert short.problems[0] == (
        "the surface goes to +16.2 deg, +22 deg is wanted: take a longer arm, a shorter horn or more travel"
    )
    assert "goes to -16.0 deg, -22 deg is wanted" in short.problems[1]
    steep = aileron(
        report(changed(("arm = 14.0\nhorn = 25.0", "arm = 34.0\nhorn = 25.0"), ("[-22.0, 22.0]", "[-60, 60]")), CREW)
    )
    assert any("the transmission angle falls to" in one for one in steep.problems)


def test_a_travel_beyond_what_the_linkage_follows_is_a_problem() -> None:
    wide = {one: Actuator(2.5, (4.8, 8.4), 180.0) for one in CREW}
    turning = aileron(report(tables(), wide))
    low_deg, high_deg = turning.linkage.follows_deg
    assert turning.problems == (
        f"the travel is 180 deg, but beyond {low_deg:.1f} to {high_deg:.1f} deg of the arm the surface turns back: set "
        "less travel, and end-low and end-high inside of that",
    )
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
        report(jams, {one: Actuator(2.5, (4.8, 8.4), 180.0) for one in CREW})


def test_actuators_of_one_surface_set_apart_are_a_problem() -> None:
    other = Actuator(2.5, (4.8, 8.4), 150.0)
    found = rudder(report(tables(), {**CREW, "rudder-top": other}))
    assert "its actuators are set to different travels: they would fight; set them alike" in found.problems


def test_the_throw_comes_from_the_surface_then_from_its_function_then_from_the_linkage() -> None:
    without = changed(("throw = [-22.0, 22.0] ", "#"))
    told = Actuator(2.5, (4.8, 8.4), 120.0, throw_deg=(20.0, -10.0))
    assert aileron(report(tables(), CREW)).wanted_deg == (-22.0, 22.0)
    assert aileron(report(without, {**CREW, "aileron-left": told})).wanted_deg == (-10.0, 20.0)
    all_of_it = aileron(report(without, CREW))
    assert all_of_it.full_throw is not None
    assert all_of_it.wanted_deg == pytest.approx((all_of_it.full_throw.minus_deg, all_of_it.full_throw.plus_deg))
    assert "no throw is wanted: all that the linkage gives is taken" in all_of_it.notes


def test_a_flap_goes_down_only() -> None:
    found = aileron(report(changed(("[-22.0, 22.0]", "[0, 30]"), ("arm = 14.0", "arm = 16.0")), CREW))
    assert found.wanted_deg == (0.0, 30.0)
    assert found.judged.end_low_deg == pytest.approx(0.0, abs=1e-6)
    assert found.problems == ()


def test_fast_air_is_noted() -> None:
    found = report(changed(("airspeed = 45.0", "airspeed = 120.0")), CREW)
    assert found.notes[0].startswith("120 m/s is above Mach 0.3")


@pytest.mark.parametrize(
    ("pairs", "crew", "text"),
    [
        ([], {}, "surface 'aileron-left': nothing is known of the actuator of aileron-left"),
        ([("rod = 119.7\n", "")], CREW, None),
        ([("arm-angle = 92.0\n", "")], CREW, "surface 'rudder': linkage: arm-angle and horn-angle belong together"),
        ([("rod = 119.7", "rod = 90")], CREW, "surface 'rudder': the rod is 90 mm long"),
        ([("rod = 119.7", "rod = 115")], CREW, "surface 'rudder': with these lengths the horn stands at"),
        ([("rod = 119.7", "opposite-sides = true")], CREW, "leave out opposite-sides"),
        ([("b1 = -0.25", "chord-ratio = 0.3")], CREW, "surface 'rudder': air: either chord-ratio or b1 and b2"),
        ([("b1 = -0.25\n", "")], CREW, "surface 'rudder': air: chord-ratio is wanted, or both b1 and b2"),
        (
            [("gauge = 20 ", "copper = 0.6 #")],
            CREW,
            "surface 'aileron-left': there is no flexible conductor of 0.6 mm^2",
        ),
        ([("gauge = 20 ", "copper = 0.5\ngauge = 20 ")], CREW, "lead: either gauge or copper is wanted, not both"),
        ([("[-22.0, 22.0]", "[0, 0]")], CREW, "surface 'aileron-left': the wanted throw is 0 to both sides"),
    ],
)
def test_tables_that_make_no_sense_name_their_surface(
    pairs: list[tuple[str, str]], crew: dict[str, Actuator], text: str | None
) -> None:
    wanted = changed(*pairs)
    if text is None:
        assert rudder(report(wanted, crew)).linkage.rod_mm == pytest.approx(119.7, abs=0.5)
        return
    with pytest.raises(InputError, match=re.escape(text)):
        report(wanted, crew)


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
    ],
)
def test_an_actuator_that_cannot_be_is_refused(changes: dict[str, Any], text: str) -> None:
    with pytest.raises(InputError, match=re.escape(text)):
        Actuator(**{"stall_nm": 2.5, "supply_v": (4.8, 8.4), "travel_deg": 120.0, **changes})


def test_nothing_heavy_is_loaded() -> None:
    code = (
        "import sys, busproto.rig.report, busproto.rig.gang\n"
        "print({one.split('.')[0] for one in sys.modules} & {'numpy', 'scipy', 'sympy', 'matplotlib', 'click', 'sim'})"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    assert done.stdout.strip() == "set()"
