"""Lesson ``loss``: the signal is taken away, and three actuators do their loss actions: limp, hold, preset."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterator
from typing import Final

from busproto.lessons.bench import LessonActuator, build, draw, run
from busproto.lessons.scene import NUMBER, Curve, Lesson, Plot, Question, Scene, Solution, Table
from busproto.ops.moving.motion import demand_channels, report
from busproto.ops.steps import exchange
from busproto.sim.bus import VirtualBus
from busproto.sim.mechanics.surface import Hinge, Link
from busproto.wire.messages import Fault, State, Status
from busproto.wire.parameters import LOSS_HOLD, LOSS_LIMP, LOSS_PRESET

NAME: Final = "loss"
MS: Final = 1_000_000
PERIOD_MS: Final = 20
SIGNAL_MS: Final = 800
WATCHED_MS: Final = 1800
CHANNEL: Final = 1
MOST_LOST: Final = 64
AIRSPEED_M_S: Final = 30.0
HINGE: Final = Hinge(area_m2=0.06, chord_m=0.06, b2=-0.9, inertia_kgm2=4e-4, damping_nms=0.02, stop_deg=60.0)
"""A flap in the wind; what the air does to it pushes it towards the middle. The coefficient is of the usual size
(common practice, no source)."""
ACTIONS: Final = (("limp", LOSS_LIMP), ("hold", LOSS_HOLD), ("preset", LOSS_PRESET))


def _bus(seed: int, *, wind: bool = True) -> tuple[VirtualBus, dict[str, int], int]:
    """The bus, the loss time-out (ms) of each actuator by name, and the preset (deg)."""
    rng = draw(NAME, seed)
    preset_deg = rng.randint(-30, -15)
    # well between two demands, so that a clock that is a little off does not matter
    time_outs = {name: PERIOD_MS * rng.randint(6, 23) + rng.randint(6, 14) for name, _ in ACTIONS}
    planned = [
        LessonActuator(
            name,
            number,
            stored={
                "channel": CHANNEL,
                "loss-action": action,
                "loss-time-out": time_outs[name],
                "preset": preset_deg * 100,
            },
        )
        for number, (name, action) in enumerate(ACTIONS, 1)
    ]
    bus = build(seed, planned)
    for name, _ in ACTIONS if wind else ():
        bus.link(name, HINGE, {name: Link(1.0)}).set_airspeed(AIRSPEED_M_S)
    return bus, time_outs, preset_deg


def _share(at_ms: float) -> float:
    """Demand of the stick, -1..1: up within half a second, then a slow wave."""
    return 0.45 * min(1.0, at_ms / 500) + 0.06 * math.sin(at_ms / 90)


def _wait(bus: VirtualBus, until_ns: int) -> None:
    while bus.kernel.now_ns < until_ns:
        bus.host.read_until(until_ns)


def _fly(bus: VirtualBus) -> tuple[dict[str, list[tuple[float, Status]]], float]:
    """Demands every 20 ms for a while, then none; a report of each in between. Returns the reports, and when (ms) the
    last demand had been sent.
    """
    reports: dict[str, list[tuple[float, Status]]] = {name: [] for name, _ in ACTIONS}
    began_ns = bus.kernel.now_ns
    last_ms = 0.0
    for beat_ms in range(0, WATCHED_MS, PERIOD_MS):
        _wait(bus, began_ns + beat_ms * MS)
        if beat_ms <= SIGNAL_MS:
            run(bus, exchange(demand_channels({CHANNEL: _share(beat_ms)})))
            last_ms = (bus.kernel.now_ns - began_ns) / MS
        for number, (name, _) in enumerate(ACTIONS, 1):
            status = run(bus, report(number))
            reports[name].append(((bus.kernel.now_ns - began_ns) / MS, status))
    return reports, last_ms


def _scenes(seed: int) -> Iterator[Scene]:
    bus, time_outs, preset_deg = _bus(seed)
    yield Scene(
        "Three surfaces in the wind",
        (
            f"Three actuators follow channel {CHANNEL}. A receiver sends its demand every {PERIOD_MS} ms. Each moves a "
            f"surface, and air of {AIRSPEED_M_S:.0f} m/s pushes every surface back towards 0 deg. They differ in what "
            "they do when no demand comes any more:",
        ),
        table=Table(
            ("address", "loss action", "meaning", "loss time-out"),
            tuple(
                (str(number), name, _meaning(name, preset_deg), f"{time_outs[name]} ms")
                for number, (name, _) in enumerate(ACTIONS, 1)
            ),
        ),
    )
    reports, last_ms = _fly(bus)
    marks = [(last_ms, "the last demand")]
    rows = []
    for name, _ in ACTIONS:
        acted = next(at for at, status in reports[name] if status.state in _LOST)
        end = reports[name][-1][1]
        marks.append((acted, f"{name} acts"))
        rows.append((name, f"{time_outs[name]} ms", f"{acted - last_ms:.0f} ms", f"{end.position_cdeg / 100:.1f} deg"))
    curves = tuple(
        Curve(name, tuple((at, status.position_cdeg / 100) for at, status in reports[name])) for name, _ in ACTIONS
    )
    yield Scene(
        "The signal is taken away",
        (f"Positions as the actuators report them, asked every {PERIOD_MS} ms.",),
        plot=Plot("ms", "deg", curves, tuple(marks)),
        table=Table(("loss action", "set", "seen to act after", "at the end it is at"), tuple(rows)),
        after=(
            "Until its time-out each one holds the last demand: one lost frame must not disturb a flight. Then limp "
            "lets go, and the air takes the surface; hold stays; preset drives to its place.",
            f"It is seen up to {PERIOD_MS} ms late, as that is how often we ask. Which action is right depends on the "
            "surface and the model: look at its instructions. Nothing shown here clears anything for flight.",
        ),
    )


_LOST: Final = (State.LOST_LIMP, State.LOST_HOLD, State.LOST_PRESET)


def _meaning(name: str, preset_deg: int) -> str:
    meanings = {
        "limp": "the motor lets go",
        "hold": "stay where the last demand was",
        "preset": f"drive to {preset_deg} deg",
    }
    return meanings[name]


def _acts(seed: int, name: str, lost: int) -> bool:
    """Whether the actuator acts when `lost` demands in a row are lost, in a signal that goes on after them."""
    bus, _, _ = _bus(seed, wind=False)
    for number in range(lost + 3):
        _wait(bus, number * PERIOD_MS * MS)
        if not 1 < number <= 1 + lost:
            run(bus, exchange(demand_channels({CHANNEL: 0.2})))
    address = [label for label, _ in ACTIONS].index(name) + 1
    return bool(run(bus, report(address)).faults & Fault.DEMAND_LOST)


def _question(seed: int) -> Question:
    rng = draw(f"{NAME} asked", seed)
    name = rng.choice(ACTIONS)[0]
    time_out_ms = _bus(seed, wind=False)[1][name]

    def solve() -> Solution:
        lost = bisect_left(range(MOST_LOST), True, key=lambda count: _acts(seed, name, count)) - 1
        return Solution(
            lost,
            f"with {lost} lost in a row the next one comes {(lost + 1) * PERIOD_MS} ms after the last good one, in "
            f"time; with {lost + 1} it comes after {(lost + 2) * PERIOD_MS} ms, later than {time_out_ms} ms",
        )

    return Question(
        f"The receiver sends every {PERIOD_MS} ms. The loss time-out of '{name}' is {time_out_ms} ms. How many demands "
        "in a row may be lost, at most, so that it does not act?",
        NUMBER,
        solve,
    )


LESSON: Final = Lesson(NAME, "What an actuator does when the signal is lost: limp, hold or preset", _scenes, _question)
