"""Matching a gang: what is left is measured by the simulator's own truth, not by the same estimate."""

from __future__ import annotations

from importlib import resources
from pathlib import Path
from typing import Final

import pytest

from busproto.errors import ReplyTimeoutError
from busproto.ops import Link
from busproto.ops.motion import demand_channels, engage, release_all
from busproto.ops.steps import Pause, Steps, exchange
from busproto.ops.survey import survey
from busproto.plan.audit import audit
from busproto.plan.load import load
from busproto.plan.match import Matched, match, matched_json, raw_table, reasons_against
from busproto.plan.trial import Bench
from busproto.wire.messages import LIMP_STATES
from sim.bus import VirtualBus
from sim.scenario import parse

MS: Final = 1_000_000
EXAMPLE: Final = Path(str(resources.files("busproto.plan"))) / "examples" / "rudder" / "rudder.toml"
SENSOR_STEP_DEG: Final = 0.05


def shipped() -> str:
    return (Path(str(resources.files("sim"))) / "scenarios" / "rudder-gang.toml").read_text("utf-8")


def rudder(seed: int = 1) -> tuple[VirtualBus, Link]:
    """The shipped gang; it is matched long before the wind comes."""
    bus = parse(shipped()).build(seed)
    return bus, Link(bus.host)


def members(link: Link) -> list[Bench]:
    rows = audit(load(EXAMPLE), {}, link.run(survey())).rows
    return [Bench(row.seat, row.sheet) for row in rows if row.sheet is not None]


def truth(bus: VirtualBus, link: Link) -> tuple[float, float, float]:
    """Greatest mismatch, deg at the surface; greatest torque of one, N m; all of it over the travel, at rest."""
    surface = bus.surface("rudder")
    worst: list[tuple[float, float, float]] = []

    def sweep() -> Steps[None]:
        for address in (30, 31, 32):
            yield from engage(address)
        for step in range(-8, 9):
            for _ in range(30):
                yield from exchange(demand_channels({8: step / 10}))
                yield Pause(40 * MS)
            torques = [abs(one) / 1000 for one in surface.torques_mnm().values()]
            mismatch = [abs(one) for one in surface.mismatch_deg().values()]
            worst.append((max(mismatch), max(torques), sum(torques)))
        yield from release_all()

    link.run(sweep())
    return max(one[0] for one in worst), max(one[1] for one in worst), max(one[2] for one in worst)


@pytest.fixture(scope="module")
def matched() -> tuple[VirtualBus, list[Bench], Matched, tuple[float, ...], tuple[float, ...]]:
    """Before, the matching, and after: it takes a while, so all look at the same one."""
    bus, link = rudder()
    benches = members(link)
    before = truth(bus, link)
    result = link.run(match(benches))
    return bus, benches, result, before, truth(bus, link)


def test_the_greatest_mismatch_falls_twenty_fold_or_to_the_sensors_noise(
    matched: tuple[VirtualBus, list[Bench], Matched, tuple[float, ...], tuple[float, ...]],
) -> None:
    _, _, result, before, after = matched
    assert result.stored
    assert before[0] > 0.5
    # at the surface a step of the sensor is less, by the ratio of the linkage
    assert after[0] <= max(before[0] / 20, 0.6 * 2 * SENSOR_STEP_DEG)
    assert after[1] <= max(before[1] / 20, 0.05 * 4.0 / 2), "torque alike: what friction holds is left"


def test_what_is_measured_agrees_with_the_truth(
    matched: tuple[VirtualBus, list[Bench], Matched, tuple[float, ...], tuple[float, ...]],
) -> None:
    _, benches, result, _, _ = matched
    assert result.before.worst_deg > 1
    assert result.after.worst_deg <= max(result.before.worst_deg / 20, 2 * SENSOR_STEP_DEG)
    assert result.after.idle_ma < 0.3 * result.before.idle_ma
    assert result.after.torque_nm < 0.1 * result.before.torque_nm
    body = matched_json(benches, result)
    assert [one["function"] for one in body["members"]] == ["rudder, middle", "rudder, lower"]
    assert all(5 <= one["points"] <= 33 for one in body["members"])
    assert all("points" in one["why"] for one in body["members"])


def test_the_tables_are_stored_in_the_others_and_the_lead_has_none(
    matched: tuple[VirtualBus, list[Bench], Matched, tuple[float, ...], tuple[float, ...]],
) -> None:
    bus, benches, result, _, _ = matched
    lead, *others = bus.actuators
    assert lead.settings.stored()["correction"] == ()
    for actuator, bench in zip(others, benches[1:], strict=True):
        assert actuator.settings.stored()["correction"] == raw_table(result.fits[bench.address])
        assert actuator.settings.stored() == actuator.settings.working
    assert all(one.state in LIMP_STATES for one in bus.actuators)


def test_matching_again_changes_little_and_makes_nothing_worse() -> None:
    bus, link = rudder(2)
    link.run(match(members(link), stations=17, looks=2))
    first = truth(bus, link)
    again = link.run(match(members(link), stations=17, looks=2))
    assert again.after.worst_deg < 0.2
    assert truth(bus, link)[0] < first[0] + 0.1


@pytest.mark.parametrize("at", [3, 40, 400, 900])
def test_an_interruption_leaves_the_tables_as_they_were_and_everyone_limp(at: int) -> None:
    bus, link = rudder()
    benches = members(link)
    kept = [actuator.settings.stored() for actuator in bus.actuators]
    writes = 0
    send = bus.host.write

    def write(data: bytes) -> None:
        nonlocal writes
        writes += 1
        if writes == at:
            raise KeyboardInterrupt
        send(data)

    bus.host.write = write  # type: ignore[method-assign]
    with pytest.raises(KeyboardInterrupt):
        link.run(match(benches, stations=12, looks=1))
    assert [actuator.settings.stored() for actuator in bus.actuators] == kept
    assert [actuator.settings.working for actuator in bus.actuators] == kept
    assert all(one.state in LIMP_STATES for one in bus.actuators)


def test_one_that_falls_silent_ends_it_with_the_others_limp() -> None:
    bus, link = rudder()
    benches = members(link)
    bus.kernel.at(bus.kernel.now_ns + 4_000 * MS, lambda: setattr(bus.actuators[1], "is_mute", True))
    with pytest.raises(ReplyTimeoutError):
        link.run(match(benches, stations=12, looks=1))
    assert all(one.state in LIMP_STATES for one in bus.actuators)


ALIKE: Final = 'place = 3, travel = 120.0, loss-action = "hold"'


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('label = "rudder, lower"\nmodel = "bench 40"', 'label = "rudder, lower"\nmodel = "other"', "unlike model"),
        (ALIKE, 'place = 3, travel = 90.0, loss-action = "hold"', "unlike travel"),
        (ALIKE, 'place = 3, travel = 120.0, loss-action = "limp"', "unlike loss-action"),
        (f"channel = 8, gang = 1, {ALIKE}", f"channel = 7, gang = 1, {ALIKE}", "one channel"),
    ],
    ids=["model", "travel", "loss", "channel"],
)
def test_unlike_actuators_are_refused_with_the_reason(old: str, new: str, says: str) -> None:
    text = shipped()
    other = text[text.index('[model."bench 40"]') : text.index("[[actuator]]")].replace('"bench 40"', "other")
    assert old in text
    bus = parse(text.replace(old, new).replace("[[actuator]]", f"{other}[[actuator]]", 1)).build(1)
    reasons = reasons_against(members(Link(bus.host)))
    assert any(says in reason for reason in reasons), reasons


def test_a_gang_of_one_is_none() -> None:
    _, link = rudder()
    assert reasons_against(members(link)[:1]) == ["a gang has at least two members on the line"]
