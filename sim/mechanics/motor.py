"""Motor and gear of an actuator: the current for a torque, and the losses. Shared by all arms.

A linear DC motor behind a gear, by its ratings. Torques and currents are fractions of the stall values:
- winding: fraction = drive - speed / emf speed, no more than the supply over its resistance gives (V / R);
- mechanics: fraction = inertia * acceleration + Coulomb friction + viscous drag + load.
No-load speed and no-load current are met with friction and drag, the stall current at stall; what the ratings leave
over, stall torque times speed against volts times amps, is lost in the gear and the commutator while it drives. While
it is driven (it brakes) nothing is lost there, and what the winding does not turn into heat goes back to the supply.
So no loss is negative, and the power at the terminals is that of shaft and losses together; `Books` keeps each
by its own formula. Not modelled: inductance (1 ms at most), a stiction that grows with the load, saturation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields
from typing import Final

RAD: Final = math.pi / 180
LEAST_TURNED_J: Final = 1e-6
"""Energy, J, below which a course counts as standing still."""


@dataclass(frozen=True, slots=True)
class Motor:
    """Motor and gear of an arm, seen at the output. The default is ideal: it follows any demand at once.

    Attributes:
        no_load_deg_s: speed without load at the rated supply.
        lag_s: time constant of motor and gear alone: inertia * no-load speed / stall torque.
        acceleration_deg_s2: the firmware's own limit; infinite for none.
        friction: Coulomb friction of motor and gear, as a fraction of the stall torque, below 1.
        lash_deg: backlash between gear and arm, whole width.
        added_inertia: load inertia on the arm, as a multiple of motor's and gear's own.
        idle_ma, hold_ma, moving_ma, stall_ma: current limp; holding; moving without load at full speed; at stall.
        stall_nm, rated_v: stall torque, and the rated supply that these values hold for; 0 where energy is not counted.
        drag: viscous friction at no-load speed, as a fraction of the stall torque; follows from the moving current.
        emf_deg_s: speed at which the back EMF is the rated supply.
        fraction_s2_deg: inertia of motor and gear: fraction of the stall torque per deg/s^2.
        motor_ma: current at a fraction of 1, above that of holding.
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
    fraction_s2_deg: float = field(init=False)
    motor_ma: float = field(init=False)

    def __post_init__(self) -> None:
        ma = max(0.0, self.stall_ma - self.hold_ma)
        drag = max(0.0, (self.moving_ma - self.hold_ma) / ma - self.friction) if ma else 0.0
        drag = min(drag, 0.9 * (1 - self.friction))
        for name, value in (
            ("motor_ma", ma),
            ("drag", drag),
            ("emf_deg_s", self.no_load_deg_s / (1 - self.friction - drag)),
            ("fraction_s2_deg", self.lag_s * (1 - self.friction) / self.no_load_deg_s),
        ):
            object.__setattr__(self, name, value)

    # --- its line ---------------------------------------------------------------------------------------------

    def free_deg_s(self, drive: float) -> float:
        """Steady speed towards plus, deg/s; `drive` is a fraction of the rated supply, minus the load fraction."""
        return self.no_load_deg_s * (drive - self.friction) / (1 - self.friction)

    def torque_fraction(self, speed_deg_s: float, acceleration: float, load: float = 0.0) -> float:
        """Torque fraction that this motion takes; `load` counts against plus, friction against the speed."""
        held = math.copysign(self.friction, speed_deg_s) if speed_deg_s else 0.0
        inertia = self.fraction_s2_deg * (1 + self.added_inertia)
        return inertia * acceleration + held + self.drag * speed_deg_s / self.no_load_deg_s + load

    # --- electrical -------------------------------------------------------------------------------------------

    def winding_ma(self, fraction: float, power: float = math.inf) -> float:
        """Current in the winding at that fraction; never more than `power` of the rated supply over its resistance."""
        ripple = self.hold_ma - self.idle_ma
        return min(ripple + self.motor_ma * abs(fraction), power * (ripple + self.motor_ma))

    @property
    def ohm(self) -> float:
        """Resistance from terminal to terminal of the winding; infinite where no stall current is stated."""
        ma = self.stall_ma - self.idle_ma
        return self.rated_v / ma * 1000 if ma > 0 else math.inf

    @property
    def inertia_kgm2(self) -> float:
        """Inertia of motor, gear and load at the output, kg m^2."""
        return self.stall_nm * self.fraction_s2_deg * (1 + self.added_inertia) / RAD

    @property
    def efficiency(self) -> float:
        """Fraction of the power after winding and friction losses that arrives at the output while it drives."""
        volt_amps = self.rated_v * self.motor_ma / 1000
        return self.stall_nm * self.emf_deg_s * RAD / volt_amps if volt_amps else math.inf if self.stall_nm else 1.0

    def electrical_w(self, fraction: float, speed_deg_s: float, power: float = math.inf) -> float:
        """Power into the winding, W: voltage times current; only the torque-making current meets the back EMF."""
        amps = self.winding_ma(fraction, power) / 1000
        turning = fraction * speed_deg_s
        if turning > 0:
            return self.ohm * amps**2 + self.rated_v * speed_deg_s / self.emf_deg_s * fraction * self.motor_ma / 1000
        return self.ohm * amps**2 + self.stall_nm * turning * RAD

    def lost_w(self, fraction: float, speed_deg_s: float) -> float:
        """Losses of gear and commutator besides friction and drag, W."""
        turning = fraction * speed_deg_s * RAD
        return max(0.0, turning) * self.stall_nm * (1 / self.efficiency - 1) if turning > 0 else 0.0


IDEAL: Final = Motor()


@dataclass(slots=True)
class Books:
    """Energy account of one course, J; each entry is the work of one force or loss, summed up on its own.

    Attributes:
        supplied: into the windings, as voltage times current; less what came back.
        brought: stored energy added by a change from outside (air, a push).
        winding, lost: heat of the windings; gear and commutator.
        friction, drag: of motors and gears, Coulomb and viscous.
        hinge, damping: friction and damping of surface and links.
        stopped: taken by a stop.
        turned: sum of all energy transfers, each counted as positive: the measure for an imbalance.
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
        """Sum of all entries that became heat, J."""
        return self.winding + self.lost + self.friction + self.drag + self.hinge + self.damping + self.stopped

    def error(self, stored: float) -> float:
        """Imbalance as a fraction of the energy turned over; `stored` is the increase of stored energy, J.

        The divisor is at least LEAST_TURNED_J: at a standstill only the rounding of stored energy is left.
        """
        off = self.supplied + self.brought - self.heat - stored
        return abs(off) / max(
            self.turned, abs(self.supplied), abs(self.brought), self.heat, abs(stored), LEAST_TURNED_J
        )

    def add(self, other: Books) -> None:
        """Add the entries of another account to these."""
        for one in fields(self):
            setattr(self, one.name, getattr(self, one.name) + getattr(other, one.name))
