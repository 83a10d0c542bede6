"""tshark, a packet analyser's command line: it reads our captures with the dissector that we print."""

from __future__ import annotations

import os
import shutil
import subprocess
import xml.etree.ElementTree as ET
from dataclasses import dataclass
from pathlib import Path

import pytest

from busproto.wire.generators.lua_source import lua_source

TOOL = "tshark"
PATIENCE_S = 300


def require() -> None:
    """Skip where the tool is missing; but on a build machine that is a failure.

    `CI` is what build machines set, by common practice, no source.
    """
    if shutil.which(TOOL) is None:
        if os.environ.get("CI"):
            pytest.fail(f"{TOOL} is missing, and this is a build machine")
        pytest.skip(f"{TOOL} is not installed (Debian package tshark)")


@dataclass(frozen=True)
class Shown:
    """One field as the analyser shows it."""

    name: str
    value: str
    text: str
    at: int
    size: int


def run(script: Path, *arguments: str) -> str:
    """What tshark prints with our dissector loaded. It warns on stderr where root runs it, and of nothing else."""
    script.write_text(lua_source(), "ascii")
    done = subprocess.run(
        [TOOL, "-X", f"lua_script:{script}", *arguments],
        capture_output=True,
        text=True,
        check=False,
        timeout=PATIENCE_S,
    )
    warnings = [line for line in done.stderr.splitlines() if "Running as user" not in line]
    assert (done.returncode, warnings) == (0, [])
    return done.stdout


def fields(capture: Path, script: Path) -> list[list[Shown]]:
    """Our fields of every packet."""
    shown = []
    for packet in ET.fromstring(run(script, "-r", str(capture), "-T", "pdml")).iter("packet"):
        found = []
        for one in packet.iter("field"):
            name = one.get("name") or ""
            if name.startswith("busproto."):
                found.append(
                    Shown(
                        name.removeprefix("busproto."),
                        one.get("show") or "",
                        one.get("showname") or "",
                        int(one.get("pos") or 0),
                        int(one.get("size") or 0),
                    )
                )
        shown.append(found)
    return shown
