"""What all tests share: the hypothesis profiles.

``HYPOTHESIS_PROFILE`` chooses one: `dev` (the default) is quick, `ci` always draws the same examples, `deep` draws
many. None has a deadline and none minds a slow machine: no test here may depend on how fast it runs.
"""

from __future__ import annotations

import os

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
