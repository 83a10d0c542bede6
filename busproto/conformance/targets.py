"""The targets of `--dut`: the simulator's own actuator, a firmware as a shared library, or an actuator behind a port.

In process each case gets a bus of its own, in virtual time, with factory settings but for the address. On a port there
is one actuator for the whole run: its stored settings are read first, and put back at the end.
"""

from __future__ import annotations

import contextlib
import random
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final, TypeVar

from busproto.conformance.calls import EPOCH, window_ns
from busproto.conformance.dut import MS, QUIET_PORT_NS, Dut, not_checked, replies_in
from busproto.conformance.side import Beside, InProcessSide, TcpSide
from busproto.errors import AddressConflictError, BusError, InputError, NodeRefusedError, ReplyTimeoutError
from busproto.ops import Link, assign, describe, find, restart, transact
from busproto.ops.addressing import write_address
from busproto.ops.steps import Steps
from busproto.transport import Transport, open_transport
from busproto.wire import messages as m
from busproto.wire.codec import encode_frame, request_frame
from busproto.wire.frame import (
    BROADCAST_ADDRESS,
    DEFAULT_BAUD,
    MAX_ADDRESS,
    MAX_WIRE_BYTES,
    MIN_ADDRESS,
    UNADDRESSED,
)
from busproto.wire.hash import digest_of, uid_hash
from busproto.wire.message import Message
from busproto.wire.parameters import RawValue
from busproto.wire.timing import BOOT_NS

PYTHON: Final = "python"
REFERENCE: Final = "reference"
HOME: Final = 5
"""Address of the actuator under test in process, and on a port where it has none."""
UID: Final = bytes.fromhex("d17e00c3005a8101")
MODEL_NAME: Final = "under test"
NO_BENCH: Final = "only a firmware in C reads and drives a desk bench"
NO_FACTORY: Final = "only a firmware in C has a function that writes its first settings"
CHANCES: Final = 4
HUSH_SLOTS: Final = 64
"""Slots of the call in which neighbours answer that are then acknowledged."""
PATIENCE_NS: Final = 200 * MS
T = TypeVar("T")
M = TypeVar("M", bound=Message)


def is_in_process(target: str) -> bool:
    """Whether the target is run in this process, in virtual time."""
    return target in {PYTHON, REFERENCE} or Path(target).suffix in {".so", ".dylib", ".dll"}


def _has_room(at: int, taken: frozenset[int]) -> bool:
    """Whether no other actuator has this address, nor one to which cases speak as to another, that is not there."""
    return not {*range(at, at + 4), at ^ 1, at % 200 + 1, at % MAX_ADDRESS + 1} & taken


class InProcess:
    """A target that is built anew for each case.

    Attributes:
        target: as given to `--dut`.
        seed: of the first bus; others follow from the case's own name.
        libraries: files of firmware that were loaded since they were last taken out.
        neighbours: none; a case adds its own.
    """

    neighbours: tuple[bytes, ...] = ()

    is_port = False

    def __init__(self, target: str, seed: int = 0) -> None:
        """Raises InputError: it cannot be built or loaded."""
        from busproto.sim.errors import SimError

        self.target = target
        self.seed = seed
        self.libraries: set[Path] = set()
        self._rows: Mapping[str, m.ParameterDescription] | None = None
        try:
            self.build("first")
        except SimError as error:
            raise InputError(f"--dut '{target}': {error}") from error

    def build(
        self,
        name: str,
        *,
        address: int = HOME,
        stored: Mapping[str, RawValue] | None = None,
        baud: int = DEFAULT_BAUD,
        clock_ppm: int = 0,
        clock_us: int | None = None,
        neighbours: Mapping[bytes, int] | None = None,
        rating: Mapping[str, Any] | None = None,
        on_bench: bool = False,
    ) -> Dut:
        """A bus with the actuator under test, and with neighbours (address by uid), which are the simulator's own. The
        time to boot has passed: what comes before, an actuator may leave unheard.

        `clock_us`: the count of its clock at power-up, 0 to 2^32 - 1 us; None for any. The simulator's own actuator has
        no such clock: to it every count is the same. `rating` holds what differs in its model; `on_bench` puts a
        firmware on a desk bench (`Dut.bench`).
        """
        from busproto.sim.bus import VirtualBus
        from busproto.sim.kernel import Kernel

        bus = VirtualBus(Kernel(random.Random(f"{self.seed} {name}").getrandbits(32)), baud=baud)
        if on_bench and self.target == PYTHON:
            not_checked(NO_BENCH)
        which: dict[str, Any] = {"clock_ppm": clock_ppm, "clock_us": clock_us, "rating": rating, "on_bench": on_bench}
        actuator = self._plug(bus, self.target, UID, address, stored or {}, **which)
        side = Beside(InProcessSide(bus), UID)
        dut = Dut(bus.host, uid=UID, address=address, bus=bus, actuator=actuator, side=side)
        dut.bench = actuator.arm if on_bench else None
        dut.neighbours = [self._plug(bus, PYTHON, uid, at, {}) for uid, at in (neighbours or {}).items()]
        if self._rows is not None:
            dut.known_rows = dict(self._rows)
        dut.pass_time(BOOT_NS)
        return dut

    def _plug(
        self,
        bus: Any,
        target: str,
        uid: bytes,
        address: int,
        stored: Mapping[str, RawValue],
        *,
        clock_ppm: int = 0,
        clock_us: int | None = None,
        rating: Mapping[str, Any] | None = None,
        on_bench: bool = False,
    ) -> Any:
        from busproto.sim.actuators.actuator import Actuator
        from busproto.sim.actuators.model import ActuatorModel
        from busproto.sim.native.device import Device
        from busproto.sim.native.device_bench import Bench
        from busproto.sim.native.device_plant import Plant

        named: dict[str, Any] = {
            "label": f"actuator {len(bus.actuators)}",
            "uid": uid,
            "model": ActuatorModel(**{"name": MODEL_NAME, **(rating or {})}),
            "address": address,
            "stored": dict(stored),
            "position_deg": 0.0,
            "supply_mv": lambda: bus.supply_mv,
            "clock_ppm": clock_ppm,
        }
        if target == PYTHON:
            made: Any = Actuator(bus.kernel, bus.line, address_changed=lambda _: bus.index(), **named)
        else:
            plant = Bench if on_bench else Plant
            made = Device(bus.kernel, bus.line, library=target, clock_us=clock_us, plant=plant, **named)
            self.libraries.add(made.library_path)
        bus.add(made)
        return made

    def fresh(self, name: str) -> Dut:
        """A new actuator under test for one case."""
        return self.build(name)

    def done_with(self, dut: Dut) -> None:
        """After a case: its parameter list, if it was read, is kept for the next case."""
        self._rows = dut.known_rows or self._rows

    def close(self) -> None:
        """No effect: each case has a bus of its own."""


class OnPort:
    """An actuator behind a port.

    Attributes:
        target: the port's URL or device name.
        seed: for what is drawn.
        neighbours: uids of the other actuators on the line.
    """

    is_port = True

    def __init__(
        self,
        target: str,
        *,
        seed: int = 0,
        baud: int = DEFAULT_BAUD,
        uid: bytes | None = None,
        latency_ns: int | None = None,
        side: str | None = None,
    ) -> None:
        """Open the port, find the actuator under test, read its stored settings, and give it factory settings.

        Raises:
            InputError: not exactly one actuator is there, or none with that uid. Nothing was changed.
            BusError: the port, or the actuator, did not do it.
        """
        if target.startswith("sim://"):
            import busproto.sim  # noqa: F401 - makes the URL known
        self.target = target
        self.seed = seed
        self._side_port: TcpSide | None = None
        self._side: Beside | None = None
        self.transport: Transport = open_transport(target, baud, latency_ns=latency_ns)
        try:
            if side is not None:
                self._side_port = TcpSide(side)
            self._echoes = self._finds_echo()
            roster = self._run(lambda: find(rng=random.Random(seed)))
            found = {one.uid: one.address for one in roster.found}
            if uid is None and len(found) != 1:
                there = ", ".join(sorted(one.hex() for one in found)) or "no actuator"
                raise InputError(f"--dut '{target}': one actuator is wanted there, or --dut-uid; there are: {there}")
            self.uid = next(iter(found)) if uid is None else uid
            if self.uid not in found:
                raise InputError(f"--dut-uid {self.uid.hex()}: it is not on '{target}'")
            self.neighbours = tuple(sorted(set(found) - {self.uid}))
            if self._side_port is not None:
                self._side = Beside(self._side_port, self.uid)
            self._first_address = found[self.uid]
            taken = list(found.values())
            self._taken = frozenset(at for uid, at in found.items() if uid != self.uid)
            needs_one = self._first_address == UNADDRESSED or taken.count(self._first_address) > 1
            needs_one = needs_one or not _has_room(self._first_address, self._taken)
            free = [at for at in (HOME, *range(MIN_ADDRESS, MAX_ADDRESS + 1)) if at not in self._taken]
            roomy = next((at for at in free if _has_room(at, self._taken)), free[0])
            self.home = roomy if needs_one else self._first_address
            if needs_one:
                self._run(lambda: assign(self.uid, self.home))
            self._supply_mv = self._ask(m.Report(), m.Status).supply_mv
            self._first = self._stored()
            self._factory()
        except BaseException:
            self._let_go()
            raise

    def _let_go(self) -> None:
        self.transport.close()
        if self._side_port is not None:
            self._side_port.close()

    def _run(self, make: Callable[[], Steps[T]]) -> T:
        """Run a preparation, with retries for a busy machine. A judged request is never sent this way."""
        for chance in range(CHANCES):
            link = Link(self.transport)
            link.session.echoes = self._echoes
            try:
                return link.run(make())
            except (ReplyTimeoutError, NodeRefusedError) as error:
                # a write whose reply came too late may still be under way, and then refuses the next one
                is_busy = not isinstance(error, NodeRefusedError) or error.code == m.Outcome.STORE_FAILED
                if chance == CHANCES - 1 or not is_busy:
                    raise
                self.transport.read_until(self.transport.now_ns() + PATIENCE_NS)
        raise AssertionError

    def _ask(self, message: Message, kind: type[M], *, slow: bool = False) -> M:
        return self._run(lambda: transact(message, self.home, kind, slow=slow))

    def _finds_echo(self) -> bool:
        data = encode_frame(request_frame(m.Suppress(1, bytes(7) + b"\x01"), BROADCAST_ADDRESS, 0))
        self.transport.read_until(0)
        self.transport.write(data)
        end_ns = self.transport.now_ns() + self.transport.latency_ns + 300 * MS
        heard = b""
        while len(heard) < len(data) and self.transport.now_ns() < end_ns:
            heard += self.transport.read_until(end_ns)
        return heard == data

    def _stored(self) -> dict[int, bytes]:
        """The raw stored value of every parameter, by number."""
        values: dict[int, bytes] = {}
        for index in range(self._run(lambda: describe(self.home)).parameter_count):
            row = self._ask(m.DescribeParameter(index), m.ParameterDescription)
            values[row.number] = self._ask(m.Read(m.Memory.STORED, bytes([row.number])), m.Values).values
        return values

    def _factory(self) -> None:
        self._ask(m.Undo(m.Memory.FACTORY), m.Undone)
        self._ask(m.Commit(), m.Committed, slow=True)
        self._generation = self._run(lambda: describe(self.home)).generation

    def fresh(self, name: str) -> Dut:
        """The actuator as after power-up, with factory settings at its address."""
        self._power_again()
        if self._side is not None and "supply" in self._side.words:  # a case that failed may have left another
            self._side.order_all("supply", f"{self._supply_mv / 1000:g}")
        self._home_again()
        self._hush()
        self._run(lambda: restart(self.home))
        dut = Dut(
            self.transport,
            uid=self.uid,
            address=self.home,
            side=self._side,
            echoes=self._echoes,
            others=self.neighbours,
            taken=self._taken,
        )
        dut.pass_time(50 * MS)
        if self._run(lambda: describe(self.home)).generation != self._generation:
            self._factory()
        if self._rows is not None:
            dut.known_rows = dict(self._rows)
        return dut

    _rows: Mapping[str, m.ParameterDescription] | None = None

    def _power_again(self) -> None:
        """Restore its power where a case has left it without."""
        if self._side is not None and {"who", "plug"} <= self._side.words and not self._side.is_powered:
            self._side.order("plug")
            self.transport.read_until(self.transport.now_ns() + 50 * MS)

    def _home_again(self) -> None:
        """Restore its address where a case has changed it."""
        wire = encode_frame(request_frame(m.Describe(), self.home, 0))
        self.transport.read_until(self.transport.now_ns() + 5 * MS)
        probe = Dut(self.transport, uid=self.uid, address=self.home, echoes=self._echoes)
        _, frames, _ = probe.frames_after(wire, count=1)
        if not any(frame.tag == probe.tag and frame.source == self.home for frame in frames):
            self._run(lambda: write_address(self.uid, self.home))  # no case gives that address to another

    def _hush(self) -> None:
        """Have the neighbours acknowledged in the epoch of the cases, so that they answer no call in it.

        A digest acknowledges an actuator that answered the call before, also where its answer was lost in a collision.
        The actuator under test is not acknowledged; the restart of each case makes it forget what it answered.
        """
        if not self.neighbours:
            return
        probe = Dut(self.transport, uid=self.uid, address=self.home, echoes=self._echoes)
        for salt in range(2 * CHANCES):
            window = window_ns(HUSH_SLOTS) + len(self.neighbours) * probe.airtime_ns(MAX_WIRE_BYTES)
            _, _, heard = probe.frames_after(
                probe.wire(m.RollCall(EPOCH, salt, HUSH_SLOTS, ()), BROADCAST_ADDRESS),
                window_ns=window,
                patience_ns=QUIET_PORT_NS,
            )
            if all(frame.tag == probe.tag for frame in replies_in(heard)) and heard == b"".join(
                map(encode_frame, replies_in(heard))
            ):
                return
            digests = [digest_of(uid_hash(uid, EPOCH, salt)) for uid in self.neighbours]
            for first in range(0, len(digests), m.MAX_DIGESTS_PER_CALL):
                some = tuple(digests[first : first + m.MAX_DIGESTS_PER_CALL])
                probe.tell(m.RollCall(EPOCH, salt, 0, some))
        raise BusError(f"{self.target}: the other actuators on the line cannot be hushed; take them off for this run")

    def done_with(self, dut: Dut) -> None:
        """See `InProcess.done_with`; it goes limp."""
        self._rows = dut.known_rows or self._rows
        with contextlib.suppress(BusError):
            dut.tell(m.Release())

    def close(self) -> None:
        """Put back its stored settings and its address, and close the port.

        Raises:
            BusError: that could not be done.
        """
        try:
            self._power_again()
            self._home_again()
            self._ask(m.Undo(m.Memory.FACTORY), m.Undone)
            for number, raw in self._first.items():
                self._ask(m.Write(number, raw), m.Written)
            self._ask(m.Commit(), m.Committed, slow=True)
            if self._first_address != self.home:
                # it had this address with others, maybe: the reply to the write is the proof then
                with contextlib.suppress(AddressConflictError):
                    self._run(lambda: write_address(self.uid, self._first_address))
        finally:
            self._let_go()


Target = InProcess | OnPort


def open_target(
    target: str,
    *,
    seed: int = 0,
    baud: int = DEFAULT_BAUD,
    uid: bytes | None = None,
    latency_ns: int | None = None,
    side: str | None = None,
) -> Target:
    """The target that `--dut` names; the last four arguments are for a port. `latency_ns`: how long its adapter may
    keep bytes back. `side`: HOST:PORT of a side channel.

    Raises:
        InputError: there is no such target, or it is not clear which actuator is meant.
        BusError: the port, or the actuator, did not do it.
    """
    if is_in_process(target):
        return InProcess(target, seed)
    return OnPort(target, seed=seed, baud=baud, uid=uid, latency_ns=latency_ns, side=side)
