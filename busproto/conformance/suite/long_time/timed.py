"""One conversation about everything that is timed, to be held again and again: at any count of the clock, or an hour
later, it is the same one."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace

from busproto.conformance.calls import EPOCH, LIST_SALT, address_list, call_of, member_list
from busproto.conformance.dut import MS, US, Dut, replies_in
from busproto.conformance.side import OnLine
from busproto.wire import messages as m
from busproto.wire.codec import message_of
from busproto.wire.frame import BROADCAST_ADDRESS
from busproto.wire.message import Message
from busproto.wire.parameters import BY_NAME, LOSS_HOLD, RawValue
from busproto.wire.timing import BOOT_NS, FIRST_SLOT_NS, HEAT_LOOK_NS, MINI_SLOT_NS, START_JITTER_NS

SOFT_START_MS = 150
TIME_OUT_MS = 230
DS_US = 100_000
SAME_START_NS = START_JITTER_NS + 3 * US
"""Two starts of one answer may differ by the jitter, and by what a clock resolves."""
SAME_POSITION_CDEG = 60
SAME_CURRENT_MA = 60
SAME_AGE_MS = 2


@dataclass(frozen=True, slots=True)
class Step:
    """One step: when it is done, ms behind the start, and what: a message (`to_all` for a broadcast), or a word of the
    side channel.
    """

    at_ms: float
    message: Message | None
    to_all: bool = False
    word: str = ""


@contextmanager
def hot(dut: Dut) -> Iterator[None]:
    """Warm it above its limit; it is cool at the end, also where the case fails: on a port the next case has it."""
    side = dut.beside("warm")
    side.order("warm", "150")
    try:
        yield
    finally:
        side.order("warm", "20")


def write(at_ms: float, name: str, raw: RawValue) -> Step:
    row = BY_NAME[name]
    return Step(at_ms, m.Write(row.number, row.encode(raw)))


def steps(dut: Dut) -> Iterator[Step]:
    """The conversation: soft start, ages, showing, loss, storing, discovery, heat; no report near a change of state."""
    yield Step(0, m.Undo(m.Memory.FACTORY))
    yield write(5, "soft-start", SOFT_START_MS)
    yield write(10, "loss-time-out", TIME_OUT_MS)
    yield write(15, "loss-action", LOSS_HOLD)
    yield write(20, "reply-delay", 700)
    yield Step(26, m.Demand(2500))
    for at_ms in (60, 120, 160, 200):
        yield Step(at_ms, m.Report())
    yield Step(207, m.Demand(-1000))
    yield Step(214, m.ShowYourself(2))
    for at_ms in (240, 330, 400):
        yield Step(at_ms, m.Report())
    yield Step(424, m.Report())  # showing is over
    yield Step(432, m.Report())  # not yet lost
    yield Step(450, m.Report())  # lost
    yield Step(458, m.Commit())
    yield Step(520, m.Engage())
    yield Step(545, m.Report())
    yield Step(690, m.Report())
    yield Step(700, None, word="warm 150")
    yield Step(800, m.Report())  # engaged at 520 ms: it has looked by 780 ms
    yield Step(806, None, word="warm 20")
    yield Step(812, m.Report())
    yield Step(820, m.ShowYourself(1))
    yield Step(900, m.Report())
    yield Step(940, m.Report())
    yield Step(950, call_of(dut, 9, 16), to_all=True)
    yield Step(960, member_list(dut, 30, 40), to_all=True)
    yield Step(970, address_list({dut.address - 1, dut.address}), to_all=True)
    yield Step(976, m.ReportRound(dut.address - 3, 8, ()), to_all=True)
    yield Step(982, None, word=f"jam {(FIRST_SLOT_NS + 4 * MINI_SLOT_NS) / US:.1f} {'55' * 12}")
    yield Step(983, m.RollCall(EPOCH ^ 1, LIST_SALT, 64, ()), to_all=True)
    yield Step(996, m.Assign(dut.uid, dut.address), to_all=True)
    yield Step(1056, m.Report())


def held(dut: Dut) -> list[OnLine]:
    """Hold the conversation; returns all that was on the line, with times from its begin, which is power-up."""
    side = dut.beside("heard", "jam", "warm")
    begin_ns = dut.line_ns() - BOOT_NS  # its power-up: it was given the time to boot
    start_ns = dut.now_ns
    for number, step in enumerate(steps(dut)):
        dut.pass_time(start_ns + round(step.at_ms * MS) - dut.now_ns)
        if step.message is not None:
            dut.say(dut.wire(step.message, BROADCAST_ADDRESS if step.to_all else None, number))
        elif step.word.startswith("jam"):
            _, behind_us, data = step.word.split()
            side.jam(round(float(behind_us) * US), bytes.fromhex(data))
        else:
            side.order(*step.word.split())
    dut.pass_time(20 * MS)
    return [
        replace(one, start_ns=one.start_ns - begin_ns, end_ns=one.end_ns - begin_ns) for one in side.heard(begin_ns)
    ]


def told(one: OnLine) -> Message | bytes:
    """What a transmission says: the message of a reply, else the bytes."""
    frames = replies_in(one.data)
    return message_of(frames[0]) if frames else one.data


def difference(again: list[OnLine], first: list[OnLine], *, is_later: bool = False) -> str:
    """In what two conversations differ, in words; empty where they are the same.

    `is_later`: the same actuator holds it for the second time, so that its counts have gone on.
    """
    for one, other in zip(again, first, strict=False):
        if words := differs(one, other, is_later=is_later):
            return words
    return "" if len(again) == len(first) else f"{len(first)} transmissions were on the line, now {len(again)}"


def differs(one: OnLine, other: OnLine, *, is_later: bool) -> str:
    """In what a transmission differs from that of the first conversation, in words; empty where it is the same."""
    if one.by != other.by or abs(one.start_ns - other.start_ns) > SAME_START_NS:
        return f"'{other.by}' sent at {other.start_ns / MS:.3f} ms, now '{one.by}' at {one.start_ns / MS:.3f} ms"
    now, before = told(one), told(other)
    if isinstance(now, m.Status) and isinstance(before, m.Status):
        counts, counts_before = ((it.faults, it.good_frames, it.bad_frames) for it in (now, before))
        same = (
            (is_later or counts == counts_before)
            and (now.state, now.is_showing) == (before.state, before.is_showing)
            and abs(now.position_cdeg - before.position_cdeg) <= SAME_POSITION_CDEG
            and abs(now.demand_cdeg - before.demand_cdeg) <= SAME_POSITION_CDEG
            and abs(now.demand_age_ms - before.demand_age_ms) <= SAME_AGE_MS
            and abs(now.current_ma - before.current_ma) <= SAME_CURRENT_MA
        )
    elif isinstance(now, m.Moving | m.BriefStatus) and isinstance(before, m.Moving | m.BriefStatus):
        same = now.state is before.state and abs(now.position_cdeg - before.position_cdeg) <= SAME_POSITION_CDEG
    else:
        same = now == before or (is_later and isinstance(now, m.Committed) and isinstance(before, m.Committed))
    return "" if same else f"{before!r} was told, now {now!r}"


def due_us(dut: Dut, first: list[OnLine], *, exactly: bool) -> list[int]:
    """The moments of the conversation, us behind power-up, at which a time has just begun, and those around the look at
    the temperature; `exactly` also those at which it begins and is over. (A time of 0 may be taken for none.)
    """
    found = set()
    sent = [one for one in first if one.by == "host"]
    asked = [step.message for step in steps(dut) if step.message is not None]
    assert len(sent) == len(asked)
    for one, message in zip(sent, asked, strict=True):
        end_us = one.end_ns // US
        if not isinstance(message, m.Report | m.Write | m.Undo):
            found |= {end_us, end_us + 30} if exactly else {end_us + 30}
        if exactly and isinstance(message, m.ShowYourself):
            found.add(end_us + message.duration_ds * DS_US)
        if exactly and isinstance(message, m.Demand | m.Engage):
            found |= {end_us + SOFT_START_MS * 1000, end_us + TIME_OUT_MS * 1000}
        if isinstance(message, m.Engage):
            found |= {end_us + HEAT_LOOK_NS // US + more_us for more_us in range(0, 1200, 200)}
    return sorted(found)
