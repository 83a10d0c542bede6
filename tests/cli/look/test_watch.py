"""``busproto watch``: what it shows of a line on which a receiver demands, and that it never moves anything."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from busproto.cli import exit_codes
from busproto.cli.look.watch_command import BAR_WIDTH, bar
from busproto.ops.moving.watching import Spread
from busproto.wire.parameters import FACTORY
from tests.cli.helpers import Bench, CommandLine

LINE = """
title = "glider"
[model.m]
[[actuator]]
label = "a"
model = "m"
address = 2
settings = { channel = 1, loss-action = "hold", soft-start = 0 }
[[actuator]]
label = "b"
model = "m"
address = 200
settings = { channel = 2, direction = "reversed", soft-start = 0 }
[receiver]
lost = [{ at = 3.0, lasting = 1.0 }]
[[receiver.stick]]
channel = 1
swing = { amplitude = 50, every = 2 }
[[receiver.stick]]
channel = 2
points = [[0, 0], [2, 100]]
"""
FLEET = """
fleet-map = 1
title = "fleet"
[function."elevator [left]"]
address = 2
channel = 1
[function.rudder]
address = 9
channel = 2
"""
AIRFRAME = """
airframe = 1
title = "glider"
fleet-map = "fleet.toml"
[function."elevator [left]"]
[function.rudder]
"""


@pytest.fixture
def url(tmp_path: Path) -> str:
    (tmp_path / "line.toml").write_text(LINE)
    return f"sim://{tmp_path}/line.toml?seed=2"


@pytest.fixture
def plan(tmp_path: Path) -> str:
    (tmp_path / "fleet.toml").write_text(FLEET)
    (tmp_path / "air.toml").write_text(AIRFRAME)
    return str(tmp_path / "air.toml")


def test_a_table_at_the_end_where_no_person_looks(cli: CommandLine, url: str) -> None:
    result = cli(f"watch --port {url} --for 5")
    assert (result.code, result.err) == (exit_codes.DONE, "")
    head, first, second, watched, *states = result.out.splitlines()
    assert head.split() == ["address", "state", "deg", "-100", "%", "..", "0", "..", "+100", "%", "min", "max", "mA"]
    assert first.startswith("2 (02)")
    assert second.startswith("200 (C8)")
    assert second.split()[2:4] == ["following", "-60.00"]
    # its stick was on the way from the middle to the end when the watch began
    assert re.fullmatch(r"\.{12}\|\.{0,4}={7,11}O", second.split()[4])
    assert watched == "Watched for 5.0 s."
    assert [line.split(": ")[0] for line in states] == ["Address 2", "Address 200"]
    assert "following, " in states[0]
    assert " s lost-hold, " in states[0]
    assert " s lost-limp, " in states[1]


def test_json_with_the_spread_and_the_states(cli: CommandLine, url: str) -> None:
    result = cli(f"watch --port {url} --for 5 --json")
    assert (result.code, result.err) == (exit_codes.DONE, "")
    body = result.json
    assert 5.0 <= body["duration_s"] < 5.2
    assert body["others_on_the_line"] is True
    first, second = body["actuators"]
    assert list(first) == [
        "address",
        "function",
        "state",
        "asked_count",
        "missed_count",
        "lost_seen",
        "lost_before",
        "position_spread_deg",
        "current_spread_ma",
        "supply_spread_v",
        "temperature_spread_degc",
        "states",
    ]
    assert (first["address"], first["function"], first["state"]) == (2, None, "following")
    assert first["position_spread_deg"]["max"] == pytest.approx(30.0, abs=1.5)
    assert first["position_spread_deg"]["min"] == pytest.approx(-30.0, abs=1.5)
    assert 60 <= first["current_spread_ma"]["min"] < 350
    assert first["supply_spread_v"] == {"min": 7.4, "max": 7.4, "mean": 7.4, "last": 7.4}
    assert (first["lost_seen"], first["lost_before"], first["missed_count"]) == (True, False, 0)
    assert first["asked_count"] > 60
    assert [one["state"] for one in first["states"]] == ["following", "lost-hold", "following"]
    assert second["position_spread_deg"]["last"] == -60.0


def test_the_same_run_gives_the_same_json(cli: CommandLine, url: str) -> None:
    assert cli(f"watch --port {url} --for 2 --json").out == cli(f"watch --port {url} --for 2 --json").out


def test_a_plan_gives_names_and_says_who_is_missing(cli: CommandLine, url: str, plan: str) -> None:
    result = cli(f"watch --port {url} --for 2 --airframe {plan}")
    assert result.code == exit_codes.NOT_AS_WANTED
    rows = result.out.splitlines()
    assert rows[0].split()[:2] == ["address", "function"]
    assert rows[1].startswith("2 (02)    elevator [left]")
    assert rows[2].split() == ["9", "(09)", "rudder", "silent"]
    assert rows[3].split()[2] == "-"
    assert "Address 9 (rudder) never answered." in rows
    as_json = cli(f"watch --port {url} --for 2 --json --airframe {plan}").json
    assert [one["function"] for one in as_json["actuators"]] == ["elevator [left]", "rudder", None]
    missing = as_json["actuators"][1]
    assert (missing["position_spread_deg"], missing["state"]) == (None, "silent")
    assert missing["asked_count"] == missing["missed_count"] > 0


def test_addresses_narrow_it(cli: CommandLine, url: str) -> None:
    body = cli(f"watch 200 --port {url} --for 1 --json").json
    assert [one["address"] for one in body["actuators"]] == [200]


def test_nothing_is_changed_and_nothing_moves(cli: CommandLine, bench: Bench) -> None:
    before = bench.settings()
    result = cli("watch --port /dev/any --for 1.5 --json")
    assert result.code == exit_codes.NOT_AS_WANTED
    alone, shared = result.json["actuators"]
    assert (alone["address"], alone["state"]) == (3, "limp")
    assert (shared["address"], shared["state"], shared["asked_count"], shared["position_spread_deg"]) == (
        7,
        "shared",
        0,
        None,
    )
    assert result.json["others_on_the_line"] is False
    assert bench.settings() == before
    assert {type(one).__name__ for one in bench.requests} == {"ReportRound", "Describe", "RollCall", "Read", "Report"}
    assert bench.closed == 1


def test_an_interrupt_is_how_one_ends_it(cli: CommandLine, bench: Bench) -> None:
    def interrupt(at: int) -> None:
        if at == 120:
            raise KeyboardInterrupt

    bench.before_write = interrupt
    result = cli("watch 3 --port /dev/any --json")
    assert result.code == exit_codes.DONE
    assert result.json["actuators"][0]["asked_count"] > 50


def test_a_shared_address_is_said(cli: CommandLine, bench: Bench) -> None:
    result = cli("watch 7 3 --port /dev/any --for 1")
    assert result.code == exit_codes.NOT_AS_WANTED
    assert "Address 7 is shared by several actuators: 'busproto find' tells which.\n" in result.out
    alone = cli("watch 7 --port /dev/any --for 1 --json")
    assert (alone.code, alone.json["actuators"][0]["state"]) == (exit_codes.NOT_AS_WANTED, "shared")


def test_an_interrupt_before_there_is_anything_to_show_is_one(cli: CommandLine, bench: Bench) -> None:
    def interrupt(at: int) -> None:
        if at == 2:
            raise KeyboardInterrupt

    bench.before_write = interrupt
    assert cli("watch --port /dev/any").code == exit_codes.INTERRUPTED


def test_no_actuator_there(cli: CommandLine, bench: Bench) -> None:
    for actuator in bench.bus.actuators:
        actuator.power_off()
    result = cli("watch --port /dev/any --for 1")
    assert result.code == exit_codes.NOT_AS_WANTED
    assert result.out == "No actuator reports: 'busproto find' tells what is on the line.\n"


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ("--for 0", "--for"),
        ("--for nan", "--for"),
        ("240 --for 1", "address '240'"),
        ("--for 1 --airframe /nowhere/at/all.toml", "/nowhere/at/all.toml"),
    ],
)
def test_bad_input(options: str, said: str, cli: CommandLine, bench: Bench) -> None:
    result = cli(f"watch --port /dev/any {options}")
    assert result.code == exit_codes.USAGE
    assert said in result.error_line
    assert bench.frames == []


def test_virtual_time_without_an_end_is_refused(cli: CommandLine, url: str) -> None:
    result = cli(f"watch --port {url}")
    assert result.code == exit_codes.USAGE
    assert "--for" in result.error_line


def spread(*values: int) -> Spread:
    made = Spread()
    for value in values:
        made.add(value)
    return made


@pytest.mark.parametrize(
    ("positions", "changes", "wanted"),
    [
        ((0,), {}, "............O............"),
        ((6000,), {}, "............|...........O"),
        ((-6000,), {}, "O...........|............"),
        ((6000,), {"direction": 1}, "O...........|............"),
        ((-3000, 3000, 1500), {}, "......=========O===......"),
        ((7000,), {}, "............|...........>"),
        ((-7000,), {}, "<...........|............"),
        ((500,), {"neutral": 500}, "............O............"),
    ],
)
def test_the_bar(positions: tuple[int, ...], changes: dict[str, int], wanted: str) -> None:
    assert bar(spread(*positions), {**FACTORY, **changes}) == wanted
    assert len(wanted) == BAR_WIDTH


def test_no_bar_where_the_travel_is_not_known() -> None:
    assert bar(spread(1), None) == ""
