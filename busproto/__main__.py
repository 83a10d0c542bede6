"""Entry point. `--version` is answered before any heavy import; all else is in `busproto.cli`.

Events around a command end without a traceback too: Ctrl-C while modules are loading, a reader of the output that goes
away, a full disk.
"""

from __future__ import annotations

import os
import sys
from typing import Final

COMPLETION: Final = "_BUSPROTO_COMPLETE"
"""Set by a shell that asks for completions; the name is click's."""
DONE: Final = 0
FAILED: Final = 1
INTERRUPTED: Final = 130
"""As in `busproto.cli.exit_codes`, which may not be loaded yet."""


def main() -> None:
    """Run the command line and leave with its exit code."""
    try:
        code = _run(sys.argv[1:])
        _flush()
    except KeyboardInterrupt:  # before the command runs; a running command handles it itself
        _say("interrupted")
        code = INTERRUPTED
    except OSError as error:  # from the output: errors of files and ports were reported before
        from busproto.shown import is_of_output

        if not is_of_output(error):
            raise
        code = DONE if isinstance(error, BrokenPipeError) else FAILED
        if code:
            _say(f"the output cannot be written: {error.strerror}")
        _throw_away_the_rest()
    if code:
        sys.exit(code)


def _run(arguments: list[str]) -> int:
    if arguments == ["--version"]:
        from busproto._version import version_text
        from busproto.shown import clean_output

        with clean_output():
            print(version_text())
            sys.stdout.flush()
        return DONE
    if COMPLETION in os.environ:
        from busproto.cli import complete

        return complete()
    from busproto.cli import run

    return run(arguments)


def _flush() -> None:
    """Flush the output, so that a late failure is handled as a failure of the command's printing."""
    if sys.stdout is not None:
        from busproto.shown import Shown

        Shown(sys.stdout).flush()


def _say(text: str) -> None:
    if sys.stderr is not None:
        print(f"busproto: {text}", file=sys.stderr)


def _throw_away_the_rest() -> None:
    """Discard unwritten output: the interpreter would try to write it again at exit, and print an error."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


if __name__ == "__main__":
    main()
