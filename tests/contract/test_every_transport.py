"""The contract suite on every transport."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from functools import partial
from typing import Any

import pytest

from busproto.sim.scene.scenario import load
from busproto.sim.server import PseudoTerminal, TcpPort
from tests.contract import suite
from tests.contract.ports import host_port, loop_url, opened, pseudo_terminal, served, sim_url, tcp
from tests.contract.suite import CHECKS, EchoPort

Check = Callable[[suite.Factory], None]
FACTORIES: tuple[Callable[[], AbstractContextManager[EchoPort]], ...] = (
    host_port,
    sim_url,
    loop_url,
    pseudo_terminal,
    tcp,
)


def _row(factory: suite.Factory, check: Check) -> Any:
    return pytest.param(factory, check, id=f"{factory.__name__}-{check.__name__}")


@pytest.mark.parametrize(("factory", "check"), [_row(factory, check) for factory in FACTORIES for check in CHECKS])
def test_transport(check: Check, factory: suite.Factory) -> None:
    check(factory)


@pytest.fixture(scope="module")
def served_terminal() -> Iterator[str]:
    with served(load("bench-four").build(1), PseudoTerminal()) as name:
        yield name


@pytest.fixture(scope="module")
def served_tcp() -> Iterator[str]:
    with served(load("bench-four").build(1), TcpPort("127.0.0.1", 0)) as name:
        yield name


@pytest.mark.realtime
@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
def test_virtual_bus_behind_a_pseudo_terminal(check: Check, served_terminal: str) -> None:
    check(partial(opened, served_terminal))


@pytest.mark.realtime
@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
def test_virtual_bus_behind_tcp(check: Check, served_tcp: str) -> None:
    check(partial(opened, served_tcp))
