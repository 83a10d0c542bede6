"""The host of the page on virtual buses: in real time in another process, and in virtual time with trouble.

The host is given a port and a clock, and knows nothing of what is behind them; only these tests do.
"""

from __future__ import annotations

import json
import os
import random
import re
import socket
import tomllib
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from math import floor
from pathlib import Path
from typing import Any, Final

import pytest

import busproto.sim
from busproto.sim.scene.scenario import load
from busproto.transport import Transport
from tests.cli.helpers import running_bus
from tests.independent.asking import Asker, OtherDeviceError, RefusedError, SilentError
from tests.independent.codec import UNADDRESSED
from tests.independent.driver import FilePort, drive
from tests.independent.host import Actuator, report_all
from tests.independent.line import Port, T, Talk
from tests.independent.messages import Memory, Parameter, State
from tests.independent.page import section, table
from tests.independent.proof import Found, find
from tests.independent.search import Search
from tests.independent.set_up import give_addresses

SCENARIOS: Final = Path(busproto.sim.__file__).parent / "scenarios"
SEED: Final = 4
BUSY_MACHINE_S: Final = 0.15
ROWS: Final = {row["name"]: row for row in table(section("Parameters"), "no.")}


class Bench:
    """A host at a port, and the truth about what is behind it."""

    def __init__(self, port: Port, baud: int, delay_s: float, seed: int = SEED) -> None:
        self.port, self.baud, self.delay_s = port, baud, delay_s
        self.asker = Asker(random.Random(seed))

    def run(self, talk: Talk[T]) -> T:
        return drive(talk, self.port, self.baud, self.delay_s)

    def find(self, tries: int = 3) -> Found:
        return self.run(find(lambda: Search(self.asker), tries))


def truth(name: str, seed: int = SEED) -> dict[bytes, dict[str, Any]]:
    """What the scenario file says of those that are plugged in, by uid; the seed draws uids that it does not state."""
    scenario = tomllib.loads((SCENARIOS / f"{name}.toml").read_text("utf-8"))
    events = scenario.get("event", [])
    unplugged = {event["actuator"] for event in events if event["what"] == "unplug" and event["at"] == 0}
    uids = load(name).uids(seed)
    return {uids[one["label"]]: one for one in scenario["actuator"] if one["label"] not in unplugged}


def addresses_of(name: str, seed: int = SEED) -> dict[bytes, int]:
    """By uid; one that the file leaves to the seed ("unknown") is left out."""
    stated = {uid: one.get("address", UNADDRESSED) for uid, one in truth(name, seed).items()}
    return {uid: address for uid, address in stated.items() if address != "unknown"}


def is_as_stated(found: Found, name: str, seed: int = SEED) -> bool:
    """No uid more, none less, and each at the address that the file says."""
    known = addresses_of(name, seed)
    return found.addresses.keys() == truth(name, seed).keys() and known.items() <= found.addresses.items()


def raw_of(name: str, value: float | str) -> int:
    """A setting as the scenario states it, as a raw value by the page's table."""
    row = ROWS[name]
    if isinstance(value, str):
        return row["range"].split(", ").index(value)
    return round(value * int(row["counts per unit"]))


# --- in real time, in another process ---


@contextmanager
def served(name: str, *behind: str) -> Iterator[Bench]:
    """`busproto bus run`, and the host at its port."""
    with running_bus(name, *behind, "--seed", str(SEED), "--json") as (_, first_line):
        ready = json.loads(first_line)
        far = re.fullmatch(r"socket://(.+):(\d+)", ready["port"])
        if far is None:
            descriptor = os.open(ready["port"], os.O_RDWR | os.O_NOCTTY)
            tty.setraw(descriptor)
            try:
                yield Bench(FilePort(descriptor), ready["baud"], BUSY_MACHINE_S)
            finally:
                os.close(descriptor)
        else:
            with socket.create_connection((far[1], int(far[2]))) as connection:
                yield Bench(FilePort(connection.fileno()), ready["baud"], BUSY_MACHINE_S)


@pytest.mark.realtime
@pytest.mark.parametrize("name", ["bench-four", "full-line", "motor-glider"])
def test_on_a_running_bus_it_finds_addresses_sets_and_moves(name: str) -> None:
    with served(name, "--tcp", "127.0.0.1:0") as bench:
        found = bench.find()
        assert is_as_stated(found, name)
        assert found.why_not == ()

        plan, proof = bench.run(give_addresses(bench.asker, found))
        assert proof.why_not == ()
        assert len(set(plan.values())) == len(plan)
        kept = {uid: address for uid, address in found.addresses.items() if len(found.at(address)) == 1}
        assert all(plan[uid] == address for uid, address in kept.items() if address != UNADDRESSED)

        fresh = next(uid for uid, one in truth(name).items() if "address" not in one)
        sets_and_moves(bench, Actuator(bench.asker, plan[fresh], fresh))


def sets_and_moves(bench: Bench, actuator: Actuator) -> None:
    """A parameter set and stored, a refusal, a move that arrives, and the arm seen limp behind it."""
    rows = bench.run(actuator.parameters())
    assert bench.run(actuator.write(rows["soft-start"], 100)) == (100,)
    assert bench.run(actuator.write(rows["channel"], 2)) == (2,)
    before = bench.run(actuator.describe()).generation
    assert bench.run(actuator.commit()) == before + 1
    stored = bench.run(actuator.read([rows["channel"], rows["soft-start"]], Memory.STORED))
    assert stored == {"channel": (2,), "soft-start": (100,)}
    with pytest.raises(RefusedError) as refusal:
        bench.run(actuator.write(rows["loss-time-out"], 15))
    assert (refusal.value.code, refusal.value.low, refusal.value.high) == (3, 20, 10000)

    moved = bench.run(actuator.move(2500, rows))
    assert moved.arrived, moved
    assert moved.target_cdeg == 1500  # a quarter of half the travel of 120 deg
    assert {one.state for one in moved.seen} <= {State.SOFT_STARTING, State.FOLLOWING}
    assert moved.seen[-1].state is State.FOLLOWING
    assert moved.end.state is State.RELEASED
    assert moved.end.state.is_limp


@pytest.mark.realtime
def test_behind_a_pseudo_terminal_it_finds_the_same() -> None:
    with served("tow-plane", "--pty") as bench:
        found = bench.find()
        assert is_as_stated(found, "tow-plane")
        assert found.is_proven


# --- in virtual time ---


class VirtualPort:
    """The port of a virtual bus, whose clock is the bus's own; it can lose what comes behind some writes."""

    def __init__(self, transport: Transport, lost: range = range(0)) -> None:
        self.transport, self.lost, self.writes = transport, lost, 0

    def write(self, data: bytes) -> None:
        self.writes += 1
        self.transport.write(data)

    def read(self, until_s: float) -> bytes:
        data = self.transport.read_until(floor(until_s * 1e9) + 1)
        return b"" if self.writes in self.lost else data

    def now_s(self) -> float:
        return self.transport.now_ns() / 1e9


def virtual(scenario: str | Path, seed: int, lost: range = range(0)) -> Bench:
    bus = load(str(scenario)).build(seed)
    return Bench(VirtualPort(bus.host, lost), bus.host.baud, 0.001, seed)


@pytest.mark.parametrize("name", ["bench-four", "tow-plane", "hauler", "rudder-gang", "motor-glider", "full-line"])
@pytest.mark.parametrize("seed", range(5))
def test_it_finds_what_the_scenario_says(name: str, seed: int) -> None:
    found = virtual(name, seed).find()
    assert is_as_stated(found, name, seed)
    assert found.is_proven
    assert found.figure <= 0.0001
    assert 0.055 <= found.took_s < 1


@pytest.mark.parametrize("seed", range(5))
def test_two_with_one_uid_are_never_proven(seed: int) -> None:
    found = virtual("twins", seed).find()
    assert not found.is_proven


@pytest.mark.parametrize("name", ["bench-four", "motor-glider"])
def test_settings_are_those_of_the_scenario_and_the_rest_those_of_the_page(name: str) -> None:
    bench = virtual(name, SEED)
    plan, _ = bench.run(give_addresses(bench.asker, bench.find()))
    for uid, one in truth(name).items():
        actuator = Actuator(bench.asker, plan[uid], uid)
        description = bench.run(actuator.describe())
        assert (description.uid, description.model) == (uid, one["model"])
        rows = bench.run(actuator.parameters())
        assert {name: row.number for name, row in rows.items()} == {n: int(row["no."]) for n, row in ROWS.items()}
        stated = {key: (raw_of(key, value),) for key, value in one.get("settings", {}).items()}
        factory = {key: () if row.points else (row.default,) for key, row in rows.items()}
        assert bench.run(actuator.read(list(rows.values()))) == factory | stated
        assert bench.run(actuator.read(list(rows.values()), Memory.FACTORY)) == factory


@pytest.mark.parametrize("seed", range(3))
def test_a_row_of_the_list_is_that_of_the_page(seed: int) -> None:
    bench = virtual("bench-four", seed)
    actuator = Actuator(bench.asker, 3, bytes.fromhex("b0a7000000000101"))
    for name, row in bench.run(actuator.parameters()).items():
        assert row == row_of_the_page(name), name


def row_of_the_page(name: str) -> Parameter:
    row = ROWS[name]
    as_table = re.fullmatch(r"table of up to (\d+) i16", row["as"])
    size = 2 if as_table or row["as"].endswith("16") else 1
    points = int(as_table[1]) if as_table else 0
    span = re.fullmatch(r"(-?[\d.]+)\.\.(-?[\d.]+)", row["range"])
    low, high = (raw_of(name, float(end)) for end in span.groups()) if span else (0, row["range"].count(","))
    default = row["default"]
    raw = 0 if as_table else raw_of(name, default if span is None else float(default))
    unit = f"{1 / int(row['counts per unit']):g} {row['unit']}" if row["unit"] else ""
    return Parameter(int(row["no."]), size, points, low, high, raw, name, unit)


def test_two_at_one_address_are_told_apart_by_their_tags() -> None:
    bench = virtual("bench-four", SEED)
    with pytest.raises((OtherDeviceError, SilentError)):
        bench.run(Actuator(bench.asker, 7, bytes.fromhex("b0a7000000000103")).report())


def test_thirty_two_demands_and_reports_in_one_round() -> None:
    bench = virtual("full-line", SEED)
    plan, _ = bench.run(give_addresses(bench.asker, bench.find()))
    assert sorted(plan.values()) == list(range(1, 33))
    reports = bench.run(report_all(bench.asker, 1, 32))
    assert sorted(reports) == list(range(1, 33))
    assert {one.state for one in reports.values()} == {State.LIMP}


@pytest.mark.parametrize("seed", range(20))
def test_noise_is_survived(seed: int, tmp_path: Path) -> None:
    """One byte in a thousand is hit, at each listener; what is proven is whole all the same, and the move arrives."""
    noisy = tmp_path / "noisy.toml"
    quiet = (SCENARIOS / "bench-four.toml").read_text("utf-8")
    noisy.write_text(quiet + '\n[[event]]\nwhat = "noise"\nat = 0.0\nrate = 0.001\n', "utf-8")
    bench = virtual(noisy, seed)
    found = bench.find(tries=10)
    assert is_as_stated(found, "bench-four", seed)
    assert found.why_not == ()
    plan, proof = bench.run(give_addresses(bench.asker, found))
    assert proof.why_not == ()
    fresh = bytes.fromhex("b0a7000000000102")
    sets_and_moves(bench, Actuator(bench.asker, plan[fresh], fresh))


@pytest.mark.parametrize("lost_from", range(1, 12))
def test_a_lost_reply_is_asked_for_again(lost_from: int) -> None:
    """Whatever comes behind two requests in a row is lost, its echo too, wherever in the job that is."""
    bench = virtual("bench-four", SEED, range(lost_from, lost_from + 2))
    found = bench.find(tries=10)
    assert is_as_stated(found, "bench-four")
    assert found.is_proven
    plan, proof = bench.run(give_addresses(bench.asker, found))
    assert proof.is_proven
    assert len(set(plan.values())) == len(plan) == 4


@pytest.mark.parametrize("behind", range(1, 9))
def test_a_reply_lost_while_one_is_set_and_moved_changes_nothing(behind: int) -> None:
    bench = virtual("bench-four", SEED)
    actuator = Actuator(bench.asker, 3, bytes.fromhex("b0a7000000000101"))
    rows = bench.run(actuator.parameters())
    port = bench.port
    assert isinstance(port, VirtualPort)
    port.lost = range(port.writes + behind, port.writes + behind + 2)
    assert bench.run(actuator.write(rows["soft-start"], 50)) == (50,)
    assert bench.run(actuator.write(rows["neutral"], 0)) == (0,)
    bench.run(actuator.commit())
    moved = bench.run(actuator.move(-1000, rows))
    assert (moved.arrived, moved.target_cdeg, moved.end.state) == (True, -600, State.RELEASED)
