"""Chance is drawn from a seed here too: the same run every time."""

from tests.ops.conftest import _same_chance_every_time as _same_chance_every_time
