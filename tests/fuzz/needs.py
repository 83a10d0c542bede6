"""What fuzzing needs: clang with its fuzzer, and atheris. Where one is missing tests are skipped, but not on CI."""

from __future__ import annotations

import functools
import importlib.util
import shutil
import subprocess
import tempfile
from pathlib import Path

from tests.firmware.needs import skip_where


class MissingToolError(Exception):
    """A tool is not there; the text is one line and tells what to install."""


@functools.cache
def find_clang() -> str:
    """clang, with its fuzzer and sanitizers.

    Raises:
        MissingToolError: there is no clang, or it comes without its fuzzer.
    """
    found = shutil.which("clang")
    if found is None:
        raise MissingToolError("clang is not installed (Debian: apt install clang)")
    with tempfile.TemporaryDirectory() as place:
        source = Path(place) / "empty.c"
        source.write_text(
            "int LLVMFuzzerTestOneInput(const unsigned char *d, unsigned long n) { (void)d; (void)n; return 0; }\n"
        )
        command = [found, "-fsanitize=fuzzer,address,undefined", "-o", str(source.with_suffix("")), str(source)]
        if subprocess.run(command, capture_output=True, check=False).returncode:
            raise MissingToolError("clang is there without its fuzzer (Debian 12: apt install libclang-rt-14-dev)")
    return found


def find_atheris() -> None:
    """Raises MissingToolError: atheris is not installed."""
    if importlib.util.find_spec("atheris") is None:
        raise MissingToolError("atheris is not installed (pip install 'busproto[fuzz]')")


def clang_and_atheris() -> None:
    """Skip the module that calls this where something is missing."""
    missing = []
    for look in (find_clang, find_atheris):
        try:
            look()
        except MissingToolError as error:
            missing.append(str(error))
    skip_where(missing)
