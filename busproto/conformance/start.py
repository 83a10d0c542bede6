"""A directory to begin a firmware in: ``python -m busproto.conformance.start DIR``.

It gets the generated codec, the port layer `bp_port.h`, and `mine.c`, which answers link tests and nothing else.
"""

from __future__ import annotations

from importlib import resources
from pathlib import Path
from typing import Final

import click

from busproto.errors import InputError
from busproto.keeping import write_whole
from busproto.wire.c_source import sources

OWN: Final = "mine.c"
PORT: Final = "bp_port.h"


def start_texts() -> dict[str, str]:
    """The text of every file, by its name."""
    own = resources.files("busproto.conformance").joinpath("start_files", OWN).read_text("utf-8")
    port = resources.files("sim").joinpath("firmware", PORT).read_text("utf-8")
    return {**sources(), PORT: port, OWN: own}


def write_start(directory: Path) -> list[Path]:
    """Write the files; the codec and the port layer anew where they are there already. Returns what was written.

    Raises:
        InputError: the directory cannot be written to, or `mine.c` is there and would be lost.
    """
    if (directory / OWN).exists():
        raise InputError(f"'{directory / OWN}' is there already and is not written over")
    try:
        directory.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"'{directory}' cannot be made: {error.strerror or error}") from error
    written = []
    for name, text in start_texts().items():
        write_whole(directory / name, text)
        written.append(directory / name)
    return written


@click.command()
@click.argument("directory", type=click.Path(path_type=Path, file_okay=False))
def command(directory: Path) -> None:
    """Begin a firmware in DIRECTORY."""
    try:
        for path in write_start(directory):
            click.echo(f"written: {path}")
    except InputError as error:
        raise click.UsageError(str(error)) from error
    click.echo(
        f"\nbuild it:  cc -std=c99 -Wall -Wextra -O1 -fPIC -shared -o libmine.so {directory}/*.c\n"
        "test it:   pytest --dut=./libmine.so --dut-clause=op.50"
    )


if __name__ == "__main__":
    command()
