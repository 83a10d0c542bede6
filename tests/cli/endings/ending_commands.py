"""Which commands are ended in the table of `tests.cli.endings`, on which bus, and how that stands when they begin."""

from __future__ import annotations

import contextlib
import io
import re
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final
from unittest import mock

from busproto.cli import run
from busproto.ops import Link, commit, engage, write
from busproto.sim.bus import VirtualBus
from busproto.sim.scene.scenario import load
from busproto.wire.frame import UNADDRESSED
from busproto.wire.messages import LIMP_STATES, State
from busproto.wire.parameters import LOSS_HOLD
from tests.cli.change.claim.small_airframe import AIRFRAME, BUS, FLEET, HAND

CAPTURE: Final = Path(__file__).parents[3] / "captures" / "signal-loss.pcapng"
LIMP, ENGAGED, HOLDING = "limp", "engaged", "lost-hold"
LONG_MS: Final = 10_000
SHORT_MS: Final = 100
RUDDER: Final = "rudder.toml"
SMALL: Final = "small.toml"
PARTED: Final = {"aileron, left": 2, "flap": 10, "rudder, upper": 30, "rudder, lower": 31, "spare": 60}


@dataclass(frozen=True)
class Command:
    """One after which actuators could hold.

    Attributes:
        name: in the table.
        line: its words; the names of airframe and record files stand for those in the folder.
        scenario: the bus; a name of the simulator, or a file in the folder.
        typed: what is typed; "" for nothing.
        is_terminal: whether it is typed at a terminal.
        prepare: what is done to the bus beforehand.
        began: in what state those with an address of their own are when it begins, in turn.
        of: addresses of those that it is about; empty: of all.
        is_demo: it opens a bus of its own.
        page_flow: the page, and what is started on it; "demand" for a demand. None for a command line.
    """

    name: str
    line: str
    scenario: str
    typed: str = ""
    is_terminal: bool = False
    prepare: Callable[[VirtualBus], object] = lambda _: None
    began: tuple[str, ...] = (LIMP,)
    of: frozenset[int] = frozenset()
    is_demo: bool = False
    page_flow: str | None = None


def follow_its_channels(bus: VirtualBus) -> None:
    """The capture demands of channels 1 to 4; who is left without a demand holds."""
    for number, actuator in enumerate(bus.actuators, 1):
        actuator.settings.set_working("channel", number)
        actuator.settings.set_working("loss-action", LOSS_HOLD)


def another_damping(bus: VirtualBus) -> None:
    """Two are not as they were recorded."""
    link = Link(bus.host)
    for address in (30, 32):
        link.run(write(address, {"damping": 44}))
        link.run(commit(address))


ANY: Final = (LIMP, ENGAGED, HOLDING)
COMMANDS: Final = (
    Command("move", "move 3 25% --hold 0.5 --clear --json", "bench-four", began=ANY),
    Command("move limp", "move 3 limp --json", "bench-four", began=(HOLDING, ENGAGED)),
    Command("hand", "hand 3 --clear --json", "bench-four", "dwwcq", began=ANY),
    Command("trial", f"trial {RUDDER} --part loss --clear --json", "rudder-gang", began=ANY),
    Command(
        "trial, directions",
        f"trial {SMALL} --part direction --went flap planned --clear --json",
        "parted.toml",
        began=ANY,
    ),
    Command("match", f"match {RUDDER} rudder --stations 12 --looks 1 --clear --json", "rudder-gang"),
    Command("claim by hand", f"claim {SMALL} --yes-addresses --json", "parted.toml", began=(HOLDING, LIMP)),
    Command(
        "claim --directions",
        f"claim {SMALL} --yes-addresses --directions --went flap planned --clear --json",
        "parted.toml",
        began=(LIMP, HOLDING),
    ),
    Command("claim --by-nudge", f"claim {RUDDER} --by-nudge --clear --json", "rudder-gang", "1\n1\n1\n", True),
    Command("claim --nudge", f"claim {RUDDER} --nudge 30 --clear --json", "rudder-gang", began=ANY, of=frozenset({30})),
    Command(
        "address", "address 90d0000000000001 40 --channel 8 --json", "rudder-gang", began=ANY, of=frozenset({30, 40})
    ),
    Command("address none", "address 90d0000000000001 none --json", "rudder-gang", began=ANY, of=frozenset({30})),
    Command("apply", f"apply {RUDDER} --by-address --yes --json", "rudder-gang", began=ANY),
    Command("restore", "restore rudder.record.json --yes --json", "rudder-gang", "", False, another_damping, began=ANY),
    Command("restore nothing", "restore rudder.record.json --yes --json", "rudder-gang", began=(HOLDING, ENGAGED)),
    Command(
        "replace",
        'replace "rudder, lower" --record rudder.record.json --yes --json',
        "replaced.toml",
        began=(HOLDING, ENGAGED),
    ),
    Command("replay", f"replay {CAPTURE} --clear --json", "rudder-gang", prepare=follow_its_channels),
    Command("demo", "demo --json", "tow-plane", is_demo=True),
    Command("page, demand", "", "rudder-gang", began=ANY, page_flow="demand"),
    Command("page, nudge", "", "rudder-gang", page_flow="nudge"),
    Command("page, trial", "", "rudder-gang", page_flow="trial"),
)


def begun(command: Command, folder: Path, state: str) -> VirtualBus:
    """The bus of a command, in that state."""
    file = folder / command.scenario
    bus = load(str(file) if file.exists() else command.scenario).build(1, baud=115_200)
    command.prepare(bus)
    if state == LIMP:
        return bus
    link, counts = Link(bus.host), [one.address for one in bus.actuators]
    alone = [one for one in bus.actuators if counts.count(one.address) == 1 and one.address < UNADDRESSED]
    for one in alone:
        one.settings.set_working("loss-action", LOSS_HOLD)
        one.settings.set_working("loss-time-out", LONG_MS if state == ENGAGED else SHORT_MS)
        link.run(engage(one.address))
    bus.kernel.run_until(bus.kernel.now_ns + 2 * SHORT_MS * 1_000_000)
    assert not LIMP_STATES.intersection(one.state for one in alone)
    assert all((one.state is State.LOST_HOLD) == (state == HOLDING) for one in alone)
    return bus


@contextlib.contextmanager
def plan_folder() -> Iterator[Path]:
    """A folder with the plans, a record of the rudder, and buses of our own."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        _fill(folder)
        yield folder


def _fill(folder: Path) -> None:
    name = str(folder)
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        assert run(["plan", "new", f"{name}/plan", "--example", "rudder"]) == 0
        for file in (folder / "plan").iterdir():
            file.rename(folder / file.name)
        (folder / "plan").rmdir()
        bus = load("rudder-gang").build(1, baud=115_200)
        with mock.patch("busproto.cli.common.open_transport", return_value=bus.host):
            assert run(["save", "--airframe", f"{name}/{RUDDER}", "--as-it-is", "--port", "any"]) in {0, 3}
    (folder / "small-fleet.toml").write_text(FLEET, "utf-8")
    (folder / SMALL).write_text(AIRFRAME.replace("fleet.toml", "small-fleet.toml"), "utf-8")
    parted = re.sub(r"(?m)^address = \d+\n", "", BUS)
    for label, address in PARTED.items():
        parted = parted.replace(f'label = "{label}"\n', f'label = "{label}"\naddress = {address}\n')
    (folder / "parted.toml").write_text(parted + HAND, "utf-8")
    text = (Path(__file__).parents[3] / "sim" / "scenarios" / "rudder-gang.toml").read_text("utf-8")
    text = text.replace('uid = "90d0000000000003"\naddress = 32\n', 'uid = "90d0000000000009"\n')
    (folder / "replaced.toml").write_text(text, "utf-8")
