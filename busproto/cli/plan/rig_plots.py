"""Pictures of what ``busproto rig`` calculates."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

from busproto.cli.plots import save_picture
from busproto.plan.check.rigging import actuator_of
from busproto.plan.load import Plan
from busproto.rig.gang import fight
from busproto.rig.report import AirframeResult, SurfaceResult, sharing_members, surface_of

PLOT_STEPS: Final = 121


def draw(file: Path, plan: Plan, found: AirframeResult, surfaces: list[SurfaceResult]) -> None:
    """Two pictures for each surface: where the linkage takes it, and the torque it asks for over its throw.

    Raises:
        InputError: the file cannot be written.
    """
    from matplotlib.figure import Figure

    assert plan.rig is not None
    figure = Figure(figsize=(11, 3.6 * len(surfaces) + 0.4), layout="constrained")
    grid = figure.subplots(len(surfaces), 2, squeeze=False)
    for (left, right), one in zip(grid, surfaces, strict=True):
        _plot_linkage(left, one)
        _plot_torque(right, one, plan, found)
    figure.suptitle(f"{plan.title}: {plan.rig.flight.airspeed:g} m/s. Estimates, not a clearance.")
    save_picture(figure, file)


def _evenly(low_deg: float, high_deg: float) -> list[float]:
    return [low_deg + (high_deg - low_deg) * at / (PLOT_STEPS - 1) for at in range(PLOT_STEPS)]


def _plot_linkage(axes: Any, one: SurfaceResult) -> None:
    low_deg, high_deg = one.room.arm_deg(one.linkage)
    reach_low_deg, reach_high_deg = one.linkage.reach_deg
    arms = _evenly(max(low_deg, reach_low_deg + 0.5), min(high_deg, reach_high_deg - 0.5))
    (surface,) = axes.plot(arms, [one.linkage.surface_deg(arm) for arm in arms])
    used = axes.axvspan(one.judged.end_low_deg, one.judged.end_high_deg, alpha=0.12)
    for angle in one.wanted_deg:
        wanted = axes.axhline(angle, color="0.5", linewidth=0.8, linestyle=":")
    ratio_axes = axes.twinx()
    (ratio,) = ratio_axes.plot(arms, [one.linkage.ratio(arm) for arm in arms], color="C1", linestyle="--")
    ratio_axes.set_ylabel("surface deg per arm deg")
    if one.linkage.ratio(0.0) > 0.0:
        ratio_axes.set_ylim(bottom=min(0.0, ratio_axes.get_ylim()[0]))
    else:
        ratio_axes.set_ylim(top=max(0.0, ratio_axes.get_ylim()[1]))
    axes.set(
        xlabel="arm from its neutral, deg, as far as travel and ends let it",
        ylabel="surface, deg",
        title=f"{one.name}: where the linkage takes it",
    )
    axes.grid(alpha=0.3)
    ratio_axes.legend(  # on the upper of both axes, so that no line crosses it
        [surface, ratio, used, wanted],
        ["surface", "ratio (right scale)", "used for the throw", "wanted throw"],
        loc="lower right" if one.linkage.ratio(0.0) > 0.0 else "upper right",
        fontsize="small",
    )


def _plot_torque(axes: Any, one: SurfaceResult, plan: Plan, found: AirframeResult) -> None:
    assert plan.rig is not None
    flight, table = plan.rig.flight, plan.rig.surface[one.name]
    surface = surface_of(table.air)
    actuator = min((actuator_of(plan, plan.roles[name]) for name in one.functions), key=lambda each: each.stall_nm)
    count = len(one.functions)
    fought_nm = 0.0
    if table.sharing is not None and count > 1:
        fought_nm = fight(sharing_members(table.sharing, count)).worst_nm
    arms = _evenly(one.judged.end_low_deg, one.judged.end_high_deg)
    throws = [one.linkage.surface_deg(arm) for arm in arms]
    needed = []
    for arm, throw in zip(arms, throws, strict=True):
        hinge_nm = surface.worst_moment_nm(throw, flight.angle_of_attack, found.pressure_pa, flight.load_factor)
        needed.append(abs(one.linkage.actuator_torque_nm(hinge_nm / count + fought_nm, arm)))
    what = "air and weight" if not fought_nm else "air, weight and fight"
    axes.plot(throws, needed, label=f"needed ({what})")
    axes.axhline(actuator.stall_nm, color="C3", label=f"stall, {actuator.stall_nm:.3g} N m at its rating")
    if one.margin_empty is not None and one.margin_empty < one.margin:
        share = one.margin_empty / one.margin
        axes.axhline(actuator.stall_nm * share, color="C4", label="stall on the empty pack")
        axes.axhline(
            actuator.stall_nm * share / flight.margin,
            color="C4",
            linestyle="--",
            label=f"that over the margin of {flight.margin:g}",
        )
    else:
        axes.axhline(
            actuator.stall_nm / flight.margin,
            color="C3",
            linestyle="--",
            label=f"that over the margin of {flight.margin:g}",
        )
    axes.set(
        xlabel="surface, deg",
        ylabel="torque at the arm, N m",
        title=f"{one.name}: torque of {'each of ' + str(count) + ' actuators' if count > 1 else 'its actuator'}",
    )
    axes.set_ylim(bottom=0, top=actuator.stall_nm * 1.5)
    axes.grid(alpha=0.3)
    axes.legend(loc="upper center", ncols=2, fontsize="small")
