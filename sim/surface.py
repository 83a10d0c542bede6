"""A control surface with its actuators: who pulls how hard, where it stands, and how it swings when nobody holds it.

Angles are degrees of the surface, torques N m at its hinge. Each member is linked to it by a stiffness of its own;
between shaft and link lies the backlash, between shaft and set-point the position loop:
- driven: a spring of stall torque * stiffness outside the dead band, plus the minimum drive, no more than the stall
  torque at this supply; friction holds the shaft against a difference up to its own size, so it stays where it was
  pushed last (hysteresis). What is more than stall torque and friction pushes it through;
- limp: friction alone; beyond it the shaft is carried along.
The surface stands where the torques of its members, the hinge moment, the unbalance and the hinge's friction balance:
for stiff members x = (sum k e - T) / sum k. Hinge moment: H = Ch q S c with q = rho v^2 / 2, S and c area and mean
chord of the movable part behind the hinge, Ch = b1 alpha + b2 delta per radian; H and delta count the same way.
Unbalance is a moment about the hinge that weighs with the cosine of the deflection.

The balance is found every 4 ms while something moves, at fixed moments, and at every change; a look in between
evaluates from the last of them and changes nothing, so how often one looks has no effect. Where nobody holds it the
surface swings as a mass on the spring that the air makes, exactly for constant friction between two moments.
Not modelled: inertia of the surface while somebody holds it (the link's own swing, above 20 Hz), air loads that lag,
the bend of the surface, links whose ratio changes over the travel. Without an inertia it is at once where it would
come to rest.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, NamedTuple

from sim.motion import Arm
from sim.motion_ring import Loop

GRID_NS: Final = 4_000_000
AIR_KG_M3: Final = 1.225
"""Density at sea level; ICAO Doc 7488, standard atmosphere."""
_RAD: Final = math.pi / 180
_TINY: Final = 1e-12
_STILL_DEG_S: Final = 1e-6
_STILL_NM: Final = 1e-9
"""A swing below both of these is over."""


@dataclass(frozen=True, slots=True)
class Hinge:
    """What acts on a surface besides its actuators.

    Attributes:
        area_m2, chord_m: of the movable part behind the hinge.
        b1, b2: hinge moment per radian of angle of attack and of deflection; b2 not above 0.
        alpha_deg: angle of attack.
        unbalance_nm: moment of its weight about the hinge when level, positive towards plus.
        friction_nm: Coulomb friction of the hinge.
        damping_nms: viscous damping, N m s/rad; used where it swings.
        inertia_kgm2: about the hinge; 0 where it is not to swing.
        stop_deg: the surface's own stops.
    """

    area_m2: float = 0.0
    chord_m: float = 0.0
    b1: float = 0.0
    b2: float = 0.0
    alpha_deg: float = 0.0
    unbalance_nm: float = 0.0
    friction_nm: float = 0.0
    damping_nms: float = 0.0
    inertia_kgm2: float = 0.0
    stop_deg: float = 90.0

    def moment_nm(self, deg: float, speed_m_s: float) -> float:
        """What pushes it towards plus at that deflection and airspeed, N m."""
        weight_nm = self.unbalance_nm * math.cos(deg * _RAD) if self.unbalance_nm else 0.0
        force = AIR_KG_M3 * speed_m_s**2 / 2 * self.area_m2 * self.chord_m
        return force * (self.b1 * self.alpha_deg + self.b2 * deg) * _RAD + weight_nm

    def spring_nm_rad(self, speed_m_s: float) -> float:
        """By how much the air pushes it back per radian."""
        return -AIR_KG_M3 * speed_m_s**2 / 2 * self.area_m2 * self.chord_m * self.b2


@dataclass(frozen=True, slots=True)
class Link:
    """How one actuator is linked to a surface; see `Member`."""

    stiffness_nm_deg: float
    ratio: float = 1.0
    offset_deg: float = 0.0


@dataclass(slots=True)
class Member:
    """One actuator on the surface.

    Attributes:
        label: its name.
        arm: where its shaft is.
        stall_nm: at the arm, at the rated supply.
        stiffness_nm_deg: of its linkage, per degree of the surface; may be infinite for none but the loop's.
        ratio: degrees of the surface per degree of the arm.
        offset_deg: where the surface would be with the arm in the middle.
    """

    label: str
    arm: Arm
    stall_nm: float
    stiffness_nm_deg: float
    ratio: float = 1.0
    offset_deg: float = 0.0

    def surface_deg(self, arm_deg: float) -> float:
        """Where the surface would be with the shaft there, without load and backlash."""
        return self.offset_deg + self.ratio * arm_deg

    def arm_at_deg(self, surface_deg: float) -> float:
        """The inverse."""
        return (surface_deg - self.offset_deg) / self.ratio

    @property
    def friction_nm(self) -> float:
        """What its shaft resists with, at the surface."""
        return self.stall_nm * self.arm.motor.friction / abs(self.ratio)

    @property
    def half_lash_deg(self) -> float:
        """Half of its backlash, at the surface."""
        return self.arm.motor.lash_deg / 2 * abs(self.ratio)

    @property
    def loop_nm_deg(self) -> float:
        """Stiffness of its position loop, at the surface."""
        return self.stall_nm * self.arm.power * self.arm.stiffness / self.ratio**2

    @property
    def series_nm_deg(self) -> float:
        """Link and loop one behind the other."""
        loop = self.loop_nm_deg
        if math.isinf(self.stiffness_nm_deg):
            return loop
        return loop * self.stiffness_nm_deg / (loop + self.stiffness_nm_deg)


class _Pull(NamedTuple):
    """What one member does at one moment: torque on the surface, its shaft's place (both at the surface), its drive."""

    nm: float
    shaft_deg: float
    drive_nm: float


class _State(NamedTuple):
    """At one moment: deflection and its speed, and for each member by how much it yields, or where it is if limp."""

    at_ns: int
    deg: float
    speed: float
    shafts: tuple[float, ...]


@dataclass(slots=True)
class _Spring:
    """One driven member at one moment, with all that does not depend on the surface."""

    wish_deg: float
    yields_deg: float
    link: float
    half_lash: float
    band: float
    loop: float
    least: float
    most: float
    friction: float

    @classmethod
    def of(cls, member: Member, wish_deg: float, yields_deg: float) -> _Spring:
        arm, ratio = member.arm, abs(member.ratio)
        most = member.stall_nm * max(0.0, arm.power) / ratio
        return cls(
            wish_deg,
            yields_deg,
            member.stiffness_nm_deg if math.isfinite(member.stiffness_nm_deg) else 1e9,
            member.half_lash_deg,
            arm.dead_band_deg * ratio,
            max(member.loop_nm_deg, _TINY),
            min(most, member.stall_nm * max(0.0, arm.power) * arm.minimum_drive / ratio),
            most,
            member.friction_nm,
        )

    def link_nm(self, yields_deg: float, surface_deg: float) -> float:
        """Torque on the surface."""
        off = self.wish_deg - yields_deg - surface_deg
        half = self.half_lash
        return self.link * (off - half if off > half else off + half if off < -half else 0.0)

    def drive_nm(self, yields_deg: float, seen_from: float | None = None) -> float:
        """What the drive gives at that error; at an edge as it is where `seen_from` lies, else as within."""
        near = yields_deg if seen_from is None else seen_from
        if abs(near) <= self.band:
            return 0.0
        return math.copysign(min(self.most, self.loop * (abs(yields_deg) - self.band) + self.least), near)

    def pull(self, surface_deg: float) -> _Pull:
        """With the surface there."""
        yields = self.yields_deg
        left = self.link_nm(yields, surface_deg) - self.drive_nm(yields)
        if left > self.friction:
            yields = self._yields_to(surface_deg, self.friction)
        elif left < -self.friction:
            yields = self._yields_to(surface_deg, -self.friction)
        nm = self.link_nm(yields, surface_deg)
        drive = self.drive_nm(yields)
        if abs(abs(yields) - self.band) < 1e-9:  # at the very edge it gives what is needed, up to the minimum drive
            drive = math.copysign(min(self.least, max(0.0, abs(nm) - self.friction)), nm)
        return _Pull(nm, self.wish_deg - yields, drive)

    def _yields_to(self, surface_deg: float, difference: float) -> float:
        """The error at which link and drive differ by just that; link minus drive falls with the error, with steps."""

        off = self.wish_deg - surface_deg
        end = self.band + (self.most - self.least) / self.loop
        knots = sorted({-end, -self.band, self.band, end, off - self.half_lash, off + self.half_lash})
        knots = [knots[0] - 1e4, *knots, knots[-1] + 1e4]
        for below, above in pairwise(knots):
            middle = (below + above) / 2
            high = self.link_nm(below, surface_deg) - self.drive_nm(below, middle) - difference
            if high <= 0:
                return below
            low = self.link_nm(above, surface_deg) - self.drive_nm(above, middle) - difference
            if low <= 0:
                return below + (above - below) * high / (high - low)
        return knots[-1]


class Surface:
    """See the module.

    Attributes:
        name: of the surface.
        members: its actuators, one to three.
        hinge: what else acts on it.
        extra_nm: a constant torque that pushes it towards minus, for whoever tries something.
    """

    def __init__(self, name: str, members: Iterable[Member], hinge: Hinge, clock: Callable[[], int]) -> None:
        self.name = name
        self.members = tuple(members)
        self.hinge = hinge
        self.extra_nm = 0.0
        self._clock = clock
        self._speed_m_s = 0.0
        self._hand: tuple[int, int, float, float] | None = None
        self._driven = tuple(member.arm.target_deg is not None for member in self.members)
        shafts = tuple(member.surface_deg(member.arm.position_deg) for member in self.members)
        self._state = _State(clock(), sum(shafts) / len(shafts), 0.0, shafts)
        self._awake = True
        for member in self.members:
            member.arm.mount = self
        self.changed(clock())
        self._show(self._state, clock())

    # --- what one may know ------------------------------------------------------------------------------------

    @property
    def deg(self) -> float:
        """Deflection now."""
        return self._now()[0].deg

    def torques_mnm(self) -> dict[str, float]:
        """What each member pulls with now, mN m at the hinge, positive towards plus."""
        return {member.label: pull.nm * 1000 for member, pull in zip(self.members, self._now()[1], strict=True)}

    def mismatch_deg(self) -> dict[str, float]:
        """By how much each driven member would have the surface elsewhere than they have it on average."""
        now = self._clock()
        self._catch_up(now)
        wishes = {one.label: self._wish_deg(one, now) for one in self.members if one.arm.target_deg is not None}
        middle = sum(wishes.values()) / len(wishes) if wishes else 0.0
        return {label: wish - middle for label, wish in wishes.items()}

    @property
    def airspeed_m_s(self) -> float:
        """How fast the air goes past it."""
        return self._speed_m_s

    def set_airspeed(self, speed_m_s: float) -> None:
        """From now on the air goes past so fast."""
        now = self._clock()
        self.changes(now)
        self._speed_m_s = speed_m_s
        self.changed(now)

    def put(self, deg: float) -> None:
        """Hold it there for a moment and let go of it at rest, now; limp members are carried along."""
        now = self._clock()
        self.changes(now)
        state = self._state
        self._state = state._replace(deg=deg, speed=0.0, shafts=self._carried(state.shafts, deg))
        self._awake = True

    def push(self, nm: float) -> None:
        """From now on a constant torque pushes it towards minus."""
        now = self._clock()
        self.changes(now)
        self.extra_nm = nm
        self.changed(now)

    def _now(self) -> tuple[_State, list[_Pull]]:
        now = self._clock()
        self._catch_up(now)
        state = self._stepped(now) if self._awake else self._state
        return state, self._pulls(state, state.deg, now)

    # --- as a mount of arms -----------------------------------------------------------------------------------

    def look(self, now_ns: int) -> None:
        """Let every arm on it be where it is at that moment."""
        self._catch_up(now_ns)
        self._show(self._stepped(now_ns) if self._awake else self._state, now_ns)

    def changes(self, now_ns: int) -> None:
        """Something about it or an arm on it is about to change."""
        self._catch_up(now_ns)
        if self._awake and now_ns > self._state.at_ns:
            self._commit(self._stepped(now_ns))
        else:
            self._state = self._state._replace(at_ns=max(now_ns, self._state.at_ns))
        self._show(self._state, now_ns)

    def changed(self, now_ns: int) -> None:
        """Something about it or an arm on it has changed."""
        shafts = list(self._state.shafts)
        for at, member in enumerate(self.members):
            is_driven = member.arm.target_deg is not None
            if is_driven != self._driven[at]:
                shaft_deg = member.surface_deg(member.arm.position_deg)
                shafts[at] = self._wish_deg(member, now_ns) - shaft_deg if is_driven else shaft_deg
        self._driven = tuple(member.arm.target_deg is not None for member in self.members)
        if any(self._driven):
            self._hand = None
        self._state = self._state._replace(at_ns=now_ns, shafts=tuple(shafts))
        self._awake = True
        self._commit(self._stepped(now_ns))
        self._awake = True

    def hand(self, arm: Arm, to_deg: float, over_ns: int, now_ns: int) -> bool:
        """A hand moves it to where this arm is at `to_deg`. Returns False where another arm holds it."""
        if any(self._driven):
            return False
        member = next(one for one in self.members if one.arm is arm)
        stop = self.hinge.stop_deg
        to = min(stop, max(-stop, member.surface_deg(to_deg)))
        self._hand = (now_ns, now_ns + max(1, over_ns), self._state.deg, to)
        self._awake = True
        return True

    # --- the balance ------------------------------------------------------------------------------------------

    def _catch_up(self, now_ns: int) -> None:
        while self._awake:
            due_ns = (self._state.at_ns // GRID_NS + 1) * GRID_NS
            if due_ns > now_ns:
                return
            before = self._state
            self._commit(self._stepped(due_ns))
            after = self._state
            self._awake = (
                self._hand is not None
                or after.speed != 0.0
                or abs(after.deg - before.deg) > _TINY
                or any(abs(a - b) > _TINY for a, b in zip(after.shafts, before.shafts, strict=True))
                or any(member.arm.is_on_its_way(due_ns) for member in self.members)
            )

    def _wish_deg(self, member: Member, now_ns: int) -> float:
        return member.surface_deg(member.arm.reference_deg(now_ns))

    def _commit(self, state: _State) -> None:
        self._state = state
        now_ns = state.at_ns
        if self._hand is not None and now_ns >= self._hand[1]:
            self._hand = None
        for member, pull in zip(self.members, self._pulls(state, state.deg, now_ns), strict=True):
            if member.arm.target_deg is not None:
                # a link that turns the other way also loads the other way
                load = pull.nm * member.ratio / member.stall_nm
                member.arm.loaded(load, abs(pull.drive_nm * member.ratio / member.stall_nm), now_ns)

    def _show(self, state: _State, now_ns: int) -> None:
        for member, pull in zip(self.members, self._pulls(state, state.deg, now_ns), strict=True):
            half_deg = member.half_lash_deg
            end_deg = min(pull.shaft_deg + half_deg, max(pull.shaft_deg - half_deg, state.deg))
            member.arm.place(member.arm_at_deg(pull.shaft_deg), member.arm_at_deg(end_deg), now_ns)

    def _pulls(self, state: _State, deg: float, now_ns: int) -> list[_Pull]:
        pulls = []
        for member, shaft in zip(self.members, state.shafts, strict=True):
            if member.arm.target_deg is not None:
                pulls.append(_Spring.of(member, self._wish_deg(member, now_ns), shaft).pull(deg))
            else:
                pulls.append(self._limp(member, shaft, deg))
        return pulls

    def _limp(self, member: Member, shaft_deg: float, deg: float) -> _Pull:
        """Carried along where the link pulls harder than the shaft's friction."""
        half, link = member.half_lash_deg, member.stiffness_nm_deg
        play = half + member.friction_nm / link
        shaft_deg = min(deg + play, max(deg - play, shaft_deg))
        off = shaft_deg - deg
        slack = off - math.copysign(half, off) if abs(off) > half else 0.0
        return _Pull(link * slack if math.isfinite(link) else 0.0, shaft_deg, 0.0)

    def _carried(self, shafts: tuple[float, ...], deg: float) -> tuple[float, ...]:
        return tuple(
            shaft if member.arm.target_deg is not None else self._limp(member, shaft, deg).shaft_deg
            for member, shaft in zip(self.members, shafts, strict=True)
        )

    def _stepped(self, now_ns: int) -> _State:
        """How it will be at that moment, by what is known now; nothing is changed by it."""
        state = self._state
        if self._hand is not None:
            start_ns, end_ns, from_deg, to_deg = self._hand
            share = min(1.0, max(0.0, (now_ns - start_ns) / (end_ns - start_ns)))
            deg = from_deg + (to_deg - from_deg) * share
            return _State(now_ns, deg, 0.0, self._carried(state.shafts, deg))
        if not any(self._driven) and self.hinge.inertia_kgm2:
            deg, speed = self._swung(state, (now_ns - state.at_ns) / 1e9)
            return _State(now_ns, deg, speed, self._carried(state.shafts, deg))
        springs = [
            _Spring.of(member, self._wish_deg(member, now_ns), shaft) if is_driven else None
            for member, shaft, is_driven in zip(self.members, state.shafts, self._driven, strict=True)
        ]

        def surplus(deg: float) -> float:
            nm = self.hinge.moment_nm(deg, self._speed_m_s) - self.extra_nm
            for member, shaft, spring in zip(self.members, state.shafts, springs, strict=True):
                nm += (self._limp(member, shaft, deg) if spring is None else spring.pull(deg)).nm
            return nm

        deg = self._balanced(state.deg, surplus)
        shafts = tuple(
            self._limp(member, shaft, deg).shaft_deg if spring is None else spring.wish_deg - spring.pull(deg).shaft_deg
            for member, shaft, spring in zip(self.members, state.shafts, springs, strict=True)
        )
        return _State(now_ns, deg, 0.0, shafts)

    def _balanced(self, from_deg: float, surplus: Callable[[float], float]) -> float:
        """Where nothing is left but what the hinge's friction holds; `surplus` falls with the deflection."""
        at, stop = surplus(from_deg), self.hinge.stop_deg
        if abs(at) <= self.hinge.friction_nm + _TINY:
            return from_deg
        hold = math.copysign(self.hinge.friction_nm, at)
        side = math.copysign(1.0, at)
        near, near_nm, step = from_deg, at - hold, 1e-3
        while True:  # outwards until it turns over
            far = near + side * step
            if abs(far) > stop:
                far = side * stop
            far_nm = surplus(far) - hold
            if far_nm * side <= 0:
                break
            if far == side * stop:
                return far
            near, near_nm, step = far, far_nm, step * 4
        return _crossing(near, near_nm, far, far_nm, lambda deg: surplus(deg) - hold)

    def _swung(self, state: _State, left_s: float) -> tuple[float, float]:
        """Deflection and speed after so long without anybody who holds it."""
        hinge, deg, speed = self.hinge, state.deg, state.speed
        friction = hinge.friction_nm + sum(member.friction_nm for member in self.members)
        inertia = hinge.inertia_kgm2
        if left_s <= 0:
            return deg, speed
        for _ in range(64):
            moment = hinge.moment_nm(deg, self._speed_m_s) - self.extra_nm
            if abs(speed) < _STILL_DEG_S and abs(moment) <= friction + _STILL_NM:
                return deg, 0.0
            way = math.copysign(1.0, speed or moment)
            if abs(deg) >= hinge.stop_deg and way * deg > 0:
                return math.copysign(hinge.stop_deg, deg), 0.0
            # about where it is, with what acts there; the air's part is linear, the weight's nearly so within a step
            spring = max(hinge.spring_nm_rad(self._speed_m_s), 1e-3 * inertia)
            loop = Loop(hinge.damping_nms / (2 * inertia), math.sqrt(spring / inertia))
            f = (moment - way * friction) / inertia / _RAD
            _, end_speed = loop.after(0.0, speed, f, left_s)
            if end_speed * way >= 0 and (speed or end_speed):
                on_deg, end_speed = loop.after(0.0, speed, f, left_s)
                return self._stopped(deg + on_deg, end_speed)
            low_s, high_s = 0.0, left_s
            for _ in range(60):  # where it turns round
                middle_s = (low_s + high_s) / 2
                turned = loop.after(0.0, speed, f, middle_s)[1] * way < 0
                low_s, high_s = (low_s, middle_s) if turned else (middle_s, high_s)
            deg, _ = self._stopped(deg + loop.after(0.0, speed, f, high_s)[0], 0.0)
            speed, left_s = 0.0, left_s - high_s
            if left_s <= 1e-12:
                break
        return deg, speed

    def _stopped(self, deg: float, speed: float) -> tuple[float, float]:
        stop = self.hinge.stop_deg
        return (deg, speed) if abs(deg) < stop else (math.copysign(stop, deg), 0.0)


def _crossing(near: float, near_nm: float, far: float, far_nm: float, left: Callable[[float], float]) -> float:
    """Where a falling function with kinks passes 0 between two places, by false position with halving (Illinois)."""
    low, low_nm, high, high_nm = near, near_nm, far, far_nm
    last = 0
    for _ in range(200):
        if high_nm == low_nm or abs(high - low) < 1e-13:
            break
        place = high - high_nm * (high - low) / (high_nm - low_nm)
        if not min(low, high) <= place <= max(low, high):
            place = (low + high) / 2
        nm = left(place)
        if abs(nm) < 1e-13:
            return place
        if nm * near_nm > 0:
            low, low_nm = place, nm
            high_nm = high_nm / 2 if last == 1 else high_nm
            last = 1
        else:
            high, high_nm = place, nm
            low_nm = low_nm / 2 if last == -1 else low_nm
            last = -1
    return high
