"""The operations behind `Bus` and `AsyncBus`: written once, run by a blocking link or an asyncio link.

`Work` keeps what is known of the bus: the address of each uid, and which of them was read back.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from busproto.errors import InputError, NotLimpError, OperationError, ReadBackError
from busproto.library.values import (
    About,
    ActuatorReport,
    Moved,
    Value,
    about_of,
    address_of,
    hold_ns_of,
    key_of,
    memory_named,
    raw_of,
    report_of,
    target_text,
    value_of,
    values_of,
)
from busproto.ops import parameter_access
from busproto.ops.addressing import require_free
from busproto.ops.discovery.search import PATIENCE_NS, Roster, find
from busproto.ops.giving import give_address
from busproto.ops.holding import Held, require_parameter
from busproto.ops.link import AsyncLink, Link
from busproto.ops.moving import motion
from busproto.ops.moving.demand_units import fraction_to_pulse_us, parse_target, standing_deg
from busproto.ops.moving.letting_go import LetGo, OnLine, let_go, let_go_after, require_limp
from busproto.ops.steps import Steps
from busproto.wire.frame import BROADCAST_ADDRESS, UNADDRESSED
from busproto.wire.messages import Description, Memory
from busproto.wire.parameter_list import ParameterList
from busproto.wire.parameters import BY_NAME, Parameter, parameter_named


@dataclass(slots=True)
class ActuatorKey:
    """One actuator as a program named it: by its uid, whose address is then looked up, or by its address alone."""

    address: int | None = None
    uid: bytes | None = None

    def __str__(self) -> str:
        return f"address {self.address}" if self.uid is None else f"uid {self.uid.hex()}"


class Work:
    """Operations on one bus. Each raises `BusError` as the operations of `busproto.ops` do.

    Attributes:
        link: only read, for the addresses that may have moved.
        at: the address of each uid that is known now.
        is_searched: whether `at` holds all actuators of a `find`.
        twins: uids that several actuators seem to share.
    """

    def __init__(self, link: Link | AsyncLink) -> None:
        self.link = link
        self.at: dict[bytes, int] = {}
        self.is_searched = False
        self.twins: frozenset[bytes] = frozenset()
        self._confirmed: set[tuple[bytes, int]] = set()
        self._described: dict[int, Description] = {}
        self._lists: dict[int, ParameterList] = {}

    # --- the roster ---------------------------------------------------------------------------------------------

    def find(self, expected: int | None = None, wanted_error: Any = None) -> Steps[Roster]:
        """See `Bus.find`."""
        if expected is not None and (type(expected) is not int or not 1 <= expected <= 239):
            raise InputError(f"expected {expected!r}: None or a whole number 1..239 is wanted")
        if wanted_error is not None and not (isinstance(wanted_error, float) and 0 < wanted_error < 1):
            raise InputError(f"wanted_error {wanted_error!r}: None or a chance between 0 and 1 is wanted")
        roster = yield from find(expected=expected, wanted_error=wanted_error, patience_ns=PATIENCE_NS)
        self.note(roster)
        return roster

    def note(self, roster: Roster) -> None:
        """Take over the addresses and twins of a roster."""
        self.at = {one.uid: one.address for one in roster.found}
        self.is_searched = True
        self.twins = frozenset(roster.twins)
        self._forget_details()

    def forget(self) -> None:
        """Forget all addresses: the next operation by uid runs `find` first."""
        self.at = {}
        self.is_searched = False
        self._forget_details()

    def _forget_details(self) -> None:
        self._confirmed.clear()
        self._described.clear()
        self._lists.clear()

    def key(self, given: object) -> ActuatorKey:
        """The actuator named in ``bus[...]``. Raises InputError."""
        found = key_of(given)
        return ActuatorKey(uid=found) if isinstance(found, bytes) else ActuatorKey(address=found)

    def address(self, key: ActuatorKey) -> Steps[int]:
        """Its address. An actuator named by its uid is found, and its uid read once, so that no other is taken for it.

        Raises:
            OperationError: the actuator was not found, or has no address.
            ReadBackError: another uid answers at the address where it was found.
        """
        if key.uid is None:
            return address_of(key.address)
        if key.uid not in self.at:
            yield from self.find()
        address = self.at.get(key.uid)
        if address is None:
            raise OperationError(UNADDRESSED, f"no actuator with uid {key.uid.hex()} was found: check power and wiring")
        if key.uid in self.twins:
            raise OperationError(
                address, f"several actuators have the uid {key.uid.hex()}: unplug all but one, then find() again"
            )
        if address == UNADDRESSED:
            raise OperationError(address, f"the actuator with uid {key.uid.hex()} has no address: give it one first")
        if (key.uid, address) not in self._confirmed:
            found = yield from parameter_access.describe(address)
            if found.uid != key.uid:
                raise ReadBackError(address, "uid", key.uid.hex(), found.uid.hex())
            self._described[address] = found
            self._confirmed.add((key.uid, address))
        return address

    # --- one actuator -------------------------------------------------------------------------------------------

    def report(self, key: ActuatorKey) -> Steps[ActuatorReport]:
        """See `Actuator.report`."""
        return report_of((yield from motion.report((yield from self.address(key)))))

    def describe(self, key: ActuatorKey) -> Steps[About]:
        """See `Actuator.describe`."""
        address = yield from self.address(key)
        return about_of(address, (yield from self._description(key, address)))

    def _description(self, key: ActuatorKey, address: int) -> Steps[Description]:
        found = yield from parameter_access.describe(address)
        if key.uid is not None and found.uid != key.uid:
            raise ReadBackError(address, "uid", key.uid.hex(), found.uid.hex())
        return found

    def move(self, key: ActuatorKey, target: object, unit: str | None, hold_s: float, stay: bool) -> Steps[Moved]:
        """See `Actuator.move`."""
        text, hold_ns = target_text(target, unit), hold_ns_of(hold_s)
        address = yield from self.address(key)
        about = yield from self._description(key, address)
        settings = yield from parameter_access.read_all(address)
        fraction = parse_target(text, settings)
        action = parameter_named("loss-action").text(settings["loss-action"])
        came = yield from motion.move(address, fraction, hold_ns, leave_limp=not stay, loss_action=action)
        if came.let_go is not None:
            self.was_let_go(came.let_go)
        return Moved(
            address=address,
            target_percent=round(fraction * 100, 2),
            target_deg=round(standing_deg(fraction, settings, about.mechanical_travel_cdeg), 4),
            pulse_us=round(fraction_to_pulse_us(fraction), 3),
            arrived=came.arrived,
            peak_current_ma=came.peak_current_ma,
            before=report_of(came.before),
            held=report_of(came.after),
            let_go=came.let_go,
        )

    def limp(self, key: ActuatorKey) -> Steps[LetGo]:
        """See `Actuator.limp`."""
        address = yield from self.address(key)
        return self.was_let_go((yield from let_go((OnLine(address, key.uid or b""),), to_all=False)))

    def show(self, key: ActuatorKey, seconds: float) -> Steps[bool]:
        """See `Actuator.show`."""
        return (yield from motion.show((yield from self.address(key)), seconds))

    def give_address(self, key: ActuatorKey, address: int | None, channel: int | None) -> Steps[None]:
        """See `Actuator.give_address`."""
        new = UNADDRESSED if address is None else address_of(address)
        if channel is not None and (address is None or type(channel) is not int or not 0 <= channel <= 32):
            raise InputError(f"channel {channel!r}: None or a whole number 0..32 is wanted, and an address with it")
        old = key.address
        uid = key.uid
        if uid is None:
            old = yield from self.address(key)
            uid = (yield from parameter_access.describe(old)).uid
        else:
            old = self.at.get(uid)
        yield from require_free(uid, new)
        self.at.pop(uid, None)  # if this fails its address is not known
        _, seen = yield from give_address(uid, new, channel)
        key.uid, key.address = uid, new
        for at in {new, new if old is None else old}:  # another actuator may answer there now
            self._lists.pop(at, None)
            self._described.pop(at, None)
        self.at[uid] = new
        self._confirmed.add((uid, new))  # its uid was read back there
        if old is not None:
            self.link.may_move.discard(old)
        self.was_let_go(seen)

    # --- its settings -------------------------------------------------------------------------------------------

    def parameters(self, key: ActuatorKey) -> Steps[ParameterList]:
        """Its parameter list; read once, and again after a `find`."""
        address = yield from self.address(key)
        if address not in self._lists:
            yield from self._read_whole(address, Memory.WORKING)
        return self._lists[address]

    def _read_whole(self, address: int, memory: Memory) -> Steps[Held]:
        if address in self._lists:
            held = yield from parameter_access.read_all(address, memory, self._lists[address])
        else:
            held = yield from parameter_access.read_whole(address, memory, description=self._described.get(address))
        self._lists[address] = held.parameters
        return held

    def _row(self, key: ActuatorKey, name: str) -> Steps[tuple[Parameter, ParameterList | None]]:
        """The row of that name, and the list that has it; for a name that is not in the table, the actuator's list is
        read."""
        if not isinstance(name, str):
            return parameter_named(name), None
        known = None if key.address is None and key.uid not in self.at else self._lists.get(self._where(key))
        if known is None and name in BY_NAME:
            return parameter_named(name), None
        known = yield from self.parameters(key)
        require_parameter(known, self._where(key), name)
        return known.named(name), known

    def _where(self, key: ActuatorKey) -> int:
        return self.at.get(key.uid, UNADDRESSED) if key.uid is not None else key.address or UNADDRESSED

    def read(self, key: ActuatorKey, name: str, memory: str = "working") -> Steps[Value]:
        """Read one setting, in its unit."""
        where = memory_named(memory)
        row, known = yield from self._row(key, name)
        address = yield from self.address(key)
        return value_of(row, (yield from parameter_access.read(address, name, where, known)))

    def read_all(self, key: ActuatorKey, memory: str = "working") -> Steps[dict[str, Value]]:
        """Read all settings, in their units."""
        where = memory_named(memory)
        return values_of((yield from self._read_whole((yield from self.address(key)), where)))

    def set(self, key: ActuatorKey, name: str, given: object) -> Steps[None]:
        """Set one setting and read it back."""
        row, known = yield from self._row(key, name)
        raw = raw_of(row, given)
        yield from parameter_access.write((yield from self.address(key)), {name: raw}, known)

    def update(self, key: ActuatorKey, changes: Any) -> Steps[dict[str, Value]]:
        """Set several settings; returns those that were changed, with their values now."""
        if not isinstance(changes, Mapping):
            raise InputError(f"settings {changes!r}: a mapping of names to values is wanted")
        rows: dict[str, Parameter] = {}
        known = None
        raws = {}
        for name in sorted(changes, key=lambda name: name in BY_NAME):  # names that need the actuator's own list first
            rows[name], of = yield from self._row(key, name)
            known = of or known
        for name, given in changes.items():
            raws[name] = raw_of(rows[name], given)
        changed = yield from parameter_access.write((yield from self.address(key)), raws, known)
        return {name: value_of(rows[name], now) for name, (_, now) in changed.items()}

    def store(self, key: ActuatorKey) -> Steps[int]:
        """See `Settings.store`."""
        known = yield from self.parameters(key)
        return (yield from parameter_access.commit((yield from self.address(key)), known))

    def undo(self, key: ActuatorKey, to: str) -> Steps[dict[str, Value]]:
        """See `Settings.undo`."""
        memory = memory_named(to, but="working")
        known = yield from self.parameters(key)
        return values_of((yield from parameter_access.undo((yield from self.address(key)), memory, known)))

    # --- letting go ---------------------------------------------------------------------------------------------

    @property
    def actuators(self) -> list[OnLine] | None:
        """The actuators known to be there; None if nothing is known."""
        if not self.is_searched:
            return None
        return [OnLine(address, uid, count=2 if uid in self.twins else 1) for uid, address in self.at.items()]

    def let_go(self) -> Steps[LetGo]:
        """See `Bus.let_go`."""
        return self.was_let_go((yield from let_go(self.actuators)), to_all=True)

    @property
    def let_move(self) -> bool:
        """Whether any actuator was moved or engaged and not seen limp since."""
        return bool(self.link.may_move)

    def leave(self) -> Steps[LetGo]:
        """Release the actuators that were moved or engaged, and no others."""
        actuators, to_all = self._left()
        return self.was_let_go((yield from let_go(actuators, to_all=to_all)), to_all=to_all)

    def leave_after(self, error: BaseException) -> Steps[None]:
        """As `leave`, after an error ended the block; what was seen is added to the error."""
        actuators, to_all = self._left()
        yield from let_go_after(error, actuators, to_all=to_all)

    def _left(self) -> tuple[list[OnLine] | None, bool]:
        told = self.link.may_move
        if BROADCAST_ADDRESS in told:
            return self.actuators, True
        known = {one.address: one for one in self.actuators or ()}
        return [replace(known.get(address, OnLine(address)), count=1) for address in sorted(told)], False

    def was_let_go(self, seen: LetGo, *, to_all: bool = False) -> LetGo:
        """Note which actuators are limp. Raises NotLimpError, whose `let_go` names those not seen limp."""
        self.saw(seen, to_all=to_all)
        try:
            require_limp(seen)
        except NotLimpError as error:
            error.let_go = seen
            raise
        return seen

    def saw(self, seen: LetGo, *, to_all: bool) -> None:
        """Note which actuators were seen limp; with `to_all`, all of the bus were released."""
        if to_all and seen.is_limp:
            self.link.may_move.clear()
        self.link.may_move.difference_update(seen.limp)
