"""What the tests of C need: a compiler and cffi. Where one is missing they are skipped, but not on CI."""

from __future__ import annotations

import importlib.util
import os
from collections.abc import Sequence

import pytest

from busproto.sim.native.device_build import NoCompilerError, find_compiler


def compiler_and_cffi() -> None:
    """Skip the module that calls this where something is missing."""
    missing = [] if importlib.util.find_spec("cffi") else ["cffi is not installed (pip install 'busproto[firmware]')"]
    try:
        find_compiler()
    except NoCompilerError as error:
        missing.append(str(error))
    skip_where(missing)


def skip_where(missing: Sequence[str]) -> None:
    """Skip the module that is being loaded where something is missing, but not on CI."""
    if missing and not os.environ.get("CI"):
        pytest.skip("; ".join(missing), allow_module_level=True)
    assert not missing
