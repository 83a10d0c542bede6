"""Lesson ``backoff``: actuators count idle slots and answer at zero; then the member list proves that none is missing.

The host knows only what comes back over the line. The lesson reads the virtual bus as well, and shows what really
happened.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from functools import partial
from itertools import pairwise
from typing import Final

from busproto.lessons import theory
from busproto.lessons.bench import (
    BAUD,
    answers_on,
    build,
    draw,
    drawn_slots,
    heard_in,
    labels_on,
    names_of,
    number_drawn,
    queries_text,
    run,
    several,
    uids_in,
    uids_on,
    unaddressed,
    watched,
)
from busproto.lessons.scene import LETTER, Course, Lesson, Question, Scene, Solution, Step, Table
from busproto.ops.discovery.classic import framed_slots, query_tree
from busproto.ops.discovery.roll_call import FIRST_WINDOW_SLOTS
from busproto.ops.discovery.search import Roster, find
from busproto.ops.steps import exchange
from busproto.ops.transact import PRESENT_BYTES, window
from busproto.session.exchange import Heard
from busproto.sim.actuators.actuator import Actuator
from busproto.sim.bus import VirtualBus
from busproto.sim.line.hearing import Transmission
from busproto.wire.messages import MemberList, RollCall
from busproto.wire.timing import MINI_SLOT_NS

NAME: Final = "backoff"
CALLS: Final = 40
LEAST_GAP: Final = 3
MS: Final = 1_000_000
Spoken = tuple[Actuator, Transmission]


def _count(seed: int) -> int:
    return draw(NAME, seed).randint(11, 16)


def _spoken_in(bus: VirtualBus, heard: Heard) -> list[Spoken]:
    """The actuators that answered in an exchange, in the order in which they began."""
    return [one for one in answers_on(bus, heard.began_ns) if one[1].start_ns < heard.ended_ns]


def _steps(bus: VirtualBus, exchanges: Sequence[Heard]) -> Iterator[Step]:
    found: dict[str, str] = {}
    calls = passes = 0
    for number, heard in enumerate(exchanges, 1):
        message, spoken = heard.ask.message, _spoken_in(bus, heard)
        note = f"{queries_text(number)} so far"
        if isinstance(message, MemberList):
            passes += 1
            came = several(len(heard.raw), "byte")
            ending = ", one from each" if len(heard.raw) == message.total == len(spoken) else ""
            text = f"member list, pass {passes}, {several(message.total, 'name')} in it: {came} came back{ending}"
            yield Step(f"{number:3}. {text}", _board(bus, found), note, Course(len(found), len(bus.actuators)))
            continue
        assert isinstance(message, RollCall)
        calls += 1
        before = len(found)
        expected = theory.alone_mean(len(bus.actuators) - before, message.slots)
        course = partial(Course, among=len(bus.actuators), expected_found=before + expected)
        note += f"; theory expects at least {expected:.1f} in this call"
        ending = "" if spoken else ": silence, no actuator is left"
        text = f"{number:3}. call {calls}, {message.slots} slots{ending}"
        yield Step(text, _board(bus, found), note, course(before))
        uids = uids_in(heard)
        for actuator, sent in spoken:
            slot = number_drawn(actuator.uid, message)
            is_heard = actuator.uid in uids
            if is_heard:
                found[actuator.label] = f"call {calls}, slot {slot}"
            after_ms = (sent.start_ns - spoken[0][1].start_ns) / MS
            came = "is heard" if is_heard else "is broken by another"
            text = f"     slot {slot:3}, {after_ms:5.2f} ms: {actuator.label} {came}"
            yield Step(text, _board(bus, found), note, course(len(found)))


def _board(bus: VirtualBus, found: dict[str, str]) -> Table:
    rows = tuple((one.label, one.uid.hex(), found.get(one.label, "")) for one in bus.actuators)
    return Table(("", "uid", "found in"), rows)


def _scenes(seed: int) -> Iterator[Scene]:
    count = _count(seed)
    bus = build(seed, unaddressed(count))
    slot_us = MINI_SLOT_NS / 1000
    yield Scene(
        "Count down while the line is idle",
        (
            f"{count} actuators without an address: {names_of(labels_on(bus))}. Each draws a number, as in the lesson "
            f"'slots'. But a slot is tiny here: {slot_us:.0f} us, just long enough to detect that an actuator sends.",
            "Each counts down to zero, one for each idle slot. At zero it answers. While one actuator answers, "
            "all the others stop counting. So an empty slot costs next to nothing, and an answer is not disturbed by "
            "those with other numbers.",
        ),
    )
    roster, exchanges = heard_in(bus, find(rng=random.Random(seed)))
    yield Scene(
        "The search, and the proof",
        (
            "When a call stays silent, or brings nothing broken, the host reads out its list, the 'member list'. "
            "Each actuator in it answers with one byte, in its order; one that is not in it would answer after them. "
            "Times count from the first answer to a call.",
        ),
        steps=tuple(_steps(bus, exchanges)),
        after=(
            f"{several(len(roster.found), 'actuator')} found"
            + (
                f" and proven complete. The chance that one is missing all the same: {roster.remaining_error:.0e}."
                if roster.proven
                else f", not proven: {roster.reason}."
            ),
        ),
    )
    yield _theory_scene(seed, count, len(set(uids_in(exchanges[0]))))
    yield _race_scene(seed, count, roster, len(exchanges))


def _first_call(bus: VirtualBus, call: RollCall) -> Heard:
    """One roll call on the bus."""
    return run(bus, exchange(window(call)))


def _theory_scene(seed: int, count: int, first: int) -> Scene:
    bus, rng = build(seed, unaddressed(count)), draw(f"{NAME} calls", seed)
    total = 0
    for _ in range(CALLS):
        call = RollCall(rng.randrange(1, 0x10000), rng.randrange(0x100), FIRST_WINDOW_SLOTS, ())
        total += len(set(uids_in(_first_call(bus, call))))
    return Scene(
        "How many actuators a call finds",
        ("An actuator is heard for certain when all the others drew another number.",),
        table=Table(
            ("", "heard"),
            (
                ("the first call above", str(first)),
                (f"mean of {CALLS} first calls on this bus, run just now", f"{total / CALLS:.2f}"),
                (
                    f"theory, at least: n (1 - 1/N)^(n-1), n = {count}, N = {FIRST_WINDOW_SLOTS}",
                    f"{theory.alone_mean(count, FIRST_WINDOW_SLOTS):.2f}",
                ),
            ),
        ),
        after=(
            "At least: of two with the same number, the later one often hears the other begin, and waits. Source of "
            "the formula: framed slotted ALOHA, Schoute 1983; from memory.",
        ),
    )


def _race_scene(seed: int, count: int, roster: Roster, queries: int) -> Scene:
    """The three ways on the same actuators."""
    rows = []
    for name, steps in (
        ("tree", query_tree(random.Random(seed), BAUD)),
        ("slots", framed_slots(random.Random(seed), BAUD)),
    ):
        asked: list[Heard] = []
        other = run(build(seed, unaddressed(count)), watched(steps, asked.append))
        rows.append(_race_row(name, count, other, len(asked)))
    rows.append(_race_row(NAME, count, roster, queries))
    answers_ms = count * PRESENT_BYTES * 10_000 / BAUD
    return Scene(
        "The same actuators, three ways",
        (),
        table=Table(("way", "queries", "ms", "found", "proven"), tuple(rows)),
        after=(
            f"The answers alone take {answers_ms:.0f} ms on the line, whatever the way. The time of backoff holds "
            "its proof.",
        ),
    )


def _race_row(name: str, count: int, roster: Roster, queries: int) -> tuple[str, ...]:
    took_ms = (roster.searching_ns + roster.proving_ns) / MS
    proven = "yes" if roster.proven else "no"
    return (name, str(queries), f"{took_ms:.0f}", f"{len(roster.found)} of {count}", proven)


def _asked_call(bus: VirtualBus, seed: int) -> RollCall:
    """A roll call in which the numbers drawn are well apart: neighbours may swap where clocks are off."""
    rng = draw(f"{NAME} asked", seed)
    while True:
        call = RollCall(rng.randrange(1, 0x10000), rng.randrange(0x100), FIRST_WINDOW_SLOTS, ())
        drawn = sorted(number_drawn(uid, call) for uid in uids_on(bus))
        if all(after - before >= LEAST_GAP for before, after in pairwise(drawn)):
            return call


def _question(seed: int) -> Question:
    count = _count(seed)
    bus = build(seed, unaddressed(count))
    call = _asked_call(bus, seed)
    drawn = drawn_slots(bus, call, uids_on(bus))
    picks = ", ".join(sorted(f"{labels[0]} {slot}" for slot, labels in drawn.items()))
    place = draw(f"{NAME} place", seed).randint(2, count)
    nth = {2: "second", 3: "third"}.get(place, f"{place}th")

    def solve() -> Solution:
        fresh = build(seed, unaddressed(count))
        _first_call(fresh, call)
        order = [actuator.label for actuator, _ in answers_on(fresh)]
        return Solution(
            order[place - 1], f"the smallest number comes first; they answered in the order {', '.join(order)}"
        )

    return Question(
        f"A fresh call, {call.slots} slots. They draw: {picks}. Which one answers {nth}?",
        LETTER,
        solve,
    )


LESSON: Final = Lesson(NAME, "How counting down finds every actuator, and proves it", _scenes, _question)
