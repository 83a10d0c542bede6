"""What the harness has beside the bus: a side channel, which tells moments on the line and takes power away.

In process it is that of the virtual bus; beside a port it is a TCP port that `busproto bus run --side` opens, or a rig
of one's own that follows some of the words of `busproto.sim.side_channel`. A case asks for the words it needs, and is
not checked where they are not followed.
"""

from __future__ import annotations

import json
import socket
from dataclasses import dataclass
from typing import Any, Final, Protocol

from busproto.endpoints import parse_endpoint
from busproto.errors import BusError, InputError

PATIENCE_S: Final = 10.0
MAX_LINE_BYTES: Final = 1 << 22
Told = dict[str, Any]


class SideError(BusError):
    """The side channel is gone, or says what cannot be understood."""


class SideRefusedError(SideError):
    """It did not follow that line; nothing has happened."""


@dataclass(frozen=True, slots=True)
class OnLine:
    """One transmission.

    Attributes:
        by: the label of an actuator, "host", or empty.
        start_ns, end_ns: first start bit, end of the last stop bit, by the clock of the line.
        data: the bytes.
    """

    by: str
    start_ns: int
    end_ns: int
    data: bytes


class Side(Protocol):
    """A side channel."""

    def follow(self, line: str) -> Told:
        """Order or ask something. Raises SideError."""


class InProcessSide:
    """That of a virtual bus in this process."""

    def __init__(self, bus: Any) -> None:
        from busproto.sim.side_channel import SideChannel

        self._channel = SideChannel(bus)

    def follow(self, line: str) -> Told:
        """See `Side`."""
        from busproto.sim.control import ControlError

        try:
            return self._channel.told(line)
        except ControlError as error:
            raise SideRefusedError(str(error)) from error


class TcpSide:
    """One behind a TCP port."""

    def __init__(self, text: str) -> None:
        """`text`: HOST:PORT. Raises InputError: nobody is there, or it is no such text."""
        host, port = parse_endpoint("--dut-side", text, 7001, open_to_network=True)
        self._name = text
        try:
            self._socket = socket.create_connection((host, port), PATIENCE_S)
        except OSError as error:
            raise InputError(f"--dut-side '{text}': nobody is there ({error.strerror or error})") from error
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._heard = b""

    def follow(self, line: str) -> Told:
        """See `Side`."""
        try:
            self._socket.sendall(line.encode() + b"\n")
            while b"\n" not in self._heard and len(self._heard) < MAX_LINE_BYTES:
                data = self._socket.recv(1 << 16)
                if not data:
                    raise SideError(f"the side channel at {self._name} was closed")
                self._heard += data
        except OSError as error:
            raise SideError(f"the side channel at {self._name} does not answer: {error}") from error
        answer, _, self._heard = self._heard.partition(b"\n")
        try:
            told = json.loads(answer)
        except ValueError:
            told = None
        if not isinstance(told, dict) or not {"done", "refused"} & set(told):
            raise SideError(f"the side channel at {self._name} says what is no answer: {answer[:80]!r}")
        if "refused" in told:
            raise SideRefusedError(str(told["refused"]))
        return told

    def close(self) -> None:
        """Let go."""
        self._socket.close()


class Beside:
    """A side channel as a case uses it: the words it follows, and the one under test among those who are there.

    Attributes:
        words: that are followed.
    """

    def __init__(self, side: Side, uid: bytes) -> None:
        """Raises SideError: it does not tell what it follows, or does not know the one under test."""
        self._side = side
        self._uid = uid.hex()
        self.words = frozenset(map(str, self._list("able", "words")))
        self._label = str(self._me().get("label", "")) if "who" in self.words else ""

    def _list(self, line: str, key: str) -> list[Any]:
        found = self._side.follow(line).get(key)
        if not isinstance(found, list):
            raise SideError(f"the side channel answers '{line}' without a list '{key}'")
        return found

    def _me(self) -> Told:
        there = [one for one in self._list("who", "actuators") if isinstance(one, dict)]
        mine = [one for one in there if one.get("uid") == self._uid] or (there if len(there) == 1 else [])
        if not mine:
            raise SideError(f"the side channel does not know {self._uid}")
        return mine[0]

    @property
    def is_powered(self) -> bool:
        """Whether the one under test has power."""
        return bool(self._me()["is_powered"])

    @property
    def written_bytes(self) -> int:
        """Bytes of stored memory that it has written so far; one that follows `cut` counts them."""
        return int(self._me()["written"])

    def order(self, word: str, rest: str = "") -> None:
        """An order for the one under test."""
        self._side.follow(f'{word} "{self._label}" {rest}'.rstrip())

    def now_ns(self) -> int:
        """The clock of the line."""
        return int(self._side.follow("heard 9e18")["now_ns"])

    def heard(self, since_ns: int) -> list[OnLine]:
        """What began on the line at that moment or later."""
        found = self._side.follow(f"heard {since_ns}")["heard"]
        return [OnLine(one["by"], one["from_ns"], one["to_ns"], bytes.fromhex(one["bytes"])) for one in found]

    def is_own(self, one: OnLine) -> bool:
        """Whether the one under test sent that."""
        return one.by == self._label

    def jam(self, behind_ns: int, data: bytes) -> None:
        """So long behind the next frame of the host, or behind the jam before, these bytes are on the line."""
        self._side.follow(f"jam {behind_ns / 1000:.3f} {data.hex()}")
