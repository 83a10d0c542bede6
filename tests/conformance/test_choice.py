"""Which cases a run takes: by name, by clause, and on a port a few values of each."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from busproto.conformance.choice import VALUES_ON_A_PORT, chosen


def item(name: str, *clauses: str) -> Any:
    marker = SimpleNamespace(args=clauses)
    return SimpleNamespace(nodeid=f"suite/test_it.py::{name}", name=name, iter_markers=lambda _: [marker])


ITEMS: list[Any] = [
    *(item(f"test_many[{number}]", "frame.check") for number in range(20)),
    *(item(f"test_two[{number}]", "op.44") for number in range(2)),
    item("test_one", "op.44", "frame.check"),
]


def config(clauses: tuple[str, ...] = (), cases: tuple[str, ...] = (), *, is_deep: bool = False) -> Any:
    given = {"--dut-clause": list(clauses), "--dut-case": list(cases), "--dut-deep": is_deep}
    return SimpleNamespace(getoption=given.__getitem__)


def names(*arguments: Any, seed: int = 1, is_on_port: bool = True, **named: Any) -> list[str]:
    return [one.name for one in chosen(config(*arguments, **named), ITEMS, seed, is_on_port=is_on_port)]


def test_on_a_port_a_few_values_of_each_case_are_drawn_by_the_seed() -> None:
    once = names()
    assert once == names() != names(seed=2)
    assert sum(one.startswith("test_many") for one in once) == VALUES_ON_A_PORT
    assert once[VALUES_ON_A_PORT:] == ["test_two[0]", "test_two[1]", "test_one"]
    assert names(is_on_port=False) == names(is_deep=True) == [one.name for one in ITEMS]


def test_what_is_named_is_taken_whole() -> None:
    assert names(("op.44",)) == ["test_two[0]", "test_two[1]", "test_one"]
    assert len(names(("frame.check",))) == 21
    assert names((), ("test_many[7]", "test_one")) == ["test_many[7]", "test_one"]


@pytest.mark.parametrize(
    ("clauses", "cases", "said"),
    [(("frame.nothing",), (), "there is no frame.nothing; there are: "), ((), ("test_x",), "there is no case test_x")],
)
def test_what_is_not_there_is_told(clauses: tuple[str, ...], cases: tuple[str, ...], said: str) -> None:
    with pytest.raises(pytest.UsageError, match=said):
        names(clauses, cases)
