"""What does not fit together in a plan: each kind of it with its place and text, and all of it at once."""

# ruff: noqa: E501 (whole lines of output)

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest

from busproto.plan import examples
from busproto.plan.check import KINDS, Finding, check, check_fleet, seat_sweep
from busproto.plan.load import load, load_fleet
from tests.plan.texts import AIRFRAME, FLEET, write_plan

SPLINE = (
    "it should be near zero: move the arm on the spline first (a spline of N teeth moves it by 360/N deg a tooth), "
    "then use the neutral for the rest"
)


@dataclass(frozen=True)
class Case:
    """A plan that fits but for what is changed in it, and what is found then: (kind, is it an error, whole line)."""

    found: tuple[tuple[str, bool, str], ...]
    airframe: tuple[tuple[str, str], ...] = ()
    fleet: tuple[tuple[str, str], ...] = ()
    settings: str = "under-voltage = 5.0"
    bus: str = ""


def error(kind: str, line: str) -> tuple[str, bool, str]:
    return kind, True, line


def advice(kind: str, line: str) -> tuple[str, bool, str]:
    return kind, False, line


def of_aileron(settings: str) -> tuple[tuple[str, str], ...]:
    """The airframe's aileron with these settings, on line 12."""
    return (("[function.aileron]", f"[function.aileron]\nsettings = {{ {settings} }}"),)


CASES = {
    "nothing": Case(found=()),
    "one address twice": Case(
        fleet=(("address = 31", "address = 10"),),
        found=(error("address-twice", "fleet.toml:19: function.rudder-b.address: 10 is that of 'aileron' already, and "
                     "this airframe has both"),),
    ),
    "one channel twice": Case(
        fleet=(("channel = 2", "channel = 1"),),
        found=(error("channel-twice", "fleet.toml:14: function.aileron.channel: 1 is that of 'throttle' already, and no "
                     "gang joins them: both would follow one demand"),),
    ),
    "one channel in a gang and outside": Case(
        fleet=(("channel = 2", "channel = 4"),),
        found=(
            error("channel-twice", "fleet.toml:17: function.rudder-a.channel: 4 is that of 'aileron' already, and no gang "
                  "joins them: both would follow one demand"),
            error("channel-twice", "fleet.toml:20: function.rudder-b.channel: 4 is that of 'aileron' already, and no gang "
                  "joins them: both would follow one demand"),
        ),
    ),
    "two channels in a gang": Case(
        fleet=(("address = 31\nchannel = 4", "address = 31\nchannel = 5"),),
        found=(advice("gang-channels", "one.toml:17: gang.rudder: its members follow different demands: 'rudder-a' channel "
                      "4, 'rudder-b' channel 5; give them one channel in the fleet map unless that is meant"),),
    ),
    "two models and firmwares in a gang": Case(
        airframe=(('[function.rudder-a]\nmodel = "small"', '[function.rudder-a]\nmodel = "small"\nfirmware = "1.0"'),
                  ('[function.rudder-b]\nmodel = "small"', '[function.rudder-b]\nmodel = "other"\nfirmware = "1.1"')),
        fleet=(("[model.small]", "[model.other]\nsupply = [4, 9]\n[model.small]"),),
        found=(
            error("gang-unlike", "one.toml:19: gang.rudder: its members differ in model: 'rudder-a' small, 'rudder-b' "
                  "other; on one surface they would fight"),
            error("gang-unlike", "one.toml:19: gang.rudder: its members differ in firmware: 'rudder-a' 1.0, 'rudder-b' "
                  "1.1; on one surface they would fight"),
        ),
    ),
    "a firmware in a gang that is not stated": Case(
        airframe=(('[function.rudder-a]\nmodel = "small"', '[function.rudder-a]\nmodel = "small"\nfirmware = "1.0"'),),
        found=(),
    ),
    "two ways to move in a gang": Case(
        airframe=(("[function.rudder-b]", '[function.rudder-b]\nsettings = { travel = 100, loss-action = "hold", '
                   "loss-time-out = 900, soft-start = 0, slew-limit = 80 }"),),
        found=(
            error("gang-unlike", "one.toml:18: gang.rudder: its members differ in travel: 'rudder-a' 120.00 deg, "
                  "'rudder-b' 100.00 deg; on one surface they would fight"),
            error("gang-unlike", "one.toml:18: gang.rudder: its members differ in loss-action: 'rudder-a' limp, 'rudder-b' "
                  "hold; on one surface they would fight"),
            advice("gang-timing", "one.toml:18: gang.rudder: its members differ in loss-time-out: 'rudder-a' 500 ms, "
                   "'rudder-b' 900 ms; then one runs ahead of the other"),
            advice("gang-timing", "one.toml:18: gang.rudder: its members differ in soft-start: 'rudder-a' 1000 ms, "
                   "'rudder-b' 0 ms; then one runs ahead of the other"),
            advice("gang-timing", "one.toml:18: gang.rudder: its members differ in slew-limit: 'rudder-a' 300.0 deg/s, "
                   "'rudder-b' 80.0 deg/s; then one runs ahead of the other"),
        ),
    ),
    "a preset beyond an end": Case(
        airframe=of_aileron('loss-action = "preset", preset = -70, end-low = -60'),
        found=(error("preset-outside", "one.toml:12: function.aileron.settings.preset: -70.00 deg is outside "
                     "-60.00..90.00 deg, where the arm is stopped: when the demand is lost it would stand elsewhere"),),
    ),
    "a preset beyond a stop": Case(
        airframe=of_aileron('loss-action = "preset", preset = 80, travel = 100'),
        fleet=(("mechanical-travel = 180", "mechanical-travel = 150"),),
        found=(error("preset-outside", "one.toml:12: function.aileron.settings.preset: 80.00 deg is outside "
                     "-75.00..75.00 deg, where the arm is stopped: when the demand is lost it would stand elsewhere"),),
    ),
    "a preset that is not used": Case(airframe=of_aileron("preset = -70, end-low = -60"), found=()),
    "a preset of all, from the map": Case(
        settings='under-voltage = 5.0\nloss-action = "preset"\npreset = 70\nend-high = 65',
        found=(error("preset-outside", "fleet.toml:6: settings.preset ('throttle', 'aileron', 'rudder-a', 'rudder-b'): "
                     "70.00 deg is outside -90.00..65.00 deg, where the arm is stopped: when the demand is lost it would "
                     "stand elsewhere"),),
    ),
    "a neutral far from zero": Case(
        airframe=of_aileron("neutral = 2.01"),
        found=(advice("neutral-far", "one.toml:12: function.aileron.settings.neutral: 2.01 deg takes 2.01 deg of the room at "
                      f"demand +100 %; the planned travel still fits, but {SPLINE}"),),
    ),
    "the same, reversed": Case(
        airframe=of_aileron('neutral = 2.01, direction = "reversed"'),
        found=(advice("neutral-far", "one.toml:12: function.aileron.settings.neutral: 2.01 deg takes 2.01 deg of the room at "
                      f"demand -100 %; the planned travel still fits, but {SPLINE}"),),
    ),
    "a neutral near zero": Case(airframe=of_aileron("neutral = -2.0"), found=()),
    "a neutral that costs travel": Case(
        airframe=of_aileron("neutral = -8, end-low = -63, end-high = 63"),
        found=(error("neutral-cuts-travel", "one.toml:12: function.aileron.settings.neutral: -8.00 deg puts 5.00 of the "
                     f"60.00 deg to demand -100 % out of reach; 55.00 deg to each side are left; {SPLINE}"),),
    ),
    "a small one that does": Case(
        airframe=of_aileron("neutral = 1, travel = 180"),
        found=(error("neutral-cuts-travel", "one.toml:12: function.aileron.settings.neutral: 1.00 deg puts 1.00 of the "
                     "90.00 deg to demand +100 % out of reach; 89.00 deg to each side are left"),),
    ),
    "ends that cost travel, and a neutral that costs more": Case(
        airframe=of_aileron("neutral = 5, end-low = -40, end-high = 50"),
        found=(
            error("end-cuts-travel", "one.toml:12: function.aileron.settings.end-low: -40.00 deg cuts 20.00 deg of the 60.00 "
                  "deg to demand -100 %: open it, or plan less travel"),
            error("end-cuts-travel", "one.toml:12: function.aileron.settings.end-high: 50.00 deg cuts 10.00 deg of the 60.00 "
                  "deg to demand +100 %: open it, or plan less travel"),
            error("neutral-cuts-travel", "one.toml:12: function.aileron.settings.neutral: 5.00 deg puts 15.00 of the 60.00 "
                  "deg to demand +100 % out of reach, 5.00 deg more than a neutral of zero; 45.00 deg to each side are "
                  f"left; {SPLINE}"),
        ),
    ),
    "a reversed end that costs travel": Case(
        airframe=of_aileron('end-low = -40, direction = "reversed"'),
        found=(error("end-cuts-travel", "one.toml:12: function.aileron.settings.end-low: -40.00 deg cuts 20.00 deg of the "
                     "60.00 deg to demand +100 %: open it, or plan less travel"),),
    ),
    "more travel than the stops allow": Case(
        fleet=(("mechanical-travel = 180", "mechanical-travel = 110"),),
        found=(error("stops-cut-travel", "one.toml:9: function ('throttle', 'aileron', 'rudder-a', 'rudder-b'): travel "
                     "(from the factory) 120.00 deg does not fit between the mechanical stops, which are 110 deg apart"),),
    ),
    "a model that is not stated": Case(
        airframe=(('[function.aileron]\nmodel = "small"', "[function.aileron]"),
                  ('[function.throttle]\nmodel = "small"', "[function.throttle]")),
        found=(advice("model-unstated", "one.toml:9: function ('throttle', 'aileron'): no model is stated, so rating and "
                      "firmware cannot be checked"),),
    ),
    "a model that nobody knows": Case(
        airframe=(('[function.aileron]\nmodel = "small"', '[function.aileron]\nmodel = "odd"'),),
        found=(advice("model-unknown", "one.toml:12: function.aileron.model: the fleet map has no model 'odd', so its "
                      "rating cannot be checked; it has: small"),),
    ),
    "a firmware that is not listed": Case(
        airframe=(('[function.aileron]\nmodel = "small"', '[function.aileron]\nmodel = "small"\nfirmware = "0.9"'),),
        found=(error("firmware-unlisted", "one.toml:13: function.aileron.firmware: 0.9 is not among those the fleet map "
                     "lists for 'small': 1.0, 1.1"),),
    ),
    "a firmware where none is listed": Case(
        airframe=(('[function.aileron]\nmodel = "small"', '[function.aileron]\nmodel = "small"\nfirmware = "0.9"'),),
        fleet=(('firmware = ["1.0", "1.1"]', ""),),
        found=(),
    ),
    "a pack above the rating": Case(
        airframe=(("full = 8.4", "full = 8.7"),),
        found=(error("supply-above-rating", "one.toml:5: supply.full ('throttle', 'aileron', 'rudder-a', 'rudder-b'): a "
                     "full pack of 8.70 V is above the rating: 'small' is rated for 4.80..8.40 V"),),
    ),
    "a pack that falls below the rating": Case(
        airframe=(("empty = 6.4", "empty = 4.7"),),
        settings="under-voltage = 4.6",
        found=(advice("supply-below-rating", "one.toml:6: supply.empty ('throttle', 'aileron', 'rudder-a', 'rudder-b'): an "
                      "empty pack of 4.70 V is below the rating: 'small' is rated for 4.80..8.40 V"),),
    ),
    "a pack below the rating": Case(
        airframe=(("full = 8.4", "full = 4.7"), ("empty = 6.4", "")),
        settings="under-voltage = 4.0",
        found=(error("supply-below-rating", "one.toml:5: supply.full ('throttle', 'aileron', 'rudder-a', 'rudder-b'): even "
                     "a full pack of 4.70 V is below the rating: 'small' is rated for 4.80..8.40 V"),),
    ),
    "a pack that is not stated": Case(
        airframe=(("[supply]\nfull = 8.4\nempty = 6.4\n", ""),),
        found=(advice("supply-unstated", "one.toml: : there is no [supply], so the rating of the actuators cannot be "
                      "checked"),),
    ),
    "voltages exchanged": Case(
        airframe=(("full = 8.4\nempty = 6.4", "full = 6.4\nempty = 8.4"),),
        fleet=(("supply = [4.8, 8.4]", "supply = [8.4, 4.8]"),),
        found=(
            error("supply-exchanged", "one.toml:6: supply.empty: 8.40 V is above the full pack of 6.40 V"),
            error("supply-exchanged", "fleet.toml:6: model.small.supply: the lower voltage stands first: 4.80, 8.40"),
        ),
    ),
    "a low supply that would always be reported": Case(
        airframe=of_aileron("under-voltage = 8.5"),
        found=(error("under-voltage-above-pack", "one.toml:12: function.aileron.settings.under-voltage: 8.500 V is above a "
                     "full pack of 8.40 V: a low supply would always be reported"),),
    ),
    "a low supply that is reported early": Case(
        airframe=of_aileron("under-voltage = 6.5"),
        found=(advice("under-voltage-early", "one.toml:12: function.aileron.settings.under-voltage: 6.500 V is above an "
                      "empty pack of 6.40 V: reported before the pack is used up"),),
    ),
    "a low supply at the very limit of the pack": Case(
        airframe=of_aileron("under-voltage = 8.4"),
        found=(advice("under-voltage-early", ""),),
    ),
    "a low supply where the pack ends": Case(airframe=of_aileron("under-voltage = 6.4"), found=()),
    "a low supply that is never reported": Case(
        settings="",
        airframe=of_aileron("under-voltage = 0"),
        found=(
            advice("under-voltage-unstated", "one.toml:9: function ('throttle', 'rudder-a', 'rudder-b'): "),
            advice("under-voltage-unstated", "one.toml:12: function.aileron.settings.under-voltage: "),
        ),
    ),
    "too much for the bus": Case(
        bus="baud = 9600\ndemands-per-second = 50",
        found=(error("bus-too-slow", "one.toml:7: bus: the demands of 4 channels take 22.9 ms of a cycle of 20.0 ms (115 %) "
                     "at 9600 Bd; at most 2 channels would fit; each of these would do: baud = 115200, "
                     "demands-per-second = 43"),),
    ),
    "too many reports for the bus": Case(
        bus="demands-per-second = 100\nreports = true",
        found=(error("bus-too-slow", "one.toml:7: bus: the demands of 4 channels and a report of each of 4 actuators take "
                     "11.0 ms of a cycle of 10.0 ms (110 %) at 115200 Bd; at most 4 actuators at neighbouring addresses would "
                     "fit; each of these would do: baud = 230400, demands-per-second = 90, reports = false"),),
    ),
}  # fmt: skip


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
    assert met | {"address-shared"} | in_test_rig == set(KINDS)


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


def test_the_sweep_of_a_seat_knows_the_stops_of_its_model(tmp_path: Path) -> None:
    plan = write_plan(tmp_path, settings="travel = 180\nneutral = 10")
    swept = seat_sweep(plan, plan.seats["aileron"])
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
