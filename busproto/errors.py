"""Every error that busproto raises, as one tree; the branch tells where to act: caller, port, actuator or plan.

::

    BusError
     +- WireError (also ValueError)        the bytes or the message are not of the format      .raw .offset
     |   +- EncodeError                    a value that the format cannot carry                .field
     |   +- DecodeError                    bytes that are not a frame, or not a known message
     |       +- TruncatedFrameError        too few bytes
     |       +- ChecksumError              the check differs                                   .expected .actual
     +- LocalProtocolError                 a call that the session's state does not allow      .state .event
     +- InputError (also ValueError)       an input of the user or of a program cannot be used
     |   +- FileError                      a file of the user cannot be used                   .source .problems
     +- NotAgreedError                     a change was not agreed to; nothing was changed
     +- NotProvenError                     the roster is not proven complete; nothing was changed  .reason
     +- TransportError                     the port                                            .url
     |   +- PortUnavailableError           it could not be opened; nothing was sent
     |   |   +- PortBusyError              another program has it                              .holder
     |   +- PortClosedError                it went away while in use                           .done
     |       +- LinkClosedError            this program closed it before; nothing was sent
     +- OperationError                     an actuator                                         .address
         +- ReplyTimeoutError (also TimeoutError)   no good answer                             .attempts .heard_bytes
         +- NodeRefusedError               it refused and changed nothing                      .code .low .high
         |   +- LacksParameterError        it has no such parameter                            .name
         +- ParameterListError             its own parameter list cannot be used
         +- AddressConflictError           several actuators answer at one address             .uids
         +- ReadBackError                  what was read back is not what was written          .wanted .found
         +- NotLimpError                   released, it was not seen limp                      .let_go

The text of each error is made here, so that it reads the same wherever it is raised. It tells what happened, on which
actuator, and what to do next. Noise on the line is not an exception: the decoder yields a ``BadFrame`` and goes on.
This module imports no other module of busproto.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

__all__ = [
    "AddressConflictError",
    "BusError",
    "ChecksumError",
    "DecodeError",
    "EncodeError",
    "FileError",
    "InputError",
    "LinkClosedError",
    "LocalProtocolError",
    "NodeRefusedError",
    "NotAgreedError",
    "NotLimpError",
    "NotProvenError",
    "OperationError",
    "PortBusyError",
    "PortClosedError",
    "PortUnavailableError",
    "ReadBackError",
    "ReplyTimeoutError",
    "TransportError",
    "TruncatedFrameError",
    "WireError",
]


def _address_text(address: int) -> str:
    if address == 0xF0:
        return "an actuator that has no address yet (F0)"
    if address == 0xFF:
        return "all actuators (FF)"
    return f"the actuator at address {address} ({address:02X} hex)"


MAX_SHOWN_PROBLEMS = 20
UNKNOWN_PARAMETER = 2
"""The refusal code for a parameter that the actuator lacks; see the outcomes in `busproto.wire.messages`."""


def some_of(problems: Sequence[str]) -> str:
    """Problems in one line: the first ones, and the number of the others."""
    more = len(problems) - MAX_SHOWN_PROBLEMS
    return "; ".join([*problems[:MAX_SHOWN_PROBLEMS], *([f"and {more} more"] if more > 0 else [])])


class BusError(Exception):
    """Root of the tree. Catch this to catch everything that busproto raises on purpose."""


class WireError(BusError, ValueError):
    """Bytes or a message that do not fit the format. ``raw`` are the bytes, ``offset`` the index of the error in
    them."""

    def __init__(self, text: str, *, raw: bytes = b"", offset: int = 0) -> None:
        super().__init__(text)
        self.raw = raw
        self.offset = offset


class EncodeError(WireError):
    """A value that the format cannot carry. Nothing was sent. ``field`` names it."""

    def __init__(self, field: str, text: str) -> None:
        super().__init__(f"{field}: {text}")
        self.field = field


class DecodeError(WireError):
    """Bytes that are not a frame, or a frame that holds no known message."""


class TruncatedFrameError(DecodeError):
    """The bytes end before the frame does."""


class ChecksumError(DecodeError):
    """The five check bytes are not those of the bytes before them."""

    def __init__(self, expected: bytes, actual: bytes, *, raw: bytes = b"") -> None:
        super().__init__(f"check bytes {actual.hex(' ')} where {expected.hex(' ')} belong", raw=raw)
        self.expected = expected
        self.actual = actual


class LocalProtocolError(BusError):
    """A call that is not allowed in this state of the session. The state has not changed."""

    def __init__(self, state: str, event: str) -> None:
        super().__init__(f"'{event}' is not allowed while the session is '{state}'")
        self.state = state
        self.event = event


class InputError(BusError, ValueError):
    """An input of the user or of a program cannot be used. Nothing was sent."""


class FileError(InputError):
    """A file cannot be used; ``problems`` has one line for each problem. Nothing was sent or written."""

    def __init__(self, source: str, problems: Iterable[str]) -> None:
        self.source = source
        self.problems = tuple(problems)
        super().__init__(f"'{source}': {some_of(self.problems)}")


class TransportError(BusError):
    """An error of the port. ``url`` is the name by which it was opened."""

    def __init__(self, url: str, text: str) -> None:
        super().__init__(text)
        self.url = url


class PortUnavailableError(TransportError):
    """The port could not be opened. Nothing was sent."""

    def __init__(self, url: str, reason: str) -> None:
        super().__init__(url, f"cannot open port '{url}': {reason}; 'busproto ports' lists what is there")


class PortBusyError(PortUnavailableError):
    """Another program has the port. Nothing was sent, and the port's settings were not touched.

    ``holder`` names that program, as far as it is known.
    """

    def __init__(self, url: str, holder: str) -> None:
        text = f"port '{url}' is in use by {holder}; nothing was sent. End that program first, or name another port"
        TransportError.__init__(self, url, text)
        self.holder = holder


class PortClosedError(TransportError):
    """The port went away while in use. ``done`` lists the lasting changes made before, in words."""

    def __init__(self, url: str, reason: str, done: Iterable[str] = ()) -> None:
        self.done = tuple(done)
        until = f"; done until then: {', '.join(self.done)}" if self.done else "; no change had been confirmed"
        super().__init__(url, f"port '{url}' went away: {reason}{until}. Look at the port, then run the command again")
        self.reason = reason


class LinkClosedError(PortClosedError):
    """This program had closed the link, or the port. Nothing was sent."""

    def __init__(self, url: str) -> None:
        TransportError.__init__(
            self, url, f"the link was closed (port '{url}'); nothing was sent. Open it again before you use it"
        )
        self.reason = "it was closed"
        self.done = ()


class NotAgreedError(BusError):
    """The proposed changes were not agreed to. Nothing was changed."""


class NotProvenError(BusError):
    """The roster is not proven complete, so no address was written. ``reason`` says why not."""

    def __init__(self, reason: str) -> None:
        super().__init__(f"NOT PROVEN complete: {reason}. Nothing was changed: try again on a quiet line")
        self.reason = reason


class OperationError(BusError):
    """An error of one actuator. ``address`` is the one it was asked at, 0 if none."""

    def __init__(self, address: int, text: str) -> None:
        super().__init__(text)
        self.address = address


class ReplyTimeoutError(OperationError, TimeoutError):
    """No good reply. The request may still have been carried out: read the state before you repeat it.

    ``attempts`` is how often the request was sent, ``heard_bytes`` the number of bytes received.
    """

    def __init__(
        self, address: int, what: str, attempts: int, heard_bytes: int = 0, *, uid: bytes | None = None
    ) -> None:
        device = _address_text(address) if uid is None else f"the actuator with uid {uid.hex()}"
        times = "1 attempt" if attempts == 1 else f"{attempts} attempts"
        if heard_bytes:
            text = (
                f"no good reply from {device} after {times} ({heard_bytes} bytes came, but no good frame): noise, or "
                "several actuators that answer at once; 'busproto find' tells which"
            )
        else:
            wanted = "address" if uid is None else "uid"
            text = (
                f"no reply from {device} after {times}: check power, wiring, line rate and {wanted} ('busproto find')"
            )
        super().__init__(address, f"{what}: {text}")
        self.attempts = attempts
        self.heard_bytes = heard_bytes


class NodeRefusedError(OperationError):
    """The actuator refused the request and changed nothing.

    ``code`` is the outcome code; ``low`` and ``high`` are its own limits, raw, None if it did not send them.
    """

    def __init__(
        self, address: int, what: str, code: int, reason: str, low: int | None = None, high: int | None = None
    ) -> None:
        super().__init__(address, f"{what}: {_address_text(address)} refused: {reason}")
        self.code = code
        self.low = low
        self.high = high


class LacksParameterError(NodeRefusedError):
    """The actuator has no such parameter. ``name`` is that of the parameter."""

    def __init__(self, address: int, name: str) -> None:
        text = f"{_address_text(address)} has no parameter '{name}'; 'busproto show {address}' lists what it has"
        OperationError.__init__(self, address, text)
        self.name = name
        self.code = UNKNOWN_PARAMETER
        self.low = self.high = None


class ParameterListError(OperationError):
    """The parameter list that an actuator reports cannot be used; its settings were not read."""

    def __init__(self, address: int, why: str) -> None:
        super().__init__(
            address,
            f"the parameter list of {_address_text(address)} cannot be used: {why}. Its settings were not read; "
            "its firmware needs correction",
        )


class AddressConflictError(OperationError):
    """Several actuators answer at one address, or another one has it already. Nothing was written there."""

    def __init__(self, address: int, uids: Iterable[bytes]) -> None:
        self.uids = tuple(uids)
        known = ", ".join(uid.hex() for uid in self.uids) or "uids not known yet"
        where = f"address {address} ({address:02X} hex)"
        if len(self.uids) == 1:
            text = (
                f"{where} is taken by {known}; nothing was written. Choose another, or give that actuator another first"
            )
        else:
            text = (
                f"{where} is shared by several actuators ({known}): give each its own with "
                "'busproto address UID ADDRESS' before using it"
            )
        super().__init__(address, text)


class NotLimpError(OperationError):
    """An actuator was released and not seen limp; an operation that needs it limp was not done.

    ``let_go`` is what was seen, a `busproto.ops.moving.letting_go.LetGo`; None if that is not known.
    """

    let_go: object = None


class ReadBackError(OperationError):
    """The value read back is not the value written."""

    def __init__(self, address: int, what: str, wanted: object, found: object) -> None:
        super().__init__(
            address, f"{what}: wrote {wanted} to {_address_text(address)} but read back {found}; do it again"
        )
        self.wanted = wanted
        self.found = found
