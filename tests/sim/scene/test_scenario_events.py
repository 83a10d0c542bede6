"""Events of a scenario file: each at its moment and for its time."""

from __future__ import annotations

from busproto.wire import messages as m
from tests.sim.helpers import MS, S
from tests.sim.scene.helpers import built, event, text


def test_unplugged_at_a_moment_and_plugged_in_again() -> None:
    made = built(text(more=event('what = "unplug"\nat = 1.25\nuntil = 2\nactuator = "a"')))
    one = made.bus.labelled("a")
    powered = []
    for time_ns in (1250 * MS - 1, 1250 * MS, 2 * S - 1, 2 * S):
        made.run_until(time_ns)
        powered.append(one.is_powered)
    assert powered == [True, False, False, True]


def test_unplugged_for_good() -> None:
    made = built(text(more=event('what = "unplug"\nat = 1\nactuator = "a"')))
    made.run_until(1000 * S)
    assert not made.bus.labelled("a").is_powered


def test_mute_for_a_while() -> None:
    made = built(text(actuator="address = 5", more=event('what = "mute"\nat = 1\nuntil = 2\nactuator = "a"')))
    answers = []
    for time_ms in (900, 1000, 1900, 2000):
        made.run_until(time_ms * MS)
        answers.append(len(made.ask_all(m.Report(), 5)))
    assert answers == [1, 0, 0, 1]


def test_mute_for_good() -> None:
    made = built(text(actuator="address = 5", more=event('what = "mute"\nat = 1\nactuator = "a"')))
    made.run_until(1000 * S)
    assert made.ask_all(m.Report(), 5) == []


def test_noise_for_a_while_and_the_same_for_the_same_seed() -> None:
    source = text(more=event('what = "noise"\nat = 1\nuntil = 2\nrate = 0.9'))
    heard = []
    for seed in (1, 1, 2):
        made = built(source, seed)
        for time_ms in (990, 1000, 1990, 2000):
            made.run_until(time_ms * MS)
            made.send_bytes(bytes(8))
        heard.append([data for _, data in made.trace])
    assert heard[0] == heard[1]
    assert heard[0] != heard[2]
    assert [data == bytes(8) for data in heard[0]] == [True, False, False, True]


def test_two_noises_at_once_add_up_and_end_apart() -> None:
    """Each spares a byte with probability 1/2, both together with 1/4: 1 - 0.5**0.1 and 1 - 0.25**0.1 of all bits.

    30,000 bits (three listeners): 2010 and 3884 expected, standard deviations 43 and 58; six of them are allowed.
    """
    source = text(
        more=event('what = "noise"\nat = 0\nuntil = 2\nrate = 0.5')
        + event('what = "noise"\nat = 0\nuntil = 1\nrate = 0.5')
    )
    made = built(source)
    flips = []
    for time_ms in (0, 1000, 2000):
        made.run_until(time_ms * MS)
        made.bus.line.flip_record = []
        made.send_bytes(bytes(1000))
        flips.append(len(made.bus.line.flip_record))
    assert abs(flips[0] - 3884) <= 350
    assert abs(flips[1] - 2010) <= 260
    assert flips[2] == 0


def test_the_supply_changes() -> None:
    made = built(text(actuator="address = 5", more=event('what = "supply"\nat = 1\nvolts = 5.55')))
    volts = []
    for time_ms in (900, 1000):
        made.run_until(time_ms * MS)
        volts.append(made.status(5).supply_mv)
    assert volts == [7400, 5550]


def test_a_hand_moves_a_limp_arm() -> None:
    hand = event('what = "hand"\nat = 1\nactuator = "a"\nto = 20\nover = 0.4')
    made = built(text(actuator="arm-at = 10", more=hand))
    one = made.bus.labelled("a")
    positions = []
    for time_ms in (1000, 1200, 1400, 1600):
        made.run_until(time_ms * MS)
        one.arm.move_to(made.now_ns)
        positions.append(round(one.arm.position_deg, 9))
    assert positions == [10.0, 15.0, 20.0, 20.0]


def test_a_hand_at_an_arm_that_is_held_has_no_effect() -> None:
    hand = event('what = "hand"\nat = 1\nactuator = "a"\nto = 20')
    made = built(text(actuator='address = 5\nsettings = { loss-action = "hold" }', more=hand))
    made.ask(m.Engaged, m.Engage(), 5)
    made.run_until(2 * S)
    assert made.status(5).position_cdeg == 0


def test_events_of_one_moment_happen_in_the_order_of_the_file() -> None:
    rows = "".join(event(f'what = "supply"\nat = 1\nvolts = {volts}') for volts in (5, 6, 7))
    made = built(text(more=rows))
    made.run_until(1 * S)
    assert made.bus.supply_mv == 7000
