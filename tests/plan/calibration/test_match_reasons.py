"""Figures of a match and the reasons against one, by hand."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import pytest

from busproto.ops import Link
from busproto.ops.steps import Steps
from busproto.plan.calibration import match as matching
from busproto.plan.calibration.match import Figures, Matched, match, matched_json, reasons_against
from busproto.plan.calibration.match_checks import (
    Station,
    carried_reasons,
    lead_reason,
    noise_reason,
    result_reasons,
    step_deg,
    table_reasons,
)
from busproto.plan.calibration.table_fit import TableFit
from busproto.plan.trials.trial import Subject
from busproto.sim.scene.scenario import parse
from tests.plan.calibration.helpers import members, rudder, shipped

# --- what is read at a place ------------------------------------------------------------------------------------------


def done(result: object) -> Callable[..., Steps[object]]:
    """An operation that sends nothing and gives this."""

    def steps(*_: object) -> Steps[object]:
        yield from ()
        return result

    return steps


def test_figures_by_hand(monkeypatch: pytest.MonkeyPatch) -> None:
    """4 N m at 4.8 A: what is drawn beyond the 60 mA of holding is 240 mA, so 0.2 N m."""
    _, link = rudder()
    lead, member, _ = members(link)
    together = [
        Station(fraction, {}, {30: lead_ma, 31: ma}, {}) for fraction, lead_ma, ma in ((0, 60, 100), (0.5, 80, 300))
    ]
    monkeypatch.setattr(matching, "_together", done(together))
    carried = [Station(0.0, {30: 0.0, 31: 0.3}, {}, {}), Station(0.5, {30: 30.0, 31: 29.6}, {}, {})]
    found = link.run(matching._figures([lead, member], carried, (0.0, 0.5), 1))
    assert (found.worst_deg, found.idle_ma, found.peak_idle_ma) == (pytest.approx(0.4), 270, 300)
    assert found.torque_nm == pytest.approx(0.2)
    assert found.greatest_deg == {31: pytest.approx(0.4)}
    assert found.rms_deg == {31: pytest.approx((0.25 / 2) ** 0.5)}
    assert [fraction for fraction, _ in found.curve[31]] == pytest.approx([0.0, 0.5])
    assert [deg for _, deg in found.curve[31]] == pytest.approx([0.3, -0.4])


def test_a_table_that_shows_only_when_the_others_lead_is_refused_with_what_was_measured_before(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Carried by the lead all is well; where the other leads it is 24 deg off, as where something slips."""
    _, link = rudder()
    lead, member, _ = members(link)

    def carried(_: object, leading: Subject, fractions: list[float], looks: int) -> Steps[list[Station]]:
        yield from ()
        off_deg = 0.0 if leading is lead else 24.0
        return [Station(one, {30: 60 * one, 31: 60 * one + off_deg}, {}, {30: (0, 5), 31: (0, 5)}) for one in fractions]

    before = Figures({31: 1.0}, {31: 0.5}, 300.0, 200.0, 0.1, {31: ()})
    monkeypatch.setattr(matching, "_carried", carried)
    monkeypatch.setattr(matching, "_figures", done(before))
    result = link.run(match([lead, member], stations=12))
    assert (result.before, result.after, result.stored, result.tables) == (before, None, False, "as before")
    assert "rudder, middle would need a correction of" in result.refused[0]
    assert list(result.fits) == [31]


def test_figures_are_told_with_the_digits_that_were_measured() -> None:
    def figures(deg: float) -> Figures:
        return Figures({31: deg}, {31: deg / 2}, 123.456, 234.567, 0.123456, {31: ((0.0, deg),)})

    _, link = rudder()
    lead, member, _ = members(link)
    body = matched_json([lead, member], Matched(figures(1.23456), figures(0.12345), {31: fit_of(0.5, -0.25)}, ()))
    assert body["figures_before"] == {
        "greatest_deg": 1.235,
        "idle_current_ma": 123.5,
        "peak_idle_current_ma": 234.6,
        "fight_torque_nm": 0.1235,
    }
    assert body["members"] == [
        {
            "function": "rudder, middle",
            "uid": member.snapshot.uid.hex(),
            "table_deg": [0.5, -0.25],
            "reason": "by hand",
            "noise_deg": 0.02,
            "greatest_before_deg": 1.235,
            "rms_before_deg": 0.6173,
            "greatest_after_deg": 0.123,
            "rms_after_deg": 0.0617,
        }
    ]


# --- the reasons, by hand ------------------------------------------------------------------------------------------


def fit_of(*table_deg: float, noise_deg: float = 0.02) -> TableFit:
    return TableFit(table_deg, noise_deg, noise_deg, "by hand")


@pytest.mark.parametrize(
    ("table", "says"),
    [
        ((0.0, 10.0, 0.0), ""),
        ((0.0, 10.01, 0.0), "a correction of +10.01 deg, and a table ends at +-10"),
        ((0.0, -10.5, 0.0), "a correction of -10.50 deg"),
        ((-9.0, 9.0, -9.0, 9.0, -9.0, 9.0, -9.0), ""),
        ((-9.99, 10.0, -9.99, 10.0, -9.99, 10.0, -9.99), ""),
        (
            (-10.0, 10.0, -10.0, 10.0, -10.0, 10.0, -10.0),
            "change by 20.00 deg between two points that lie 20.00 deg apart",
        ),
        (
            (-9.0, 9.0, -9.0, 9.0, -9.0, 9.0, -9.0, 9.0),
            "change by 18.00 deg between two points that lie 17.14 deg apart",
        ),
    ],
    ids=["at the limit", "beyond", "below", "18 of 20 deg", "19.99 of 20 deg", "20 of 20 deg", "18 of 17 deg"],
)
def test_a_table_that_clips_or_does_not_rise_in_sum_is_none(table: tuple[float, ...], says: str) -> None:
    """The members have 120 deg of travel: 7 points lie 20 deg apart, 8 points 17.14."""
    _, link = rudder()
    reasons = list(table_reasons(members(link)[1], fit_of(*table)))
    assert [says in reason for reason in reasons] == ([True] if says else [])


@pytest.mark.parametrize(("end_deg", "is_blocked"), [(54.0, False), (44.0, False), (43.0, True)])
def test_the_lead_that_does_not_go_its_way_is_told(end_deg: float, is_blocked: bool) -> None:
    """Nine tenths of 108 deg are 97.2."""
    _, link = rudder()
    lead = members(link)[0]
    stations = [Station(fraction, {30: deg}, {}, {}) for fraction, deg in ((-0.9, -54.0), (0.0, 0.0), (0.9, end_deg))]
    reason = lead_reason(lead, stations)
    assert reason.startswith("rudder, upper leads and moved 97.00 of 108.00 deg") is is_blocked
    assert bool(reason) is is_blocked


@pytest.mark.parametrize(
    ("went", "says"),
    [
        ((-54, -27, 0, 27, 54), ""),
        ((-28, -14, 0, 14, 28), ""),
        ((-26, -13, 0, 13, 26), "it went 52.00 deg where the lead went 108.00"),
        ((3, 3, 3, 3, 3), "it went 0.00 deg"),
        ((54, 27, 0, -27, -54), "it went the other way"),
        ((-54, 54, 0, -54, 54), "only 10 % of how it went is the lead's doing (correlation 0.316)"),
        ((-54, -54, 54, 54, 54), "only 75 %"),
    ],
    ids=["alike", "half", "less than half", "not at all", "against", "anyhow", "in one jump"],
)
def test_who_was_carried_along(went: tuple[float, ...], says: str) -> None:
    _, link = rudder()
    lead, member, _ = members(link)
    led = (-54.0, -27.0, 0.0, 27.0, 54.0)
    stations = [Station(deg / 60, {30: deg, 31: to}, {}, {}) for deg, to in zip(led, went, strict=True)]
    reasons = carried_reasons([lead, member], stations)
    assert [says in reason for reason in reasons] == ([True] if says else [])


@pytest.mark.parametrize(("left_deg", "step_cdeg", "is_noise"), [(0.19, 1, True), (0.21, 1, False), (0.4, 12, True)])
def test_noise_is_what_a_sensor_of_that_step_may_have(left_deg: float, step_cdeg: int, is_noise: bool) -> None:
    _, link = rudder()
    lead, member, _ = members(link)
    looks = {30: (0, 5, 10), 31: tuple(step_cdeg * at for at in (0, 3, 4, 9))}
    readings = [Station(0.0, {}, {}, looks)]
    assert step_deg(31, readings) == max(0.05, step_cdeg / 100)
    assert list(noise_reason(lead, member, fit_of(noise_deg=left_deg), readings)) == [] or not is_noise
    assert bool(list(noise_reason(lead, member, fit_of(noise_deg=left_deg), readings))) is not is_noise


def test_noise_is_told_of_the_member_and_not_of_the_lead() -> None:
    _, link = rudder()
    lead, member, _ = members(link)
    readings = [Station(0.0, {}, {}, {30: (0, 5, 10), 31: (0, 5, 10)})]
    assert matching._fit_reasons([lead, member], readings, {31: fit_of(0.0, 0.0, noise_deg=0.5)}) == [
        "rudder, middle: no table fits, 0.50 deg are left (standard deviation), and the sensors' step is 0.05 deg: "
        "that is no noise. Its rod slips or bends, or a sensor is worn"
    ]


def test_a_mismatch_within_four_times_the_noise_is_not_told_from_noise() -> None:
    _, link = rudder()
    (_, *others) = members(link)
    for after_deg, count in ((0.39, 0), (0.41, 2)):
        worst = {31: after_deg, 32: after_deg}
        assert len(result_reasons(others, {31: 0.1, 32: 0.1}, worst, {31: 0.1, 32: 0.1})) == count


@pytest.mark.parametrize(
    ("before", "after", "says"),
    [
        ((2.0, 1.0), (0.1, 0.1), []),
        ((0.05, 0.05), (0.15, 0.19), []),  # both may stand a dead band of 0.1 deg off
        ((2.0, 0.3), (0.1, 0.31), ["rudder, lower became worse: its greatest mismatch was 0.300 deg and is 0.310 deg"]),
        ((2.0, 1.0), (1.4, 0.5), []),
        ((2.0, 1.0), (1.5, 0.5), ["the new tables are not better: the greatest mismatch was 2.000 deg and is 1.500"]),
    ],
)
def test_what_has_to_be_better(before: tuple[float, float], after: tuple[float, float], says: list[str]) -> None:
    _, link = rudder()
    others = members(link)[1:]
    was, now = (dict(zip((31, 32), pair, strict=True)) for pair in (before, after))
    reasons = result_reasons(others, was, now, {31: 0.02, 32: 0.02})
    assert len(reasons) == len(says)
    assert all(text in reason for text, reason in zip(says, reasons, strict=True))


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
