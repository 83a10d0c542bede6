"""Watching while a receiver demands: nothing is moved or cut into, and what came is kept as it was."""

from __future__ import annotations

import dataclasses
import random

import pytest

from busproto.ops.discovery.search import find
from busproto.ops.link import Link
from busproto.ops.moving.watching import (
    GAP_NS,
    LONGEST_WAIT_NS,
    SHARED,
    SILENT,
    Change,
    ListenBeforeTalk,
    Spread,
    Track,
    scan,
    watch,
)
from busproto.sim.actuators.actuator import Actuator
from busproto.sim.scene.sticks import LostTable, ReceiverTable, Sticks, StickTable, SwingTable
from busproto.transport.base import PortAround
from busproto.wire import messages as m
from busproto.wire.messages import State
from tests.ops.helpers import MS, Box, HookedPort, S, box, lasting

QUICK = {"soft_start": 0, "slew_limit": 20000}


def three(seed: int = 0) -> tuple[Box, list[Actuator]]:
    """At addresses 2, 40 and 239, on channels 1 to 3; the loss actions are limp, hold and preset."""
    made = box(seed)
    actuators = [
        made.add(number, address, channel=number, loss_action=number - 1, **QUICK)
        for number, address in enumerate((2, 40, 239), start=1)
    ]
    return made, actuators


def receiver(made: Box, **options: object) -> Sticks:
    swings = [SwingTable(amplitude=20.0 * channel, every=1.0) for channel in (1, 2, 3)]
    sticks = [StickTable(channel=channel, swing=swing) for channel, swing in enumerate(swings, start=1)]
    return Sticks(made.bus, ReceiverTable(stick=sticks, **options))  # type: ignore[arg-type]


def listen_before_talk(made: Box) -> tuple[ListenBeforeTalk, HookedPort]:
    """The link of the box listens before it talks; what it sends is kept."""
    hooked = HookedPort(made.bus.host, lambda _: None)
    port = ListenBeforeTalk(hooked)
    made.link = Link(port)
    return port, hooked


def tracks(*addresses: int) -> dict[int, Track]:
    return {address: Track(address) for address in addresses}


# --- with a receiver on the line -------------------------------------------------------------------------------


@pytest.mark.parametrize("per_second", [20, 50, 100])
@pytest.mark.parametrize("seed", range(3))
def test_it_neither_cuts_into_the_receiver_nor_is_cut_into(per_second: float, seed: int) -> None:
    made, actuators = three(seed)
    sticks = receiver(made, per_second=per_second)
    made.pass_time(random.Random(seed).randrange(500) * MS)
    port, _ = listen_before_talk(made)
    seen = tracks(2, 40, 239)
    made.run(watch(seen, 6 * S, pause_ns=0))
    assert port.hears_others
    assert made.bus.line.overlaps == 0
    assert sum(track.missed for track in seen.values()) == 0
    assert sum(track.asked for track in seen.values()) >= 5 * min(per_second, 50)
    # at 100 a second an answer and the room that a receiver keeps do not quite fit between two frames
    assert sticks.left_out <= (0 if per_second < 100 else sticks.sent / 40)
    # what each did is what its stick said: 20, 40 and 60 % of 60 deg to each side
    assert all(one.current_state() is State.FOLLOWING for one in actuators)
    for track, amplitude_cdeg in zip(seen.values(), (1200, 2400, 3600), strict=True):
        assert track.position.high == pytest.approx(amplitude_cdeg, abs=250)
        assert track.position.low == pytest.approx(-amplitude_cdeg, abs=250)
        assert abs(track.position.mean) < 400
        assert not track.lost_seen
        assert track.position.count == track.current.count == track.supply.count == track.temperature.count > 0
        assert 60 <= track.current.mean <= 4000  # holding, up to stall
        assert track.supply.mean == pytest.approx(7400, abs=100)


def test_a_loss_of_signal_is_seen_with_its_times() -> None:
    made, _ = three()
    receiver(made, lost=[LostTable(at=2.0, lasting=1.5)])
    made.pass_time(500 * MS)
    listen_before_talk(made)
    seen = tracks(2, 40, 239)
    made.run(watch(seen, 5 * S, pause_ns=0))
    for track, lost in zip(seen.values(), ("lost-limp", "lost-hold", "lost-preset"), strict=True):
        assert [change.state for change in track.changes] == ["following", lost, "following"]
        # the last demand came 1.48 s behind the begin of the watch, the time-out is 500 ms
        assert track.changes[1].at_ns == pytest.approx(1.98 * S, abs=0.1 * S)
        assert track.changes[2].at_ns == pytest.approx(3.0 * S, abs=0.1 * S)
        assert track.lost_seen
        assert not track.lost_before


def test_a_loss_too_short_to_be_seen_is_told_all_the_same() -> None:
    track = Track(2)
    track.heard(_status(State.FOLLOWING, faults=0), 0)
    track.heard(_status(State.FOLLOWING, faults=int(m.Fault.DEMAND_LOST)), 1)
    assert track.lost_seen
    assert [change.state for change in track.changes] == ["following"]


def test_a_loss_before_the_watch_is_told_apart() -> None:
    track = Track(2)
    for at_ns in (0, 1):
        track.heard(_status(State.FOLLOWING, faults=int(m.Fault.DEMAND_LOST)), at_ns)
    assert (track.lost_before, track.lost_seen) == (True, False)


def _status(state: State, faults: int = 0) -> m.Status:
    return m.Status(state, faults, 0, 0, 60, 7400, 2500, 0, 1, 0, 0)


def test_a_track_keeps_what_each_report_says_and_what_was_missed() -> None:
    track = Track(2)
    assert (track.state, track.asked, track.missed, track.lost_seen, track.lost_before) == ("", 0, 0, False, False)
    for at_ns, position_cdeg, current_ma, supply_mv, temperature_cdeg in (
        (1, -500, 60, 7400, 2500),
        (2, 700, 90, 7300, 2700),
    ):
        told = {"position_cdeg": position_cdeg, "current_ma": current_ma}
        told |= {"supply_mv": supply_mv, "temperature_cdeg": temperature_cdeg}
        track.heard(dataclasses.replace(_status(State.FOLLOWING), **told), at_ns)
    spreads = (track.position, track.current, track.supply, track.temperature)
    assert [(one.low, one.high, one.last, one.mean, one.count) for one in spreads] == [
        (-500, 700, 700, 100.0, 2),
        (60, 90, 90, 75.0, 2),
        (7300, 7400, 7300, 7350.0, 2),
        (2500, 2700, 2700, 2600.0, 2),
    ]
    for at_ns in (3, 4, 5, 6, 7):
        assert track.state == "following", "four in a row may be chance"
        track.no_answer(at_ns)
    assert (track.asked, track.missed) == (7, 5)
    track.is_shared(8)
    assert track.changes == [Change(1, "following"), Change(7, SILENT), Change(8, SHARED)]
    assert (track.lost_seen, track.lost_before) == (False, False)


def test_on_a_plain_port_it_loses_some_answers_and_goes_on() -> None:
    made, actuators = three()
    receiver(made, per_second=100)
    seen = tracks(2, 40, 239)
    passed_ns = made.run(watch(seen, 4 * S))
    assert passed_ns >= 4 * S
    assert all(track.missed < track.asked / 2 for track in seen.values())
    assert all(track.last is not None for track in seen.values())
    assert all(one.current_state() is State.FOLLOWING for one in actuators)


# --- alone on the line -----------------------------------------------------------------------------------------


def test_alone_it_leaves_room_and_is_quick_all_the_same() -> None:
    made, _ = three()
    port, hooked = listen_before_talk(made)
    seen = tracks(2, 40, 239)
    passed_ns = made.run(watch(seen, 1 * S, pause_ns=0))
    asked = sum(track.asked for track in seen.values())
    assert 1 * S <= passed_ns < 1 * S + 30 * MS
    assert 60 < asked < 1 * S / GAP_NS
    assert not port.has_heard_others
    assert len(hooked.sent) == asked


def test_nothing_is_changed_and_nothing_moves() -> None:
    made, actuators = three()
    _, hooked = listen_before_talk(made)
    before = [lasting(one) for one in actuators]
    found = made.run(scan())
    made.run(watch(tracks(*found), 2 * S, pause_ns=0))
    assert [lasting(one) for one in actuators] == before
    assert {type(request) for request in hooked.sent} == {m.Report, m.ReportRound}
    assert all(not one.demands for one in hooked.sent if isinstance(one, m.ReportRound))


def test_who_loses_power_is_silent_and_comes_back() -> None:
    made, actuators = three()
    seen = tracks(2, 40)
    made.bus.kernel.at(1 * S, actuators[1].power_off)
    made.bus.kernel.at(2 * S, actuators[1].power_on)
    made.run(watch(seen, 3 * S))
    assert [change.state for change in seen[40].changes] == ["limp", SILENT, "limp"]
    assert seen[40].changes[1].at_ns == pytest.approx(1 * S, abs=0.15 * S)
    assert seen[40].missed >= 5
    gone = Track(7)
    for turn in range(1, 7):
        gone.no_answer(turn)
    assert [(change.state, change.at_ns) for change in gone.changes] == [(SILENT, 5)]
    assert seen[2].missed == 0


def test_an_empty_line_is_nothing_to_watch() -> None:
    made = box()
    assert made.run(scan()) == ()
    assert made.run(watch({}, 5 * S)) == 0
    lonely = tracks(9)
    made.run(watch(lonely, 1 * S))
    assert (lonely[9].last, lonely[9].state) == (None, SILENT)
    assert lonely[9].missed == lonely[9].asked > 5


def test_two_at_one_address_are_no_report() -> None:
    made = box()
    made.add(1, 7)
    made.add(2, 7)
    seen = tracks(7)
    made.run(watch(seen, 1 * S))
    assert seen[7].last is None
    assert seen[7].state == SILENT, "their answers drown each other"
    made.run(find(rng=random.Random(1)))
    made.run(watch(seen, 1 * S))
    assert seen[7].state == SHARED, "the search has told the two apart"


def test_what_came_stays_when_it_is_interrupted() -> None:
    made, _ = three()
    seen = tracks(2, 40, 239)

    def after_a_second(passed_ns: int) -> None:
        if passed_ns >= 1 * S:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        made.run(watch(seen, None, after_a_second))
    assert all(track.position.count > 10 for track in seen.values())


def test_progress_is_told_where_no_table_is_shown() -> None:
    made, _ = three()
    told = []
    made.link = Link(made.bus.host, on_progress=told.append)
    made.run(watch(tracks(2, 40), 1 * S))
    assert {step.task for step in told} == {"watching, ms"}
    assert [step.at for step in told] == sorted(step.at for step in told)
    assert {step.of for step in told} == {1000}


# --- who is there ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("per_second", [None, 50, 100])
def test_scan_finds_those_who_are_alone_at_an_address(seed: int, per_second: float | None) -> None:
    made = box(seed)
    addresses = sorted(random.Random(seed).sample(range(1, 240), 20))
    for number, address in enumerate(addresses):
        made.add(number, address, channel=1 + number % 3)
    made.add(100)  # without an address
    if per_second is not None:
        receiver(made, per_second=per_second)
        made.pass_time(300 * MS)
    listen_before_talk(made)
    assert made.run(scan()) == tuple(addresses)


def test_scan_with_a_receiver_on_the_line_takes_no_demand_from_any_actuator() -> None:
    made, actuators = three()
    receiver(made, per_second=50)
    made.pass_time(1 * S)
    listen_before_talk(made)
    assert made.run(scan()) == (2, 40, 239)
    assert [one.current_state() for one in actuators] == [State.FOLLOWING] * 3
    assert made.run(watch(seen := tracks(2, 40, 239), 1 * S, pause_ns=0)) >= 1 * S
    assert not any(track.lost_before for track in seen.values())


# --- the parts -------------------------------------------------------------------------------------------------


def test_a_line_that_never_falls_silent_is_talked_on_in_the_end() -> None:
    made = box()
    stream, sender = random.Random(1), object()

    def babble() -> None:
        sent = made.bus.line.transmit(sender, stream.randbytes(8))
        made.bus.kernel.at(sent.end_ns, babble)

    babble()
    port = ListenBeforeTalk(made.bus.host)
    began_ns = made.now_ns
    port.write(b"\x00")
    assert made.now_ns - began_ns == pytest.approx(LONGEST_WAIT_NS, rel=0.05)


def test_the_port_is_as_the_one_behind_it() -> None:
    made = box(baud=250_000)
    port = ListenBeforeTalk(made.bus.host)
    assert (port.url, port.baud, port.latency_ns) == (made.bus.host.url, 250_000, 0)
    port.close()
    with pytest.raises(Exception, match="closed"):
        made.bus.host.write(b"x")


def test_a_spread_keeps_least_greatest_mean_and_last() -> None:
    spread = Spread()
    assert (spread.count, spread.low, spread.high, spread.last, spread.mean) == (0, 0, 0, 0, 0.0)
    for value in (-3, 10, 2):
        spread.add(value)
    assert (spread.count, spread.low, spread.high, spread.mean, spread.last) == (3, -3, 10, 3.0, 2)
    above = Spread()
    above.add(5)
    assert (above.low, above.high) == (5, 5)


class ScriptedPort(PortAround):
    """Bytes of another host come at these times, ns; keeps when something is written."""

    def __init__(self, baud: int, *times_ns: int) -> None:
        super().__init__(box().bus.host)
        self._baud, self._left, self._now_ns = baud, list(times_ns), 0
        self.written_ns = -1

    @property
    def baud(self) -> int:
        return self._baud

    def now_ns(self) -> int:
        return self._now_ns

    def read_until(self, deadline_ns: int) -> bytes:
        if self._left and self._left[0] <= deadline_ns:
            self._now_ns = self._left.pop(0)
            return b"x"
        self._now_ns = deadline_ns
        return b""

    def write(self, data: bytes) -> None:
        self.written_ns = self._now_ns


@pytest.mark.parametrize(
    ("baud", "times_us", "written_us"),
    [
        (115_200, (), 5_000),
        (115_200, (1_000, 1_900, 2_800), 3_800),  # 0.9 ms between bytes belongs to a frame; 1 ms ends it
        (9_600, (1_000, 4_000), 7_125),  # three bytes of 1.0417 ms each
    ],
)
def test_room_is_where_no_byte_came_for_a_millisecond_or_three_bytes(
    baud: int, times_us: tuple[int, ...], written_us: int
) -> None:
    port = ScriptedPort(baud, *(1_000 * one for one in times_us))
    ListenBeforeTalk(port).write(b"?")
    assert port.written_ns == 1_000 * written_us
