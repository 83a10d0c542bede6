"""The clock and the heap: order, cancelling, limits, random streams."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busproto.sim.errors import LimitError, SimError
from busproto.sim.kernel import LINE_FIRST, NODES_SECOND, Kernel

Log = list[tuple[int, str]]


def noting(kernel: Kernel, log: Log, what: str) -> Callable[[], None]:
    return lambda: log.append((kernel.now_ns, what))


def test_events_run_by_time_then_priority_then_order_of_making() -> None:
    kernel, log = Kernel(), Log()
    kernel.at(20, noting(kernel, log, "node, made first"))
    kernel.at(10, noting(kernel, log, "earlier, made second"))
    kernel.at(20, noting(kernel, log, "node, made third"), priority=NODES_SECOND)
    kernel.at(20, noting(kernel, log, "line, made last"), priority=LINE_FIRST)
    kernel.at(21, noting(kernel, log, "later"))
    kernel.run_until(20)
    assert log == [
        (10, "earlier, made second"),
        (20, "line, made last"),
        (20, "node, made first"),
        (20, "node, made third"),
    ]
    assert kernel.next_ns() == 21


@given(st.lists(st.tuples(st.integers(0, 5), st.integers(0, 2)), max_size=40))
def test_any_events_run_in_order(events: list[tuple[int, int]]) -> None:
    kernel = Kernel()
    ran: list[tuple[int, int, int]] = []
    for number, (time_ns, priority) in enumerate(events):
        kernel.at(time_ns, partial(ran.append, (time_ns, priority, number)), priority=priority)
    kernel.run_until(5)
    assert ran == sorted(ran)
    assert len(ran) == len(events)


def test_an_event_may_make_events_at_once_and_later() -> None:
    kernel, log = Kernel(), Log()

    def first() -> None:
        log.append((kernel.now_ns, "first"))
        kernel.at(kernel.now_ns, noting(kernel, log, "at once"))
        kernel.at(50, noting(kernel, log, "later"))

    kernel.at(40, first)
    kernel.at(40, noting(kernel, log, "made before"))
    kernel.run_until(100)
    assert log == [(40, "first"), (40, "made before"), (40, "at once"), (50, "later")]
    assert kernel.now_ns == 100


def test_what_is_due_in_the_past_happens_now() -> None:
    kernel, log = Kernel(), Log()
    kernel.run_until(30)
    event = kernel.at(10, noting(kernel, log, "late"))
    assert event.time_ns == 30
    kernel.run_until(30)
    assert log == [(30, "late")]


def test_a_cancelled_event_does_not_happen() -> None:
    kernel, log = Kernel(), Log()
    kernel.at(10, noting(kernel, log, "stays"))
    gone = kernel.at(5, noting(kernel, log, "gone"))
    gone.cancel()
    assert kernel.next_ns() == 10
    kernel.run_until(20)
    assert log == [(10, "stays")]


def test_cancelling_is_harmless_when_it_has_happened_or_was_cancelled() -> None:
    kernel, log = Kernel(), Log()
    event = kernel.at(5, noting(kernel, log, "once"))
    kernel.run_until(5)
    event.cancel()
    event.cancel()
    kernel.run_until(50)
    assert log == [(5, "once")]
    assert kernel.next_ns() is None


def test_an_event_can_cancel_another_of_the_same_moment() -> None:
    kernel, log = Kernel(), Log()
    second = kernel.at(7, noting(kernel, log, "second"))
    kernel.at(7, second.cancel, priority=LINE_FIRST)
    kernel.run_until(7)
    assert log == []


def test_run_until_includes_its_end_and_stands_there() -> None:
    kernel, log = Kernel(), Log()
    for time_ns in (9, 10, 11):
        kernel.at(time_ns, noting(kernel, log, "tick"))
    kernel.run_until(10)
    assert (kernel.now_ns, log) == (10, [(9, "tick"), (10, "tick")])


def test_time_never_runs_backwards() -> None:
    kernel = Kernel()
    kernel.run_until(100)
    kernel.run_until(40)
    assert kernel.now_ns == 100


def test_step_runs_one_event_and_nothing_on_an_empty_heap() -> None:
    kernel, log = Kernel(), Log()
    kernel.at(3, noting(kernel, log, "a"))
    kernel.at(4, noting(kernel, log, "b"))
    kernel.step()
    assert (kernel.now_ns, log) == (3, [(3, "a")])
    kernel.step()
    kernel.step()
    assert (kernel.now_ns, log) == (4, [(3, "a"), (4, "b")])


def test_the_limit_itself_is_allowed_and_one_nanosecond_more_is_not() -> None:
    kernel, log = Kernel(max_ns=2_500_000_000), Log()
    kernel.run_until(2_500_000_000)
    kernel.at(2_500_000_001, noting(kernel, log, "too late"))
    with pytest.raises(LimitError) as caught:
        kernel.step()
    assert str(caught.value) == ("the virtual bus stopped: more than 2.5 seconds (limits.seconds in the scenario)")
    assert caught.value.key == "seconds"
    assert isinstance(caught.value, SimError)
    assert (kernel.now_ns, log) == (2_500_000_000, [])


def test_waiting_beyond_the_limit_is_refused_too() -> None:
    kernel = Kernel(max_ns=10)
    with pytest.raises(LimitError, match=r"limits\.seconds"):
        kernel.run_until(11)


def test_a_stream_gives_the_same_draws_for_the_same_seed_and_name() -> None:
    drawn = [Kernel(5).stream("actuator a").randrange(30_001) for _ in range(3)]
    assert len(set(drawn)) == 1


def test_streams_do_not_disturb_each_other() -> None:
    alone = Kernel(5).stream("b").randbytes(16)
    kernel = Kernel(5)
    kernel.stream("a").randbytes(1000)
    assert kernel.stream("b").randbytes(16) == alone


def test_streams_differ_by_name_and_by_seed() -> None:
    draws = {Kernel(seed).stream(name).randbytes(16) for seed in (0, 1, 2) for name in ("a", "b", "c")}
    assert len(draws) == 9


def test_a_draw_is_the_same_in_every_process() -> None:
    """Recorded once: a change here changes every trace that anyone has kept."""
    assert Kernel(7).stream("noise 0").randbytes(4).hex() == "de543478"


def test_events_that_were_taken_off_do_not_pile_up_and_the_others_keep_their_order() -> None:
    kernel, log = Kernel(), Log()
    for number in range(20_000):
        kernel.at(10**12 - number % 7, noting(kernel, log, "taken off")).cancel()
        if number % 100 == 0:
            kernel.at(10**12 - number % 7, noting(kernel, log, str(number)))
    assert len(kernel._heap) < 1000
    kernel.run_until(10**12)
    wanted = sorted(range(0, 20_000, 100), key=lambda number: (-(number % 7), number))
    assert log == [(10**12 - number % 7, str(number)) for number in wanted]
