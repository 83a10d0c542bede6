"""``python -m busproto.cli.json_keys`` prints the page of the handbook."""

from __future__ import annotations

import sys

from busproto.cli.json_keys import page

if __name__ == "__main__":
    sys.stdout.write(page())
