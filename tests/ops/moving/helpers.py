"""What the tests of moving share: one that is steered by hand, many that hold, one that hears or answers wrongly."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from busproto.ops.moving.hand_control import Command, Reached, Steered, Steering, steer, steer_address
from busproto.ops.moving.letting_go import OnLine
from busproto.ops.moving.motion import engage
from busproto.ops.steps import Steps, exchange
from busproto.session import Ask
from busproto.sim.actuators.actuator import Actuator
from busproto.wire import messages as m
from busproto.wire.frame import UNADDRESSED
from busproto.wire.messages import LIMP_STATES, MAX_DEMAND, Engage, Message, State
from busproto.wire.parameters import LOSS_HOLD, RawValue
from tests.ops.helpers import MS, Box, HookedPort, S, box

C = Command


def alone(at_deg: float = 0.0, **stored: RawValue) -> tuple[Box, Actuator]:
    """One at address 5, on channel 2, with a travel of 120 deg."""
    made = box()
    settings = {"soft_start": 100, "channel": 2, **stored}
    return made, made.add(1, 5, at_deg=at_deg, **settings)


def script(commands: Iterable[Command]) -> Callable[[], Command | None]:
    left = iter(commands)
    return lambda: next(left, Command.QUIT)


def slowly(*timed: tuple[float, Command], made: Box) -> Callable[[], Command | None]:
    """Each command when its time, s, has come."""
    left = list(timed)
    return lambda: left.pop(0)[1] if left and made.now_ns >= left[0][0] * S else None


def steered(made: Box, *commands: Command, subject: Steered | None = None, **options: float) -> Steering:
    subject = subject or made.run(steer_address(5))
    return made.run(steer(subject, script(commands), lambda _: None, wants_settled=True, **options))  # type: ignore[arg-type]


def fractions(reached: Iterable[Reached]) -> list[float | None]:
    return [one.fraction for one in reached]


def where(actuator: Actuator, made: Box) -> float:
    actuator.arm.move_to(made.now_ns)
    return actuator.arm.position_deg


def demands(port: HookedPort) -> list[float]:
    return [one.demand / MAX_DEMAND for one in port.sent if isinstance(one, m.Demand)]


def holding(count: int, *, seed: int = 0) -> Box:
    """So many in lost-hold, at addresses 1, 2, ..."""
    one = box(seed)
    for number in range(1, count + 1):
        one.add(number, number, loss_action=LOSS_HOLD, loss_time_out=100)
    for number in range(1, count + 1):
        one.run(engage(number))
    one.pass_time(500 * MS)
    assert all(actuator.state is State.LOST_HOLD for actuator in one.bus.actuators)
    return one


def actuators(one: Box) -> list[OnLine]:
    """As a roster has it."""
    return [OnLine(actuator.address, actuator.uid) for actuator in one.bus.actuators]


def holding_actuators(one: Box) -> set[int]:
    """By the bus itself."""
    return {
        actuator.address
        for actuator in one.bus.actuators
        if actuator.is_powered and actuator.state not in LIMP_STATES and actuator.address != UNADDRESSED
    }


def deaf(one: Box, actuator: Actuator, *kinds: type[Message], times: int = 10**6) -> None:
    """It does not hear these: so many of them."""
    hear = actuator.heard
    left = [times]

    def heard(frame: object, message: Message | None) -> None:
        if isinstance(message, kinds) and left[0]:
            left[0] -= 1
        else:
            hear(frame, message)  # type: ignore[arg-type]

    actuator.heard = heard  # type: ignore[method-assign,assignment]


def clashing(seed: int, *, count: int = 2, holds: bool = True) -> Box:
    """Several in lost-hold at address 5, and one at 6; the link knows of the clash."""
    one = box(seed)
    for number in range(count):
        one.add(100 + number, 5, loss_action=LOSS_HOLD, loss_time_out=100)
    one.add(1, 6, loss_action=LOSS_HOLD, loss_time_out=100)
    if holds:
        one.run(engage_all())
        one.pass_time(500 * MS)
        assert all(actuator.state is State.LOST_HOLD for actuator in one.bus.actuators)
    return one


def engage_all() -> Steps[None]:
    yield from exchange(Ask.all(Engage()))
