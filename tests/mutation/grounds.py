"""What mutants are made of, and which tests are asked about them: the host's heart, or the simulator's actuator."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final


@dataclass(frozen=True, slots=True)
class Ground:
    """One of them.

    Attributes:
        rooms: folders of the modules.
        tests: folders and files of the tests that are asked.
        but: modules of the rooms that no mutant is made of.
        tests_left_out: files of tests that are not asked.
        options: for pytest.
        own: how the names of the tests begin that are about these rooms; {room} is the folder's path below the first.
        survivors: file of those that were looked at.
    """

    rooms: tuple[str, ...]
    tests: tuple[str, ...]
    but: tuple[str, ...] = ()
    tests_left_out: tuple[str, ...] = ()
    options: tuple[str, ...] = ()
    own: tuple[str, ...] = ("tests/{room}/",)
    survivors: str = "survivors.toml"

    def files(self, root: Path) -> list[Path]:
        """The modules that mutants are made of."""
        there = [path for room in self.rooms for path in sorted((root / room).rglob("*.py"))]
        return [path for path in there if path.relative_to(root).as_posix() not in self.but]

    def own_tests(self, path: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """How the names of the tests begin that are about the sub-room of a module, and about its room."""
        folders = Path(path).parent.parts[1:]
        rooms = ("/".join(folders), "/".join(folders[:1]))
        sub_room, room = (tuple(one.format(room=name) for one in self.own) for name in rooms)
        return sub_room, room


IN_PROCESS: Final = (
    "change/claim",
    "change/hardware",
    "change/test_apply_audit_trial.py",
    "change/test_nothing_changed.py",
    "change/test_own_parameters.py",
    "look/test_shown.py",
    "move/test_cautions.py",
    "move/test_hand.py",
    "move/test_match.py",
    "plan",
    "records/test_card_command.py",
    "records/test_record_commands.py",
    "test_golden.py",
)
"""Tests of the commands that run them within their own process, and quickly."""
HOST: Final = Ground(
    rooms=("busproto/ops", "busproto/plan", "busproto/session", "busproto/rig"),
    # those of the rooms, and those that read what a command says. The others (whole processes, the page, a browser,
    # random walks) cost more than they would add; what only they would notice survives here.
    tests=("tests/session", "tests/ops", "tests/plan", "tests/rig", *(f"tests/cli/{one}" for one in IN_PROCESS)),
    # many runs each, killed at every step or with random troubles
    tests_left_out=("tests/plan/airframe/test_killed.py", "tests/ops/discovery/test_campaign.py"),
)
SIM: Final = Ground(
    rooms=("sim/actuators", "sim/mechanics"),
    # no part of one actuator: what several share
    but=("sim/mechanics/hinge.py", "sim/mechanics/joint.py", "sim/mechanics/surface.py"),
    tests=(
        "tests/sim/actuators",
        "tests/sim/mechanics",
        "tests/sim/test_isolation.py",
        "tests/firmware/test_differential.py",
        "busproto/conformance/suite",
    ),
    options=("-p", "busproto.conformance.plugin", "--dut=python"),
    own=("tests/sim/", "busproto/conformance/suite/"),
    survivors="survivors_sim.toml",
)
GROUNDS: Final = {"host": HOST, "sim": SIM}
