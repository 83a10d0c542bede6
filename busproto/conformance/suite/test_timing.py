"""When it answers: turnaround, reply delay, jitter, the time that storing takes."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from busproto.conformance.clauses import clause
from busproto.conformance.dut import MS, US, Dut, not_checked
from busproto.wire import messages as m
from busproto.wire.codec import encode_frame
from busproto.wire.frame import BROADCAST_ADDRESS
from busproto.wire.message import Message
from busproto.wire.timing import MAX_TURNAROUND_NS, MIN_TURNAROUND_NS, START_JITTER_NS, STORE_NS

CLOCK_NS = 2 * US


def delays(dut: Dut, count: int = 12) -> list[int]:
    """Times from the end of the request to the begin of its reply, ns, by the clock of the line."""
    dut.beside("heard")
    found = []
    for number in range(count):
        since_ns = dut.line_ns()
        _, frames, _ = dut.frames_after(dut.wire(m.LinkTest(bytes([number]))), count=1)
        assert frames, "a reply to the link test was expected, none came"
        found.append(dut.behind(since_ns))
        dut.pass_time(1 * MS)
    return found


def factory_delay_ns(dut: Dut) -> int:
    """Its factory value of `reply-delay`, which a narrower range of its own may have moved."""
    return dut.rows["reply-delay"].default * US if "reply-delay" in dut.rows else MIN_TURNAROUND_NS


def require_within(seen: list[int], least_ns: float, most_ns: float) -> None:
    """Each answer began in that time behind its request."""
    allowed = f"{least_ns:.0f} to {most_ns:.0f} ns are allowed"
    told = f"answers began {min(seen)} to {max(seen)} ns behind the request; {allowed}"
    assert least_ns <= min(seen), told
    assert max(seen) <= most_ns, told


@clause("does.turnaround", "does.reply")
def test_it_keeps_off_the_line_and_begins_in_time(dut: Dut) -> None:
    seen = delays(dut)
    require_within(
        seen, dut.least_ns(MIN_TURNAROUND_NS), dut.most_ns(factory_delay_ns(dut) + START_JITTER_NS) + CLOCK_NS
    )


@clause("parameters.reply-delay", "does.reply")
@pytest.mark.parametrize("delay_us", [101, 500, 1999, 2000])
def test_the_reply_delay_is_kept(dut: Dut, delay_us: int) -> None:
    dut.beside("heard")
    dut.put({"reply-delay": delay_us})
    seen = delays(dut, 4)
    assert min(seen) >= dut.least_ns(delay_us * US)
    assert max(seen) <= dut.most_ns(delay_us * US + START_JITTER_NS) + CLOCK_NS


@clause("parameters.reply-delay", "does.write", "does.reply")
def test_the_longest_reply_delay_is_within_the_hosts_patience(dut: Dut) -> None:
    dut.put({"reply-delay": 2000})
    for _ in range(3):
        begin_ns = dut.now_ns
        data = dut.wire(m.LinkTest(b"x"))
        said, frames, _ = dut.frames_after(data, count=1)
        assert frames
        came_ns = dut.now_ns
        least_ns = said.end_ns + dut.least_ns(2000 * US + dut.airtime_ns(len(encode_frame(frames[0]))))
        assert came_ns >= least_ns - CLOCK_NS, "it answered before its reply delay was over"
        assert begin_ns < came_ns
    assert MAX_TURNAROUND_NS == 2000 * US


@clause("does.turnaround", "line.clock")
def test_on_any_target_it_is_not_too_early(dut: Dut) -> None:
    for _ in range(5):
        said, frames, _ = dut.frames_after(dut.wire(m.LinkTest(b"x")), count=1)
        assert frames
        least_ns = said.end_ns + dut.least_ns(MIN_TURNAROUND_NS + dut.airtime_ns(len(encode_frame(frames[0]))))
        assert dut.now_ns >= least_ns - CLOCK_NS


@clause("line.clock", "does.turnaround", "does.reply")
@pytest.mark.parametrize("clock_ppm", [-10_000, 10_000])
def test_with_a_clock_off_by_one_percent_too(dut_build: Callable[..., Dut], clock_ppm: int) -> None:
    dut = dut_build(clock_ppm=clock_ppm)
    delay_ns = factory_delay_ns(dut)
    seen = delays(dut)
    require_within(seen, delay_ns * 0.99, (delay_ns + START_JITTER_NS) * 1.01 + CLOCK_NS)


@clause("does.store")
@pytest.mark.parametrize("what", ["commit", "assign"])
def test_storing_takes_no_longer_than_it_may(dut: Dut, what: str) -> None:
    dut.beside("heard")
    dut.put({"neutral": 10})
    message: Message = m.Commit() if what == "commit" else m.Assign(dut.uid, dut.address)
    to = dut.address if what == "commit" else BROADCAST_ADDRESS
    since_ns = dut.line_ns()
    _, frames, _ = dut.frames_after(dut.wire(message, to), count=1, slow=True)
    assert frames, f"a reply to the {what} was expected, none came"
    assert dut.behind(since_ns) <= dut.most_ns(STORE_NS + MAX_TURNAROUND_NS + START_JITTER_NS)


@clause("does.store", "op.32")
def test_it_answers_a_commit_when_the_set_is_whole(dut: Dut) -> None:
    dut.beside("plug", "unplug")
    dut.put({"neutral": 123})
    _, frames, _ = dut.frames_after(dut.wire(m.Commit()), count=1, slow=True)
    assert frames, "a reply to the commit was expected, none came"
    dut.power_cut()
    assert dut.get("neutral") == 123


@clause("does.store", "op.10")
def test_it_answers_an_assign_when_the_address_is_stored(dut: Dut) -> None:
    dut.beside("plug", "unplug")
    data = dut.wire(m.Assign(dut.uid, 9), BROADCAST_ADDRESS)
    _, frames, _ = dut.frames_after(data, count=1, slow=True)
    assert frames, "a reply to the assign was expected, none came"
    dut.power_cut()
    dut.address = 9
    dut.alive()


@clause("does.latest", "does.reply")
def test_a_reply_that_waits_gives_way_to_that_of_a_later_request(dut: Dut) -> None:
    dut.put({"reply-delay": 2000})
    burst = dut.wire(m.LinkTest(b""), sequence=1) + dut.wire(m.LinkTest(b""), sequence=2)
    if dut.airtime_ns(len(burst) // 2) >= 1900 * US:
        not_checked("at this line rate a second request takes longer than the longest reply delay")
    _, frames, _ = dut.frames_after(burst, window_ns=20 * MS)
    came = [frame.sequence for frame in frames]
    assert came == [2], f"one reply, with sequence 2, was expected, the sequences {came} came"


@clause("find.jitter")
def test_the_jitter_differs_from_time_to_time(dut: Dut) -> None:
    seen = delays(dut, 16)
    assert max(seen) - min(seen) >= 4 * US, "answers always begin at the same moment: twins could not be told apart"
