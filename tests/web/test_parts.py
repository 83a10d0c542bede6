"""The parts of the page's server one by one, without a socket and without waiting: time is counted, not passed."""

from __future__ import annotations

from typing import Any

import pytest

pytest.importorskip("starlette", reason="the page's libraries are not installed: pip install 'busproto[web]'")

from busproto.endpoints import parse_endpoint
from busproto.errors import InputError, PortClosedError
from busproto.ops import Link, find
from busproto.ops.discovery.search import Found, Roster
from busproto.ops.moving.motion import report
from busproto.ops.survey import survey
from busproto.sim.scene.scenario import load, parse
from busproto.web.bus.board import Board, tile_json
from busproto.web.bus.line_log import LineLog
from busproto.web.bus.live_bus import AHEAD_NS, LiveBus
from busproto.web.bus.tap import Tap
from busproto.web.server.app import Doors
from busproto.web.serving import port_opener
from busproto.wire import BadFrame, Frame
from busproto.wire.frame import UNADDRESSED

MS = 1_000_000


class Clock:
    """A machine's clock that passes only by waiting."""

    def __init__(self) -> None:
        self.now_ns = 5_000_000_000
        self.waits: list[float] = []

    def wait(self, seconds: float) -> None:
        assert seconds > 0
        self.waits.append(seconds)
        self.now_ns += round(seconds * 1e9)


def live(scenario: str = "bench-four") -> tuple[LiveBus, Clock]:
    clock = Clock()
    bus = LiveBus("sim://x", load(scenario).build(1), clock_ns=lambda: clock.now_ns, wait=clock.wait)
    return bus, clock


def test_virtual_time_follows_the_clock_and_never_runs_far_ahead() -> None:
    port, clock = live()
    began_ns = clock.now_ns
    for at in range(1, 200):
        port.read_until(at * MS)
        assert port.now_ns() == at * MS
        assert port.now_ns() - (clock.now_ns - began_ns) <= AHEAD_NS
    assert sum(clock.waits) > 0.19
    assert port.lost_ns == 0


def test_a_machine_that_is_too_slow_makes_no_answer_late() -> None:
    port, clock = live()
    with Link(port) as link:
        assert link.run(find()).proven
        clock.now_ns += 3_000_000_000  # it did something else for three seconds
        before_ns = port.now_ns()
        asked = link.exchanges
        link.run(report(3))
        assert link.exchanges == asked + 1  # it was understood at once
        assert port.now_ns() - before_ns < 50 * MS  # its answer came in time: no time-out ran meanwhile
        port.read_until(port.now_ns() + 10 * MS)
    assert 2_900 * MS < port.lost_ns < 3_000 * MS


def test_a_look_at_what_came_too_late_costs_no_time() -> None:
    port, _ = live()
    port.read_until(700 * MS)
    assert port.read_until(0) == b""
    assert (port.now_ns(), port.lost_ns) == (700 * MS, 0)


def test_a_closed_bus_says_so() -> None:
    port, _ = live()
    port.close()
    with pytest.raises(PortClosedError):
        port.write(b"\x00")
    with pytest.raises(PortClosedError):
        port.read_until(1)


def test_a_bus_at_its_limit_is_a_port_that_has_gone() -> None:
    port, _ = live("bench-four")
    port.bus.line._max_frames = 3
    with Link(port) as link, pytest.raises(PortClosedError, match="come to its end"):
        link.run(find())


def tapped(scenario: str = "bench-four") -> tuple[Tap, list[tuple[bool, Frame | BadFrame]], list[int]]:
    port, _ = live(scenario)
    seen: list[tuple[bool, Frame | BadFrame]] = []
    between: list[int] = []
    tap = Tap(port, lambda _, sent, found: seen.append((sent, found)), lambda: between.append(port.now_ns()))
    return tap, seen, between


def test_the_tap_tells_every_frame_once_though_the_line_echoes() -> None:
    tap, seen, between = tapped()
    with Link(tap) as link:
        link.run(report(3))
    assert [(sent, isinstance(found, Frame) and found.is_reply) for sent, found in seen] == [
        (True, False),
        (False, True),
    ]
    assert between
    assert 0 < tap.load < 0.1


def test_long_waits_are_cut_into_slices() -> None:
    tap, _, between = tapped()
    tap.read_until(95 * MS)
    assert between == [number * 10 * MS for number in range(10)]


def roster(*at: int) -> Roster:
    found = tuple(Found(bytes([number]) * 8, address) for number, address in enumerate(at, 1))
    return Roster(found, True, "", 1e-6)


@pytest.mark.parametrize(
    ("addresses", "rows"),
    [
        ((), []),
        ((7,), [(7, 1)]),
        ((1, 2, 3), [(1, 3)]),
        ((1, 9, 18), [(1, 9), (18, 1)]),
        ((1, 2, 2, 3), [(1, 1), (3, 1)]),
        ((5, 5), []),
        ((1, UNADDRESSED), [(1, 1)]),
        (tuple(range(1, 61)), [(1, 40), (41, 20)]),
    ],
)
def test_rows_of_reports_reach_every_lone_actuator_and_no_shared_address(
    addresses: tuple[int, ...], rows: list[tuple[int, int]]
) -> None:
    board = Board()
    board.take_roster(roster(*addresses), {})
    assert board.rows() == rows
    reached = [at for first, count in rows for at in range(first, first + count)]
    assert {tile.address for tile in board.alone} <= set(reached)
    assert not {tile.address for tile in board.tiles.values() if tile.shared_by > 1} & set(reached)


def test_one_that_moved_to_another_address_is_another_tile() -> None:
    board = Board()
    board.take_roster(roster(5), {})
    board.alone[0].did_not_answer()
    board.take_roster(roster(5), {bytes([1]) * 8: "rudder"})
    assert (board.alone[0].missed, board.alone[0].function) == (1, "rudder")
    board.take_roster(roster(6), {})
    assert board.alone[0].missed == 0
    assert board.at(5) is None


def test_one_with_a_list_of_its_own_is_shown_by_it() -> None:
    scenario = """
title = "one that differs"
[model.m]

[[actuator]]
label = "a"
model = "m"
address = 7
lacks = ["travel", "loss-action"]
own = [{ name = "notch", high = 900, unit = "0.1 Hz" }]
settings = { notch = 4.5 }
"""
    with Link(parse(scenario).build(1).host) as link:
        seen = link.run(survey())
    board = Board()
    board.take_roster(seen.roster, {})
    board.read(seen.snapshots[board.alone[0].uid])
    tile = tile_json(board.alone[0])
    assert tile["settings"]["notch"] == {"text": "4.5 Hz", "stored_value": "4.5 Hz"}
    assert "travel" not in tile["settings"]
    assert "travel_deg" not in tile
    assert [one.loss_action for one in board.actuators() or ()] == [""]


def logged(scenario: str) -> tuple[LineLog, list[dict[str, Any]]]:
    port, _ = live(scenario)
    port.bus.line.record = []
    log = LineLog()
    with Link(port) as link:
        link.run(find())
    port.bus.kernel.run_until(port.now_ns() + 50 * MS)
    log.drain(port.bus, routine=False)
    news = log.news()
    assert news is not None
    return log, news["entries"]


def test_the_log_holds_everything_that_was_driven_with_who_did() -> None:
    log, entries = logged("bench-four")
    assert entries[0]["source"] == "host"
    assert entries[0]["title"] == "roll call"
    assert {row["title"] for row in entries} >= {"roll call", "roll call reply", "member list"}
    assert [row["n"] for row in entries] == sorted({row["n"] for row in entries})
    for row in entries:
        told = log.explain(row["n"])
        assert told is not None
        assert told["pieces"]
    assert log.explain(10**6) is None
    assert log.news() is None


def test_what_is_still_on_the_line_waits_for_its_end() -> None:
    port, _ = live()
    bus, log = port.bus, LineLog()
    bus.line.record = []
    bus.host.write(bytes(20))
    bus.kernel.run_until(MS)
    log.drain(bus, routine=False)
    assert log.news() is None
    bus.kernel.run_until(10 * MS)
    log.drain(bus, routine=False)
    news = log.news()
    assert news is not None
    assert news["entries"][0]["size_bytes"] == 20


def test_what_comes_faster_than_it_is_shown_is_counted() -> None:
    log = LineLog()
    frame = Frame(3, 0, 1, 0x44, b"")
    for number in range(1000):
        log.seen(number, True, frame, routine=False)
    news = log.news()
    assert news is not None
    assert len(news["entries"]) + news["left_out"] == 1000


def test_a_round_of_polling_is_one_entry() -> None:
    log = LineLog()
    log.seen(0, True, Frame(3, 0, 1, 0x44, b""), routine=True)
    for number in range(1, 10):
        log.seen(number, False, Frame(0, number, 1, 0x44, b"", tag=1), routine=True)
    log.end_round()
    news = log.news()
    assert news is not None
    assert [row["title"] for row in news["entries"]] == ["polling: 1 asked, 9 answered"]


@pytest.mark.parametrize(
    ("host", "is_ours", "when_open"),
    [
        ("127.0.0.1:8765", True, True),
        ("localhost:8765", True, True),
        ("[::1]:8765", True, True),
        ("127.0.0.1", False, False),
        ("127.0.0.1:1", False, False),
        ("192.168.1.5:8765", False, True),
        ("rebound.example:8765", False, False),
        ("127.0.0.1.example:8765", False, False),
        ("127.0.0.1:8765/x", False, False),
        ("127.0.0.1:x", False, False),
        ("", False, False),
    ],
)
def test_only_our_own_names_pass_as_host(host: str, is_ours: bool, when_open: bool) -> None:
    assert Doors("t", 8765).is_ours(host) is is_ours
    assert Doors("t", 8765, is_open=True).is_ours(host) is when_open


@pytest.mark.parametrize("text", ["", "8765", ":8765", "127.0.0.1:", "127.0.0.1:70000", "127.0.0.1:x", "a:b:c"])
def test_listen_wants_host_and_port(text: str) -> None:
    with pytest.raises(InputError, match="HOST:PORT"):
        parse_endpoint("--listen", text, 8765, True)


@pytest.mark.parametrize("text", ["0.0.0.0:8765", "192.168.1.5:8765", "[::]:8765", "bench.example:8765"])
def test_listen_refuses_what_others_could_reach_unless_told(text: str) -> None:
    with pytest.raises(InputError, match="--open-to-network"):
        parse_endpoint("--listen", text, 8765, False)
    assert parse_endpoint("--listen", text, 8765, True)[1] == 8765


@pytest.mark.parametrize("url", ["sim://", "sim://hauler?seed=x", "sim://hauler?tree=1"])
def test_a_bad_virtual_url_is_bad_input(url: str) -> None:
    with pytest.raises(InputError):
        port_opener(url, None, None)


def test_a_virtual_bus_has_the_rate_of_its_scenario_unless_told() -> None:
    assert port_opener("sim://full-line", None, None)().baud == 1_000_000
    assert port_opener("sim://full-line", 57_600, None)().baud == 57_600
