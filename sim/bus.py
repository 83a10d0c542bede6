"""A whole virtual bus: kernel, line, actuators, and the port at which the host is plugged in.

The actuators share one decoder, as all hear the same line: a frame is decoded once and handed to those it is for.
Not modelled: receivers that hear different things.
"""

from __future__ import annotations

from collections import defaultdict
from typing import Final

from busproto.errors import DecodeError
from busproto.wire import BadFrame, Decoder, Frame, Message, message_of
from busproto.wire.frame import BROADCAST_ADDRESS, DEFAULT_BAUD
from sim.actuator import Actuator
from sim.errors import IdleForeverError
from sim.kernel import Kernel
from sim.line import Line, Reception
from sim.uart import bytes_ns

DEFAULT_SUPPLY_MV: Final = 7400


class VirtualBus:
    """Everything on one line.

    Attributes:
        kernel: virtual time.
        line: the medium.
        actuators: in the order they were added.
        supply_mv: at every actuator, mV.
        host: the host's port.
    """

    def __init__(
        self, kernel: Kernel, *, baud: int = DEFAULT_BAUD, echo: bool = True, max_frames: int | None = None
    ) -> None:
        self.kernel = kernel
        self.line = Line(kernel, baud, max_frames=max_frames)
        self.actuators: list[Actuator] = []
        self.supply_mv = DEFAULT_SUPPLY_MV
        self.host = HostPort(self, echo=echo)
        self._decoder = Decoder()
        self._by_address: dict[int, list[Actuator]] = {}
        self.line.listen(self._heard)

    def add(self, actuator: Actuator) -> None:
        """Plug an actuator in."""
        self.actuators.append(actuator)
        self.index()

    def index(self) -> None:
        """An actuator's address has changed."""
        table: dict[int, list[Actuator]] = defaultdict(list)
        for actuator in self.actuators:
            table[actuator.address].append(actuator)
        self._by_address = table

    def set_baud(self, baud: int) -> None:
        """Everyone on the line changes to this rate."""
        self.line.baud = self.host.baud = baud

    def labelled(self, label: str) -> Actuator:
        """The actuator that the scenario calls so. Raises KeyError where there is none."""
        for actuator in self.actuators:
            if actuator.label == label:
                return actuator
        raise KeyError(label)

    def _heard(self, reception: Reception) -> None:
        data = reception.data
        sender = reception.transmissions[0].sender
        if sender is not self.host and not reception.details and data == reception.transmissions[0].data:
            is_frame = not (data[0] or data[-1])
            if not self._decoder.pending_bytes or not is_frame:
                return  # a reply, or a bare byte in answer to a book: only the host listens to those
        for found in self._decoder.feed(data):
            if isinstance(found, BadFrame):
                for actuator in self.actuators:
                    if actuator.is_powered:
                        actuator.heard_bad()
            elif not found.is_reply:
                self._hand_out(found)

    def _hand_out(self, frame: Frame) -> None:
        message: Message | None
        try:
            message = message_of(frame)
        except DecodeError:
            message = None
        if frame.destination == BROADCAST_ADDRESS:
            listeners = self.actuators
        else:
            listeners = self._by_address.get(frame.destination, [])
        for actuator in tuple(listeners):
            if actuator.is_powered:
                actuator.heard(frame, message)


class HostPort:
    """The host's end of the line: bytes out, bytes in, virtual time. It fits the host side's transport by shape.

    Attributes:
        url: for messages.
        latency_ns: no adapter sits between, so none.
        echo: whether the host hears its own bytes.
    """

    url = "sim://"
    latency_ns = 0

    def __init__(self, bus: VirtualBus, *, echo: bool) -> None:
        self._bus = bus
        self._received = bytearray()
        self._free_ns = 0
        self.echo = echo
        self.baud = bus.line.baud
        bus.line.listen(self._heard)

    def _heard(self, reception: Reception) -> None:
        self._received += reception.data if self.echo else reception.without_own(self)

    def now_ns(self) -> int:
        """Virtual time, ns."""
        return self._bus.kernel.now_ns

    def write(self, data: bytes) -> None:
        """Put bytes on the line, behind those that are still going out. Does not wait."""
        if not data:
            return
        kernel = self._bus.kernel
        start_ns = max(kernel.now_ns, self._free_ns)
        self._free_ns = start_ns + bytes_ns(len(data), self.baud)
        if start_ns == kernel.now_ns:
            self._transmit(data)
        else:
            kernel.at(start_ns, lambda: self._transmit(data))

    def _transmit(self, data: bytes) -> None:
        self._bus.line.transmit(self, data)

    @property
    def sent_at_ns(self) -> int:
        """When the last byte written will have left, ns."""
        return self._free_ns

    def wait_for_more(self, deadline_ns: int | None) -> None:
        """Let virtual time run until more bytes have arrived, or the deadline.

        Raises:
            IdleForeverError: there is no deadline, and nothing is going to happen on this bus any more.
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
        """What has arrived; where nothing has, let time run until something does, or the deadline."""
        if not self._received:
            self.wait_for_more(deadline_ns)
        return self.take()

    @property
    def waiting_bytes(self) -> int:
        """Bytes that have arrived and were not taken."""
        return len(self._received)

    def take(self, count: int | None = None) -> bytes:
        """Take up to `count` bytes that have arrived, all where it is None."""
        data = bytes(self._received[:count])
        del self._received[:count]
        return data

    def close(self) -> None:
        """Nothing to do: the bus goes with its last user."""
