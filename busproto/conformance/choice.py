"""Which cases of the suite a run takes: all in process; on a port a few values of each, as silence takes time there."""

from __future__ import annotations

import random
from collections import defaultdict
from typing import Any, Final

import pytest

VALUES_ON_A_PORT: Final = 2
"""Of a case with several values so many are tried on a port, drawn by the seed, unless the run is a deep one."""


def chosen(config: pytest.Config, items: list[pytest.Item], seed: int, *, is_on_port: bool) -> list[pytest.Item]:
    """The cases that are chosen by name or by a clause that they cite; without such a choice all, or a few values of
    each on a port.

    Raises:
        UsageError: there is no such clause, or no such case.
    """
    wanted, named = set(config.getoption("--dut-clause")), set(config.getoption("--dut-case"))
    if not wanted and not named:
        return _few_values(items, seed) if is_on_port and not config.getoption("--dut-deep") else items
    from busproto.conformance.clauses import CLAUSES

    unknown = wanted - set(CLAUSES)
    if unknown:
        raise pytest.UsageError(
            f"--dut-clause: there is no {', '.join(sorted(unknown))}; there are: {', '.join(CLAUSES)}"
        )
    absent = named - {item.name for item in items}
    if absent:
        raise pytest.UsageError(f"--dut-case: there is no case {', '.join(sorted(absent))}")
    return [
        item
        for item in items
        if item.name in named or any(wanted & set(marker.args) for marker in item.iter_markers("clause"))
    ]


def _few_values(items: list[pytest.Item], seed: int) -> list[pytest.Item]:
    alike: dict[Any, list[pytest.Item]] = defaultdict(list)
    for item in items:
        alike[item.nodeid.partition("[")[0]].append(item)
    draw = random.Random(seed)
    kept = {
        one.nodeid
        for several in alike.values()
        for one in (several if len(several) <= VALUES_ON_A_PORT else draw.sample(several, VALUES_ON_A_PORT))
    }
    return [item for item in items if item.nodeid in kept]
