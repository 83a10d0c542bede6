"""Whether the members of a gang are set to stand alike, and how hard they pull against each other where they are not.

Angles of arms are compared in the surface's sense: from each one's neutral, towards a positive demand. So two that are
built in as mirrors of each other (`direction`) agree where their presets have opposite signs. Neutrals themselves are
not compared: they say on which tooth of its spline each arm sits. A correction table is not compared either: it is
measured, so that they stand alike.

How hard they pull is an estimate from the ratings: the drive of each is used up a few degrees away from where it wants
to stand, and then it gives its stall torque, at its stall current.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from busproto.plan.check.rigging import gang_members, is_reversed, room_deg, setting
from busproto.plan.load import Gang, Plan, Role
from busproto.rig.gang import Fight, fight_over
from busproto.wire.parameters import BY_NAME, LOSS_HOLD, LOSS_LIMP, LOSS_PRESET

ALIKE_DEG: Final = 0.005
"""Half a count of an angle."""
DEMANDS: Final = tuple(step / 10 for step in range(-10, 11))
Curve = Callable[[float], float]
"""Where one wants its arm, deg in the surface's sense, at a demand -1..+1 or at one moment."""

FIGHT: Final = "on one surface they would fight"
CONSEQUENCES: Final = {
    "model": FIGHT,
    "firmware": FIGHT,
    "travel": FIGHT,
    "end-low, end-high": "at the end of the sweep they would fight",
    "loss-action": "when the demand is lost they would not do the same",
    "preset": "when the demand is lost they would fight",
    "loss-time-out": "when the demand is lost one acts before the other",
    "slew-limit": "in a fast move one runs ahead of the other",
    "soft-start": "when they take hold one runs ahead of the other",
    "stiffness": "the stiffer one carries more of the load",
    "dead-band": "within the difference the one with the smallest holds alone",
    "minimum-drive": "the one with more is the first to push",
    "damping": "in a fast move one is held back more than the other",
    "over-temperature": "the one with the lowest goes limp first, and the others carry its load",
}
"""What is compared, and what comes of it where it differs."""
ADVICE: Final = frozenset({"minimum-drive", "damping", "over-temperature"})
"""Where a difference is no error: it decides neither where they stand nor, for long, how hard."""


@dataclass(frozen=True, slots=True)
class Unlike:
    """One thing in which the members of a gang differ.

    Attributes:
        name: of the setting, or of what is compared.
        values: what each member has, as a person reads it, in their order.
        settings: the settings that decide it, to say where they stand.
        consequence: what comes of it, and how hard they would pull.
        is_error: they would stand or hold differently.
    """

    name: str
    values: tuple[str, ...]
    settings: tuple[str, ...]
    consequence: str
    is_error: bool


def unlikes(plan: Plan, gang: Gang) -> Iterator[Unlike]:
    """Everything in which the members of a gang differ."""
    roles = [plan.roles[member] for member in gang.members]
    models, firmwares = (role.model or "" for role in roles), (role.firmware or "" for role in roles)
    for name, values in (("model", tuple(models)), ("firmware", tuple(firmwares))):
        if len(set(values) - {""}) > 1:
            yield _unlike(name, tuple(one or "not stated" for one in values), (name,))
    if _differ(travels := [setting(role, "travel") / 100 for role in roles]):
        curves = [_following(half_deg=travel / 2, room=(180.0, 180.0)) for travel in travels]
        yield _unlike("travel", _texts(roles, "travel"), ("travel",), _over_demands(plan, gang, curves))
    yield from _ends(plan, gang, roles)
    yield from _loss(plan, gang, roles)
    yield from _timing(plan, gang, roles)
    for name in ("stiffness", "dead-band", "minimum-drive", "damping", "over-temperature"):
        if _differ([setting(role, name) for role in roles]):
            yield _unlike(name, _texts(roles, name), (name,))


def _unlike(name: str, values: tuple[str, ...], settings: tuple[str, ...], how_hard: str = "") -> Unlike:
    return Unlike(name, values, settings, CONSEQUENCES[name] + how_hard, name not in ADVICE)


def _differ(values: Sequence[float]) -> bool:
    return max(values) - min(values) > ALIKE_DEG


def _texts(roles: Sequence[Role], name: str) -> tuple[str, ...]:
    return tuple(BY_NAME[name].text(role.settings[name]) for role in roles)


def _ends(plan: Plan, gang: Gang, roles: Sequence[Role]) -> Iterator[Unlike]:
    """Ends, stops and neutral cut the sweep of one, but not of the other."""
    half_deg = min(setting(role, "travel") for role in roles) / 200
    rooms = [room_deg(plan, role) for role in roles]
    reached = [(min(half_deg, low), min(half_deg, high)) for low, high in rooms]
    if _differ([low for low, _ in reached]) or _differ([high for _, high in reached]):
        values = tuple(f"stops at -{low:.2f} and +{high:.2f} deg" for low, high in reached)
        curves = [_following(half_deg, room) for room in rooms]
        settings = ("end-low", "end-high", "neutral")
        yield _unlike("end-low, end-high", values, settings, _over_demands(plan, gang, curves))


def _following(half_deg: float, room: tuple[float, float]) -> Curve:
    return lambda demand: max(-room[0], min(room[1], demand * half_deg))


def _preset_deg(role: Role) -> float:
    away_deg = (setting(role, "preset") - setting(role, "neutral")) / 100
    return -away_deg if is_reversed(role) else away_deg


def _loss(plan: Plan, gang: Gang, roles: Sequence[Role]) -> Iterator[Unlike]:
    actions = [setting(role, "loss-action") for role in roles]
    presets = [
        _preset_deg(role) if action == LOSS_PRESET else None for role, action in zip(roles, actions, strict=True)
    ]
    told = [one for one in presets if one is not None]
    half_deg = min(setting(role, "travel") for role in roles) / 200
    # how far a preset can be from where the others still stand
    far_deg = max((max(abs(half_deg - one), abs(-half_deg - one)) for one in told), default=0.0)
    if len(set(actions)) > 1:
        how_hard = ""
        if told and LOSS_HOLD in actions:
            how_hard = _at_once(plan, gang, [0.0 if one is None else far_deg for one in presets])
        elif LOSS_LIMP in actions:
            how_hard = "; the ones that go limp leave the load to the others"
        yield _unlike("loss-action", _texts(roles, "loss-action"), ("loss-action",), how_hard)
    elif told and _differ(told):
        values = tuple(f"{one:+.2f} deg" for one in told)
        how_hard = _at_once(plan, gang, told)
        yield _unlike("preset", values, ("preset", "direction", "neutral"), how_hard)
    if _differ(times := [float(setting(role, "loss-time-out")) for role in roles]):
        how_hard = ""
        if told:
            first = min(times)
            at = [
                far_deg if time == first and one is not None else 0.0 for time, one in zip(times, presets, strict=True)
            ]
            how_hard = _at_once(plan, gang, at)
        yield _unlike("loss-time-out", _texts(roles, "loss-time-out"), ("loss-time-out",), how_hard)


def _timing(plan: Plan, gang: Gang, roles: Sequence[Role]) -> Iterator[Unlike]:
    travel_deg = min(setting(role, "travel") for role in roles) / 100
    speeds = [setting(role, "slew-limit") / 10 for role in roles]
    if _differ(speeds):  # a step over the whole travel, at the moment when the fastest is there
        at = [travel_deg * speed / max(speeds) for speed in speeds]
        yield _unlike("slew-limit", _texts(roles, "slew-limit"), ("slew-limit",), _at_once(plan, gang, at))
    starts = [setting(role, "soft-start") / 1000 for role in roles]
    if _differ(starts):  # the speed rises evenly over the time, so each is half a time late
        least = min(starts)
        at = [max(-travel_deg, -min(speeds) * (start - least) / 2) for start in starts]
        yield _unlike("soft-start", _texts(roles, "soft-start"), ("soft-start",), _at_once(plan, gang, at))


# --- how hard ---------------------------------------------------------------------------------------------------


def _over_demands(plan: Plan, gang: Gang, arms: Sequence[Curve]) -> str:
    return _how_hard(plan, gang, arms, DEMANDS)


def _at_once(plan: Plan, gang: Gang, arms_deg: Sequence[float]) -> str:
    return _how_hard(plan, gang, [_always(one) for one in arms_deg], (0.0,))


def _always(angle_deg: float) -> Curve:
    return lambda _: angle_deg


def _how_hard(plan: Plan, gang: Gang, arms: Sequence[Curve], places: Sequence[float]) -> str:
    found = gang_members(plan, gang.members)
    if found is None:
        return "; how hard is not known: the fleet map does not tell stall-torque and stall-current of each"
    members, ratio, where = found
    errors: list[Curve] = [_times(arm, ratio) for arm in arms]
    worst: Fight = max(fight_over(members, errors, places), key=lambda one: one.worst_nm)
    at = max(range(len(members)), key=lambda one: abs(worst.torques_nm[one]))
    assert worst.total_ma is not None
    return (
        f": '{gang.members[at]}' would pull with up to {worst.worst_nm:.2f} N m {where}, and all of them draw "
        f"{worst.total_ma / 1000:.1f} A, by their ratings"
    )


def _times(curve: Curve, factor: float) -> Curve:
    return lambda place: factor * curve(place)
