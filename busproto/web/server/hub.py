"""The pages that look, and the page that operates.

Every page has bounded queues of its own: a slow page loses old messages and delays no other page. A message about a
state is replaced by a newer one. Positions carry numbers, so that a page sees gaps.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable
from typing import Any, Final

import msgspec

from busproto.errors import InputError
from busproto.web import orders

MAX_POSITIONS: Final = 50
MAX_LINE: Final = 30
MAX_PRIVATE: Final = 100
STREAMS: Final = {"pos": MAX_POSITIONS, "line": MAX_LINE, "said": MAX_PRIVATE}
"""Kinds of messages that are queued in order, with the greatest number of each; the oldest are dropped first."""
KEPT: Final = ("port", "arm", "tiles", "flow", "load")
"""Kinds whose last message a new page gets at once, with the last entries of the line log."""

Submit = Callable[[int, orders.AnyOrder | orders.OperatorLeft], None]


class Page:
    """One connected page.

    Attributes:
        number: from 1; never used twice.
        lost: number of messages of streams that were dropped because it was too slow.
    """

    def __init__(self, number: int) -> None:
        self.number = number
        self.lost = 0
        self._wake = asyncio.Event()
        self._latest: dict[str, str] = {}
        self._streams: dict[str, deque[str]] = {kind: deque() for kind in STREAMS}
        self._private: deque[str] = deque()

    def put(self, key: str, text: str) -> None:
        """Queue a message; by `key` it replaces a waiting one, or joins its stream."""
        stream = self._streams.get(key)
        if stream is None:
            self._latest.pop(key, None)
            self._latest[key] = text
        else:
            if len(stream) >= STREAMS[key]:
                stream.popleft()
                self.lost += 1
            stream.append(text)
        self._wake.set()

    def put_private(self, text: str) -> None:
        """Queue an answer to this page alone. It is dropped where the page asks faster than it reads."""
        if len(self._private) < MAX_PRIVATE:
            self._private.append(text)
            self._wake.set()
        else:
            self.lost += 1

    async def next(self) -> list[str]:
        """Wait for messages, at least one: private answers first, then states, then the streams."""
        await self._wake.wait()
        self._wake.clear()
        texts = [*self._private, *self._latest.values()]
        self._private.clear()
        self._latest.clear()
        for stream in self._streams.values():
            texts += stream
            stream.clear()
        return texts


class Hub:
    """All pages. Everything here runs on the server's event loop, but for `publish` and `to_one`.

    Attributes:
        pages: by number.
        operator: the number of the page that operates; None where none does.
    """

    def __init__(self) -> None:
        self.pages: dict[int, Page] = {}
        self.operator: int | None = None
        self.on_pages: Callable[[bool], None] = lambda _: None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._submit: Submit = lambda *_: None
        self._kept: dict[str, str] = {}
        self._kept_lines: deque[str] = deque(maxlen=MAX_LINE)
        self._numbers = 0

    def begin(self, submit: Submit) -> None:
        """Start; orders go to `submit`. Called on the loop."""
        self._loop = asyncio.get_running_loop()
        self._submit = submit

    # --- from the worker ----------------------------------------------------------------------------------------

    def publish(self, key: str, body: dict[str, Any]) -> None:
        """A message for every page. May be called from any thread."""
        self._on_loop(self._spread, key, encode(body))
        if key == "line":
            told = [entry for entry in body["entries"] if entry["kind"] != "round"]  # polling would displace the rest
            if told:
                self._on_loop(self._kept_lines.append, encode({**body, "entries": told, "left_out": 0}))

    def to_one(self, page: int, body: dict[str, Any]) -> None:
        """A message for one page. May be called from any thread."""
        self._on_loop(self._give, page, encode(body))

    def _on_loop(self, call: Callable[..., None], *arguments: Any) -> None:
        loop = self._loop
        if loop is not None and not loop.is_closed():
            loop.call_soon_threadsafe(call, *arguments)

    def _spread(self, key: str, text: str) -> None:
        if key in KEPT:
            self._kept[key] = text
        for page in self.pages.values():
            page.put(key, text)

    def _give(self, number: int, text: str) -> None:
        page = self.pages.get(number)
        if page is not None:
            page.put_private(text)

    # --- pages --------------------------------------------------------------------------------------------------

    def join(self) -> Page:
        """Add a page; where no page operates, it becomes the operator."""
        self._numbers += 1
        page = Page(self._numbers)
        self.pages[page.number] = page
        for key, text in self._kept.items():
            page.put(key, text)
        for text in self._kept_lines:
            page.put("line", text)
        if self.operator is None:
            self.operator = page.number
        self._tell_roles()
        self.on_pages(True)
        return page

    def leave(self, page: Page) -> None:
        """Remove a page; where it was the operator, the worker is told."""
        self.pages.pop(page.number, None)
        if self.operator == page.number:
            self._free()
        self._tell_roles()
        self.on_pages(bool(self.pages))

    def _free(self) -> None:
        self.operator = None
        self._submit(0, orders.OperatorLeft())

    def order(self, page: Page, text: str | bytes) -> None:
        """Check an order of a page and pass it on, or refuse it."""
        try:
            order = orders.read_order(text)
            self._follow(page, order)
        except InputError as error:
            page.put_private(encode({"k": "refused", "text": str(error)}))

    def _follow(self, page: Page, order: orders.AnyOrder) -> None:
        if isinstance(order, orders.Take):
            if self.operator not in {None, page.number}:
                raise InputError("another page operates this bench: wait until it leaves or hands over")
            self.operator = page.number
            self._tell_roles()
            return
        if not isinstance(order, orders.FOR_ALL_PAGES) and page.number != self.operator:
            raise InputError("this page only looks: another page operates the bench")
        if isinstance(order, orders.HandOver):
            self._hand_over(order.to)
            return
        self._submit(page.number, order)

    def _hand_over(self, to: int) -> None:
        if to and to not in self.pages:
            raise InputError(f"there is no page {to}")
        self._free()
        self.operator = to or None
        self._tell_roles()

    def _tell_roles(self) -> None:
        for page in self.pages.values():
            others = [number for number in self.pages if number != page.number]
            body = {"k": "role", "you": page.number, "operator": self.operator, "others": others}
            page.put("role", encode(body))


def encode(body: dict[str, Any]) -> str:
    """A message for the pages as JSON text."""
    return msgspec.json.encode(body).decode()
