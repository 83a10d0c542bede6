"""The virtual bus as a server: what it passes on and when, hosts that come and go, limits."""

from __future__ import annotations

import contextlib
import os
import random
import socket
import threading
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Any, Final

import pytest

from busproto.endpoints import REFUSAL
from busproto.errors import PortBusyError, PortClosedError
from busproto.ops import Link, Roster, describe, find
from busproto.sim import server
from busproto.sim.bus import VirtualBus
from busproto.sim.errors import LimitError, SimError
from busproto.sim.scene.scenario import load, parse
from busproto.sim.server import LONGEST_WAIT_S, Endpoint, PseudoTerminal, TcpPort, serve
from busproto.transport import SerialTransport, serial_port
from busproto.wire import BadFrame, Decoder, Frame, encode_frame, message_of, request_frame
from busproto.wire.messages import LinkTest, LinkTested, Report, Status
from tests.contract.ports import PATIENCE_S, served

MS = 1_000_000
REQUEST = encode_frame(request_frame(Report(), 3, 9))
BENCH_UIDS: Final = [f"b0a700000000010{digit}" for digit in "1234"]


# --- what is passed on, and when, by a clock of this test ---


@dataclass
class Script:
    """An endpoint at which a host sends what it was told to, when it was told to; its waits let the clock run.

    Attributes:
        sends: (time, bytes) of what the host sends.
        passed_on: (time, bytes) of what the host was given.
        waits_s: every time-out asked for.
    """

    sends: list[tuple[int, bytes]] = field(default_factory=list)
    passed_on: list[tuple[int, bytes]] = field(default_factory=list)
    waits_s: list[float] = field(default_factory=list)
    now_ns: int = 5_000_000_000
    name: str = "script"

    def wait(
        self, timeout_s: float, also: Sequence[Any] = (), behind: Sequence[Any] = (), *, takes: bool = True
    ) -> tuple[bytes, list[Any]]:
        assert not also
        assert not behind
        if not takes:
            self.waits_s.append(timeout_s)
            self.now_ns += max(1, round(timeout_s * 1e9))
            return b"", []
        self.waits_s.append(timeout_s)
        due_ns = self.now_ns + max(1, round(timeout_s * 1e9))
        if self.sends and self.sends[0][0] <= due_ns:
            at_ns, data = self.sends.pop(0)
            self.now_ns = max(self.now_ns, at_ns)
            return data, []
        self.now_ns = due_ns
        return b"", []

    def write(self, data: bytes) -> None:
        self.passed_on.append((self.now_ns, data))

    def close(self) -> None:
        pass

    def clock_ns(self) -> int:
        return self.now_ns


def run(bus: VirtualBus, script: Script, duration_ns: int) -> None:
    end_ns = bus.kernel.now_ns + duration_ns
    serve(bus, script, is_over=lambda now_ns: now_ns >= end_ns, clock_ns=script.clock_ns)


def test_echo_and_answer_are_passed_on_when_they_have_left_the_line() -> None:
    start_ns = 5_000_000_000
    script = Script([(start_ns + 10 * MS, REQUEST)])
    bus = load("bench-four").build(1)
    run(bus, script, 30 * MS)
    assert b"".join(data for _, data in script.passed_on).startswith(REQUEST)
    # 14 bytes at 115 200 Bd last 1,215,277 ns; the answer of 36 bytes begins 100..130 us later and lasts 3,125,000,
    # by a clock that is wrong by up to 1 %
    (echo_ns, echo), (answer_ns, answer) = script.passed_on
    assert (echo_ns, echo) == (start_ns + 10 * MS + 1_215_277, REQUEST)
    (frame,) = Decoder().feed(answer)
    assert isinstance(frame, Frame)
    (clock_ppm,) = [one.clock_ppm for one in bus.actuators if one.address == frame.source]
    assert 0 < abs(clock_ppm) <= 10_000
    lasts_ns = 3_125_000 * 1_000_000 // (1_000_000 + clock_ppm)
    assert 100_000 <= answer_ns - echo_ns - lasts_ns <= 131_000
    assert isinstance(message_of(frame), Status)


def test_it_waits_no_longer_than_until_the_next_thing_happens() -> None:
    script = Script([(5_000_000_000, REQUEST)])
    run(load("bench-four").build(1), script, 1_000 * MS)
    assert max(script.waits_s) == LONGEST_WAIT_S
    assert min(script.waits_s) >= 0
    assert any(0 < wait_s < 0.01 for wait_s in script.waits_s)


def test_the_same_bytes_as_in_virtual_time() -> None:
    bus = load("bench-four").build(1)
    bus.kernel.run_until(10 * MS)
    bus.host.write(REQUEST)
    bus.kernel.run_until(40 * MS)
    script = Script([(5_000_000_000 + 10 * MS, REQUEST)])
    run(load("bench-four").build(1), script, 40 * MS)
    assert b"".join(data for _, data in script.passed_on) == bus.host.take()


def test_is_over_is_given_the_virtual_time() -> None:
    times: list[int] = []
    script = Script()

    def is_over(now_ns: int) -> bool:
        times.append(now_ns)
        return now_ns >= 400 * MS

    serve(load("bench-four").build(1), script, is_over=is_over, clock_ns=script.clock_ns)
    assert times == [0, 250 * MS, 500 * MS]


@pytest.mark.parametrize(("limit", "says"), [("frames = 2", "more than 2 frames"), ("seconds = 1", "more than 1 sec")])
def test_a_limit_of_the_scenario_ends_the_server(limit: str, says: str) -> None:
    text = f'title = "t"\n[limits]\n{limit}\n[model.m]\n[[actuator]]\nlabel = "a"\nmodel = "m"\naddress = 3\n'
    script = Script([(5_000_000_000 + number * 100 * MS, REQUEST) for number in range(3)])
    with pytest.raises(LimitError, match=says):
        run(parse(text).build(1), script, 10_000 * MS)
    assert script.passed_on


# --- a pseudo-terminal ---


def test_pseudo_terminal_passes_bytes_both_ways() -> None:
    terminal = PseudoTerminal()
    try:
        assert terminal.wait(0)[0] == b""
        host = os.open(terminal.name, os.O_RDWR | os.O_NOCTTY)
        assert os.isatty(host)
        every = bytes(range(256))
        os.write(host, every)
        data = b""
        while len(data) < len(every):
            data += terminal.wait(PATIENCE_S)[0]
        assert data == every
        terminal.write(every)
        back = b""
        while len(back) < len(every):
            back += os.read(host, 4096)
        assert back == every
        os.close(host)
    finally:
        terminal.close()


def test_pseudo_terminal_outlives_its_host() -> None:
    terminal = PseudoTerminal()
    try:
        for word in (b"first", b"second"):
            host = os.open(terminal.name, os.O_RDWR | os.O_NOCTTY)
            os.write(host, word)
            data = b""
            while len(data) < len(word):
                data += terminal.wait(PATIENCE_S)[0]
            assert data == word
            os.close(host)
    finally:
        terminal.close()


def test_pseudo_terminal_does_not_wait_for_a_host_that_does_not_read() -> None:
    terminal = PseudoTerminal()
    try:
        for _ in range(100):
            terminal.write(bytes(range(256)) * 16)
        host = os.open(terminal.name, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        assert os.read(host, 256) == bytes(range(256))  # what fitted is there, in order; the rest is lost
        os.close(host)
    finally:
        terminal.close()


# --- a TCP port ---


def connected(port: TcpPort) -> socket.socket:
    host, _, number = port.name.removeprefix("socket://").partition(":")
    client = socket.create_connection((host, int(number)))
    client.settimeout(PATIENCE_S)
    return client


def taken(port: Endpoint, count: int) -> bytes:
    data = b""
    while len(data) < count:
        data += port.wait(PATIENCE_S)[0]
    return data


@pytest.fixture
def port() -> TcpPort:
    return TcpPort("127.0.0.1", 0)


def test_tcp_serves_one_host_after_another(port: TcpPort) -> None:
    try:
        port.write(b"no client yet")
        for word in (b"first", b"second", b"third"):
            with connected(port) as client:
                client.sendall(word)
                assert taken(port, len(word)) == word
                port.write(word[::-1])
                assert client.recv(100) == word[::-1]
            assert port.wait(PATIENCE_S)[0] == b""  # it has gone
            port.write(b"no client any more")
    finally:
        port.close()


def test_tcp_tells_a_second_host_who_is_there_and_the_first_notices_nothing(
    port: TcpPort, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A second one in our transport, and one that only reads bytes; whoever comes after the first is let in."""
    try:
        with connected(port) as first:
            first.sendall(b"one")
            assert taken(port, 3) == b"one"
            there = ":".join(map(str, first.getsockname()))
            transport = SerialTransport(port.name)  # this server is slow to say it: only now
            transport.write(b"me too")
            assert port.wait(PATIENCE_S)[0] == b""
            with pytest.raises(PortClosedError, match=f"another host is connected, host {there} .since 20"):
                transport.read_until(transport.now_ns() + round(PATIENCE_S * 1000) * MS)
            transport.close()
            monkeypatch.setattr(serial_port, "REFUSAL_WAIT_S", PATIENCE_S)
            with ThreadPoolExecutor(1) as pool:
                is_over = threading.Event()
                serving = pool.submit(lambda: [port.wait(LONGEST_WAIT_S)[0] for _ in iter(is_over.is_set, True)])
                try:
                    with pytest.raises(PortBusyError, match=f"is in use by host {there} .since 20") as caught:
                        SerialTransport(port.name)
                finally:
                    is_over.set()
                assert not any(serving.result())
            assert caught.value.url == port.name
            with connected(port) as plain:
                assert port.wait(PATIENCE_S)[0] == b""
                said = plain.makefile("rb").read().decode()  # to its end: it was hung up
                assert said.startswith(f"{REFUSAL}host {there} ")
                assert said.endswith("\n")
                assert "\0" not in said  # nothing that ends a frame
            port.write(b"back")
            assert first.recv(100) == b"back"
        with connected(port) as third:  # that one has gone, but its end is seen only now
            third.sendall(b"three")
            assert taken(port, 5) == b"three"
    finally:
        port.close()


def test_tcp_keeps_little_of_those_that_were_refused(port: TcpPort) -> None:
    try:
        with contextlib.ExitStack() as stack:
            first = stack.enter_context(connected(port))
            for _ in range(3 * server.MAX_LEAVING):
                stack.enter_context(connected(port))
                port.wait(PATIENCE_S)
            assert len(port._leaving) == server.MAX_LEAVING
            first.sendall(b"still here")
            assert taken(port, 10) == b"still here"
    finally:
        port.close()


def test_tcp_lets_go_of_a_host_that_is_gone_when_it_writes(port: TcpPort) -> None:
    try:
        with connected(port) as client:
            client.sendall(b"1")
            assert taken(port, 1) == b"1"
        for _ in range(10_000):
            port.write(bytes(100))
        with connected(port) as client:
            client.sendall(b"2")
            assert taken(port, 1) == b"2"
    finally:
        port.close()


@pytest.mark.parametrize("kind", ["terminal", "tcp"])
def test_what_a_host_does_not_read_is_dropped_and_told(kind: str) -> None:
    told: list[str] = []
    port: Endpoint = PseudoTerminal(told.append) if kind == "terminal" else TcpPort("127.0.0.1", 0, told.append)
    try:
        if isinstance(port, TcpPort):
            host = connected(port)
            host.sendall(b"1")
            assert taken(port, 1) == b"1"
        for _ in range(64):
            port.write(bytes(1 << 20))
        assert told == ["the host does not read: bytes for it are dropped until it reads"]
        if isinstance(port, TcpPort):
            assert port._client is not None
            assert len(port._client.owed) <= server.MAX_UNREAD_BYTES
            host.close()
    finally:
        port.close()
    _, last = told
    dropped = int(last.partition(" ")[0])
    assert (64 << 20) // 2 < dropped < 64 << 20
    assert last == f"{dropped} bytes were dropped that the host did not read"


def test_what_the_line_has_no_time_for_is_left_with_the_host() -> None:
    """A host that writes without end: what waits for the line stays small."""
    script = Script([(5_000_000_000, bytes([1]) * 4096)] * 1000)
    bus = load("bench-four").build(1)
    most_ns = 0

    def is_over(now_ns: int) -> bool:
        nonlocal most_ns
        most_ns = max(most_ns, bus.host.sent_at_ns - now_ns)
        return now_ns >= 2_000 * MS

    serve(bus, script, is_over=is_over, clock_ns=script.clock_ns)
    piece_ns = 4096 * 10 * 1_000_000_000 // 115_200
    assert server.MAX_BACKLOG_NS <= most_ns <= server.MAX_BACKLOG_NS + piece_ns + MS
    assert 990 <= len(script.sends) < 1000


def test_tcp_port_in_use(port: TcpPort) -> None:
    host, _, number = port.name.removeprefix("socket://").partition(":")
    try:
        with pytest.raises(SimError, match=f"cannot listen at {host}:{number}: "):
            TcpPort(host, int(number))
    finally:
        port.close()


# --- in real time, end to end ---


def endpoint_of(kind: str) -> Endpoint:
    return PseudoTerminal() if kind == "terminal" else TcpPort("127.0.0.1", 0)


@pytest.mark.realtime
@pytest.mark.parametrize("kind", ["terminal", "tcp"])
def test_an_answer_comes_through(kind: str) -> None:
    request = encode_frame(request_frame(LinkTest(b"through"), 3, 1))
    with served(load("bench-four").build(1), endpoint_of(kind)) as name:
        transport = SerialTransport(name)
        try:
            transport.write(request)
            decoder = Decoder()
            frames: list[Frame | BadFrame] = []
            while len(frames) < 2:
                frames += decoder.feed(transport.read_until(transport.now_ns() + 60_000 * MS))
        finally:
            transport.close()
    echo, answer = frames
    assert isinstance(echo, Frame)
    assert isinstance(answer, Frame)
    assert encode_frame(echo) == request
    assert message_of(answer) == LinkTested(b"through")


@pytest.mark.realtime
@pytest.mark.parametrize("kind", ["terminal", "tcp"])
def test_the_whole_bench_is_found_in_real_time(kind: str) -> None:
    """A machine that stalls for longer than the latency allowed may make a list unproven, never wrong."""

    def proven(name: str) -> tuple[Roster, str]:
        for _ in range(20):
            with Link(SerialTransport(name, latency_ns=150 * MS)) as link:
                roster = link.run(find(rng=random.Random(3)))
                if roster.proven:
                    return roster, link.run(describe(3)).model
        pytest.fail("never proven in 20 searches")

    with served(load("bench-four").build(1), endpoint_of(kind)) as name:
        roster, model = proven(name)
    assert sorted(one.uid.hex() for one in roster.found) == BENCH_UIDS
    assert set(roster.clashes) == {7}
    assert model == "bench 25"
