"""Lessons ``tree`` and ``slots``: two classic ways to find every actuator, query by query.

The host knows only what comes back over the line. The lesson reads the virtual bus as well, and shows what really
happened.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from typing import Final

from busproto.lessons import theory
from busproto.lessons.bench import (
    BAUD,
    build,
    by_uid_on,
    draw,
    drawn_slots,
    heard_in,
    labels_on,
    names_of,
    queries_text,
    run,
    several,
    uids_in,
    uids_on,
    unaddressed,
)
from busproto.lessons.scene import NUMBER, Course, Lesson, Node, Question, Scene, Solution, Step, Table
from busproto.ops.discovery.classic import SLOT_MARGIN_US, framed_slots, query_tree
from busproto.ops.discovery.search import Roster
from busproto.ops.steps import exchange
from busproto.ops.transact import PRESENT_BYTES
from busproto.session.exchange import Ask, Expect, Heard
from busproto.sim.bus import VirtualBus
from busproto.wire.frame import BROADCAST_ADDRESS, UID_BYTES
from busproto.wire.messages import PrefixQuery, SlottedCall, Suppress
from busproto.wire.timing import FIRST_SLOT_NS

TREE: Final = "tree"
SLOTS: Final = "slots"
SHOWN_BITS: Final = 16
FIRST_SLOTS: Final = 16
FRAMES: Final = 40
EVEN_CLOCK_PPM: Final = 500
"""Clocks of the lesson on slots: with 1 % the last slots of a frame drift into each other, which is another matter."""
MS: Final = 1_000_000


# --- tree -------------------------------------------------------------------------------------------------------


def _tree_count(seed: int) -> int:
    return draw(TREE, seed).randint(4, 7)


def _bit_text(uid: bytes) -> str:
    """The first bits of a uid, high one first, in groups of four."""
    bits = f"{int.from_bytes(uid, 'big'):0{8 * UID_BYTES}b}"[:SHOWN_BITS]
    return " ".join(bits[at : at + 4] for at in range(0, SHOWN_BITS, 4))


def _below(bus: VirtualBus, match: PrefixQuery) -> list[str]:
    """Labels of the actuators whose uid begins with the prefix."""
    spare = 8 * UID_BYTES - match.bits
    wanted = int.from_bytes(match.prefix, "big") >> spare
    return [one.label for one in bus.actuators if int.from_bytes(one.uid, "big") >> spare == wanted]


def _prefix(match: PrefixQuery) -> str:
    return f"{int.from_bytes(match.prefix, 'big'):0{8 * UID_BYTES}b}"[: match.bits]


def _tree_search(bus: VirtualBus, seed: int) -> tuple[Roster, list[Heard]]:
    return heard_in(bus, query_tree(random.Random(seed), BAUD))


def _tree_steps(bus: VirtualBus, asked: Sequence[Heard]) -> Iterator[Step]:
    found_by: dict[bytes, int] = {}
    mean = float(theory.tree_mean(len(_below(bus, PrefixQuery(0, 0, 0, bytes(UID_BYTES))))))
    for number, heard in enumerate(asked, 1):
        match = heard.ask.message
        assert isinstance(match, PrefixQuery)
        uids = uids_in(heard)
        labels = _below(bus, match)
        prefix = _prefix(match)
        who = f"uid begins {prefix}" if prefix else "all actuators"
        if heard.unread_bytes or len(uids) > 1:
            text, node = f"{names_of(labels)} answer at once, broken bytes: split", Node(prefix, "broken")
        elif uids:
            text, node = f"{names_of(labels)} answers alone: found", Node(prefix, "one", names_of(labels))
            found_by.setdefault(uids[0], number)
        else:
            text, node = "silence: no actuator there", Node(prefix, "none")
        rows = tuple(
            (one.label, _bit_text(one.uid), f"query {found_by[one.uid]}" if one.uid in found_by else "")
            for one in sorted(bus.actuators, key=lambda one: one.uid)
        )
        yield Step(
            f"{number:3}. {who}? {text}",
            Table(("", f"first {SHOWN_BITS} bits of the uid", "found by"), rows),
            f"{queries_text(number)} so far; theory expects {mean:.1f} in all",
            Course(len(found_by), len(bus.actuators), expected_queries=mean),
            node,
        )


def _tree_scenes(seed: int) -> Iterator[Scene]:
    count = _tree_count(seed)
    bus = build(seed, unaddressed(count))
    roster, asked = _tree_search(bus, seed)
    yield Scene(
        "Ask for the beginning of a uid",
        (
            f"{count} actuators, fresh from the factory, are on the line: {names_of(labels_on(bus))}. "
            "None has an address. But each has a uid: 64 bits that no other has.",
            "The host asks: which uids begin with these bits? If several answer, their answers break each other. Then "
            "it asks for the same bits with a 0 behind, and with a 1 behind. So it goes down a tree, branch by branch.",
        ),
    )
    steps = tuple(_tree_steps(bus, asked))
    yield Scene("The search", (), steps=steps, table=steps[-1].board)
    collisions = sum(bool(heard.unread_bytes) or len(heard.replies) > 1 for heard in asked)
    mean = theory.tree_mean(count)
    yield Scene(
        "How many queries that takes",
        ("One query for all, and two more for each that broke: queries = 1 + 2 x broken ones.",),
        table=Table(
            ("", "queries"),
            (
                (f"this search: 1 + 2 x {collisions}", str(roster.calls)),
                (f"theory, mean for {count} with random uids (exactly {mean})", f"{float(mean):.2f}"),
                ("theory, just these uids: shared beginnings counted", str(theory.tree_exact(uids_on(bus)))),
            ),
        ),
        after=(
            "The mean follows from one thought: below a broken query there are two trees, and coins decide what is in "
            "which. Source: Capetanakis 1979, Massey 1981; both from memory.",
            f"Found: {len(roster.found)} of {count}. But not proven: {roster.reason}.",
        ),
    )


def _tree_question(seed: int) -> Question:
    count = _tree_count(seed)
    away = draw(f"{TREE} asked", seed).randrange(count)
    name = unaddressed(count)[away].label

    def solve() -> Solution:
        bus = build(seed, unaddressed(count))
        bus.actuators[away].power_off()
        roster, asked = _tree_search(bus, seed)
        collisions = sum(bool(heard.unread_bytes) or len(heard.replies) > 1 for heard in asked)
        return Solution(
            roster.calls,
            f"without {name}, {several(collisions, 'answer')} still broke: 1 + 2 x {collisions} = {roster.calls}",
        )

    return Question(
        f"Now {name} is unplugged, and the host searches again. How many queries does this search take?",
        NUMBER,
        solve,
    )


# --- slots ------------------------------------------------------------------------------------------------------


def _slots_count(seed: int) -> int:
    return draw(SLOTS, seed).randint(7, 11)


def _slots_bus(seed: int) -> VirtualBus:
    return build(seed, unaddressed(_slots_count(seed)), clock_ppm=EVEN_CLOCK_PPM)


def _slot_board(drawn: dict[int, list[str]], heard: set[str]) -> Table:
    """One row for each slot that an actuator has drawn."""
    rows = [
        (str(slot), " ".join(labels), "heard" if heard.issuperset(labels) else "broken")
        for slot, labels in sorted(drawn.items())
    ]
    return Table(("slot", "who", ""), tuple(rows))


def _slots_steps(bus: VirtualBus, exchanges: Sequence[Heard]) -> Iterator[Step]:
    silent: set[bytes] = set()
    queries = 0
    rounds = 0
    for heard in exchanges:
        call = heard.ask.message
        queries += 1
        if isinstance(call, Suppress):
            silent.add(call.uid)
            continue
        assert isinstance(call, SlottedCall)
        rounds += 1
        waiting = [uid for uid in uids_on(bus) if uid not in silent]
        drawn = drawn_slots(bus, call, waiting)
        uids = uids_in(heard)
        broken = sum(len(labels) > 1 for labels in drawn.values())
        empty = call.slots - len(drawn)
        labels_heard = sorted(by_uid_on(bus)[uid].label for uid in uids)
        expected = theory.alone_mean(len(waiting), call.slots)
        before = len(silent)  # an actuator that was heard has been told to keep silent
        yield Step(
            f"round {rounds}, {call.slots} slots: {names_of(labels_heard)} heard; "
            f"{several(broken, 'slot')} broken, {empty} empty",
            _slot_board(drawn, set(labels_heard)),
            f"{queries_text(queries)} so far; {len(labels_heard)} heard in this round, theory expects {expected:.1f}",
            Course(before + len(labels_heard), len(bus.actuators), expected_found=before + expected),
        )


def _slots_scenes(seed: int) -> Iterator[Scene]:
    bus = _slots_bus(seed)
    count = len(bus.actuators)
    yield Scene(
        "Each actuator draws a slot",
        (
            f"{count} actuators without an address: {names_of(labels_on(bus))}. The host calls all "
            f"of them and offers {FIRST_SLOTS} slots, one after the other, each long enough for one answer. Each "
            "actuator draws one of them: from its uid and a number in the call (the salt) it computes which.",
            "An actuator alone in its slot is heard. Two in one slot break each other. The host tells those it heard "
            "to keep silent, and calls again with another salt, and as many slots as it guesses are left. It ends when "
            "a round brings nothing broken.",
        ),
    )
    roster, exchanges = heard_in(bus, framed_slots(random.Random(seed), BAUD))
    steps = tuple(_slots_steps(bus, exchanges))
    queries = len(exchanges)
    yield Scene(
        "The search",
        (),
        steps=steps,
        table=steps[0].board,
        after=(
            "The table shows the first round. "
            f"{queries} queries in all: {several(len(steps), 'call')}, and {queries - len(steps)} to keep one silent.",
        ),
    )
    first = next(heard for heard in exchanges if isinstance(heard.ask.message, SlottedCall))
    mean = _mean_alone(seed)
    yield Scene(
        "How many a round finds",
        ("An actuator is heard when all the others drew another slot.",),
        table=Table(
            ("", "heard"),
            (
                ("the first round above", str(len(uids_in(first)))),
                (f"mean of {FRAMES} first rounds on this bus, run just now", f"{mean:.2f}"),
                (
                    f"theory: n (1 - 1/N)^(n-1), n = {count}, N = {FIRST_SLOTS}",
                    f"{theory.alone_mean(count, FIRST_SLOTS):.2f}",
                ),
            ),
        ),
        after=(
            "As many slots as actuators is best: then about 37 % (1/e) of the slots find one. Source: framed "
            "slotted ALOHA, Schoute 1983; from memory.",
            f"Found: {len(roster.found)} of {count} in {roster.searching_ns / MS:.0f} ms. Not proven: {roster.reason}.",
        ),
    )


def _slot_us() -> int:
    answer_us = PRESENT_BYTES * 10 * 1_000_000 // BAUD + 1
    return answer_us + SLOT_MARGIN_US + answer_us // 50


def _one_frame(bus: VirtualBus, call: SlottedCall) -> Heard:
    """One round on the bus."""
    window_ns = FIRST_SLOT_NS + call.slots * call.slot_us * 1000
    return run(bus, exchange(Ask(call, BROADCAST_ADDRESS, Expect.SLOTS, window_ns=window_ns)))


def _mean_alone(seed: int) -> float:
    """Mean number heard in a first round, over many with fresh epochs and salts."""
    bus, rng = _slots_bus(seed), draw(f"{SLOTS} frames", seed)
    total = 0
    for _ in range(FRAMES):
        call = SlottedCall(rng.randrange(1, 0x10000), rng.randrange(0x100), FIRST_SLOTS, _slot_us())
        total += len(set(uids_in(_one_frame(bus, call))))
    return total / FRAMES


def _slots_question(seed: int) -> Question:
    bus, rng = _slots_bus(seed), draw(f"{SLOTS} asked", seed)
    call = SlottedCall(rng.randrange(1, 0x10000), rng.randrange(0x100), FIRST_SLOTS, _slot_us())
    drawn = drawn_slots(bus, call, uids_on(bus))
    picks = ", ".join(sorted(f"{label} {slot}" for slot, labels in drawn.items() for label in labels))

    def solve() -> Solution:
        uids = uids_in(_one_frame(_slots_bus(seed), call))
        named = names_of(sorted(by_uid_on(bus)[uid].label for uid in uids))
        alone = f"{named} {'are' if len(uids) > 1 else 'is'} alone in a slot"
        rest = "" if len(uids) == len(bus.actuators) else "; the others share one and break each other"
        return Solution(len(uids), alone + rest)

    return Question(
        f"A fresh call to all, {FIRST_SLOTS} slots. They draw: {picks}. How many does the host hear?",
        NUMBER,
        solve,
    )


LESSONS: Final = (
    Lesson(TREE, "How a tree of questions finds every actuator", _tree_scenes, _tree_question),
    Lesson(SLOTS, "How answers in drawn slots find every actuator", _slots_scenes, _slots_question),
)
