"""One request and its reply, with retries. Clauses frame.sequence, frame.tag, does.reply, refusal."""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from typing import Final

from tests.independent.codec import ALL, HOST, Frame, replies_in, tag_of
from tests.independent.line import CLOCK, TIMES_US, Send, Talk
from tests.independent.messages import REFUSED, Op

TRIES: Final = 6
REPLY_S: Final = (TIMES_US["max turnaround"] + TIMES_US["start jitter"]) * (1 + CLOCK) / 1e6
STORE_S: Final = TIMES_US["store"] * (1 + CLOCK) / 1e6


class SilentError(Exception):
    """No reply to any of the tries."""


class RefusedError(Exception):
    """The reply was a refusal; `low` and `high` tell the range where `code` is 3."""

    def __init__(self, code: int, low: int, high: int) -> None:
        super().__init__(f"refused with code {code}, {low}..{high}")
        self.code, self.low, self.high = code, low, high


class OtherDeviceError(Exception):
    """The reply came with the tag of another uid: two actuators stand at one address."""


@dataclass
class Asker:
    """Numbers requests, and takes only the reply that belongs to one."""

    chance: random.Random
    sequence: int = field(default=0)

    def __post_init__(self) -> None:
        self.sequence = self.chance.randrange(256)

    def request(self, to: int, operation: Op, payload: bytes) -> Frame:
        self.sequence = (self.sequence + 1) % 256
        return Frame(to, HOST, self.sequence, operation, payload)

    def tell(self, operation: Op, payload: bytes) -> Talk[None]:
        """Send to all what has no answer."""
        yield Send(self.request(ALL, operation, payload).wire, 0.0)

    def ask(
        self, to: int, operation: Op, payload: bytes = b"", *, source: int | None = None, uid: bytes | None = None
    ) -> Talk[bytes]:
        """The reply's payload behind its outcome byte.

        Each try has a sequence number of its own, so that a late reply to the one before is not taken for this one's.
        """
        source = to if source is None else source
        stores = operation in (Op.ASSIGN, Op.COMMIT)
        for _ in range(TRIES):
            request = self.request(to, operation, payload)
            key = (request.sequence, int(operation))
            heard = yield Send(request.wire, REPLY_S + stores * STORE_S, key)
            mine = [one for one in replies_in(heard.data) if (one.sequence, one.operation) == key]
            for reply in mine:
                if reply.source != source or reply.destination != HOST:
                    continue
                if uid is not None and reply.tag != tag_of(uid):
                    raise OtherDeviceError(f"address {source} answers with tag {reply.tag:#06x}")
                if reply.payload[:1] != b"\0":
                    raise RefusedError(*REFUSED.unpack(reply.payload))
                return reply.payload[1:]
        raise SilentError(f"no reply to {operation.name} from {source}")
