"""Makes the shipped captures again: ``python -m tests.capture.make``. Virtual time and seeds: the same bytes each time.

Each is a run of real operations on a virtual bus, recorded at the host's port. What was on the line is kept by the bus
itself and comes along, so that a test can hold the capture against it.
"""

from __future__ import annotations

import contextlib
import inspect
import random
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final
from unittest.mock import patch

import busproto.capture
from busproto.capture.recorder import RecordingTransport
from busproto.errors import BusError
from busproto.ops import Link, assign, commit, describe, find, read_all, release_all, report, uids_at, undo, write
from busproto.ops.moving.motion import engage, report_round, stream
from busproto.ops.parameter_access import read
from busproto.ops.transact import transact
from busproto.sim.bus import VirtualBus
from busproto.sim.scene.scenario import load, parse
from busproto.sim.wave_out import begin_recording
from busproto.wire.frame import RUNNING_BAUD
from busproto.wire.messages import LinkTest, LinkTested, Write, Written

CAPTURES: Final = Path(__file__).parents[2] / "captures"
SHIPPED_BYTES: Final = 60_000
"""A shipped capture is smaller than this."""
MS: Final = 1_000_000
S: Final = 1_000_000_000

PAIR: Final = """
title = "Four on a line"
[line]
baud = {baud}
[model."bench 25"]
[[actuator]]
label = "left"
model = "bench 25"
uid = "ca90000000000001"
address = 1
settings = {{ channel = 1, loss-action = "hold", loss-time-out = 100 }}
[[actuator]]
label = "right"
model = "bench 25"
uid = "ca90000000000002"
address = 2
settings = {{ channel = 2, loss-action = "preset", preset = 20.0, loss-time-out = 100 }}
[[actuator]]
label = "third"
model = "bench 25"
uid = "ca90000000000003"
address = 3
settings = {{ channel = 3, loss-time-out = 100 }}
[[actuator]]
label = "fourth"
model = "bench 25"
uid = "ca90000000000004"
address = 4
settings = {{ channel = 4, loss-time-out = 150 }}
{events}
"""


def four(events: str = "", baud: int = 115_200, seed: int = 1) -> VirtualBus:
    """A bus of four that are set up."""
    return parse(PAIR.format(events=events, baud=baud)).build(seed)


@dataclass(frozen=True)
class Made:
    """One shipped capture.

    Attributes:
        name: of the file, without its end.
        title: of its page.
        shows: what it shows, for the page.
        bus: makes the bus.
        run: what the host does.
        is_clean: nothing on the line hits anything: what was heard is what was sent, whole.
    """

    name: str
    title: str
    shows: str
    bus: Callable[[], VirtualBus]
    run: Callable[[Link], None]
    is_clean: bool = True


def _find(link: Link) -> None:
    assert link.run(find(rng=random.Random(1))).proven


def _address(link: Link) -> None:
    link.run(assign(bytes.fromhex("b0a7000000000102"), 12, rng=random.Random(1)))
    link.run(describe(12))


def _clash(link: Link) -> None:
    for _ in range(4):
        with contextlib.suppress(BusError):
            link.run(report(7))
    assert len(link.run(uids_at(7, rng=random.Random(1)))) == 2


def _noise(link: Link) -> None:
    for _ in range(6):
        for address in (1, 2, 3, 4):
            with contextlib.suppress(BusError):
                link.run(report(address))
    with contextlib.suppress(BusError):
        link.run(transact(LinkTest(bytes(range(64))), 2, LinkTested))


def _loss(link: Link) -> None:
    shares = {1: 0.5, 2: -0.5, 3: 0.25, 4: 0.0}
    for address in shares:
        link.run(engage(address))
    for _ in range(10):
        link.run(report_round(1, 4, shares))
        link.run(stream(shares, 0))
    for _ in range(60):
        link.run(report_round(1, 4))
    link.run(release_all())


def _stuck(link: Link) -> None:
    for _ in range(8):
        for address in (1, 2):
            with contextlib.suppress(BusError):
                link.run(report(address))


def _settings(link: Link) -> None:
    link.run(read_all(1))
    link.run(write(1, {"travel": 9000, "loss-action": 2, "correction": (0, 25, -50, 0)}))
    with contextlib.suppress(BusError):
        link.run(transact(Write(17, (15).to_bytes(2, "little")), 1, Written))
    link.run(commit(1))
    link.run(read(1, "travel"))
    link.run(undo(1))


MADE: Final = (
    Made(
        "find-tow-plane",
        "Finding eleven actuators",
        "A search on the shipped scenario `tow-plane`: one roll call, in which all eleven answer one after another, "
        "each with its uid; a member list of their marks, answered by one byte each; a short call, said twice, that "
        "brings no new actuator; a second member list. Three answer from address 1 and two from 5: clashes.",
        lambda: load("tow-plane").build(1),
        _find,
    ),
    Made(
        "address-by-uid",
        "An address by uid",
        "One that is fresh from the factory gets address 12 by its uid, on `bench-four`. No other is changed; the "
        "answer comes only when the address is stored, and is then read back from there.",
        lambda: load("bench-four").build(1),
        _address,
    ),
    Made(
        "clash",
        "Two at one address",
        "Reports are asked of address 7 of `bench-four`, where two live. Their answers run into each other: bytes "
        "that are no frame, and the request goes out again. A roll call to that address alone settles it, as each "
        "draws a slot of its own: two uids.",
        lambda: load("bench-four").build(1),
        _clash,
        is_clean=False,
    ),
    Made(
        "noise",
        "Noise",
        "One byte in a hundred is hit on its way to each listener. Frames with a bad check, requests that no actuator "
        "understood, echoes that are not what was sent, and repeated requests until an answer comes.",
        lambda: four('[[event]]\nwhat = "noise"\nat = 0.0\nrate = 0.01', seed=3),
        _noise,
        is_clean=False,
    ),
    Made(
        "signal-loss",
        "The signal is lost",
        "At 1 MBd four actuators are fed by report rounds that carry the demands; then only the rounds go on, without "
        "demands. After 100 or 150 ms each does its loss action: states lost hold, lost preset, lost limp.",
        lambda: four(baud=RUNNING_BAUD),
        _loss,
    ),
    Made(
        "stuck-line",
        "A line that is held low",
        "For 40 ms something holds the line low. An answer breaks off; requests go out, and nothing comes back, not "
        "even their echo; then all is well again by itself.",
        lambda: four('[[event]]\nwhat = "stuck-low"\nat = 0.02\nuntil = 0.06'),
        _stuck,
        is_clean=False,
    ),
    Made(
        "settings",
        "Settings read, written, refused, stored",
        "All settings of address 1 are read, three written (one is a table), one refused as it is out of range (the "
        "refusal tells the range), stored, read back and undone.",
        four,
        _settings,
    ),
)
"""Every shipped capture."""


def make(made: Made, path: Path) -> VirtualBus:
    """Record one; gives the bus, which has kept what was on the line."""
    bus = made.bus()
    begin_recording(bus)
    drawn = random.Random(2024)  # where an operation draws epoch and salt from the system, it gets the same each time
    with patch.object(random, "SystemRandom", lambda: drawn), Link(RecordingTransport(bus.host, path)) as link:
        made.run(link)
    return bus


@contextlib.contextmanager
def made_again(made: Made) -> Iterator[tuple[Path, VirtualBus]]:
    """The same capture in a place of its own."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"{made.name}.pcapng"
        yield path, make(made, path)


def page(made: Made) -> str:
    """The page beside a capture."""
    return (
        f"# {made.title}\n\n{made.shows}\n\n"
        f"Made by `python -m tests.capture.make`. Look at it with `busproto decode captures/{made.name}.pcapng` and\n"
        f"`busproto stats captures/{made.name}.pcapng`, or in a packet analyser with the dissector that "
        "`busproto spec`\nprints.\n"
    )


def index() -> str:
    """The page of the folder: what a capture is, and which there are."""
    text = (inspect.getdoc(busproto.capture) or "").replace("``", "`")
    rows = [f"| [{made.name}]({made.name}.md) | {made.title} |" for made in MADE]
    return "\n".join(
        [
            "# Captures",
            "",
            "Every command with a port makes one with `--capture FILE`; `decode`, `stats` and `replay` read it.",
            "",
            text,
            "",
            "| capture | shows |",
            "| --- | --- |",
            *rows,
            "",
        ]
    )


def main() -> None:
    """Write all captures and their pages."""
    (CAPTURES / "README.md").write_text(index(), "utf-8")
    for made in MADE:
        with made_again(made) as (path, _):
            (CAPTURES / path.name).write_bytes(path.read_bytes())
        (CAPTURES / f"{made.name}.md").write_text(page(made), "utf-8")


if __name__ == "__main__":
    main()
