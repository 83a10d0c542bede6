"""One exchange after another on a half-duplex line, as a state machine without I/O: bytes and times in, outcomes out.

It knows no port and no clock; every time is an argument, in ns. Rules:

* One request is under way at a time.
* A reply must match its sequence number, operation and source address.
* One good frame and no other byte is the answer of one actuator.
* Bytes that belong to no good frame are kept and reported.
* The first bytes received tell whether the line echoes; every later echo is compared with what was sent. A broken echo
  means that the request may have reached no actuator whole.
* Nothing depends on gaps between bytes, as USB adapters hide them. The time for which an adapter may hold bytes back is
  added to every deadline.
"""

from __future__ import annotations

from typing import Final

from busproto.session.exchange import Ask, Expect, Heard, Verdict
from busproto.session.states import SessionEvent, SessionState, next_state
from busproto.wire import BadFrame, Decoder, Frame, encode_frame, request_frame
from busproto.wire.frame import BROADCAST_ADDRESS, HOST_ADDRESS, MAX_WIRE_BYTES, MIN_WIRE_BYTES

_BITS_PER_BYTE: Final = 10
_MOST_BYTES: Final = 240 * 24
"""Bytes of the uid answers of as many actuators as one line can have."""
_CLOCK_MARGIN: Final = 1.02
"""An actuator's clock may be slower than the host's by this fraction."""


class Session:
    """The host's side of the line.

    Attributes:
        state: see `busproto.session.states`.
        echoes: whether the line echoes the host's bytes; None while not known.
        counts: number of each verdict, of "stale" frames, and of bytes "between" exchanges; for reports.
    """

    def __init__(self, *, baud: int, latency_ns: int = 0, first_sequence: int = 0) -> None:
        self.state = SessionState.IDLE
        self.echoes: bool | None = None
        self.counts: dict[str, int] = {}
        self._baud = baud
        self._latency_ns = latency_ns
        self._sequence = first_sequence & 0xFF
        self._decoder = Decoder()

    @property
    def next_sequence(self) -> int:
        """The sequence number of the next request."""
        return self._sequence

    def airtime_ns(self, count: int) -> int:
        """Time of `count` bytes on the line, ns."""
        return count * _BITS_PER_BYTE * 1_000_000_000 // self._baud

    def begin(self, ask: Ask, now_ns: int, before: bytes = b"") -> bytes:
        """Begin an exchange; returns the bytes to send. `before` are the bytes received since the previous exchange.

        Raises:
            LocalProtocolError: another exchange is under way.
            EncodeError: the request cannot be sent; the state has not changed.
        """
        first = self._sequence
        frames = [
            request_frame(message, BROADCAST_ADDRESS, (first + number) & 0xFF)
            for number, message in enumerate(ask.ahead)
        ]
        frames.append(request_frame(ask.message, ask.destination, (first + len(frames)) & 0xFF))
        wire = b"".join(map(encode_frame, frames))
        # the same request may have been sent more than once in one burst; an answer to any of them counts
        self._same_ahead = {
            frame.sequence for frame, message in zip(frames, ask.ahead, strict=False) if message == ask.message
        }
        self._step(SessionEvent.BEGIN)
        self._sequence = (first + len(frames)) & 0xFF
        self._ask, self._ahead, self._request, self._wire = ask, frames[:-1], frames[-1], wire
        self._began_ns = now_ns
        self._before = before
        if before:
            self.counts["between"] = self.counts.get("between", 0) + len(before)
        self._decoder.reset()
        self._raw = bytearray()
        self._replies: list[Frame] = []
        self._strays = bytearray()
        self._stale = 0
        self._reply_bytes = 0
        self._heard_ns = now_ns
        self._lost_bytes = 0
        self._echo_seen = False
        return wire

    def sent(self, now_ns: int) -> None:
        """The bytes were handed to the port at `now_ns`; the line carries them from then on."""
        self._step(SessionEvent.SENT)
        self._request_end_ns = now_ns + self.airtime_ns(len(self._wire))
        # time for every possible actuator, one after the other; a device that sends for longer does not answer, it
        # babbles
        busy_ns = self.airtime_ns(_MOST_BYTES) + _MOST_BYTES * self._ask.idle_ns_per_byte
        self._longest_ns = self._latency_ns + round(_CLOCK_MARGIN * (self._ask.window_ns + busy_ns))

    @property
    def deadline_ns(self) -> int:
        """The time at which to stop listening, given the bytes received so far, ns."""
        ask, back = self._ask, len(self._raw) + self._lost_bytes
        if self.echoes or self._echo_seen:
            back = max(0, back - len(self._wire))
        listen_ns = self._latency_ns
        if ask.expect in {Expect.WINDOW, Expect.BYTES}:
            busy_ns = self.airtime_ns(back) + back * ask.idle_ns_per_byte
            listen_ns += round(_CLOCK_MARGIN * (ask.window_ns + busy_ns)) + self.airtime_ns(2)
            if ask.expect is Expect.WINDOW and back > self._reply_bytes:
                quiet_ns = self._heard_ns + self._latency_ns + ask.quiet_ns - self._request_end_ns
                listen_ns = max(listen_ns, quiet_ns)
            listen_ns = min(listen_ns, self._longest_ns)
        elif ask.expect is Expect.SLOTS:
            listen_ns += round(_CLOCK_MARGIN * ask.window_ns) + self.airtime_ns(2)
        elif ask.expect is Expect.ONE:
            longest = MAX_WIRE_BYTES if back else MIN_WIRE_BYTES
            if self._replies:  # further answers are as long, and begin within the window too
                longest = len(encode_frame(self._replies[0])) + 1
            listen_ns += ask.window_ns + self.airtime_ns(longest)
        elif self.echoes is None:
            listen_ns += self.airtime_ns(1)
        elif not self.echoes:
            listen_ns = 0
        return self._request_end_ns + listen_ns

    def heard(self, data: bytes, now_ns: int) -> None:
        """Take bytes that were received by `now_ns`."""
        self._step(SessionEvent.HEARD)
        self._raw += data
        self._heard_ns = now_ns
        for found in self._decoder.feed(data):
            if isinstance(found, BadFrame):
                self._strays += found.raw
            elif found == self._request:
                self._echo_seen = True
            elif found in self._ahead:
                continue
            elif self._fits(found):
                self._replies.append(found)
                self._reply_bytes += len(encode_frame(found))
            else:
                self._stale += 1
        if self._is_complete():
            self._settle(now_ns)

    def interrupted(self, now_ns: int) -> None:
        """Note that a read was broken off: bytes since the last read may be lost.

        The caller goes on listening until the deadline: answers are under way, and nothing may be sent over them.
        """
        if self.state is SessionState.SENDING:
            self.sent(now_ns)  # it is not known how much of the request was sent
        self._lost_bytes += max(0, now_ns - self._heard_ns) // self.airtime_ns(1)

    def _fits(self, frame: Frame) -> bool:
        ask = self._ask
        return (
            frame.is_reply
            and frame.destination == HOST_ADDRESS
            and (frame.sequence == self._request.sequence or frame.sequence in self._same_ahead)
            and frame.operation == self._request.operation
            and ask.source in {None, frame.source}
        )

    def _is_complete(self) -> bool:
        ask = self._ask
        if ask.expect is Expect.ONE:
            return bool(self._replies) and not ask.listen_out
        return ask.expect is Expect.NOTHING and self._echo_seen

    def expire(self, now_ns: int) -> None:
        """End the exchange: the deadline has passed, no more bytes belong to it."""
        if self.state is not SessionState.SETTLED:
            self._settle(now_ns)

    def _settle(self, now_ns: int) -> None:
        self._step(SessionEvent.SETTLE)
        self._ended_ns = now_ns
        raw = bytes(self._raw)
        echo = raw.startswith(self._wire)
        if echo and self.echoes is None:
            self.echoes = True
        elif raw and self.echoes is None and self._replies and not self._echo_seen:
            self.echoes = False
        self._echo_is_broken = bool(self.echoes) and not echo
        self._echoed = echo
        self._behind_echo = raw[len(self._wire) :] if echo else raw

    def take(self) -> Heard:
        """Return the outcome; the session is then idle again."""
        self._step(SessionEvent.TAKE)
        strays = bytes(self._strays)
        if self._decoder.pending_bytes:
            strays += self._behind_echo[-self._decoder.pending_bytes :]
        verdict = self._verdict(strays)
        self.counts[verdict.name.lower()] = self.counts.get(verdict.name.lower(), 0) + 1
        if self._stale:
            self.counts["stale"] = self.counts.get("stale", 0) + self._stale
        return Heard(
            ask=self._ask,
            sequence=self._request.sequence,
            replies=tuple(self._replies),
            strays=strays,
            raw=self._behind_echo,
            echoed=self._echoed,
            overran=self._ended_ns >= self._request_end_ns + self._longest_ns,
            stale=self._stale,
            verdict=verdict,
            began_ns=self._began_ns,
            ended_ns=self._ended_ns,
            before=self._before,
        )

    def _verdict(self, strays: bytes) -> Verdict:
        expect = self._ask.expect
        if self._replies:
            is_clean = not strays and (len(self._replies) == 1 or expect in {Expect.WINDOW, Expect.SLOTS})
            return Verdict.ANSWERED if is_clean else Verdict.CROWDED
        if self._echo_is_broken:
            return Verdict.ECHO_BROKEN
        if expect is Expect.NOTHING:
            return Verdict.SENT
        if expect is Expect.BYTES:
            return Verdict.ANSWERED if self._behind_echo else Verdict.SILENT
        return Verdict.GARBLED if self._behind_echo else Verdict.SILENT

    def close(self) -> None:
        """End the session: every later exchange is refused."""
        if self.state is not SessionState.CLOSED:
            self._step(SessionEvent.CLOSE)

    def _step(self, event: SessionEvent) -> None:
        self.state = next_state(self.state, event)
