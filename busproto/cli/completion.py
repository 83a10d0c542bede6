"""What a shell is offered behind the Tab key: names that are cheap to have. Nothing is opened, nothing is sent."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import click
from click.shell_completion import CompletionItem

from busproto.shown import clean

SIM_SCHEME = "sim://"
Complete = Callable[[click.Context, click.Parameter, str], list[CompletionItem]]


def _begun(texts: Iterable[str], incomplete: str) -> list[CompletionItem]:
    return [CompletionItem(clean(text)) for text in texts if text.startswith(incomplete)]


def complete_scenario(_: click.Context, __: click.Parameter, incomplete: str) -> list[CompletionItem]:
    """Scenarios that are shipped; where none begins so, files."""
    from busproto.sim.scene import scenario

    return _begun(scenario.names(), incomplete) or [CompletionItem(incomplete, type="file")]


def complete_port(_: click.Context, __: click.Parameter, incomplete: str) -> list[CompletionItem]:
    """Serial ports of this machine, and the shipped scenarios as virtual buses."""
    from serial.tools import list_ports

    from busproto.sim.scene import scenario

    ports = sorted(str(port.device) for port in list_ports.comports())
    return _begun([*ports, *(f"{SIM_SCHEME}{name}" for name in scenario.names())], incomplete)


def complete_lesson(_: click.Context, __: click.Parameter, incomplete: str) -> list[CompletionItem]:
    """Lessons, each with its title."""
    from busproto.lessons import listing

    return [CompletionItem(row["name"], help=row["title"]) for row in listing() if row["name"].startswith(incomplete)]


def complete_topic(_: click.Context, __: click.Parameter, incomplete: str) -> list[CompletionItem]:
    """Topics of the handbook, each with its line."""
    from busproto.handbook import TOPICS

    return [CompletionItem(one.name, help=one.line) for one in TOPICS.values() if one.name.startswith(incomplete)]


def complete_example(_: click.Context, __: click.Parameter, incomplete: str) -> list[CompletionItem]:
    """Names of the shipped example plans that begin so."""
    from busproto.plan import examples

    return _begun(examples.names(), incomplete)
