"""A device under test: a firmware in C, in lockstep with the virtual bus, beside actuators written in Python.

It hears every byte on the line through a receiver of its own, also the answers of others and the remains of collisions,
and senses the line by its edges, which it sees a moment late. Its microseconds are those of its own clock, with its
error and its resolution. The clock begins at any count, or where a test wants it, so that overflow is exercised. Its
stored memory outlasts a power cut, and a byte that is being programmed then may hold anything between the old and the
new. Not modelled: the time that the firmware itself takes; a firmware that never returns stops the bus.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from busproto.sim.actuators.model import ActuatorModel
from busproto.sim.actuators.storage import ERASED, SPOILED_BIT
from busproto.sim.kernel import Event, Kernel
from busproto.sim.line.hearing import Ear, Reception
from busproto.sim.line.line import Line
from busproto.sim.line.receiver import Receiver
from busproto.sim.line.waveform import BITS_PER_BYTE, PPM, bits_ns, half_bits_ns, rate_of
from busproto.sim.mechanics.supply import Fed
from busproto.sim.native.device_library import REFERENCE, RENUMBER, DeviceError, open_library
from busproto.sim.native.device_plant import Plant
from busproto.wire.frame import Frame
from busproto.wire.hash import device_tag
from busproto.wire.message import Message
from busproto.wire.messages import State
from busproto.wire.parameters import BY_NAME, RawValue
from busproto.wire.timing import DETECT_NS

PAGES: Final = 2
PAGE_BYTES: Final = 256
ERASE_US: Final = 20_000
PROGRAM_US: Final = 30
GARBAGE: Final = 0xA5
"""Content of stored memory before the first start of a firmware."""
_CLOCK: Final = 1 << 32


class Device(Fed[Plant]):
    """One firmware on the line, with the interface of `busproto.sim.actuators.actuator.Actuator` towards the bus.

    Attributes:
        label: the scenario's name for it; the bus never sees it.
        uid: 8 bytes.
        arm: motor, gear and sensors that it drives.
        is_powered: without power it neither hears nor drives.
        is_mute: its bytes never reach the line (a fault).
        own_baud: a line rate of its own (a fault); None for the rate of the line.
        clock_ppm: by how much its clock is fast, parts per million.
        late_ns: delay added to each answer (a fault).
        pages: stored memory, as a memory chip would show it.
        written_bytes: bytes of stored memory written so far.
        erase_us: time to erase a page, us.
        worn: (page, place) of cells that can no longer be programmed.
        failure: an error raised in a callback, kept until the C call has returned.
    """

    is_eager = False

    def __init__(
        self,
        kernel: Kernel,
        line: Line,
        *,
        label: str,
        uid: bytes,
        model: ActuatorModel,
        address: int,
        stored: Mapping[str, RawValue] | None,
        position_deg: float,
        supply_mv: Callable[[], int],
        library: str = REFERENCE,
        own_baud: int | None = None,
        clock_ppm: int = 0,
        clock_us: int | None = None,
        plant: type[Plant] = Plant,
    ) -> None:
        """`stored` are raw settings that differ from the factory's; None for empty stored memory without an address.
        `plant` is what it drives: an arm, or a bench.

        `clock_us` is the count of its clock now, 0 to 2^32 - 1 us; None for any.

        Raises:
            DeviceError: the library cannot be used.
        """
        self.label = label
        self.uid = uid
        self.model = model
        self.tag = device_tag(uid)
        self.arm = plant(kernel, label, model, position_deg, supply_mv)
        self.is_powered = False
        self.is_mute = False
        self.own_baud = own_baud
        self.clock_ppm = clock_ppm
        self.late_ns = 0
        self.pages = [bytearray([ERASED]) * PAGE_BYTES for _ in range(PAGES)]
        self.written_bytes = 0
        self._cut_in_byte: int | None = None
        self.erase_us = ERASE_US
        self.worn: set[tuple[int, int]] = set()
        self.failure: BaseException | None = None
        self.ears: list[Ear] = []
        self._kernel = kernel
        self._line = line
        self._stream = kernel.stream(f"device {label}")
        self._offset_us = self._stream.getrandbits(32)
        if clock_us is not None:
            self.set_clock(clock_us)
        self._supply_mv = supply_mv
        self._starts = 0
        self._wake: Event | None = None
        self._edge: Event | None = None
        self._torn: tuple[int, int, bytearray] | None = None
        self._brown_out: tuple[int, int, bool] | None = None
        self._library = open_library(library)  # kept alive: it holds the callbacks of the C code
        self._ffi, self._lib = self._library.ffi, self._library.lib
        self._handle = self._ffi.new_handle(self)
        self._hardware = self._library.hardware(self._handle)
        self._identity = self._made_identity()
        self._until = self._ffi.new("uint32_t *")
        self._memory = self._ffi.new("uint64_t[]", self._lib.bp_device_size() // 8 + 1)
        self._device = self._ffi.cast("bp_device *", self._memory)
        if stored is not None:
            self._provision(address, stored)
        self.power_on()

    @property
    def library_path(self) -> Path:
        """The file that was loaded for it."""
        return self._library.path

    def _made_identity(self) -> Any:
        model, made = self.model, self._ffi.new("bp_identity *")
        made.uid = self.uid
        made.model = model.name.encode("ascii")
        made.firmware_major, made.firmware_minor = model.firmware
        made.supply_min_mv, made.supply_max_mv = model.supply_mv
        made.stall_torque_mnm, made.stall_current_ma = model.stall_torque_mnm, model.stall_current_ma
        made.no_load_speed_deg_s = model.no_load_speed_deg_s
        made.mechanical_travel_cdeg = round(model.mechanical_travel_deg * 100)
        return made

    def _provision(self, address: int, stored: Mapping[str, RawValue]) -> None:
        values = bytearray()
        for name, raw in stored.items():
            data = BY_NAME[name].encode(raw)
            values += bytes([BY_NAME[name].number, len(data)]) + data
        if not self.provision(address, bytes(values)):
            raise DeviceError(f"'{self.label}': the firmware did not take its first settings")
        self.written_bytes = 0

    def provision(self, address: int, values: bytes) -> bool:
        """Have a first copy of stored settings written, as in the factory. Only without power.

        `values` holds number, length and raw value of each that differs from the factory's. Returns whether the
        firmware took them.
        """
        is_taken = bool(self._lib.bp_device_provision(self._hardware, address, values, len(values)))
        self._torn = None
        self._raise_failure()
        return is_taken

    # --- power ----------------------------------------------------------------------------------------------

    def power_on(self) -> None:
        """Switch power on and start the firmware."""
        if self.is_powered:
            return
        self.is_powered = True
        self._starts += 1
        self._ffi.buffer(self._memory)[:] = bytes([GARBAGE]) * self._ffi.sizeof(self._memory)
        self._lib.bp_device_start(self._device, self._hardware, self._identity, self._now_us() % _CLOCK)
        if self._line.is_busy:
            self._lib.bp_device_line(self._device, 1, self._now_us() % _CLOCK)
        self._tick()

    def power_off(self) -> None:
        """Lose power now, also in the middle of a transmission or a write."""
        if not self.is_powered:
            return
        now = self._kernel.now_ns
        self.is_powered = False
        self._starts += 1
        if self._torn is not None:
            page, until_ns, before = self._torn
            self._torn = None
            if now < until_ns:
                self._tear(page, before)
        self.arm.drive(False, 0.0, now)
        for event in (self._wake, self._edge):
            if event is not None:
                event.cancel()
        self._wake = self._edge = None
        self._line.cut_off(self)

    def power_off_while_writing(self, byte: int) -> None:
        """Lose power in the middle of byte `byte`, from 0, of the stored memory that it writes from now on."""
        self._cut_in_byte = self.written_bytes + byte

    def _tear(self, page: int, before: bytearray) -> None:
        """Leave the byte that was being written half written, bit by bit at random."""
        after = self.pages[page]
        mixed = self._stream.randbytes(PAGE_BYTES)
        self.pages[page] = bytearray(
            old & mask | new & ~mask & 0xFF for old, new, mask in zip(before, after, mixed, strict=True)
        )

    def supply_changed(self) -> None:
        """Called after its supply has changed."""
        self.arm.supply_changed(self._kernel.now_ns)

    def set_clock(self, clock_us: int) -> None:
        """Have its clock stand at `clock_us` now, us. Only without power: no clock jumps while a firmware runs."""
        self._offset_us = clock_us - (self._now_us() - self._offset_us)

    @property
    def clock_us(self) -> int:
        """What its clock counts now, 0 to 2^32 - 1 us."""
        return self._now_us() % _CLOCK

    @property
    def can_renumber(self) -> bool:
        """Whether `renumber` can be followed."""
        return hasattr(self._lib, RENUMBER)

    def renumber(self, generation: int) -> None:
        """Make its stored memory that of `generation` writes, 0..65535. Only without power.

        Raises:
            DeviceError: no copy is whole, or the firmware does not offer this.
        """
        if not self.can_renumber:
            raise DeviceError(f"the firmware of '{self.label}' does not offer {RENUMBER}")
        before = self.written_bytes
        is_done = self._lib.bp_device_renumber(self._hardware, generation)
        self._torn, self.written_bytes = None, before
        self._raise_failure()
        if not is_done:
            raise DeviceError(f"the firmware of '{self.label}' did not give its stored copies other generations")

    def warm(self, degc: float) -> None:
        """Set the temperature, degC, as heating or cooling from outside would."""
        self.arm.warm(self._kernel.now_ns, degc)

    def brown_out_while_sending(self, after_bytes: int, off_ns: int, *, every_time: bool = False) -> None:
        """Cut power for `off_ns` in byte `after_bytes`, from 0, of the next transmission, or of every one."""
        self._brown_out = (after_bytes, off_ns, every_time)

    # --- readings for tests and the bus ---------------------------------------------------------------------

    @property
    def address(self) -> int:
        """1..239, or 240 (F0h) while it has none."""
        return int(self._lib.bp_device_address(self._device))

    @property
    def state(self) -> State:
        """State of its drive, as the firmware reports it."""
        return State(self._lib.bp_device_state(self._device))

    def current_state(self) -> State:
        """As `state`: a firmware is always up to date."""
        return self.state

    @property
    def showing_until_ns(self) -> int:
        """Until when the last `show` request lets it show itself; 0 for none since power-up."""
        if not self._lib.bp_device_shows_until(self._device, self._until):
            return 0
        now_us = self._now_us()
        ahead_us = (self._until[0] - now_us + _CLOCK // 2) % _CLOCK - _CLOCK // 2
        return self._ns(now_us + ahead_us)

    def heard(self, frame: Frame, message: Message | None) -> None:
        """No effect: the frame comes from the actuators' shared decoder, and a device decodes by itself."""

    def overheard(self) -> None:
        """As `heard`."""

    def heard_bad(self) -> None:
        """As `heard`."""

    # --- time -----------------------------------------------------------------------------------------------

    def _us(self, time_ns: int) -> int:
        """A moment by its own clock, us, before the wrap-around at 32 bits."""
        return time_ns * (PPM + self.clock_ppm) // (PPM * 1000) + self._offset_us

    def _now_us(self) -> int:
        return self._us(self._kernel.now_ns)

    def _ns(self, time_us: int) -> int:
        """When its clock reaches that count, ns."""
        return -(-(time_us - self._offset_us) * PPM * 1000 // (PPM + self.clock_ppm))

    def _tick(self) -> None:
        """Let the firmware do what is due, and schedule the next wake-up that it asks for."""
        now_us = self._now_us()
        next_us = self._lib.bp_device_tick(self._device, now_us % _CLOCK)
        if self.failure is not None:
            self._raise_failure()
        if not self.is_powered:
            return
        ahead_us = (next_us - now_us) % _CLOCK
        due_ns = self._ns(now_us + max(1, ahead_us if ahead_us < _CLOCK // 2 else 0))
        if self._wake is not None:
            if self._wake.action is not None and self._wake.time_ns == due_ns:
                return
            self._wake.cancel()
        self._wake = self._kernel.at(due_ns, self._tick)

    def _raise_failure(self) -> None:
        failure, self.failure = self.failure, None
        if failure is not None:
            raise failure

    # --- hearing --------------------------------------------------------------------------------------------

    def join(self, receiver: Receiver) -> None:
        """Join the line with this receiver."""
        self.ears = [self._line.new_ear(self, self.label, receiver)]
        self._line.listen(self)
        self._line.watch(self)

    def attends(self, senders: Sequence[object]) -> bool:
        """It takes the bytes of every sender but itself."""
        return self.is_powered and any(sender is not self for sender in senders)

    def heard_alike(self, reception: Reception, but: Sequence[Ear]) -> None:
        """Take bytes that arrived unchanged."""
        if not but and self.is_powered:
            (sent,) = reception.transmissions
            rate, start_ns = sent.rate, sent.start_ns
            self._take(
                (value, start_ns + bits_ns((at + 1) * BITS_PER_BYTE, rate)) for at, value in enumerate(reception.data)
            )

    def heard_apart(self, ear: Ear, reception: Reception) -> None:
        """Take bytes that its receiver sampled."""
        if not self.is_powered:
            return
        own = [(one.start_ns, one.end_ns) for one in reception.transmissions if one.sender is self]
        half_ns, now = half_bits_ns(1, ear.receiver.rate), reception.end_ns
        self._take(
            (byte.value, min(now, byte.end_ns + half_ns))
            for byte in reception.details
            if not any(start <= byte.start_ns < end for start, end in own)
        )

    def _take(self, received: Any) -> None:
        for value, end_ns in received:
            self._lib.bp_device_byte(self._device, value, self._us(end_ns) % _CLOCK)
        self._tick()

    # --- sensing --------------------------------------------------------------------------------------------

    def line_busy(self, time_ns: int) -> None:
        """A start bit began; the firmware sees its edge a moment later."""
        if self.is_powered:
            self._edge = self._kernel.at(time_ns + DETECT_NS, lambda: self._sense(1, time_ns))

    def line_idle(self, time_ns: int) -> None:
        """The line is idle again."""
        if self.is_powered:
            edge = self._edge
            if edge is not None and edge.action is not None:  # a very short pulse: seen as it ends
                edge.cancel()
                self._sense(1, edge.time_ns - DETECT_NS)
            self._sense(0, time_ns)

    def _sense(self, is_busy: int, time_ns: int) -> None:
        self._edge = None
        self._lib.bp_device_line(self._device, is_busy, self._us(time_ns) % _CLOCK)
        self._tick()

    # --- its hardware ---------------------------------------------------------------------------------------

    def transmit(self, data: Any, length: int) -> None:
        """Put bytes on the line; see bp_port.h for this and the following methods."""
        taken, starts = bytes(self._ffi.buffer(data, length)), self._starts
        if not self.late_ns:
            self._send(taken, starts)
        else:
            self._kernel.at(self._kernel.now_ns + self.late_ns, lambda: self._send(taken, starts))

    def _send(self, data: bytes, starts: int) -> None:
        if starts != self._starts:
            return
        now = self._kernel.now_ns
        rate = rate_of(self.own_baud or self._line.baud, self.clock_ppm)
        end_ns = now + bits_ns(len(data) * BITS_PER_BYTE, rate)
        if not self.is_mute:
            self._line.transmit(self, data, rate=rate)
            if self._brown_out is not None:
                after_bytes, off_ns, every_time = self._brown_out
                if not every_time:
                    self._brown_out = None
                off_at_ns = now + bits_ns(after_bytes * BITS_PER_BYTE + BITS_PER_BYTE // 2, rate)
                self._kernel.at(min(off_at_ns, end_ns - 1), self.power_off)
                self._kernel.at(off_at_ns + off_ns, self.power_on)

        def sent() -> None:
            if starts == self._starts:
                self._lib.bp_device_sent(self._device, self._us(end_ns) % _CLOCK)
                self._tick()

        self._kernel.at(end_ns, sent)

    def any_bits(self) -> int:
        """32 bits drawn from the seed, for the firmware."""
        return self._stream.getrandbits(32)

    def page_erase(self, page: int) -> int:
        """Begin to erase a page."""
        self._write(page, bytearray([ERASED]) * PAGE_BYTES, self.erase_us)
        return self.erase_us

    def page_program(self, page: int, place: int, byte: int) -> int:
        """Begin to program a byte: this can only clear bits."""
        after = bytearray(self.pages[page])
        if (page, place) not in self.worn:
            after[place] &= byte
        self._write(page, after, PROGRAM_US)
        if self.written_bytes == self._cut_in_byte:
            self._cut_in_byte = None
            self._kernel.at(self._kernel.now_ns + PROGRAM_US * 500, self.power_off)
        self.written_bytes += 1
        return PROGRAM_US

    def spoil(self, copy: int, byte: int) -> None:
        """Flip one bit of a page. Raises IndexError: there is no such page, or no such byte."""
        self.pages[copy][byte] ^= SPOILED_BIT

    def wear(self, copy: int, cells: Iterable[int]) -> None:
        """Wear cells of a page out, each from 0 to 255: they can be erased, but no longer programmed."""
        self.worn.update((copy, cell) for cell in cells)

    def mend(self) -> None:
        """Undo all `wear`: every cell can be programmed again."""
        self.worn.clear()

    def _write(self, page: int, after: bytearray, takes_us: int) -> None:
        self._torn = (page, self._kernel.now_ns + takes_us * 1000, self.pages[page])
        self.pages[page] = after

    def page_read(self, page: int, place: int, data: Any, length: int) -> None:
        """Copy `length` bytes of a page to `data`."""
        self._ffi.memmove(data, bytes(self.pages[page][place : place + length]), length)

    def drive(self, is_on: int, permille: int) -> None:
        """Switch the bridge on or off and set its duty, 0.001 of the supply."""
        self.arm.drive(bool(is_on), permille / 1000, self._kernel.now_ns)

    def position_mdeg(self) -> int:
        """Position by the sensor, 0.001 deg."""
        return self.arm.reading_mdeg(self._kernel.now_ns)

    def current_ma(self) -> int:
        """Current that the drive draws now, mA."""
        self.arm.move_to(self._kernel.now_ns)
        return min(0xFFFF, round(self.arm.current_ma))

    def supply_mv(self) -> int:
        """Supply at its terminals, mV."""
        return self._supply_mv()

    def temperature_cdeg(self) -> int:
        """Temperature of the motor now, 0.01 degC."""
        return round(self.arm.degc(self._kernel.now_ns) * 100)
