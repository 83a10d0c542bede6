"""One step in the motion of a surface and of the shafts linked to it, with all energy accounted for.

Each body obeys inertia * change of speed = mean force over the step, and moves by its mean speed (implicit midpoint).
The mean force of a spring is the change of its stored energy divided by the way (a discrete gradient); the same holds
for the weight. So the work of a force over a step, mean force times way, is exactly the change of stored energy, and
friction, damping and the winding only take energy. The imbalance is the tolerance of the solution (1e-12). Angles are
radians of the surface, torques N m at its hinge.
- link: a spring behind backlash, with a damping that would take its speed in LINK_LOSS_S;
- shaft: inertia of motor and gear, Coulomb friction, drag, and the drive, which is the line of
`busproto.sim.mechanics.motor`;
- drive: what the course takes by itself, plus stiffness outside the dead band, minimum drive, damping; as much as the
  supply gives, and no more current than that over the winding's resistance. The minimum drive comes on over 0.01 deg.
Sources: Gonzalez, J. Nonlinear Science 6 (1996), discrete gradients; Hairer, Lubich & Wanner, Geometric Numerical
Integration; both from memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final, NamedTuple

from busproto.sim.mechanics.hinge import Hinge, Member
from busproto.sim.mechanics.motion_ring import FULL_DAMPING
from busproto.sim.mechanics.motor import RAD, Books

LINK_LOSS_S: Final = 0.0005
SETS_IN: Final = 0.01 * RAD
STIFFEST: Final = 1e9 / RAD
CREEP_S: Final = 0.002
CREEP_NM: Final = 0.05
"""A surface without inertia yields to a moment like a dashpot: this, plus a part of its springs, per CREEP_S."""
_PART: Final = 0.01
_DONE: Final = 1e-13
_TINY: Final = 1e-12


class Slide(NamedTuple):
    """A solution: mean speed, residual torque there and its slope, and whether friction or a stop holds the body."""

    speed: float
    over: float
    slope: float
    is_stuck: bool = False
    is_stopped: bool = False


def slide(
    left: Callable[[float], tuple[float, float]], guess: float, friction: float, low: float, high: float
) -> Slide:
    """The mean speed at which the residual torque is zero, or is held by friction or by a stop at `low` or `high`.

    `left` gives the residual torque without friction, which rises with the speed, and its slope; its last call is with
    the speed that is returned.
    """
    way = 0.0
    if guess and friction:
        way = math.copysign(1.0, guess)
    elif friction:
        way = _way(*left(0.0), friction)
        if not way:
            return Slide(0.0, 0.0, 0.0, is_stuck=True)
    stops = (low, high)
    if way > 0:
        low = 0.0
    elif way < 0:
        high = 0.0
    speed = min(high, max(low, guess))
    before = math.inf
    for number in range(200):
        over, slope = left(speed)
        over += way * friction
        if (speed == stops[1] and over < 0) or (speed == stops[0] and over > 0):
            return Slide(speed, over, slope, is_stopped=True)
        if abs(over) <= _DONE or high - low <= 1e-16 * abs(speed):
            break
        if over > 0:
            high = min(high, speed)
        else:
            low = max(low, speed)
        wanted = speed - over / slope if slope > 0 else math.copysign(math.inf, -over)
        if abs(wanted - speed) <= 1e-15 * abs(speed):
            break
        if way and wanted * way <= 0 and min(abs(low), abs(high)) == 0.0:
            # perhaps it does not move in that direction at all
            turned = _way(*left(0.0), friction)
            if not turned:
                return Slide(0.0, 0.0, 0.0, is_stuck=True)
            if turned != way:
                return slide(left, 0.0 if not guess else turned * 1e-300, friction, *stops)
            wanted = speed / 2
        if (wanted >= stops[1] and high == stops[1]) or (wanted <= stops[0] and low == stops[0]):
            wanted = stops[1] if wanted > 0 else stops[0]
        elif not low < wanted < high or (number % 4 == 3 and high - low > before / 2):
            middle = (low + high) / 2
            wanted = middle if math.isfinite(middle) else speed - math.copysign(abs(speed) + 1e-6, over)
        if number % 4 == 3:
            before = high - low
        if wanted == speed:
            break
        speed = wanted
    return Slide(speed, over, slope)


def _way(held: float, _: float, friction: float) -> float:
    """Direction in which it moves from a standstill under that residual torque; 0 where friction holds it."""
    return 0.0 if abs(held) <= friction else -1.0 if held > 0 else 1.0


class State(NamedTuple):
    """Angle and speed of the surface and of each shaft at one moment, rad and rad/s."""

    at_ns: int
    rad: float
    speed: float
    shafts: tuple[float, ...]
    turning: tuple[float, ...]


class Wish(NamedTuple):
    """Set-point of a driven shaft at begin and end of a step, rad and rad/s of the surface."""

    rad: float
    speed: float
    end_rad: float
    end_speed: float


class Joint:
    """One member during one step of a known length.

    Attributes:
        nm: mean torque of its link on the surface.
        fraction: mean torque of its motor, as a fraction of the rated stall torque.
        is_full: the drive is at the limit that the supply sets.
    """

    __slots__ = (
        "_band",
        "_damp",
        "_drag",
        "_emf",
        "_end_rad",
        "_feeds",
        "_friction",
        "_half",
        "_inertia",
        "_is_driven",
        "_least",
        "_link",
        "_loss",
        "_power",
        "_rises",
        "_shaft",
        "_stall",
        "_step_s",
        "_stiff",
        "_twist",
        "_was",
        "_wish_speed",
        "fraction",
        "is_full",
        "is_stuck",
        "member",
        "nm",
        "speed",
    )

    def __init__(
        self, member: Member, wish: Wish | None, shaft: float, turning: float, surface: float, step_s: float
    ) -> None:
        arm, ratio = member.arm, abs(member.ratio)
        motor = arm.motor
        self.member = member
        self._step_s = step_s
        self._stall = stall = member.stall_nm / ratio
        per_rad = 1 / (ratio * RAD)  # degrees of the arm for a radian of the surface
        inertia = stall * motor.fraction_s2_deg * (1 + motor.added_inertia) * per_rad
        self._inertia = 2 * inertia / step_s
        self._friction = stall * motor.friction
        self._drag = stall * motor.drag / motor.no_load_deg_s * per_rad
        self._link = min(STIFFEST, member.stiffness_nm_deg / RAD)
        self._loss = self._link * LINK_LOSS_S
        self._half = member.half_lash_deg * RAD
        self._shaft, self._was = shaft, turning
        self._twist = shaft - surface
        if abs(self._twist) < self._half:
            self._loss = 0.0
        self.speed = turning
        self.nm = self.fraction = 0.0
        self.is_stuck = self.is_full = False
        self._is_driven = wish is not None
        if wish is None:
            return
        self._power = power = max(0.0, arm.power)
        self._emf = per_rad / motor.emf_deg_s
        self._stiff = power * arm.stiffness * per_rad
        self._least = power * arm.minimum_drive
        self._band = arm.dead_band_deg * ratio * RAD
        self._damp = FULL_DAMPING * arm.damping * per_rad / motor.no_load_deg_s
        self._end_rad = wish.end_rad
        self._wish_speed = speed = (wish.end_rad - wish.rad) / step_s
        gain = (wish.end_speed - wish.speed) / step_s
        self._feeds = motor.fraction_s2_deg * per_rad * gain + self._emf * speed
        self._feeds += motor.drag * per_rad * speed / motor.no_load_deg_s
        if speed:
            self._feeds += math.copysign(motor.friction, speed)

    def link_nm(self, twist: float) -> float:
        """Torque of the link's spring on the surface at that twist."""
        half = self._half
        return self._link * (twist - half if twist > half else twist + half if twist < -half else 0.0)

    def link_j(self, twist: float) -> float:
        """Energy stored in the link's spring at that twist, J."""
        return self._link * max(0.0, abs(twist) - self._half) ** 2 / 2

    def _mean_link(self, end: float) -> tuple[float, float]:
        """Mean torque of the spring from the begin of the step to twist `end`, and its slope over `end`."""
        begin, half, link = self._twist, self._half, self._link
        if not half:
            return link * (begin + end) / 2, link / 2
        if begin >= half and end >= half:
            return link * ((begin + end) / 2 - half), link / 2
        if begin <= -half and end <= -half:
            return link * ((begin + end) / 2 + half), link / 2
        if abs(begin) <= half and abs(end) <= half:
            return 0.0, 0.0
        way = end - begin
        if abs(way) < _TINY:
            return self.link_nm((begin + end) / 2), link / 2
        mean = (self.link_j(end) - self.link_j(begin)) / way
        return mean, (self.link_nm(end) - mean) / way

    def _drive(self, speed: float) -> tuple[float, float]:
        """Torque fraction of the motor at that mean speed, and how it falls with the speed."""
        if not self._is_driven:
            return 0.0, 0.0
        power = self._power
        off = self._end_rad - self._shaft - speed * self._step_s
        beyond = abs(off) - self._band
        drive = self._feeds + self._damp * (self._wish_speed - speed)
        falls = self._damp
        if beyond > 0:
            loop, rises = self._stiff * beyond, self._stiff
            if beyond < SETS_IN:
                loop += self._least * beyond / SETS_IN
                rises += self._least / SETS_IN
            else:
                loop += self._least
            drive += math.copysign(loop, off)
            falls += rises * self._step_s
        self.is_full = abs(drive) >= power
        if drive > power:
            drive, falls = power, 0.0
        elif drive < -power:
            drive, falls = -power, 0.0
        fraction = drive - self._emf * speed
        if fraction > power:
            return power, 0.0
        if fraction < -power:
            return -power, 0.0
        return fraction, falls + self._emf

    def _left(self, speed: float, surface_speed: float) -> tuple[float, float, float]:
        """Residual torque at that mean speed without friction, its slope, and the link's part of the slope."""
        slip = speed - surface_speed
        link, rises = self._mean_link(self._twist + slip * self._step_s)
        rises = rises * self._step_s + self._loss
        self.nm = link + self._loss * slip
        self.fraction, falls = self._drive(speed)
        left = self._inertia * (speed - self._was) + self._drag * speed + self.nm - self._stall * self.fraction
        return left, self._inertia + self._drag + rises + self._stall * falls, rises

    def solve(self, surface_speed: float) -> float:
        """Find the shaft's mean speed for that of the surface. Returns how the link's torque falls with the latter."""

        def left(speed: float) -> tuple[float, float]:
            over, slope, self._rises = self._left(speed, surface_speed)
            return over, slope

        found = slide(left, self.speed or self._was, self._friction, -math.inf, math.inf)
        self.speed, self.is_stuck = found.speed, found.is_stuck
        rises = self._rises
        return rises * (1 - rises / found.slope) if found.slope and not found.is_stuck else rises

    # --- after the step ---------------------------------------------------------------------------------------

    @property
    def end(self) -> tuple[float, float]:
        """Angle and speed at the end of the step."""
        if self.is_stuck:
            return self._shaft, 0.0
        end_speed = 2 * self.speed - self._was if self._inertia else self.speed
        return self._shaft + self.speed * self._step_s, end_speed

    @property
    def watts(self) -> float:
        """Mean power into its winding, W."""
        if not self._is_driven:
            return 0.0
        arm = self.member.arm
        return arm.motor.electrical_w(self.fraction, self.speed / (abs(self.member.ratio) * RAD), arm.power)

    def book(self, books: Books, surface_speed: float) -> None:
        """Add the energies of the step to the books."""
        step_s, speed, slip = self._step_s, self.speed, self.speed - surface_speed
        motor, arm = self.member.arm.motor, self.member.arm
        arm_speed = speed / (abs(self.member.ratio) * RAD)
        if self._is_driven:
            fraction = self.fraction
            supplied = self.watts * step_s
            books.supplied += supplied
            books.winding += motor.ohm * (motor.winding_ma(fraction, arm.power) / 1000) ** 2 * step_s
            books.lost += motor.lost_w(fraction, arm_speed) * step_s
            books.turned += abs(supplied)
        books.friction += self._friction * abs(speed) * step_s
        if self.is_stuck:  # the last of its kinetic energy
            books.friction += self._inertia * step_s / 2 * self._was**2 / 2
        books.drag += self._drag * speed * speed * step_s
        books.damping += self._loss * slip * slip * step_s
        books.turned += abs(self.nm * speed) * step_s


def moving_j(member: Member, turning: float) -> float:
    """Kinetic energy, J, of a shaft with its load inertia; `turning` is its speed at the surface, rad/s."""
    return member.arm.motor.inertia_kgm2 / member.ratio**2 * turning**2 / 2


def step(
    hinge: Hinge,
    joints: list[Joint],
    state: State,
    *,
    speed_m_s: float,
    extra_nm: float,
    step_ns: int,
    books: Books | None = None,
) -> State:
    """Surface and shafts after one step; the joints then hold torques and energies of the step."""
    step_s = step_ns / 1e9
    rad, was = state.rad, state.speed
    stop, spring = hinge.stop_deg * RAD, hinge.spring_nm_rad(speed_m_s)
    steady = hinge.moment_nm(0.0, speed_m_s) - hinge.unbalance_nm - extra_nm
    weight = hinge.unbalance_nm
    inertia, damping = 2 * hinge.inertia_kgm2 / step_s, hinge.damping_nms
    if not inertia:
        damping += CREEP_S * (CREEP_NM + spring + _PART * sum(min(1e3, one._link) for one in joints))

    def left(speed: float) -> tuple[float, float]:
        """Residual torque at that mean speed without the hinge's friction, and its slope."""
        half_way = speed * step_s / 2
        middle = rad + half_way
        slope = inertia + damping + spring * step_s / 2
        nm = inertia * (speed - was) + damping * speed + spring * middle - steady
        if weight:
            nm -= weight * math.cos(middle) * (math.sin(half_way) / half_way if abs(half_way) > 1e-9 else 1.0)
            slope += weight * math.sin(middle) * step_s / 2
        for one in joints:
            slope += one.solve(speed)
            nm -= one.nm
        return nm, slope

    friction = hinge.friction_nm
    found = slide(left, was, friction, (-stop - rad) / step_s, (stop - rad) / step_s)
    speed, is_stuck, is_stopped = found.speed, found.is_stuck, found.is_stopped
    end_speed = 0.0 if is_stuck or is_stopped or not inertia else 2 * speed - was
    if books is not None:
        for one in joints:
            one.book(books, speed)
        books.hinge += friction * abs(speed) * step_s
        if is_stuck:
            books.hinge += hinge.inertia_kgm2 * was**2 / 2
        books.damping += damping * speed * speed * step_s
        if is_stopped:
            books.stopped -= found.over * speed * step_s
            books.stopped += hinge.inertia_kgm2 * (2 * speed - was) ** 2 / 2
        moved = abs(speed) * step_s
        books.turned += moved * abs(steady + weight - spring * rad)
    ends = [one.end for one in joints]
    end_rad = rad + speed * step_s
    return State(
        state.at_ns + step_ns,
        math.copysign(stop, end_rad) if is_stopped else end_rad,
        end_speed,
        tuple(place for place, _ in ends),
        tuple(turning for _, turning in ends),
    )
