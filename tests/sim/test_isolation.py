"""The simulator shares wire format and TOML reader with the host side, and costs nothing it does not need."""

from __future__ import annotations

import subprocess
import sys

import pytest

LOADED = "import sys; print('\\n'.join(sorted(name for name in sys.modules if name.split('.')[0] == 'busproto')))"


def loaded_by(statement: str) -> set[str]:
    """The modules of ours that a fresh process has loaded after this statement."""
    command = [sys.executable, "-W", "error", "-c", f"{statement}\n{LOADED}"]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    return set(done.stdout.split())


@pytest.mark.parametrize(
    "statement",
    [
        "import sim, busproto.sim.scene.scenario, busproto.sim.handlers.protocol_sim",
        "import serial, sim; serial.serial_for_url('sim://tow-plane?seed=1', timeout=0.1).read(1)",
    ],
    ids=["imported", "used"],
)
def test_the_simulator_loads_the_wire_format_and_nothing_above_it(statement: str) -> None:
    loaded = loaded_by(statement)
    allowed = {f"busproto{one}" for one in ("", "._version", ".errors", ".reading", ".toml_source", ".wire")}
    assert {name for name in loaded if not name.startswith("busproto.wire.")} - allowed == set()
    assert "busproto.wire.codec" in loaded


def test_making_the_scheme_known_loads_nothing_of_ours() -> None:
    assert loaded_by("import sim") == set()


def test_the_wire_format_loads_nothing_of_the_simulator() -> None:
    done = subprocess.run(
        [
            sys.executable,
            "-c",
            "import busproto.wire, sys; print(*(n for n in sys.modules if n.split('.')[0] == 'sim'))",
        ],
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.split() == []
