"""Entry point. The version is answered before anything heavy is imported; the rest is in `busproto.cli`."""

from __future__ import annotations

import sys


def main() -> None:
    """Run the command line and leave with its exit code."""
    if sys.argv[1:] == ["--version"]:
        from busproto._version import version_text

        print(version_text())
        return
    from busproto.cli import run

    sys.exit(run(sys.argv[1:]))


if __name__ == "__main__":
    main()
