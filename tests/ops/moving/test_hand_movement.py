"""Whom the hand moved: noise, play, bumps, slow and fast hands, gangs, those who do not answer.

Courses are made here and quantised as a sensor does; nothing is taken from a run of the code."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Mapping
from typing import Final

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busproto.ops.moving.hand_movement import (
    ALIKE,
    CLEAR_DEG,
    FORGET_NS,
    GONE_NS,
    STILL_DEG,
    Episode,
    Judgement,
    Mover,
    Restless,
    Verdict,
    Watch,
    judge,
)
from tests.ops.helpers import MS, S

SENSOR_DEG: Final = 0.05

A, B, C, D = (bytes([letter]) * 8 for letter in b"ABCD")

Course = Callable[[float], float]
"""Where an arm is, deg, so many seconds after the beginning."""


def ramp(to_deg: float, begin_s: float, over_s: float) -> Course:
    """From 0 to there, and it stays there."""
    return lambda t: to_deg * min(1.0, max(0.0, (t - begin_s) / over_s))


def there_and_back(to_deg: float, begin_s: float, over_s: float) -> Course:
    """As a half sine: out and back within the time."""
    return lambda t: to_deg * math.sin(math.pi * min(1.0, max(0.0, (t - begin_s) / over_s)))


def still(_: float) -> float:
    return 0.0


def with_play(course: Course, play_deg: float, step_s: float = 0.01) -> Course:
    """What follows a course through play: late, less, and late on its way back."""
    at, done_s = 0.0, 0.0

    def follow(t: float) -> float:
        nonlocal at, done_s
        while done_s <= t:
            lead = course(done_s)
            at = min(max(at, lead - play_deg / 2), lead + play_deg / 2)
            done_s += step_s
        return at

    return follow


def watched(
    courses: Mapping[bytes, Course],
    *,
    seconds: float = 6.0,
    turn_ms: float = 60,
    noise: random.Random | None = None,
    offset_deg: float = 17.3,
    lost: Callable[[bytes, float], bool] = lambda *_: False,
    watch: Watch | None = None,
) -> list[Episode | Restless]:
    """What a watch says of these courses, reported turn by turn; noise is one step of the sensor to either side."""
    watch = watch or Watch()
    said: list[Episode | Restless] = []
    for turn in range(int(seconds * 1000 / turn_ms)):
        t = turn * turn_ms / 1000
        positions = {}
        for uid, course in courses.items():
            if lost(uid, t):
                continue
            steps = round((course(t) + offset_deg) / SENSOR_DEG) + (noise.randint(-1, 1) if noise else 0)
            positions[uid] = steps * SENSOR_DEG
        said += watch.feed(round(t * S), positions)
    return said


def judged(courses: Mapping[bytes, Course], count: int = 1, **given: object) -> list[Judgement]:
    said = watched(courses, **given)  # type: ignore[arg-type]
    return [judge(one.movers, count) for one in said if isinstance(one, Episode)]


def meant(courses: Mapping[bytes, Course], count: int = 1, **given: object) -> dict[bytes, float]:
    """Who was meant and by how much, where the first episode was clear. A slow hand rests at the far end: then its way
    back is a second one."""
    judgement, *_ = judged(courses, count, **given)
    assert judgement.verdict is Verdict.MEANT
    return {one.uid: one.by_deg for one in judgement.moved}


HANDS = st.tuples(
    st.floats(CLEAR_DEG + 0.5, 60) | st.floats(-60, -CLEAR_DEG - 0.5),  # deg
    st.floats(0.05, 4.0),  # s
)

NOISE = st.integers(0, 1000).map(random.Random)

TURNS_MS = st.floats(15, 160)


# --- one hand, one arm -----------------------------------------------------------------------------------------


@given(HANDS, st.floats(1.0, 1.5), TURNS_MS, NOISE)
def test_a_hand_that_moves_an_arm_and_leaves_it_is_seen(
    hand: tuple[float, float], begin_s: float, turn_ms: float, noise: random.Random
) -> None:
    to_deg, over_s = hand
    if abs(to_deg) / over_s < 2:
        over_s = abs(to_deg) / 2  # slower is no hand
    moved = meant(
        {A: ramp(to_deg, begin_s, over_s), B: still, C: still}, seconds=3 + over_s, turn_ms=turn_ms, noise=noise
    )
    assert moved.keys() == {A}
    # the beginning may lie within the band that counts as still, and two steps of the sensor are noise
    assert moved[A] == pytest.approx(to_deg, abs=STILL_DEG + 3 * SENSOR_DEG)


@given(HANDS, st.floats(0.5, 3.0), st.floats(15, 100), NOISE)
def test_a_hand_that_comes_back_is_seen_to_its_first_side(
    hand: tuple[float, float], over_s: float, turn_ms: float, noise: random.Random
) -> None:
    to_deg = math.copysign(max(6.0, abs(hand[0])), hand[0])
    courses = {A: there_and_back(to_deg, 1.0, over_s), B: still}
    first, *later = judged(courses, seconds=6, turn_ms=turn_ms, noise=noise)
    assert (first.verdict, first.uids) == (Verdict.MEANT, (A,))
    by_deg = first.moved[0].by_deg
    assert math.copysign(1, by_deg) == math.copysign(1, to_deg)
    assert abs(by_deg) <= abs(to_deg) + STILL_DEG + 3 * SENSOR_DEG
    assert abs(by_deg) >= 0.6 * abs(to_deg)  # the very peak may lie between two turns
    # a slow hand rests at the far end, and its way back is a movement of its own
    assert all(one.uids == (A,) and one.moved[0].by_deg * to_deg < 0 for one in later)


@given(st.lists(st.floats(-180, 180), min_size=1, max_size=8), NOISE, TURNS_MS)
def test_noise_of_the_sensor_is_never_a_movement(positions: list[float], noise: random.Random, turn_ms: float) -> None:
    courses = {bytes([at]) * 8: (lambda _, deg=deg: deg) for at, deg in enumerate(positions)}
    assert watched(courses, seconds=5, turn_ms=turn_ms, noise=noise) == []


@given(st.floats(0.6, CLEAR_DEG - 0.5), st.sampled_from([1, -1]), NOISE)
def test_less_than_a_clear_movement_is_never_taken(by_deg: float, side: int, noise: random.Random) -> None:
    for judgement in judged({A: ramp(side * by_deg, 1.0, 0.3), B: still}, noise=noise):
        assert judgement.verdict in {Verdict.SMALL, Verdict.NOTHING}


def test_three_degrees_are_spoken_of_and_half_a_degree_is_not() -> None:
    assert [one.verdict for one in judged({A: ramp(3.0, 1.0, 0.5)})] == [Verdict.SMALL]
    assert [one.verdict for one in judged({A: ramp(0.6, 1.0, 0.3)})] == [Verdict.NOTHING]


def test_the_least_movement_can_be_chosen() -> None:
    (episode,) = watched({A: ramp(3.0, 1.0, 0.5)})
    assert isinstance(episode, Episode)
    assert judge(episode.movers, 1, clear_deg=2.0).verdict is Verdict.MEANT
    assert judge(episode.movers, 1, clear_deg=3.5).verdict is Verdict.SMALL


def test_a_movement_counts_only_once_it_has_come_to_rest() -> None:
    watch = Watch()
    course = ramp(20.0, 1.0, 1.0)
    assert watched({A: course}, seconds=2.3, watch=watch) == []
    said = []
    for turn in range(20):
        said += watch.feed(round((2.4 + turn * 0.06) * S), {A: 37.3})
    assert len(said) == 1


def test_two_movements_with_a_rest_between_are_two() -> None:
    def course(t: float) -> float:
        return ramp(10.0, 1.0, 0.4)(t) - ramp(25.0, 3.0, 0.4)(t)

    first, second = judged({A: course, B: still}, seconds=6)
    assert first.moved[0].by_deg == pytest.approx(10, abs=0.5)
    assert second.moved[0].by_deg == pytest.approx(-25, abs=0.5)


def test_the_direction_is_that_of_the_first_way_not_of_the_longest() -> None:
    def waved(t: float) -> float:
        return there_and_back(9.0, 1.0, 0.8)(t) + there_and_back(-14.0, 1.8, 0.8)(t)

    assert meant({A: waved})[A] == pytest.approx(9, abs=0.6)


# --- bumps, and two at once ------------------------------------------------------------------------------------


@given(HANDS, st.floats(0.1, 0.45), st.floats(0.9, 2.5), NOISE)
def test_a_smaller_movement_elsewhere_is_not_taken(
    hand: tuple[float, float], fraction: float, begin_s: float, noise: random.Random
) -> None:
    to_deg = math.copysign(max(5.0, abs(hand[0])), hand[0])
    bump = ramp(fraction * to_deg * 0.95, begin_s, 0.2)
    for judgement in judged({A: ramp(to_deg, 1.0, 1.0), B: bump}, noise=noise):
        assert judgement.verdict is not Verdict.SEVERAL
        if judgement.verdict is Verdict.MEANT and A in judgement.uids:
            break
    else:
        pytest.fail("the hand was not seen")
    assert judgement.uids == (A,)


@given(st.floats(5, 40), st.floats(0.2, 3.0), st.floats(0.04, 0.13), st.floats(1.0, 2.2), st.floats(20, 60))
def test_a_short_knock_elsewhere_is_not_taken_however_far_it_went(
    to_deg: float, times: float, over_s: float, begin_s: float, turn_ms: float
) -> None:
    knock = there_and_back(times * to_deg, begin_s, over_s)
    assert [one.uids for one in judged({A: ramp(to_deg, 1.0, 1.0), B: knock}, turn_ms=turn_ms) if A in one.uids] == [
        (A,)
    ]


def test_a_knock_alone_is_said_to_be_one() -> None:
    (judgement,) = judged({A: there_and_back(12.0, 1.0, 0.1)}, turn_ms=20)
    assert (judgement.verdict, judgement.uids) == (Verdict.SHORT, (A,))


@given(st.floats(5, 40), st.floats(ALIKE + 0.06, 1.0), st.sampled_from([1, -1]), NOISE)
def test_two_that_move_alike_are_never_one(to_deg: float, fraction: float, side: int, noise: random.Random) -> None:
    other = ramp(side * fraction * to_deg, 1.2, 1.0)
    (judgement,) = judged({A: ramp(to_deg, 1.0, 1.0), B: other, C: still}, noise=noise)
    assert judgement.verdict is Verdict.SEVERAL
    assert set(judgement.uids) == {A, B}


def test_one_that_is_known_already_is_said_to_be_so() -> None:
    (episode,) = watched({A: ramp(20, 1, 1), B: still})
    assert isinstance(episode, Episode)
    assert judge(episode.movers, 1, {A}) == Judgement(Verdict.TAKEN, judge(episode.movers, 1).moved)
    (both,) = watched({A: ramp(20, 1, 1), B: ramp(18, 1, 1)})
    assert isinstance(both, Episode)
    assert judge(both.movers, 1, {A}).verdict is Verdict.SEVERAL  # one known, one not: which was meant is not known
    assert judge(both.movers, 2, {A}).verdict is Verdict.SEVERAL
    assert judge(both.movers, 1, {A, B}).verdict is Verdict.TAKEN


# --- gangs -----------------------------------------------------------------------------------------------------


@given(
    st.floats(8, 40),
    st.sampled_from([1, -1]),
    st.lists(st.tuples(st.floats(0, 0.5), st.sampled_from([1, -1])), min_size=1, max_size=2),
    st.booleans(),
    st.floats(0.6, 3.0),
    NOISE,
)
def test_a_gang_is_seen_through_its_play_and_each_turns_to_its_own_side(
    to_deg: float,
    side: int,
    others: list[tuple[float, int]],
    comes_back: bool,
    over_s: float,
    noise: random.Random,
) -> None:
    lead = (there_and_back if comes_back else ramp)(side * to_deg, 1.0, over_s)
    courses = {A: lead, D: still}
    sides = {A: side}
    for uid, (play, turn) in zip((B, C), others, strict=False):
        follows = with_play(lead, play * to_deg)
        courses[uid] = lambda t, follows=follows, turn=turn: turn * follows(t)
        sides[uid] = side * turn
    moved = meant(courses, 1 + len(others), noise=noise, seconds=7)
    assert {uid: math.copysign(1, deg) for uid, deg in moved.items()} == sides


def test_fewer_than_the_gang_has_is_said() -> None:
    (judgement,) = judged({A: ramp(15, 1, 1), B: ramp(15, 1, 1), C: still}, 3)
    assert (judgement.verdict, set(judgement.uids)) == (Verdict.FEW, {A, B})


def test_more_than_the_gang_has_is_said() -> None:
    (judgement,) = judged({uid: ramp(15, 1, 1) for uid in (A, B, C)}, 2)
    assert (judgement.verdict, set(judgement.uids)) == (Verdict.SEVERAL, {A, B, C})


def test_another_that_moves_as_far_at_another_time_is_no_member() -> None:
    courses = {A: there_and_back(15, 1, 1), B: there_and_back(15, 1, 1), C: there_and_back(15, 2.2, 1)}
    (judgement,) = judged(courses, 2)
    assert judgement.verdict is Verdict.SEVERAL
    (judgement,) = judged({A: courses[A], C: courses[C]}, 2)
    assert judgement.verdict is Verdict.FEW


def test_a_bump_does_not_make_up_for_a_member_that_stands_still() -> None:
    (judgement,) = judged({A: ramp(15, 1, 1), B: still, C: there_and_back(9, 1.6, 0.1)}, 2, turn_ms=30)
    assert (judgement.verdict, judgement.uids) == (Verdict.FEW, (A,))


def test_the_side_of_a_member_is_its_course_not_its_longest_way() -> None:
    """Play can make the longest way of one be the second swing, and of another the first."""

    def lead(t: float) -> float:
        return there_and_back(10.0, 1.0, 1.0)(t) + there_and_back(-11.0, 2.0, 1.0)(t)

    moved = meant({A: lead, B: lambda t: 0.95 * lead(t) + 0.3}, 2)
    assert moved[A] > 8
    assert moved[B] > 8


# --- those who fall, flicker, or do not answer -----------------------------------------------------------------


def test_what_falls_when_it_goes_limp_is_no_hand() -> None:
    """One that has not been still yet is falling; after that it counts."""
    watch = Watch()
    fell = {A: ramp(-20, 0.0, 0.8), B: still}
    assert watched(fell, seconds=2, watch=watch) == []
    assert watch.is_settled([A, B])
    watch.forget(A)
    assert watch.is_settled([B])
    assert watched({A: ramp(-20, 0.0, 0.8)}, seconds=0.5) == []


def test_one_that_flickers_does_not_stop_the_others() -> None:
    random_walk = random.Random(4)

    def flickers(t: float) -> float:
        return random_walk.uniform(-1, 1) if t > 1.0 else 0.0

    said = watched({A: flickers, B: ramp(20, 8.0, 1.0)}, seconds=12)
    restless = [one for one in said if isinstance(one, Restless)]
    episodes = [one for one in said if isinstance(one, Episode)]
    assert restless == [Restless((A,))]
    assert [judge(one.movers, 1).uids for one in episodes] == [(B,)]


def test_one_that_never_rests_is_forgotten_until_it_does() -> None:
    def waves(t: float) -> float:
        return 20 * math.sin(6 * t) if 1.0 < t < 14.0 else 0.0

    watch = Watch()
    said = watched({A: waves, B: ramp(20, 12.0, 1.0)}, seconds=14, watch=watch)
    assert said[0] == Restless((A,))
    assert [judge(one.movers, 1).uids for one in said if isinstance(one, Episode)] == [(B,)]
    assert not watch.is_settled([A])
    assert 1.0 * S + FORGET_NS < 12.0 * S  # or it would have stood in the way of the other


@given(st.floats(0.05, 0.3), st.integers(0, 500))
def test_lost_reports_do_not_hide_a_hand_nor_make_one(rate: float, seed: int) -> None:
    stream = random.Random(seed)
    moved = meant({A: ramp(15, 1.5, 1.0), B: still}, lost=lambda *_: stream.random() < rate, seconds=7)
    assert moved.keys() == {A}
    assert moved[A] == pytest.approx(15, abs=STILL_DEG + 0.6)


def test_one_that_was_away_for_long_begins_anew() -> None:
    """A person may have moved it meanwhile; when is not known."""

    def away(uid: bytes, t: float) -> bool:
        return uid == A and 1.5 < t < 1.5 + GONE_NS / S + 1

    assert watched({A: ramp(20, 2.0, 1.0), B: still}, lost=away, seconds=9) == []
    both_away = [one for one in watched({A: ramp(20, 2.0, 1.0)}, lost=away, seconds=9) if isinstance(one, Episode)]
    assert both_away == []


def test_one_that_falls_silent_in_the_middle_stops_nothing() -> None:
    courses = {A: ramp(20, 1.0, 1.0), B: ramp(30, 6.0, 1.0)}
    said = watched(courses, lost=lambda uid, t: uid == A and t > 1.5, seconds=9)
    assert [judge(one.movers, 1).uids for one in said if isinstance(one, Episode)] == [(B,)]


@given(st.lists(st.tuples(st.integers(0, 400), st.dictionaries(st.sampled_from([A, B, C]), st.floats(-180, 180)))))
def test_any_reports_give_an_answer_and_movers_in_order(turns: list[tuple[int, dict[bytes, float]]]) -> None:
    watch, time_ns = Watch(), 0
    for step_ms, positions in turns:
        time_ns += step_ms * MS
        for one in watch.feed(time_ns, positions):
            if isinstance(one, Episode):
                reaches = [mover.reach_deg for mover in one.movers]
                assert reaches == sorted(reaches, reverse=True)
                assert all(mover.reach_deg > 0 for mover in one.movers)
                for count in (1, 2, 3):
                    judgement = judge(one.movers, count, {C})
                    assert len(judgement.moved) == count or judgement.verdict is not Verdict.MEANT
                    if judgement.verdict is Verdict.MEANT:
                        assert C not in judgement.uids


def test_a_course_is_compared_at_the_times_of_both() -> None:
    one = Mover(A, ((0, 0.0), (1, 2.0), (2, 4.0)))
    assert one.course(one) == pytest.approx(1)
    assert one.course(Mover(B, ((0, 0.0), (1, -1.0), (2, -2.0)))) == pytest.approx(-1)
    assert one.course(Mover(B, ((0, 0.0), (1, 0.0)))) == 0.0
    # 2 stays 2 at time 2 where the other was not heard: (2, 2) . (2, 4) / (|.||.|)
    assert Mover(B, ((1, 2.0),)).course(one) == pytest.approx((2 * 2 + 2 * 4) / math.sqrt((4 + 4) * (4 + 16)))


# --- asking where the arms are ---------------------------------------------------------------------------------


def test_half_of_its_reach_tells_to_which_side_it_first_went() -> None:
    """3 of 7 deg to the other side is a shake of the hand, 4 is a way."""
    assert Mover(b"a", ((0, 0.0), (1, -3.0), (2, 7.0))).first_side == 1
    assert Mover(b"a", ((0, 0.0), (1, -4.0), (2, 7.0))).first_side == -1
    assert Mover(b"a", ((0, 3.0), (10, 4.0), (30, 7.0), (60, 4.0), (100, 3.0))).steady_ns == 50


@pytest.mark.parametrize(
    ("reach_deg", "verdict"), [(0.9, Verdict.NOTHING), (1.1, Verdict.SMALL), (3.9, Verdict.SMALL), (4.1, Verdict.MEANT)]
)
def test_a_degree_is_noticed_and_four_are_clear(reach_deg: float, verdict: Verdict) -> None:
    mover = Mover(A, ((0, 0.0), (200 * MS, reach_deg), (600 * MS, reach_deg)))
    assert judge([mover], 1).verdict is verdict
