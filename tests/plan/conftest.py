"""Whatever runs here never tells of more than all steps."""

from __future__ import annotations

import pytest

from tests.ops.helpers import watch_progress


@pytest.fixture(autouse=True)
def _no_progress_beyond_the_end(monkeypatch: pytest.MonkeyPatch) -> None:
    watch_progress(monkeypatch)
