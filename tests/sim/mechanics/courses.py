"""Random courses of arms, surfaces and the plant below a firmware, and by how much their energy fails to balance.

What went in, what became heat and what is stored more are summed up apart from each other: electrical power as voltage
times current, each loss by its own formula, stored energy from places and speeds alone. The error is the difference
over all that was turned over.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass

from busproto.sim.actuators.model import ActuatorModel
from busproto.sim.kernel import Kernel
from busproto.sim.mechanics.hinge import Hinge, Member
from busproto.sim.mechanics.motion import Arm
from busproto.sim.mechanics.motion_run import moving_j
from busproto.sim.mechanics.motor import Books
from busproto.sim.mechanics.surface import Surface
from busproto.sim.native.device_plant import Plant

MS = 1_000_000
LASTING_NS = 400 * MS


def any_model(draw: random.Random) -> ActuatorModel:
    """Ratings that give out no more power than they take in."""
    volts, amps = draw.uniform(5.0, 14.0), draw.uniform(0.5, 12.0)
    speed = draw.uniform(80.0, 900.0)
    most_nm = volts * amps / (speed * 3.14159 / 180) * 0.6
    return ActuatorModel(
        "any",
        supply_mv=(4000, round(volts * 1000)),
        stall_torque_mnm=max(50, round(1000 * most_nm * draw.uniform(0.3, 1.0))),
        stall_current_ma=round(amps * 1000),
        no_load_speed_deg_s=round(speed),
        moving_current_ma=round(60 + amps * 1000 * draw.uniform(0.0, 0.15)),
        time_constant_ms=draw.choice([0.0, 2.0, 10.0, 40.0]),
        acceleration_deg_s2=draw.choice([None, None, 2000.0]),
        friction=draw.choice([0.0, 0.02, 0.08]),
        backlash_deg=draw.choice([0.0, 0.0, 0.3, 2.0]),
        added_inertia=draw.choice([0.0, 0.0, 0.5, 4.0]),
    )


def any_hinge(draw: random.Random) -> Hinge:
    """With or without air, weight, friction, damping, inertia; its stops are sometimes near."""
    return Hinge(
        area_m2=draw.choice([0.0, draw.uniform(0.01, 0.2)]),
        chord_m=draw.uniform(0.03, 0.2),
        b1=draw.uniform(-0.6, 0.0),
        b2=draw.uniform(-1.0, 0.0),
        alpha_deg=draw.uniform(-8, 8),
        unbalance_nm=draw.choice([0.0, draw.uniform(-1.0, 1.0)]),
        friction_nm=draw.choice([0.0, draw.uniform(0.0, 0.3)]),
        damping_nms=draw.choice([0.0, draw.uniform(0.0, 0.05)]),
        inertia_kgm2=draw.choice([0.0, draw.uniform(0.0005, 0.02)]),
        stop_deg=draw.choice([90.0, 30.0, 12.0]),
    )


def any_arm(draw: random.Random, model: ActuatorModel) -> Arm:
    """Limp."""
    arm = Arm(draw.uniform(-20, 20), 100.0, motor=model.motor())
    arm.speed_deg_s = draw.uniform(20, 1200)
    arm.soft_start_ns = draw.choice([0, 0, 200 * MS])
    arm.dead_band_deg = draw.choice([0.0, 0.1, 0.5])
    arm.stiffness = draw.uniform(0.05, 1.0)
    arm.damping = draw.uniform(0.0, 1.0)
    arm.minimum_drive = draw.choice([0.0, 0.05, 0.15])
    arm.power = draw.uniform(0.5, 1.0)
    return arm


def act_on(arm: Arm, draw: random.Random, now: int) -> None:
    """Something that a host, a person or the pack does to an arm."""
    what = draw.choice(["aim", "aim", "aim", "aim", "engage", "release", "feed", "fit"])
    if what == "aim":
        arm.aim(draw.uniform(-60, 60), now)
    elif what == "engage":
        if arm.target_deg is None:
            arm.engage(now)
    elif what == "release":
        arm.release(now)
    elif what == "feed":
        arm.feed(draw.uniform(0.3, 1.0), now)
    else:
        arm.fit(
            now,
            speed_deg_s=draw.uniform(20, 1200),
            soft_start_ns=arm.soft_start_ns,
            dead_band_deg=draw.choice([0.0, 0.3]),
            stiffness=draw.uniform(0.05, 1.0),
            damping=draw.uniform(0.0, 1.0),
            minimum_drive=draw.choice([0.0, 0.1]),
        )


def moments(draw: random.Random, count: int) -> list[int]:
    """So many moments of a course, in order."""
    return sorted(draw.randrange(LASTING_NS) for _ in range(count))


@dataclass
class Played:
    """What came of a course.

    Attributes:
        error: of the balance.
        places_deg: where all was at the end.
        books: the energies.
    """

    error: float
    places_deg: list[float]
    books: Books


def surface_course(seed: int, looks: int = 8) -> Played:
    """One to three on a surface, demanded, released, taken hold of, fed, with air and pushes that come and go."""
    draw, clock = random.Random(seed), [0]
    model = any_model(draw)
    members = []
    for number in range(draw.randint(1, 3)):
        ratio = draw.uniform(0.4, 1.6) * draw.choice([1, 1, -1])
        arm = any_arm(draw, model)
        stiffness = draw.choice([draw.uniform(0.2, 5.0), draw.uniform(5.0, 300.0)])
        stall_nm = model.stall_torque_mnm / 1000
        members.append(Member(f"{number}", arm, stall_nm, stiffness, ratio, draw.uniform(-1.0, 1.0)))
        arm.position_deg = members[0].arm.position_deg * members[0].ratio / ratio
    surface = Surface("any", members, any_hinge(draw), lambda: clock[0])
    surface.put(draw.uniform(-10, 10))
    books = surface.keep_books()
    begin_j = surface.stored_j()
    acts = {*moments(draw, draw.randint(1, 12)), *([0] if draw.random() < 0.7 else [])}
    watching = moments(random.Random(f"looks {seed}"), looks)
    for at in sorted({*acts, *watching}):
        clock[0] = at
        if at not in acts:
            assert abs(surface.deg) <= surface.hinge.stop_deg
            for one in members:
                one.arm.move_to(at)
                most_ma = 1000 * one.arm.power * one.arm.motor.rated_v / one.arm.motor.ohm + one.arm.motor.idle_ma
                assert one.arm.current_ma <= most_ma + 1e-6, "more than V / R"
            continue
        what = draw.random()
        if what < 0.12:
            surface.set_airspeed(draw.uniform(0, 60))
        elif what < 0.2:
            surface.push(draw.uniform(-1.5, 1.5))
        else:
            for one in members if draw.random() < 0.5 else [draw.choice(members)]:
                if at == 0 or draw.random() < 0.3:
                    one.arm.engage(at)
                act_on(one.arm, draw, at)
    clock[0] = LASTING_NS
    surface.changes(LASTING_NS)
    return Played(
        books.error(surface.stored_j() - begin_j), [surface.deg, *(o.arm.position_deg for o in members)], books
    )


def arm_course(seed: int, looks: int = 8) -> Played:
    """A free arm."""
    draw = random.Random(seed)
    arm = any_arm(draw, any_model(draw))
    books, booked, now = Books(), 0, 0
    arm.engage(0)
    acts = moments(draw, draw.randint(1, 12))
    watching = moments(random.Random(f"looks {seed}"), looks)
    for at in sorted({*acts, *watching, LASTING_NS}):
        now = at
        arm.move_to(now)
        if at not in acts and at != LASTING_NS:
            assert arm.current_ma <= 1000 * arm.power * arm.motor.rated_v / arm.motor.ohm + arm.motor.idle_ma + 1e-6
            continue
        was_driven = arm.target_deg is not None
        if was_driven:
            arm.run.book(books, booked, now)
        booked = now
        if at == LASTING_NS:
            break
        before = moving_j(arm.motor, arm.run.course.motion(now)[1]) if was_driven else 0.0
        act_on(arm, draw, now)
        after = moving_j(arm.motor, arm.run.course.motion(now)[1]) if arm.target_deg is not None else 0.0
        if was_driven and arm.target_deg is None:
            books.friction += before  # it stands at once
        elif abs(after - before) > 1e-9 * (before + after):
            books.stopped += 1.0  # a speed that jumped would be energy from nowhere
    stored = moving_j(arm.motor, arm.run.course.motion(now)[1]) if arm.target_deg is not None else 0.0
    return Played(books.error(stored), [arm.position_deg], books)


def plant_course(seed: int, looks: int = 8) -> Played:
    """The motor below a firmware, with drives that change and a supply that comes and goes."""
    draw, volts = random.Random(seed), [7000]
    plant = Plant(Kernel(seed), "any", any_model(draw), draw.uniform(-20, 20), lambda: volts[0])
    plant.stop_deg = draw.choice([100.0, 30.0])
    plant.books = books = Books()
    acts = moments(draw, draw.randint(2, 30))
    watching = moments(random.Random(f"looks {seed}"), looks)
    for at in sorted({*acts, *watching}):
        plant.move_to(at)
        if at not in acts:
            assert plant.degc(at) > 0
        elif draw.random() < 0.2:
            plant.supply_changed(at)
            volts[0] = draw.randrange(2000, 8000)
        else:
            plant.drive(draw.random() < 0.8, draw.uniform(-1, 1), at)
    plant.move_to(LASTING_NS)
    return Played(books.error(moving_j(plant.motor, plant.speed_deg_s)), [plant.position_deg], books)


COURSES: dict[str, Callable[..., Played]] = {
    "surface": surface_course,
    "arm": arm_course,
    "plant": plant_course,
}
