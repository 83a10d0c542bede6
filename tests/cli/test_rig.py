"""``busproto rig``: margins, resolution and the recommended arm, as text, data and picture; what cannot be reckoned."""

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


def test_each_surface_with_margin_resolution_and_what_to_take(cli: CommandLine, airframe: Path) -> None:
    done = cli(f"rig {airframe.name}")
    assert done.code == 0
    for word in (
        "aileron, left",
        "rudder",
        "margin",
        "resolution",
        "recommended",
        "take:",
        "all of these stall at once",
    ):
        assert word in done.out
    assert DISCLAIMER.split(":")[0] in " ".join(done.out.split())


def test_as_data_and_one_surface_only(cli: CommandLine, airframe: Path) -> None:
    body = cli(f"rig {airframe.name} --json --surface rudder").json
    (rudder,) = body["surfaces"]
    assert rudder["throw_reached_deg"] == pytest.approx([-30, 30], abs=0.01)
    # F2: q = rho v^2 / 2, at 38 m/s and the density that is told
    assert body["pressure_pa"] == pytest.approx(body["density_kg_m3"] * 38**2 / 2, rel=1e-4)
    assert rudder["margin"] > rudder["margin_empty"] > 1.5
    assert rudder["choice"]["recommended"]["travel_deg"] in {120, 150, 180}
    assert {one["function"] for one in body["sag"]} >= {"rudder, upper", "aileron, left"}
    assert DISCLAIMER in body["disclaimer"]


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
        ("cells = 2", "cells = 3", "the full pack has 12.60 V", "rig-supply"),
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
    assert kind in {one["kind"] for one in found.json["files"][0]["findings"]}


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("arm = 14.0", "arm = 140.0", "surface 'aileron, left'"),
        ("[flight]", "[flights]", "flights"),
        ('functions = ["aileron, left"]', 'functions = ["elevon"]', "'elevon' is no function of this airframe"),
        ('model = "bench 25"\npositive', 'model = "bench 26"\npositive', "no stall-torque of a model 'bench 26'"),
    ],
)
def test_what_cannot_be_reckoned_is_one_clear_line(
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


def test_plan_check_says_that_a_surface_cannot_be_reckoned(cli: CommandLine, airframe: Path) -> None:
    name = changed(airframe, 'model = "bench 25"\npositive', 'model = "bench 26"\npositive')
    found = cli(f"plan check {name} --json").json["files"][0]["findings"]
    assert "rig-unknown" in {one["kind"] for one in found}


def test_an_airframe_without_surfaces_says_how_to_describe_one(cli: CommandLine, airframe: Path) -> None:
    text = airframe.read_text("utf-8")
    Path("bare.toml").write_text(text[: text.index('# What "busproto rig"')], "utf-8")
    done = cli("rig bare.toml")
    assert done.code == 2
    assert "it describes no surface" in done.error_line
