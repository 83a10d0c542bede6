"""Independent judges: libraries that are asked for when a test wants them, and ngspice as a process."""

from __future__ import annotations

import importlib
import os
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

SPICE = "ngspice"


def library(name: str) -> Any:
    """A library of the `test` extra; missing, the test is skipped and says so; on a build machine it fails."""
    if os.environ.get("CI"):
        return importlib.import_module(name)
    return pytest.importorskip(name, reason=f"{name} is not installed: it judges this value from outside")


def spice(folder: Path, circuit: str, nodes: list[str]) -> list[float]:
    """Operating point of a circuit: the voltages at `nodes`.

    Skips where ngspice is missing; but on a build machine that is a failure. `CI` is what build machines set, by
    common practice, no source.
    """
    if shutil.which(SPICE) is None:
        if os.environ.get("CI"):
            pytest.fail(f"{SPICE} is missing, and this is a build machine")
        pytest.skip(f"{SPICE} is not installed (Debian package {SPICE})")
    file = folder / "circuit.cir"
    wanted = " ".join(f"v({node})" for node in nodes)
    file.write_text(f"* test\n{circuit}\n.control\nset numdgt=12\nop\nprint {wanted}\n.endc\n.end\n")
    done = subprocess.run([SPICE, "-b", str(file)], capture_output=True, text=True, check=False, timeout=120)
    found = dict(re.findall(r"^v\((\w+)\) = (\S+)$", done.stdout, re.MULTILINE))
    assert set(nodes) <= set(found), done.stdout + done.stderr
    return [float(found[node]) for node in nodes]
