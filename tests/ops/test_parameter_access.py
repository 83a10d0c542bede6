"""Reading, setting, storing and undoing parameters, each looked at on both sides of the bus."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busproto.errors import InputError, NodeRefusedError, ReadBackError, ReplyTimeoutError
from busproto.ops import commit, describe, read, read_all, transact, undo, write
from busproto.ops.parameter_access import describe_parameters
from busproto.sim.bus import VirtualBus
from busproto.wire.messages import Commit, Memory, Outcome, Read, Write, Written
from busproto.wire.parameters import BY_NAME, FACTORY, PARAMETERS, Parameter, RawValue, disagreement
from tests.ops.helpers import MS, US, box, lasting, once, seeds

CHANGED: dict[str, RawValue] = {
    "channel": 5,
    "neutral": -150,
    "travel": 9000,
    "end-low": -4500,
    "loss-action": 1,
    "under-voltage": 6000,
    "correction": (-100, 0, 50),
}


def test_every_memory_is_read_whole() -> None:
    one = box()
    actuator = one.add(1, 7, neutral=120, correction=(1, 2, 3))
    actuator.settings.set_working("neutral", -30)
    stored = {**FACTORY, "neutral": 120, "correction": (1, 2, 3)}
    assert one.run(read_all(7)) == {**stored, "neutral": -30}
    assert one.run(read_all(7, Memory.STORED)) == stored
    assert one.run(read_all(7, Memory.FACTORY)) == FACTORY
    assert list(one.run(read_all(7))) == list(BY_NAME)
    before = one.link.exchanges
    one.run(read_all(7))
    assert one.link.exchanges - before == 2


@pytest.mark.parametrize("name", list(BY_NAME))
def test_every_parameter_is_read_alone(name: str) -> None:
    one = box()
    one.add(1, 7)
    for memory in Memory:
        assert one.run(read(7, name, memory)) == FACTORY[name]


def test_a_name_that_is_not_there_is_refused_before_anything_is_sent() -> None:
    one = box()
    one.add(1, 7)
    for steps in (read(7, "nonsense"), write(7, {"neutral": 3, "nonsense": 1})):
        with pytest.raises(InputError, match="there is no parameter 'nonsense'"):
            one.run(steps)
    assert one.link.exchanges == 0


def test_write_changes_working_memory_only_and_says_what_was_there() -> None:
    one = box()
    actuator = one.add(1, 7, channel=3)
    memory = tuple(actuator.settings.memory.copies)
    changed = one.run(write(7, CHANGED))
    assert changed == {name: (3 if name == "channel" else FACTORY[name], raw) for name, raw in CHANGED.items()}
    assert actuator.settings.working == {**FACTORY, **CHANGED}
    assert tuple(actuator.settings.memory.copies) == memory
    assert one.link.done == [
        f"address 7: {name} {BY_NAME[name].text(raw)} in working memory" for name, raw in CHANGED.items()
    ]


def test_what_is_so_already_is_not_written() -> None:
    one = box()
    one.add(1, 7, settings=CHANGED)
    port = one.hooked(lambda _: None)
    assert one.run(write(7, CHANGED)) == {}
    assert {type(message) for message in port.sent} == {Read}
    assert one.link.done == []


def limits_of(row: Parameter) -> st.SearchStrategy[RawValue]:
    values = st.integers(row.low, row.high) | st.sampled_from([row.low, row.high])
    if not row.points:
        return values
    return st.just(()) | st.lists(values, min_size=2, max_size=row.points).map(tuple)


@given(st.data())
def test_any_allowed_value_is_written_and_read_back(data: st.DataObject) -> None:
    names = data.draw(st.lists(st.sampled_from(list(BY_NAME)), unique=True, max_size=4))
    changes = {name: data.draw(limits_of(BY_NAME[name])) for name in names}
    one = box()
    actuator = one.add(1, 7)
    if disagreement({**FACTORY, **changes}):
        with pytest.raises(InputError, match="more demand would move the arm back"):
            one.run(write(7, changes))
        assert actuator.settings.working == FACTORY
        return
    one.run(write(7, changes))
    assert {name: one.run(read(7, name)) for name in changes} == changes
    assert actuator.settings.working == {**FACTORY, **changes}
    assert one.run(read_all(7)) == actuator.settings.working


STEEP: dict[str, RawValue] = {"travel": 18_000, "correction": (0, 900, 900)}
"""It needs a travel of 18 deg."""


@pytest.mark.parametrize(
    ("stored", "changes"),
    [
        pytest.param(STEEP, {"travel": 1799}, id="the travel is too narrow for the table that stays"),
        pytest.param({"travel": 1799}, {"correction": (0, 900, 900)}, id="the table is too steep for the travel"),
        pytest.param(STEEP, {"channel": 3, "travel": 1799, "correction": (0, -900, -900)}, id="both are set"),
        pytest.param({"travel": 1000, "direction": 1}, {"correction": (0, -1000, -1000)}, id="it falls, reversed"),
    ],
)
def test_a_table_that_turns_the_arm_back_is_refused_before_anything_is_written(
    stored: dict[str, RawValue], changes: dict[str, RawValue]
) -> None:
    one = box()
    actuator = one.add(1, 7, settings=stored)
    port = one.hooked(lambda _: None)
    before = lasting(actuator)
    with pytest.raises(InputError, match=r"^address 7: correction: from point 1 to 2 it changes by \d+\.00 deg, and "):
        one.run(write(7, changes))
    assert {type(message) for message in port.sent} == {Read}
    assert lasting(actuator) == before


NARROW: dict[str, RawValue] = {"travel": 1000, "correction": (0, 500, 500)}
WIDE: dict[str, RawValue] = {"correction": (0, 1000, 0), "travel": 2000}


@pytest.mark.parametrize(
    ("first", "then"), [(NARROW, WIDE), (WIDE, NARROW), (NARROW, dict(reversed(WIDE.items()))), (STEEP, NARROW)]
)
def test_travel_and_table_are_written_in_an_order_that_the_actuator_takes(
    first: dict[str, RawValue], then: dict[str, RawValue]
) -> None:
    one = box()
    actuator = one.add(1, 7, settings=first)
    assert set(one.run(write(7, then))) == set(then)
    assert actuator.settings.working == {**FACTORY, **then}


def test_an_actuator_refuses_what_would_turn_its_arm_back_and_tells_the_least_travel() -> None:
    one = box()
    actuator = one.add(1, 7, settings=STEEP)
    with pytest.raises(NodeRefusedError) as caught:
        one.run(transact(Write(6, (1799).to_bytes(2, "little")), 7, Written))
    assert (caught.value.code, caught.value.low, caught.value.high) == (Outcome.OUT_OF_RANGE, 1800, 18_000)
    with pytest.raises(NodeRefusedError) as caught:
        one.run(transact(Write(22, BY_NAME["correction"].encode((-1000, 1000) * 6)), 7, Written))
    assert (caught.value.code, caught.value.low, caught.value.high) == (Outcome.OUT_OF_RANGE, -1000, 1000)
    assert actuator.settings.working == {**FACTORY, **STEEP}


@pytest.mark.parametrize("row", [row for row in PARAMETERS.values() if not row.points], ids=lambda row: row.name)
def test_a_value_just_out_of_range_is_refused_here_and_there(row: Parameter) -> None:
    one = box()
    actuator = one.add(1, 7)
    before = lasting(actuator)
    for raw in (row.low - 1, row.high + 1):
        with pytest.raises(InputError) as caught:
            one.run(write(7, {"stiffness": 5, row.name: raw}))
        assert str(caught.value).startswith(f"address 7: {row.name}: ")
    assert one.link.exchanges == 0
    assert lasting(actuator) == before


def test_a_value_that_the_actuator_refuses_leaves_all_as_it_was() -> None:
    """The host's own table is wider than the actuator's: what a newer host meets in an older actuator."""
    one = box()
    actuator = one.add(1, 7)
    before = lasting(actuator)
    with pytest.raises(NodeRefusedError) as caught:
        one.run(transact(Write(17, (19).to_bytes(2, "little")), 7, Written))
    assert (caught.value.code, caught.value.low, caught.value.high) == (Outcome.OUT_OF_RANGE, 20, 10_000)
    assert lasting(actuator) == before


def test_a_table_with_too_many_points_is_refused_before_anything_is_sent() -> None:
    one = box()
    one.add(1, 7)
    for table in ((0,) * 34, (5,), (0, 1001)):
        with pytest.raises(InputError):
            one.run(write(7, {"correction": table}))
    assert one.link.exchanges == 0


@pytest.mark.parametrize("table", [(), (0, 0), tuple(range(-160, 170, 10)), (-1000, 1000)])
def test_the_correction_table(table: tuple[int, ...]) -> None:
    one = box()
    actuator = one.add(1, 7, correction=(7, 7, 7))
    one.run(write(7, {"correction": table}))
    assert actuator.settings.working["correction"] == table
    assert one.run(read(7, "correction")) == table
    one.run(commit(7))
    assert one.run(read(7, "correction", Memory.STORED)) == table


def test_commit_survives_a_power_cycle_and_nothing_else_does() -> None:
    one = box()
    actuator = one.add(1, 7)
    one.run(write(7, CHANGED))
    assert one.run(commit(7)) == 2  # a new memory holds generation 1
    one.run(write(7, {"stiffness": 99}))
    actuator.power_off()
    actuator.power_on()
    assert one.run(read_all(7)) == {**FACTORY, **CHANGED}
    assert one.run(commit(7)) == 3
    assert one.run(describe(7)).generation == 3
    assert "address 7: settings stored" in one.link.done


def test_commit_that_loses_its_reply_is_asked_for_again() -> None:
    one = box()
    actuator = one.add(1, 7)
    one.run(write(7, CHANGED))
    actuator.is_mute = True
    one.hooked(once(Commit, lambda: setattr(actuator, "is_mute", False), number=2))
    assert one.run(commit(7)) == 3  # stored twice, the same set
    assert actuator.settings.stored() == {**FACTORY, **CHANGED}


def test_power_that_goes_while_settings_are_stored_leaves_the_old_or_the_new_set_whole() -> None:
    old, new = dict(FACTORY), {**FACTORY, **CHANGED}
    outcomes = []
    for after_ns in range(0, 8 * MS, 100 * US):
        one = box()
        actuator = one.add(1, 7)
        one.run(write(7, CHANGED))

        def cut(off: Callable[[], None] = actuator.power_off, bus: VirtualBus = one.bus, ns: int = after_ns) -> None:
            bus.kernel.at(bus.kernel.now_ns + ns, off)

        one.hooked(once(Commit, cut))
        with pytest.raises(ReplyTimeoutError):
            one.run(commit(7))
        actuator.power_on()
        found = one.run(read_all(7))
        assert found in (old, new)
        assert not actuator.settings.are_lost
        outcomes.append(found == new)
    assert outcomes == sorted(outcomes)  # old up to a moment, new from there on
    assert set(outcomes) == {False, True}


def test_a_store_that_is_not_what_was_written_is_told() -> None:
    """Another host changes working memory between the commit and the read-back."""
    one = box()
    actuator = one.add(1, 7)
    one.hooked(once(Read, lambda: actuator.settings.set_working("stiffness", 11)))
    with pytest.raises(ReadBackError) as caught:
        one.run(commit(7))
    assert "stored stiffness" in str(caught.value)
    assert (caught.value.wanted, caught.value.found) == ("11 %", "60 %")


def test_a_write_that_did_not_stick_is_told() -> None:
    one = box()
    actuator = one.add(1, 7)
    one.hooked(once(Read, lambda: actuator.settings.set_working("stiffness", 12), number=2))
    with pytest.raises(ReadBackError) as caught:
        one.run(write(7, {"stiffness": 99}))
    assert (caught.value.wanted, caught.value.found) == ("99 %", "12 %")
    assert one.link.done == []


def test_undo() -> None:
    one = box()
    actuator = one.add(1, 7, neutral=120)
    one.run(write(7, CHANGED))
    stored = {**FACTORY, "neutral": 120}
    assert one.run(undo(7)) == stored == actuator.settings.working
    memory = tuple(actuator.settings.memory.copies)
    assert one.run(undo(7, Memory.FACTORY)) == FACTORY == actuator.settings.working
    assert tuple(actuator.settings.memory.copies) == memory
    assert actuator.address == 7
    with pytest.raises(NodeRefusedError):
        one.run(undo(7, Memory.WORKING))


def test_an_actuator_tells_its_own_list() -> None:
    one = box()
    one.add(1, 7)
    rows = one.run(describe_parameters(7))
    assert [(row.number, row.name, row.size, row.points, row.low, row.high, row.unit, row.default) for row in rows] == [
        (
            row.number,
            row.name,
            row.size,
            row.points,
            row.low,
            row.high,
            row.count_unit,
            row.default if isinstance(row.default, int) else 0,
        )
        for row in PARAMETERS.values()
    ]


def test_settings_are_read_under_noise_or_not_at_all() -> None:
    read_well = 0
    for seed in seeds(10, 300):
        one = box(seed)
        one.add(1, 7, neutral=seed)
        one.noise(3e-3)
        try:
            values = one.run(read_all(7))
        except ReplyTimeoutError:
            continue
        assert values == {**FACTORY, "neutral": seed}
        read_well += 1
    assert read_well >= 8
