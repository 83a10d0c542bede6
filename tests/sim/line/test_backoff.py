"""The backoff of discovery: when it sends, what freezes it, what it collides with; and a roll call as a whole.

The first slot begins 500,000 ns after the query; a mini-slot lasts 38,000 ns, and none begins in its first 1,500 ns
(`LEAD_NS`); a byte at 115,200 Bd lasts 86,805 ns. The start jitter of each backoff is told beforehand (`told`), a
new one for each time it is woken after a freeze.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from busproto.sim.kernel import Kernel
from busproto.sim.line.backoff import Backoff
from busproto.sim.line.line import Line
from busproto.wire.hash import slot_of, uid_hash
from tests.sim.helpers import MS, bench, roll_calls, send_at, uid_of

LEAD_NS = 1_500
"""Stated here and not taken from the code."""


def told(*jitters_ns: int) -> Callable[[int], int]:
    """A start jitter that is told beforehand, a new one for each moment from which it counts."""
    waiting, known = list(jitters_ns), dict[int, int]()

    def jitter(from_ns: int) -> int:
        if from_ns not in known:
            known[from_ns] = waiting.pop(0)
        return known[from_ns]

    return jitter


class Stage:
    """A line, and backoffs whose sending is noted."""

    def __init__(self) -> None:
        self.kernel = Kernel()
        self.line = Line(self.kernel, 115_200)
        self.sent: list[tuple[int, str]] = []

    def count(self, name: str, slots: int, *jitters_ns: int, clock_ppm: int = 0) -> Backoff:
        def send() -> None:
            self.sent.append((self.kernel.now_ns, name))
            self.line.transmit(name, b"\x5a")

        return Backoff(self.line, slots, told(*jitters_ns), send, query_end_ns=self.kernel.now_ns, clock_ppm=clock_ppm)

    def busy(self, at_ns: int, data: bytes = b"\x5a") -> None:
        send_at(self.line, at_ns, "another", data)

    def run(self) -> list[tuple[int, str]]:
        self.kernel.run_until(100 * MS)
        return self.sent


# --- alone -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("slots", "jitter_ns", "sends_ns"),
    [(0, 0, 501_500), (0, 30_000, 531_500), (1, 0, 539_500), (5, 7_000, 698_500), (1023, 12_345, 39_387_845)],
)
def test_on_a_free_line_it_sends_in_its_slot(slots: int, jitter_ns: int, sends_ns: int) -> None:
    stage = Stage()
    stage.count("a", slots, jitter_ns)
    assert stage.run() == [(sends_ns, "a")]


def test_the_first_slot_counts_from_the_end_of_the_query() -> None:
    stage = Stage()
    stage.kernel.run_until(2 * MS)
    stage.count("a", 1, 0)
    assert stage.run() == [(2_538_000 + LEAD_NS, "a")]


def test_it_sends_once() -> None:
    stage = Stage()
    stage.count("a", 0, 0)
    stage.busy(2 * MS)
    stage.busy(4 * MS)
    assert stage.run() == [(500_000 + LEAD_NS, "a")]


def test_cancelled_it_never_sends_and_does_not_watch_any_more() -> None:
    stage = Stage()
    backoff = stage.count("a", 3, 0)
    stage.kernel.at(510_000, backoff.cancel)
    stage.busy(520_000)
    assert stage.run() == []


def test_cancelled_while_frozen_it_never_sends() -> None:
    stage = Stage()
    backoff = stage.count("a", 3, 0)
    stage.busy(505_000)
    stage.kernel.at(550_000, backoff.cancel)
    assert stage.run() == []


# --- frozen ----------------------------------------------------------------------------------------------------


def test_a_start_bit_freezes_it_and_it_goes_on_with_what_was_left() -> None:
    """Two whole slots pass until 586,000; busy until 672,805; three slots, the lead and 1,000 ns later it sends."""
    stage = Stage()
    stage.count("a", 5, 7_000, 1_000)
    stage.busy(586_000)
    assert stage.run() == [(672_805 + 3 * 38_000 + LEAD_NS + 1_000, "a")]


def test_only_whole_unbroken_slots_count() -> None:
    """One ns before the end of the second slot it has counted one; the broken slot begins anew."""
    stage = Stage()
    stage.count("a", 5, 0, 0)
    stage.busy(500_000 + 2 * 38_000 - 1)
    assert stage.run() == [(575_999 + 86_805 + 4 * 38_000 + LEAD_NS, "a")]


def test_each_pause_costs_the_slot_that_it_breaks() -> None:
    """Busy at 540,000 (one of 3 counted) and again 30,000 ns after the line is free (none counted)."""
    stage = Stage()
    stage.count("a", 3, 0, 0, 0)
    stage.busy(540_000)
    stage.busy(540_000 + 86_805 + 30_000)
    assert stage.run() == [(540_000 + 86_805 + 30_000 + 86_805 + 2 * 38_000 + LEAD_NS, "a")]


def test_what_happens_before_the_first_slot_does_not_matter() -> None:
    stage = Stage()
    stage.count("a", 5, 7_000)
    stage.busy(100_000)
    assert stage.run() == [(500_000 + 5 * 38_000 + LEAD_NS + 7_000, "a")]


def test_a_line_busy_at_the_first_slot_delays_it() -> None:
    stage = Stage()
    stage.count("a", 2, 7_000, 1_000)
    stage.busy(450_000)
    assert stage.run() == [(536_805 + 2 * 38_000 + LEAD_NS + 1_000, "a")]


def test_after_a_busy_line_one_idle_slot_comes_first() -> None:
    """Its slot is 0, but the line is busy then."""
    stage = Stage()
    stage.count("a", 0, 7_000, 1_000)
    stage.busy(490_000)
    assert stage.run() == [(576_805 + 38_000 + LEAD_NS + 1_000, "a")]


def test_begun_on_a_busy_line_it_waits_for_the_end() -> None:
    stage = Stage()
    stage.line.transmit("another", b"\x5a" * 8)
    stage.count("a", 1, 2_000)
    assert stage.run() == [(694_444 + 38_000 + LEAD_NS + 2_000, "a")]


# --- several ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("later_ns", [0, 1, 4_999])
def test_two_within_the_detection_time_collide(later_ns: int) -> None:
    stage = Stage()
    stage.count("a", 2, 1_000)
    stage.count("b", 2, 1_000 + later_ns)
    assert stage.run() == [(578_500, "a"), (578_500 + later_ns, "b")]
    assert stage.line.overlaps == 1


@pytest.mark.parametrize("later_ns", [5_000, 5_001, 29_000])
def test_two_further_apart_do_not(later_ns: int) -> None:
    """The later one hears the start bit, waits for the end and one idle slot."""
    stage = Stage()
    stage.count("a", 2, 1_000)
    stage.count("b", 2, 1_000 + later_ns, 3_000)
    assert stage.run() == [(578_500, "a"), (578_500 + 86_805 + 38_000 + LEAD_NS + 3_000, "b")]
    assert stage.line.overlaps == 0


def test_neighbouring_slots_never_collide() -> None:
    """The latest start in one slot is 8,000 ns before the earliest in the next."""
    stage = Stage()
    stage.count("a", 0, 30_000)
    stage.count("b", 1, 0, 0)
    assert stage.run() == [(531_500, "a"), (531_500 + 86_805 + 38_000 + LEAD_NS, "b")]
    assert stage.line.overlaps == 0


def test_clocks_at_both_limits_agree_on_the_order_of_a_full_row() -> None:
    """Sixty in neighbouring slots, one a slot, clocks of +1 % and -1 % in turn, jitter at both ends: none collides.

    Each has a slot before it in which the one before is heard, so a clock runs over at most a few slots at a time.
    """
    for first, second in ((10_000, -10_000), (-10_000, 10_000)):
        stage = Stage()
        for number in range(60):
            jitters_ns = (30_000, 0) if number % 2 else (0, 30_000)
            stage.count(str(number), number, *(jitters_ns * 60), clock_ppm=second if number % 2 else first)
        assert [name for _, name in stage.run()] == [str(number) for number in range(60)]
        assert stage.line.overlaps == 0


def test_a_fast_clock_begins_early_by_its_error() -> None:
    stage = Stage()
    stage.count("a", 10, 0, clock_ppm=10_000)
    slot_ns, first_ns = 38_000 * 100 // 101, 500_000 * 100 // 101
    assert stage.run() == [(first_ns + 10 * slot_ns + LEAD_NS, "a")]


def test_both_of_a_collision_have_had_their_turn_and_a_third_goes_on() -> None:
    stage = Stage()
    stage.count("a", 0, 0)
    stage.count("b", 0, 4_000)
    stage.count("c", 3, 2_000)
    assert stage.run() == [
        (501_500, "a"),
        (505_500, "b"),
        (505_500 + 86_805 + 3 * 38_000 + LEAD_NS + 2_000, "c"),
    ]


def test_two_deferred_ones_of_one_slot_meet_again_or_not_by_their_new_jitter() -> None:
    for jitters_ns, overlaps in (((2_000, 6_999), 1), ((2_000, 7_000), 0)):
        stage = Stage()
        stage.count("first", 0, 0)
        stage.count("a", 0, 5_000, jitters_ns[0])
        stage.count("b", 0, 6_000, jitters_ns[1], 0)
        stage.run()
        assert stage.line.overlaps == overlaps


# --- a roll call on the bus ------------------------------------------------------------------------------------


def test_two_actuators_answer_a_roll_call_in_the_order_of_their_slots() -> None:
    """Slots by the hash, one answer of 24 bytes each: the second waits until the first is through."""
    made = bench(seed=3)
    for number in (1, 2):
        made.add(number, 0xF0)
    slots = {number: slot_of(uid_hash(uid_of(number), 77, 0), 64) for number in (1, 2)}
    first, second = sorted(slots, key=lambda number: slots[number])
    assert slots[first] + 1 < slots[second]
    assert roll_calls(made, epoch=77, slots=64, windows=1) == [[uid_of(first), uid_of(second)]]
    (first_ns, _), (second_ns, _) = made.starts_after(0)
    # the call is 6 + 1 + 5 + 2 bytes of frame and 5 of payload
    query_end_ns = 19 * 10 * 10**9 // 115_200
    assert 0 <= first_ns - query_end_ns - 500_000 - slots[first] * 38_000 - LEAD_NS <= 30_000
    left = slots[second] - slots[first]
    free_ns = first_ns + 24 * 10 * 10**9 // 115_200
    assert 0 <= second_ns - free_ns - left * 38_000 - LEAD_NS <= 30_000


@pytest.mark.parametrize(("actuators", "slots"), [(1, 64), (2, 64), (8, 64), (32, 64), (32, 16), (100, 200)])
@pytest.mark.parametrize("seed", [1, 2, 5])  # under 3 and 4, two of them share a digest in one call
def test_roll_calls_bring_each_uid_exactly_once(actuators: int, slots: int, seed: int) -> None:
    made = bench(seed=seed)
    for number in range(actuators):
        made.add(number, 0xF0)
    windows = roll_calls(made, epoch=1000 + seed, slots=slots, windows=12)
    assert sorted(uid for window in windows for uid in window) == [uid_of(number) for number in range(actuators)]
    assert windows[-3:] == [[], [], []]


def test_one_slot_for_all_is_nothing_but_collisions_or_luck_and_loses_no_actuator() -> None:
    """Four in a window of one slot: one that defers far enough gets through, none is acknowledged by mistake."""
    made = bench(seed=9)
    for number in range(4):
        made.add(number, 0xF0)
    windows = roll_calls(made, epoch=5, slots=1, windows=40)
    assert sorted(uid for window in windows for uid in window) == [uid_of(number) for number in range(4)]
    assert made.bus.line.overlaps > 0
