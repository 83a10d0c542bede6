"""``busproto spec``."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import click

from busproto.cli.common import json_option, print_json
from busproto.errors import InputError


@click.command(
    epilog="""\b
Examples:
  busproto spec
  busproto spec --c firmware/generated
  busproto spec --lua ~/.local/lib/wireshark/plugins/busproto.lua
  busproto spec --decoder ~/.local/share/libsigrokdecode/decoders
\b
JSON keys are stable within a frame version, which is its first key. Where files are
written: "files". They are written over where they stand already.
The C files are bp_wire.h and bp_*.c: C99, no heap, memcpy and memset only."""
)
@click.option("--c", "c_directory", metavar="DIR", help="Write the codec in C into that directory.")
@click.option("--lua", "lua_file", metavar="FILE", help="Write a dissector for the common open packet analyser.")
@click.option(
    "--decoder", "decoder_directory", metavar="DIR", help="Write a decoder for the open logic-analyser framework there."
)
@json_option
def command(c_directory: str | None, lua_file: str | None, decoder_directory: str | None, as_json: bool) -> None:
    """Print the bus format: frame, operations, parameters, codes, worked examples. Or write it for other tools.

    All of it comes from the definitions that the code runs on.
    """
    files: list[Path] = []
    if c_directory is not None:
        from busproto.wire.c_source import sources

        files += _write(Path(c_directory), sources())
    if lua_file is not None:
        from busproto.wire.lua_source import lua_source

        path = Path(lua_file)
        files += _write(path.parent, {path.name: lua_source()})
    if decoder_directory is not None:
        from busproto.wire.sigrok_source import DECODER_NAME, sigrok_files

        files += _write(Path(decoder_directory) / DECODER_NAME, sigrok_files())
    if files:
        if as_json:
            print_json({"files": [str(file) for file in files]})
        else:
            for file in files:
                click.echo(f"written: '{file}'")
        return
    from busproto.wire import specification

    if as_json:
        print_json(specification.specification())
    else:
        click.echo(specification.markdown(), nl=False)


def _write(directory: Path, texts: Mapping[str, str]) -> list[Path]:
    """Write texts into a directory, which is made where it is missing."""
    from busproto.keeping import write_whole

    try:
        directory.mkdir(parents=True, exist_ok=True)
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise InputError(f"'{directory}' cannot be made: {why}") from error
    files = []
    for name, text in texts.items():
        write_whole(directory / name, text)
        files.append(directory / name)
    return files
