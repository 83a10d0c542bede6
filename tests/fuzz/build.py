"""Builds the C targets: generated codec or reference firmware, the target's own file, clang's fuzzer and sanitizers."""

from __future__ import annotations

import subprocess
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

from busproto.sim.native.device_build import firmware_texts
from tests.fuzz.needs import MissingToolError, find_clang

HERE: Final = Path(__file__).parent
TARGETS: Final = HERE / "targets"
SANITIZERS: Final = ("-fsanitize=fuzzer,address,undefined", "-fno-sanitize-recover=all", "-g", "-O1")
QUICK: Final = (*SANITIZERS[:2], "-O0")
"""As `SANITIZERS`, for few runs: built in a quarter of the time."""
PLAIN: Final = ("-fsanitize=fuzzer", "-O0")
"""Quicker to build; finds what the targets themselves check."""
FILES: Final[dict[str, tuple[str, ...]]] = {
    "codec": ("bp_wire.h", "bp_frame.c", "bp_messages.c", "bp_parameters.c"),
    "reference": (),
}
"""Which of the firmware's files belong to a target; none stands for all."""


def build(
    target: str,
    place: Path,
    *,
    texts: Mapping[str, str] | None = None,
    flags: Sequence[str] = SANITIZERS,
) -> Path:
    """Build a target into a folder; `texts` are other sources than those that are shipped.

    Raises:
        MissingToolError: there is no clang, or it does not take them.
    """
    clang = find_clang()
    place.mkdir(parents=True, exist_ok=True)
    taken = firmware_texts() if texts is None else dict(texts)
    names = FILES[target] or tuple(taken)
    for name in names:
        (place / name).write_text(taken[name], "utf-8")
    units = [str(place / name) for name in names if name.endswith(".c")]
    output = place / f"fuzz-{target}"
    command = [clang, "-std=c99", "-Wall", "-Wextra", *flags]
    done = subprocess.run(
        [
            *command,
            "-I",
            str(place),
            "-I",
            str(TARGETS),
            "-o",
            str(output),
            str(TARGETS / f"{target}_target.c"),
            *units,
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        raise MissingToolError(f"clang refused the {target} target: {'; '.join(done.stderr.splitlines()[:3])}")
    return output
