"""Air and hinge moment: from altitude and airspeed to the moment at a surface's hinge, and to the actuator.

Definition: H = Ch q S c, with area S and mean chord c of the *movable part behind the hinge*, q the dynamic pressure.
Ch = b1 alpha + b2 delta per radian. Texts that use the chord of the whole section have other coefficients: b1 and b2
there, times (whole chord / movable chord) squared for a section, are those here.

Signs: angles of attack nose up, surface angles trailing edge down, moments that would turn the trailing edge down are
positive. So b1 and b2 of a plain flap are negative: the air pushes the surface back.

The thin-aerofoil values are an upper estimate: real flaps with a thick section, a gap or a round nose have less (from
memory; Etkin & Reid, Dynamics of Flight). Not modelled: compressibility, the span, horn or nose balance, stall.

Sources: atmosphere ICAO Doc 7488 / US Standard Atmosphere 1976; flap Glauert, ARC R&M 1095 (1927), from memory, and
Houghton & Carpenter, Aerodynamics for Engineering Students, eq. 4.49-4.54; definition Etkin & Reid, from memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from busproto.errors import InputError
from busproto.rig.checks import finite, greatest, not_negative, positive, within

GRAVITY_M_S2: Final = 9.80665
"""Standard gravity, SI Brochure."""
GAS_J_KG_K: Final = 287.05287
"""Gas constant of dry air, ICAO Doc 7488."""
EARTH_RADIUS_M: Final = 6_356_766.0
SEA_LEVEL_K: Final = 288.15
SEA_LEVEL_PA: Final = 101_325.0
LAPSE_K_M: Final = -0.0065
TROPOPAUSE_M: Final = 11_000.0
"""Geopotential height at which the standard temperature stops falling, m."""
LOWEST_M: Final = -1_000.0
HIGHEST_M: Final = 20_000.0
HEAT_RATIO: Final = 1.4
MARGIN: Final = 1.5
"""Required ratio of stall torque to the greatest needed torque. A choice: it leaves a third for gusts, friction and a
supply that sags."""


@dataclass(frozen=True, slots=True)
class Air:
    """The air at one altitude: temperature in K, pressure in Pa, density in kg/m^3, speed of sound in m/s."""

    temperature_k: float
    pressure_pa: float
    density_kg_m3: float
    sound_m_s: float


@dataclass(frozen=True, slots=True)
class Flap:
    """Thin-aerofoil values of a plain flap, per radian.

    Attributes:
        chord_ratio: movable chord over whole chord, 0..1.
        lift_slope: change of the section's lift coefficient with the surface angle.
        effectiveness: the same over that with the angle of attack, 0..1.
        b1, b2: change of the hinge-moment coefficient with angle of attack and with surface angle.
    """

    chord_ratio: float
    lift_slope: float
    effectiveness: float
    b1: float
    b2: float


@dataclass(frozen=True, slots=True)
class Surface:
    """The movable part of a surface, behind its hinge.

    Attributes:
        area_m2, chord_m: area and mean chord, above 0.
        b1, b2: of the hinge-moment coefficient, per radian.
        mass_kg, centre_m: its mass, and how far behind the hinge its centre of mass is (below 0: ahead).

    Raises:
        InputError: a number is not finite, or not in its range.
    """

    area_m2: float
    chord_m: float
    b1: float
    b2: float
    mass_kg: float = 0.0
    centre_m: float = 0.0

    def __post_init__(self) -> None:
        positive("the surface's area", self.area_m2, "m^2")
        positive("the surface's chord", self.chord_m, "m")
        finite("b1", self.b1)
        finite("b2", self.b2)
        not_negative("the surface's mass", self.mass_kg, "kg")
        finite("the surface's centre of mass", self.centre_m, "m")

    def moment_nm(self, surface_deg: float, alpha_deg: float, pressure_pa: float, load_factor: float = 1.0) -> float:
        """Moment about the hinge by air and weight, N m, positive where it turns the trailing edge down.

        Args:
            surface_deg: trailing edge down, deg.
            alpha_deg: angle of attack, deg.
            pressure_pa: dynamic pressure, not below 0.
            load_factor: weight in g; the surface is taken as level at neutral.
        Raises:
            InputError: a number is not finite, or the pressure is below 0.
        """
        coefficient = hinge_coefficient(self.b1, self.b2, alpha_deg, surface_deg)
        air_nm = hinge_moment_nm(coefficient, pressure_pa, self.area_m2, self.chord_m)
        return air_nm + weight_moment_nm(self.mass_kg, self.centre_m, surface_deg, load_factor)

    def worst_moment_nm(
        self, surface_deg: float, alpha_deg: float, pressure_pa: float, load_factor: float = 1.0
    ) -> float:
        """The greatest size of the moment, N m, with the angle of attack and the weight taken the bad way. As above."""
        coefficient = hinge_coefficient(abs(self.b1), abs(self.b2), abs(alpha_deg), abs(surface_deg))
        air_nm = hinge_moment_nm(coefficient, pressure_pa, self.area_m2, self.chord_m)
        return air_nm + abs(weight_moment_nm(self.mass_kg, self.centre_m, surface_deg, load_factor))

    def stiffness_nm_rad(self, pressure_pa: float) -> float:
        """How the air alone pulls the surface back, N m per rad; below 0 where it would drive it away."""
        return -hinge_moment_nm(self.b2, pressure_pa, self.area_m2, self.chord_m)


def atmosphere(altitude_m: float, *, temperature_offset_k: float = 0.0) -> Air:
    """The standard atmosphere, troposphere and lower stratosphere.

    Args:
        altitude_m: geometric, above mean sea level, -1000..20000.
        temperature_offset_k: warmer (or colder) than standard at the same pressure, -60..60.
    Raises:
        InputError: outside these ranges.
    Source: ICAO Doc 7488 / US Standard Atmosphere 1976.
    """
    within("the altitude", altitude_m, LOWEST_M, HIGHEST_M, "m")
    within("the temperature offset", temperature_offset_k, -60.0, 60.0, "K")
    level_m = EARTH_RADIUS_M * altitude_m / (EARTH_RADIUS_M + altitude_m)  # geopotential
    below_m = min(level_m, TROPOPAUSE_M)
    standard_k = SEA_LEVEL_K + LAPSE_K_M * below_m
    pressure_pa = SEA_LEVEL_PA * (standard_k / SEA_LEVEL_K) ** (-GRAVITY_M_S2 / (LAPSE_K_M * GAS_J_KG_K))
    if level_m > TROPOPAUSE_M:
        pressure_pa *= math.exp(-GRAVITY_M_S2 * (level_m - TROPOPAUSE_M) / (GAS_J_KG_K * standard_k))
    temperature_k = standard_k + temperature_offset_k
    return Air(
        temperature_k=temperature_k,
        pressure_pa=pressure_pa,
        density_kg_m3=pressure_pa / (GAS_J_KG_K * temperature_k),
        sound_m_s=math.sqrt(HEAT_RATIO * GAS_J_KG_K * temperature_k),
    )


def dynamic_pressure_pa(airspeed_m_s: float, density_kg_m3: float) -> float:
    """q = density v^2 / 2. True airspeed, not below 0; density above 0. Raises InputError otherwise."""
    speed_m_s = not_negative("the airspeed", airspeed_m_s, "m/s")
    return 0.5 * positive("the density", density_kg_m3, "kg/m^3") * speed_m_s * speed_m_s


def airspeed_m_s(pressure_pa: float, density_kg_m3: float) -> float:
    """The true airspeed that has this dynamic pressure; the inverse of `dynamic_pressure_pa`. Raises InputError."""
    positive("the density", density_kg_m3, "kg/m^3")
    return math.sqrt(2.0 * not_negative("the dynamic pressure", pressure_pa, "Pa") / density_kg_m3)


def plain_flap(chord_ratio: float) -> Flap:
    """Thin-aerofoil values of a plain flap, from its share of the chord.

    With the hinge at cos(h) = 2 E - 1, the pressure of angle of attack goes as (1 + cos t) / sin t, that of the flap
    as the same plus the logarithm of sin((t + h) / 2) / sin((t - h) / 2). The moments of both about the hinge have the
    closed form used here.

    Args:
        chord_ratio: movable chord over whole chord E, 0.01..1.
    Raises:
        InputError: outside that range.
    Source: Glauert, R&M 1095, from memory; Houghton & Carpenter eq. 4.49-4.54.
    """
    ratio = within("the chord ratio", chord_ratio, 0.01, 1.0)
    cosine = 2.0 * ratio - 1.0
    hinge = math.acos(cosine)
    sine, rest = math.sin(hinge), math.pi - hinge
    of_alpha = rest * (cosine - 0.5) + (1.0 - cosine) * sine + math.sin(2.0 * hinge) / 4.0
    of_kink = sine / (2.0 * math.pi) * (cosine * rest + sine)
    lift_slope = 2.0 * (rest + sine)
    return Flap(
        chord_ratio=ratio,
        lift_slope=lift_slope,
        effectiveness=lift_slope / (2.0 * math.pi),
        b1=-of_alpha / (ratio * ratio),
        b2=-(rest / math.pi * of_alpha + of_kink) / (ratio * ratio),
    )


def hinge_coefficient(b1: float, b2: float, alpha_deg: float, surface_deg: float) -> float:
    """Ch = b1 alpha + b2 delta; b1 and b2 per radian, angles in deg. Raises InputError where one is not finite."""
    finite("b1", b1)
    finite("b2", b2)
    alpha_rad = math.radians(finite("the angle of attack", alpha_deg, "deg"))
    return b1 * alpha_rad + b2 * math.radians(finite("the surface angle", surface_deg, "deg"))


def hinge_moment_nm(coefficient: float, pressure_pa: float, area_m2: float, chord_m: float) -> float:
    """H = Ch q S c, N m; S and c of the movable part behind the hinge.

    Raises:
        InputError: q is below 0, S or c not above 0, or one is not finite.
    """
    finite("the hinge-moment coefficient", coefficient)
    not_negative("the dynamic pressure", pressure_pa, "Pa")
    return coefficient * pressure_pa * positive("the area", area_m2, "m^2") * positive("the chord", chord_m, "m")


def weight_moment_nm(mass_kg: float, centre_m: float, surface_deg: float, load_factor: float = 1.0) -> float:
    """Moment of the surface's own weight about its hinge, N m, positive where it turns the trailing edge down.

    Args:
        mass_kg: not below 0.
        centre_m: of mass, behind the hinge; below 0 ahead of it.
        surface_deg: from level, trailing edge down.
        load_factor: weight in g.
    Raises:
        InputError: outside that.
    """
    lever_m = finite("the centre of mass", centre_m, "m") * math.cos(
        math.radians(finite("the surface angle", surface_deg, "deg"))
    )
    return not_negative("the mass", mass_kg, "kg") * GRAVITY_M_S2 * finite("the load factor", load_factor) * lever_m


def balance_mass_kg(mass_kg: float, centre_m: float, lever_m: float) -> float:
    """The mass at `lever_m` ahead of the hinge that balances the surface; 0 where its centre is not behind the hinge.

    Args:
        mass_kg: of the surface, not below 0.
        centre_m: of its mass, behind the hinge.
        lever_m: of the balance mass, ahead of the hinge, above 0.
    Raises:
        InputError: outside that.
    """
    moment = not_negative("the mass", mass_kg, "kg") * finite("the centre of mass", centre_m, "m")
    return max(0.0, moment) / positive("the lever of the balance mass", lever_m, "m")


def floating_deg(b1: float, b2: float, alpha_deg: float) -> float:
    """Where a limp surface without weight and friction floats, deg, trailing edge down: b1 alpha + b2 delta = 0.

    Raises:
        InputError: b2 is not below 0: the air would not hold it anywhere, it would go to its stop.
    Source: Etkin & Reid, free elevator, from memory.
    """
    if finite("b2", b2) >= 0.0:
        raise InputError(f"b2 is {b2:g}: the air does not push this surface back; limp, it would go to its stop")
    return -finite("b1", b1) * finite("the angle of attack", alpha_deg, "deg") / b2


def floating_with_weight_deg(
    surface: Surface, alpha_deg: float, pressure_pa: float, load_factor: float = 1.0, *, stop_deg: float = 60.0
) -> float:
    """Where a limp surface floats with its own weight, deg; at its stop if no equilibrium comes before.

    Args:
        surface: b2 below 0.
        alpha_deg: angle of attack.
        pressure_pa: dynamic pressure, not below 0; at 0 the weight alone decides.
        load_factor: weight in g.
        stop_deg: it can go so far to both sides, above 0 to 90.
    Raises:
        InputError: outside that.
    """
    within("the stop", stop_deg, 1e-6, 90.0, "deg")
    if surface.b2 >= 0.0:
        raise InputError(f"b2 is {surface.b2:g}: the air does not push this surface back; limp, it goes to its stop")

    def moment(angle_deg: float) -> float:
        return surface.moment_nm(angle_deg, alpha_deg, pressure_pa, load_factor)

    low, high = -stop_deg, stop_deg
    if moment(high) >= 0.0 and moment(low) >= 0.0:
        return high if moment(high) > 0.0 or moment(low) > 0.0 else 0.0
    for _ in range(80):  # without an equilibrium before, this converges to the lower stop
        middle = (low + high) / 2.0
        low, high = (middle, high) if moment(middle) > 0.0 else (low, middle)
    return (low + high) / 2.0


def margin(stall_nm: float, needed_nm: float) -> float:
    """Stall torque over the size of the torque that is needed; infinite where none is.

    Raises:
        InputError: the stall torque is not above 0, or the other not finite.
    """
    needed = abs(finite("the needed torque", needed_nm, "N m"))
    return positive("the stall torque", stall_nm, "N m") / needed if needed else math.inf


def worst_margin_speed_m_s(
    surface: Surface,
    alpha_deg: float,
    density_kg_m3: float,
    stall_nm: float,
    angles_deg: tuple[float, float],
    surface_at: Callable[[float], float],
    ratio_at: Callable[[float], float],
    *,
    wanted: float = MARGIN,
    load_factor: float = 1.0,
    steady_nm: float = 0.0,
) -> float:
    """The true airspeed, m/s, at which the margin falls to `wanted` somewhere in a sweep.

    0 where what does not depend on the speed is too much already, infinite where the air asks for nothing.

    Args:
        surface: its air and weight, taken the bad way as in `Surface.worst_moment_nm`.
        alpha_deg: angle of attack.
        density_kg_m3: above 0.
        stall_nm: of the actuator, above 0.
        angles_deg: actuator angles, lowest and highest.
        surface_at, ratio_at: surface angle and local ratio at an actuator angle.
        wanted: margin, above 0.
        load_factor: weight in g.
        steady_nm: moment at the hinge that has to be held at any speed besides, not below 0.
    Raises:
        InputError: outside that.
    """
    not_negative("the steady moment", steady_nm, "N m")
    allowed_nm = positive("the stall torque", stall_nm, "N m") / positive("the wanted margin", wanted)
    positive("the density", density_kg_m3, "kg/m^3")

    def inverse_pressure(actuator_deg: float) -> float:
        """1/q at which the margin is reached here: greatest where the sweep is worst."""
        angle_deg, ratio = surface_at(actuator_deg), abs(ratio_at(actuator_deg))
        weight_nm = surface.worst_moment_nm(angle_deg, alpha_deg, 0.0, load_factor)
        air_nm = surface.worst_moment_nm(angle_deg, alpha_deg, 1.0, load_factor) - weight_nm
        left_nm = allowed_nm - (weight_nm + steady_nm) * ratio
        return air_nm * ratio / left_nm if left_nm > 0.0 else math.inf

    _, worst = greatest(inverse_pressure, *angles_deg)
    return airspeed_m_s(1.0 / worst, density_kg_m3) if worst else math.inf
