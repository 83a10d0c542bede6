"""sigrok-cli, a logic analyser's command line: its decoders read our waveforms."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

TOOL = "sigrok-cli"
BAUD = 115_200
SAMPLES_PER_BIT = 100
ANSWER = re.compile(r"(\d+)-(\d+) [a-z]+-1: (.*)")
Annotation = tuple[int, int, str]


def require() -> None:
    """Skip where the tool is missing; but on a build machine that is a failure.

    `CI` is what build machines set, by common practice, no source.
    """
    if shutil.which(TOOL) is None:
        if os.environ.get("CI"):
            pytest.fail(f"{TOOL} is missing, and this is a build machine")
        pytest.skip(f"{TOOL} is not installed (Debian package sigrok-cli)")


def decode(file: Path, form: str, decoders: str, wanted: str) -> list[Annotation]:
    """What the decoders say of a file, each with the samples that it spans."""
    arguments = ["-i", str(file), "-I", form, "-P", decoders, "-A", wanted, "--protocol-decoder-samplenum"]
    done = subprocess.run([TOOL, *arguments], capture_output=True, text=True, check=False, timeout=120)
    assert (done.returncode, done.stderr) == (0, "")
    lines = [ANSWER.fullmatch(line) for line in done.stdout.splitlines()]
    return [(int(line[1]), int(line[2]), line[3]) for line in lines if line is not None]


def raw_file(path: Path, levels: bytes) -> Path:
    """One byte a sample, 0 or 1."""
    path.write_bytes(levels)
    return path


RAW = f"binary:numchannels=1:samplerate={BAUD * SAMPLES_PER_BIT}"


def bytes_and_framing_errors(found: list[Annotation]) -> list[tuple[int, bool]]:
    """Bytes of a UART, each with whether its stop bit was low.

    The decoder also warns of start bits that were too short; those warnings do not begin where data bits end (give or
    take a sample, as it rounds).
    """
    heard: list[tuple[int, bool]] = []
    data_end = -1
    for start, end, text in found:
        if text == "Frame error":
            if abs(start - data_end) <= 2:
                heard[-1] = (heard[-1][0], True)
        else:
            heard.append((int(text, 16), False))
            data_end = end
    return heard
