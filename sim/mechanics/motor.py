"""Motor and gear of an actuator: what current a torque takes, and where the power goes. Shared by all that drive.

A linear DC motor behind a gear, by its ratings. Torques and currents are counted in shares of stall:
- winding: share = drive - speed / emf speed, no more than the supply over its resistance gives (V / R);
- mechanics: share = inertia * acceleration + Coulomb friction + viscous drag + load.
No-load speed and no-load current are met with friction and drag, the stall current at stall; what the ratings leave
over, stall torque times speed against volts times amps, is lost in the gear and the commutator while it drives. While
it is driven (it brakes) nothing is lost there, and what the winding does not turn into heat goes back to the supply.
Every loss is thus at least nil, and the power at the terminals is that of shaft and losses together; `Books` keeps each
by its own formula. Not modelled: inductance (1 ms at most), a stiction that grows with the load, saturation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields
from typing import Final

RAD: Final = math.pi / 180
LEAST_TURNED_J: Final = 1e-6
"""A course that turned over less, stood still."""


@dataclass(frozen=True, slots=True)
class Motor:
    """Motor and gear of an arm, seen at the output. The default is ideal: it follows whatever it is told.

    Attributes:
        no_load_deg_s: speed without load at the rated supply.
        lag_s: time constant of motor and gear alone: inertia * no-load speed / stall torque.
        acceleration_deg_s2: the firmware's own limit; infinite for none.
        friction: Coulomb friction of motor and gear, as a share of the stall torque, below 1.
        lash_deg: backlash between gear and arm, whole width.
        added_inertia: what hangs on the arm, as a multiple of motor's and gear's own.
        idle_ma, hold_ma, moving_ma, stall_ma: current limp; holding; moving without load at full speed; at stall.
        stall_nm, rated_v: stall torque, and the supply that all this is for; 0 where nobody counts energy.
        drag: viscous, share of the stall torque at no-load speed; what the moving current leaves for it.
        emf_deg_s: speed at which the back EMF is the rated supply.
        share_s2_deg: inertia of motor and gear: share of the stall torque per deg/s^2.
        motor_ma: what a share of 1 takes more than holding does.
    """

    no_load_deg_s: float = math.inf
    lag_s: float = 0.0
    acceleration_deg_s2: float = math.inf
    friction: float = 0.0
    lash_deg: float = 0.0
    added_inertia: float = 0.0
    idle_ma: float = 0.0
    hold_ma: float = 0.0
    moving_ma: float = 0.0
    stall_ma: float = 0.0
    stall_nm: float = 0.0
    rated_v: float = 0.0
    drag: float = field(init=False)
    emf_deg_s: float = field(init=False)
    share_s2_deg: float = field(init=False)
    motor_ma: float = field(init=False)

    def __post_init__(self) -> None:
        ma = max(0.0, self.stall_ma - self.hold_ma)
        drag = max(0.0, (self.moving_ma - self.hold_ma) / ma - self.friction) if ma else 0.0
        drag = min(drag, 0.9 * (1 - self.friction))
        for name, value in (
            ("motor_ma", ma),
            ("drag", drag),
            ("emf_deg_s", self.no_load_deg_s / (1 - self.friction - drag)),
            ("share_s2_deg", self.lag_s * (1 - self.friction) / self.no_load_deg_s),
        ):
            object.__setattr__(self, name, value)

    # --- its line ---------------------------------------------------------------------------------------------

    def free_deg_s(self, drive: float) -> float:
        """Speed at which it runs steadily at that drive (share of the rated supply) towards plus, less its load."""
        return self.no_load_deg_s * (drive - self.friction) / (1 - self.friction)

    def share(self, speed_deg_s: float, acceleration: float, load: float = 0.0) -> float:
        """Torque share that this motion takes; `load` counts against plus, friction against the speed."""
        held = math.copysign(self.friction, speed_deg_s) if speed_deg_s else 0.0
        inertia = self.share_s2_deg * (1 + self.added_inertia)
        return inertia * acceleration + held + self.drag * speed_deg_s / self.no_load_deg_s + load

    # --- electrical -------------------------------------------------------------------------------------------

    def winding_ma(self, share: float, power: float = math.inf) -> float:
        """Current in the winding at that share; never more than `power` of the rated supply over its resistance."""
        ripple = self.hold_ma - self.idle_ma
        return min(ripple + self.motor_ma * abs(share), power * (ripple + self.motor_ma))

    @property
    def ohm(self) -> float:
        """Resistance from terminal to terminal of the winding; infinite where no stall current is stated."""
        ma = self.stall_ma - self.idle_ma
        return self.rated_v / ma * 1000 if ma > 0 else math.inf

    @property
    def inertia_kgm2(self) -> float:
        """Of motor, gear and what hangs on them, at the output."""
        return self.stall_nm * self.share_s2_deg * (1 + self.added_inertia) / RAD

    @property
    def efficiency(self) -> float:
        """Share of what winding and friction leave over that arrives at the output while it drives."""
        volt_amps = self.rated_v * self.motor_ma / 1000
        return self.stall_nm * self.emf_deg_s * RAD / volt_amps if volt_amps else math.inf if self.stall_nm else 1.0

    def electrical_w(self, share: float, speed_deg_s: float, power: float = math.inf) -> float:
        """Power into the winding: its voltage times its current, where only what makes torque meets the back EMF."""
        amps = self.winding_ma(share, power) / 1000
        turning = share * speed_deg_s
        if turning > 0:
            return self.ohm * amps**2 + self.rated_v * speed_deg_s / self.emf_deg_s * share * self.motor_ma / 1000
        return self.ohm * amps**2 + self.stall_nm * turning * RAD

    def lost_w(self, share: float, speed_deg_s: float) -> float:
        """What gear and commutator lose besides friction and drag."""
        turning = share * speed_deg_s * RAD
        return max(0.0, turning) * self.stall_nm * (1 / self.efficiency - 1) if turning > 0 else 0.0


IDEAL: Final = Motor()


@dataclass(slots=True)
class Books:
    """Energy of one course, J; each entry is the work of one force or loss, summed up on its own.

    Attributes:
        supplied: into the windings, as voltage times current; less what came back.
        brought: by what changes from outside (air, a push); what a change of it adds to what is stored.
        winding, lost: heat of the windings; gear and commutator.
        friction, drag: of motors and gears, Coulomb and viscous.
        hinge, damping: friction and damping of surface and links.
        stopped: what a stop took.
        turned: all that moved counted as positive, to measure an imbalance by.
    """

    supplied: float = 0.0
    brought: float = 0.0
    winding: float = 0.0
    lost: float = 0.0
    friction: float = 0.0
    drag: float = 0.0
    hinge: float = 0.0
    damping: float = 0.0
    stopped: float = 0.0
    turned: float = 0.0

    @property
    def heat(self) -> float:
        """All that became heat."""
        return self.winding + self.lost + self.friction + self.drag + self.hinge + self.damping + self.stopped

    def error(self, stored: float) -> float:
        """Imbalance over all that was turned over, where so much more is stored than at the begin.

        Less than LEAST_TURNED_J counts as that: of what stands still, only the rounding of stored joules is left.
        """
        off = self.supplied + self.brought - self.heat - stored
        return abs(off) / max(
            self.turned, abs(self.supplied), abs(self.brought), self.heat, abs(stored), LEAST_TURNED_J
        )

    def add(self, other: Books) -> None:
        """Sum up."""
        for one in fields(self):
            setattr(self, one.name, getattr(self, one.name) + getattr(other, one.name))
