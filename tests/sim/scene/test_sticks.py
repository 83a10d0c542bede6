"""The receiver on the line: when it sends what, how it makes room for a host, and what its silence does."""

from __future__ import annotations

import io
import itertools
import math

import pytest

from busproto.sim import wave_out
from busproto.sim.errors import ScenarioError
from busproto.sim.scene import scenario
from busproto.sim.scene.sticks import LostTable, ReceiverTable, Sticks, StickTable, SwingTable, percent_at
from busproto.wire import messages as m
from busproto.wire.messages import NO_DEMAND
from tests.sim.helpers import HOLD, MS, PRESET, Bench, S, Tap, bench, said, where

RAMP = StickTable(channel=2, points=[(0.0, 0.0), (1.0, 100.0), (3.0, -100.0)])
SOURCE = """
title = "any"
[model.m]
[[actuator]]
label = "a"
model = "m"
address = 1
settings = { channel = 1, soft-start = 0, loss-action = "hold" }
"""


def listening(table: ReceiverTable, **options: object) -> tuple[Bench, Sticks]:
    made = bench(echo=True)
    for number, (channel, loss) in enumerate(((1, 0), (2, HOLD), (3, PRESET)), start=1):
        made.add(number, number, channel=channel, loss_action=loss, preset=-1000, soft_start=0, slew_limit=20000)
    return made, Sticks(made.bus, table)


def starts(made: Bench, sticks: Sticks) -> list[int]:
    return [at for at, sender in made.starts_after(0) if sender is sticks]


@pytest.mark.parametrize(
    ("since_s", "percent"), [(0.0, 0.0), (0.25, 25.0), (1.0, 100.0), (2.0, 0.0), (3.0, -100.0), (99.0, -100.0)]
)
def test_straight_lines_between_the_points(since_s: float, percent: float) -> None:
    assert percent_at(RAMP, since_s) == pytest.approx(percent)


def test_before_its_first_point_a_stick_stands_there() -> None:
    late = StickTable(channel=1, points=[(2.0, 30.0), (3.0, 40.0)])
    assert [percent_at(late, since_s) for since_s in (0.0, 1.9, 2.0, 2.5)] == [30.0, 30.0, 30.0, 35.0]


def test_a_swing_is_a_sine_about_its_centre() -> None:
    stick = StickTable(channel=1, swing=SwingTable(amplitude=40.0, every=2.0, centre=10.0))
    found = [percent_at(stick, since_s) for since_s in (0.0, 0.5, 1.0, 1.5, 0.25)]
    assert found == pytest.approx([10.0, 50.0, 10.0, -30.0, 10.0 + 40.0 * math.sqrt(0.5)])


def test_it_sends_as_often_as_it_says_from_its_time_until_its_end() -> None:
    made, sticks = listening(ReceiverTable(per_second=50, from_=0.5, until=1.0, stick=[RAMP]))
    made.run_until(3 * S)
    assert starts(made, sticks) == [500 * MS + number * 20 * MS for number in range(25)]
    assert (sticks.sent, sticks.left_out, sticks.began_ns) == (25, 0, 500 * MS)


def test_channels_without_a_stick_are_not_demanded() -> None:
    made, sticks = listening(ReceiverTable(stick=[RAMP]))
    assert sticks.demands(0) == (NO_DEMAND, 0)
    made.run_until(2 * S)
    assert [one.current_state() for one in made.bus.actuators] == [m.State.LIMP, m.State.FOLLOWING, m.State.LIMP]


def test_the_actuators_follow_their_sticks() -> None:
    sine = StickTable(channel=1, swing=SwingTable(amplitude=50.0, every=4.0))
    made, _ = listening(ReceiverTable(stick=[sine, RAMP]))
    made.run_until(1 * S)
    first, second, third = made.bus.actuators
    # half of the travel of 120 deg is 60 deg; one period of 20 ms and the speed of the arm lie between
    assert where(made, first) == pytest.approx(30.0, abs=0.3)
    assert where(made, second) == pytest.approx(60.0, abs=2.5)
    assert third.state is m.State.LIMP


def test_at_a_loss_of_signal_each_does_its_loss_action_and_follows_again_behind_it() -> None:
    still = [StickTable(channel=channel, points=[(0.0, 50.0)]) for channel in (1, 2, 3)]
    made, sticks = listening(ReceiverTable(stick=still, lost=[LostTable(at=1.0, lasting=2.0)]))
    made.run_until(1400 * MS)
    assert {one.current_state() for one in made.bus.actuators} == {m.State.FOLLOWING}
    made.run_until(2900 * MS)
    assert [one.state for one in made.bus.actuators] == [m.State.LOST_LIMP, m.State.LOST_HOLD, m.State.LOST_PRESET]
    assert [where(made, one) for one in made.bus.actuators] == [30.0, 30.0, -10.0]
    assert [at for at in starts(made, sticks) if 1 * S <= at < 3 * S] == []
    made.run_until(4 * S)
    assert {one.current_state() for one in made.bus.actuators} == {m.State.FOLLOWING}
    assert sticks.left_out == 0


def test_it_begins_only_when_the_host_has_been_silent() -> None:
    made, sticks = listening(ReceiverTable(after_idle=2.0, stick=[RAMP]))
    for _ in range(4):
        made.run(1 * S)
        made.status(1)
    last_ns = made.bus.host.sent_at_ns
    assert sticks.began_ns is None
    made.run(5 * S)
    assert sticks.began_ns == last_ns + 2 * S
    assert starts(made, sticks)[0] == last_ns + 2 * S


def test_it_lets_an_answer_and_a_pause_go_by_before_it_talks() -> None:
    made, sticks = listening(ReceiverTable(per_second=100, keep_off_ms=3.0, stick=[RAMP]))
    for number in range(40):
        made.run_until((37 * number + 5) * MS)
        if not made.bus.line.is_busy:
            assert made.status(1 + number % 3).state in set(m.State)
    assert made.bus.line.overlaps == 0
    sent = [(one.start_ns, one.end_ns, one.sender) for heard in made.receptions for one in heard.transmissions]
    sent.sort(key=lambda one: one[0])
    gaps = [mine[0] - other[1] for other, mine in itertools.pairwise(sent) if mine[2] is sticks]
    assert len(gaps) > 100
    assert min(gaps) >= 3 * MS


def test_on_a_line_that_is_never_free_it_leaves_frames_out_and_does_not_catch_up() -> None:
    made, sticks = listening(ReceiverTable(per_second=50, until=2.0, stick=[RAMP]))
    made.run_until(500 * MS)
    before = sticks.sent
    while made.now_ns < 1 * S:
        made.send(m.LinkTest(bytes(60)), 200)  # no actuator is there
        made.run(1 * MS)
    assert sticks.sent == before
    made.run_until(1100 * MS)
    assert sticks.left_out >= 20
    assert sticks.sent <= before + 6
    assert all(later - earlier >= 5 * MS for earlier, later in itertools.pairwise(starts(made, sticks)))


def test_the_same_seed_gives_the_same_run() -> None:
    def trace(seed: int) -> list[tuple[int, bytes]]:
        made = Bench(
            scenario.parse(
                SOURCE + "[receiver]\nlost = [{ at = 0.5, lasting = 0.3 }]\n"
                "[[receiver.stick]]\nchannel = 1\nswing = { amplitude = 80, every = 1.5 }\n"
                '[[event]]\nwhat = "noise"\nat = 0\nrate = 0.01\n'
            ).build(seed)
        )
        made.bus.line.listen(Tap(made.bus.line, made.receptions))
        for _ in range(20):
            made.run(43 * MS)
            made.ask_all(m.Report(), 1)
        return made.trace

    assert trace(1) == trace(1)
    assert trace(1) != trace(2)


def test_its_driver_is_in_the_waveform() -> None:
    pytest.importorskip("vcd")
    made, _ = listening(ReceiverTable(stick=[RAMP]))
    wave_out.begin_recording(made.bus)
    made.run_until(110 * MS)
    made.status(2)
    edges = wave_out.signals(made.bus)
    own = [name for name in edges if name not in {"host drives", "line", "host sees"} and "number" not in name]
    assert len(own) == 1
    assert len(edges[own[0]]) > 100
    made.run_until(155 * MS)  # no device is in the middle of a frame
    edges = wave_out.signals(made.bus)
    out = io.StringIO()
    assert wave_out.write_vcd(made.bus, out) == sum(map(len, edges.values()))


PROBLEMS = [
    ("[receiver]", "receiver.stick: a receiver without a stick demands nothing"),
    ("[receiver]\nper-second = 0", "receiver.per-second: must be >= 1.0"),
    ("[receiver]\nfrom = 2\nuntil = 1", "receiver.until: 1 is not after 2"),
    ("[receiver]\nlost = [{ at = 1 }]", "receiver.lost[0]: 'lasting' is missing"),
    ("[[receiver.stick]]\nchannel = 33", "receiver.stick[0].channel: must be <= 32"),
    ("[[receiver.stick]]\nchannel = 3", "receiver.stick[0]: one of points and swing is wanted"),
    (
        "[[receiver.stick]]\nchannel = 3\npoints = [[0, 1]]\nswing = { amplitude = 1, every = 1 }",
        "receiver.stick[0]: one of points and swing is wanted",
    ),
    (
        "[[receiver.stick]]\nchannel = 3\npoints = [[1, 1], [1, 2]]",
        "receiver.stick[0].points: their times do not rise",
    ),
    (
        "[[receiver.stick]]\nchannel = 3\npoints = [[0, 101]]",
        "receiver.stick[0].points[0][1]: must be <= 100.0",
    ),
    (
        "[[receiver.stick]]\nchannel = 3\nswing = { amplitude = 60, every = 2, centre = -41 }",
        "receiver.stick[0].swing: 60 about -41 goes beyond 100 %",
    ),
    (
        "[[receiver.stick]]\nchannel = 3\npoints = [[0, 1]]\n[[receiver.stick]]\nchannel = 3\npoints = [[0, 1]]",
        "receiver.stick[1].channel: 3 stands in receiver.stick[0] too",
    ),
    (
        "[receiver]\nhertz = 50",
        "receiver.hertz: there is no such key here; there are: per-second, from, until, after-idle, "
        "keep-off-ms, stick, lost",
    ),
]


@pytest.mark.parametrize(("lines", "problem"), PROBLEMS)
def test_what_is_wrong_is_said_with_its_place(lines: str, problem: str) -> None:
    with pytest.raises(ScenarioError) as caught:
        scenario.parse(SOURCE + lines)
    assert problem in said(caught.value.problems)
