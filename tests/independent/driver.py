"""Joins the parts without I/O to a port and a clock; and a port on a TCP connection or a pseudo-terminal."""

from __future__ import annotations

import os
import select
import time
from typing import Final

from tests.independent.codec import replies_in
from tests.independent.line import BITS_PER_BYTE, Heard, Port, Send, T, Talk

LONGEST_S: Final = 5.0
"""A device that never stops sending ends a wait by then."""


def drive(talk: Talk[T], port: Port, baud: int, delay_s: float) -> T:
    """Run `talk` to its end. `delay_s` is the longest time that the port keeps bytes back, both ways together.

    Where nothing is sent, nothing is waited for: what comes late then stands in `before` of the next.
    """
    wish = next(talk)
    while True:
        before = b""
        while piece := port.read(port.now_s()):
            before += piece
        data = exchange(wish, port, baud, delay_s)
        try:
            wish = talk.send(Heard(data, port.now_s(), before))
        except StopIteration as over:
            result: T = over.value
            return result


def exchange(wish: Send, port: Port, baud: int, delay_s: float) -> bytes:
    if wish.data:
        port.write(wish.data)
    else:
        delay_s = 0.0
    sent_s = port.now_s() + len(wish.data) * BITS_PER_BYTE / baud
    due_s = sent_s + wish.silence_s + delay_s
    data = b""
    while (now_s := port.now_s()) < due_s and now_s < sent_s + LONGEST_S:
        piece = port.read(due_s)
        data += piece
        if piece:
            due_s = max(due_s, port.now_s() + wish.silence_s + delay_s)
        if piece and wish.reply_to and any((r.sequence, r.operation) == wish.reply_to for r in replies_in(data)):
            break
    return data


class FilePort:
    """A port on an open file descriptor: of a serial line, a pseudo-terminal, or a socket."""

    def __init__(self, descriptor: int) -> None:
        self.descriptor = descriptor

    def write(self, data: bytes) -> None:
        while data:
            data = data[os.write(self.descriptor, data) :]

    def read(self, until_s: float) -> bytes:
        is_ready, _, _ = select.select([self.descriptor], [], [], max(0.0, until_s - self.now_s()))
        return os.read(self.descriptor, 4096) if is_ready else b""

    def now_s(self) -> float:
        return time.monotonic()
