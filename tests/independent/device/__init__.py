"""A second actuator's firmware, in C, written from the format page alone: how it is built, and tried in short.

As a plug-in of pytest (`-p tests.independent.device`) it keeps one value of each case of a run, drawn by the run's
seed, so that each case of the suite is tried and a run is short.
"""

from __future__ import annotations

import random
import subprocess
from pathlib import Path

import pytest

HERE = Path(__file__).parent
PORT = HERE.parents[2] / "sim" / "firmware"
"""Where `bp_port.h` lies, the only file that this firmware shares with ours."""


def built(directory: Path, *options: str) -> Path:
    """Compile it into a library in `directory`, with more options of the compiler.

    Raises:
        NoCompilerError: there is no C compiler.
    """
    from busproto.sim.native.device_build import STRICT, find_compiler

    library = directory / "libindependent.so"
    sources = sorted(map(str, HERE.glob("*.c")))
    command = [find_compiler(), *STRICT, "-O1", "-fPIC", "-shared", f"-I{PORT}", *options, "-o", str(library)]
    subprocess.run([*command, *sources], check=True)
    return library


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Keep one value of each case; a test module that imports this one is no plug-in and keeps all of its own."""
    draw = random.Random(str(config.getoption("--dut-seed")))
    values: dict[str, list[pytest.Item]] = {}
    for item in items:
        values.setdefault(item.nodeid.partition("[")[0], []).append(item)
    kept = {id(draw.choice(alike)) for alike in values.values()}
    items[:] = [item for item in items if id(item) in kept]
