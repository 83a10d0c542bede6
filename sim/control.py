"""Commands that a person gives to a running virtual bus: plug and unplug an actuator, fit a surface's rods, move an arm
by hand, change the supply, warm an actuator, cut its power in the middle of a write, spoil its stored memory or wear it
out, count its writes on, start it anew with its clock at any count."""

from __future__ import annotations

import math
import shlex
from collections.abc import Callable
from typing import Final

from busproto.sim.actuators.actuator import Actuator
from busproto.sim.actuators.storage import COPIES, LAST_CELL
from busproto.sim.bus import VirtualBus
from busproto.sim.errors import SimError

HAND_NS: Final = 500_000_000
HELP: Final = (
    "plug NAME, unplug NAME, fit SURFACE, hand NAME DEGREES, supply VOLTS, warm NAME CELSIUS, "
    "cut NAME BYTE, spoil NAME COPY BYTE, wear NAME COPY BYTE|all, mend NAME, generation NAME NUMBER, "
    "clock NAME MICROSECONDS, list"
)
LAST_BYTE: Final = 0xFFFF
ALL: Final = "all"
LAST_GENERATION: Final = 0xFFFF
LAST_CLOCK_US: Final = 0xFFFFFFFF


class ControlError(SimError):
    """A command that cannot be followed. Nothing has happened."""


def obey(bus: VirtualBus, line: str) -> str:
    """Follow one command; a name with blanks may be quoted, but need not be. Returns what was done, in words.

    Raises:
        ControlError: the command, or the actuator it names, does not exist.
    """
    word, _, rest = line.strip().partition(" ")
    rest = rest.strip()
    if word not in COMMANDS:
        raise ControlError(f"'{word}' is no command; the commands are: {HELP}")
    return COMMANDS[word](bus, rest)


def _plug(bus: VirtualBus, rest: str) -> str:
    actuator = _named(bus, rest)
    actuator.power_on()
    return f"{actuator.label} is plugged in"


def _unplug(bus: VirtualBus, rest: str) -> str:
    actuator = _named(bus, rest)
    actuator.power_off()
    return f"{actuator.label} is unplugged"


def _fit(bus: VirtualBus, rest: str) -> str:
    if rest not in bus.unfitted:
        there = ", ".join(f"'{name}'" for name in bus.unfitted) or "none"
        raise ControlError(f"there is no surface '{rest}' whose rods are off; there are: {there}")
    surface = bus.unfitted[rest]()
    return f"the rods of the {rest} are on: {', '.join(member.label for member in surface.members)}"


def _hand(bus: VirtualBus, rest: str) -> str:
    name, _, degrees = rest.rpartition(" ")
    actuator = _named(bus, name)
    to_deg = _number(degrees, "degrees", -180, 180)
    if not actuator.arm.hand(to_deg, HAND_NS, bus.kernel.now_ns):
        return f"{actuator.label} holds its arm: a hand does not move it"
    return f"{actuator.label} is moved by hand to {to_deg:g} deg"


def _supply(bus: VirtualBus, rest: str) -> str:
    bus.supply_mv = round(_number(rest, "volts", 0, 60) * 1000)
    return f"the supply is {bus.supply_mv / 1000:g} V"


def _warm(bus: VirtualBus, rest: str) -> str:
    name, _, text = rest.rpartition(" ")
    actuator = _named(bus, name)
    degc = _number(text, "degrees Celsius", -40, 200)
    actuator.warm(degc)
    return f"{actuator.label} is at {degc:g} degC now"


def _cut(bus: VirtualBus, rest: str) -> str:
    name, _, byte = rest.rpartition(" ")
    actuator = _named(bus, name)
    number = _whole(byte, "a byte", LAST_BYTE)
    actuator.power_off_while_writing(number)
    return f"{actuator.label} loses power in byte {number} of what it stores next"


def _spoil(bus: VirtualBus, rest: str) -> str:
    name, copy, byte = (["", "", "", *rest.rsplit(" ", 2)])[-3:]
    actuator = _named(bus, name)
    if actuator.is_powered:
        raise ControlError(f"{actuator.label} has power: unplug it, spoil its memory, plug it in again")
    which, number = _whole(copy, "a copy", COPIES - 1), _whole(byte, "a byte", LAST_BYTE)
    try:
        actuator.spoil(which, number)
    except IndexError:
        raise ControlError(f"copy {which} of {actuator.label} has no byte {number}") from None
    return f"byte {number} of copy {which} of {actuator.label} is spoiled"


def _wear(bus: VirtualBus, rest: str) -> str:
    name, copy, cell = (["", "", "", *rest.rsplit(" ", 2)])[-3:]
    actuator = _named(bus, name)
    which = _whole(copy, "a copy", COPIES - 1)
    if cell == ALL:
        actuator.wear(which, range(LAST_CELL + 1))
        return f"no cell of copy {which} of {actuator.label} can be written any more"
    number = _whole(cell, f"'{ALL}' or a cell", LAST_CELL)
    actuator.wear(which, [number])
    return f"cell {number} of copy {which} of {actuator.label} can no longer be written"


def _mend(bus: VirtualBus, rest: str) -> str:
    actuator = _named(bus, rest)
    actuator.mend()
    return f"every cell of {actuator.label} can be written"


def _generation(bus: VirtualBus, rest: str) -> str:
    name, _, text = rest.rpartition(" ")
    actuator = _named(bus, name)
    if actuator.is_powered:
        raise ControlError(f"{actuator.label} has power: unplug it, set the generation, plug it in again")
    number = _whole(text, "a generation", LAST_GENERATION)
    try:
        actuator.renumber(number)
    except SimError as error:
        raise ControlError(str(error)) from error
    return f"the stored memory of {actuator.label} is of generation {number}"


def _clock(bus: VirtualBus, rest: str) -> str:
    name, _, text = rest.rpartition(" ")
    actuator = _named(bus, name)
    clock_us = _whole(text, "a count of microseconds", LAST_CLOCK_US)
    actuator.power_off()
    actuator.set_clock(clock_us)
    actuator.power_on()
    return f"{actuator.label} lost power and starts anew, its clock at {clock_us} us"


def _list(bus: VirtualBus, rest: str) -> str:
    return "\n".join(f"{'' if one.is_powered else 'unplugged: '}{one.label}" for one in bus.actuators)


def _named(bus: VirtualBus, text: str) -> Actuator:
    words = [text]
    if text[:1] in {'"', "'"}:
        try:
            words = shlex.split(text)
        except ValueError as error:
            raise ControlError(f"{text}: a quote is not closed") from error
    try:
        return bus.labelled(words[0] if len(words) == 1 else text)
    except KeyError:
        there = ", ".join(f"'{one.label}'" for one in bus.actuators)
        raise ControlError(f"there is no actuator '{text}'; there are: {there}") from None


def _whole(text: str, what: str, last: int) -> int:
    # the length first: Python refuses to convert more than some thousand digits
    if not (text.isascii() and text.isdecimal() and len(text) <= len(str(last)) and int(text) <= last):
        raise ControlError(f"'{text}': {what} of 0..{last} is wanted")
    return int(text)


def _number(text: str, what: str, low: float, high: float) -> float:
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not low <= number <= high:
        raise ControlError(f"'{text}': {what} of {low:g}..{high:g} are wanted")
    return number


COMMANDS: Final[dict[str, Callable[[VirtualBus, str], str]]] = {
    "plug": _plug,
    "unplug": _unplug,
    "fit": _fit,
    "hand": _hand,
    "supply": _supply,
    "warm": _warm,
    "cut": _cut,
    "spoil": _spoil,
    "wear": _wear,
    "mend": _mend,
    "generation": _generation,
    "clock": _clock,
    "list": _list,
}
"""Commands by their first word."""
