"""One virtual actuator: what it does with each frame, and when.

Behaviour, as on the format page: limp until its first demand, always while it has no address; the first demand and
every demand after a loss begin a soft start from where the arm is; without a valid demand for its loss time-out it
does its loss action; `release` latches; a value out of range changes nothing. Replies carry a tag made from the uid.
How it moves is in `motion`, what loads it in `surface`, how warm it gets in `heat`, when it looks at that in
`heat_watch`: near the limit it takes back drive, above it it goes limp. When a demand is lost is in `loss_watch`, how
it makes itself known in `showing`. Not modelled: a host that is warned before.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from typing import Any, Final

from busproto.sim.actuators.answers import Refusal, describe, describe_parameter, faults_of, read, why_not_understood
from busproto.sim.actuators.changes import answer_of_store, commit, require_idle_memory, undo, write
from busproto.sim.actuators.discovery_responder import DiscoveryResponder
from busproto.sim.actuators.heat_watch import HeatWatch
from busproto.sim.actuators.loss_watch import LossWatch
from busproto.sim.actuators.model import ActuatorModel
from busproto.sim.actuators.settings import Settings
from busproto.sim.actuators.showing import Showing
from busproto.sim.actuators.storage import Remembers, StoredMemory
from busproto.sim.kernel import Event, Kernel
from busproto.sim.line.backoff import NEVER_NS
from busproto.sim.line.driver import Driver
from busproto.sim.line.line import Line
from busproto.sim.line.waveform import PPM
from busproto.sim.mechanics.motion import Arm
from busproto.sim.mechanics.motion_sensor import Curve, Sensor
from busproto.sim.mechanics.supply import Fed
from busproto.wire import messages as m
from busproto.wire.codec import encode_frame, reply_frame
from busproto.wire.frame import BROADCAST_ADDRESS, HOST_ADDRESS, UNADDRESSED, Frame
from busproto.wire.hash import device_tag
from busproto.wire.message import BARE_REPLIES, OPERATIONS, Message
from busproto.wire.parameters import LOSS_HOLD, LOSS_LIMP, PARAMETERS, Parameter, RawValue
from busproto.wire.timing import START_JITTER_NS

MS: Final = 1_000_000
BRIEF_CURRENT_MA: Final = 20
_AT_WORK: Final = (m.State.SOFT_STARTING, m.State.FOLLOWING)
_DEAF_TO_DEMANDS: Final = (m.State.RELEASED, m.State.FAULTED)


class Actuator(Driver, Remembers, Fed[Arm]):
    """One actuator on the line.

    Attributes:
        label: the scenario's name for it; the bus never sees it.
        uid: 8 bytes.
        settings: address, working, stored and factory settings.
        arm: where it is.
        misses: when set, asked for each good request: whether this one is not heard (a fault).
        followed: the demand that drives it; None since it was engaged without one.
    """

    def __init__(
        self,
        kernel: Kernel,
        line: Line,
        *,
        label: str,
        uid: bytes,
        model: ActuatorModel,
        address: int,
        stored: dict[str, RawValue],
        position_deg: float,
        supply_mv: Callable[[], int],
        address_changed: Callable[[Actuator], None],
        own_baud: int | None = None,
        clock_ppm: int = 0,
        jitter_ns: int = START_JITTER_NS,
        rows: Sequence[Parameter] = tuple(PARAMETERS.values()),
    ) -> None:
        self.label = label
        self.uid = uid
        self.model = model
        self.tag = device_tag(uid)
        self.settings = Settings(address, stored, rows)
        bend_deg = model.sensor_curve_deg
        curve = Curve.drawn(kernel.stream(f"sensor {label}"), bend_deg) if bend_deg else None
        self._heat = model.heat()
        self._sensor = Sensor(f"{kernel.seed}/noise {label}", model.sensor_noise_deg)
        self.arm = Arm(position_deg, model.mechanical_travel_deg / 2, motor=model.motor(), curve=curve, heat=self._heat)
        super().__init__(kernel, line, own_baud, clock_ppm)
        self.misses: Callable[[], bool] | None = None
        self._jitter_ns = jitter_ns
        self._stream: random.Random = kernel.stream(f"actuator {label}")
        self._supply_mv = supply_mv
        self._address_changed = address_changed
        self._waiting: Event | None = None
        self._showing = Showing(kernel, by_clock=self._by_clock, swung=lambda: self._drive_to(self._rest_deg))
        self._loss = LossWatch(
            kernel, time_out_ns=self._time_out_ns, is_at_work=lambda: self.state in _AT_WORK, lost=self._lost
        )
        self._heat_watch = HeatWatch(
            kernel,
            self._heat,
            self.arm,
            limit_degc=lambda: self.settings.raw("over-temperature"),
            by_clock=self._by_clock,
            look=self._look_at_heat,
        )
        self.discovery_responder = DiscoveryResponder(
            uid,
            line,
            self._stream,
            address=lambda: self.address,
            speak=self._speak,
            clock_ppm=clock_ppm,
            jitter_ns=jitter_ns,
        )
        self._heat.start(kernel.now_ns)
        self._begin()

    def __repr__(self) -> str:
        power = self.state.name.lower().replace("_", "-") if self.is_powered else "no power"
        return f"<Actuator '{self.label}' {self.uid.hex()} at {self.address}, {power}>"

    # --- power ----------------------------------------------------------------------------------------------

    def _begin(self) -> None:
        now = self._kernel.now_ns
        self.settings.start()
        self.state = m.State.LIMP
        self.arm.release(now)
        self.followed: int | None = None
        self._demand_ns: int | None = None
        self._loss.start()
        self.discovery_responder.forget()
        self._rest_deg = 0.0
        self._showing.forget()
        self._sending_until_ns = 0
        self._heard_good = 0
        self._heard_bad = 0
        self._heat_watch.start()
        self._fit_arm()
        self._address_changed(self)

    def power_off(self) -> None:
        """Lose power now, in the middle of whatever it does."""
        if not self.is_powered:
            return
        self._powers += 1
        self.settings.memory.cut(self._kernel.now_ns)
        self._halt()

    def power_off_while_writing(self, byte: int) -> None:
        """Lose power in the middle of this byte, from 0, of stored memory that is written from the next write on."""
        self.settings.memory.plan_cut(byte, lambda at_ns: self._kernel.at(at_ns, self.power_off))

    def _memory(self) -> StoredMemory:
        return self.settings.memory

    def _halt(self) -> None:
        now = self._kernel.now_ns
        self.is_powered = False
        self.arm.release(now)
        self.discovery_responder.stop()
        self._loss.stop()
        self._heat_watch.stop()
        for event in (self._waiting, self._late):
            if event is not None:
                event.cancel()
        self._line.cut_off(self)

    def power_on(self) -> None:
        """Power comes back: it begins as after power-up. No effect where it has power."""
        if not self.is_powered:
            self.is_powered = True
            self._begin()

    # --- hearing --------------------------------------------------------------------------------------------

    @property
    def address(self) -> int:
        """1..239, or 240 (F0h) while it has none."""
        return self.settings.address

    @property
    def showing_until_ns(self) -> int:
        """Until when it makes itself known, by the last request to do so; 0 for none since it has power."""
        return self._showing.until_ns

    def heard_bad(self) -> None:
        """Something that is no frame was heard."""
        self._heard_bad += 1

    def overheard(self) -> None:
        """A good request for another actuator was heard."""
        if self._kernel.now_ns >= self._sending_until_ns:
            self._heard_good += 1

    def heard(self, frame: Frame, message: Message | None) -> None:
        """A good frame of the host for this actuator or for all; `message` is None where it is not understood."""
        now = self._kernel.now_ns
        if now < self._sending_until_ns or (self.misses is not None and self.misses()):
            return
        self._heard_good += 1
        self.discovery_responder.stop()
        if self._late is not None and not self.late_for_good:
            self._late.cancel()
        for_all = frame.destination == BROADCAST_ADDRESS
        if for_all and type(message) is m.DemandAll:  # by far the most frequent, and none answers
            self._demand_of_all(message.demands)
            return
        ready_ns = now
        answer: Message | None
        try:
            if message is None:
                raise Refusal(why_not_understood(frame))
            if OPERATIONS[frame.operation].audience == ("one" if for_all else "all"):
                raise Refusal(m.Outcome.BAD_REQUEST)
            answer, ready_ns = self._act(frame, message, now)
        except Refusal as refusal:
            # a reply without an outcome byte cannot say no
            answer = None if frame.operation in BARE_REPLIES else refusal.message
        if answer is None:
            return
        if not self.is_mute and (not for_all or type(message) is m.Assign):
            self._reply(frame, answer, ready_ns)
        elif type(answer) is m.Restarting:
            self._restart()

    def _reply(self, frame: Frame, answer: Message, ready_ns: int) -> None:
        delay_ns = self.settings.raw("reply-delay") * 1000 + self._stream.randrange(self._jitter_ns + 1)
        delay_ns = self._by_clock(delay_ns) + self.late_ns

        def send() -> None:
            said = answer_of_store(answer, self.settings)
            self._send(encode_frame(reply_frame(said, frame, self.address, self.tag)))
            if type(answer) is m.Restarting:
                self._waiting = self._kernel.at(self._sending_until_ns, self._restart)

        if self._waiting is not None:  # one place for a reply: a later one takes it
            self._waiting.cancel()
        self._waiting = self._kernel.at(ready_ns + delay_ns, send)

    def warm(self, degc: float) -> None:
        """It is so warm from now on, by whatever heats or cools it from outside, degC."""
        self._heat.warm(self._kernel.now_ns, degc)
        self._heat_watch.look_soon()

    def _restart(self) -> None:
        self._halt()
        self.power_on()

    def _act(self, frame: Frame, message: Message, now: int) -> tuple[Message | None, int]:
        """Do what is asked. Returns the answer (None for none) and when it is ready to go."""
        if type(message) is m.ReportRound:
            self._demand_of_all(message.demands)
            self._report_in_turn(message, frame.sequence)
            return None, now
        if type(message) is m.Assign:
            return self._assign(message, now)
        if type(message) is m.Commit:
            return commit(self.settings, self._kernel)
        if self.discovery_responder.heard(message, frame.sequence):
            return None, now
        return _ACTIONS[type(message)](self, message), now

    # --- address, parameters ----------------------------------------------------------------------------------

    def _assign(self, message: m.Assign, now: int) -> tuple[Message | None, int]:
        if message.uid != self.uid:
            return None, now
        require_idle_memory(self.settings, now)
        ready_ns = self.settings.begin_assign(message.address, now)
        powers = self._powers

        def done() -> None:
            if self._powers == powers:  # a restart is no power cut: what is being written is written to its end
                self.settings.memory.settle(self._kernel.now_ns)
                if not self.settings.memory.is_whole:
                    return
                self.settings.address = message.address
                self._go_limp(m.State.LIMP)
                self._demand_ns = None
                self._loss.forget()
                self._address_changed(self)

        self._kernel.at(ready_ns, done)
        return m.Assigned(self.uid, message.address), ready_ns

    def _by_clock(self, ns: int) -> int:
        """How long it really takes until its own clock has counted so much."""
        return ns * PPM // (PPM + self.clock_ppm)

    def _time_out_ns(self) -> int:
        return self._by_clock(self.settings.raw("loss-time-out") * MS)

    def _undo(self, message: m.Undo) -> Message:
        answer = undo(self.settings, message)
        self._settings_changed()
        return answer

    def _write(self, message: m.Write) -> Message:
        answer = write(self.settings, message)
        self._settings_changed()
        return answer

    def _settings_changed(self) -> None:
        """Settings act at once; an arm that is held where a demand or a preset puts it goes where that is now."""
        self._fit_arm()
        if self.state is m.State.LOST_PRESET:
            self._drive_to_preset()
        elif self.followed is not None and self.state not in m.LIMP_STATES:
            self._drive_to(self.settings.travel.angle_deg(self.followed))
        self._loss.time_out_changed()

    def _fit_arm(self) -> None:
        raw, now = self.settings.raw, self._kernel.now_ns
        self.arm.fit(
            now,
            speed_deg_s=raw("slew-limit") / 10 * (PPM + self.clock_ppm) / PPM,
            soft_start_ns=self._by_clock(raw("soft-start") * MS),
            dead_band_deg=raw("dead-band") / 100,
            stiffness=raw("stiffness") / 100,
            damping=raw("damping") / 100,
            minimum_drive=raw("minimum-drive") / 100,
        )
        self.supply_changed()

    def supply_changed(self) -> None:
        """Its supply is another, or it takes back another share of its drive; both change what the motor can."""
        share = self._heat_watch.drive_share()
        self.arm.feed(self._supply_mv() / self.model.supply_mv[1] * share, self._kernel.now_ns)

    # --- motion -----------------------------------------------------------------------------------------------

    def _drive_to(self, angle_deg: float) -> None:
        """Hold that angle; while the actuator makes itself known it swings about it, not beyond an end limit."""
        self._rest_deg = angle_deg
        travel = self.settings.travel
        self.arm.aim(self._showing.angle_deg(angle_deg, travel.low_deg, travel.high_deg), self._kernel.now_ns)

    def _demand_of_all(self, demands: tuple[int, ...]) -> None:
        channel = self.settings.raw("channel")
        if not channel or channel > len(demands) or demands[channel - 1] == m.NO_DEMAND:
            return
        if self.address == UNADDRESSED or self.state in _DEAF_TO_DEMANDS:
            return
        if self.state in _AT_WORK or not self._heat_watch.is_hot():
            self._follow(demands[channel - 1])

    def _demand(self, message: m.Demand) -> Message:
        self._require_ready()
        if self.state is m.State.RELEASED:
            raise Refusal(m.Outcome.NOT_ENGAGED)
        self._follow(message.demand)
        return m.Moving(self.current_state(), self._position_cdeg())

    def _require_ready(self) -> None:
        if self.address == UNADDRESSED:
            raise Refusal(m.Outcome.NOT_ADDRESSED)
        if self._heat_watch.is_hot():
            if self.state not in m.LIMP_STATES:
                self._go_limp(m.State.FAULTED)
            raise Refusal(m.Outcome.FAULT_STANDS)  # one that was let go stays let go, also once it is cool
        self._forget_fault()

    def _follow(self, demand: int) -> None:
        if self.state not in _AT_WORK:
            self._take_hold()
        self.followed, self._demand_ns = demand, self._kernel.now_ns
        self._fed()
        self._drive_to(self.settings.travel.angle_deg(demand))

    def _take_hold(self) -> None:
        self._fit_arm()
        self.followed = None
        self.arm.engage(self._kernel.now_ns)
        self._rest_deg = self.arm.position_deg
        self.state = m.State.SOFT_STARTING

    def _fed(self) -> None:
        """A valid demand came, or engage: the loss time-out begins anew."""
        self._heat_watch.look_soon()
        self._loss.fed()

    def _lost(self) -> None:
        action = self.settings.raw("loss-action")
        if action == LOSS_LIMP:
            self._go_limp(m.State.LOST_LIMP)
        elif action == LOSS_HOLD:
            self.state = m.State.LOST_HOLD
        else:
            self.state = m.State.LOST_PRESET
            self._drive_to_preset()

    def _drive_to_preset(self) -> None:
        self._drive_to(self.settings.travel.limited_deg(self.settings.raw("preset") / 100))

    def _go_limp(self, state: m.State) -> None:
        self.arm.release(self._kernel.now_ns)
        self._showing.end_swing()
        self.state = state

    def _release(self, message: m.Release) -> Message:
        self._go_limp(m.State.RELEASED)
        return m.Released(self.state)

    def _engage(self, message: m.Engage) -> Message:
        self._require_ready()
        self._take_hold()
        self._fed()
        return m.Engaged(self.current_state())

    def current_state(self) -> m.State:
        """State as of now; the end of a soft start shows only when one looks."""
        if self.state is m.State.SOFT_STARTING and not self.arm.is_soft_starting(self._kernel.now_ns):
            self.state = m.State.FOLLOWING
        return self.state

    def _show(self, message: m.ShowYourself) -> Message:
        swings = self.state not in m.LIMP_STATES
        self._showing.begin(message.duration_ds, swings=swings)
        return m.Showing(int(swings and message.duration_ds > 0))

    # --- report, link -----------------------------------------------------------------------------------------

    def _position_cdeg(self) -> int:
        now = self._kernel.now_ns
        self.arm.move_to(now)
        return self._sensor.says_cdeg(self.arm.reading_deg, now)

    def _look_at_heat(self) -> bool:
        """Too hot, it goes limp; near that, it takes back drive. It looks on while it may come to that."""
        if self.state in m.LIMP_STATES:
            return False
        if self._heat_watch.is_hot():
            self._go_limp(m.State.FAULTED)
            return False
        self.supply_changed()
        return self.state in _AT_WORK or self.arm.mount is not None or self._heat_watch.will_cut_back()

    def _forget_fault(self) -> None:
        """Cool again, the fault is over."""
        if self.state is m.State.FAULTED and not self._heat_watch.is_hot():
            self.state = m.State.LIMP

    def _report(self, message: m.Report) -> Message:
        now = self._kernel.now_ns
        self._forget_fault()
        position = self._position_cdeg()
        target = self.arm.target_deg
        age_ns = NEVER_NS if self._demand_ns is None else now - self._demand_ns
        supply_mv, degc = self._supply_mv(), self._heat_watch.degc()
        faults = faults_of(self.settings, supply_mv, degc, self.arm.strain, was_lost=self._loss.was_lost)
        return m.Status(
            state=self.current_state(),
            faults=int(faults),
            position_cdeg=position,
            demand_cdeg=position if target is None else round(target * 100),
            current_ma=round(self.arm.current_ma),
            supply_mv=supply_mv,
            temperature_cdeg=round(degc * 100),
            demand_age_ms=min(0xFFFF, age_ns * (PPM + self.clock_ppm) // (PPM * MS)),
            good_frames=self._heard_good & 0xFFFF,
            bad_frames=self._heard_bad & 0xFFFF,
            is_showing=int(now < self._showing.until_ns),
        )

    def _report_in_turn(self, message: m.ReportRound, sequence: int) -> None:
        place = self.address - message.first
        if self.address == UNADDRESSED or not 0 <= place < message.count:
            return

        def brief() -> bytes:
            position = self._position_cdeg()
            current = min(0xFF, round(self.arm.current_ma / BRIEF_CURRENT_MA))
            status = m.BriefStatus(self.current_state(), position, current)
            frame = Frame(HOST_ADDRESS, self.address, sequence, m.ReportRound.OPERATION, status.payload(), self.tag)
            return encode_frame(frame)

        self.discovery_responder.count_down(place, brief)


_ACTIONS: Final[dict[type[Message], Callable[[Actuator, Any], Message | None]]] = {
    m.Undo: Actuator._undo,
    m.Read: lambda self, message: read(self.settings, message),
    m.Write: Actuator._write,
    m.Describe: lambda self, message: describe(self.uid, self.model, self.settings),
    m.DescribeParameter: lambda self, message: describe_parameter(self.settings, message),
    m.Demand: Actuator._demand,
    m.Release: Actuator._release,
    m.Engage: Actuator._engage,
    m.ShowYourself: Actuator._show,
    m.Report: Actuator._report,
    m.LinkTest: lambda self, message: m.LinkTested(message.data),
    m.Restart: lambda self, message: m.Restarting(),
}
