"""The pages are walked in the environment of the command line's tests."""

from __future__ import annotations

from tests.cli.conftest import _plain_environment, _same_salts, cli

__all__ = ["_plain_environment", "_same_salts", "cli"]
