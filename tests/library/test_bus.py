"""One actuator and all of them, by a program that waits: what it gets, what is on the bus, what is refused and how."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

import busproto
from busproto import ops
from busproto.ops.moving.letting_go import seen_by
from busproto.wire.frame import UNADDRESSED
from busproto.wire.messages import Demand, Describe, Engage, Read, Release, State, Write
from busproto.wire.parameters import BY_NAME
from tests.library.helpers import ADDRESSES, FRESH, LEFT, LONE, RIGHT, harbour, opened
from tests.ops.helpers import DyingPort, once


def test_find_gives_a_list_that_can_be_asked() -> None:
    one = harbour()
    with opened(one)[0] as bus:
        found = bus.find()
    assert found.proven
    assert found.reason == ""
    assert len(found) == 4
    assert {row.uid: row.address for row in found} == one.truth
    assert 12 in found
    assert LONE in found
    assert LONE.hex().upper() in found
    assert UNADDRESSED not in found
    assert 13 not in found
    assert object() not in found
    assert repr(found).startswith("<Roster of 4, proven complete: ")
    assert f"{LONE.hex()} at 12" in repr(found)
    assert f"{FRESH.hex()} without an address" in repr(found)
    assert repr(next(iter(found))) == f"<{LONE.hex()} at 12>"


def test_an_empty_list_is_an_answer_and_says_why_it_is_not_proven() -> None:
    one = harbour()
    for actuator in one.bus.actuators:
        actuator.power_off()
    found = opened(one)[0].find()
    assert len(found) == 0
    assert bool(found)
    assert not found.proven
    assert "NOT PROVEN complete (no actuator answers" in repr(found)


@pytest.mark.parametrize("key", [12, LONE, LONE.hex(), LONE.hex().upper(), bytearray(LONE), ops.Found(LONE, 0)])
def test_one_is_named_by_its_address_or_by_its_uid(key: Any) -> None:
    bus, _ = opened(harbour())
    one = bus[key]
    assert one.describe().uid == one.uid == LONE.hex()
    assert one.address == one.describe().address == 12
    assert one.report().position_deg == -8.0
    assert one.report().is_limp


@pytest.mark.parametrize("key", [0, 240, -1, True, 3.5, None, "12", "", "zz", b"1", bytes(8), [12], {}])
def test_what_names_no_actuator_is_refused_at_once(key: Any) -> None:
    bus, port = opened(harbour())
    with pytest.raises(busproto.InputError, match=r"1\.\.239|digits|bytes"):
        bus[key]
    assert port.sent == []


def test_a_report_and_a_description_stand_in_units() -> None:
    one = harbour()
    bus, _ = opened(one)
    about, report = bus[12].describe(), bus[12].report()
    model = one.bus.labelled("slew").model
    assert about.firmware == "2.4"
    assert about.supply_v == (4.8, 8.4)
    assert about.model == "bench 25"
    assert about.stall_current_a == model.stall_current_ma / 1000
    assert about.as_dict()["mechanical_travel_deg"] == model.mechanical_travel_deg
    assert report.state == "limp"
    assert report.supply_v == one.bus.supply_mv / 1000
    assert report.temperature_degc == 22.0
    assert report.demand_age_ms is None
    assert report.faults == ()


# --- settings ------------------------------------------------------------------------------------------------------


def test_settings_are_a_mapping_in_units_that_goes_to_the_actuator() -> None:
    one = harbour()
    settings = opened(one)[0][12].settings
    working = one.bus.labelled("slew").settings.working
    assert list(settings) == list(BY_NAME)
    assert "neutral" in settings
    assert 5 not in settings
    assert settings["neutral"] == 1.5
    assert settings["loss-action"] == "hold"
    settings["neutral"] = -0.4
    assert working["neutral"] == -40
    settings["direction"] = "reversed"
    settings["loss-time-out"] = "700 ms"
    settings["correction"] = (0, 0.25, 0)
    assert settings.as_dict() == dict(settings) == dict(settings.items())
    assert settings.as_dict()["correction"] == [0.0, 0.25, 0.0]
    assert (working["direction"], working["loss-time-out"]) == (1, 700)
    assert settings.as_dict("stored")["neutral"] == 1.5
    settings.store()
    assert settings.as_dict("stored")["neutral"] == -0.4
    settings["neutral"] = 3
    assert settings.undo()["neutral"] == -0.4
    assert settings.undo("factory")["loss-action"] == "limp"
    assert settings.update({"neutral": 0, "channel": 7}) == {"channel": 7}


BAD_SETTINGS: list[tuple[Any, Any, str]] = [
    ("neutral", 45, r"neutral: 45\.00 deg is outside -30\.00\.\.30\.00 deg"),
    ("neutral", "x", r"neutral: 'x' is not -30\.00\.\.30\.00 deg"),
    ("neutral", None, r"neutral: None is not -30\.00\.\.30\.00 deg"),
    ("neutral", True, r"neutral: True is not -30\.00\.\.30\.00 deg"),
    ("neutral", [1.0], r"neutral: \[1\.0\] is not -30\.00\.\.30\.00 deg"),
    ("neutral", float("nan"), r"neutral: nan is not -30\.00\.\.30\.00 deg"),
    ("neutral", 0.123, r"neutral: 0\.123 is finer than its step of 0\.01 deg"),
    ("travel", 10**400, r"travel: 10{39}\.\.\. is not 10\.00\.\.180\.00 deg"),
    ("channel", 2.5, r"channel: 2\.5 is finer than its step of 1"),
    ("direction", "sideways", r"direction: 'sideways' is not normal, reversed"),
    ("correction", 3, r"correction: 3 is not a list of none or 2\.\.33 numbers -10\.00\.\.10\.00 deg"),
    ("correction", ("a", "b"), r"correction: 'a' is not -10\.00\.\.10\.00 deg"),
    ("nothing", 1, r"there is no parameter 'nothing'; there are: channel, "),
    (3, 1, r"there is no parameter '3'"),
    ([1], 1, r"there is no parameter '\[1\]'"),
]


@pytest.mark.parametrize(("name", "value", "text"), BAD_SETTINGS)
def test_a_bad_setting_is_one_line_and_nothing_is_written(name: Any, value: Any, text: str) -> None:
    bus, port = opened(harbour())
    with pytest.raises(busproto.InputError, match=text) as caught:
        bus[12].settings[name] = value
    assert "\n" not in str(caught.value)
    # the actuator is asked whether it has one of that name, where the table has none
    assert {type(one) for one in port.sent} == ({Describe, Read} if name == "nothing" else set())


def test_where_one_of_several_is_bad_none_is_written() -> None:
    bus, port = opened(harbour())
    for changes in ({"neutral": 1, "nothing": 2}, {"neutral": 1, "travel": 5}, 3, [("neutral", 1)]):
        with pytest.raises(busproto.InputError):
            bus[12].settings.update(changes)  # type: ignore[arg-type]
    assert {type(one) for one in port.sent} == {Describe, Read}


@pytest.mark.parametrize(
    "call",
    [
        lambda settings: settings["nothing"],
        lambda settings: settings.as_dict("all"),
        lambda settings: settings.undo("working"),
        lambda settings: settings.undo(None),
        lambda settings: settings.__delitem__("neutral"),
    ],
)
def test_what_settings_cannot_do_is_refused(call: Callable[[Any], object]) -> None:
    bus, port = opened(harbour())
    with pytest.raises(busproto.InputError):
        call(bus[12].settings)
    assert {type(one) for one in port.sent} <= {Describe, Read}


def test_a_table_too_steep_for_the_travel_is_refused_by_name() -> None:
    bus, port = opened(harbour())
    with pytest.raises(busproto.InputError, match="correction: from point 1 to 2"):
        bus[12].settings.update({"travel": 10.0, "correction": [-10, 10]})
    assert not [message for message in port.sent if isinstance(message, Write)]


@pytest.mark.parametrize("value", [-0.4, "1", True, None, 40000])
def test_raw_values_of_the_wrong_kind_never_come_to_the_packing(value: Any) -> None:
    one = harbour()
    with pytest.raises(busproto.InputError, match=r"address 12: neutral: .* -30\.00\.\.30\.00 deg"):
        one.run(ops.write(12, {"neutral": value}))
    for address in ("12", 12.0, 300, None):
        with pytest.raises(busproto.InputError, match=r"a whole number 1\.\.239 is wanted"):
            one.run(ops.report(address))  # type: ignore[arg-type]
    with pytest.raises(busproto.InputError, match=r"a fraction of the travel is wanted, -1\.\.1"):
        one.run(ops.move(12, "40%"))  # type: ignore[arg-type]
    assert one.link.exchanges == 0


# --- moving and letting go -------------------------------------------------------------------------------------------


def test_a_move_ends_limp_and_tells_both_ends_in_units() -> None:
    one = harbour()
    bus, port = opened(one)
    moved = bus[12].move("10deg", hold_s=1.5)
    assert moved.arrived
    assert moved.target_deg == pytest.approx(10, abs=0.01)
    assert moved.before.position_deg == -8.0
    assert moved.held.position_deg == pytest.approx(10, abs=0.3)
    assert moved.let_go is not None
    assert moved.let_go.limp == (12,)
    assert one.bus.labelled("slew").state is State.RELEASED
    assert bus.link.may_move == set()
    sent = len(port.sent)
    with bus:
        pass
    assert len(port.sent) == sent  # nothing is left to let go


@pytest.mark.parametrize(
    ("target", "named"),
    [
        ("limp", {}),
        (12.5, {}),
        (12.5, {"unit": "rad"}),
        ("12.5deg", {"unit": "deg"}),
        (None, {}),
        (True, {"unit": "deg"}),
        ("120%", {}),
        (900, {"unit": "us"}),
        (float("nan"), {"unit": "deg"}),
        ("40%", {"hold_s": 0}),
        ("40%", {"hold_s": "2"}),
        ("40%", {"hold_s": float("nan")}),
    ],
)
def test_a_target_that_is_none_moves_nothing(target: Any, named: dict[str, Any]) -> None:
    bus, port = opened(harbour())
    with pytest.raises(busproto.InputError):
        bus[12].move(target, **named)
    assert port.sent == []


def test_an_angle_outside_the_travel_moves_nothing() -> None:
    bus, port = opened(harbour())
    with pytest.raises(busproto.InputError, match=r"-58\.50deg\.\.61\.50deg"):
        bus[12].move(80, unit="deg")
    assert not [message for message in port.sent if isinstance(message, Demand | Engage)]


def test_one_that_stays_is_let_go_where_the_block_ends() -> None:
    one = harbour()
    bus, _ = opened(one)
    with bus:
        moved = bus[12].move("10%", stay=True)
        assert moved.let_go is None
        assert bus[12].report().state == "following"
    assert one.bus.labelled("slew").state is State.RELEASED


def test_what_others_hold_is_left_alone() -> None:
    one = harbour()
    one.run(ops.engage(12))
    bus, port = opened(one)
    with bus:
        bus.find()
        bus[12].settings["slew-limit"] = 100
        bus[12].show(1)
    assert not [message for message in port.sent if isinstance(message, Release)]
    assert one.bus.labelled("slew").state is not State.RELEASED


def test_an_error_in_the_block_goes_through_and_says_what_was_seen() -> None:
    one = harbour()
    bus, _ = opened(one)

    def work() -> None:
        with bus:
            bus[12].move("10%", stay=True)
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError) as caught:
        work()
    seen = seen_by(caught.value)
    assert seen is not None
    assert seen.limp == (12,)
    assert caught.value.__notes__ == ["the actuator at address 12 was seen limp"]
    with pytest.raises(busproto.LinkClosedError):
        bus.find()


def test_one_that_is_not_seen_limp_is_an_error_and_named() -> None:
    one = harbour()
    slew = one.bus.labelled("slew")
    bus, _ = opened(one, once(Release, slew.power_off))
    with pytest.raises(busproto.NotLimpError, match="Take the pack off") as caught:
        bus[12].move("10%")
    assert caught.value.let_go is not None
    assert seen_by(caught.value) == caught.value.let_go
    assert caught.value.address == 12
    assert bus.link.may_move == {12}


def test_a_port_that_goes_away_says_once_who_could_not_be_told() -> None:
    one = harbour()
    port = DyingPort(one.bus.host, 25)
    with pytest.raises(busproto.PortClosedError) as caught, busproto.Bus(port) as bus:
        bus[12].move("10%", hold_s=5)
    assert caught.value.__notes__ == [
        "could not be released: address 12 (its loss action is hold). "
        "Take the pack off before you touch anything they move"
    ]


def test_demands_to_all_are_let_go_as_all() -> None:
    one = harbour()
    bus, port = opened(one)
    with bus:
        bus.find()
        bus.run(ops.stream({2: 0.1}, 2_000_000_000))
        assert bus.link.may_move == {255}
        bus[12].limp()
        assert bus.link.may_move == {255}  # of the others nothing was seen
    assert one.bus.labelled("slew").state is State.RELEASED
    assert any(isinstance(message, Release) for message in port.sent)
    assert bus.link.may_move == set()


def test_let_go_is_for_all_and_close_lets_nothing_go() -> None:
    one = harbour()
    bus, port = opened(one)
    bus[12].move("10%", stay=True)
    with pytest.raises(busproto.NotLimpError, match="shared by several"):
        bus.let_go()  # no search was made: which answer, and how many share 60, is not known
    assert one.bus.labelled("slew").state is State.RELEASED
    bus.find()
    assert set(bus.let_go().limp) == {12, 60}
    bus[12].move("10%", stay=True)
    sent = len(port.sent)
    bus.close()
    bus.close()
    assert len(port.sent) == sent
    assert one.bus.labelled("slew").state is State.FOLLOWING


# --- addresses -------------------------------------------------------------------------------------------------------


def test_addresses_are_given_by_uid_and_the_object_follows() -> None:
    one = harbour()
    bus, _ = opened(one)
    bus[FRESH].give_address(13, channel=4)
    assert one.bus.labelled("grab").address == 13
    assert one.bus.labelled("grab").settings.stored()["channel"] == 4
    lone = bus[12]
    lone.address = 30
    assert lone.report().position_deg == -8.0
    assert (lone.address, lone.uid) == (30, LONE.hex())
    found = bus.find()
    bus[found.clashes[60][0]].give_address(61)
    assert bus[LEFT].report().position_deg == 3.0
    assert bus[RIGHT].report().position_deg == -3.0
    bus[LEFT].give_address(None)
    assert one.truth[LEFT] == UNADDRESSED
    with pytest.raises(busproto.OperationError, match=f"uid {LEFT.hex()} has no address"):
        bus[LEFT].report()


def test_one_that_held_and_is_given_another_address_is_not_missed_at_the_old_one() -> None:
    one = harbour()
    with opened(one)[0] as bus:
        bus[12].move("10%", stay=True)
        bus[12].give_address(31)
        assert bus.link.may_move == set()
    assert one.truth[LONE] == 31


@pytest.mark.parametrize("address", [0, 240, 2.0, "13", True])
def test_an_address_that_is_none_is_refused(address: Any) -> None:
    bus, port = opened(harbour())
    with pytest.raises(busproto.InputError, match=r"a whole number 1\.\.239"):
        bus[12].address = address
    with pytest.raises(busproto.InputError, match="channel 33"):
        bus[12].give_address(13, channel=33)
    assert port.sent == []


def test_taken_shared_and_missing_are_told_by_what_they_are() -> None:
    one = harbour()
    bus, _ = opened(one)
    before = one.truth
    with pytest.raises(busproto.AddressConflictError, match="is taken by"):
        bus[FRESH].give_address(12)
    for key in (60, LEFT):
        with pytest.raises(busproto.AddressConflictError, match="is shared by several"):
            bus[key].report()
    with pytest.raises(busproto.ReplyTimeoutError, match="address 99"):
        bus[99].report()
    with pytest.raises(busproto.OperationError, match="no actuator with uid 00000000000000ff was found"):
        bus["00000000000000ff"].report()
    assert one.truth == before
    assert ADDRESSES.items() <= before.items()


def test_no_other_is_taken_for_one_that_was_named_by_its_uid() -> None:
    """Another host exchanged the addresses of two after the search."""
    one = harbour()
    bus, port = opened(one)
    bus.find()
    one.run(ops.assign(LONE, 14))
    one.run(ops.assign(FRESH, 12))
    with pytest.raises(busproto.ReadBackError, match=LONE.hex()):
        bus[LONE].move("10%")
    assert not [message for message in port.sent if isinstance(message, Demand | Engage)]
    bus.find()
    assert bus[LONE].address == 14


def test_twins_are_not_told_apart_by_their_uid() -> None:
    one = harbour()
    one.add(LONE, 13, label="its twin")
    bus, _ = opened(one)
    found = bus.find()
    assert not found.proven
    assert found.twins == (LONE,)
    with pytest.raises(busproto.OperationError, match=f"several actuators have the uid {LONE.hex()}"):
        bus[LONE].report()


# --- opening and telling -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("url", "named", "text"),
    [
        (3, {}, "port 3: a device name or a URL is wanted"),
        ("", {}, "port '': a device name"),
        ("sim://nothing", {}, "scenario 'nothing'"),
        ("sim:taxi", {}, "sim://SCENARIO"),
        ("sim://taxi?seed=x", {}, "seed is a whole number"),
        ("sim://taxi", {"baud": 9600.0}, r"baud 9600\.0: a whole number 1200\.\.4000000"),
        ("sim://taxi", {"baud": 3}, "baud 3"),
        ("sim://taxi", {"latency_ms": "x"}, r"latency_ms 'x': None or 0\.\.1000 ms"),
        ("sim://taxi", {"latency_ms": float("nan")}, "latency_ms nan"),
    ],
)
def test_what_cannot_be_opened_is_one_line(url: Any, named: dict[str, Any], text: str) -> None:
    with pytest.raises(busproto.InputError, match=text):
        busproto.open(url, **named)
    with pytest.raises(busproto.PortUnavailableError, match="cannot open port '/dev/nothing-there'"):
        busproto.open("/dev/nothing-there")


def test_a_device_that_we_have_open_already_is_busy() -> None:
    import os

    if not hasattr(os, "openpty"):
        pytest.skip("this system has no pseudo-terminals")
    ours, theirs = os.openpty()
    try:
        name = os.ttyname(theirs)
        with busproto.open(name, latency_ms=1), pytest.raises(busproto.PortBusyError) as caught:
            busproto.open(name)
        assert str(os.getpid()) in caught.value.holder
    finally:
        os.close(ours)
        os.close(theirs)


def test_all_tell_what_they_are() -> None:
    one = harbour()
    bus, _ = opened(one)
    bus.find()
    with pytest.raises(busproto.AddressConflictError):
        bus[60].report()
    assert repr(bus).startswith("<Bus, <Link on <HookedPort around ")
    assert f"shared addresses 60: {LEFT.hex()} and {RIGHT.hex()}>" in repr(bus)
    assert repr(bus[12]) == "<actuator, address 12>"
    assert repr(bus[LONE].settings) == f"<settings of uid {LONE.hex()}>"
    assert repr(one.bus.labelled("slew")) == f"<Actuator 'slew' {LONE.hex()} at 12, limp>"
    one.bus.labelled("slew").power_off()
    assert repr(one.bus.labelled("slew")).endswith("no power>")
    assert f"12: {LONE.hex()}" in repr(one.bus)
    assert repr(one.bus.kernel) == f"<Kernel at {one.now_ns} ns, seed 5>"
    decoder = busproto.Decoder()
    decoder.feed(b"\x00\x01")
    assert repr(decoder) == "<Decoder: 0 good, 0 bad, 1 bytes pending>"
    for use in (lambda: iter(bus), lambda: 12 in bus):  # type: ignore[call-overload, operator, attr-defined]
        with pytest.raises(TypeError, match="'Bus' object is not"):
            use()


def test_progress_is_told_to_the_function_that_was_given() -> None:
    steps: list[busproto.Progress] = []
    with busproto.open("sim://bench-four?seed=7", on_progress=steps.append) as bus:
        bus.find()
    assert "proving" in {step.task for step in steps}
