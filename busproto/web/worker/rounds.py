"""Polling: reports of all actuators in turn, with the demands in between."""

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
    """Round after round.

    Attributes:
        is_on: whether the operator wants polling.
    """

    def __init__(self, run: Runs, board: Board, arming: Arming, teller: Teller) -> None:
        self.is_on = True
        self._run, self._board, self._arming, self._teller = run, board, arming, teller
        self._in_turn = 0

    @property
    def is_due(self) -> bool:
        """Whether a round is to be made now: pages look, and there are actuators that can be asked."""
        return self.is_on and self._teller.has_watchers and bool(self._board.alone)

    def poll(self) -> None:
        """One round. Raises BusError; OperationError where one that has a demand does not answer any more."""
        if self._arming.only_looks:
            self._ask_one()  # a round of all would leave no gap for the other sender
            return
        wanted, self._arming.to_release = self._arming.to_release, []
        for address in wanted:
            self._run(release(address))
        engaged = self._take_hold()
        self._ask_all()
        for address in engaged:  # one that got its demand only since then comes next time
            fraction = self._arming.fractions.get(address)
            if fraction is not None and self._arming.is_armed:
                self._run(demand(address, fraction))
        for tile in self._arming.demanded():
            if tile.is_silent:
                raise OperationError(tile.address, f"address {tile.address} has a demand and does not answer any more")
        self._ask_one()

    def _take_hold(self) -> list[int]:
        """Engage those that have a demand and were told to be limp. Returns the addresses of all that have one."""
        demanded = self._arming.demanded()
        for tile in demanded:
            if tile.state is State.RELEASED:
                tile.state = self._run(engage(tile.address))
        return [tile.address for tile in demanded]

    def _ask_all(self) -> None:
        """A brief report of each, in rows; the first row carries the demands of channels."""
        fractions = dict(self._arming.channel_fractions) if self._arming.is_armed else {}
        for first, count in self._board.rows():
            reports = self._run(report_round(first, count, fractions or None))
            fractions = {}
            for tile in self._board.alone:
                if first <= tile.address < first + count:
                    tile.answered() if tile.address in reports else tile.did_not_answer()

    def _ask_one(self) -> None:
        """A whole report of one after another."""
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
