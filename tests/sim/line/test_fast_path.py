"""The fast path and the bit-level path are the same line: the same bytes and frames at the same moments."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busproto.sim.actuators.actuator import Actuator
from busproto.sim.bus import VirtualBus
from busproto.sim.kernel import Kernel
from busproto.sim.line.line import Line
from busproto.sim.scene.scenario import Scenario, load, parse
from busproto.wire import Frame, encode_frame, request_frame
from busproto.wire import messages as m
from busproto.wire.frame import BROADCAST_ADDRESS
from tests.sim.helpers import Tap

MS = 1_000_000
Trace = list[tuple[int, str, str]]


EVENTS = """
[[event]]
what = "late"
at = 0.02
actuator = "first"
by-ms = 0.4
[[event]]
what = "brown-out"
at = 0.03
actuator = "second"
[[event]]
what = "babble"
at = 0.1
until = 0.104
actuator = "third"
[[event]]
what = "burst"
at = 0.05
lasting = 0.0005
every = 0.09
until = 0.4
[[event]]
what = "stuck-low"
at = 0.2
until = 0.205
[[event]]
what = "unplug"
at = 0.22
until = 0.25
actuator = "first"
[[event]]
what = "no-echo"
at = 0.26
until = 0.3
[[event]]
what = "adapter"
at = 0.31
batch-ms = 1
drop-rate = 0.05
double-rate = 0.05
until = 0.4
"""


def scenario_text(line: str = "", events: str = "") -> str:
    """Three addressed actuators, one of them a clash, and a fresh one."""
    rows = (("first", "address = 3"), ("second", "address = 5"), ("third", "address = 5"), ("fresh", ""))
    actuators = "".join(f'[[actuator]]\nlabel = "{label}"\nmodel = "m"\n{more}\n' for label, more in rows)
    return f'title = "paths"\n[line]\n{line}\n[model.m]\n{actuators}{events}'


def trace_of(scenario: Scenario, seed: int, *, always_bits: bool) -> Trace:
    """Everything that was heard, when and by whom, while a host does random things at random moments."""
    bus = scenario.build(seed, always_bits=always_bits)
    trace: Trace = []

    def on_frame(time_ns: int, actuator: Actuator, frame: Frame) -> None:
        trace.append((time_ns, actuator.label, repr(frame)))

    bus.on_frame = on_frame
    draw = random.Random(f"host {seed}")
    for number in range(25):
        bus.host.write(random_request(draw, number))
        wait_ns = draw.choice((0, 300_000, 3 * MS, 40 * MS))
        deadline_ns = bus.kernel.now_ns + wait_ns
        while bus.kernel.now_ns < deadline_ns:
            data = bus.host.read_until(deadline_ns)
            trace.append((bus.kernel.now_ns, "host", data.hex()))
    trace += [(bus.kernel.now_ns, one.label, f"{one.state} {one.arm.position_deg}") for one in bus.actuators]
    return sorted(trace)  # who of several is told first at one moment makes no difference


def random_request(draw: random.Random, number: int) -> bytes:
    """Bytes that a host, well-behaved or not, may write."""
    choice = draw.randrange(6)
    if choice == 0:
        return draw.randbytes(draw.randrange(1, 30))
    if choice == 1:
        call = m.RollCall(draw.randrange(3), draw.randrange(256), draw.choice((4, 16, 64)), ())
        return encode_frame(request_frame(call, BROADCAST_ADDRESS, number))
    if choice == 2:
        demands = tuple(draw.randrange(-10_000, 10_001) for _ in range(9))
        return encode_frame(request_frame(m.DemandAll(demands), BROADCAST_ADDRESS, number))
    address = draw.choice((1, 3, 5, 7, 30, 40, 240))
    message = draw.choice((m.Describe(), m.Report(), m.LinkTest(draw.randbytes(9)), m.Engage()))
    return encode_frame(request_frame(message, address, number))


@pytest.mark.parametrize("scenario", ["bench-four", "tow-plane", "full-line"])
@settings(max_examples=settings().max_examples // 4)
@given(seed=st.integers(0, 10_000))
def test_both_paths_give_the_same_trace(scenario: str, seed: int) -> None:
    assert_the_same(load(scenario), seed)


def assert_the_same(scenario: Scenario, seed: int) -> None:
    fast = trace_of(scenario, seed, always_bits=False)
    assert fast == trace_of(scenario, seed, always_bits=True)
    if scenario.file.line.echo:
        assert any(who == "host" and what for _, who, what in fast)


LINES = {
    "differential": ("kind = 'differential'", ""),
    "differential without echo": ("kind = 'differential'\necho = false", ""),
    "worst clocks": ("clock-error = 1.5", ""),
    "16 samples a bit": ("oversampling = 16\nclock-error = 0.9", ""),
    "8 samples a bit": ("oversampling = 8\nclock-error = 0.9", ""),
    "faster": ("baud = 1_000_000", ""),
    "events": ("", EVENTS),
    "events on a pair": ("kind = 'differential'", EVENTS),
}


@pytest.mark.parametrize("name", LINES)
@settings(max_examples=settings().max_examples // 5)
@given(seed=st.integers(0, 10_000))
def test_both_paths_give_the_same_trace_on_other_lines(name: str, seed: int) -> None:
    line, events = LINES[name]
    assert_the_same(parse(scenario_text(line, events)), seed)


@pytest.mark.parametrize("rate", [0.005, 0.05, 0.3])
def test_both_paths_give_the_same_under_noise(rate: float) -> None:
    """One transmission each: behind it the bit-level path may go on listening to a byte that a flip has shifted, and
    then draws more than the fast path does. Flips behind the end are left out of the comparison with their runs."""
    compared = hit = 0
    for seed in range(150):
        runs = []
        for always_bits in (False, True):
            kernel = Kernel(seed)
            line = Line(kernel, 1_000_000, always_bits=always_bits)
            taps = [Tap(line, name=name) for name in ("first", "second")]
            for tap in taps:
                line.listen(tap)
            line.add_noise(rate)
            line.flip_record = []
            sent = line.transmit("another", kernel.stream("data").randbytes(12))
            kernel.run_until(1_000_000)
            flips = [(begin, end, taps[0].ears[0] is ear) for ear, begin, end in line.flip_record]
            runs.append((sorted(one for one in flips if one[0] < sent.end_ns), [tap.heard for tap in taps], len(flips)))
        (fast_flips, fast_heard, _), (slow_flips, slow_heard, all_slow) = runs
        assert fast_flips == slow_flips
        if all_slow == len(slow_flips):
            assert fast_heard == slow_heard
            compared += 1
        hit += bool(fast_flips)
    assert compared > 70
    assert hit > 10


def test_the_paths_differ_in_what_they_do() -> None:
    """Otherwise the test above would compare a thing with itself."""
    buses: dict[bool, VirtualBus] = {}
    for always_bits in (False, True):
        bus = load("bench-four").build(1, always_bits=always_bits)
        bus.host.write(encode_frame(request_frame(m.Report(), 3, 1)))
        bus.host.read_until(20 * MS)
        buses[always_bits] = bus
    assert buses[False].line.sampled == 0
    assert buses[True].line.sampled > 0
