"""Running what a page shows as Python, as its reader does: in a fresh process, with every warning an error."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from tests.cli.helpers import PATIENCE_S
from tests.docs.markdown import Block


def assert_runs(block: Block, directory: Path) -> None:
    """It ends well, says nothing on stderr, and prints something where it prints."""
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", block.text],
        cwd=directory,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
    )
    assert (done.returncode, done.stderr) == (0, ""), str(block)
    assert done.stdout.strip() or "print(" not in block.text, str(block)
