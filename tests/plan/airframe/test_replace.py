"""A new actuator in the place of a lost one: who it is, who is refused and why, what the right one then has."""

from __future__ import annotations

import dataclasses

import pytest

from busproto.errors import InputError
from busproto.ops.survey import read_snapshot, survey
from busproto.plan.airframe.record import (
    Record,
    entry_of,
    record_of,
)
from busproto.plan.airframe.replace import (
    Exchange,
    assignment_after,
    exchange_of,
    give_back,
    goal_of,
    look_at,
    needs_match,
    objections,
    record_after,
)
from busproto.plan.changes import carry_out, changes, verify
from busproto.sim.actuators.actuator import Actuator
from busproto.sim.actuators.model import ActuatorModel
from busproto.wire.frame import UNADDRESSED
from tests.ops.helpers import MODEL, Box, box, lasting, uid_of
from tests.plan.airframe.test_record import MADE, entry

AILERON = {"channel": 2, "neutral": 150, "loss-action": 1, "gang": 1, "place": 2, "correction": (0, 40, -12)}
LATER = "2024-06-01T00:00:00+02:00"
NEW = 0xAA


class Hangar:
    """A bus of three whose record is known; the aileron is then lost."""

    def __init__(self, seed: int = 1) -> None:
        self.box: Box = box(seed)
        self.lost = self.box.add(1, 3, settings=AILERON)
        self.box.add(2, 4, channel=4)
        self.box.add(3, 7, channel=7)
        functions = {uid_of(1): "aileron", uid_of(2): "rudder", uid_of(3): "elevator"}
        self.record: Record = record_of(self.box.run(survey()), title="t", made=MADE, functions=functions)
        self.lost.power_off()

    def add(self, number: int = NEW, address: int = UNADDRESSED, model: ActuatorModel = MODEL) -> Actuator:
        new = self.box.add(number, address, travel=9000, correction=(5, 50))  # a used one, matched elsewhere
        new.model = model
        return new

    def exchange(self, **options: object) -> Exchange:
        return exchange_of(self.record, "aileron", self.box.run(survey()), **options)  # type: ignore[arg-type]

    def put_in_place(self) -> Record:
        """All of it, as the command does."""
        exchange = self.exchange()
        snapshot = self.box.run(look_at(exchange, self.box.run(survey())))
        assert objections(exchange.old, snapshot.description) == []
        goals = [goal_of(exchange)]
        self.box.run(carry_out(changes(self.box.run(survey()), goals), goals, note=lambda *_: None))
        assert self.box.run(verify(goals)).proven
        return record_after(self.record, exchange, self.box.run(read_snapshot(3)), made=LATER)


@pytest.mark.parametrize("address", [UNADDRESSED, 3, 4, 7, 50, 239])
def test_the_right_one_gets_all_that_was_not_measured_on_the_old_one_wherever_it_was(address: int) -> None:
    hangar = Hangar()
    new = hangar.add(address=address)
    after = hangar.put_in_place()
    assert new.address == 3
    old = hangar.record.entry("aileron").settings
    assert old["correction"] == (0, 40, -12)
    assert new.settings.working == new.settings.stored() == {**old, "correction": ()}
    assert {one.uid: one.address for one in after.entries} == {uid_of(NEW): 3, uid_of(2): 4, uid_of(3): 7}
    assert after.entry("aileron").uid == uid_of(NEW)
    assert after.entry("aileron").settings == {**old, "correction": ()}
    assert after.made == LATER
    now = record_of(hangar.box.run(survey()), title="now", made=LATER, functions={})
    assert now.flaws == []
    assert now.fingerprint == after.fingerprint != hangar.record.fingerprint


def test_the_right_one_among_several_without_an_address() -> None:
    hangar = Hangar()
    hangar.record = dataclasses.replace(
        hangar.record, entries=(*hangar.record.entries, dataclasses.replace(entry(9, 90), uid=uid_of(9)))
    )
    hangar.box.add(9)  # known to the record, but factory-fresh again
    new = hangar.add()
    hangar.put_in_place()
    assert new.address == 3


def test_looking_changes_nothing_where_it_can_be_read() -> None:
    for address in (UNADDRESSED, 50):
        hangar = Hangar()
        new = hangar.add(address=address)
        before = lasting(new)
        exchange = hangar.exchange()
        assert exchange.is_readable
        assert hangar.box.run(look_at(exchange, hangar.box.run(survey()))).uid == uid_of(NEW)
        assert hangar.box.run(give_back(exchange)) == address
        assert lasting(new) == before


def test_one_that_shares_an_address_is_lent_a_free_one_and_keeps_it() -> None:
    hangar = Hangar()
    new = hangar.add(address=7)
    exchange = hangar.exchange()
    assert not exchange.is_readable
    assert exchange.lend == 239
    snapshot = hangar.box.run(look_at(exchange, hangar.box.run(survey())))
    assert (snapshot.uid, snapshot.address, new.address) == (uid_of(NEW), 239, 239)
    assert hangar.box.run(give_back(exchange)) == 239
    assert new.address == 239
    assert hangar.box.run(survey()).roster.clashes == {}


def test_one_of_several_without_an_address_has_none_again() -> None:
    hangar = Hangar()
    hangar.box.add(NEW + 1)
    new = hangar.add()
    exchange = hangar.exchange(uid=uid_of(NEW))
    assert not exchange.is_readable
    assert hangar.box.run(look_at(exchange, hangar.box.run(survey()))).address == new.address == 239
    assert hangar.box.run(give_back(exchange)) == new.address == UNADDRESSED


def test_an_address_of_the_record_is_never_lent() -> None:
    hangar = Hangar()
    lost = dataclasses.replace(hangar.record.entries[0], uid=uid_of(8), address=239, function="x")
    hangar.record = dataclasses.replace(hangar.record, entries=(*hangar.record.entries, lost))
    hangar.add(address=7)
    assert hangar.exchange().lend == 238


# --- who -------------------------------------------------------------------------------------------------------------


def test_the_old_one_must_be_gone_unless_it_is_taken_over() -> None:
    hangar = Hangar()
    hangar.lost.power_on()
    new = hangar.add(address=50)
    with pytest.raises(InputError, match=f"{uid_of(1).hex()} is on the line, at address 3; unplug it, or say --take"):
        hangar.exchange()
    exchange = hangar.exchange(take_over=True)
    goals = [goal_of(exchange)]
    hangar.box.run(carry_out(changes(hangar.box.run(survey()), goals), goals, note=lambda *_: None))
    assert (new.address, hangar.lost.address) == (3, UNADDRESSED)


def test_several_new_ones_are_listed_and_one_is_chosen_by_uid() -> None:
    hangar = Hangar()
    hangar.add(address=50)
    hangar.add(NEW + 1)
    with pytest.raises(InputError) as caught:
        hangar.exchange()
    assert f"--uid: {uid_of(NEW).hex()} (address 50), {uid_of(NEW + 1).hex()} (no address)" in str(caught.value)
    assert hangar.exchange(uid=uid_of(NEW + 1)).uid == uid_of(NEW + 1)


@pytest.mark.parametrize(
    ("uid", "said"),
    [
        (None, "every actuator on the bus is already in the record"),
        (uid_of(NEW), "is not on the line"),
        (uid_of(2), "is in the record already, as rudder"),
        (uid_of(1), "is the old actuator itself; 'busproto restore'"),
    ],
)
def test_no_actuator_that_could_be_meant(uid: bytes | None, said: str) -> None:
    with pytest.raises(InputError, match=said):
        Hangar().exchange(uid=uid)


def test_another_function_is_refused_with_those_there_are() -> None:
    hangar = Hangar()
    with pytest.raises(InputError, match="no function 'flap'; there are: aileron, rudder, elevator"):
        exchange_of(hangar.record, "flap", hangar.box.run(survey()))


def test_an_address_that_a_member_holds_is_not_taken_from_it() -> None:
    hangar = Hangar()
    hangar.box.bus.labelled("number 1").settings.address = 3
    hangar.box.bus.index()
    hangar.add()
    with pytest.raises(InputError, match=r"address 3 of the aileron is held by rudder .* which the record has at 4"):
        hangar.exchange()


def test_an_address_that_another_new_one_holds_is_taken_from_that_one() -> None:
    """It is in no record, so it has no right to it; `apply_goals` parks it elsewhere."""
    hangar = Hangar()
    hangar.add(address=3)
    hangar.add(NEW + 1)
    assert hangar.exchange(uid=uid_of(NEW + 1)).uid == uid_of(NEW + 1)


# --- whether it may --------------------------------------------------------------------------------------------------


def changed(**fields: object) -> ActuatorModel:
    return dataclasses.replace(MODEL, **fields)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("model", "said"),
    [
        (changed(name="bench 40"), ["its model is bench 40, the old one's was bench 25"]),
        (changed(firmware=(2, 5)), ["its firmware is 2.5, the old one's was 2.4 (--other-firmware allows that)"]),
        (changed(supply_mv=(4800, 7400)), ["its rating: supply up to 7.4 V, the old one's was 8.4 V"]),
        (changed(supply_mv=(6000, 8400)), ["its rating: supply from 6 V, the old one's was from 4.8 V"]),
        (changed(stall_torque_mnm=2400), ["its rating: stall torque 2.4 N m, the old one's was 2.5 N m"]),
        (changed(no_load_speed_deg_s=399), ["its rating: speed 399 deg/s, the old one's was 400 deg/s"]),
        (
            changed(mechanical_travel_deg=180.0),
            ["its rating: travel between the stops 180 deg, the old one's was 200 deg"],
        ),
        (changed(supply_mv=(4500, 9000), stall_torque_mnm=3000, stall_current_ma=5000), []),
        (MODEL, []),
    ],
)
def test_another_kind_is_refused_with_the_reason(model: ActuatorModel, said: list[str]) -> None:
    hangar = Hangar()
    hangar.add(address=7, model=model)
    exchange = hangar.exchange()
    snapshot = hangar.box.run(look_at(exchange, hangar.box.run(survey())))
    assert objections(exchange.old, snapshot.description) == said


def test_another_firmware_can_be_allowed_and_nothing_else_with_it() -> None:
    hangar = Hangar()
    hangar.add(address=50, model=changed(firmware=(1, 9), supply_mv=(4800, 6000)))
    exchange = hangar.exchange()
    description = hangar.box.run(look_at(exchange, hangar.box.run(survey()))).description
    assert objections(exchange.old, description, other_firmware=True) == [
        "its rating: supply up to 6 V, the old one's was 8.4 V"
    ]


def test_the_pack_counts_also_where_the_old_one_did_not_stand_it_either() -> None:
    hangar = Hangar()
    hangar.add(address=50)
    exchange = hangar.exchange()
    description = hangar.box.run(look_at(exchange, hangar.box.run(survey()))).description
    assert objections(exchange.old, description, full_mv=8400) == []
    assert objections(exchange.old, description, full_mv=8700) == ["its rating: supply up to 8.4 V, the pack has 8.7 V"]


# --- afterwards ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("settings", "wanted"),
    [({}, False), ({"correction": (0, 1)}, True), ({"gang": 1, "place": 1}, True), ({"channel": 3}, False)],
)
def test_a_measured_table_or_a_gang_asks_for_a_new_match(settings: dict[str, int], wanted: bool) -> None:
    assert needs_match(entry(1, settings={**entry(1).settings, **settings})) is wanted


def test_the_assignment_names_the_new_one_in_its_function_only() -> None:
    assignment = {"aileron": uid_of(1), "rudder": uid_of(2), "spare": uid_of(NEW)}
    assert assignment_after(assignment, "aileron", uid_of(NEW)) == {"aileron": uid_of(NEW), "rudder": uid_of(2)}


def test_the_record_afterwards_keeps_all_others_as_they_were() -> None:
    hangar = Hangar()
    hangar.add(address=50)
    exchange = hangar.exchange()
    snapshot = hangar.box.run(look_at(exchange, hangar.box.run(survey())))
    after = record_after(hangar.record, exchange, snapshot, made=LATER)
    assert after.entries == (entry_of(snapshot, "aileron"), *hangar.record.entries[1:])
