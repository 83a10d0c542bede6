"""Campaigns of searches: the same sums on any executor, and nothing done twice or lost when one is interrupted."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable
from concurrent.futures import Executor, Future, ProcessPoolExecutor, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from tests.bench import campaign
from tests.bench.campaign import Plan, one_chunk, one_session, report, run_campaign

PLAN = Plan(noise=1e-3, most=4)
SEEDS = 10
CHUNK = 3
KEYS = ("sessions", "actuators", "proven", "not_proven", "wrong", "wrong_and_sure", "passes", "round_trips")


@pytest.fixture(autouse=True)
def _small_chunks(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(campaign, "CHUNK", CHUNK)


@pytest.fixture
def state(tmp_path: Path) -> Path:
    return tmp_path / "campaign.jsonl"


class PowerCut(Exception):
    """The machine went down."""


class InLine(Executor):
    """Runs everything at once and in order; goes down before chunk number `lives`."""

    def __init__(self, lives: int = 10**9) -> None:
        self.ran: list[tuple[Any, ...]] = []
        self._lives = lives

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = Future()
        if len(self.ran) < self._lives:
            self.ran.append(args)
            future.set_result(fn(*args, **kwargs))
        else:
            future.set_exception(PowerCut())
        return future


def by_hand(seeds: int = SEEDS, plan: Plan = PLAN) -> Counter[str]:
    return sum((one_session(plan, seed) for seed in range(seeds)), Counter())


def lines(state: Path) -> list[str]:
    return state.read_text("utf-8").splitlines()


def test_a_session_is_the_same_each_time_and_adds_up() -> None:
    first, again = one_session(PLAN, 3), one_session(PLAN, 3)
    assert first == again
    assert set(first) <= set(KEYS)
    total = by_hand()
    assert total["sessions"] == SEEDS == total["proven"] + total["not_proven"]
    assert SEEDS <= total["actuators"] <= SEEDS * PLAN.most
    assert Counter(one_chunk(PLAN, 0, SEEDS)) == total


def test_sums_are_the_same_on_threads() -> None:
    with ThreadPoolExecutor(2) as executor:
        assert run_campaign(executor, PLAN, SEEDS) == by_hand()


def test_sums_are_the_same_on_processes(state: Path) -> None:
    with ProcessPoolExecutor(2) as executor:
        assert run_campaign(executor, PLAN, SEEDS, state) == by_hand()
    assert len(lines(state)) == 4


def test_sums_are_the_same_on_a_cluster(state: Path) -> None:
    distributed = pytest.importorskip("distributed")
    with distributed.Client(processes=False, dashboard_address=None, n_workers=1, threads_per_worker=2) as client:
        assert run_campaign(client.get_executor(), PLAN, SEEDS, state) == by_hand()
    assert len(lines(state)) == 4


def test_progress_only_ever_grows_and_ends_at_the_end(state: Path) -> None:
    for done_before in (0, 2):
        if done_before:
            state.write_text("".join(line + "\n" for line in lines(state)[:done_before]), "utf-8")
        told: list[tuple[int, int]] = []
        with ThreadPoolExecutor(2) as executor:
            run_campaign(executor, PLAN, SEEDS, state, lambda done, of, told=told: told.append((done, of)))
        done = [at for at, _ in told]
        assert done == sorted(set(done))
        assert len(done) == 1 + 4 - done_before
        assert (done[0] > 0) == bool(done_before)
        assert told[-1] == (SEEDS, SEEDS)
        assert {of for _, of in told} == {SEEDS}


@pytest.mark.parametrize("lives", [0, 1, 3])
def test_an_interrupted_campaign_goes_on_where_it_was(state: Path, lives: int) -> None:
    with pytest.raises(PowerCut):
        run_campaign(InLine(lives), PLAN, SEEDS, state)
    kept = lines(state) if state.exists() else []
    assert len(kept) <= lives  # what had come in before the cut was noticed
    executor = InLine()
    assert run_campaign(executor, PLAN, SEEDS, state) == by_hand()
    assert len(executor.ran) == 4 - len(kept)
    assert lines(state)[: len(kept)] == kept
    assert len(lines(state)) == 4


def test_every_chunk_is_kept_as_soon_as_it_is_done(state: Path) -> None:
    kept = []
    run_campaign(InLine(), PLAN, SEEDS, state, lambda *_: kept.append(len(lines(state)) if state.exists() else 0))
    assert kept == [0, 1, 2, 3, 4]


def test_a_finished_campaign_is_only_added_up(state: Path) -> None:
    total = run_campaign(InLine(), PLAN, SEEDS, state)
    before = state.read_bytes()
    executor = InLine()
    assert run_campaign(executor, PLAN, SEEDS, state) == total
    assert executor.ran == []
    assert state.read_bytes() == before


@pytest.mark.parametrize("cut", [1, 2, 20, -2])
def test_a_line_that_was_cut_off_is_done_again(state: Path, cut: int) -> None:
    run_campaign(InLine(), PLAN, SEEDS, state)
    whole = lines(state)
    state.write_text("".join(line + "\n" for line in whole[:2]) + whole[2][:cut], "utf-8")
    executor = InLine()
    assert run_campaign(executor, PLAN, SEEDS, state) == by_hand()
    assert len(executor.ran) == 2
    good = [line for line in lines(state) if line in whole]
    assert sorted(good) == sorted(whole)
    assert run_campaign(InLine(0), PLAN, SEEDS, state) == by_hand()  # nothing is left to do


def test_results_of_another_plan_do_not_count(state: Path) -> None:
    others = [Plan(0.0, PLAN.most), Plan(PLAN.noise, PLAN.most + 1), Plan(PLAN.noise, PLAN.most, "differential")]
    assert len({plan.key() for plan in (PLAN, *others)}) == 4
    for plan in others:
        run_campaign(InLine(), plan, CHUNK, state)
    executor = InLine()
    assert run_campaign(executor, PLAN, SEEDS, state) == by_hand()
    assert len(executor.ran) == 4
    assert len(lines(state)) == len(others) + 4


def test_more_seeds_go_on_from_fewer(state: Path) -> None:
    run_campaign(InLine(), PLAN, 2 * CHUNK, state)
    executor = InLine()
    assert run_campaign(executor, PLAN, SEEDS, state) == by_hand()
    assert [first for _, first, _ in executor.ran] == [2 * CHUNK, 3 * CHUNK]


def test_a_state_line_says_what_it_is_of(state: Path) -> None:
    run_campaign(InLine(), PLAN, CHUNK, state)
    (row,) = [json.loads(line) for line in lines(state)]
    assert row == {"plan": PLAN.key(), "first": 0, "count": CHUNK, "result": dict(by_hand(CHUNK))}


def test_the_report_gives_the_figures() -> None:
    total = by_hand()
    text = report(PLAN, total)
    assert f"{SEEDS} sessions" in text
    assert f"proven {total['proven']}, not proven {total['not_proven']}, wrong {total['wrong']}" in text
    assert f"wrong and sure {total['wrong_and_sure']}" in text
