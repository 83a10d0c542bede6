"""Ports that are not there, or go away while in use; what the error says; ports that wake up for nothing."""

from __future__ import annotations

import os
import socket
import threading
import tty
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from serial.serialutil import SerialException

import busproto.sim
from busproto.errors import PortClosedError, PortUnavailableError, TransportError
from busproto.transport import SerialTransport, open_transport, serial_port
from tests.contract.ports import tcp_pair
from tests.contract.suite import FAR_NS, MS

assert busproto.sim.__name__ == "busproto.sim"


class Terminal:
    """A pseudo-terminal whose far end can be let go of."""

    def __init__(self) -> None:
        self.ours, theirs = os.openpty()
        tty.setraw(theirs)
        self.transport = SerialTransport(os.ttyname(theirs))
        os.close(theirs)
        self._is_open = True

    def vanish(self) -> None:
        if self._is_open:
            self._is_open = False
            os.close(self.ours)

    def __enter__(self) -> Terminal:
        return self

    def __exit__(self, *_: object) -> None:
        self.vanish()
        self.transport.close()


def is_one_line(text: str) -> bool:
    return text.strip() == text and text.isprintable()


def error_of(use: Callable[[], object]) -> PortClosedError:
    with pytest.raises(PortClosedError) as caught:
        use()
    return caught.value


def error_in_mid_read(transport: SerialTransport, vanish: Callable[[], None]) -> PortClosedError:
    """Vanish while (or just before) another thread reads."""
    errors: list[PortClosedError] = []
    reads = threading.Event()

    def read() -> None:
        reads.set()
        errors.append(error_of(lambda: transport.read_until(transport.now_ns() + FAR_NS)))

    thread = threading.Thread(target=read)
    thread.start()
    reads.wait()
    vanish()
    thread.join()
    (error,) = errors
    return error


# --- away while in use ---


def test_pseudo_terminal_whose_far_end_went() -> None:
    with Terminal() as terminal:
        url = terminal.transport.url
        terminal.vanish()
        for use in (lambda: terminal.transport.read_until(0), lambda: terminal.transport.write(b"\x00")):
            error = error_of(use)
            assert error.url == url
            assert error.done == ()
            assert str(error).startswith(f"port '{url}' went away: ")
            assert "done until then" not in str(error)
            assert is_one_line(str(error))


def test_pseudo_terminal_whose_far_end_goes_in_mid_read() -> None:
    with Terminal() as terminal:
        error = error_in_mid_read(terminal.transport, terminal.vanish)
        assert error.url == terminal.transport.url


def test_a_port_that_went_can_still_be_closed() -> None:
    with Terminal() as terminal:
        terminal.vanish()
        terminal.transport.close()
        assert error_of(lambda: terminal.transport.read_until(0)).reason == "it was closed"


def test_tcp_whose_far_end_went_brings_first_what_had_come() -> None:
    with tcp_pair() as (transport, far):
        far.sendall(b"last words")
        far.close()
        data = b""
        while len(data) < len(b"last words"):
            data += transport.read_until(transport.now_ns() + FAR_NS)
        assert data == b"last words"
        error = error_of(lambda: transport.read_until(transport.now_ns() + FAR_NS))
        assert error.url == transport.url
        assert is_one_line(str(error))


def test_tcp_whose_far_end_goes_in_mid_read() -> None:
    with tcp_pair() as (transport, far):
        error = error_in_mid_read(transport, lambda: far.shutdown(socket.SHUT_RDWR))
        assert error.url == transport.url


# pyserial does not close its socket where the far end has refused it; Python does, and warns
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_tcp_whose_far_end_went_takes_no_writes_for_long() -> None:
    def write_on(transport: SerialTransport) -> None:
        for _ in range(100_000):  # what the far system had not yet refused is lost, as on a line
            transport.write(b"\x00" * 100)

    with tcp_pair() as (transport, far):
        far.close()
        assert error_of(lambda: write_on(transport)).url == transport.url


LIMITED = """
title = "Stops soon"
[limits]
frames = 2
seconds = 3
[model."m"]
[[actuator]]
label = "only"
model = "m"
"""


@pytest.fixture
def limited(tmp_path: Path) -> str:
    path = tmp_path / "limited.toml"
    path.write_text(LIMITED, encoding="utf-8")
    return f"sim://{path}"


def test_a_virtual_bus_that_has_had_its_frames_is_a_port_that_went(limited: str) -> None:
    transport = open_transport(limited)
    transport.write(b"\x01")
    transport.read_until(transport.now_ns() + 10 * MS)
    transport.write(b"\x01")
    transport.read_until(transport.now_ns() + 10 * MS)
    error = error_of(lambda: transport.write(b"\x01"))
    assert error.reason == "the virtual bus stopped: more than 2 frames (limits.frames in the scenario)"
    transport.close()


def test_a_virtual_bus_that_has_had_its_time_is_a_port_that_went(limited: str) -> None:
    transport = open_transport(limited)
    assert transport.read_until(3_000 * MS) == b""
    error = error_of(lambda: transport.read_until(3_001 * MS))
    assert error.reason == "the virtual bus stopped: more than 3 seconds (limits.seconds in the scenario)"
    transport.close()


# --- not there ---


def closed_tcp_port() -> str:
    """The URL of a TCP port at which no program listens."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        return f"socket://127.0.0.1:{listener.getsockname()[1]}"


@pytest.mark.parametrize(
    ("url", "says"),
    [
        ("/dev/no-such-port-here", "No such file or directory"),
        ("", "No such file or directory"),
        ("nonsense://there", "protocol 'nonsense' not known"),
        ("sim://no-such-scenario", "none is shipped by that name"),
        ("sim://bench-four?seed=soon", "seed is a whole number"),
        ("sim://", "no scenario"),
        ("sim://bench-four?sead=1", "unknown 'sead'"),
    ],
)
def test_a_port_that_is_not_there(url: str, says: str) -> None:
    with pytest.raises(PortUnavailableError) as caught:
        open_transport(url)
    error = caught.value
    assert error.url == url
    assert isinstance(error, TransportError)
    assert str(error).startswith(f"cannot open port '{url}': ")
    assert says in str(error)
    assert str(error).endswith("; 'busproto ports' lists what is there")
    assert is_one_line(str(error))
    assert error.__cause__ is not None


def test_a_tcp_port_without_a_listener() -> None:
    url = closed_tcp_port()
    with pytest.raises(PortUnavailableError, match="Connection refused") as caught:
        open_transport(url)
    assert is_one_line(str(caught.value))


def test_a_file_that_is_no_port(tmp_path: Path) -> None:
    path = tmp_path / "file"
    path.write_bytes(b"")
    with pytest.raises(PortUnavailableError) as caught:
        open_transport(str(path))
    assert is_one_line(str(caught.value))


def test_a_scenario_with_many_faults_is_told_on_one_line(tmp_path: Path) -> None:
    path = tmp_path / "bad.toml"
    path.write_text('title = 1\n[line]\nbaud = 1\n[[actuator]]\nlabel = "a"\nmodel = "x"\n[model.x]\nsupply = [9, 1]\n')
    with pytest.raises(PortUnavailableError) as caught:
        open_transport(f"sim://{path}")
    assert is_one_line(str(caught.value))


def test_a_rate_that_cannot_be() -> None:
    with pytest.raises(PortUnavailableError):
        open_transport("loop://", -1)


# --- how a port waits ---


def test_latency_is_the_ports_own_or_as_told() -> None:
    for url, told, is_then in [
        ("sim://bench-four", None, 0),
        ("sim://bench-four", 7, 7),
        ("loop://", None, 20 * MS),
        ("loop://", 0, 0),
    ]:
        transport = open_transport(url, latency_ns=told)
        assert transport.latency_ns == is_then
        transport.close()


class SlowPort:
    """A port without a handle, whose reads let a clock of this test run."""

    def __init__(self, *, waits_for: float = 1.0, lasts: int = 1_000) -> None:
        self.timeout = 0.0
        self.now_ns = 0
        self.reads = 0
        self._share = waits_for
        self._lasts = lasts
        self.port = "slow"

    def open(self) -> None:
        pass

    def read(self, count: int) -> bytes:
        assert count == 1
        self.reads += 1
        if self.reads > self._lasts:
            raise SerialException("pulled")
        self.now_ns += max(1, round(self.timeout * 1e9 * self._share))
        return b""

    @property
    def in_waiting(self) -> int:
        return 0

    def close(self) -> None:
        pass


def slow(port: SlowPort, monkeypatch: pytest.MonkeyPatch) -> SerialTransport:
    def make(url: str, **_: Any) -> SlowPort:
        return port

    monkeypatch.setattr(serial_port, "serial", SimpleNamespace(serial_for_url=make, SerialException=SerialException))
    monkeypatch.setattr(serial_port, "time", SimpleNamespace(monotonic_ns=lambda: port.now_ns))
    return SerialTransport("slow")


def test_a_port_without_a_handle_waits_once(monkeypatch: pytest.MonkeyPatch) -> None:
    port = SlowPort()
    transport = slow(port, monkeypatch)
    assert transport.read_until(5 * MS) == b""
    assert (port.now_ns, port.reads) == (5 * MS, 1)


def test_a_port_that_wakes_up_early_waits_on(monkeypatch: pytest.MonkeyPatch) -> None:
    port = SlowPort(waits_for=0.5)
    transport = slow(port, monkeypatch)
    assert transport.read_until(5 * MS) == b""
    assert port.now_ns == 5 * MS
    assert port.reads > 1


def test_a_port_without_a_handle_that_is_pulled(monkeypatch: pytest.MonkeyPatch) -> None:
    port = SlowPort(lasts=0)
    transport = slow(port, monkeypatch)
    assert error_of(lambda: transport.read_until(5 * MS)).reason == "pulled"
