"""Kinds of trouble for searches: what each does to a bus, with parameters drawn by the seed.

Swarm testing: a search draws a random subset of the kinds, often one, sometimes several, so that they meet in
combinations that no person thought of (Groce, Zhang, Eide, Chen, Regehr: Swarm testing, ISSTA 2012; from memory)."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from functools import partial
from types import MappingProxyType
from typing import Final

from busproto.sim.actuators.actuator import Actuator
from busproto.sim.kernel import Kernel
from busproto.sim.line.hearing import Ear
from busproto.wire import messages as m
from busproto.wire.codec import encode_frame, request_frame
from busproto.wire.decoder import Decoder
from busproto.wire.frame import BROADCAST_ADDRESS, Frame
from busproto.wire.message import Message
from tests.bench.drawn import MS, NEVER_NS, US, Drawn


def _none(_: Drawn) -> str:
    return "no trouble"


def _brown_out(drawn: Drawn, *, every_time: bool) -> str:
    those, after = drawn.some(), drawn.draw.randint(0, 23)
    off_ns, at_ns = round(drawn.log(0.3, 50) * MS), 0 if drawn.draw.random() < 0.6 else drawn.moment_ns()
    for one in those:
        drawn.at(at_ns, partial(one.brown_out_while_sending, after, off_ns, every_time=every_time))
    return f"{_names(those)} from {at_ns / MS:.1f} ms on, after {after} bytes, for {off_ns / MS:.2f} ms"


def _late(drawn: Drawn, *, for_good: bool) -> str:
    those, by_ns = drawn.some(), round(30 * MS * drawn.draw.random())
    at_ns = 0 if drawn.draw.random() < 0.7 else drawn.moment_ns()
    for one in those:
        one.late_for_good = for_good
        drawn.at(at_ns, partial(setattr, one, "late_ns", by_ns))
    return f"{_names(those)} by {by_ns / MS:.1f} ms from {at_ns / MS:.1f} ms on"


def _late_now_and_then(drawn: Drawn) -> str:
    one, share, most = drawn.one(), drawn.log(0.1, 0.9), drawn.log(1, 30)
    drawn.every(
        0,
        lambda: round(drawn.draw.uniform(1, 15) * MS),
        lambda: setattr(one, "late_ns", round(drawn.draw.random() * most * MS) if drawn.draw.random() < share else 0),
    )
    return f"{_names([one])} by up to {most:.1f} ms, {share:.0%} of the time"


def _deaf_in_windows(drawn: Drawn) -> str:
    those = drawn.some()
    texts = []
    for one in those:
        deaf_ns, phase_ns = round(drawn.draw.uniform(5, 60) * MS), round(drawn.draw.uniform(0, 100) * MS)
        every_ns = deaf_ns + round(drawn.draw.uniform(5, 60) * MS)
        one.misses = partial(_is_within, drawn.bus.kernel, phase_ns, every_ns, deaf_ns)
        texts.append(f"{one.label} for {deaf_ns / MS:.0f} of {every_ns / MS:.0f} ms")
    return ", ".join(texts)


def _is_within(kernel: Kernel, phase_ns: int, every_ns: int, for_ns: int) -> bool:
    return (kernel.now_ns + phase_ns) % every_ns < for_ns


def _hears_few(drawn: Drawn) -> str:
    those, share = drawn.some(), drawn.draw.choice((1 / 3, drawn.draw.uniform(0.1, 0.9)))
    stream = drawn.bus.kernel.stream("hears few")
    for one in those:
        one.misses = lambda: stream.random() > share
    return f"{_names(those)} hear {share:.0%}"


def _noise(drawn: Drawn, where: str, low: float = 1e-3, high: float = 1e-1) -> str:
    rate, host = drawn.log(low, high), drawn.bus.host
    those = {"bad ear": [drawn.one()], "actuators": drawn.some()}.get(where, [])

    def hits(ear: Ear) -> bool:
        if where == "both":
            return True
        return ear.owner is host if where == "host" else any(ear.owner is one for one in those)

    drawn.bus.line.add_noise(rate, hits)
    return f"byte error {rate:.1e} at {_names(those) or where}"


def _noise_for_a_while(drawn: Drawn) -> str:
    begin_ns, end_ns = drawn.window()
    rate, host = drawn.log(1e-2, 9e-1), drawn.bus.host
    where = drawn.draw.choice(("both", "host", "actuators"))

    def begin() -> None:
        drawn.at(
            end_ns,
            drawn.bus.line.add_noise(rate, lambda ear: where == "both" or (ear.owner is host) == (where == "host")),
        )

    drawn.at(begin_ns, begin)
    return f"byte error {rate:.1e} at {where}, {_span(begin_ns, end_ns)}"


def _bursts(drawn: Drawn) -> str:
    lasting_ns, every_ns = round(drawn.log(0.01, 5) * MS), round(drawn.log(2, 200) * MS)
    line, source, stream = drawn.bus.line, object(), drawn.bus.kernel.stream("bursts")
    drawn.every(
        drawn.moment_ns(),
        lambda: round(every_ns * stream.uniform(0.5, 1.5)) + lasting_ns,
        lambda: line.disturb(source, drawn.bus.kernel.now_ns + lasting_ns, stream),
    )
    return f"of {lasting_ns / MS:.2f} ms about every {every_ns / MS:.0f} ms"


def _mute_for_a_while(drawn: Drawn) -> str:
    those, (begin_ns, end_ns) = drawn.some(), drawn.window()
    for one in those:
        drawn.at(begin_ns, partial(setattr, one, "is_mute", True))
        drawn.at(end_ns, partial(setattr, one, "is_mute", False))
    return f"{_names(those)} {_span(begin_ns, end_ns)}"


def _answers_few(drawn: Drawn) -> str:
    one, share = drawn.one(), drawn.draw.uniform(0.1, 0.9)
    stream = drawn.bus.kernel.stream("answers few")
    drawn.every(0, lambda: round(stream.uniform(0.5, 8) * MS), lambda: setattr(one, "is_mute", stream.random() > share))
    return f"{_names([one])} answers for {share:.0%} of the time"


def _unplugged(drawn: Drawn, *, back: bool) -> str:
    those, (begin_ns, end_ns) = drawn.some(), drawn.window()
    for one in those:
        drawn.at(begin_ns, one.power_off)
        if back:
            drawn.at(end_ns, one.power_on)
    return f"{_names(those)} {_span(begin_ns, end_ns) if back else f'at {begin_ns / MS:.1f} ms'}"


def _comes_late(drawn: Drawn) -> str:
    those, at_ns = drawn.some(), drawn.moment_ns()
    for one in those:
        one.power_off()
        drawn.at(at_ns, one.power_on)
    return f"{_names(those)} at {at_ns / MS:.1f} ms"


def _restarts(drawn: Drawn) -> str:
    one, every_ms, off_ns = drawn.one(), drawn.log(3, 300), round(drawn.log(0.01, 5) * MS)

    def restart() -> None:
        one.power_off()
        drawn.at(drawn.bus.kernel.now_ns + off_ns, one.power_on)

    drawn.every(drawn.moment_ns(), lambda: round(every_ms * drawn.draw.uniform(0.5, 1.5) * MS) + off_ns, restart)
    return f"{_names([one])} about every {every_ms:.0f} ms for {off_ns / MS:.2f} ms"


def _pack_dips(drawn: Drawn) -> str:
    those, (begin_ns, end_ns) = [*drawn.actuators], drawn.window()
    for one in those:
        drawn.at(begin_ns, one.power_off)
        drawn.at(end_ns + drawn.draw.randrange(5 * MS), one.power_on)
    return f"all without power {_span(begin_ns, end_ns)}"


def _loose_contact(drawn: Drawn) -> str:
    one, on_ms, off_ms = drawn.one(), drawn.log(1, 80), drawn.log(0.3, 60)
    stream = drawn.bus.kernel.stream("loose contact")

    def change() -> None:
        one.is_mute = not one.is_mute
        one.misses = (lambda: True) if one.is_mute else None

    drawn.every(
        drawn.moment_ns(), lambda: round((off_ms if one.is_mute else on_ms) * stream.uniform(0.5, 1.5) * MS), change
    )
    return f"{_names([one])}: about {on_ms:.0f} ms on, {off_ms:.1f} ms off"


def _babble_for_a_while(drawn: Drawn) -> str:
    begin_ns, end_ns = drawn.window()
    if drawn.draw.random() < 0.1:
        end_ns = NEVER_NS
    kernel, driver, stream = drawn.bus.kernel, object(), drawn.bus.kernel.stream("babble")

    def go_on() -> None:
        if kernel.now_ns < end_ns:
            kernel.at(drawn.bus.line.transmit(driver, stream.randbytes(8)).end_ns, go_on)

    drawn.at(begin_ns, go_on)
    return _span(begin_ns, end_ns)


def _doubled(drawn: Drawn) -> str:
    those, after_ns = drawn.some(), round(drawn.log(0.05, 30) * MS)
    for one in those:
        one.repeats_after_ns = after_ns
    return f"{_names(those)} after {after_ns / MS:.2f} ms"


def _clock_off(drawn: Drawn) -> str:
    ppm = round(drawn.draw.choice((-1, 1)) * drawn.draw.uniform(10_000, 60_000))
    one = drawn.add(drawn.draw.getrandbits(64), drawn.address(), clock_ppm=ppm)
    return f"{one.label} by {ppm / 10_000:+.1f} %"


def _other_rate(drawn: Drawn) -> str:
    baud = drawn.draw.choice((9600, 57_600, 100_000, 230_400, 1_000_000))
    return f"{drawn.add(drawn.draw.getrandbits(64), drawn.address(), own_baud=baud).label} at {baud} Bd"


def _adapter(drawn: Drawn, batch: bool = False, drops: bool = False, doubles: bool = False) -> str:
    batch_ns = round(drawn.log(0.5, 16) * MS) if batch else 0
    drop, double = (drawn.log(1e-4, 5e-2) if wanted else 0.0 for wanted in (drops, doubles))
    drawn.bus.host.set_adapter(batch_ns, drop, double)
    return f"batches of {batch_ns / MS:.1f} ms, drops {drop:.1e}, doubles {double:.1e}"


def _echo_now_and_then(drawn: Drawn) -> str:
    host, mean_ms = drawn.bus.host, drawn.log(1, 100)
    drawn.every(
        drawn.moment_ns(),
        lambda: round(drawn.draw.expovariate(1 / mean_ms) * MS),
        lambda: setattr(host, "echo", not host.echo),
    )
    return f"changes about every {mean_ms:.0f} ms"


def _stuck_low(drawn: Drawn) -> str:
    begin_ns, end_ns = drawn.window()
    if drawn.draw.random() < 0.05:
        end_ns = NEVER_NS
    drawn.at(begin_ns, lambda: drawn.bus.line.pull_low(object(), end_ns))
    return _span(begin_ns, end_ns)


def _foreign_talker(drawn: Drawn) -> str:
    every_ms, most, talker = drawn.log(1, 200), drawn.draw.randint(1, 30), object()
    stream, line = drawn.bus.kernel.stream("talker"), drawn.bus.line
    drawn.every(
        drawn.moment_ns(),
        lambda: round(every_ms * stream.uniform(0.2, 2) * MS) + most * 87 * US,
        lambda: line.transmit(talker, stream.randbytes(stream.randint(1, most))),
    )
    return f"up to {most} bytes about every {every_ms:.0f} ms"


def _second_host(drawn: Drawn) -> str:
    every_ms, epoch = drawn.log(3, 200), drawn.draw.randrange(1, 0x10000)
    stream, line, host = drawn.bus.kernel.stream("second host"), drawn.bus.line, object()

    def ask() -> None:
        message: Message = m.RollCall(epoch, stream.randrange(256), 16, ())
        if stream.random() < 0.3:
            message = m.Suppress(epoch, m.ZERO_UID)
        line.transmit(host, encode_frame(request_frame(message, BROADCAST_ADDRESS, stream.randrange(256))))

    drawn.every(drawn.moment_ns(), lambda: round(every_ms * stream.uniform(0.3, 2) * MS) + 4 * MS, ask)
    return f"calls about every {every_ms:.0f} ms"


def _twins(drawn: Drawn) -> str:
    one = drawn.one()
    address = one.address if drawn.draw.random() < 0.8 else drawn.address()
    other = drawn.add(int.from_bytes(one.uid, "big"), address)
    return f"{_names([one, other])}"


def _impostor(drawn: Drawn) -> str:
    one, other = drawn.one(), drawn.one()
    uid = drawn.draw.randbytes(8) if one is other else other.uid
    share = drawn.draw.choice((1.0, drawn.draw.random()))

    def spoils(data: bytes) -> bytes:
        frames = [found for found in Decoder().feed(data) if isinstance(found, Frame)]
        if not frames or frames[0].operation != m.Present.OPERATION or drawn.draw.random() > share:
            return data
        return encode_frame(
            Frame(frames[0].destination, frames[0].source, frames[0].sequence, frames[0].operation, uid, frames[0].tag)
        )

    one.spoils = spoils
    return f"{_names([one])} says {share:.0%} of the time that it is {uid.hex()}"


def _weak_driver(drawn: Drawn) -> str:
    those, rate = drawn.some(), drawn.log(1e-3, 3e-1)
    stream = drawn.bus.kernel.stream("weak driver")

    def spoils(data: bytes) -> bytes:
        return bytes(byte ^ (1 << stream.randrange(8) if stream.random() < rate else 0) for byte in data)

    for one in those:
        one.spoils = spoils
    return f"{_names(those)}: byte error {rate:.1e} in what it says"


def _cut_short(drawn: Drawn) -> str:
    one, share = drawn.one(), drawn.draw.uniform(0.1, 1)
    stream = drawn.bus.kernel.stream("cut short")
    one.spoils = lambda data: data[: stream.randint(1, len(data))] if stream.random() < share else data
    return f"{_names([one])}, {share:.0%} of its replies"


def _wrong_about_itself(drawn: Drawn) -> str:
    those = drawn.some()
    for one in those:
        one.discovery_responder.heard(m.Suppress(drawn.epoch, one.uid), 0)
    return f"{_names(those)} count as acknowledged already"


def _silent_from_start(drawn: Drawn) -> str:
    one, deaf = drawn.one(), drawn.draw.random() < 0.5
    one.is_mute = not deaf
    one.misses = (lambda: True) if deaf else None
    return f"{_names([one])} is {'deaf' if deaf else 'mute'}"


def _old_bytes(drawn: Drawn) -> str:
    stream, line = drawn.draw, drawn.bus.line
    data = stream.randbytes(stream.randint(1, 60))
    drawn.at(0, lambda: line.transmit(object(), data))
    return f"{len(data)} bytes are under way as the search begins"


Kind = Callable[[Drawn], str]

KINDS: Final[Mapping[str, Kind]] = MappingProxyType(
    {
        "none": _none,
        "brown-out": lambda drawn: _brown_out(drawn, every_time=False),
        "brown-out-always": lambda drawn: _brown_out(drawn, every_time=True),
        "late": lambda drawn: _late(drawn, for_good=False),
        "late-for-good": lambda drawn: _late(drawn, for_good=True),
        "late-now-and-then": _late_now_and_then,
        "deaf-in-windows": _deaf_in_windows,
        "hears-few": _hears_few,
        "bad-ear": lambda drawn: _noise(drawn, "bad ear"),
        "noise-at-actuators": lambda drawn: _noise(drawn, "actuators"),
        "noise-at-host": lambda drawn: _noise(drawn, "host"),
        "noise-both": lambda drawn: _noise(drawn, "both"),
        "noise-little": lambda drawn: _noise(drawn, "both", 1e-4, 2e-3),
        "noise-for-a-while": _noise_for_a_while,
        "bursts": _bursts,
        "mute-for-a-while": _mute_for_a_while,
        "answers-few": _answers_few,
        "unplugged": lambda drawn: _unplugged(drawn, back=False),
        "unplugged-and-back": lambda drawn: _unplugged(drawn, back=True),
        "comes-late": _comes_late,
        "restarts": _restarts,
        "pack-dips": _pack_dips,
        "loose-contact": _loose_contact,
        "babble": _babble_for_a_while,
        "doubled": _doubled,
        "clock-off": _clock_off,
        "other-rate": _other_rate,
        "adapter-batches": lambda drawn: _adapter(drawn, batch=True),
        "adapter-drops": lambda drawn: _adapter(drawn, drops=True),
        "adapter-doubles": lambda drawn: _adapter(drawn, doubles=True),
        "adapter-all": lambda drawn: _adapter(drawn, True, True, True),
        "echo-now-and-then": _echo_now_and_then,
        "stuck-low": _stuck_low,
        "foreign-talker": _foreign_talker,
        "second-host": _second_host,
        "twins": _twins,
        "impostor": _impostor,
        "weak-driver": _weak_driver,
        "cut-short": _cut_short,
        "wrong-about-itself": _wrong_about_itself,
        "silent-from-start": _silent_from_start,
        "old-bytes": _old_bytes,
    }
)
"""Every kind of trouble by name: it is put upon the bus, and said in words. New ones are appended."""


def _names(those: Iterable[Actuator]) -> str:
    return ", ".join(one.label for one in those)


def _span(begin_ns: int, end_ns: int) -> str:
    until = "for good" if end_ns >= NEVER_NS else f"to {end_ns / MS:.1f} ms"
    return f"from {begin_ns / MS:.1f} {until}"


def swarm(drawn: Drawn, kinds: list[str]) -> list[str]:
    """Draw a subset of these kinds, one of them mostly, and put each upon the bus."""
    count = 1
    while count < min(5, len(kinds)) and drawn.draw.random() < 0.4:
        count += 1
    chosen = drawn.draw.sample(kinds, count)
    if count > 1:
        chosen = [kind for kind in chosen if kind != "none"]
    # those that add an actuator first, so that the others can hit it
    for kind in sorted(chosen, key=lambda kind: kind not in {"clock-off", "other-rate", "twins"}):
        drawn.said.append(f"{kind}: {KINDS[kind](drawn)}")
    return chosen
