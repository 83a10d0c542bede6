"""What does not fit together in a plan: each kind of it with its place and text, and all of it at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from busproto.plan import examples
from busproto.plan.check.check import check, check_fleet, role_sweep
from busproto.plan.finding import KINDS, Finding
from busproto.plan.load import load, load_fleet
from tests.plan.check.cases import CASES, Case, of_aileron
from tests.plan.texts import AIRFRAME, FLEET, write_plan


def findings_of(case: Case, directory: Path) -> list[Finding]:
    fleet, airframe = FLEET.replace("SETTINGS", case.settings), AIRFRAME.replace("BUS", case.bus).replace("MORE", "")
    for old, new in case.fleet:
        assert old in fleet
        fleet = fleet.replace(old, new)
    for old, new in case.airframe:
        assert old in airframe
        airframe = airframe.replace(old, new)
    (directory / "fleet.toml").write_text(fleet, "utf-8")
    (directory / "one.toml").write_text(airframe, "utf-8")
    return check(load(directory / "one.toml"))


@pytest.mark.parametrize("name", CASES)
def test_each_thing_that_does_not_fit_is_said_where_it_stands(name: str, tmp_path: Path) -> None:
    case = CASES[name]
    found = findings_of(case, tmp_path)
    assert [(one.kind, one.is_error) for one in found] == [(kind, is_error) for kind, is_error, _ in case.found], found
    for one, (_, _, line) in zip(found, case.found, strict=True):
        if line.endswith(": "):
            assert str(one).startswith(line)
        elif line:
            assert str(one) == line


def test_every_kind_is_met_in_a_case() -> None:
    met = {kind for case in CASES.values() for kind, _, _ in case.found}
    in_test_rig = {"rig-fight", "rig-supply", "rig-surface", "rig-unknown"}
    in_test_own_check = {"own-outside", "own-unchecked", "parameter-not-there"}
    assert met | {"address-shared"} | in_test_rig | in_test_own_check == set(KINDS)


def test_errors_come_first_then_the_airframe_file_then_the_map(tmp_path: Path) -> None:
    case = Case(
        airframe=(*of_aileron("neutral = 20"), ("empty = 6.4", "empty = 4.7")),
        fleet=(("channel = 2", "channel = 1"), ("mechanical-travel = 180", "mechanical-travel = 140")),
        settings="under-voltage = 9.0",
        found=(),
    )
    found = findings_of(case, tmp_path)
    assert [(one.is_error, one.where, one.kind) for one in found] == [
        (True, "one.toml:12", "neutral-cuts-travel"),
        (True, "fleet.toml:4", "under-voltage-above-pack"),
        (True, "fleet.toml:14", "channel-twice"),
        (False, "one.toml:6", "supply-below-rating"),
    ]
    assert found[1].functions == ("throttle", "aileron", "rudder-a", "rudder-b")
    assert found[0].key == "function.aileron.settings.neutral"


def test_many_functions_are_not_all_named_in_the_text(tmp_path: Path) -> None:
    plan = write_plan(tmp_path, settings="", more="[function.flap]\nmodel = 'small'")
    (found,) = check(plan)
    assert found.functions == ("throttle", "aileron", "rudder-a", "rudder-b", "flap")
    assert found.what.startswith(
        "function ('throttle', 'aileron', 'rudder-a', and 2 more): under-voltage is not stated"
    )


def test_the_sweep_of_a_role_knows_the_stops_of_its_model(tmp_path: Path) -> None:
    plan = write_plan(tmp_path, settings="travel = 180\nneutral = 10")
    swept = role_sweep(plan, plan.roles["aileron"])
    assert (swept.low_deg, swept.high_deg, swept.lost_at_plus_deg) == (-80.0, 90.0, 10.0)


def test_the_start_fits_together() -> None:
    assert check(load(examples.HERE / "start" / "airframe.toml")) == []
    assert check_fleet(*load_fleet(examples.HERE / "start" / "fleet.toml")) == []


def test_a_map_alone_is_checked_as_far_as_that_goes(tmp_path: Path) -> None:
    settings = 'travel = 180\nunder-voltage = 5\nloss-action = "preset"\npreset = 80\nend-high = 80'
    fleet = FLEET.replace("SETTINGS", settings).replace("supply = [4.8, 8.4]", "supply = [9, 8.4]")
    fleet = fleet.replace("address = 40", "address = 10\nsettings = { neutral = 20, preset = 85, end-high = 90 }")
    (tmp_path / "fleet.toml").write_text(fleet, "utf-8")
    found = check_fleet(*load_fleet(tmp_path / "fleet.toml"))
    assert [(one.is_error, one.kind, one.where, one.key) for one in found] == [
        (True, "end-cuts-travel", "fleet.toml:8", "settings.end-high"),
        (True, "supply-exchanged", "fleet.toml:10", "model.small.supply"),
        (True, "neutral-cuts-travel", "fleet.toml:27", "function.flap.settings.neutral"),
        (False, "address-shared", "fleet.toml:26", "function.flap.address"),
    ]
    assert found[0].functions == ("throttle", "aileron", "rudder-a", "rudder-b")
