"""What the cases of effects share: settings, where a demand has to lead, whether the drive is on, a desk bench."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from fractions import Fraction

from busproto.conformance.dut import MS, Dut
from busproto.wire import messages as m
from busproto.wire.frame import BROADCAST_ADDRESS
from busproto.wire.message import Message
from busproto.wire.parameters import BY_NAME, RawValue

QUICK: dict[str, RawValue] = {"soft-start": 0, "loss-time-out": 5000}
NEAR_CDEG = 150
"""Largest distance, 0.01 deg, at which an arm without load rests from its demand."""
ROUNDED_CDEG = 2
"""An actuator may calculate in whole counts, and round twice."""
DRIVEN = {m.State.SOFT_STARTING, m.State.FOLLOWING}
SETTLED_NS = 150 * MS
"""On a bench: until the set-point has come to a target a few degrees away, and what the loop filters is steady."""


Act = Callable[[Dut], object]
"""Something done to an actuator, or asked of it."""


def in_turn(*acts: Act) -> Act:
    """All of them, one after another."""

    def act(dut: Dut) -> None:
        for one in acts:
            one(dut)

    return act


def wait(duration_ns: int) -> Act:
    """Let time pass."""
    return lambda dut: dut.pass_time(duration_ns)


def asked(message: Message) -> Act:
    """A request to it alone, which is answered."""
    return lambda dut: dut.ask_frame(message)


def put(**settings: RawValue) -> Act:
    """Write settings; names with _ for -."""
    return lambda dut: dut.put({name.replace("_", "-"): value for name, value in settings.items()})


ANSWERED_LATE_NS = 100 * MS
"""On a port: patience with bytes that are not waited for one by one."""


def ready(dut: Dut, **settings: RawValue) -> None:
    """Settings that a case needs; names with _ for -."""
    dut.put({**QUICK, **{name.replace("_", "-"): value for name, value in settings.items()}})


def to_all(dut: Dut, *demands: int) -> None:
    dut.tell(m.DemandAll(demands))


def round_of(dut: Dut, demands: Sequence[int] = (), *, first: int | None = None) -> None:
    """Ask one address for a report in a round, its own where `first` is None; its answer is not looked at."""
    asked_of = dut.address if first is None else first
    wire = dut.wire(m.ReportRound(asked_of, 1, tuple(demands)), BROADCAST_ADDRESS)
    if asked_of == dut.address:
        dut.frames_after(wire, window_ns=20 * MS, count=1)
    else:
        dut.hear(dut.say(wire).end_ns + 20 * MS)


def told(message: Message) -> Act:
    """A request to all; what answers it is not looked at."""

    def act(dut: Dut) -> None:
        dut.frames_after(dut.wire(message, BROADCAST_ADDRESS), window_ns=10 * MS, patience_ns=ANSWERED_LATE_NS)

    return act


def unaddress(dut: Dut) -> None:
    """Take its address away."""
    dut.require_alone()
    dut.ask(m.Assign(dut.uid, 0xF0), m.Assigned, to=BROADCAST_ADDRESS, slow=True)
    dut.address = 0xF0


def is_held(dut: Dut) -> bool | None:
    """Whether the drive is on; None where that cannot be seen."""
    return dut.actuator.arm.target_deg is not None if dut.is_virtual else None


def assert_drive(dut: Dut, state: m.State) -> None:
    """Check that the drive is on or off, as the state says, where that can be seen."""
    held = is_held(dut)
    assert held is None or held == (state not in m.LIMP_STATES), (
        f"it says {state.name}, and its drive is {'on' if held else 'off'}"
    )


def led_to_cdeg(settings: Mapping[str, RawValue], demand: int) -> Fraction:
    """Where a demand, 0.01 %, has to lead under these settings, 0.01 deg: does.angle, does.correction, does.ends."""

    def raw(name: str) -> int:
        value = settings.get(name, BY_NAME[name].default)
        assert isinstance(value, int)
        return value

    share = Fraction(demand, m.MAX_DEMAND)
    side = -1 if raw("direction") else 1
    cdeg = raw("neutral") + side * share * raw("travel") / 2
    table = settings.get("correction", ())
    assert isinstance(table, tuple)
    if table:
        place = (share + 1) / 2 * (len(table) - 1)
        below = min(int(place), len(table) - 2)
        cdeg += table[below] + (table[below + 1] - table[below]) * (place - below)
    return min(Fraction(raw("end-high")), max(Fraction(raw("end-low")), cdeg))


# --- a desk bench --------------------------------------------------------------------------------------------------


def place(dut: Dut, deg: float) -> None:
    """Set the angle of the arm on the bench."""
    dut.bench.place(deg, dut.now_ns)


def turn(dut: Dut, deg_s: float) -> None:
    """Have the arm on the bench turn."""
    dut.bench.turn(deg_s, dut.now_ns)


def driven(dut: Dut) -> int:
    """What is driven on the bench now, 0.001 of the supply. The case fails where the drive is off."""
    last = dut.bench.driven[-1]
    assert last.is_on, "the drive was expected to be on, it is off"
    assert -1000 <= last.permille <= 1000, f"it drives with {last.permille} of 1000"
    return int(last.permille)


def steadily_driven(dut: Dut, error_cdeg: int, *, at_cdeg: int = 0, **settings: int) -> int:
    """What is driven, 0.001 of the supply, where the arm stands `error_cdeg` short of its target, for long enough."""
    place(dut, at_cdeg / 100)
    ready(dut, neutral=at_cdeg + error_cdeg, **settings)
    dut.ask(m.Engage(), m.Engaged)
    dut.demand(0.0)
    dut.pass_time(SETTLED_NS)
    return driven(dut)
