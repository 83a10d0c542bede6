"""Playing back: the same bus answers as recorded, of another the first difference is told; the bus that answers."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from busproto.capture.pcapng import Capture, Packet, read
from busproto.capture.pieces import kind_of
from busproto.capture.recorder import RecordingTransport
from busproto.capture.replay import HostReplay, RecordedBus, bursts, disturbing, frame_difference, is_quiet
from busproto.errors import PortClosedError
from busproto.ops import Link, describe, find, report
from busproto.sim.bus import VirtualBus
from busproto.sim.scene.scenario import load
from busproto.wire import Decoder, Frame, encode_frame, message_of, reply_frame, request_frame
from busproto.wire import messages as m
from tests.capture.make import CAPTURES, MADE, Made
from tests.ops.helpers import DyingPort, HookedPort

MS = 1_000_000
ASK = request_frame(m.Release(), 5, 7)


def shipped(name: str) -> Capture:
    return read(CAPTURES / f"{name}.pcapng")


# --- as the host ---


@pytest.mark.parametrize("made", MADE, ids=lambda made: made.name)
def test_on_the_same_bus_all_is_as_recorded(made: Made) -> None:
    outcome = HostReplay(made.bus().host, shipped(made.name)).run()
    assert outcome.differences == []
    assert outcome.asked == len(bursts(shipped(made.name)))


def test_another_bus_answers_otherwise_and_the_first_difference_comes_first() -> None:
    bus = load("bench-four").build(1)
    bus.labelled("addressed").power_off()
    capture = recorded(lambda link: [link.run(report(3)), link.run(describe(3))])
    outcome = HostReplay(bus.host, capture).run()
    assert [one.text for one in outcome.differences] == [
        "no report reply from 3: 0, were 1",
        "no describe reply from 3: 0, were 1",
    ]
    assert (outcome.differences[0].packet, outcome.differences[0].asked) == (1, "report to address 3")


def recorded(run: object, scenario: str = "bench-four") -> Capture:
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.pcapng"
        with Link(RecordingTransport(load(scenario).build(1).host, path)) as link:
            run(link)  # type: ignore[operator]
        return read(path)


def test_a_field_that_differs_is_told_and_may_be_ignored() -> None:
    def later() -> VirtualBus:
        bus = load("bench-four").build(1)
        bus.labelled("addressed").arm.hand(20.0, 1, bus.kernel.now_ns)
        bus.kernel.run_until(500 * MS)
        return bus

    capture = recorded(lambda link: link.run(report(3)))
    (found,) = HostReplay(later().host, capture).run().differences
    assert found.text == (
        "report reply from 3: status.position_cdeg is 20.00 deg, was 4.00 deg; "
        "status.demand_cdeg is 20.00 deg, was 4.00 deg"
    )
    ignored = frozenset({"position_cdeg", "status.demand_cdeg"})
    assert HostReplay(later().host, capture, ignored).run().differences == []


def test_one_that_moves_leaves_all_limp_also_when_it_is_interrupted() -> None:
    made = next(one for one in MADE if one.name == "signal-loss")
    bus = made.bus()
    port = HookedPort(bus.host, lambda _: None)
    HostReplay(port, shipped("signal-loss")).run()
    assert isinstance(port.sent[-1], m.Release)
    bus = made.bus()

    def interrupt(message: m.Message) -> None:
        if isinstance(message, m.DemandAll):
            raise KeyboardInterrupt

    port = HookedPort(bus.host, interrupt)
    with pytest.raises(KeyboardInterrupt):
        HostReplay(port, shipped("signal-loss")).run()
    assert isinstance(port.sent[-1], m.Release)
    assert {one.state for one in bus.actuators} == {m.State.RELEASED}


def test_one_that_only_looks_sends_nothing_of_its_own() -> None:
    port = HookedPort(load("tow-plane").build(1).host, lambda _: None)
    HostReplay(port, shipped("find-tow-plane")).run()
    sent = [kind_of(one.data).frame for one in shipped("find-tow-plane").packets if one.is_sent]
    assert port.sent == [message_of(one) for one in sent if one is not None]


def test_a_port_that_goes_away_is_told_of() -> None:
    with pytest.raises(PortClosedError):
        HostReplay(DyingPort(load("tow-plane").build(1).host, 2), shipped("find-tow-plane")).run()


def test_what_moves_or_changes_something() -> None:
    assert disturbing(bursts(shipped("find-tow-plane"))) == {}
    assert disturbing(bursts(shipped("address-by-uid"))) == {"assign": 1}
    assert disturbing(bursts(shipped("settings"))) == {"write": 4, "commit": 1, "undo": 1}
    moving = {"engage": 4, "report round": 10, "demand all": 10, "release": 3}
    assert disturbing(bursts(shipped("signal-loss"))) == moving
    assert not is_quiet(Frame(5, 0, 1, 0xEE, b""))


def test_requests_of_one_burst_go_out_together() -> None:
    found = bursts(shipped("find-tow-plane"))
    assert [len(one.sent) for one in found] == [1, 1, 2, 1]
    assert [one.number for one in found] == [1, 14, 27, 31]


def test_another_kind_of_answer_is_told() -> None:
    good = reply_frame(m.Released(m.State.RELEASED), ASK, 5, 1)
    bad = reply_frame(m.Refused(m.Outcome.NOT_ADDRESSED, 0, 0), ASK, 5, 1)
    assert frame_difference(good, bad, ASK, frozenset()) == "a refusal came; it was a release reply"
    assert frame_difference(good, good, ASK, frozenset()) == ""


# --- as the bus ---


class Virtual:
    """A transport in virtual time at the far end of which a recorded bus answers."""

    url = "recorded"
    latency_ns = 0

    def __init__(self, capture: Capture) -> None:
        self.baud = capture.baud
        self.bus = RecordedBus(capture)
        self._now_ns = 0

    def write(self, data: bytes) -> None:
        self.bus.heard(data, self._now_ns)

    def read_until(self, deadline_ns: int) -> bytes:
        data = self.bus.take(self._now_ns)
        due_ns = self.bus.next_ns
        if not data:
            self._now_ns = max(self._now_ns, deadline_ns if due_ns is None else min(due_ns, deadline_ns))
            data = self.bus.take(self._now_ns)
        return data

    def now_ns(self) -> int:
        return self._now_ns

    def close(self) -> None:
        pass


def test_a_host_cannot_tell_it_from_the_real_bus() -> None:
    port = Virtual(shipped("find-tow-plane"))
    with Link(port) as link:
        roster = link.run(find(rng=random.Random(1)))
    assert roster.proven
    assert len(roster.found) == 11
    assert (port.bus.asked, port.bus.differences, port.bus.is_over) == (5, [], True)


def drained(port: Virtual) -> bytes:
    """All that is still to come; the line is silent then."""
    data = b""
    while port.bus.next_ns is not None:
        data += port.read_until(10**12)
    return data


def test_it_answers_with_the_sequence_of_the_request() -> None:
    port = Virtual(recorded(lambda link: [link.run(report(3)), link.run(describe(3))]))
    frame = request_frame(m.Report(), 3, 200)
    port.write(encode_frame(frame))
    echo, answer = (one for one in Decoder().feed(drained(port)) if isinstance(one, Frame))
    assert (echo, answer.sequence, answer.source) == (frame, 200, 3)
    assert port.bus.differences == []


def test_a_request_that_was_not_recorded_is_the_first_difference_and_gets_no_answer() -> None:
    port = Virtual(recorded(lambda link: [link.run(report(3)), link.run(describe(3))]))
    port.write(encode_frame(request_frame(m.Report(), 4, 1)))
    (found,) = port.bus.differences
    assert (found.packet, found.asked, found.text) == (1, "report to address 3", "report to address 4 came")
    assert drained(port) == encode_frame(request_frame(m.Report(), 4, 1))  # its echo, and no answer
    # it goes on from the next that is the same
    port.write(encode_frame(request_frame(m.Describe(), 3, 2)))
    (_, answer) = Decoder().feed(drained(port))
    assert isinstance(answer, Frame)
    assert isinstance(message_of(answer), m.Description)
    assert len(port.bus.differences) == 2


def test_the_same_with_another_content_says_so() -> None:
    ask = Packet(0, encode_frame(request_frame(m.Write(17, b"\x0f\x00"), 5, 1)), True)
    bus = RecordedBus(Capture("x", 115_200, (ask,), ""))
    bus.heard(encode_frame(request_frame(m.Write(17, b"\x10\x00"), 5, 1)), 0)
    assert bus.differences[0].text == "write to address 5 with another content came"
    bus.heard(ask.data, 0)
    bus.heard(ask.data, 0)
    assert [(one.packet, one.asked) for one in bus.differences[1:]] == [(0, "nothing more")]
    bus.heard(b"\x00abc\x00", 0)
    assert bus.differences[-1].text == "bytes that are not a frame came (too short)"
