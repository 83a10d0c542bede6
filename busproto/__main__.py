"""Entry point. The version is answered before anything heavy is imported; the rest is in `busproto.cli`.

Nothing that happens around a command ends in a traceback either: Ctrl-C while modules are still being loaded, a reader
of the output that goes away, a full disk behind it.
"""

from __future__ import annotations

import os
import sys
from typing import Final

COMPLETION: Final = "_BUSPROTO_COMPLETE"
"""Set by a shell that asks what could come next; click's own name for it."""
DONE: Final = 0
FAILED: Final = 1
INTERRUPTED: Final = 130
"""As in `busproto.cli.exit_codes`, which may be what was being loaded."""


def main() -> None:
    """Run the command line and leave with its exit code."""
    try:
        code = _run(sys.argv[1:])
        _flush()
    except KeyboardInterrupt:  # a command sees to it itself, once it runs
        _say("interrupted")
        code = INTERRUPTED
    except OSError as error:  # of the output: bad files and ports have been told by now
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
    """What fails only now fails as the command's own printing does."""
    if sys.stdout is not None:
        from busproto.shown import Shown

        Shown(sys.stdout).flush()


def _say(text: str) -> None:
    if sys.stderr is not None:
        print(f"busproto: {text}", file=sys.stderr)


def _throw_away_the_rest() -> None:
    """Else the interpreter tries once more to write it, and complains."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


if __name__ == "__main__":
    main()
