"""From an airframe's tables to a result for each surface: held against the other modules."""

from __future__ import annotations

import math
import subprocess
import sys

import msgspec
import pytest

from busproto.errors import InputError
from busproto.rig import hinge
from busproto.rig.actuator import Actuator
from busproto.rig.drive import Drive, LimpSurface, profile_s, sine_answer
from busproto.rig.linkage import Linkage
from busproto.rig.power import Rest
from busproto.rig.report import AirframeResult, report
from busproto.rig.supply import awg_ohm_m, lead_ohm
from busproto.rig.tables import EXAMPLE, AirTable, FlightTable, LineTable, PackTable
from tests.rig.report.helpers import ACTUATORS, STRONG, aileron, changed, power, rudder, tables


def example(actuators: dict[str, Actuator] = ACTUATORS) -> AirframeResult:
    return report(tables(), actuators)


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
    level = hinge.floating_with_weight_deg(hinge.Surface(0.045, 0.06, flap.b1, flap.b2, 0.12, 0.02), 8.0, pressure_pa)
    assert found.limp.has_weight
    assert found.limp.floats_deg == pytest.approx(level)
    assert level > -flap.b1 * 8.0 / flap.b2  # its weight hangs down
    assert found.limp.unbalance_nm == pytest.approx(0.12 * 9.80665 * 0.02)
    assert found.lead_ohm == pytest.approx(lead_ohm(1.4, awg_ohm_m(20), temperature_c=40.0))
    assert found.full_throw is not None
    assert found.full_throw.plus_deg == pytest.approx(found.linkage.surface_deg(60.0))
    sweep_deg = found.judged.end_high_deg - found.judged.end_low_deg
    share = 6.0 / 8.4
    steady = 400.0 * share * (1 - found.needed_nm / (2.5 * share))
    assert found.motion.drive_s == pytest.approx(sweep_deg / steady)
    assert found.motion.slew_s == pytest.approx(sweep_deg / 300.0)
    assert found.motion.onset_hz == pytest.approx(300.0 / (math.pi * sweep_deg))
    assert found.flight_a == pytest.approx(found.needed_nm / 2.5 * 4.0)
    low_deg, high_deg = found.judged.end_low_deg, found.judged.end_high_deg
    tilts = [found.linkage.rod_deg(low_deg + (high_deg - low_deg) * at / 500) for at in range(501)]
    assert found.rod_deg == pytest.approx(
        (min(tilts) - found.linkage.rod_deg(0.0), max(tilts) - found.linkage.rod_deg(0.0)), abs=1e-3
    )
    assert found.transmission_deg == pytest.approx(90.0)
    assert found.problems == ()
    assert found.notes == (
        "hinge moment of a thin aerofoil: an upper estimate",
        "on an empty pack torque and speed are taken to fall with the supply; drives that regulate keep them",
    )


def test_at_its_limit_speed_the_margin_is_the_wanted_one() -> None:
    for which in (aileron, rudder):
        limit_m_s = which(example()).limit_m_s
        there = which(report(changed(("airspeed = 45.0", f"airspeed = {limit_m_s!r}")), ACTUATORS))
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
        "the margin of each actuator is 1.37 on an empty pack, 1.5 is wanted: fly slower, ask for less throw, or take "
        "a shorter arm with more travel, a longer horn or a stronger actuator",
    )
    assert found.choice.recommended is not None
    assert found.choice.recommended.judged is not None
    assert found.choice.recommended.judged.margin > found.margin * 6.0 / 8.4
    calm = rudder(
        report(
            changed(("[surface.rudder.sharing]\nstiffness = 0.8", "[surface.rudder.sharing]\nstiffness = 0.01")),
            ACTUATORS,
        )
    )
    assert calm.margin > found.margin


def test_a_gang_of_which_nothing_is_said_is_taken_as_even() -> None:
    text = EXAMPLE[: EXAMPLE.index("[surface.rudder.sharing]")]
    found = rudder(report(tables(text), ACTUATORS))
    assert found.fight is None
    assert found.needed_nm == pytest.approx(found.hinge_nm / 2 * found.linkage.ratio(found.judged.worst_at_deg))
    assert "the load is taken as shared evenly by 2 actuators, without any fight" in found.notes


def test_the_supply_counts_every_actuator_also_one_without_a_lead() -> None:
    found = power(example())
    assert found.counted == ("aileron-left", "rudder-top", "rudder-bottom")
    assert found.without_lead == ("rudder-top", "rudder-bottom")
    assert found.limits_v == (4.5, None, None)
    assert found.full is not None
    assert found.empty is not None
    motor_ohm, lead = 8.4 / 4.0, aileron(example()).lead_ohm
    assert lead is not None
    siemens = 1 / (motor_ohm + lead) + 2 / motor_ohm
    for rest_v, sag in ((8.4, found.full), (6.0, found.empty)):
        bus_v = rest_v / (1 + 0.02 * siemens)
        assert sag.bus_v == pytest.approx(bus_v)
        assert sag.nodes_v == pytest.approx((bus_v * motor_ohm / (motor_ohm + lead), bus_v, bus_v))
        assert sag.current_a == pytest.approx(bus_v * siemens)
    assert (found.problems, found.rating_problems, found.notes) == ((), (), ())


def test_in_flight_each_takes_what_its_torque_asks_for() -> None:
    whole = example()
    found = power(whole)
    fight = rudder(whole).fight
    assert fight is not None
    assert fight.total_ma is not None
    assert aileron(whole).flight_a is not None
    amps = (aileron(whole).flight_a or 0.0) + fight.total_ma / 1000
    assert found.in_flight_a == pytest.approx(amps)
    assert found.in_flight_v is not None
    bus_v = 6.0 - 0.02 * amps
    assert found.in_flight_v[1:] == pytest.approx((bus_v, bus_v))
    assert found.in_flight_v[0] == pytest.approx(
        bus_v - (aileron(whole).lead_ohm or 0.0) * (aileron(whole).flight_a or 0.0)
    )


def test_in_flight_only_those_whose_surface_holds_a_torque_draw_anything() -> None:
    found = power(example())
    assert found.in_flight_v is not None
    with_idle = power(example({**ACTUATORS, "gear": STRONG}))
    assert with_idle.counted == (*found.counted, "gear")
    assert with_idle.in_flight_a == found.in_flight_a
    assert with_idle.in_flight_v == (*found.in_flight_v, found.in_flight_v[1])  # as one that has no lead either


def test_a_lead_of_its_own_and_a_daisy_chain() -> None:
    own = 'rudder-bottom = { length = 0.2, gauge = 22, brown-out = 4.4, behind = "aileron-left" }'
    found = power(report(changed(("[flight] ", f"[leads]\n{own}\n[flight] ")), ACTUATORS))
    assert found.without_lead == ("rudder-top",)
    assert found.full is not None
    assert found.full.nodes_v[2] < found.full.nodes_v[0] < found.full.nodes_v[1]
    with pytest.raises(InputError, match="the lead of rudder-bottom begins behind 'fin', whose stall current is not"):
        report(changed(("[flight] ", f"[leads]\n{own.replace('aileron-left', 'fin')}\n[flight] ")), ACTUATORS)


def test_other_power_and_a_capacitor() -> None:
    """The three ways a capacitor empties are those of `busproto.rig.supply`, each held against an integration there."""
    more = ("resistance = 0.02", "capacitor = 4700.0\nother-power = 10.0\nresistance = 0.02")
    found = power(report(changed(more), ACTUATORS))
    bare = power(example())
    assert bare.hold_up_s == {}
    assert found.empty is not None
    assert bare.empty is not None
    assert found.empty.bus_v < bare.empty.bus_v
    assert found.in_flight_v is not None
    begins_v = found.in_flight_v[1]  # one without a lead
    assert begins_v == pytest.approx(6.0 - 0.02 * (found.in_flight_a + 10.0 / begins_v))
    assert found.hold_up_s["other power only"] == pytest.approx(4700e-6 * (6.0**2 - 4.5**2) / 20.0)
    assert found.hold_up_s["greatest torque in flight"] == pytest.approx(4700e-6 * 1.5 / found.in_flight_a)
    gentle = changed(
        ("resistance = 0.02", "capacitor = 4700.0\nresistance = 0.02"), ("airspeed = 45.0", "airspeed = 15.0")
    )
    assert 0.0 < power(report(gentle, ACTUATORS)).in_flight_a < 1.0, "a small current empties it too"
    assert "greatest torque in flight" in power(report(gentle, ACTUATORS)).hold_up_s
    assert found.hold_up_s["all stall"] == pytest.approx(4700e-6 * found.empty.load_ohm * math.log(6.0 / 4.5))
    far = power(report(changed(("resistance = 0.02", "other-power = 450.0\nresistance = 0.02")), ACTUATORS))
    assert far.empty is None
    assert [one.split(": ")[0] for one in far.problems] == [
        "when all stall on the empty pack",
        "in flight, at the greatest torque on the lowest pack",
    ]
    assert "the supply collapses above" in far.problems[0]


def test_a_pack_without_resistance_is_noted_and_none_at_all_is_fine() -> None:
    found = report(changed(("resistance = 0.02 ", "#")), ACTUATORS)
    assert any("resistance is not told" in one for one in power(found).notes)
    start, end = EXAMPLE.index("[pack]"), EXAMPLE.index("[surface.aileron-left]")
    bare = report(tables(EXAMPLE[:start] + EXAMPLE[end:]), ACTUATORS)
    assert bare.power is None
    assert aileron(bare).margin_empty is None
    assert aileron(bare).limit_m_s > aileron(found).limit_m_s


def test_what_is_measured_of_the_pack_counts_more_than_its_cells() -> None:
    found = report(tables(), ACTUATORS, Rest(7.4, 8.3, 6.6))
    assert aileron(found).margin_empty == pytest.approx(aileron(found).margin * 6.6 / 8.4)
    full_only = report(tables(), ACTUATORS, Rest(None, 8.3, None))
    assert power(full_only).empty is None
    assert aileron(full_only).margin_empty == pytest.approx(aileron(found).margin * 8.3 / 8.4)


def test_neutral_ends_and_stops_narrow_what_the_arm_can_do() -> None:
    """A positive demand takes the surface up in angle, unless the function's throw says the other way."""
    tight = Actuator(2.5, (4.8, 8.4), 120.0, room_deg=(20.0, 50.0))
    found = aileron(report(tables(), {**ACTUATORS, "aileron-left": tight}))
    assert (found.room.plus_deg, found.room.minus_deg) == (50.0, 20.0)
    assert found.judged.end_low_deg == pytest.approx(-20.0)
    missed = f"goes to {found.linkage.surface_deg(-20.0):+.1f} deg, -22 deg is wanted"
    assert any(missed in one for one in found.problems)
    assert (
        "the throw to plus takes 67.8 deg of the arm; the actuator's own range has 50.0 deg"
        in found.choice.tried[0].refused
    )
    turned = Actuator(2.5, (4.8, 8.4), 120.0, room_deg=(20.0, 50.0), throw_deg=(22.0, -22.0))
    other = aileron(report(tables(), {**ACTUATORS, "aileron-left": turned}))
    assert (other.room.plus_deg, other.room.minus_deg) == (20.0, 50.0)
    shut = Actuator(2.5, (4.8, 8.4), 120.0, room_deg=(0.0, 0.0))
    with pytest.raises(InputError, match="neutral, end limits and stops leave the arm no way to go"):
        report(tables(), {**ACTUATORS, "aileron-left": shut})


def test_how_a_surface_moves_driven_and_limp() -> None:
    """The formulas are held against outside values in their own tests; here is what is handed to them."""
    told = "mass = 0.12                     # kg\ninertia = 0.0006\ndamping = 0.004\nbalance-lever = 0.03"
    text = ("mass = 0.12                     # kg", told)
    shared = ("[surface.rudder]", "[surface.aileron-left.sharing]\nstiffness = 2.0\nmismatch = 0\n[surface.rudder]")
    found = aileron(report(changed(text, shared, ("margin = 1.5 ", "stick = 3.0\nmargin = 1.5 ")), ACTUATORS))
    motion, limp, linkage = found.motion, found.limp, found.linkage
    inertia = 0.0006 * linkage.ratio(0.0) ** 2
    sweep_deg = found.judged.end_high_deg - found.judged.end_low_deg
    drive = Drive(400.0, 2.5, inertia).at_supply(6.0, 8.4)
    assert motion.drive_s == pytest.approx(drive.time_s(sweep_deg, found.needed_nm))
    speed = min(300.0, drive.steady_deg_s(found.needed_nm))
    push = math.degrees((drive.stall_nm - found.needed_nm) / inertia)
    assert motion.rest_to_rest_s == pytest.approx(profile_s(sweep_deg, speed, push))
    assert motion.stick == sine_answer(sweep_deg / 2, 300.0, 3.0)
    # amplitude of twice the half width: Gelb & Vander Velde, from memory
    assert motion.holds_share == pytest.approx(0.391002, abs=1e-6)
    flap, air = hinge.plain_flap(0.25), hinge.atmosphere(300.0, temperature_offset_k=10.0)
    by_air = -flap.b2 * hinge.dynamic_pressure_pa(45.0, air.density_kg_m3) * 0.045 * 0.06
    by_drive = math.degrees(2.0)
    assert motion.held_hz == pytest.approx(
        [math.sqrt((by_drive * part + by_air) / 0.0006) / (2 * math.pi) for part in (1.0, 0.391002)], rel=1e-5
    )
    swinging = LimpSurface(0.0006, 0.004, by_air)
    assert limp.swings_hz == pytest.approx(swinging.swings_hz)
    assert limp.next_share == pytest.approx(-swinging.extremes(1.0, 1)[0][1])
    assert limp.balance_kg == pytest.approx(0.12 * 0.02 / 0.03)
    bare = aileron(example())
    assert (bare.motion.rest_to_rest_s, bare.motion.stick, bare.motion.held_hz) == (None, None, None)
    assert (bare.limp.swings_hz, bare.limp.next_share, bare.limp.balance_kg) == (None, None, None)


def test_two_on_one_surface_hold_it_together_each_its_part_of_the_inertia_and_of_the_air() -> None:
    """sqrt((2 k + air) / I): k is the stiffness of each, at the surface; inertia and air are shared between them."""
    text = ("b2 = -0.55", "b2 = -0.55\ninertia = 0.002")
    found = rudder(report(changed(text), ACTUATORS)).motion
    air = hinge.atmosphere(300.0, temperature_offset_k=10.0)
    by_air = 0.55 * hinge.dynamic_pressure_pa(45.0, air.density_kg_m3) * 0.09 * 0.15
    by_drive = 2 * math.degrees(0.8)
    assert found.held_hz is not None
    assert found.held_hz[0] == pytest.approx(math.sqrt((by_drive + by_air) / 0.002) / (2 * math.pi))


def test_the_throw_comes_from_the_surface_then_from_its_function_then_from_the_linkage() -> None:
    without = changed(("throw = [-22.0, 22.0] ", "#"))
    told = Actuator(2.5, (4.8, 8.4), 120.0, throw_deg=(20.0, -10.0))
    assert aileron(report(tables(), ACTUATORS)).wanted_deg == (-22.0, 22.0)
    assert aileron(report(without, {**ACTUATORS, "aileron-left": told})).wanted_deg == (-10.0, 20.0)
    all_of_it = aileron(report(without, ACTUATORS))
    assert all_of_it.full_throw is not None
    assert all_of_it.wanted_deg == pytest.approx((all_of_it.full_throw.minus_deg, all_of_it.full_throw.plus_deg))
    assert "no throw is wanted: all that the linkage gives is taken" in all_of_it.notes


def test_a_flap_goes_down_only() -> None:
    found = aileron(report(changed(("[-22.0, 22.0]", "[0, 30]"), ("arm = 14.0", "arm = 16.0")), ACTUATORS))
    assert found.wanted_deg == (0.0, 30.0)
    assert found.judged.end_low_deg == pytest.approx(0.0, abs=1e-6)
    assert found.problems == ()


def test_nothing_heavy_is_loaded() -> None:
    code = (
        "import sys, busproto.rig.report, busproto.rig.gang\n"
        "print({one.split('.')[0] for one in sys.modules} & {'numpy', 'scipy', 'sympy', 'matplotlib', 'click', 'sim'})"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    assert done.stdout.strip() == "set()"


def test_what_is_left_out_of_the_tables_counts_as_the_guide_says() -> None:
    """Sea level on a standard day in level flight; common practice, no source, for the wire and the loads."""

    def left_out(table: type[msgspec.Struct], **told: object) -> dict[str, object]:
        made = msgspec.convert(told, table)
        return {name: getattr(made, name) for name in made.__struct_fields__ if name.replace("_", "-") not in told}

    assert left_out(FlightTable, airspeed=40.0) == {
        "altitude": 0.0,
        "temperature_offset": 0.0,
        "angle_of_attack": 0.0,
        "load_factor": 1.0,
        "margin": 1.5,
        "stick": None,
    }
    assert left_out(PackTable, chemistry="lipo", cells=2) == {
        "resistance": None,
        "wire_temperature": 40.0,
        "other_power": 0.0,
        "capacitor": None,
    }
    assert left_out(LineTable, **{"unit-load": 1.0}) == {
        "other_loads": 1.0,
        "terminations": [],
        "bias": None,
        "bias_supply": 5.0,
    }
    assert left_out(AirTable, area=0.1, chord=0.1) == {
        "chord_ratio": None,
        "b1": None,
        "b2": None,
        "mass": 0.0,
        "centre": 0.0,
        "balance_lever": None,
        "inertia": None,
        "damping": 0.0,
    }


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("altitude = 300.0", "altitude = 0"),
        ("temperature-offset = 10.0", "temperature-offset = 0"),
        ("angle-of-attack = 8.0", "angle-of-attack = 0"),
        ("load-factor = 4.0", "load-factor = 1"),
        ("margin = 1.5", "margin = 1.5"),
        ("wire-temperature = 40.0", "wire-temperature = 40.0"),
        ("mass = 0.12", "mass = 0"),
        ("centre = 0.02", "centre = 0"),
    ],
)
def test_a_line_that_is_left_out_counts_as_the_one_that_the_guide_names(line: str, said: str) -> None:
    without = report(changed((line, "#")), ACTUATORS)
    assert without == report(changed((line, said)), ACTUATORS)
    assert (without == example()) is (line == said), "what is told does count"


def test_of_an_actuator_of_which_only_the_rating_is_known_nothing_else_is_made_up() -> None:
    plain = Actuator(stall_nm=2.5, supply_v=(4.8, 8.4), travel_deg=120.0)
    assert (plain.dead_band_deg, plain.sensor_deg, plain.room_deg) == (0.0, 0.0, (90.0, 90.0))
    assert (plain.stall_ma, plain.no_load_deg_s, plain.throw_deg, plain.slew_deg_s) == (None, None, None, None)
