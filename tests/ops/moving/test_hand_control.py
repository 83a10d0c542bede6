"""What is demanded for each command of steering by hand, alone and by channel, never beyond the travel."""

from __future__ import annotations

import itertools

import pytest

from busproto.errors import InputError
from busproto.ops.moving.hand_control import View, steer, steer_address, steer_channel
from busproto.wire import messages as m
from busproto.wire.messages import MAX_DEMAND, State
from tests.ops.helpers import MS, S, box
from tests.ops.moving.helpers import C, alone, demands, fractions, script, slowly, steered, where

# --- what the commands do --------------------------------------------------------------------------------------


def test_steps_lead_where_they_say_and_are_reached() -> None:
    made, actuator = alone()
    came = steered(made, C.MORE, C.MORE, C.MUCH_MORE, C.LESS, C.MUCH_LESS, C.MUCH_LESS, C.CENTRE)
    assert fractions(came.reached) == [0.005, 0.01, 0.11, 0.105, 0.005, -0.095, 0.0]
    assert all(one.arrived and not one.at_end for one in came.reached)
    degrees = [one.reports[5].position_cdeg / 100 for one in came.reached]
    assert degrees == pytest.approx([0.3, 0.6, 6.6, 6.3, 0.3, -5.7, 0.0], abs=0.35)
    assert [one.command for one in came.reached][:2] == [C.MORE, C.MORE]
    assert list(came.peak_current_ma) == [5]
    assert 178 <= came.peak_current_ma[5] <= 60 + 3940  # friction at least; what it speeds up and brakes with, at most
    assert actuator.state is State.RELEASED
    assert came.let_go.limp == (5,)
    assert came.let_go.is_limp


def test_the_steps_can_be_chosen() -> None:
    made, _ = alone()
    came = steered(made, C.MORE, C.MUCH_LESS, small=0.02, large=0.3)
    assert fractions(came.reached) == [0.02, -0.28]


@pytest.mark.parametrize("option", ["small", "large"])
@pytest.mark.parametrize("fraction", [0.0, -0.1, 2.1, float("nan")])
def test_a_step_out_of_range_is_refused_before_anything_is_sent(option: str, fraction: float) -> None:
    made, _ = alone()
    subject = made.run(steer_address(5))
    port = made.hooked(lambda _: None)
    with pytest.raises(InputError, match=f"{option} step"):
        made.run(steer(subject, script([C.MORE]), lambda _: None, **{option: fraction}))  # type: ignore[arg-type]
    assert port.sent == []


def test_it_takes_hold_where_the_arm_is() -> None:
    made, actuator = alone(at_deg=30.0)
    seen: list[float] = []
    made.hooked(lambda _: seen.append(where(actuator, made)))
    came = steered(made, C.MORE)
    assert fractions(came.reached) == [0.505]
    assert min(seen) >= 30.0
    assert max(seen) <= 30.31


def test_nothing_moves_before_the_first_command() -> None:
    made, actuator = alone(at_deg=12.0)
    port = made.hooked(lambda _: None)
    came = steered(made)
    assert came.reached == ()
    assert demands(port) == []
    assert not any(isinstance(one, m.Engage) for one in port.sent)
    assert (actuator.state, where(actuator, made)) == (State.RELEASED, 12.0)


def test_at_the_end_of_the_travel_it_stops() -> None:
    made, actuator = alone()
    port = made.hooked(lambda _: None)
    came = steered(made, *[C.MUCH_MORE] * 12, large=0.25)
    assert fractions(came.reached)[-1] == 1.0
    assert [one.at_end for one in came.reached] == [False] * 4 + [True] * 8
    assert max(demands(port)) == 1.0
    assert where(actuator, made) == pytest.approx(60.0, abs=0.11)


def test_end_limits_narrow_the_way_on_both_sides() -> None:
    made, _ = alone(end_low=-1500, end_high=3000)
    subject = made.run(steer_address(5))
    assert (subject.low, subject.high) == pytest.approx((-0.25, 0.5))
    port = made.hooked(lambda _: None)
    came = steered(made, *[C.MUCH_MORE] * 3, *[C.MUCH_LESS] * 5, subject=subject, large=0.3)
    assert (min(demands(port)), max(demands(port))) == (-0.25, 0.5)
    assert came.reached[-1].at_end


def test_end_limits_of_one_that_turns_the_other_way() -> None:
    made, _ = alone(end_low=-1500, end_high=3000, direction=1, neutral=600)
    subject = made.run(steer_address(5))
    # 6 deg is demand 0; -15 deg is 21 of 60 deg on the positive side, 30 deg 24 of 60 on the negative
    assert (subject.low, subject.high) == pytest.approx((-0.4, 0.35))


def test_limits_that_leave_nothing_are_refused() -> None:
    made, _ = alone(end_low=0, end_high=0, neutral=3000, travel=1000)
    with pytest.raises(InputError, match="address 5 leave nothing of the travel"):
        made.run(steer_address(5))


def test_limits_that_leave_a_single_place_are_steered_in() -> None:
    made, _ = alone(end_low=0, end_high=0)
    subject = made.run(steer_address(5))
    assert (subject.low, subject.high) == (0.0, 0.0)


def test_a_sweep_goes_slowly_to_both_ends_and_back() -> None:
    made, actuator = alone(at_deg=6.0, end_high=3000)
    port = made.hooked(lambda _: None)
    began_ns = made.now_ns
    came = steered(made, C.SWEEP)
    sent = demands(port)
    assert (min(sent), max(sent)) == (-1.0, 0.5)
    assert sent.index(-1.0) < sent.index(0.5)
    assert sent[0] == sent[-1] == fractions(came.reached)[0] == 0.1
    # 1.1 + 1.5 + 0.4 of the travel at 0.4 a second
    assert 7.5 * S < made.now_ns - began_ns < 9.5 * S
    assert max(abs(later - earlier) for earlier, later in itertools.pairwise(sent)) < 0.05
    assert where(actuator, made) == pytest.approx(6.0, abs=0.11)
    assert came.reached[0].arrived


def test_any_other_command_ends_a_sweep_where_it_is() -> None:
    made, _ = alone()
    subject = made.run(steer_address(5))
    views: list[View] = []
    keys = slowly((0.0, C.SWEEP), (1.5, C.MORE), (2.5, C.QUIT), made=made)
    came = made.run(steer(subject, keys, views.append))
    assert came.reached[0].command is C.SWEEP
    swept = came.reached[0].fraction
    assert swept is not None
    assert -0.65 < swept < -0.4
    assert came.reached[1].fraction == pytest.approx(swept + 0.005, abs=1e-4)
    assert {view.is_sweeping for view in views} == {False, True}
    assert not views[-1].is_sweeping


def test_limp_and_engaged_again_where_a_hand_has_put_it() -> None:
    made, actuator = alone()
    subject = made.run(steer_address(5))
    states: list[tuple[float | None, State]] = []
    keys = slowly((0.0, C.MUCH_MORE), (1.0, C.LIMP), (3.0, C.LIMP), (4.0, C.QUIT), made=made)

    def push() -> None:
        actuator.arm.hand(-18.0, 200 * MS, made.now_ns)

    made.bus.kernel.at(2 * S, push)
    came = made.run(steer(subject, keys, lambda view: states.append((view.fraction, view.reports[5].state))))
    assert fractions(came.reached) == [0.1, None, -0.3]
    assert [one.arrived for one in came.reached] == [True, True, True]
    assert came.reached[1].reports[5].position_cdeg == -1800
    assert came.reached[2].reports[5].state is State.FOLLOWING
    assert came.reached[2].reports[5].position_cdeg == -1800
    assert (None, State.RELEASED) in states


def test_one_that_holds_though_it_was_told_to_go_limp_has_not_arrived() -> None:
    made, actuator = alone()
    made.hooked(lambda one: setattr(actuator, "state", State.FOLLOWING) if isinstance(one, m.Report) else None)
    subject = made.run(steer_address(5))
    keys = slowly((0.0, C.MUCH_MORE), (1.0, C.LIMP), (2.0, C.QUIT), made=made)
    came = made.run(steer(subject, keys, lambda _: None))
    assert [(one.fraction, one.arrived) for one in came.reached] == [(0.1, True), (None, False)]


def test_from_a_script_the_next_command_waits_for_the_arm() -> None:
    made, _ = alone(slew_limit=100)  # 10 deg/s: 12 deg take more than a second
    came = steered(made, C.MUCH_MORE, C.MUCH_MORE)
    assert [one.arrived for one in came.reached] == [True, True]
    assert made.now_ns > 1.2 * S


def test_by_hand_it_does_not_wait() -> None:
    made, _ = alone(slew_limit=100)
    subject = made.run(steer_address(5))
    came = made.run(steer(subject, script([C.MUCH_MORE, C.MUCH_MORE]), lambda _: None))
    assert fractions(came.reached) == [0.1, 0.2]
    assert [one.arrived for one in came.reached] == [False, False]


def test_an_arm_that_never_arrives_is_told() -> None:
    made, actuator = alone()
    actuator.arm.stop_deg = 5.0  # something blocks it on its way to 6 deg
    came = steered(made, C.MUCH_MORE, C.MUCH_LESS)
    assert [one.arrived for one in came.reached] == [False, True]
    assert came.reached[0].reports[5].position_cdeg == 500


def test_a_correction_table_is_no_reason_to_doubt() -> None:
    made, _ = alone(correction=(0, 150, 300))
    came = steered(made, C.MUCH_MORE)
    assert came.reached[0].arrived
    # -2.44 % leaves it where it is, at 0 deg; 10 % more is 7.56 %: 4.54 deg, and 1.61 by the table
    assert came.reached[0].reports[5].position_cdeg == pytest.approx(615, abs=11)


# --- by channel ------------------------------------------------------------------------------------------------


def test_all_that_follow_a_channel_move_and_no_other() -> None:
    made, first = alone()
    second = made.add(2, 6, channel=2, direction=1, soft_start=100)
    other = made.add(3, 7, channel=3)
    subject = made.run(steer_channel(2, [5, 6, 7]))
    assert (subject.addresses, subject.channel) == ((5, 6), 2)
    port = made.hooked(lambda _: None)
    came = steered(made, C.MUCH_MORE, subject=subject)
    assert demands(port) == []
    assert any(isinstance(one, m.DemandAll) for one in port.sent)
    assert (where(first, made), where(second, made)) == pytest.approx((6.0, -6.0), abs=0.11)
    assert (where(other, made), other.state) == (0.0, State.LIMP)
    assert {first.state, second.state} == {State.RELEASED}
    assert set(came.reached[0].reports) == set(came.let_go.limp) == {5, 6}


def test_the_narrowest_ends_of_all_hold() -> None:
    made, _ = alone(end_high=3000)
    made.add(2, 6, channel=2, end_low=-600)
    subject = made.run(steer_channel(2, [5, 6]))
    assert (subject.low, subject.high) == pytest.approx((-0.1, 0.5))


def test_many_on_one_channel_report_in_turn_and_the_demand_is_in_time() -> None:
    made = box()
    for number in range(1, 13):
        made.add(number, number, channel=4, loss_time_out=150, soft_start=0)
    subject = made.run(steer_channel(4, range(1, 13)))
    faults: set[int] = set()
    keys = slowly((0.0, C.MUCH_MORE), (4.0, C.QUIT), made=made)
    came = made.run(steer(subject, keys, lambda view: faults.update(one.faults for one in view.reports.values())))
    assert faults == {0}
    assert {one.state for one in came.reached[0].reports.values()} == {State.FOLLOWING}


def test_a_channel_without_actuators_is_refused_with_the_channels_in_use() -> None:
    made, _ = alone()
    made.add(2, 6, channel=9)
    made.add(3, 7)
    with pytest.raises(InputError, match="no actuator follows channel 4; channels in use: 2, 9"):
        made.run(steer_channel(4, [5, 6, 7]))
    with pytest.raises(InputError, match="channels in use: none"):
        made.run(steer_channel(4, [7]))


@pytest.mark.parametrize("channel", [0, 33, -1])
def test_no_such_channel(channel: int) -> None:
    made, _ = alone()
    with pytest.raises(InputError, match=r"1\.\.32"):
        made.run(steer_channel(channel, [5]))


def test_the_end_is_told_at_the_end_alone() -> None:
    """One step of the demand away from it is not there yet; limp is nowhere."""
    made, _ = alone()
    subject = made.run(steer_address(5))
    views: list[View] = []
    moves = script([C.MUCH_MORE] * 11 + [C.LESS, C.LIMP])
    made.run(steer(subject, moves, views.append, wants_settled=True, large=0.1, small=1 / MAX_DEMAND))
    ends = {one.fraction: one.end for one in views if one.fraction is not None and one.fraction > 0.85}
    assert ends[1.0] == 1
    assert ends[(MAX_DEMAND - 1) / MAX_DEMAND] == 0
    assert views[-1].end == 0


def test_limp_is_no_end_of_the_travel() -> None:
    made, _ = alone()
    came = steered(made, *[C.MUCH_MORE] * 11, C.LIMP)
    assert [one.at_end for one in came.reached[-2:]] == [True, False]
    assert came.reached[-1].fraction is None


def test_what_comes_behind_quit_is_left_for_the_next_reader() -> None:
    made, _ = alone()
    left = iter([C.MORE, C.QUIT, C.MUCH_MORE, C.LESS])
    made.run(steer(made.run(steer_address(5)), lambda: next(left, C.QUIT), lambda _: None))
    assert list(left) == [C.MUCH_MORE, C.LESS]


@pytest.mark.parametrize("channel", [1, 32])
def test_the_first_and_the_last_channel_are_channels(channel: int) -> None:
    made, _ = alone(channel=channel)
    assert made.run(steer_channel(channel, [5])).addresses == (5,)
    for wrong in (0, 33):
        with pytest.raises(InputError, match=r"1\.\.32 are allowed"):
            made.run(steer_channel(wrong, [5]))


def test_one_that_takes_longer_than_its_law_of_motion_says_is_waited_for_a_second_more() -> None:
    """A gust holds it up, or noise costs reports; the arm gets there."""
    made, actuator = alone(slew_limit=10_000, soft_start=0)
    subject = made.run(steer_address(5))  # 120 deg at 1000 deg/s: 0.12 s, and as much again
    actuator.settings.set_working("slew-limit", 100)  # 6 deg at 10 deg/s: 0.6 s
    came = steered(made, C.MUCH_MORE, subject=subject)
    assert came.reached[0].arrived
