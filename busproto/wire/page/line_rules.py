"""Rules of the line and of the frame."""

from __future__ import annotations

from typing import Final

from busproto.wire import crc, frame
from busproto.wire.page.rules import HOST, LINE, Rule, Section, us
from busproto.wire.timing import BOOT_NS, CLOCK_TOLERANCE_PPM, DETECT_NS

_PERCENT: Final = CLOCK_TOLERANCE_PPM / 10_000

LINE_SECTION: Final = Section(
    "Line",
    (
        Rule(
            "line.rate",
            f"An actuator MUST work at {frame.DEFAULT_BAUD} Bd and at {frame.RUNNING_BAUD} Bd. Every "
            "device on a line uses the same rate. How an actuator is told its rate is not part of the format.",
            f"Report rounds of 32 actuators in 10 ms need {frame.RUNNING_BAUD} Bd.",
        ),
        Rule(
            "page.gaps",
            "A byte is one start bit (low), eight data bits, low bit first, no parity bit and one stop bit (high). "
            "Bytes of one frame MAY have gaps of any length between them. Nothing depends on idle gaps, breaks or a "
            "ninth bit. A byte with a low stop bit counts as any byte.",
            "USB adapters hide gaps and breaks.",
        ),
        Rule(
            "line.drivers",
            "The line is half duplex and has one of two kinds of drivers. One wire: open drain with one pull-up, so "
            "that the level is low as soon as one driver pulls (wired AND). One pair: RS-485 transceivers; where "
            "drivers disagree, the level is undefined. A driver MUST be off (high impedance) but for the time from its "
            "first start bit to the end of its last stop bit.",
            keeper=LINE,
        ),
        Rule(
            "line.level",
            "The idle level is high: by the pull-up on one wire, by bias resistors or fail-safe receivers on a pair.",
            keeper=LINE,
        ),
        Rule(
            "line.idle",
            "The line is busy from the falling edge of a start bit until the end of the stop bit, ten bit times later; "
            "where several transmissions overlap, until the end of the last of them. At all other times it is idle. An "
            "actuator that counts down MUST take note of a start bit within `detect` "
            f"({us(DETECT_NS)}), and takes no note of what the bytes say.",
        ),
        Rule(
            "line.echo",
            "An actuator MUST ignore every byte that it receives from its own first start bit to the end of its own "
            "last stop bit: its echo, and whatever another device sends meanwhile. Such bytes are not counted.",
        ),
        Rule(
            "line.host-echo",
            "A host MUST work with an echo of its own bytes and without one. Where it has one, it SHOULD compare it "
            "with what it sent: a broken echo means that the request may not have been received.",
            keeper=HOST,
        ),
        Rule(
            "line.clock",
            "An actuator keeps every time of this page, and its line rate, by its own clock. The clock MUST be right "
            f"to {_PERCENT:g} %: a time MAY be so much shorter or longer on the line. A clock that counts whole "
            "microseconds is good enough.",
            "Two actuators may then differ by 2 %; the leads of slots allow for that.",
        ),
        Rule(
            "line.boot",
            f"From `boot` ({us(BOOT_NS)}) after power-up, after the last stop bit of the reply to a restart, or after "
            "the last stop bit of a restart sent to all, an actuator MUST take in every request. What it does with "
            "requests before is not defined; it MUST NOT drive the line without a request.",
        ),
        Rule(
            "line.next",
            "A request MAY follow the last stop bit of the frame before it without any gap: behind a broadcast that "
            "has no answer, and behind a reply. Two frames MAY share one delimiter. An actuator MUST take in all of "
            "them.",
        ),
        Rule(
            "line.quiet",
            "A host SHOULD NOT send from the end of a request that is answered until the answer, or the time for it, "
            "is over, but for frames that follow that request at once in the same burst.",
            "A later request ends the wait for an answer to an earlier one (does.latest).",
            keeper=HOST,
        ),
        Rule(
            "line.host-wait",
            "A host counts from the last stop bit of the request, and adds the tolerance of the clock and the time "
            "for which its port keeps bytes back. A reply has not come when it has not begun `max turnaround` and "
            "`start jitter` later, behind commit and assign `store` later still. A window of M slots is over when the "
            "line was idle for `first slot` and M + 2 slots behind the request or the last byte; M is `slots` of a "
            "roll call, `count` of a report round, and `total` + 4 of a list. Each try of a request SHOULD have a "
            "`sequence` of its own.",
            "USB adapters keep bytes back for up to 16 ms (common practice, no source). With a `sequence` of its own a "
            "late reply to one try is not taken for that to the next.",
            keeper=HOST,
        ),
    ),
)

FRAME_SECTION: Final = Section(
    "Frame",
    (
        Rule(
            "frame.layout",
            "A frame is `00 | E | T | 00`. E is the body with its zero bytes removed by COBS, one byte longer than the "
            f"body. T is the check, {crc.TRAILER_BYTES} bytes. The fields of the body stand in the first table above, "
            "in this order.",
            "Two delimiters, so that noise before a frame costs no good frame. COBS: Cheshire and Baker, IEEE/ACM "
            "Transactions on Networking 7(2), 1999. A body has fewer than 254 bytes: the price is always one byte.",
        ),
        Rule(
            "frame.size",
            f"A frame has {frame.MIN_WIRE_BYTES} to {frame.MAX_WIRE_BYTES} bytes in all. An actuator MUST take in the "
            "longest.",
        ),
        Rule(
            "frame.version",
            f"`control` holds the version ({frame.FRAME_VERSION}) in bits 7..5, the reply bit in bit 4 and flags in "
            "bits 3..0. A frame with another version or with any flag set MUST be dropped.",
        ),
        Rule("frame.length", "`payload_length` MUST equal the number of bytes behind the header; else drop the frame."),
        Rule(
            "frame.sequence",
            "The host chooses `sequence`. A reply MUST carry that of its request. A host MUST drop a reply with "
            "another.",
        ),
        Rule("frame.operation", "A reply, a refusal too, MUST carry the `operation` of its request."),
        Rule(
            "frame.tag",
            "A reply carries a tag, a request none: bit 4 of `control` tells. The tag is the digest of H(uid, salt 0, "
            "epoch 0), see Discovery.",
            "So two actuators never send the same reply, and the host tells them apart at one address. Tags of two "
            "uids are equal once in 65536 pairs.",
        ),
        Rule(
            "frame.check",
            "T is v = crc24(E) + (number of zero bits in E << 24), 35 bits, in five bytes of seven bits, low group "
            "first, each with bit 7 set. Both are taken over E as it is sent, first byte first. A frame whose T "
            "differs in any bit MUST be dropped.",
            "The CRC has Hamming distance 6 up to 2024 bits. The count of zero bits makes the wired AND of two "
            "different frames of one length never a frame (Berger 1961, from memory).",
        ),
        Rule(
            "frame.resync",
            "A receiver splits the stream at zero bytes, ignores empty pieces and drops every piece that is no frame. "
            "The next delimiter begins anew, whatever came before and however long it was.",
        ),
        Rule(
            "frame.reserved",
            f"A frame to a reserved destination (0x{frame.UNADDRESSED + 1:02X}..0x{frame.BROADCAST_ADDRESS - 1:02X}) "
            "MUST be dropped.",
        ),
        Rule(
            "frame.all",
            f"A frame whose source is above 0x{frame.UNADDRESSED:02X} MUST be dropped. 0x{frame.BROADCAST_ADDRESS:02X} "
            "is a destination only.",
        ),
        Rule(
            "frame.unaddressed",
            f"0x{frame.UNADDRESSED:02X} is the address of every actuator that has none of its own. As a destination it "
            "counts as the address alone: all of them take in the request and all of them reply, at once. A reply "
            f"comes from source 0x{frame.UNADDRESSED:02X} then.",
            "A host uses it only where at most one such actuator can be there.",
        ),
        Rule(
            "frame.source",
            "An actuator MUST NOT judge a request by its source, 0x00 to 0xF0. Its reply goes to the source of the "
            "request; answers of discovery and report rounds go to 0x00.",
        ),
        Rule(
            "frame.reply",
            "An actuator MUST NOT act on a frame whose reply bit is set.",
        ),
        Rule(
            "frame.counts",
            "`good_frames` of a report counts the requests received in good frames, whatever their destination, and "
            "the request for the report too; replies do not count. `bad_frames` counts the pieces between delimiters "
            "that are dropped: with a bad check, of a wrong length, of another version, or with a reserved address. "
            "Empty pieces do not count.",
        ),
    ),
)
