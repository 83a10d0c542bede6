"""The side channel of a running bus: queries and orders of a program beside it, while a host uses the port.

A line of words in, a line of JSON out: ``{"done": words, "now_ns": ..., ...}``, or ``{"refused": why}`` where nothing
has happened. A test rig that follows some of these words can take its place.

    able
        the words that are followed here: "words"
    who
        all actuators: "actuators", each with "label", "uid", "is_powered", "written" (bytes of stored memory)
    heard SINCE
        what began on the line at SINCE, ns, or later: "heard", each with "by", "from_ns", "to_ns", "bytes"
    jam US BYTES
        US microseconds after the next frame of the host, or after the jam before, these bytes (hex) are on the line,
        sent by no device
    generation NAME NUMBER
        the stored memory of an actuator without power becomes that of NUMBER writes, 0..65535: the copy in use bears
        NUMBER, the other copy the number before it. Not among the words where a firmware on the bus does not offer it.
    clock NAME MICROSECONDS
        an actuator loses power and starts anew; its clock, of 32 bits, stands at MICROSECONDS when power comes back
    wear NAME COPY BYTE, mend NAME
        that cell of a copy, or with `all` in the place of BYTE each of them, can no longer be written; all can again
    plug NAME, unplug NAME, cut NAME BYTE, spoil NAME COPY BYTE, warm NAME CELSIUS, ...
        whatever else a person may type (`busproto.sim.control`)

"by" is the label of an actuator, "host", or empty. Times are those of the line, ns since the bus began.
"""

from __future__ import annotations

import json
import math
from collections import deque
from collections.abc import Callable
from functools import partial
from typing import Any, Final

from busproto.sim.bus import VirtualBus
from busproto.sim.control import COMMANDS, ControlError, obey
from busproto.sim.line.hearing import Transmission
from busproto.sim.line.waveform import BITS_PER_BYTE, bits_ns, rate_of

KEPT: Final = 20_000
"""Number of transmissions that are kept."""
LONGEST_JAM_US: Final = 10_000_000
MAX_JAM_BYTES: Final = 1024
Told = dict[str, Any]


class SideChannel:
    """The words, followed on one bus."""

    def __init__(self, bus: VirtualBus) -> None:
        self._bus = bus
        self._jams: list[tuple[int, bytes]] = []
        if bus.line.record is None:
            bus.line.record = deque(maxlen=KEPT)
        bus.host.on_sent = self._host_sent

    def follow(self, line: str) -> Told:
        """Follow a line of words; returns the answer without the time.

        Raises:
            ControlError: the line cannot be followed. Nothing has happened.
        """
        word, _, rest = line.strip().partition(" ")
        if word in COMMANDS:
            return {"done": obey(self._bus, line)}
        if word not in _WORDS:
            raise ControlError(f"'{word}' is no command; the commands are: {', '.join((*_WORDS, *COMMANDS))}")
        return _WORDS[word](self, rest.strip())

    def told(self, line: str) -> Told:
        """The answer of `follow`, with the time. Raises ControlError."""
        return {**self.follow(line), "now_ns": self._bus.kernel.now_ns}

    def answer(self, line: str) -> str:
        """The line of JSON that answers a line of words."""
        try:
            told = self.told(line)
        except ControlError as error:
            told = {"refused": str(error)}
        return json.dumps(told)

    def _able(self, _: str) -> Told:
        words = [*_WORDS, *COMMANDS]
        if not all(one.can_renumber for one in self._bus.actuators):
            words.remove("generation")
        return {"done": "able", "words": words}

    def _who(self, _: str) -> Told:
        there = [
            {"label": one.label, "uid": one.uid.hex(), "is_powered": one.is_powered, "written": one.written_bytes}
            for one in self._bus.actuators
        ]
        return {"done": f"{len(there)} actuators", "actuators": there}

    def _heard(self, rest: str) -> Told:
        since_ns = round(_number(rest or "0", "nanoseconds", math.inf))
        found: list[Told] = []
        for one in reversed(self._bus.line.record or ()):
            if one.start_ns < since_ns:
                break
            found.append(
                {
                    "by": self._name_of(one.sender),
                    "from_ns": one.start_ns,
                    "to_ns": one.end_ns,
                    "bytes": one.data.hex(),
                }
            )
        return {"done": f"{len(found)} transmissions", "heard": found[::-1]}

    def _name_of(self, sender: object) -> str:
        if sender is self._bus.host:
            return "host"
        return next((one.label for one in self._bus.actuators if one is sender), "")

    def _jam(self, rest: str) -> Told:
        behind, _, text = rest.partition(" ")
        behind_ns = round(_number(behind, "microseconds", LONGEST_JAM_US) * 1000)
        try:
            data = bytes.fromhex(text)
        except ValueError:
            data = b""
        if not 1 <= len(data) <= MAX_JAM_BYTES:
            raise ControlError(f"'{text}': 1..{MAX_JAM_BYTES} bytes in hex are wanted")
        self._jams.append((behind_ns, data))
        return {"done": f"{len(data)} bytes {behind_ns / 1000:g} us behind the next frame of the host"}

    def _host_sent(self, sent: Transmission) -> None:
        ends_a_frame = sent.data.endswith(b"\0") and sent.data.strip(b"\0")
        if not ends_a_frame:
            return
        jams, self._jams = self._jams, []
        at_ns = sent.end_ns
        for behind_ns, data in jams:
            at_ns += behind_ns
            self._bus.kernel.at(at_ns, partial(self._say, data))
            at_ns += bits_ns(len(data) * BITS_PER_BYTE, rate_of(self._bus.line.baud))

    def _say(self, data: bytes) -> None:
        self._bus.line.transmit(self, data)


def _number(text: str, what: str, most: float) -> float:
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not 0 <= number <= most or math.isinf(number):
        raise ControlError(f"'{text}': {what} are wanted, at least 0" + (f", at most {most:g}" if most < 1e15 else ""))
    return number


_WORDS: Final[dict[str, Callable[[SideChannel, str], Told]]] = {
    "able": SideChannel._able,
    "who": SideChannel._who,
    "heard": SideChannel._heard,
    "jam": SideChannel._jam,
}
