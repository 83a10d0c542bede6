"""Cases on a port, in a time in which the machine kept its times.

On a port a case waits and speaks in real time. Where the machine is so busy that this process is woken up late, a
demand comes late, and a healthy actuator loses its signal: what fails then says nothing of the actuator. So the
machine's lateness is measured while a case runs. A case that failed beside it is run again; one that fails late each
time is not checked. A case that passed has passed, and one that failed in time has failed.
"""

from __future__ import annotations

import threading
import time
from types import TracebackType
from typing import Any, Final, Self

import pytest
from _pytest.runner import runtestprotocol

TRIES: Final = 4
LATE_S: Final = 0.008
"""s. How late this process may be woken up in a case that counts; the shortest time-outs of the suite are 20 ms."""
EVERY_S: Final = 0.002


class Watch:
    """Measures within a ``with`` block how late this process is woken up.

    Attributes:
        worst_s: the greatest lateness so far, s.
    """

    def __init__(self) -> None:
        self.worst_s = 0.0
        self._is_over = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def _run(self) -> None:
        before_s = time.monotonic()
        while not self._is_over.wait(EVERY_S):
            now_s = time.monotonic()
            self.worst_s = max(self.worst_s, now_s - before_s - EVERY_S)
            before_s = now_s

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._is_over.set()
        self._thread.join()


def run_in_time(item: pytest.Item, nextitem: pytest.Item | None, watch: type[Watch] = Watch) -> int:
    """Run a case, again where it failed beside a machine that was late, and report the last try.

    Returns:
        How often it was tried again.
    """
    item.ihook.pytest_runtest_logstart(nodeid=item.nodeid, location=item.location)
    again, worst_s = 0, 0.0
    while True:
        with watch() as seen:
            reports = runtestprotocol(item, log=False, nextitem=nextitem)
        if not any(one.failed for one in reports) or seen.worst_s < LATE_S:
            break
        worst_s = max(worst_s, seen.worst_s)
        if again + 1 == TRIES:
            for one in reports:
                _call_off(item, one, worst_s)
            break
        again += 1
        item._initrequest()  # type: ignore[attr-defined]  # its fixtures are made anew, as for a first run
    for one in reports:
        item.ihook.pytest_runtest_logreport(report=one)
    item.ihook.pytest_runtest_logfinish(nodeid=item.nodeid, location=item.location)
    return again


def _call_off(item: pytest.Item, report: Any, worst_s: float) -> None:
    """A failure in a late try becomes a case that is not checked."""
    if report.failed:
        why = f"the machine was too busy: up to {worst_s * 1000:.0f} ms late in each of {TRIES} tries"
        report.outcome = "skipped"
        report.longrepr = (str(item.path), (item.location[1] or 0) + 1, f"Skipped: not checked: {why}")
