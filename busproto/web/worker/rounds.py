"""Polling: reports of all actuators in turn, together with the demands."""

from __future__ import annotations

from busproto.errors import OperationError
from busproto.ops.moving.motion import demand, engage, release, report_round
from busproto.ops.transact import transact
from busproto.web.bus.board import Board
from busproto.web.worker.arming import Arming
from busproto.web.worker.ending import Runs
from busproto.web.worker.telling import Teller
from busproto.wire.messages import Report, State, Status


class Rounds:
    """Makes rounds of polling.

    Attributes:
        is_on: whether the operator wants polling.
    """

    def __init__(self, run: Runs, board: Board, arming: Arming, teller: Teller) -> None:
        self.is_on = True
        self._run, self._board, self._arming, self._teller = run, board, arming, teller
        self._in_turn = 0

    @property
    def is_due(self) -> bool:
        """Whether a round is due: a page is connected, and there are actuators that can be asked."""
        return self.is_on and self._teller.has_watchers and bool(self._board.alone)

    def poll(self) -> None:
        """Make one round. Raises BusError; OperationError where an actuator with a demand does not answer any more."""
        if self._arming.only_looks:
            self._ask_one()  # a report round would leave no gap for the other sender
            return
        wanted, self._arming.to_release = self._arming.to_release, []
        for address in wanted:
            self._run(release(address))
        engaged = self._take_hold()
        self._ask_all()
        for address in engaged:  # an actuator that got its demand since then is engaged in the next round
            fraction = self._arming.fractions.get(address)
            if fraction is not None and self._arming.is_armed:
                self._run(demand(address, fraction))
        for tile in self._arming.demanded():
            if tile.is_silent:
                raise OperationError(tile.address, f"address {tile.address} has a demand and does not answer any more")
        self._ask_one()

    def _take_hold(self) -> list[int]:
        """Engage actuators that have a demand and are released. Returns the addresses of all with a demand."""
        demanded = self._arming.demanded()
        for tile in demanded:
            if tile.state is State.RELEASED:
                tile.state = self._run(engage(tile.address))
        return [tile.address for tile in demanded]

    def _ask_all(self) -> None:
        """Ask for brief reports of all, in rows; the first row carries the demands of channels."""
        fractions = dict(self._arming.channel_fractions) if self._arming.is_armed else {}
        for first, count in self._board.rows():
            reports = self._run(report_round(first, count, fractions or None))
            fractions = {}
            for tile in self._board.alone:
                if first <= tile.address < first + count:
                    tile.answered() if tile.address in reports else tile.did_not_answer()

    def _ask_one(self) -> None:
        """Ask for the whole report of one actuator, the next in turn."""
        alone = self._board.alone
        self._in_turn = (self._in_turn + 1) % len(alone)
        tile = alone[self._in_turn]
        try:
            self._run(transact(Report(), tile.address, Status, attempts=1))
        except OperationError:
            tile.did_not_answer()
        else:
            tile.answered()
        self._teller.health(tile)
