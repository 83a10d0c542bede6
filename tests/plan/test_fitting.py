"""What of the wanted settings an actuator with its own parameter list can have."""

from __future__ import annotations

from typing import Final

import pytest

from busproto.plan.fitting import Wanted, fitted
from busproto.sim.scene.own_table import OwnTable, rows_of
from busproto.wire.parameter_list import STANDARD, list_of_rows

NOTCH: Final = OwnTable(name="notch", high=5000, factory=350, unit="0.1 Hz")
ODD: Final = list_of_rows(rows_of(["stiffness"], [NOTCH]))
SETTINGS: Final = {"stiffness": 128, "damping": 60, "channel": 3}


@pytest.mark.parametrize(
    ("stated", "lacking"),
    [(None, ("stiffness",)), ((), ()), (("damping",), ()), (("damping", "stiffness"), ("stiffness",))],
)
def test_it_lacks_what_a_file_states_and_not_what_is_only_the_factory_value(
    stated: tuple[str, ...] | None, lacking: tuple[str, ...]
) -> None:
    found = fitted(Wanted(SETTINGS, stated=stated), ODD)
    assert (found.settings, found.lacking, found.refused) == ({"damping": 60, "channel": 3}, lacking, {})


def test_its_own_is_lacking_elsewhere_whatever_is_stated() -> None:
    wanted = Wanted({"channel": 3}, {"notch": 41.5}, stated=("channel",))
    assert fitted(wanted, ODD).settings == {"channel": 3, "notch": 415}
    assert fitted(wanted, STANDARD).lacking == ("notch",)
    assert fitted(wanted, STANDARD).texts == ["it has no parameter 'notch'"]


def test_what_it_would_refuse_is_told_with_what_it_takes() -> None:
    found = fitted(Wanted({"channel": 99}, {"notch": 501}), ODD)
    assert found.settings == {}
    assert set(found.refused) == {"channel", "notch"}
    assert found.refused["channel"].endswith(", which is all that this actuator takes")
    assert "500" in found.refused["notch"], "its highest, in its unit"
    other = fitted(Wanted({}, {"notch": 41.5}, units={"notch": "rpm"}), ODD)
    assert other.refused == {"notch": "notch: it is in Hz now, 41.5 rpm is wanted"}
