"""Parts of a control surface: its hinge with the loads on it, and the actuators linked to it.

Angles are degrees of the surface, torques N m at its hinge. Hinge moment: H = Ch q S c with q = rho v^2 / 2, S and c
area and mean chord of the movable part behind the hinge, Ch = b1 alpha + b2 delta per radian; H and delta count the
same way. Unbalance is a moment about the hinge that weighs with the cosine of the deflection.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from busproto.sim.mechanics.motion import Arm

AIR_KG_M3: Final = 1.225
"""Density at sea level; ICAO Doc 7488, standard atmosphere."""
_RAD: Final = math.pi / 180


@dataclass(frozen=True, slots=True)
class Hinge:
    """Loads on a surface other than its actuators.

    Attributes:
        area_m2, chord_m: of the movable part behind the hinge.
        b1, b2: hinge moment per radian of angle of attack and of deflection; b2 not above 0.
        alpha_deg: angle of attack.
        unbalance_nm: moment of its weight about the hinge when level, positive towards plus.
        friction_nm: Coulomb friction of the hinge.
        damping_nms: viscous damping, N m s/rad.
        inertia_kgm2: about the hinge, without the shafts'; 0 for a surface that does not swing.
        stop_deg: the surface's own stops, at plus and minus this.
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
        """Moment towards plus at that deflection and airspeed, N m."""
        weight_nm = self.unbalance_nm * math.cos(deg * _RAD) if self.unbalance_nm else 0.0
        force = AIR_KG_M3 * speed_m_s**2 / 2 * self.area_m2 * self.chord_m
        return force * (self.b1 * self.alpha_deg + self.b2 * deg) * _RAD + weight_nm

    def stored_j(self, deg: float, speed_m_s: float) -> float:
        """Energy that air and weight have stored there, against 0 deg."""
        force = AIR_KG_M3 * speed_m_s**2 / 2 * self.area_m2 * self.chord_m
        rad = deg * _RAD
        return -force * rad * (self.b1 * self.alpha_deg * _RAD + self.b2 * rad / 2) - self.unbalance_nm * math.sin(rad)

    def spring_nm_rad(self, speed_m_s: float) -> float:
        """Stiffness of the air, N m/rad: by how much it pushes the surface back."""
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
        arm: its mechanics, with the angle of its shaft.
        stall_nm: stall torque at the arm, at the rated supply.
        stiffness_nm_deg: of its linkage, per degree of the surface.
        ratio: degrees of the surface per degree of the arm.
        offset_deg: deflection of the surface with the arm in the middle.
    """

    label: str
    arm: Arm
    stall_nm: float
    stiffness_nm_deg: float
    ratio: float = 1.0
    offset_deg: float = 0.0

    def surface_deg(self, arm_deg: float) -> float:
        """Deflection of the surface with the shaft at `arm_deg`, without load and backlash."""
        return self.offset_deg + self.ratio * arm_deg

    def arm_at_deg(self, surface_deg: float) -> float:
        """Angle of the shaft for a deflection: the inverse of `surface_deg`."""
        return (surface_deg - self.offset_deg) / self.ratio

    @property
    def friction_nm(self) -> float:
        """Coulomb friction of its shaft, N m at the surface."""
        return self.stall_nm * self.arm.motor.friction / abs(self.ratio)

    @property
    def half_lash_deg(self) -> float:
        """Half of its backlash, at the surface."""
        return self.arm.motor.lash_deg / 2 * abs(self.ratio)
