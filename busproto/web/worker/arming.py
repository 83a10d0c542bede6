"""Whether demands go through, which demands there are, and whether the operator is still there."""

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
    """Nothing moves before every caution was ticked.

    Attributes:
        is_armed: whether demands go through.
        was_armed: whether they ever did.
        is_owed: whether it was armed since all were let go last, to the end.
        only_looks: another sender demands on the line; it is never armed then.
        shares, channel_fractions: the demands, -1..+1, by address and by channel.
        to_release: addresses whose demand was taken away, still to be let go.
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
        """Let demands through. Raises InputError where that may not be."""
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
        """A demand for one actuator, or none any more. Raises InputError where that may not be."""
        tile = self._board.at(order.address)
        if tile is None:
            raise InputError(f"address {order.address} is not that of one known actuator alone")
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
        """A demand for all actuators on a channel, or none any more. Raises InputError where that may not be."""
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
        """The operator's page is there."""
        self._alive_s = self._clock()
        if order.visible:
            self._hidden_s = None
        elif self._hidden_s is None:
            self._hidden_s = self._clock()

    def why_unattended(self) -> str:
        """Why the operator cannot be taken to be there, "" where nothing is armed or all is well."""
        if not self.is_armed:
            return ""
        now_s = self._clock()
        if now_s - self._alive_s > SILENCE_S:
            return "nothing was heard of the operator's page"
        if self._hidden_s is not None and now_s - self._hidden_s > HIDDEN_S:
            return "the operator's page was hidden"
        return ""

    # --- how it stands ------------------------------------------------------------------------------------------

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
        """Nothing is demanded any more, and why; `limp`: what was seen when all were let go."""
        self.is_armed = False
        self.fractions, self.channel_fractions, self.to_release = {}, {}, []
        self.tell(why, limp)

    def without_demands(self) -> None:
        """Armed as before, but nothing is demanded."""
        self.fractions, self.channel_fractions = {}, {}
        self.tell()

    def tell(self, why: str = "", limp: str = "") -> None:
        """How it stands, to all pages."""
        body: dict[str, Any] = {
            "k": "arm",
            "armed": self.is_armed,
            "reason": why,
            "limp": limp,
            "demands": {str(address): fraction for address, fraction in self.fractions.items()},
            "channels": {str(channel): fraction for channel, fraction in self.channel_fractions.items()},
        }
        self._publish("arm", body)
