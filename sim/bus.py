"""A whole virtual bus: kernel, line, actuators, and the port at which the host is plugged in.

Actuators that hear the same bytes share one decoder: a frame is decoded once and handed to the actuators it addresses.
An actuator that hears other bytes (noise at its own input, its own clock in a collision) decodes for itself until
nothing is pending there. Actuators do not decode each other's answers, they only sense that the line is busy: answers
would change nothing but their count of bad frames after a collision. A device under test (`busproto.sim.native.device`)
hears and decodes every byte by itself.
"""

from __future__ import annotations

import random
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Final, Self, cast

from busproto.errors import DecodeError, LinkClosedError
from busproto.sim.actuators.actuator import Actuator
from busproto.sim.errors import IdleForeverError
from busproto.sim.kernel import Kernel
from busproto.sim.line.hearing import Ear, LineKind, Reception, Transmission
from busproto.sim.line.line import Line
from busproto.sim.line.receiver import Receiver
from busproto.sim.line.waveform import BITS_PER_BYTE, bits_ns, rate_of
from busproto.sim.mechanics.supply import Supply
from busproto.sim.mechanics.surface import Hinge, Link, Member, Surface
from busproto.sim.native.device import Device
from busproto.sim.native.device_library import DeviceError
from busproto.wire import BadFrame, Decoder, Frame, Message, message_of
from busproto.wire.frame import BROADCAST_ADDRESS, DEFAULT_BAUD

DEFAULT_SUPPLY_MV: Final = 7400
PHASE_RANGE_NS: Final = 10_000


class VirtualBus:
    """Everything on one line.

    Attributes:
        kernel: virtual time.
        line: the medium.
        actuators: in the order they were added.
        supply_mv: open-circuit voltage of the pack, mV; a change reaches each actuator at once.
        supply: the pack and the leads, with the voltage at each actuator.
        host: the host's port.
        unfitted: surfaces whose rods are not fitted yet, by name; calling the entry fits them.
        on_frame: when set, called with time, actuator and frame whenever an actuator hears a valid request (traces,
            tests).
    """

    def __init__(
        self,
        kernel: Kernel,
        *,
        baud: int = DEFAULT_BAUD,
        echo: bool = True,
        kind: LineKind = LineKind.OPEN_DRAIN,
        oversampling: int = 0,
        max_frames: int | None = None,
        always_bits: bool = False,
        pack_ohm: float = 0.0,
    ) -> None:
        self.kernel = kernel
        self.supply = Supply(kernel, DEFAULT_SUPPLY_MV, pack_ohm)
        self.line = Line(kernel, baud, kind=kind, max_frames=max_frames, always_bits=always_bits)
        self.actuators: list[Actuator] = []
        self._surfaces: dict[str, Surface] = {}
        self.unfitted: dict[str, Callable[[], Surface]] = {}
        self._devices: list[Device] = []
        self.on_frame: Callable[[int, Actuator, Frame], None] | None = None
        self._oversampling = oversampling
        self.host = HostPort(self, echo=echo, receiver=self._receiver("host", baud))
        self._listeners = _ActuatorAudience(self)
        self.line.listen(self.host)
        self.line.listen(self._listeners)
        self._by_address: dict[int, list[Actuator]] = {}

    def __repr__(self) -> str:
        who = ", ".join(f"{one.address}: {one.uid.hex()}" for one in self.actuators)
        return f"<VirtualBus at {self.line.baud} Bd, {self.kernel.now_ns} ns; {who or 'no actuator'}>"

    def _receiver(self, name: str, baud: int, clock_ppm: int = 0) -> Receiver:
        phase_ns = self.kernel.stream(f"sampling {name}").randrange(PHASE_RANGE_NS)
        return Receiver(baud, clock_ppm=clock_ppm, oversampling=self._oversampling, phase_ns=phase_ns)

    def add(self, actuator: Actuator | Device, lead_ohm: float = 0.0) -> None:
        """Plug in an actuator or a device under test; both are then in `actuators`.

        `lead_ohm` is the resistance of its lead, out and back.
        """
        self.supply.add(actuator, lead_ohm)
        receiver = self._receiver(actuator.label, actuator.own_baud or self.line.baud, actuator.clock_ppm)
        if isinstance(actuator, Device):
            self._devices.append(actuator)
            # a Device has the attributes that the bus and its events use
            self.actuators.append(cast("Actuator", actuator))
            actuator.join(receiver)
        else:
            self.actuators.append(actuator)
            self._listeners.ears.append(self.line.new_ear(actuator, actuator.label, receiver))
        self.index()

    @property
    def supply_mv(self) -> int:
        """See the class."""
        return self.supply.open_mv

    @supply_mv.setter
    def supply_mv(self, supply_mv: int) -> None:
        self.supply.open_mv = supply_mv

    def link(self, name: str, hinge: Hinge, links: Mapping[str, Link]) -> Surface:
        """Put actuators, by their labels, on one surface. An actuator belongs on one at most.

        Raises:
            DeviceError: one of them is a device under test, whose arm cannot be linked.
        """
        for device in self._devices:
            if device.label in links:
                raise DeviceError(f"'{device.label}' is a device under test and cannot be linked to a surface")
        members = [
            Member(
                label,
                self.labelled(label).arm,
                self.labelled(label).model.stall_torque_mnm / 1000,
                link.stiffness_nm_deg,
                link.ratio,
                link.offset_deg,
            )
            for label, link in links.items()
        ]
        self._surfaces[name] = Surface(name, members, hinge, lambda: self.kernel.now_ns)
        return self._surfaces[name]

    def surface(self, name: str) -> Surface:
        """The surface of that name in the scenario. Raises KeyError where there is none."""
        return self._surfaces[name]

    @property
    def surfaces(self) -> tuple[Surface, ...]:
        """All surfaces on the bus."""
        return tuple(self._surfaces.values())

    def index(self) -> None:
        """An actuator's address has changed."""
        table: dict[int, list[Actuator]] = defaultdict(list)
        for actuator in self.actuators:
            table[actuator.address].append(actuator)
        self._by_address = table

    def set_baud(self, baud: int) -> None:
        """Change the host and every actuator to this rate, but for actuators with a rate of their own."""
        self.line.baud = self.host.baud = baud
        self.host.ears[0].receiver.set_baud(baud)
        for ear in (*self._listeners.ears, *(ear for device in self._devices for ear in device.ears)):
            assert isinstance(ear.owner, Actuator | Device)
            ear.receiver.set_baud(ear.owner.own_baud or baud)
        self.line.clocks_changed()

    def labelled(self, label: str) -> Actuator:
        """The actuator of that label in the scenario. Raises KeyError where there is none."""
        for actuator in self.actuators:
            if actuator.label == label:
                return actuator
        raise KeyError(label)

    def hand_out(self, found: Frame | BadFrame, to: Iterable[Actuator] | None = None) -> None:
        """Hand the frames that a decoder found to the actuators they address, among all or among those in `to`."""
        if isinstance(found, BadFrame):
            for actuator in self.actuators if to is None else to:
                if actuator.is_powered:
                    actuator.heard_bad()
            return
        if found.is_reply:
            return
        message: Message | None
        try:
            message = message_of(found)
        except DecodeError:
            message = None
        is_for_all = found.destination == BROADCAST_ADDRESS
        meant = self.actuators if is_for_all else self._by_address.get(found.destination, [])
        for actuator in self.actuators if to is None else to:
            if not actuator.is_powered:
                continue
            if actuator not in meant:
                actuator.overheard()
            else:
                if self.on_frame is not None:
                    self.on_frame(self.kernel.now_ns, actuator, found)
                actuator.heard(found, message)


class _ActuatorAudience:
    """All actuators as one listener of the line."""

    is_eager = False

    def __init__(self, bus: VirtualBus) -> None:
        self.ears: list[Ear] = []
        self._bus = bus
        self._decoder = Decoder()
        self._own: dict[int, Decoder] = {}

    def attends(self, senders: Sequence[object]) -> bool:
        """Actuators decode the line unless only actuators drive it."""
        return not all(isinstance(sender, Actuator | Device) for sender in senders)

    def heard_alike(self, reception: Reception, but: Sequence[Ear]) -> None:
        """The same bytes reached every actuator, but for those in `but`."""
        if not but and not self._own:
            for found in self._decoder.feed(reception.data):
                self._bus.hand_out(found)
            return
        told = {id(ear) for ear in but}
        in_step: list[Actuator] = []
        for ear in self.ears:
            if id(ear) in self._own and id(ear) not in told:
                self._feed_own(ear, reception)
            elif id(ear) not in told:
                assert isinstance(ear.owner, Actuator)
                in_step.append(ear.owner)
        for found in self._decoder.feed(reception.data):
            self._bus.hand_out(found, in_step)
        self._back_in_step()

    def heard_apart(self, ear: Ear, reception: Reception) -> None:
        """These bytes reached this actuator only."""
        if id(ear) not in self._own:
            self._own[id(ear)] = self._decoder.copy()
        self._feed_own(ear, reception)
        if reception.transmissions and reception.details:
            # no two actuators shared this reception: each now has the pending bytes in its own decoder
            self._back_in_step()

    def _feed_own(self, ear: Ear, reception: Reception) -> None:
        assert isinstance(ear.owner, Actuator)
        for found in self._own[id(ear)].feed(reception.without_own(ear.owner)):
            self._bus.hand_out(found, (ear.owner,))

    def _back_in_step(self) -> None:
        """Actuators with nothing pending use the shared decoder again, once nothing is pending there either."""
        if not self._decoder.pending_bytes:
            self._own = {key: own for key, own in self._own.items() if own.pending_bytes}


class HostPort:
    """The host's end of the line: bytes out, bytes in, virtual time. It has the methods of the host side's transport.

    Attributes:
        url: its name in messages.
        echo: whether the host hears its own bytes.
        batch_ns: an adapter passes bytes on only at multiples of this, as USB ones do; 0 for at once.
        drop_rate, double_rate: chance that the adapter loses a byte, or passes it on twice.
        ears: its one receiver.
        on_sent: when set, called with each transmission as it begins.
    """

    url = "sim://"
    is_eager = True

    def __init__(self, bus: VirtualBus, *, echo: bool, receiver: Receiver) -> None:
        self._bus = bus
        self._received = bytearray()
        self._held = bytearray()
        self._free_ns = 0
        self._is_open = True
        self._stream: random.Random = bus.kernel.stream("host adapter")
        self.echo = echo
        self.baud = bus.line.baud
        self.batch_ns = 0
        self.drop_rate = 0.0
        self.double_rate = 0.0
        self.on_sent: Callable[[Transmission], None] | None = None
        self.ears = [bus.line.new_ear(self, "host", receiver)]

    @property
    def latency_ns(self) -> int:
        """Longest time for which the adapter keeps bytes back, ns."""
        return self.batch_ns

    def attends(self, senders: Sequence[object]) -> bool:
        """The host takes bytes of every sender."""
        return True

    def heard_alike(self, reception: Reception, but: Sequence[Ear]) -> None:
        """Take bytes that arrived unchanged."""
        if not but:
            self._take_in(reception)

    def heard_apart(self, ear: Ear, reception: Reception) -> None:
        """Take bytes that the receiver sampled."""
        self._take_in(reception)

    def _take_in(self, reception: Reception) -> None:
        data = reception.data if self.echo else reception.without_own(self)
        if self.drop_rate or self.double_rate:
            data = b"".join(bytes([byte]) * self._times() for byte in data)
        if not self.batch_ns:
            self._received += data
        elif data:
            if not self._held:
                now = self._bus.kernel.now_ns
                self._bus.kernel.at(-(-now // self.batch_ns) * self.batch_ns, self._release)
            self._held += data

    def _times(self) -> int:
        draw = self._stream.random()
        if draw < self.drop_rate:
            return 0
        return 2 if draw < self.drop_rate + self.double_rate else 1

    def set_adapter(self, batch_ns: int, drop_rate: float, double_rate: float) -> None:
        """Change what the adapter does to bytes on their way in."""
        self.batch_ns, self.drop_rate, self.double_rate = batch_ns, drop_rate, double_rate
        if not batch_ns:
            self._release()

    def _release(self) -> None:
        self._received += self._held
        self._held.clear()

    def now_ns(self) -> int:
        """Virtual time, ns."""
        return self._bus.kernel.now_ns

    def write(self, data: bytes) -> None:
        """Put bytes on the line, after those still being sent. Does not wait."""
        self._require_open()
        if not data:
            return
        kernel = self._bus.kernel
        start_ns = max(kernel.now_ns, self._free_ns)
        self._free_ns = start_ns + bits_ns(len(data) * BITS_PER_BYTE, rate_of(self.baud))
        if start_ns == kernel.now_ns:
            self._transmit(data)
        else:
            kernel.at(start_ns, lambda: self._transmit(data))

    def _transmit(self, data: bytes) -> None:
        sent = self._bus.line.transmit(self, data)
        if self.on_sent is not None:
            self.on_sent(sent)

    @property
    def sent_at_ns(self) -> int:
        """When the last byte written will have left, ns."""
        return self._free_ns

    def wait_for_more(self, deadline_ns: int | None) -> None:
        """Let virtual time run until more bytes have arrived, or the deadline.

        Raises:
            IdleForeverError: there is no deadline, and no event is left on this bus.
        """
        kernel = self._bus.kernel
        before = len(self._received)
        while len(self._received) == before:
            due_ns = kernel.next_ns()
            if deadline_ns is None and due_ns is None:
                raise IdleForeverError
            if deadline_ns is not None and (due_ns is None or due_ns > deadline_ns):
                kernel.run_until(deadline_ns)
                self._bus.line.flush()
                return
            kernel.step()

    def read_until(self, deadline_ns: int) -> bytes:
        """The bytes that have arrived; where there are none, let time run until there are, or to the deadline."""
        self._require_open()
        if not self._received:
            self.wait_for_more(deadline_ns)
        return self.take()

    @property
    def waiting_bytes(self) -> int:
        """Number of bytes that have arrived and were not taken."""
        return len(self._received)

    def take(self, count: int | None = None) -> bytes:
        """Take up to `count` bytes that have arrived; all where `count` is None."""
        data = bytes(self._received[:count])
        del self._received[:count]
        return data

    def close(self) -> None:
        """Unplug the host; the bus itself goes on."""
        self._is_open = False

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _require_open(self) -> None:
        if not self._is_open:
            raise LinkClosedError(self.url)
