"""Every event that a scenario may bring: at its moment, with its effect, and over when it says so.

Unless a test says otherwise no device's clock is wrong, there is no start jitter, and the host hears its own bytes.
"""

from __future__ import annotations

from typing import Any, get_args

import pytest

from busproto.sim.line.hearing import Reception
from busproto.sim.line.receiver import ReceivedByte
from busproto.sim.scene import scenario
from busproto.sim.scene.events import EventTable
from busproto.wire import Decoder, Frame, Message, encode_frame, request_frame
from busproto.wire import messages as m
from tests.sim.helpers import FRAME_14_NS, MS, US, Bench, S, Tap

REPORT = encode_frame(request_frame(m.Report(), 5, 1))
BYTE_NS = 86_805
MBD_BYTE_NS = 10_000


def built(events: str, *, line: str = "", a: str = "", b: str = "", seed: int = 0) -> Bench:
    """Two actuators, 'a' at address 5 and 'b' at 6, and these events."""
    source = f"""
        title = "faults"
        [line]
        clock-error = 0
        start-jitter-us = 0
        {line}
        [model.m]
        [[actuator]]
        label = "a"
        model = "m"
        address = 5
        {a}
        [[actuator]]
        label = "b"
        model = "m"
        address = 6
        {b}
        {events}
    """
    made = Bench(scenario.parse(source).build(seed))
    made.bus.line.listen(Tap(made.bus.line, made.receptions))
    return made


def event(what: str, **keys: Any) -> str:
    rows = [f'what = "{what}"', *(f"{key.replace('_', '-')} = {value!r}" for key, value in keys.items())]
    return "\n[[event]]\n" + "\n".join(rows).replace("'", '"').replace("True", "true") + "\n"


def asked_at(made: Bench, time_ms: float, address: int = 5, wait_ms: int = 30) -> list[Message]:
    """The replies to a report asked for at that moment."""
    made.run_until(round(time_ms * MS))
    return [one.message for one in made.ask_all(m.Report(), address, wait_ns=wait_ms * MS)]


def bytes_in(receptions: list[Reception]) -> list[ReceivedByte]:
    return [byte for one in receptions for byte in one.details]


# --- the actuator ----------------------------------------------------------------------------------------------


def test_every_kind_of_event_is_tested_here_or_with_the_scenarios() -> None:
    here = {"brown-out", "late", "babble", "burst", "stuck-low", "no-echo", "adapter", "noise", "deaf", "doubled"}
    with_the_scenarios = {"unplug", "mute", "supply", "hand", "airspeed"}
    kinds = {kind.__struct_config__.tag for kind in get_args(EventTable)}
    assert kinds == here | with_the_scenarios


def test_one_that_is_deaf_for_3_of_every_10_ms() -> None:
    made = built(event("deaf", at=0.5, actuator="a", lasting=0.003, every=0.01, until=1.5))
    # a request of 14 bytes ends 1.2 ms after it begins
    times_ms = (400, 500, 512.5, 528, 1000, 1013, 1500.5)
    assert [len(asked_at(made, time_ms, wait_ms=4)) for time_ms in times_ms] == [1, 0, 1, 1, 0, 1, 1]


def test_one_that_hears_a_third() -> None:
    made = built(event("deaf", at=0.0, actuator="a", share=2 / 3))
    heard = sum(len(asked_at(made, 10 * number, wait_ms=5)) for number in range(1, 301))
    assert 75 <= heard <= 125  # 100 +- 3 standard deviations


def test_one_that_says_each_reply_twice() -> None:
    made = built(event("doubled", at=0.1, actuator="a", by_ms=2.0, until=0.2))
    assert [len(asked_at(made, time_ms)) for time_ms in (50, 150, 250)] == [1, 2, 1]


def test_noise_at_one_ear_or_at_the_host_only() -> None:
    hears_and_is_heard = []
    for ears in ({"ears": "host"}, {"ears": "actuators"}, {"actuator": "a"}):
        made = built(event("noise", at=0.0, rate=0.9, **ears))
        asked_at(made, 10, 5)
        hears_and_is_heard.append((made.bus.labelled("a")._heard_good, made.bus.labelled("b")._heard_good))
    assert [both[0] > 0 for both in hears_and_is_heard] == [True, False, False]
    assert [both[1] > 0 for both in hears_and_is_heard] == [True, False, True]


def test_late_and_browning_out_every_time() -> None:
    made = built(event("brown-out", at=0.0, actuator="a", after_bytes=3, lasting=0.005, every_time=True))
    assert [len(asked_at(made, time_ms)) for time_ms in (50, 150, 250)] == [0, 0, 0]


def test_an_unplugged_one_does_not_answer_until_it_is_back() -> None:
    made = built(event("unplug", at=1.0, until=2.0, actuator="a"))
    assert [len(asked_at(made, time_ms)) for time_ms in (960, 1000, 1960, 2000)] == [1, 0, 0, 1]
    assert len(asked_at(made, 2100, 6)) == 1


@pytest.mark.parametrize("after_bytes", [0, 1, 8, 20])
def test_a_brown_out_cuts_the_next_answer_in_the_middle_of_a_byte(after_bytes: int) -> None:
    """Whole bytes only are heard; `lasting` later it is back, as after any power-up."""
    made = built(event("brown-out", at=1.0, actuator="a", after_bytes=after_bytes, lasting=0.05))
    (before,) = asked_at(made, 900)
    assert isinstance(before, m.Status)
    made.run_until(1000 * MS)
    made.bus.host.take()
    asked_ns = made.send(m.Report(), 5)
    starts_ns = asked_ns + 100 * US
    off_ns = starts_ns + (after_bytes * 10 + 5) * S // 115_200
    made.run_until(off_ns - 1)
    one = made.bus.labelled("a")
    assert (one.is_powered, made.bus.line.is_busy) == (True, True)
    made.run_until(off_ns)
    assert (one.is_powered, made.bus.line.is_busy) == (False, False)
    made.run(10 * MS)
    heard = made.bus.host.take()[len(REPORT) :]
    assert len(heard) == after_bytes
    assert not [found for found in Decoder().feed(heard) if isinstance(found, Frame)]
    made.run_until(off_ns + 50 * MS - 1)
    assert not one.is_powered
    made.run(1)
    assert one.is_powered
    (after,) = asked_at(made, 1200)
    assert isinstance(after, m.Status)
    assert (after.good_frames, after.state) == (1, m.State.LIMP)
    assert len(asked_at(made, 1300)) == 1, "one answer only was cut"


def test_a_brown_out_waits_until_the_actuator_sends() -> None:
    made = built(event("brown-out", at=1.0, actuator="a"))
    assert len(asked_at(made, 5000, 6)) == 1
    assert made.bus.labelled("a").is_powered
    assert asked_at(made, 6000) == []


def test_a_brown_out_behind_the_last_byte_still_spoils_it() -> None:
    """An answer shorter than `after_bytes` is cut 1 ns before its end."""
    made = built(event("brown-out", at=1.0, actuator="a", after_bytes=127))
    assert asked_at(made, 1000) == []
    assert len(made.receptions[-1].data) == 35, "a report has 36"


@pytest.mark.parametrize("by_ms", [0.0, 1.5, 250.0])
def test_a_late_one_answers_so_much_later(by_ms: float) -> None:
    made = built(event("late", at=1.0, until=2.0, actuator="a", by_ms=by_ms))
    delays_ns = []
    for time_ms in (500, 1000, 2000):
        made.run_until(time_ms * MS)
        asked_ns = made.send(m.Report(), 5)
        made.run(400 * MS)
        ((start_ns, _),) = made.starts_after(asked_ns)
        delays_ns.append(start_ns - asked_ns)
    assert delays_ns == [100 * US, 100 * US + round(by_ms * MS), 100 * US]


def test_a_late_answer_is_what_it_would_have_been() -> None:
    made = built(event("late", at=1.0, actuator="a", by_ms=20.0))
    (answer,) = asked_at(made, 1000)
    assert isinstance(answer, m.Status)


# --- a driver that does what it wants --------------------------------------------------------------------------


def test_a_babbler_drives_random_bytes_without_a_pause() -> None:
    """200 ms at 115,200 Bd are 2304 bytes; a last one that would end too late is not begun."""
    made = built(event("babble", at=1.0, until=1.2, actuator="a"))
    made.run_until(1000 * MS - 1)
    assert (made.trace, made.bus.line.is_busy) == ([], False)
    made.run_until(1199 * MS)
    assert made.bus.line.is_busy
    made.run_until(1300 * MS)
    heard = b"".join(one.data for one in made.receptions)
    assert 2295 <= len(heard) <= 2304
    assert len(set(heard)) > 250
    assert made.receptions[-1].end_ns <= 1200 * MS
    assert made.bus.line.overlaps == 0
    ends = [one.end_ns for one in made.receptions]
    starts = [one.transmissions[0].start_ns for one in made.receptions]
    assert starts == [1000 * MS, *ends[:-1]]


def test_while_one_babbles_no_actuator_is_understood_and_afterwards_all_are() -> None:
    made = built(event("babble", at=1.0, until=1.2, actuator="a"))
    assert [len(asked_at(made, time_ms, 6)) for time_ms in (960, 1001, 1150, 1201)] == [1, 0, 0, 1]
    assert made.bus.line.overlaps > 0


def test_a_babbler_is_the_same_for_the_same_seed_only() -> None:
    heard = []
    for seed in (1, 1, 2):
        made = built(event("babble", at=0.0, until=0.1, actuator="a"), seed=seed)
        made.run_until(200 * MS)
        heard.append(made.trace)
    assert heard[0] == heard[1] != heard[2]


def test_a_babbler_with_a_rate_of_its_own_babbles_at_that_rate() -> None:
    """230,400 Bd is seen at 115,200 Bd as other bytes, some of them with a framing error."""
    made = built(event("babble", at=0.0, until=0.1, actuator="a"), a="baud = 230_400")
    made.run_until(200 * MS)
    heard = bytes_in(made.receptions)
    assert 0 < len(heard) < 2304
    assert any(byte.framing_error for byte in heard)


# --- the line --------------------------------------------------------------------------------------------------


def test_a_line_stuck_low_is_one_zero_with_a_framing_error() -> None:
    made = built(event("stuck-low", at=1.0, until=1.5))
    made.run_until(1000 * MS)
    assert made.bus.line.is_busy
    made.run_until(1600 * MS)
    assert [(byte.value, byte.start_ns, byte.framing_error) for byte in bytes_in(made.receptions)] == [
        (0, 1000 * MS, True)
    ]
    assert made.bus.host.take() == b"\x00"


def test_while_the_line_is_stuck_no_actuator_is_heard_and_afterwards_all_are() -> None:
    made = built(event("stuck-low", at=1.0, until=1.5))
    assert [len(asked_at(made, time_ms)) for time_ms in (960, 1001, 1400, 1500)] == [1, 0, 0, 1]
    for one in made.bus.actuators:
        assert one.is_powered


def test_stuck_for_less_than_a_byte_spoils_the_byte_that_it_meets_only() -> None:
    """From the third byte of the request on, low for 600 us; the request is lost, the next one is not."""
    made = built(event("stuck-low", at=1.0, until=1.0006))
    made.run_until(1000 * MS - 2 * BYTE_NS - 20_000)
    assert made.ask_all(m.Report(), 5) == []
    assert len(made.ask_all(m.Report(), 5)) == 1


def test_bursts_come_as_often_as_they_say() -> None:
    made = built(event("burst", at=1.0, lasting=0.002, every=0.1, until=1.35))
    made.run_until(2 * S)
    sent = {id(one): one for heard in made.receptions for one in heard.transmissions}
    assert sorted((one.start_ns, one.end_ns) for one in sent.values()) == [
        (time_ms * MS, (time_ms + 2) * MS) for time_ms in (1000, 1100, 1200, 1300)
    ]
    assert 30 < len(bytes_in(made.receptions)) <= 4 * 24


def test_a_single_burst_ends_and_what_follows_is_clean() -> None:
    made = built(event("burst", at=1.0, lasting=0.01))
    assert [len(asked_at(made, time_ms)) for time_ms in (960, 999.5, 1040)] == [1, 0, 1]
    sent = {id(one): one for heard in made.receptions for one in heard.transmissions}
    assert sum(not one.data for one in sent.values()) == 1


# --- noise -----------------------------------------------------------------------------------------------------


def test_noise_begins_and_ends_at_its_moments() -> None:
    made = built(event("noise", at=1.0, until=2.0, rate=0.5))
    counts = []
    for time_ms in (900, 1000, 1900, 2000):
        made.run_until(time_ms * MS)
        made.bus.line.flip_record = []
        made.send_bytes(bytes(20))
        counts.append(len(made.bus.line.flip_record) > 0)
    assert counts == [False, True, True, False]


def test_noise_hits_the_two_actuators_and_the_host_at_different_moments() -> None:
    made = built(event("noise", at=0.0, rate=0.2))
    made.run(1)
    made.bus.line.flip_record = []
    made.send_bytes(bytes(300))
    owners = [*made.bus.actuators, made.bus.host]
    hits = [{begin for ear, begin, _ in made.bus.line.flip_record if ear.owner is one} for one in owners]
    first, second, host = hits
    assert first != second != host != first
    assert all(20 < len(one) < 140 for one in hits), "300 bytes, 66 expected each"


# --- the host's end --------------------------------------------------------------------------------------------


def test_without_echo_the_host_hears_others_only() -> None:
    made = built(event("no-echo", at=1.0, until=2.0))
    heard = []
    for time_ms in (500, 1000, 1500, 2000):
        made.run_until(time_ms * MS)
        made.bus.host.take()
        made.send(m.Report(), 5)
        made.run(30 * MS)
        heard.append(made.bus.host.take())
    assert [data.startswith(REPORT) for data in heard] == [True, False, False, True]
    assert [len(data) for data in heard] == [14 + 36, 36, 36, 14 + 36]


def test_no_echo_for_good() -> None:
    made = built(event("no-echo", at=0.0))
    made.run_until(5 * S)
    made.send(m.Report(), 7)
    assert made.bus.host.take() == b""


@pytest.mark.parametrize("batch_ms", [1, 2, 4, 8, 16])
def test_an_adapter_passes_bytes_on_at_multiples_of_its_batch(batch_ms: int) -> None:
    made = built(event("adapter", at=0.0, batch_ms=batch_ms))
    made.run_until(100 * MS + 1)
    host = made.bus.host
    host.write(REPORT)
    got: list[tuple[int, bytes]] = []
    while made.now_ns < 150 * MS:
        data = host.read_until(150 * MS)
        if data:
            got.append((made.now_ns, data))
    assert all(time_ns % (batch_ms * MS) == 0 for time_ns, _ in got)
    assert b"".join(data for _, data in got).startswith(REPORT)
    assert len(b"".join(data for _, data in got)) == 14 + 36
    # nothing is kept back for longer than a batch: 1.215 ms after the write the echo is there, then the answer
    echo_ns = 100 * MS + 1 + FRAME_14_NS
    answer_ns = echo_ns + 100 * US + 36 * 10 * S // 115_200
    arrivals = [-(-time_ns // (batch_ms * MS)) * batch_ms * MS for time_ns in (echo_ns, answer_ns)]
    assert sorted({time_ns for time_ns, _ in got}) == sorted(set(arrivals))
    assert host.latency_ns == batch_ms * MS


def test_what_an_adapter_holds_when_it_changes_is_passed_on() -> None:
    made = built(event("adapter", at=0.0, until=0.103, batch_ms=16.0))
    made.run_until(100 * MS)
    made.send_bytes(b"\x01\x02")
    made.run_until(103 * MS - 1)
    assert made.bus.host.take() == b""
    made.run(1)
    assert made.bus.host.take() == b"\x01\x02"
    made.send_bytes(b"\x03")
    assert made.bus.host.take() == b"\x03"
    made.run(20 * MS)
    assert made.bus.host.take() == b""


@pytest.mark.parametrize(
    ("rates", "times"),
    [({"drop_rate": 1.0}, 0), ({"double_rate": 1.0}, 2), ({"drop_rate": 0.0}, 1)],
    ids=["drops all", "doubles all", "neither"],
)
def test_an_adapter_that_loses_or_doubles_every_byte(rates: dict[str, float], times: int) -> None:
    made = built(event("adapter", at=0.0, **rates))
    made.run(1)
    made.send_bytes(bytes(range(90)))
    assert made.bus.host.take() == bytes(byte for byte in range(90) for _ in range(times))
    assert b"".join(one.data for one in made.receptions) == bytes(range(90)), "the line itself is untouched"


def test_an_adapter_loses_and_doubles_as_often_as_it_says() -> None:
    """5000 bytes, a tenth lost, a fifth doubled: 500 and 1000, standard deviations 21 and 28; six are allowed."""
    made = built(event("adapter", at=0.0, drop_rate=0.1, double_rate=0.2))
    made.run(1)
    lost = doubled = 0
    for byte in bytes(range(250)) * 20:
        made.send_bytes(bytes([byte]))
        heard = made.bus.host.take()
        assert heard in (b"", bytes([byte]), bytes([byte, byte]))
        lost += heard == b""
        doubled += len(heard) == 2
    assert abs(lost - 500) <= 127
    assert abs(doubled - 1000) <= 170


# --- clocks and rates ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("baud", [9600, 57_600, 230_400, 1_000_000])
def test_one_with_a_rate_of_its_own_understands_no_request(baud: int) -> None:
    made = built("", a=f"baud = {baud}")
    assert asked_at(made, 1) == []
    assert made.bus.line.frames == 1, "it never spoke"
    assert len(asked_at(made, 100, 6)) == 1
    assert made.bus.labelled("a").settings.raw("channel") == 0


def test_one_with_a_rate_of_its_own_that_speaks_is_not_understood() -> None:
    """As it would in answer to something of its own rate: here it is told to."""
    made = built("", a="baud = 57_600")
    made.bus.labelled("a")._send(REPORT)
    made.run(20 * MS)
    heard = made.bus.host.take()
    assert heard
    assert not [found for found in Decoder().feed(heard) if isinstance(found, Frame)]


def test_a_rate_of_its_own_that_is_that_of_the_line_is_no_fault() -> None:
    made = built("", a="baud = 115_200")
    assert len(asked_at(made, 1)) == 1


@pytest.mark.parametrize("error", [0, 0.5, 1.5])
def test_clocks_are_drawn_within_the_error_and_shift_the_end_of_answers(error: float) -> None:
    drawn = []
    for seed in range(20):
        made = built("", line="", seed=seed)
        assert [one.clock_ppm for one in made.bus.actuators] == [0, 0]
        source = f"""
            title = "clocks"
            line = {{ clock-error = {error}, start-jitter-us = 0 }}
            model.m = {{}}
            actuator = [{{ label = "a", model = "m", address = 5 }}]
        """
        made = Bench(scenario.parse(source).build(seed))
        made.bus.line.listen(Tap(made.bus.line, made.receptions))
        (one,) = made.bus.actuators
        drawn.append(one.clock_ppm)
        asked_ns = made.send(m.Report(), 5)
        made.run(20 * MS)
        lasts_ns = 360 * 10**15 // (115_200 * (10**6 + one.clock_ppm))
        assert made.receptions[-1].end_ns == asked_ns + 100 * US * 10**6 // (10**6 + one.clock_ppm) + lasts_ns
    most = round(error * 10_000)
    assert all(-most <= ppm <= most for ppm in drawn)
    assert len(set(drawn)) == (1 if not error else 20)


@pytest.mark.parametrize("jitter_us", [0, 7, 30])
def test_start_jitter_is_within_its_limit_and_used(jitter_us: int) -> None:
    source = f"""
        title = "jitter"
        line = {{ clock-error = 0, start-jitter-us = {jitter_us} }}
        model.m = {{}}
        actuator = [{{ label = "a", model = "m", address = 5 }}]
    """
    made = Bench(scenario.parse(source).build(1))
    made.bus.line.listen(Tap(made.bus.line, made.receptions))
    delays = []
    for _ in range(60):
        asked_ns = made.send(m.Report(), 5)
        made.run(20 * MS)
        delays.append(made.starts_after(asked_ns)[0][0] - asked_ns - 100 * US)
    assert all(0 <= delay <= jitter_us * US for delay in delays)
    assert max(delays) - min(delays) >= jitter_us * US * 8 // 10
