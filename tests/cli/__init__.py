"""The command line: whole outputs, bad input, cautions, real processes."""

import pytest

pytest.register_assert_rewrite("tests.cli.helpers")
