"""All messages to pages about the bus; fast values no more often than a page can show them."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any, Final

from busproto.ops.steps import Progress
from busproto.transport.base import Transport
from busproto.web.bus.board import Board, Tile, health_json
from busproto.web.bus.line_log import LineLog
from busproto.web.bus.live_bus import LiveBus
from busproto.web.bus.tap import Tap
from busproto.web.bus.virtual import bus_json

MS: Final = 1_000_000
PERIOD_NS: Final = 20 * MS
"""Least time between two messages with positions; polling makes up to 50 rounds a second."""
LINE_PERIOD_S: Final = 0.1
SLOW_PERIOD_S: Final = 0.5
Publish = Callable[[str, dict[str, Any]], None]
ToOne = Callable[[int, dict[str, Any]], None]


class Teller:
    """Sends messages from the worker to the pages.

    Attributes:
        has_watchers: whether any page is connected; without one no positions are sent.
        worker_cpu_s: processor time of the worker's thread so far, s.
    """

    def __init__(self, publish: Publish, to_one: ToOne, board: Board, log: LineLog, clock: Callable[[], float]) -> None:
        """Args: publish: given a key and a body for all pages; to_one: given the number of a page and a body for it
        alone; clock: seconds.
        """
        self.publish, self.to_one = publish, to_one
        self.has_watchers = False
        self.worker_cpu_s = 0.0
        self._board, self._log, self._clock = board, log, clock
        self._seq = 0
        self._sent_ns = self._line_s = self._slow_s = 0.0

    def said(self, text: str) -> None:
        """Send a line for the list of what happened."""
        self.publish("said", {"k": "said", "text": text})

    def refused(self, page: int, text: str) -> None:
        """Send the reason why an order of this page was refused."""
        self.to_one(page, {"k": "refused", "text": text})

    def tiles(self) -> None:
        """Send the known actuators, a tile each, to every page."""
        self.publish("tiles", {"k": "tiles", "tiles": self._board.tiles_json()})

    def health(self, tile: Tile) -> None:
        """Send the slow values of one actuator."""
        self.publish(f"health {tile.uid.hex()}", {"k": "health", **health_json(tile)})

    def progress(self, step: Progress) -> None:
        """Send the progress of an operation."""
        self.publish("progress", {"k": "progress", "task": step.task, "at": step.at, "of": step.of})

    def port(self, port: Transport | None, state: str, text: str = "") -> None:
        """Send the state of the port: "open" or "closed", and why."""
        body: dict[str, Any] = {"k": "port", "state": state, "text": text, "virtual": isinstance(port, LiveBus)}
        if port is not None:
            body |= {"url": port.url, "baud": port.baud}
        if isinstance(port, LiveBus):
            body |= bus_json(port)
        self.publish("port", body)

    def what_changes(self, tap: Tap, port: Transport | None) -> None:
        """Send positions, the line log and the load, each in its own period; may be called at any rate."""
        now_s, now_ns = self._clock(), tap.now_ns()
        if self.has_watchers and self._board.tiles and now_ns - self._sent_ns >= PERIOD_NS:
            self._sent_ns = now_ns
            self._seq += 1
            body = {"k": "pos", "seq": self._seq, "ms": now_ns // MS, "rows": self._board.moving_json()}
            self.publish("pos", body)
        if now_s - self._line_s >= LINE_PERIOD_S:
            self._line_s = now_s
            news = self._log.news()
            if news is not None:
                self.publish("line", {"k": "line", **news})
        if now_s - self._slow_s >= SLOW_PERIOD_S:
            self._slow_s = now_s
            self.worker_cpu_s = time.thread_time()
            lost_ms = port.lost_ns // MS if isinstance(port, LiveBus) else 0
            self.publish("load", {"k": "load", "load": round(tap.load, 3), "lost_ms": lost_ms})
