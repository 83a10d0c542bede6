"""What all tests share: the hypothesis profiles.

``HYPOTHESIS_PROFILE`` chooses one: `dev` (the default) is quick, `ci` always draws the same examples, `deep` draws
many. None has a deadline and none minds a slow machine: no test here may depend on how fast it runs.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Generator

import pytest
from hypothesis import HealthCheck, settings

_NOT_TIMED = (HealthCheck.too_slow,)

settings.register_profile("dev", max_examples=40, deadline=None, print_blob=True, suppress_health_check=_NOT_TIMED)
settings.register_profile(
    "ci",
    max_examples=200,
    deadline=None,
    print_blob=True,
    derandomize=True,
    suppress_health_check=_NOT_TIMED,
)
settings.register_profile("deep", max_examples=2000, deadline=None, print_blob=True, suppress_health_check=_NOT_TIMED)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "dev"))


# a shell that starts the tests in the background lets them ignore these, and so every process that they start
signal.signal(signal.SIGINT, signal.default_int_handler)
if hasattr(signal, "SIGHUP"):
    signal.signal(signal.SIGHUP, signal.SIG_DFL)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """On CI a check that is skipped is a check that failed: there every tool is installed."""
    report = yield
    if os.environ.get("BUSPROTO_NO_SKIPS") and report.skipped and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"{item.nodeid} was skipped where nothing may be: {report.longrepr}"
    return report


LONGEST = "test_behind_a_pseudo_terminal_the_same_clauses_pass"


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """What waits for minutes in real time is begun first, so that all others run meanwhile."""
    items.sort(key=lambda item: item.name != LONGEST)
