"""How an actuator notices that its demand is lost: no valid one came for its loss time-out."""

from __future__ import annotations

from collections.abc import Callable

from busproto.sim.kernel import Event, Kernel


class LossWatch:
    """One actuator's loss time-out.

    Attributes:
        was_lost: the demand was lost since it has power.
    """

    def __init__(
        self,
        kernel: Kernel,
        *,
        time_out_ns: Callable[[], int],
        is_at_work: Callable[[], bool],
        lost: Callable[[], None],
    ) -> None:
        """No time-out runs yet.

        Args:
            kernel: the clock.
            time_out_ns: the time-out that is set now, ns.
            is_at_work: whether it follows demands; else there is nothing to lose.
            lost: called when the time-out has passed.
        """
        self._kernel = kernel
        self._time_out_ns = time_out_ns
        self._is_at_work = is_at_work
        self._lost = lost
        self._waiting: Event | None = None
        self.start()

    def start(self) -> None:
        """Begin as after power-up: no time-out runs, no demand was lost."""
        self._fed_ns = 0
        self._waiting = None
        self.was_lost = False

    def stop(self) -> None:
        """Power is gone: the time-out runs no more."""
        if self._waiting is not None:
            self._waiting.cancel()

    def fed(self) -> None:
        """A valid demand came, or engage: the time-out begins anew."""
        self._fed_ns = self._kernel.now_ns
        if self._waiting is None:  # one event for many demands: it looks again where one came meanwhile
            self._wait()

    def forget(self) -> None:
        """No time-out runs any more: the next demand begins one of the length that is set then."""
        if self._waiting is not None:
            self._waiting.cancel()
            self._waiting = None

    def time_out_changed(self) -> None:
        """A time-out that runs is as long as is set now, from the last demand on."""
        if self._waiting is not None:
            self._waiting.cancel()
            self._wait()

    def _wait(self) -> None:
        self._waiting = self._kernel.at(self._fed_ns + self._time_out_ns(), self._look)

    def _look(self) -> None:
        self._waiting = None
        if not self._is_at_work():
            return
        if self._fed_ns + self._time_out_ns() > self._kernel.now_ns:
            self._wait()
            return
        self.was_lost = True
        self._lost()
