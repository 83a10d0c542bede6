"""Lessons on the page: the same ones as in the terminal, computed by `busproto.lessons` on virtual buses of their own.

They touch neither the bench nor its port, so every page with the token may show them, also one that only looks.

A lesson is pure computing, for some tenths of a second, or more on a small machine. A thread would share the
interpreter's lock with the event loop and with the bench's worker. Measured with 32 actuators at 50 rounds a second,
one lesson after the other, two busy cores: with a thread 33 to 44 rounds a second were left, and the loop was 8 to 11
ms late at the median; with another process 50 rounds, and 1 to 3 ms. So it is one other process, started at the first
lesson and with a lower priority. One lesson is computed at a time, the others wait, and only a few may wait.
"""

from __future__ import annotations

import asyncio
import multiprocessing
import os
import signal
import threading
from collections import OrderedDict
from collections.abc import Awaitable, Callable
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from multiprocessing import resource_tracker
from typing import Final

import msgspec
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from busproto.errors import InputError
from busproto.lessons import LESSONS, as_json, check, listing

MAX_SEED: Final = 2**31 - 1
MAX_ANSWER_CHARS: Final = 40
MOST_KEPT: Final = 32
"""Lessons that are kept once computed; each is 5 to 40 kB."""
MOST_WAITING: Final = 8
"""Computations that may be under way or wait at a time."""
NICER_BY: Final = 10
OK, BAD, FORBIDDEN, UNKNOWN, BUSY = 200, 400, 403, 404, 503


@dataclass(frozen=True, slots=True)
class Reply:
    """A response: an HTTP status, and JSON."""

    status: int
    body: bytes


Compute = Callable[[str, int, str | None], Reply]
"""Gives a lesson by name and seed, or the verdict on an answer to it. Blocks until it is computed."""


def problem(status: int, text: str) -> Reply:
    """A response with one line: ``{"error": ...}``."""
    return Reply(status, msgspec.json.encode({"error": text}))


def computed(name: str, seed: int, answer: str | None) -> Reply:
    """The lesson, or the verdict on an answer, computed here and now."""
    try:
        return Reply(OK, msgspec.json.encode(as_json(name, seed) if answer is None else check(name, seed, answer)))
    except InputError as error:
        return problem(BAD, str(error))


class OtherProcess:
    """`computed` in a process of its own, which starts when it is needed first."""

    def __init__(self) -> None:
        self._pool: ProcessPoolExecutor | None = None

    def __call__(self, name: str, seed: int, answer: str | None) -> Reply:
        """Compute there; called by one thread at a time."""
        if self._pool is None:
            # spawned, not forked: this process has threads, and the bench's port must not stay open in another
            context = multiprocessing.get_context("spawn")
            self._pool = ProcessPoolExecutor(1, context, initializer=_begin)
        try:
            return self._pool.submit(computed, name, seed, answer).result()
        except BrokenProcessPool:
            self.close()
            return problem(BUSY, "the process that computes lessons has ended; ask again")

    def close(self) -> None:
        """End the process after its present computation."""
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)
            self._pool = None


def _mind_no_interrupt() -> None:
    """Block SIGINT in this thread: Ctrl-C is for the main thread.

    A process started from here inherits that and prints nothing while it starts.
    """
    if hasattr(signal, "pthread_sigmask"):
        resource_tracker.ensure_running()  # multiprocessing starts it sooner or later, and undoes what follows
        signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})


def _begin() -> None:
    """First step of the other process: lower its priority, and ignore Ctrl-C, as the server ends it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches both; the server ends this one in its turn
    if hasattr(os, "nice"):
        os.nice(NICER_BY)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(0)


class LessonDesk:
    """Takes requests for lessons on the event loop; has them computed one after another in the other process."""

    def __init__(self, compute: Compute | None = None) -> None:
        self._other = OtherProcess()
        self._compute: Compute = compute or self._other
        self._thread = ThreadPoolExecutor(1, "lessons", _mind_no_interrupt)
        self._kept: OrderedDict[tuple[str, int], Reply] = OrderedDict()
        self._on_the_way: dict[tuple[str, int], asyncio.Future[Reply]] = {}
        self._waiting = 0

    async def lesson(self, name: str, seed: int) -> Reply:
        """A whole lesson; a page that asks for one that is being computed waits for that."""
        key = name, seed
        if key in self._kept:
            self._kept.move_to_end(key)
            return self._kept[key]
        if key not in self._on_the_way:
            self._on_the_way[key] = asyncio.ensure_future(self._computed_lesson(key))
        return await asyncio.shield(self._on_the_way[key])

    async def verdict(self, name: str, seed: int, answer: str) -> Reply:
        """The verdict on an answer."""
        return await self._in_turn(name, seed, answer)

    def close(self) -> None:
        """Take no more requests. Blocks until the present computation has ended."""
        self._thread.shutdown(cancel_futures=True)
        self._other.close()

    async def _computed_lesson(self, key: tuple[str, int]) -> Reply:
        try:
            reply = await self._in_turn(*key, None)
        finally:
            del self._on_the_way[key]
        if reply.status == OK:
            self._kept[key] = reply
            while len(self._kept) > MOST_KEPT:
                self._kept.popitem(last=False)
        return reply

    async def _in_turn(self, name: str, seed: int, answer: str | None) -> Reply:
        if self._waiting >= MOST_WAITING:
            return problem(BUSY, f"{MOST_WAITING} lessons wait to be computed: try again in a moment")
        self._waiting += 1
        try:
            return await asyncio.get_running_loop().run_in_executor(self._thread, self._compute, name, seed, answer)
        finally:
            self._waiting -= 1


class _NoLesson(InputError):
    """There is no lesson of that name."""


def _name_in(request: Request) -> str:
    name = str(request.path_params["name"])
    if name not in LESSONS:
        raise _NoLesson(f"no lesson of that name: {', '.join(LESSONS)}")
    return name


def _seed_in(request: Request) -> int:
    text = request.query_params.get("seed", "1")
    if not (text.isascii() and text.isdigit() and len(text) <= len(str(MAX_SEED)) and int(text) <= MAX_SEED):
        raise InputError(f"a seed is a whole number, 0 to {MAX_SEED}")
    return int(text)


def _answer_in(request: Request) -> str:
    answer = request.query_params.get("answer", "")
    if not answer.strip():
        raise InputError("there is no answer to check")
    if len(answer) > MAX_ANSWER_CHARS:
        raise InputError(f"an answer has at most {MAX_ANSWER_CHARS} characters")
    return answer


def lesson_routes(desk: LessonDesk, is_let_in: Callable[[str], bool]) -> list[Route]:
    """``/lessons``: the list; ``/lessons/NAME?seed=N``: one; ``/lessons/NAME/check?seed=N&answer=...``: the verdict.

    Args:
        desk: computes them.
        is_let_in: whether the Authorization header of a request names the token.
    """

    async def all_of_them(_: Request) -> Reply:
        return Reply(OK, msgspec.json.encode(listing()))

    async def one(request: Request) -> Reply:
        return await desk.lesson(_name_in(request), _seed_in(request))

    async def verdict(request: Request) -> Reply:
        return await desk.verdict(_name_in(request), _seed_in(request), _answer_in(request))

    def behind_the_door(replied: Callable[[Request], Awaitable[Reply]]) -> Callable[[Request], Awaitable[Response]]:
        async def respond(request: Request) -> Response:
            if not is_let_in(request.headers.get("authorization", "")):
                reply = problem(FORBIDDEN, "lessons are for pages that know the token: open the URL that was printed")
            else:
                try:
                    reply = await replied(request)
                except InputError as error:
                    reply = problem(UNKNOWN if isinstance(error, _NoLesson) else BAD, str(error))
                except asyncio.CancelledError:  # only at the server's end, when its wait has run out
                    reply = problem(BUSY, "the server ends")
            return Response(reply.body, reply.status, media_type="application/json")

        return respond

    return [
        Route("/lessons", behind_the_door(all_of_them)),
        Route("/lessons/{name}", behind_the_door(one)),
        Route("/lessons/{name}/check", behind_the_door(verdict)),
    ]
