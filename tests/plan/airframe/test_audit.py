"""Holding the line against the plan: every way in which something can be otherwise is named as what it is."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from busproto.ops.survey import survey
from busproto.plan.airframe.audit import AS_PLANNED, CLASHING, DIFFERS, MISSING, UNREAD, Audit, audit, audit_json, goals
from busproto.plan.changes import carry_out, changes
from busproto.plan.hardware import Difference
from busproto.wire.frame import UNADDRESSED
from tests.plan.airframes import Hauler, hauler


def look(air: Hauler, assignment: dict[str, bytes] | None = None) -> Audit:
    return audit(air.plan, air.assignment if assignment is None else assignment, air.link.run(survey()))


def status(found: Audit, function: str) -> str:
    return next(row.status for row in found.rows if row.role.function == function)


def differences(found: Audit, function: str) -> list[str]:
    return [one.text for row in found.rows if row.role.function == function for one in row.differences]


@pytest.fixture
def air(tmp_path: Path) -> Hauler:
    return hauler(tmp_path)


@pytest.fixture
def ready(air: Hauler) -> Hauler:
    """As planned, but for what only hands can mend."""
    seen = air.link.run(survey())
    wanted = goals(air.plan, air.assignment, seen)
    air.link.run(carry_out(changes(seen, wanted), wanted, note=lambda change, step: None))
    return air


def test_the_box_as_it_came_together(air: Hauler) -> None:
    found = look(air)
    assert not found.is_clean
    assert found.proven
    assert sorted(found.clashes) == [1, 2, 40]
    words = {row.role.function: row.status for row in found.rows}
    assert words == {
        "throttle": CLASHING,
        "aileron, left": DIFFERS,
        "aileron, right": CLASHING,
        "flap, left": DIFFERS,
        "flap, right": DIFFERS,
        "elevator, left": CLASHING,
        "elevator, right": CLASHING,
        "rudder, upper": DIFFERS,
        "rudder, middle": DIFFERS,
        "rudder, lower": CLASHING,
        "nose wheel": CLASHING,
        "tow release": DIFFERS,
        "airbrake": CLASHING,
    }
    assert "address: 3, planned 2" in differences(found, "aileron, left")
    assert "address: none, planned 10" in differences(found, "flap, left")


def test_without_claims_the_actuator_alone_at_the_address_is_taken_for_it(air: Hauler) -> None:
    found = look(air, {})
    assert status(found, "rudder, upper") == DIFFERS
    assert status(found, "throttle") == CLASHING
    assert status(found, "flap, left") == MISSING
    swapped = next(row for row in found.rows if row.role.function == "aileron, right")
    assert swapped.uid == air.bus.labelled("aileron, left").uid, "only a hand can tell that these two are swapped"
    assert len(found.strays) == 11


def test_ready_but_for_firmware_model_and_rating(ready: Hauler) -> None:
    found = look(ready)
    odd = {row.role.function for row in found.rows if row.status != AS_PLANNED}
    assert odd == {"rudder, upper", "rudder, middle", "rudder, lower", "airbrake"}
    assert differences(found, "rudder, middle") == ["firmware: 1.9, planned 2.4"]
    assert differences(found, "rudder, upper") == [
        "gang: unlike actuators: bench 40 1.9 and bench 40 2.4, planned all alike"
    ]
    assert differences(found, "airbrake") == [
        "model: bench 15, planned bench 25",
        "rating: rated 4.8..7.4 V, planned for a pack of 8.4 V (take the pack off: it harms this actuator)",
        "supply: 8.20 V, planned within 4.8..7.4 V (take the supply off: it harms this actuator)",
    ]
    assert not any(one.can_be_applied for row in found.rows for one in row.differences)


def test_one_that_is_unplugged_is_missing_and_one_that_is_mute_too(ready: Hauler) -> None:
    ready.bus.labelled("flap, left").power_off()
    ready.bus.labelled("tow release").is_mute = True
    found = look(ready)
    assert (status(found, "flap, left"), status(found, "tow release")) == (MISSING, MISSING)


def test_one_that_falls_silent_behind_the_search_could_not_be_read(ready: Hauler) -> None:
    seen = ready.link.run(survey())
    silent = ready.bus.labelled("flap, left").uid
    snapshots = {uid: snapshot for uid, snapshot in seen.snapshots.items() if uid != silent}
    found = audit(ready.plan, ready.assignment, dataclasses.replace(seen, snapshots=snapshots))
    assert status(found, "flap, left") == UNREAD
    assert not found.is_clean


def test_a_spare_is_unexpected(ready: Hauler) -> None:
    ready.bus.labelled("spare 25").power_on()
    found = look(ready)
    assert [(one.address, one.model) for one in found.strays] == [(UNADDRESSED, "")]
    assert audit_json(found)["unexpected"] == [{"uid": "70a90000000043f0", "address": None, "model": None}]


def test_working_and_stored_memory_are_told_apart(ready: Hauler) -> None:
    ready.bus.labelled("flap, left").settings.set_working("travel", 9000)
    assert differences(look(ready), "flap, left") == ["travel: 90.00 deg, planned 120.00 deg (in working memory only)"]


def test_a_fault_that_is_reported_is_a_difference(ready: Hauler) -> None:
    ready.bus.labelled("flap, left").settings.set_working("under-voltage", 9000)
    texts = differences(look(ready), "flap, left")
    assert any(text.startswith("fault: ") for text in texts)
    assert any(text.startswith("under-voltage: 9.000 V, planned") for text in texts)


def test_a_measured_correction_is_no_difference(ready: Hauler) -> None:
    before = differences(look(ready), "flap, left")
    ready.bus.labelled("flap, left").settings.set_working("correction", (0, 50, 0))
    assert differences(look(ready), "flap, left") == before == []


def test_a_list_that_is_not_proven_is_never_clean(ready: Hauler) -> None:
    for label in ("airbrake, weak", "rudder, middle, old"):
        ready.bus.labelled(label).power_off()
    seen = ready.link.run(survey())
    doubtful = dataclasses.replace(seen, roster=dataclasses.replace(seen.roster, proven=False, reason="noise"))
    body = audit_json(audit(ready.plan, ready.assignment, doubtful))
    assert (body["as_planned"], body["proven"], body["reason"]) == (False, False, "noise")


def test_as_data_each_says_the_address_at_which_it_is(ready: Hauler) -> None:
    found = look(ready)
    by_function = {row["function"]: row["address"] for row in audit_json(found)["functions"]}
    assert by_function == {row.role.function: row.address for row in found.rows}
    assert any(by_function.values())


def test_what_may_not_be_moved_is_harmed_by_the_pack_or_out_of_its_supply_now(ready: Hauler) -> None:
    row = look(ready).rows[0]
    assert row.harm == []
    for name, harms, counts in (("rating", True, True), ("supply", False, True), ("travel", False, False)):
        one = Difference(name, "this", "that", harms=harms)
        assert bool(dataclasses.replace(row, differences=(one,)).harm) == counts
