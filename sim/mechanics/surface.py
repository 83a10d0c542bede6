"""A control surface with its actuators: torques, deflection and oscillation.

Surface and shafts are bodies with an inertia each; between a shaft and the surface lies its link, a spring behind
backlash; between shaft and set-point the position loop. `busproto.sim.mechanics.joint` moves them on step by step so
that energy is conserved: what the windings take in is what is stored more, plus heat (`Surface.books`, once
`keep_books` was called):
- driven: no more than the stall torque at this supply; at rest friction holds the shaft against a difference up to its
  own size, so it stays where it was pushed last (hysteresis). A torque above stall torque and friction together pushes
  it through;
- limp: no current flows, friction and drag alone resist; beyond friction the shaft is carried along.
At rest the surface stands where the torques of its members, the hinge moment, the unbalance and the hinge's friction
balance: for stiff members x = (sum k e - T) / sum k.

Steps are 1 ms while an actuator holds the surface and 0.25 ms while none does, at fixed moments, and end at every
change. A reading in between evaluates from the last step and changes nothing, so the number of readings has no effect.
Not modelled: air loads that lag, the bend of the surface, links whose ratio changes over the travel, stops of the
shafts; a hand moves surface and shafts without regard to forces. Without an inertia of its own the surface creeps,
within some milliseconds, to where it would come to rest.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from typing import Final

from busproto.sim.mechanics.hinge import Hinge, Link, Member
from busproto.sim.mechanics.joint import Joint, State, Wish, moving_j, step
from busproto.sim.mechanics.motion import Arm
from busproto.sim.mechanics.motor import RAD, Books

__all__ = ["Hinge", "Link", "Member", "Surface"]

GRID_NS: Final = 4_000_000
HELD_NS: Final = 1_000_000
FREE_NS: Final = 250_000
LOAD_S: Final = 0.02
"""A course is planned under the mean load of about this time."""
_STILL: Final = 1e-9
_TINY: Final = 1e-11
"""A surface stands if its parts turn slower than this, rad/s, and moved less than this in one grid step, rad."""


class Surface:
    """See the module.

    Attributes:
        name: of the surface.
        members: its actuators, one to three.
        hinge: the other loads on it.
        extra_nm: a constant torque towards minus, for experiments (`push`).
        books: energy account since `keep_books`; None before.
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
        deg = sum(shafts) / len(shafts)
        carried = tuple(shaft * RAD for shaft in self._carried(shafts, deg))
        self._state = State(clock(), deg * RAD, 0.0, carried, (0.0,) * len(shafts))
        self._awake = True
        self.books: Books | None = None
        self._links = [0.0] * len(shafts)
        self._loads = [0.0] * len(shafts)
        self._shares = [0.0] * len(shafts)
        self._watts = [0.0] * len(shafts)
        self._full = [False] * len(shafts)
        for member in self.members:
            member.arm.mount = self
        self.changed(clock())
        self._show(self._state, clock())

    # --- readings ---------------------------------------------------------------------------------------------

    @property
    def deg(self) -> float:
        """Deflection now, deg."""
        return self._now().rad / RAD

    def torques_mnm(self) -> dict[str, float]:
        """Torque of each member now, mN m at the hinge, positive towards plus."""
        state = self._now()
        pulls = (
            Joint(member, None, shaft, 0.0, state.rad, 1.0).link_nm(shaft - state.rad) * 1000
            for member, shaft in zip(self.members, state.shafts, strict=True)
        )
        return dict(zip((member.label for member in self.members), pulls, strict=True))

    def mismatch_deg(self) -> dict[str, float]:
        """For each driven member: the deflection it aims at, minus the mean of all driven members, deg."""
        now = self._clock()
        self._catch_up(now)
        wishes = {one.label: self._wish_deg(one, now) for one in self.members if one.arm.target_deg is not None}
        middle = sum(wishes.values()) / len(wishes) if wishes else 0.0
        return {label: wish - middle for label, wish in wishes.items()}

    @property
    def airspeed_m_s(self) -> float:
        """Airspeed, m/s."""
        return self._speed_m_s

    def set_airspeed(self, speed_m_s: float) -> None:
        """Set the airspeed from now on, m/s."""
        self._bring(lambda: setattr(self, "_speed_m_s", speed_m_s))

    def push(self, nm: float) -> None:
        """Apply a constant torque towards minus from now on, N m."""
        self._bring(lambda: setattr(self, "extra_nm", nm))

    def _bring(self, change: Callable[[], None]) -> None:
        """Make a change from outside and account for the stored energy that it adds."""
        now = self._clock()
        self.changes(now)
        before = self.stored_j()
        change()
        if self.books is not None:
            self.books.brought += self.stored_j() - before
        self.changed(now)

    def keep_books(self) -> Books:
        """Account for all energy from now on; a surface at rest is then calculated step by step as well."""
        self.changes(self._clock())
        self.changed(self._clock())
        self.books = Books()
        return self.books

    def put(self, deg: float) -> None:
        """Set the deflection now, at rest; limp members are carried along."""
        now = self._clock()
        self.changes(now)
        shafts = self._carried(tuple(one / RAD for one in self._state.shafts), deg)
        self._state = State(now, deg * RAD, 0.0, tuple(one * RAD for one in shafts), (0.0,) * len(shafts))
        self._awake = True

    def stored_j(self) -> float:
        """Energy of motion, links, air and weight now, J, relative to rest at 0 deg without load."""
        state, hinge = self._now(), self.hinge
        stored = hinge.stored_j(state.rad / RAD, self._speed_m_s) + self.extra_nm * state.rad
        stored += hinge.inertia_kgm2 * state.speed**2 / 2
        for member, shaft, turning in zip(self.members, state.shafts, state.turning, strict=True):
            stored += Joint(member, None, shaft, 0.0, state.rad, 1.0).link_j(shaft - state.rad)
            stored += moving_j(member, turning)
        return stored

    def _now(self) -> State:
        now = self._clock()
        self._catch_up(now)
        return self._stepped(now)

    # --- as a mount of arms -----------------------------------------------------------------------------------

    def look(self, now_ns: int) -> None:
        """Move every arm on it on to `now_ns`."""
        self._catch_up(now_ns)
        self._show(self._stepped(now_ns), now_ns)

    def changes(self, now_ns: int) -> None:
        """Called before it or an arm on it changes."""
        self._catch_up(now_ns)
        if now_ns > self._state.at_ns:
            self._commit(self._stepped(now_ns, commits=True))
        self._show(self._state, now_ns)

    def changed(self, now_ns: int) -> None:
        """Called after it or an arm on it has changed."""
        self._driven = tuple(member.arm.target_deg is not None for member in self.members)
        if any(self._driven):
            self._hand = None
        self._state = self._state._replace(at_ns=now_ns)
        self._awake = True

    def hand(self, arm: Arm, to_deg: float, over_ns: int, now_ns: int) -> bool:
        """Move it by hand until this arm is at `to_deg`. Returns False where another arm holds it."""
        if any(self._driven):
            return False
        member = next(one for one in self.members if one.arm is arm)
        stop = self.hinge.stop_deg
        to = min(stop, max(-stop, member.surface_deg(to_deg)))
        self._hand = (now_ns, now_ns + max(1, over_ns), self._state.rad / RAD, to)
        self._awake = True
        return True

    # --- step by step -----------------------------------------------------------------------------------------

    def _catch_up(self, now_ns: int) -> None:
        while self._awake:
            due_ns = (self._state.at_ns // GRID_NS + 1) * GRID_NS
            if due_ns > now_ns:
                return
            before = self._state
            self._commit(self._stepped(due_ns, commits=True))
            after = self._state
            ways = zip((after.rad, *after.shafts), (before.rad, *before.shafts), strict=True)
            self._awake = (
                self._hand is not None
                or self.books is not None
                or max(map(abs, (after.speed, *after.turning))) > _STILL
                or any(abs(a - b) > _TINY for a, b in ways)
                or any(member.arm.is_on_its_way(due_ns) for member in self.members)
            )
            if not self._awake:
                self._state = after._replace(speed=0.0, turning=(0.0,) * len(after.turning))
                self._tell(self._state.at_ns, 0)

    def _wish_deg(self, member: Member, now_ns: int) -> float:
        return member.surface_deg(member.arm.reference(now_ns)[0])

    def _wish(self, member: Member, from_ns: int, to_ns: int) -> Wish | None:
        if member.arm.target_deg is None:
            return None
        (begin, speed), (end, end_speed) = member.arm.reference(from_ns), member.arm.reference(to_ns)
        turns = member.ratio * RAD
        return Wish(member.surface_deg(begin) * RAD, speed * turns, member.surface_deg(end) * RAD, end_speed * turns)

    def _commit(self, state: State) -> None:
        lasted_ns = state.at_ns - self._state.at_ns
        self._state = state
        if self._hand is not None and state.at_ns >= self._hand[1]:
            self._hand = None
        self._tell(state.at_ns, lasted_ns)

    def _tell(self, now_ns: int, lasted_ns: int) -> None:
        """Pass to each driven arm its load and the root mean square of its recent current."""
        for at, member in enumerate(self.members):
            arm = member.arm
            # a link with a negative ratio also loads in the other direction
            load = self._links[at] * member.ratio / member.stall_nm
            if lasted_ns and arm.is_on_its_way(now_ns):
                fraction = -math.expm1(-lasted_ns / 1e9 / LOAD_S)
                load = self._loads[at] + (load - self._loads[at]) * fraction
            self._loads[at] = load
            if arm.target_deg is not None:
                arm.loaded(load, self._shares[at], now_ns, watts=self._watts[at], is_full=self._full[at])

    def _show(self, state: State, now_ns: int) -> None:
        deg = state.rad / RAD
        for member, shaft in zip(self.members, state.shafts, strict=True):
            half_deg, shaft_deg = member.half_lash_deg, shaft / RAD
            end_deg = min(shaft_deg + half_deg, max(shaft_deg - half_deg, deg))
            member.arm.place(member.arm_at_deg(shaft_deg), member.arm_at_deg(end_deg), now_ns)

    def _carried(self, shafts: tuple[float, ...], deg: float) -> tuple[float, ...]:
        """Angles of limp shafts after a move to `deg`: a shaft is carried along where its link overcomes friction."""
        carried = []
        for member, shaft in zip(self.members, shafts, strict=True):
            play = member.half_lash_deg + member.friction_nm / member.stiffness_nm_deg
            is_limp = member.arm.target_deg is None
            carried.append(min(deg + play, max(deg - play, shaft)) if is_limp else shaft)
        return tuple(carried)

    def _stepped(self, now_ns: int, *, commits: bool = False) -> State:
        """State at `now_ns` by what is known now; changes nothing unless it is to be `_commit`ted."""
        state = self._state
        if not self._awake or now_ns <= state.at_ns:
            return state
        if self._hand is not None:
            start_ns, end_ns, from_deg, to_deg = self._hand
            fraction = min(1.0, max(0.0, (now_ns - start_ns) / (end_ns - start_ns)))
            deg = from_deg + (to_deg - from_deg) * fraction
            shafts = self._carried(tuple(one / RAD for one in state.shafts), deg)
            return State(now_ns, deg * RAD, 0.0, tuple(one * RAD for one in shafts), (0.0,) * len(shafts))
        size_ns = HELD_NS if any(self._driven) else FREE_NS
        count, begin_ns = len(self.members), state.at_ns
        links, squares, joules = [0.0] * count, [0.0] * count, [0.0] * count
        while state.at_ns < now_ns:
            to_ns = min(now_ns, (state.at_ns // size_ns + 1) * size_ns)
            lasting_ns = to_ns - state.at_ns
            joints = [
                Joint(member, self._wish(member, state.at_ns, to_ns), shaft, turning, state.rad, lasting_ns / 1e9)
                for member, shaft, turning in zip(self.members, state.shafts, state.turning, strict=True)
            ]
            state = step(
                self.hinge,
                joints,
                state,
                speed_m_s=self._speed_m_s,
                extra_nm=self.extra_nm,
                step_ns=lasting_ns,
                books=self.books if commits else None,
            )
            for at, joint in enumerate(joints):
                links[at] += joint.nm * lasting_ns
                squares[at] += joint.fraction**2 * lasting_ns
                if commits:
                    joules[at] += joint.watts * lasting_ns
        if commits:
            self._links = [one / (now_ns - begin_ns) for one in links]
            self._shares = [math.sqrt(one / (now_ns - begin_ns)) for one in squares]
            self._watts = [one / (now_ns - begin_ns) for one in joules]
            self._full = [joint.is_full for joint in joints]
        return state
