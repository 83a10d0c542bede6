"""The virtual bus as a pyserial port. Time is virtual: an hour of time-out passes at once."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import serial
from serial.serialutil import PortNotOpenError, SerialException

import busproto.sim
from busproto.sim.handlers.protocol_sim import Serial, SimUrl, parse_url
from busproto.wire import Decoder, Frame, encode_frame, message_of, request_frame
from busproto.wire import messages as m
from busproto.wire.frame import BROADCAST_ADDRESS

MS = 1_000_000
BYTE_NS = 86_805
FRAME_14_NS = 1_215_277
REPORT = encode_frame(request_frame(m.Report(), 3, 9))

MakePort = Callable[..., Serial]


@pytest.fixture(name="make_port")
def _make_port() -> Iterator[MakePort]:
    """Opens ports, and closes them at the end."""
    made: list[Serial] = []

    def make(url: str = "sim://bench-four?seed=1", *, baudrate: int = 115_200, **more: Any) -> Serial:
        port = serial.serial_for_url(url, baudrate=baudrate, **more)
        assert isinstance(port, Serial)
        made.append(port)
        return port

    yield make
    for port in made:
        port.close()


def read_all(port: Serial) -> bytes:
    """Read until nothing comes within the time-out."""
    data = b""
    while more := port.read(1000):
        data += more
    return data


def replies(data: bytes) -> list[Frame]:
    return [one for one in Decoder().feed(data) if isinstance(one, Frame) and one.is_reply]


# --- opening ---------------------------------------------------------------------------------------------------


def test_importing_sim_makes_pyserial_know_the_scheme_once() -> None:
    busproto.sim.register()
    busproto.sim.register()
    assert serial.protocol_handler_packages.count("busproto.sim.handlers") == 1


def test_a_port_is_open_and_its_bus_is_at_time_zero(make_port: MakePort) -> None:
    port = make_port()
    assert (port.is_open, port.monotonic_ns(), port.latency_ns) == (True, 0, 0)
    assert port.bus is not None
    assert [one.label for one in port.bus.actuators] == ["addressed", "fresh", "one of seven", "other of seven"]
    assert port.bus.line.baud == 115_200


def test_a_port_that_is_not_to_be_opened_yet(make_port: MakePort) -> None:
    port = make_port(do_not_open=True)
    assert (port.is_open, port.bus) == (False, None)
    port.open()
    assert port.monotonic_ns() == 0


def test_each_opening_makes_a_new_bus(make_port: MakePort) -> None:
    port = make_port(timeout=1)
    port.write(REPORT)
    first = read_all(port)
    port.close()
    port.open()
    assert port.monotonic_ns() == 0
    assert port.in_waiting == 0
    port.write(REPORT)
    assert read_all(port) == first


def test_a_scenario_file_by_its_path(make_port: MakePort, tmp_path: Path) -> None:
    path = tmp_path / "my own.toml"
    path.write_text('title="t"\nsupply=5.0\n[model.m]\n[[actuator]]\nlabel="a"\nmodel="m"\naddress=3\n', "utf-8")
    port = make_port(f"sim://{path}".replace(" ", "%20") + "?seed=3", timeout=0.1)
    port.write(REPORT)
    (reply,) = replies(read_all(port))
    status = message_of(reply)
    assert isinstance(status, m.Status)
    assert status.supply_mv == 5000


@pytest.mark.parametrize(
    ("url", "parts"),
    [
        ("sim://tow-plane", ("tow-plane", 0)),
        ("sim://tow-plane?seed=7", ("tow-plane", 7)),
        ("sim:///tmp/a%20b.toml?seed=9223372036854775807", ("/tmp/a b.toml", 2**63 - 1)),
        ("sim://folder/file.toml", ("folder/file.toml", 0)),
        ("sim://file.toml?native-code=yes&seed=2", ("file.toml", 2, True)),
    ],
)
def test_parts_of_a_url(url: str, parts: tuple[str, int, bool]) -> None:
    assert parse_url(url) == SimUrl(*parts)


@pytest.mark.parametrize(
    ("url", "text"),
    [
        ("sim://", "'sim://' is not of the form sim://SCENARIO?seed=N: no scenario"),
        ("sim://?seed=1", "'sim://?seed=1' is not of the form sim://SCENARIO?seed=N: no scenario"),
        ("sim://twins?sed=1", "'sim://twins?sed=1' is not of the form sim://SCENARIO?seed=N: unknown 'sed'"),
        ("sim://twins?seed=-1", "'sim://twins?seed=-1': seed is a whole number 0..9223372036854775807"),
        ("sim://twins?seed=", "'sim://twins?seed=': seed is a whole number 0..9223372036854775807"),
        ("sim://twins?seed=one", "'sim://twins?seed=one': seed is a whole number 0..9223372036854775807"),
        ("sim://twins?seed=1.5", "'sim://twins?seed=1.5': seed is a whole number 0..9223372036854775807"),
        (
            "sim://twins?seed=9223372036854775808",
            "'sim://twins?seed=9223372036854775808': seed is a whole number 0..9223372036854775807",
        ),
        ("sim://twins?native-code=no", "'sim://twins?native-code=no': native-code is 'yes', or is left out"),
        ("sim://twins?seed=1&seed=2", "'sim://twins?seed=1&seed=2': seed is a whole number 0..9223372036854775807"),
        (
            "sim://nothing?seed=1",
            "scenario 'nothing': no such file, and none is shipped by that name "
            "(bench-four, full-line, hauler, motor-glider, rudder-gang, taxi, tow-plane, twins)",
        ),
    ],
)
def test_a_url_that_cannot_be_used(make_port: MakePort, url: str, text: str) -> None:
    with pytest.raises(SerialException) as caught:
        make_port(url)
    assert str(caught.value) == text


def test_a_scenario_with_a_mistake(make_port: MakePort, tmp_path: Path) -> None:
    path = tmp_path / "bad.toml"
    path.write_text('title="t"\nsupply=99\n[model.m]\n[[actuator]]\nlabel="a"\nmodel="x"\n', "utf-8")
    with pytest.raises(SerialException, match=r"bad\.toml': line \d+: supply: must be <= 60\.0$"):
        make_port(f"sim://{path}")


def test_a_port_that_failed_to_open_is_closed(make_port: MakePort) -> None:
    port = make_port(do_not_open=True)
    port.port = "sim://nothing"
    with pytest.raises(SerialException):
        port.open()
    assert not port.is_open
    with pytest.raises(PortNotOpenError):
        port.read()


def test_opening_twice_is_refused(make_port: MakePort) -> None:
    port = make_port()
    with pytest.raises(SerialException, match="already open"):
        port.open()


def test_a_closed_port_does_nothing(make_port: MakePort) -> None:
    port = make_port(timeout=1)
    port.close()
    port.close()
    actions: list[Callable[[], object]] = [
        port.read,
        lambda: port.write(b"x"),
        port.flush,
        port.reset_input_buffer,
        port.reset_output_buffer,
        lambda: port.in_waiting,
        lambda: port.out_waiting,
        port.monotonic_ns,
    ]
    for action in actions:
        with pytest.raises(PortNotOpenError):
            action()


def test_it_can_be_used_in_a_with_statement() -> None:
    with serial.serial_for_url("sim://bench-four?seed=1", baudrate=115_200, timeout=0.1) as port:
        port.write(REPORT)
        assert port.read(14) == REPORT
    assert not port.is_open


# --- reading ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("timeout_s", [0.0005, 0.25, 3600.0])
def test_a_time_out_passes_in_virtual_time(make_port: MakePort, timeout_s: float) -> None:
    port = make_port(timeout=timeout_s)
    assert port.read(1) == b""
    assert port.monotonic_ns() == round(timeout_s * 1e9)


def test_a_read_ends_with_the_last_byte_asked_for(make_port: MakePort) -> None:
    """The echo of 14 bytes is complete after 1,215,277 ns; what is left is read without time passing."""
    port = make_port(timeout=5)
    port.write(REPORT)
    assert port.read(4) == REPORT[:4]
    assert port.monotonic_ns() == FRAME_14_NS
    assert port.read(10) == REPORT[4:]
    assert port.monotonic_ns() == FRAME_14_NS


def test_a_read_brings_what_came_within_the_time_out(make_port: MakePort) -> None:
    port = make_port(timeout=0.0013)
    port.write(REPORT)
    assert port.read(100) == REPORT
    assert port.monotonic_ns() == 1_300_000


def test_a_time_out_within_a_frame_brings_its_complete_bytes(make_port: MakePort) -> None:
    """Ten bytes take 868,055 ns."""
    port = make_port(timeout=0.0009)
    port.write(REPORT)
    assert port.read(100) == REPORT[:10]
    assert port.read(4) == REPORT[10:]


def test_the_answer_of_an_actuator(make_port: MakePort) -> None:
    """Four actuators on the bench: the one at address 3 stands at 4 deg, supplied with 6.6 V."""
    port = make_port(timeout=0.1)
    port.write(REPORT)
    data = read_all(port)
    (reply,) = replies(data)
    status = message_of(reply)
    assert isinstance(status, m.Status)
    assert (reply.source, reply.sequence, status.position_cdeg, status.supply_mv) == (3, 9, 400, 6600)
    assert data[:14] == REPORT


def test_events_of_the_scenario_happen_while_a_read_waits(make_port: MakePort) -> None:
    """A hand moves the arm from 4 to 25 deg at 2 s."""
    port = make_port(timeout=3)
    assert port.read() == b""
    port.timeout = 0.1
    port.write(REPORT)
    status = message_of(replies(read_all(port))[0])
    assert isinstance(status, m.Status)
    assert status.position_cdeg == 2500


def test_without_a_time_out_a_read_waits_for_the_last_byte(make_port: MakePort) -> None:
    port = make_port(timeout=None)
    port.write(REPORT)
    assert len(port.read(14 + 18)) == 32
    assert port.monotonic_ns() < 5 * MS


def test_without_a_time_out_a_read_on_an_idle_bus_fails(make_port: MakePort) -> None:
    port = make_port("sim://full-line", timeout=None)
    with pytest.raises(SerialException) as caught:
        port.read()
    assert str(caught.value) == "nothing will ever arrive: the virtual bus is idle; read with a time-out"


def test_events_that_bring_no_bytes_do_not_help_it(make_port: MakePort) -> None:
    """The last event of this scenario is at 60 s."""
    port = make_port(timeout=None)
    with pytest.raises(SerialException, match="nothing will ever arrive"):
        port.read()
    assert port.monotonic_ns() == 60_000 * MS


def test_the_limits_of_the_scenario_end_a_run(make_port: MakePort, tmp_path: Path) -> None:
    path = tmp_path / "short.toml"
    path.write_text(
        'title="t"\n[limits]\nseconds=1\nframes=2\n[model.m]\n[[actuator]]\nlabel="a"\nmodel="m"\n', "utf-8"
    )
    port = make_port(f"sim://{path}", timeout=0.2)
    port.write(b"x")
    port.read()
    port.write(b"x")
    port.read()
    with pytest.raises(SerialException, match=r"more than 2 frames \(limits\.frames in the scenario\)$"):
        port.write(b"x")
    port.timeout = 2
    with pytest.raises(SerialException, match=r"more than 1 seconds \(limits\.seconds in the scenario\)$"):
        port.read()


# --- looking ---------------------------------------------------------------------------------------------------


def test_each_look_at_an_empty_buffer_lets_one_byte_time_pass(make_port: MakePort) -> None:
    port = make_port()
    assert [(port.in_waiting, port.monotonic_ns()) for _ in range(3)] == [
        (0, BYTE_NS),
        (0, 2 * BYTE_NS),
        (0, 3 * BYTE_NS),
    ]


def test_a_loop_that_only_looks_gets_its_answer(make_port: MakePort) -> None:
    port = make_port()
    port.write(REPORT)
    data, looks = b"", 0
    while not replies(data):
        looks += 1
        assert looks < 200
        if waiting := port.in_waiting:
            data += port.read(waiting)
    assert data[:14] == REPORT
    assert 14 < looks < 60


def test_a_look_at_waiting_bytes_takes_no_time(make_port: MakePort) -> None:
    port = make_port(timeout=1)
    port.write(REPORT)
    port.read(1)
    before_ns = port.monotonic_ns()
    assert (port.in_waiting, port.in_waiting) == (13, 13)
    assert port.monotonic_ns() == before_ns


def test_a_loop_of_reads_that_do_not_wait_gets_its_answer(make_port: MakePort) -> None:
    port = make_port(timeout=0)
    port.write(REPORT)
    data, reads = b"", 0
    while not replies(data):
        reads += 1
        assert reads < 200
        data += port.read(64)
    assert data[:14] == REPORT


# --- writing ---------------------------------------------------------------------------------------------------


def test_a_write_does_not_wait_and_a_flush_does(make_port: MakePort) -> None:
    port = make_port()
    assert port.write(REPORT) == 14
    assert (port.monotonic_ns(), port.out_waiting) == (0, 14)
    port.flush()
    assert (port.monotonic_ns(), port.out_waiting, port.in_waiting) == (FRAME_14_NS, 0, 14)
    port.flush()
    assert port.monotonic_ns() == FRAME_14_NS


@pytest.mark.parametrize(("passed_ns", "left"), [(0, 14), (1, 14), (86_804, 14), (86_806, 13), (1_215_276, 1)])
def test_bytes_not_yet_out_are_counted_until_they_are(make_port: MakePort, passed_ns: int, left: int) -> None:
    port = make_port(timeout=passed_ns / 1e9)
    port.write(REPORT)
    if passed_ns:
        port.read(100)
    assert port.monotonic_ns() == passed_ns
    assert port.out_waiting == left


@pytest.mark.parametrize("data", [b"\x01\x02", bytearray(b"\x01\x02"), memoryview(b"\x01\x02"), [1, 2]])
def test_whatever_stands_for_bytes_can_be_written(make_port: MakePort, data: Any) -> None:
    port = make_port(timeout=0.01)
    assert port.write(data) == 2
    assert port.read(10) == b"\x01\x02"


def test_text_cannot_be_written(make_port: MakePort) -> None:
    port = make_port()
    with pytest.raises(TypeError):
        port.write("text")


def test_writes_follow_each_other_on_the_line(make_port: MakePort) -> None:
    port = make_port(timeout=1)
    for part in (REPORT[:3], REPORT[3:4], REPORT[4:]):
        port.write(part)
    port.flush()
    assert port.read(14) == REPORT
    assert port.bus is not None
    assert port.bus.line.overlaps == 0


def test_the_input_can_be_thrown_away(make_port: MakePort) -> None:
    port = make_port(timeout=0.01)
    port.write(b"\x01\x02")
    port.flush()
    port.reset_input_buffer()
    assert port.read(10) == b""


def test_what_is_written_cannot_be_taken_back(make_port: MakePort) -> None:
    port = make_port(timeout=0.01)
    port.write(b"\x01\x02")
    port.reset_output_buffer()
    assert port.read(10) == b"\x01\x02"


# --- rate, lines -----------------------------------------------------------------------------------------------


def test_a_new_rate_holds_for_the_whole_line(make_port: MakePort) -> None:
    """14 bytes at 1 MBd take 140 us; the actuator answers at that rate too."""
    port = make_port(timeout=0.1)
    port.baudrate = 1_000_000
    port.write(REPORT)
    port.flush()
    assert port.monotonic_ns() == 140_000
    assert len(replies(read_all(port))) == 1


def test_the_rate_it_is_opened_with_is_that_of_the_line(make_port: MakePort) -> None:
    port = make_port(baudrate=250_000)
    assert port.bus is not None
    assert port.bus.line.baud == 250_000


def test_with_a_rate_of_zero_the_scenario_says_it(make_port: MakePort) -> None:
    port = make_port("sim://full-line", baudrate=0, timeout=1)
    port.timeout = 0.5
    port.write(REPORT)
    port.flush()
    assert port.monotonic_ns() == 140_000


def test_control_lines_are_accepted_and_have_no_effect(make_port: MakePort) -> None:
    port = make_port(timeout=0.1)
    port.rts, port.dtr, port.break_condition = False, False, True
    assert (port.cts, port.dsr, port.ri, port.cd) == (True, True, False, True)
    port.write(REPORT)
    assert len(replies(read_all(port))) == 1


# --- same seed -------------------------------------------------------------------------------------------------


def test_the_same_seed_gives_the_same_bytes_at_the_same_times(make_port: MakePort) -> None:
    heard = []
    for seed in (1, 1, 2):
        port = make_port(f"sim://tow-plane?seed={seed}", timeout=0.0001)
        log = []
        for salt in range(6):
            port.write(encode_frame(request_frame(m.RollCall(77, salt, 16, ()), BROADCAST_ADDRESS, salt)))
            log += [(port.monotonic_ns(), port.read(1000)) for _ in range(300)]
        heard.append(log)
    assert heard[0] == heard[1]
    assert heard[0] != heard[2]
    assert len(replies(b"".join(data for _, data in heard[0]))) > 6
