"""Actuators that lack parameters of the table or have more: read, set, stored, undone on the virtual bus, also with
noise and silence on their list; and what it costs where all have the table.
"""

from __future__ import annotations

from collections import Counter
from typing import Final

import pytest

from busproto.errors import InputError, LacksParameterError, ParameterListError, ReadBackError, ReplyTimeoutError
from busproto.ops import read, read_all, write
from busproto.ops.holding import Held, Lists
from busproto.ops.moving.nudge import nudge
from busproto.ops.parameter_access import commit, describe, parameters_of, read_whole, undo
from busproto.ops.survey import read_snapshot, survey
from busproto.sim.scene.own_table import OwnTable, rows_of
from busproto.wire.messages import Commit, Describe, DescribeParameter, Memory, Read, Write
from busproto.wire.parameter_list import STANDARD
from busproto.wire.parameters import BY_NAME, FACTORY, Parameter
from tests.ops.helpers import Box, box, once

NOTCH: Final = OwnTable(name="notch", high=5000, factory=350, unit="0.1 Hz")
CURVE: Final = OwnTable(name="curve", low=-100, high=100, unit="0.01 deg", bytes=1, points=9)
ODD: Final = rows_of(["stiffness"], [NOTCH])
FEWER: Final = rows_of(["stiffness", "correction"], [])
MORE: Final = rows_of([], [NOTCH, CURVE])


def bench(*lists: tuple[Parameter, ...]) -> Box:
    """One actuator with each list, at 7 and on."""
    one = box(3)
    for at, rows in enumerate(lists):
        one.add(at + 1, 7 + at, rows=rows)
    return one


TABLE: Final = tuple(BY_NAME.values())


@pytest.mark.parametrize("rows", [ODD, FEWER, MORE])
@pytest.mark.parametrize("memory", list(Memory))
def test_everything_that_it_has_is_read_and_nothing_else(rows: tuple[Parameter, ...], memory: Memory) -> None:
    one = bench(rows)
    found = one.run(read_whole(7, memory))
    assert found == {row.name: row.default for row in rows}
    assert set(found.parameters.lacks) == set(BY_NAME) - set(found)
    assert set(found.parameters.own) == set(found) - set(BY_NAME)
    assert list(found) == list(found.parameters.rows)


def test_where_all_have_the_table_no_list_is_asked_for() -> None:
    one = bench(TABLE, TABLE, TABLE)
    port = one.hooked(lambda _: None)
    assert one.run(read_snapshot(7)).parameters is STANDARD
    assert Counter(map(type, port.sent)) == {Describe: 1, Read: 4, type(port.sent[1]): 1}
    port.sent.clear()
    one.run(survey())
    sent = Counter(map(type, port.sent))
    assert (sent[Describe], sent[Read], sent[DescribeParameter]) == (3, 12, 0)


def test_the_list_is_asked_for_once_of_each_model_and_count() -> None:
    one = bench(ODD, TABLE, ODD, MORE, ODD)
    port = one.hooked(lambda _: None)
    seen = one.run(survey())
    assert not seen.problems
    assert Counter(map(type, port.sent))[DescribeParameter] == len(ODD) + len(MORE)
    by_address = {snapshot.address: snapshot.parameters for snapshot in seen.snapshots.values()}
    assert by_address[7] == by_address[9] == by_address[11]
    assert by_address[8] is STANDARD
    assert by_address[10].own == ("notch", "curve")


def test_a_list_that_was_kept_and_is_not_that_of_this_one_is_asked_for_anew() -> None:
    one = bench(ODD, rows_of(["damping"], [NOTCH]))
    lists = Lists()
    first, second = (one.run(read_snapshot(at, lists)).parameters for at in (7, 8))
    assert (first.lacks, second.lacks) == (("stiffness",), ("damping",))


def test_reading_by_the_table_alone_leaves_out_what_it_lacks() -> None:
    one = bench(FEWER, MORE)
    assert one.run(read_all(7)) == {row.name: row.default for row in FEWER}
    assert one.run(read_all(8)) == FACTORY  # its own are not looked for


def test_its_own_is_set_stored_and_undone_like_any_other() -> None:
    one = bench(MORE)
    actuator = one.bus.actuators[0]
    known = one.run(parameters_of(7))
    assert one.run(write(7, {"notch": 415, "curve": (0, 5, 10), "channel": 3}, known)) == {
        "notch": (350, 415),
        "curve": ((), (0, 5, 10)),
        "channel": (0, 3),
    }
    assert one.run(read(7, "curve", known=known)) == (0, 5, 10)
    assert one.link.done[0] == "address 7: notch 41.5 Hz in working memory"
    one.run(commit(7))
    assert one.run(read_whole(7, Memory.STORED)) == actuator.settings.stored()
    assert actuator.settings.stored()["curve"] == (0, 5, 10)
    one.run(write(7, {"notch": 1, "curve": ()}, known))
    assert one.run(undo(7))["notch"] == 415
    assert one.run(undo(7, Memory.FACTORY)) == {row.name: row.default for row in MORE}
    one.run(commit(7, known))
    actuator.power_off()
    actuator.power_on()
    assert one.run(read(7, "notch", known=known)) == 350


def test_what_it_costs_to_know_all_that_is_stored() -> None:
    one = bench(TABLE)
    description = one.run(describe(7))
    for known, told, sent in (
        (None, None, {Commit: 1, Describe: 1, Read: 4}),
        (None, description, {Commit: 1, Read: 4}),
        (STANDARD, None, {Commit: 1, Read: 4}),
    ):
        port = one.hooked(lambda _: None)
        one.run(commit(7, known, description=told))
        assert Counter(map(type, port.sent)) == sent


@pytest.mark.parametrize("byte", [0, 3, 30])
def test_a_power_cut_while_its_own_is_stored_leaves_the_old_set_whole(byte: int) -> None:
    one = bench(ODD)
    actuator = one.bus.actuators[0]
    known = one.run(parameters_of(7))
    one.run(write(7, {"notch": 9}, known))
    actuator.power_off_while_writing(byte)
    with pytest.raises(ReplyTimeoutError):
        one.run(commit(7, known))
    actuator.power_on()
    assert one.run(read(7, "notch", known=known)) == 350


def test_what_is_not_there_is_named_with_its_actuator() -> None:
    one = bench(ODD)
    why = r"^the actuator at address 7 \(07 hex\) has no parameter 'stiffness'; 'busproto show 7' lists what it has$"
    known = one.run(parameters_of(7))
    for steps in (
        read(7, "stiffness"),
        read(7, "stiffness", known=known),
        write(7, {"stiffness": 3}),
        write(7, {"channel": 2, "stiffness": 3}, known),
    ):
        with pytest.raises(LacksParameterError, match=why) as caught:
            one.run(steps)
        assert caught.value.name == "stiffness"
    assert one.run(read_all(7))["channel"] == 0
    with pytest.raises(InputError, match=r"address 7: there is no parameter 'nonsense'; there are: channel, .*, notch"):
        one.run(read(7, "nonsense", known=known))
    with pytest.raises(InputError, match=r"address 7: notch: 500\.1 Hz is outside 0\.0\.\.500\.0 Hz"):
        one.run(write(7, {"notch": 5001}, known))


@pytest.mark.parametrize("name", ["travel", "neutral", "direction", "loss-action"])
def test_an_operation_that_needs_one_says_which_and_moves_nothing(name: str) -> None:
    one = bench(rows_of([name], []))
    port = one.hooked(lambda _: None)
    with pytest.raises(LacksParameterError, match=f"address 7 .* has no parameter '{name}'"):
        one.run(nudge(7))
    assert {type(message).__name__ for message in port.sent} <= {"Describe", "DescribeParameter", "Read", "Report"}


def test_held_values_are_a_plain_mapping_where_there_is_a_value() -> None:
    held = Held(7, {"channel": 3})
    assert held == {"channel": 3}
    assert held.get("nonsense") is None
    with pytest.raises(KeyError):
        held["nonsense"]


def test_noise_on_the_list_only_takes_longer() -> None:
    one = bench(ODD)
    end = one.noise(2e-3)
    assert one.run(parameters_of(7)).own == ("notch",)
    end()


def test_silence_on_the_list_is_told_and_the_others_are_read() -> None:
    one = bench(ODD, TABLE)
    port = one.hooked(once(DescribeParameter, lambda: one.bus.actuators[0].power_off(), number=5))
    seen = one.run(survey())
    assert [snapshot.address for snapshot in seen.snapshots.values()] == [8]
    assert "describe parameter: no reply from the actuator at address 7 (07 hex) after 4 attempts" in seen.problems[7]
    assert Write not in map(type, port.sent)


def test_a_list_that_makes_no_sense_is_refused_in_one_line() -> None:
    one = bench(ODD, TABLE)
    odd = one.bus.actuators[0].settings
    notch = odd.rows[-1]
    for rows, why in (
        ((*odd.rows[:-1], *odd.rows[:1]), "row 21, 'channel': number 1 is that of 'channel' already"),
        ((*odd.rows[:-1], notch.__class__(40, "x", notch.subcon, "V", 1, 9, 1, 9, "")), "row 21, 'x': limits 9..1 are"),
        (odd.rows[:2], "its answers do not fit the list"),
    ):
        odd.rows = rows
        if why.startswith("its answers"):
            odd.by_number = {}
        seen = one.run(survey())
        assert seen.problems[7].startswith(
            f"the parameter list of the actuator at address 7 (07 hex) cannot be used: {why}"
        )
        assert "\n" not in seen.problems[7]
        assert [snapshot.address for snapshot in seen.snapshots.values()] == [8]


def test_a_count_beyond_the_list_is_refused() -> None:
    one = bench(ODD)
    description = one.run(describe(7))
    more = type(description)(
        **{**{name: getattr(description, name) for name in description.__dataclass_fields__}, "parameter_count": 40}
    )
    with pytest.raises(ParameterListError, match="it reports 40 parameters, and refuses row 22"):
        one.run(parameters_of(7, more))


def test_a_value_outside_the_limits_that_it_tells_is_named() -> None:
    one = bench(ODD)
    one.bus.actuators[0].settings.by_number = {
        number: BY_NAME["travel"].__class__(40, "notch", row.subcon, "", 1, 0, 65_535, 0, "") if number == 100 else row
        for number, row in one.bus.actuators[0].settings.by_number.items()
    }
    one.bus.actuators[0].settings.working["notch"] = 60_000
    with pytest.raises(ReadBackError, match=r"notch: .*0\.0\.\.500\.0 Hz"):
        one.run(read_whole(7))
