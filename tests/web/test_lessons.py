"""Lessons over HTTP: the same as in the terminal, checked by the simulator, behind the doors, beside the event loop."""

from __future__ import annotations

import asyncio
import contextlib
import json
import multiprocessing
import os
import signal
import subprocess
import sys
import threading
import urllib.request
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("starlette", reason="the page's libraries are not installed: pip install 'busproto[web]'")
pytest.importorskip("httpx2", reason="the ASGI test client needs httpx2")

import msgspec
from starlette.requests import Request
from starlette.testclient import TestClient

from busproto.lessons import LESSONS, as_json, lesson_named, listing
from busproto.web.flows.table import FLOWS
from busproto.web.server.app import Doors, make_app
from busproto.web.server.hub import Hub
from busproto.web.server.lessons import (
    MAX_SEED,
    MOST_KEPT,
    MOST_WAITING,
    Compute,
    LessonDesk,
    OtherProcess,
    Reply,
    computed,
    lesson_routes,
)
from busproto.web.worker.bus_worker import BusWorker
from tests.web.asgi import HOST, ORIGIN, TOKEN, come_in, talk
from tests.web.helpers import PATIENCE_S, RIG, Port

pytestmark = pytest.mark.realtime

BEARER = {"authorization": f"Bearer {TOKEN}"}
RUN = "from busproto.cli.bus.serve_command import command; command()"


@contextmanager
def client(compute: Compute | None = computed) -> Iterator[TestClient]:
    """A page's requests; lessons are computed in this process, where nothing else is asked for."""
    hub = Hub()
    worker = BusWorker(Port(RIG), hub.publish, hub.to_one, FLOWS)
    app = make_app(hub, worker, Doors(TOKEN, 8765), lesson_desk=LessonDesk(compute))
    with TestClient(app, base_url=ORIGIN, headers=BEARER) as made:
        yield made


class Gate:
    """Computes nothing before it is opened.

    Attributes:
        opened: lets everything through.
        began: something has begun to be computed.
        asked: what was computed, in order.
        most_at_once: how many at a time.
    """

    def __init__(self) -> None:
        self.opened, self.began = threading.Event(), threading.Event()
        self.asked: list[tuple[str, int, str | None]] = []
        self.most_at_once = 0
        self._at_once = 0

    def __call__(self, name: str, seed: int, answer: str | None) -> Reply:
        self._at_once += 1
        self.most_at_once = max(self.most_at_once, self._at_once)
        self.asked.append((name, seed, answer))
        self.began.set()
        assert self.opened.wait(PATIENCE_S)
        self._at_once -= 1
        return Reply(200, json.dumps({"name": name, "seed": seed}).encode())


def truth_of(name: str, seed: int) -> str:
    """The answer as one types it, from the virtual bus of that seed."""
    question = lesson_named(name).question(seed)
    return question.form.show(question.solve().value)


def other_than(name: str, truth: str) -> str:
    """What is right for another seed, and wrong here."""
    return next(other for seed in range(50) if (other := truth_of(name, seed)) != truth)


def test_the_list_is_that_of_the_terminal() -> None:
    with client() as one:
        assert one.get("/lessons").json() == listing()
        assert len(listing()) == 9


@pytest.mark.parametrize("name", LESSONS)
def test_a_lesson_is_the_same_as_elsewhere_and_its_answer_is_checked_by_the_simulator(name: str) -> None:
    with client() as one:
        assert one.get(f"/lessons/{name}").json() == as_json(name, 1)
        for seed in (1, 4):
            assert one.get(f"/lessons/{name}", params={"seed": seed}).json() == as_json(name, seed)
            truth = truth_of(name, seed)
            wrong = other_than(name, truth)
            good = one.get(f"/lessons/{name}/check", params={"seed": seed, "answer": truth}).json()
            bad = one.get(f"/lessons/{name}/check", params={"seed": seed, "answer": wrong}).json()
            assert (good["right"], good["given"], good["truth"]) == (True, truth, truth)
            assert (bad["right"], bad["given"], bad["truth"]) == (False, wrong, truth)
            assert good["reason"] == bad["reason"] != ""


def test_another_seed_has_another_truth() -> None:
    truths = {seed: truth_of("and", seed) for seed in range(12)}
    first = truths[0]
    other = next(seed for seed, truth in truths.items() if truth != first)
    with client() as one:
        assert one.get("/lessons/and/check", params={"seed": 0, "answer": first}).json()["right"] is True
        assert one.get("/lessons/and/check", params={"seed": other, "answer": first}).json()["right"] is False


@pytest.mark.parametrize(
    ("path", "params", "status", "text"),
    [
        ("/lessons/nothing", {}, 404, "no lesson of that name: frame, alike"),
        ("/lessons/nothing/check", {"answer": "1"}, 404, "no lesson of that name"),
        ("/lessons/%2e%2e", {}, 404, ""),
        ("/lessons/and", {"seed": "-1"}, 400, f"whole number, 0 to {MAX_SEED}"),
        ("/lessons/and", {"seed": str(MAX_SEED + 1)}, 400, "a seed is"),
        ("/lessons/and", {"seed": "9" * 5000}, 400, "a seed is"),
        ("/lessons/and", {"seed": "1.5"}, 400, "a seed is"),
        ("/lessons/and", {"seed": "\u0663"}, 400, "a seed is"),
        ("/lessons/and", {"seed": ""}, 400, "a seed is"),
        ("/lessons/and/check", {"seed": "x", "answer": "5c"}, 400, "a seed is"),
        ("/lessons/and/check", {}, 400, "there is no answer"),
        ("/lessons/and/check", {"answer": " "}, 400, "there is no answer"),
        ("/lessons/and/check", {"answer": "5" * 41}, 400, "at most 40 characters"),
        ("/lessons/and/check", {"answer": "zz"}, 400, "a byte as two digits"),
        ("/lessons/tree/check", {"answer": "5c"}, 400, "a whole number"),
        ("/lessons/backoff/check", {"answer": "7"}, 400, "one letter"),
    ],
)
def test_what_makes_no_sense_is_refused_in_one_line(path: str, params: dict[str, str], status: int, text: str) -> None:
    with client() as one:
        answer = one.get(path, params=params)
        assert answer.status_code == status
        if text:
            assert text in answer.json()["error"]
            assert "\n" not in answer.json()["error"]
        assert one.post("/lessons/and").status_code == 405


def test_the_greatest_seed_is_one() -> None:
    with client() as one:
        assert one.get("/lessons/tree", params={"seed": MAX_SEED}).json()["seed"] == MAX_SEED


@pytest.mark.parametrize("path", ["/lessons", "/lessons/and", "/lessons/and/check?answer=5c"])
@pytest.mark.parametrize(
    "headers",
    [
        {"authorization": ""},
        {"authorization": TOKEN},
        {"authorization": "Bearer another"},
        {"authorization": f"Bearer {TOKEN}x"},
        {"authorization": f"Basic {TOKEN}"},
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"host": "evil.example:8765"},
        {"host": "127.0.0.1:80"},
    ],
    ids=str,
)
def test_only_a_page_of_ours_that_knows_the_token_gets_lessons(path: str, headers: dict[str, str]) -> None:
    gate = Gate()
    gate.opened.set()
    with client(gate) as one:
        assert one.get(path, headers=headers).status_code == 403
        assert gate.asked == []
        good = one.get(path, headers={"host": HOST, "origin": ORIGIN})
        assert good.status_code == 200
        assert "default-src 'none'" in good.headers["content-security-policy"]


def test_the_bench_and_other_pages_are_served_while_a_lesson_is_computed() -> None:
    gate = Gate()
    with client(gate) as one, ThreadPoolExecutor(1) as threads:
        lesson = threads.submit(one.get, "/lessons/and")
        assert gate.began.wait(PATIENCE_S)
        assert one.get("/").status_code == 200
        assert one.get("/lessons").json() == listing()
        with come_in(one) as session:
            assert talk(session).flow("find")["state"] == "done"
        assert not lesson.done()
        gate.opened.set()
        assert lesson.result(PATIENCE_S).json() == {"name": "and", "seed": 1}


def test_who_only_looks_on_takes_lessons_and_the_bus_hears_nothing_of_it() -> None:
    port, hub = Port(RIG), Hub()
    app = make_app(
        hub, BusWorker(port, hub.publish, hub.to_one, FLOWS), Doors(TOKEN, 8765), lesson_desk=LessonDesk(computed)
    )
    with (
        TestClient(app, base_url=ORIGIN, headers=BEARER) as one,
        come_in(one) as first,
        come_in(one) as second,
    ):
        talk(first).wait("role", lambda body: body["operator"] == 1)
        looker = talk(second)
        looker.wait("role", lambda body: (body["you"], body["operator"]) == (2, 1))
        heard = len(port.buses[-1].line.record or ())
        assert one.get("/lessons/loss").json() == as_json("loss", 1)
        assert len(port.buses[-1].line.record or ()) == heard
        assert len(port.buses) == 1
        looker.order("start", flow="find")
        assert "only looks" in looker.wait("refused")["text"]


def test_one_is_computed_at_a_time_and_the_same_one_only_once() -> None:
    gate = Gate()

    async def ask() -> list[Reply]:
        desk = LessonDesk(gate)
        asked = [asyncio.create_task(desk.lesson("and", seed)) for seed in (1, 1, 2, 1)]
        asked.append(asyncio.create_task(desk.verdict("and", 1, "5c")))
        await asyncio.to_thread(gate.began.wait, PATIENCE_S)
        gate.opened.set()
        replies = await asyncio.gather(*asked)
        replies.append(await desk.lesson("and", 2))
        await asyncio.to_thread(desk.close)
        return replies

    replies = asyncio.run(ask())
    assert [msgspec.json.decode(reply.body)["seed"] for reply in replies] == [1, 1, 2, 1, 1, 2]
    assert Counter(gate.asked) == Counter([("and", 1, None), ("and", 2, None), ("and", 1, "5c")])
    assert gate.most_at_once == 1


def test_few_may_wait_and_the_next_is_told_so() -> None:
    gate = Gate()

    async def ask() -> tuple[Reply, list[Reply], Reply]:
        desk = LessonDesk(gate)
        asked = [asyncio.create_task(desk.lesson("and", seed)) for seed in range(MOST_WAITING + 1)]
        refused = await asked[-1]
        assert not any(one.done() for one in asked[:-1])
        gate.opened.set()
        replies = list(await asyncio.gather(*asked[:-1]))
        again = await desk.lesson("and", MOST_WAITING)  # what was refused is not kept
        await asyncio.to_thread(desk.close)
        return refused, replies, again

    refused, replies, again = asyncio.run(ask())
    assert refused.status == 503
    assert "try again" in msgspec.json.decode(refused.body)["error"]
    assert {reply.status for reply in (*replies, again)} == {200}


def test_the_lessons_that_are_kept_are_few_and_those_asked_for_last() -> None:
    gate = Gate()
    gate.opened.set()

    async def ask() -> None:
        desk = LessonDesk(gate)
        for seed in (*range(MOST_KEPT), 0, MOST_KEPT, 0, 1):
            await desk.lesson("and", seed)
        await asyncio.to_thread(desk.close)

    asyncio.run(ask())
    assert [seed for _, seed, _ in gate.asked] == [*range(MOST_KEPT), MOST_KEPT, 1]


def test_a_problem_is_not_kept() -> None:
    replies = iter([Reply(503, b"{}"), Reply(200, b"{}")])

    async def ask() -> list[int]:
        desk = LessonDesk(lambda *_: next(replies))
        found = [(await desk.lesson("and", 1)).status for _ in range(3)]
        await asyncio.to_thread(desk.close)
        return found

    assert asyncio.run(ask()) == [503, 200, 200]


def test_the_other_process_computes_the_same_and_comes_back_after_it_was_killed() -> None:
    before = set(multiprocessing.active_children())
    other = OtherProcess()
    try:
        assert msgspec.json.decode(other("tree", 5, None).body) == as_json("tree", 5)
        assert msgspec.json.decode(other("tree", 5, truth_of("tree", 5)).body)["right"] is True
        assert other("tree", 5, "x").status == 400
        (process,) = set(multiprocessing.active_children()) - before
        process.kill()
        process.join(PATIENCE_S)
        gone = other("tree", 5, None)
        assert gone.status == 503
        assert "ask again" in msgspec.json.decode(gone.body)["error"]
        assert other("tree", 5, None).status == 200
    finally:
        other.close()
    assert set(multiprocessing.active_children()) == before


def test_the_whole_server_computes_in_the_other_process() -> None:
    before = set(multiprocessing.active_children())
    with client(None) as one:
        assert one.get("/lessons").status_code == 200
        assert set(multiprocessing.active_children()) == before  # only a lesson starts it
        assert one.get("/lessons/loss?seed=2").json() == as_json("loss", 2)
        assert len(set(multiprocessing.active_children()) - before) == 1
    assert set(multiprocessing.active_children()) == before


def test_a_lesson_that_takes_longer_than_the_server_lives_is_refused_and_is_no_crash() -> None:
    gate = Gate()

    async def ask() -> int:
        desk = LessonDesk(gate)
        endpoint = lesson_routes(desk, lambda _: True)[1].endpoint
        scope = {"type": "http", "path_params": {"name": "and"}, "query_string": b"", "headers": []}
        task = asyncio.create_task(endpoint(Request(scope)))
        await asyncio.to_thread(gate.began.wait, PATIENCE_S)
        task.cancel()
        status: int = (await task).status_code
        gate.opened.set()
        await asyncio.to_thread(desk.close)
        return status

    assert asyncio.run(ask()) == 503


@contextmanager
def serve_command() -> Iterator[tuple[subprocess.Popen[str], urllib.request.Request]]:
    """The command in a group of its own, as a terminal starts it, and what asks it for a lesson."""
    process = subprocess.Popen(
        [sys.executable, "-W", "error", "-c", RUN, "--listen", "127.0.0.1:0", "--no-browser", "--json"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    try:
        assert process.stdout is not None
        url, _, token = json.loads(process.stdout.readline())["url"].partition("#token=")
        yield process, urllib.request.Request(f"{url}lessons/tree", headers={"authorization": f"Bearer {token}"})
    finally:
        process.kill()
        process.communicate()


def asked(request: urllib.request.Request) -> dict[str, Any]:
    with urllib.request.urlopen(request, timeout=PATIENCE_S) as answer:
        body: dict[str, Any] = json.load(answer)
    return body


def spawned_by(process: subprocess.Popen[str]) -> list[Path]:
    """Where /proc tells of the processes that compute for it."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            parent = int(stat.read_text().rpartition(")")[2].split()[1])
            if parent == process.pid and b"spawn_main" in (stat.parent / "cmdline").read_bytes():
                found.append(stat.parent)
    return found


@pytest.mark.skipif(not hasattr(os, "killpg"), reason="there are no process groups here")
@pytest.mark.parametrize("ending", ["SIGINT", "SIGKILL"])
def test_when_the_server_ends_the_other_process_ends_and_says_nothing(ending: str) -> None:
    with serve_command() as (process, request):
        assert asked(request) == as_json("tree", 1)
        if ending == "SIGINT":
            os.killpg(process.pid, signal.SIGINT)  # as Ctrl-C does: every process in the terminal's group
        else:
            process.kill()
        _, err = process.communicate(timeout=PATIENCE_S)  # ends when no process holds the pipes any more
    assert "Traceback" not in err
    assert process.returncode == (0 if ending == "SIGINT" else -signal.SIGKILL)


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="what a process blocks is read in /proc")
def test_the_other_process_minds_no_ctrl_c_from_its_first_moment_on() -> None:
    with serve_command() as (process, request):
        assert asked(request) == as_json("tree", 1)
        (folder,) = spawned_by(process)
        status = dict(line.split(":", 1) for line in (folder / "status").read_text().splitlines())
        blocked = int(status["SigBlk"], 16)  # inherited: it never runs without
        assert blocked >> (signal.SIGINT - 1) & 1
