"""Arming: whether demands are sent, the present demands, and the watch on the operator."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from busproto.cautions import CAUTIONS
from busproto.errors import InputError
from busproto.web import orders
from busproto.web.bus.board import Board, Tile
from busproto.web.worker.telling import Publish

SILENCE_S: Final = 3.0
"""The operator's page says that it is there every second."""
HIDDEN_S: Final = 5.0


class Arming:
    """The state of arming. Nothing moves before every caution was ticked.

    Attributes:
        is_armed: whether demands are sent.
        was_armed: whether it was ever armed.
        is_owed: whether it was armed since the last complete release of all actuators.
        only_looks: another sender demands on the line; the bench is then never armed.
        fractions, channel_fractions: the demands, -1..+1, by address and by channel.
        to_release: addresses whose demand was taken away, still to be released.
    """

    def __init__(
        self,
        board: Board,
        publish: Publish,
        clock: Callable[[], float],
        hindrance: Callable[[], str],
        *,
        only_looks: bool,
    ) -> None:
        """Args: clock: seconds; hindrance: why nothing can be demanded now, "" where it can."""
        self.is_armed = self.was_armed = self.is_owed = False
        self.only_looks = only_looks
        self.fractions: dict[int, float] = {}
        self.channel_fractions: dict[int, float] = {}
        self.to_release: list[int] = []
        self._board, self._publish, self._clock, self._hindrance = board, publish, clock, hindrance
        self._alive_s = clock()
        self._hidden_s: float | None = None

    # --- what the operator orders -------------------------------------------------------------------------------

    def arm(self, order: orders.Arm) -> None:
        """Arm. Raises InputError where that is not allowed."""
        if sorted(set(order.ticked)) != list(range(len(CAUTIONS))):
            raise InputError("every caution is to be ticked first; nothing was armed")
        if self.only_looks:
            raise InputError("another sender demands on this line (--beside-receiver): this bench only looks")
        if not self._board.alone:
            raise InputError("no actuator is known on the line: find the actuators first")
        if why := self._hindrance():
            raise InputError(why)
        self.is_armed = self.was_armed = self.is_owed = True
        self._alive_s, self._hidden_s = self._clock(), None
        self.tell()

    def demand_one(self, order: orders.DemandOne) -> None:
        """Set or take away the demand of one actuator. Raises InputError where that is not allowed."""
        tile = self._board.at(order.address)
        if tile is None:
            raise InputError(f"address {order.address} has no known actuator, or more than one")
        if order.fraction is None:
            self.fractions.pop(order.address, None)
            self.to_release.append(order.address)
        else:
            self._require_armed()
            if tile.channel in self.channel_fractions:
                raise InputError(f"channel {tile.channel} has a demand already; take that away first")
            self.fractions[order.address] = order.fraction
        self.tell()

    def demand_channel(self, order: orders.DemandChannel) -> None:
        """Set or take away the demand of a channel. Raises InputError where that is not allowed."""
        tiles = self._board.on_channel(order.channel)
        if not tiles:
            raise InputError(f"no actuator whose settings were read follows channel {order.channel}")
        if order.fraction is None:
            self.channel_fractions.pop(order.channel, None)
            self.to_release += [tile.address for tile in tiles]
        else:
            self._require_armed()
            if any(tile.address in self.fractions for tile in tiles):
                text = f"an actuator on channel {order.channel} has a demand of its own; take that away first"
                raise InputError(text)
            self.channel_fractions[order.channel] = order.fraction
        self.tell()

    def _require_armed(self) -> None:
        if not self.is_armed:
            raise InputError("not armed: tick the cautions and arm first; nothing was moved")
        if why := self._hindrance():
            raise InputError(why)

    # --- the operator -------------------------------------------------------------------------------------------

    def alive(self, order: orders.Alive) -> None:
        """Take a sign of life of the operator's page."""
        self._alive_s = self._clock()
        if order.visible:
            self._hidden_s = None
        elif self._hidden_s is None:
            self._hidden_s = self._clock()

    def why_unattended(self) -> str:
        """Why the operator counts as absent; "" where not armed, or the operator is present."""
        if not self.is_armed:
            return ""
        now_s = self._clock()
        if now_s - self._alive_s > SILENCE_S:
            return "nothing was heard of the operator's page"
        if self._hidden_s is not None and now_s - self._hidden_s > HIDDEN_S:
            return "the operator's page was hidden"
        return ""

    # --- state --------------------------------------------------------------------------------------------------

    def demanded(self) -> list[Tile]:
        """The actuators that have a demand now."""
        if not self.is_armed:
            return []
        return [
            tile
            for tile in self._board.alone
            if tile.address in self.fractions or tile.channel in self.channel_fractions
        ]

    def disarmed(self, why: str, limp: str = "") -> None:
        """Disarm and drop all demands; `limp`: the result of releasing all actuators."""
        self.is_armed = False
        self.fractions, self.channel_fractions, self.to_release = {}, {}, []
        self.tell(why, limp)

    def without_demands(self) -> None:
        """Drop all demands; arming stays as it is."""
        self.fractions, self.channel_fractions = {}, {}
        self.tell()

    def tell(self, why: str = "", limp: str = "") -> None:
        """Send the state of arming to all pages."""
        body: dict[str, Any] = {
            "k": "arm",
            "armed": self.is_armed,
            "reason": why,
            "limp": limp,
            "demands": {str(address): fraction for address, fraction in self.fractions.items()},
            "channels": {str(channel): fraction for channel, fraction in self.channel_fractions.items()},
        }
        self._publish("arm", body)
