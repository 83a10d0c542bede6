"""pyserial's side of the virtual bus: ``serial.serial_for_url("sim://SCENARIO?seed=N")``.

SCENARIO is the name of a shipped scenario or the path of a file. With ``native-code=yes`` in the query the scenario may
name shared libraries, which are then run. Time is virtual: a read lets it run until bytes
arrive or the time-out has passed *in virtual time*, so nothing ever waits. Each read of ``in_waiting``, and each read
with a time-out of 0, lets one byte time pass, so that a polling loop makes progress. Each opening makes a new bus.

Not modelled: control lines, break, parity; they are accepted and have no effect.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any
from urllib.parse import parse_qs, unquote, urlsplit

from serial.serialutil import PortNotOpenError, SerialBase, SerialException

from busproto.sim.bus import VirtualBus
from busproto.sim.errors import SimError
from busproto.sim.line.receiver import byte_ns
from busproto.sim.line.waveform import BITS_PER_BYTE, NS_TIMES_MICRO, rate_of
from busproto.sim.scene.scenario import NATIVE_WORD, Scenario, load

SCHEME = "sim"
MAX_SEED = 2**63 - 1


@dataclass(frozen=True, slots=True)
class SimUrl:
    """What a ``sim://`` URL says.

    Attributes:
        name: of a shipped scenario, or the path of a file.
        seed: 0..MAX_SEED.
        native: whether the scenario may name libraries that are then run.
    """

    name: str
    seed: int = 0
    native: bool = False

    def load(self) -> Scenario:
        """Load the scenario that the URL names. Raises ScenarioError."""
        return load(self.name, native=self.native)


def parse_url(url: str) -> SimUrl:
    """What a ``sim://`` URL says.

    Raises:
        ValueError: not such a URL; the text says what is expected.
    """
    form = f"'{url}' is not of the form sim://SCENARIO?seed=N"
    parts = urlsplit(url)
    if parts.scheme != SCHEME:
        raise ValueError(form)
    scenario = unquote(parts.netloc + parts.path)
    query = parse_qs(parts.query, keep_blank_values=True)
    unknown = set(query) - {"seed", NATIVE_WORD}
    if not scenario or unknown:
        raise ValueError(form + (f": unknown '{min(unknown)}'" if unknown else ": no scenario"))
    seeds = query.get("seed", ["0"])
    if len(seeds) != 1 or not seeds[0].isdecimal() or int(seeds[0]) > MAX_SEED:
        raise ValueError(f"'{url}': seed is a whole number 0..{MAX_SEED}")
    if query.get(NATIVE_WORD, ["yes"]) != ["yes"]:
        raise ValueError(f"'{url}': {NATIVE_WORD} is 'yes', or is left out")
    return SimUrl(scenario, int(seeds[0]), NATIVE_WORD in query)


class Serial(SerialBase):
    """A pyserial port whose other end is a virtual bus.

    Attributes:
        bus: the virtual bus while open.
    """

    BAUDRATES = (9600, 19200, 38400, 57600, 115200, 230400, 460800, 500000, 921600, 1000000)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        self.bus: VirtualBus | None = None
        super().__init__(*args, **kwargs)

    def open(self) -> None:
        """Make the bus. Raises SerialException where the URL or the scenario cannot be used."""
        if self.is_open:
            raise SerialException("port is already open")
        try:
            wanted = parse_url(self.portstr or "")
            self.bus = wanted.load().build(wanted.seed, baud=self.baudrate)
        except (SimError, ValueError) as error:
            raise SerialException(str(error)) from error
        self.is_open = True

    def close(self) -> None:
        """Close the port; the bus is dropped."""
        self.is_open = False

    def _open_bus(self) -> VirtualBus:
        if not self.is_open or self.bus is None:
            raise PortNotOpenError
        return self.bus

    def monotonic_ns(self) -> int:
        """The clock that belongs to this port: virtual time, ns."""
        return self._open_bus().kernel.now_ns

    @property
    def latency_ns(self) -> int:
        """Longest time for which an adapter keeps bytes back, ns: 0."""
        return 0

    @property
    def in_waiting(self) -> int:
        """Number of bytes that have arrived; one byte time passes where there are none."""
        bus = self._open_bus()
        if not bus.host.waiting_bytes:
            self._run(lambda: bus.kernel.run_until(bus.kernel.now_ns + byte_ns(rate_of(bus.line.baud))))
        return bus.host.waiting_bytes

    @property
    def out_waiting(self) -> int:
        """Number of bytes not yet on the line."""
        bus = self._open_bus()
        left_ns = max(0, bus.host.sent_at_ns - bus.kernel.now_ns)
        return -(-left_ns * rate_of(bus.line.baud) // (BITS_PER_BYTE * NS_TIMES_MICRO))

    def read(self, size: int = 1) -> bytes:
        """Up to `size` bytes; fewer where the time-out passes first."""
        bus = self._open_bus()
        kernel, host = bus.kernel, bus.host
        deadline_ns = None
        if self.timeout is not None:
            wait_ns = round(self.timeout * 1e9) or byte_ns(rate_of(bus.line.baud))
            deadline_ns = kernel.now_ns + wait_ns
        while host.waiting_bytes < size:
            before = host.waiting_bytes
            if deadline_ns is None:
                self._run(lambda: host.wait_for_more(None))
            else:
                self._run(lambda: host.wait_for_more(deadline_ns))
                if host.waiting_bytes == before:
                    break
        return host.take(size)

    def write(self, data: Any) -> int:
        """Put bytes on the line; does not wait."""
        raw = bytes(data)
        bus = self._open_bus()
        self._run(lambda: bus.host.write(raw))
        return len(raw)

    def flush(self) -> None:
        """Let time run until everything written has left."""
        bus = self._open_bus()
        self._run(lambda: bus.kernel.run_until(bus.host.sent_at_ns))

    def reset_input_buffer(self) -> None:
        """Throw away what has arrived."""
        self._open_bus().host.take()

    def reset_output_buffer(self) -> None:
        """No effect: written bytes are on the line already."""
        self._open_bus()

    def _run(self, action: Any) -> None:
        try:
            action()
        except SimError as error:
            raise SerialException(str(error)) from error

    def _reconfigure_port(self) -> None:
        """A new rate holds for the whole virtual line: both ends always agree."""
        if self.bus is not None and self.is_open and self.baudrate not in {0, self.bus.line.baud}:
            self.bus.set_baud(self.baudrate)

    def _update_break_state(self) -> None:
        """No effect: break is not modelled."""

    def _update_rts_state(self) -> None:
        """No effect: RTS is not modelled."""

    def _update_dtr_state(self) -> None:
        """No effect: DTR is not modelled."""

    @property
    def cts(self) -> bool:
        """CTS: always on."""
        return True

    @property
    def dsr(self) -> bool:
        """DSR: always on."""
        return True

    @property
    def ri(self) -> bool:
        """RI: always off."""
        return False

    @property
    def cd(self) -> bool:
        """CD: always on."""
        return True
