"""Builds the shipped C firmware, the generated codec and `sim/firmware`, with the system's C compiler.

Each process builds a library once for each set of flags, in a temporary directory.
"""

from __future__ import annotations

import atexit
import functools
import os
import shutil
import subprocess
import tempfile
from collections.abc import Mapping, Sequence
from importlib import resources
from pathlib import Path
from typing import Final

from busproto.sim.errors import SimError

COMPILERS: Final = ("cc", "gcc", "clang")
STRICT: Final = (
    "-std=c99",
    "-Wall",
    "-Wextra",
    "-Wpedantic",
    "-Wconversion",
    "-Wsign-conversion",
    "-Wshadow",
    "-Werror",
)
"""Compiler flags for all C code of busproto."""
SANITIZERS: Final = ("-fsanitize=address,undefined", "-fno-sanitize-recover=all", "-g")


class NoCompilerError(SimError):
    """There is no C compiler, or it refuses the files. Nothing was built."""


def find_compiler() -> str:
    """The C compiler to use: the one that the variable CC names, else cc, gcc or clang.

    Raises:
        NoCompilerError: there is none; the text says what to do.
    """
    wanted = os.environ.get("CC")
    for name in [wanted] if wanted else COMPILERS:
        found = shutil.which(name)
        if found:
            return found
    looked = f"CC names '{wanted}', which is not there" if wanted else f"looked for {', '.join(COMPILERS)}"
    raise NoCompilerError(
        f"no C compiler was found ({looked}); install one (on Debian: apt install gcc), or name a library that is"
        " built already"
    )


def compile_files(
    texts: Mapping[str, str], output: Path, *, compiler: str | None = None, flags: Sequence[str] = ("-O2",)
) -> Path:
    """Compile C texts, by their file names, into one shared library; headers among them can be included.

    Raises:
        NoCompilerError: there is no compiler, or it refuses; the text holds its first words.
    """
    for name, text in texts.items():
        (output.parent / name).write_text(text, "utf-8")
    units = [str(output.parent / name) for name in texts if name.endswith(".c")]
    command = [compiler or find_compiler(), *STRICT, *flags, "-fPIC", "-shared", "-o", str(output), *units]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        said = "; ".join(done.stderr.splitlines()[:3])
        raise NoCompilerError(f"the C compiler refused: {said}")
    return output


def firmware_texts() -> dict[str, str]:
    """Every C file of the reference firmware by its name, the generated codec among them."""
    from busproto.wire.generators.c_source import sources

    files = resources.files("busproto.sim").joinpath("firmware").iterdir()
    by_hand = {file.name: file.read_text("utf-8") for file in files if file.name.endswith((".c", ".h"))}
    return {**sources(), **dict(sorted(by_hand.items()))}


@functools.cache
def workshop() -> Path:
    """The temporary directory of this process for built libraries."""
    path = Path(tempfile.mkdtemp(prefix="busproto-firmware-"))
    atexit.register(shutil.rmtree, path, ignore_errors=True)
    return path


@functools.cache
def reference_library(flags: tuple[str, ...] = ("-O2",), compiler: str | None = None) -> Path:
    """The reference firmware as a shared library.

    Raises:
        NoCompilerError: it could not be built.
    """
    place = Path(tempfile.mkdtemp(dir=workshop()))
    return compile_files(firmware_texts(), place / "reference.so", compiler=compiler, flags=flags)


@functools.cache
def codec_library(flags: tuple[str, ...] = ("-O2",), compiler: str | None = None) -> Path:
    """The generated codec alone as a shared library.

    Raises:
        NoCompilerError: it could not be built.
    """
    from busproto.wire.generators.c_source import sources

    place = Path(tempfile.mkdtemp(dir=workshop()))
    return compile_files(sources(), place / "codec.so", compiler=compiler, flags=flags)
