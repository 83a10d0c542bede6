"""The side channel of the harness: times on the line, power cuts, orders to a virtual bus.

In process it is that of the virtual bus; beside a port it is a TCP port that `busproto bus run --side` opens, or a test
rig that follows some of the words of `busproto.sim.side_channel`. A case names the words it needs, and is not checked
where the side channel does not follow them.
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
    """The side channel was closed, or its answer cannot be understood."""


class SideRefusedError(SideError):
    """The side channel did not follow a line; nothing has happened."""


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
    """A way to a side channel: a line of words goes there, the answer comes back."""

    def follow(self, line: str) -> Told:
        """Send a line of words; returns the answer. Raises SideError."""


class InProcessSide:
    """The side channel of a virtual bus in this process."""

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
    """A side channel behind a TCP port."""

    def __init__(self, text: str) -> None:
        """`text`: HOST:PORT. Raises InputError: no program answers there, or the text is malformed."""
        self._endpoint = parse_endpoint("--dut-side", text, 7001, open_to_network=True)
        self._name = text
        try:
            self._connect()
        except OSError as error:
            raise InputError(f"--dut-side '{text}': no program answers there ({error.strerror or error})") from error

    def _connect(self) -> None:
        self._socket = socket.create_connection(self._endpoint, PATIENCE_S)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._heard = b""
        self._is_in_step = True

    def follow(self, line: str) -> Told:
        """See `Side`. Behind an error it connects anew: a late answer would be taken for that of the next line."""
        try:
            if not self._is_in_step:
                self._socket.close()
                self._connect()
            self._is_in_step = False
            self._socket.sendall(line.encode() + b"\n")
            while b"\n" not in self._heard and len(self._heard) < MAX_LINE_BYTES:
                data = self._socket.recv(1 << 16)
                if not data:
                    raise SideError(f"the side channel at {self._name} was closed")
                self._heard += data
        except OSError as error:
            raise SideError(f"the side channel at {self._name} does not answer: {error}") from error
        answer, _, self._heard = self._heard.partition(b"\n")
        self._is_in_step = True
        try:
            told = json.loads(answer)
        except ValueError:
            told = None
        if not isinstance(told, dict) or not {"done", "refused"} & set(told):
            raise SideError(f"the side channel at {self._name} sends what is no answer: {answer[:80]!r}")
        if "refused" in told:
            raise SideRefusedError(str(told["refused"]))
        return told

    def close(self) -> None:
        """Close the connection to the side channel."""
        self._socket.close()


class Beside:
    """A side channel as a case uses it: its words, and the label of the actuator under test.

    Attributes:
        words: the words that it follows.
    """

    def __init__(self, side: Side, uid: bytes) -> None:
        """Raises SideError: it does not list its words, or does not know the actuator under test."""
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
        """Whether the actuator under test has power."""
        return bool(self._me()["is_powered"])

    @property
    def written_bytes(self) -> int:
        """Bytes of stored memory that it has written so far; a side channel that follows `cut` counts them."""
        return int(self._me()["written"])

    def order(self, word: str, rest: str = "") -> None:
        """Send an order about the actuator under test."""
        self._side.follow(f'{word} "{self._label}" {rest}'.rstrip())

    def order_all(self, word: str, rest: str) -> None:
        """Send an order about the bus as a whole."""
        self._side.follow(f"{word} {rest}")

    def now_ns(self) -> int:
        """The clock of the line, ns."""
        return int(self._side.follow("heard 9e18")["now_ns"])

    def heard(self, since_ns: int) -> list[OnLine]:
        """Transmissions that began on the line at `since_ns` or later."""
        found = self._list(f"heard {since_ns}", "heard")
        return [OnLine(one["by"], one["from_ns"], one["to_ns"], bytes.fromhex(one["bytes"])) for one in found]

    def is_own(self, one: OnLine) -> bool:
        """Whether the actuator under test sent a transmission."""
        return one.by == self._label

    def jam(self, behind_ns: int, data: bytes) -> None:
        """Have `data` sent on the line `behind_ns` after the next frame of the host, or after the jam before."""
        self._side.follow(f"jam {behind_ns / 1000:.3f} {data.hex()}")
