"""``busproto rig``: margins, resolution the recommended arm, as text, data and picture; what cannot be calculated."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from busproto.cautions import DISCLAIMER
from tests.cli.helpers import CommandLine
from tests.plan.airframes import EXAMPLE

PICTURE_BEGINS = {".png": b"\x89PNG", ".svg": b"<?xml", ".pdf": b"%PDF"}


@pytest.fixture
def airframe(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for file in EXAMPLE.iterdir():
        shutil.copy(file, tmp_path / file.name)
    monkeypatch.chdir(tmp_path)
    return tmp_path / "hauler-mended.toml"


def test_each_figure_of_a_surface_says_whose_it_is(cli: CommandLine, airframe: Path) -> None:
    done = cli(f"rig {airframe.name} --surface rudder")
    assert done.code == 0
    out = " ".join(done.out.split())
    for words in (
        "N m at the arm of each actuator",
        "N m at the hinge of the whole surface",
        "for each actuator",
        "A for all of them",
    ):
        assert words in out
    assert DISCLAIMER.split(":")[0] in out


def test_as_data_and_one_surface_only(cli: CommandLine, airframe: Path) -> None:
    body = cli(f"rig {airframe.name} --json --surface rudder").json
    (rudder,) = body["surfaces"]
    assert rudder["throw_reached_deg"] == pytest.approx([-30, 30], abs=0.01)
    # q = rho v^2 / 2, at 38 m/s and the density that is told
    assert body["pressure_pa"] == pytest.approx(body["density_kg_m3"] * 38**2 / 2, rel=1e-4)
    assert rudder["each_margin"] > rudder["each_margin_empty"] > 1.5
    assert rudder["each_margin_empty"] == pytest.approx(rudder["each_margin"] * 6.6 / 8.4, abs=2e-3)
    assert rudder["choice"]["recommended"]["arm_mm"] in {12.0, 14.0, 16.0, 18.0, 20.0}
    assert rudder["choice"]["any_arm"]["arm_mm"] < rudder["choice"]["recommended"]["arm_mm"]
    power = body["power"]
    assert len(power["actuators"]) == 13  # every actuator, not only those with a surface
    assert power["not_calculated"] == []
    assert [one["function"] for one in power["actuators"] if one["has_lead"]] == [
        "aileron, left", "rudder, upper", "rudder, middle", "rudder, lower",
    ]  # fmt: skip
    assert power["rest"] == {"nominal_v": 7.4, "full_v": 8.4, "empty_v": 6.6}
    assert DISCLAIMER in body["disclaimer"]


def test_neutral_and_ends_narrow_what_is_calculated(cli: CommandLine, airframe: Path) -> None:
    settings = 'model = "bench 25"\nsettings = { neutral = 4.0, end-high = 30.0 }\npositive'
    name = changed(airframe, 'model = "bench 25"\npositive', settings)
    (left, _) = cli(f"rig {name} --json").json["surfaces"]
    assert left["room_deg"] == {"plus": 26.0, "minus": 60.0}
    assert any("the surface goes to +13.7 deg, +20 deg is wanted" in one for one in left["problems"])


def test_the_mechanical_travel_is_what_the_advice_keeps_to(cli: CommandLine, airframe: Path) -> None:
    fleet = Path("fleet.toml")
    text = fleet.read_text("utf-8").replace("mechanical-travel = 200.0", "mechanical-travel = 120.0")
    fleet.write_text(text.replace("travel = 150.0", "travel = 120.0"), "utf-8")
    body = cli(f"rig {airframe.name} --json").json
    for surface in body["surfaces"]:
        assert surface["choice"]["any_arm"]["travel_deg"] <= 120.0
    rudder = body["surfaces"][1]["choice"]
    assert rudder["any_arm"]["travel_deg"] == pytest.approx(120.0, abs=0.011)
    assert "the actuator's own range has 60.0 deg" in rudder["tried"][1]["reason"]


def test_presets_that_fight_on_one_rudder_are_told_with_strength_and_lines(cli: CommandLine, airframe: Path) -> None:
    """-10, 20 and -10 deg: the one in the middle stalls, 4 N m at its arm; at the hinge that is 4 N m over 16/26."""
    text = airframe.read_text("utf-8")
    for function, preset_deg in (("upper", -10.0), ("middle", 20.0), ("lower", -10.0)):
        here = f'[function."rudder, {function}"]\nmodel = "bench 40"\n'
        assert here in text
        text = text.replace(here, f'{here}settings = {{ loss-action = "preset", preset = {preset_deg} }}\n')
    Path("fight.toml").write_text(text, "utf-8")
    done = cli("plan check fight.toml --json")
    assert done.code == 3
    (found,) = [one for one in done.json["checked"][0]["findings"] if one["kind"] == "gang-unlike"]
    assert found["text"] == (
        "its members differ in preset: 'rudder, upper' -10.00 deg (fight.toml:41), 'rudder, middle' +20.00 deg "
        "(fight.toml:46), 'rudder, lower' -10.00 deg (fight.toml:51); when the demand is lost they would fight: "
        "'rudder, middle' would pull with up to 6.50 N m at the hinge, and all of them draw 9.6 A, by their ratings"
    )


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ('"25 kg"', "'25 kg' is no torque: a number and one of N m, N cm, mN m, kgf cm, ozf in is wanted"),
        ('"990 kgf cm"', "'990 kgf cm' is 97.09 N m; up to 60 N m is allowed"),
        ("61.0", "must be <= 60.0"),
        ("true", "a number or a text is wanted here, not true or false"),
        ("[2.5]", "a number or a text is wanted here, not a list"),
    ],
)
def test_a_rating_that_is_none_is_told_with_its_line(cli: CommandLine, airframe: Path, given: str, says: str) -> None:
    fleet = Path("fleet.toml")
    fleet.write_text(fleet.read_text("utf-8").replace("stall-torque = 2.5", f"stall-torque = {given}"), "utf-8")
    done = cli(f"rig {airframe.name}")
    assert (done.code, done.out) == (2, "")
    assert 'its fleet map fleet.toml: line 26: model."bench 25".stall-torque: ' in done.error_line
    assert says in done.error_line
    assert cli("plan check fleet.toml").code == 2


def test_an_actuator_that_cannot_be_counted_is_named(cli: CommandLine, airframe: Path) -> None:
    name = changed(airframe, '[function.throttle]\nmodel = "bench 25"', "[function.throttle]")
    done = cli(f"rig {name}")
    assert "12 of 13 actuators stall at once" in done.out
    assert "not counted: throttle: nothing is known of its model" in " ".join(done.out.split())


@pytest.mark.parametrize("ending", PICTURE_BEGINS)
def test_a_picture(cli: CommandLine, airframe: Path, ending: str) -> None:
    assert cli(f"rig {airframe.name} --plot out{ending}").code == 0
    assert Path(f"out{ending}").read_bytes().startswith(PICTURE_BEGINS[ending])


def changed(airframe: Path, old: str, new: str) -> str:
    text = airframe.read_text("utf-8")
    assert old in text
    Path("changed.toml").write_text(text.replace(old, new), "utf-8")
    return "changed.toml"


@pytest.mark.parametrize(
    ("old", "new", "says", "kind"),
    [
        ("airspeed = 38.0", "airspeed = 90.0", "1.5 is wanted: fly slower", "rig-surface"),
        ("mismatch = 0.3", "mismatch = 1.2", "make its actuators pull against each other", "rig-fight"),
        ("gauge = 18", "gauge = 30", "thicker or shorter leads", "rig-supply"),
        ("resistance = 0.012", "resistance = 0.2", "when all stall on the", "rig-supply"),
    ],
)
def test_what_is_too_little_is_said_here_and_by_plan_check(
    cli: CommandLine, airframe: Path, old: str, new: str, says: str, kind: str
) -> None:
    name = changed(airframe, old, new)
    done = cli(f"rig {name}")
    assert done.code == 3
    assert says in " ".join(done.out.split())
    found = cli(f"plan check {name} --json")
    assert found.code == 3
    assert kind in {one["kind"] for one in found.json["checked"][0]["findings"]}


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        (
            "cells = 2",
            "cells = 3",
            "line 8: supply.full: 8.40 V is not what [pack] says (line 75: 3 lipo cells have 12.60 V",
        ),
        (
            "empty = 6.6",
            "empty = 5.2",
            "supply.empty: 5.20 V is not what [pack] allows (line 75: 2 lipo cells are used from",
        ),
        ("brown-out = 4.8", "brown-out = 4.8\nbehind = 'fin'", "'fin' is no function of this airframe"),
        ("brown-out = 4.0", "brown-out = 4.0\nbehind = 'aileron, left'", "the leads go round in a circle"),
        ("last = 18.0, pitch", "last = 8.0, pitch", "holes: from 10 to 8 mm is the wrong way round"),
        (
            "first = 10.0, last = 18.0, pitch = 2.0",
            "first = 1, last = 900, pitch = 0.5",
            "holes: 1799 are too many, 200 go",
        ),
        ("first = 10.0, last", "last", "surface.\"aileron, left\".linkage.holes: 'first' is missing"),
        (
            "{ first = 10.0, last = 18.0, pitch = 2.0 }",
            "['a']",
            "linkage.holes[0]: a number is wanted here, not a text",
        ),
        ("{ first = 10.0, last = 18.0, pitch = 2.0 }", "3", "linkage.holes: a table or a list is wanted here"),
        ("arm = 14.0", "arm = 140.0", "surface 'aileron, left'"),
        ("[flight]", "[flights]", "flights"),
        ('functions = ["aileron, left"]', 'functions = ["elevon"]', "'elevon' is no function of this airframe"),
        ('model = "bench 25"\npositive', 'model = "bench 26"\npositive', "no stall-torque of a model 'bench 26'"),
    ],
)
def test_what_cannot_be_calculated_is_one_clear_line(
    cli: CommandLine, airframe: Path, old: str, new: str, says: str
) -> None:
    done = cli(f"rig {changed(airframe, old, new)}")
    assert (done.code, done.out) == (2, "")
    assert says in done.error_line


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ("--surface wing", "there is no surface 'wing'; there are: aileron, left, rudder"),
        ("--plot out.txt", "a name that ends in .svg, .png, .pdf is wanted"),
        ("--plot none/out.svg", "there is no directory 'none'"),
    ],
)
def test_bad_options(cli: CommandLine, airframe: Path, options: str, says: str) -> None:
    done = cli(f"rig {airframe.name} {options}")
    assert (done.code, done.out) == (2, "")
    assert says in done.error_line


def test_plan_check_says_that_a_surface_cannot_be_calculated(cli: CommandLine, airframe: Path) -> None:
    name = changed(airframe, 'model = "bench 25"\npositive', 'model = "bench 26"\npositive')
    found = cli(f"plan check {name} --json").json["checked"][0]["findings"]
    assert "rig-unknown" in {one["kind"] for one in found}


def test_an_airframe_without_surfaces_says_how_to_describe_one(cli: CommandLine, airframe: Path) -> None:
    text = airframe.read_text("utf-8")
    Path("bare.toml").write_text(text[: text.index('# What "busproto rig"')], "utf-8")
    done = cli("rig bare.toml")
    assert done.code == 2
    assert "it describes no surface" in done.error_line
