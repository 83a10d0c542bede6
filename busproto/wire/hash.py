"""The hash for slots and digests of discovery: the same on host and actuator, cheap on an 8-bit controller.

Jenkins' one-at-a-time hash (32 bits, only additions, shifts and exclusive ors; public domain, from memory) over
uid, salt and epoch, in that order. The last bytes of its input are mixed least, so the order matters. With the uid at
the end, two uids that differ in their last byte shared a slot up to 4.6 times as often as by chance; with the salt at
the end, two actuators that shared a slot shared it under the next salt 3 times as often. In this order neither effect
shows, and an actuator can keep the state after its uid and do three rounds for each query. A CRC would not do, as it is
linear: equal differences would collide under every salt.
"""

from __future__ import annotations

from typing import Final

LIST_ANSWER_BIT: Final = 0x80
_MASK: Final = 0xFFFFFFFF


def uid_hash(uid: bytes, epoch: int, salt: int) -> int:
    """32 bits from a uid (8 bytes), an epoch (0..65535) and a salt (0..255)."""
    state = 0
    for byte in (*uid, salt, epoch & 0xFF, epoch >> 8):
        state = (state + byte) & _MASK
        state = (state + (state << 10)) & _MASK
        state ^= state >> 6
    state = (state + (state << 3)) & _MASK
    state ^= state >> 11
    return (state + (state << 15)) & _MASK


def slot_of(value: int, slots: int) -> int:
    """Slot 0..slots-1 of a hash: its low 16 bits scaled, so that no division is needed."""
    return (value & 0xFFFF) * slots >> 16


def digest_of(value: int) -> int:
    """Digest of a hash, 0..65535: its high 16 bits, which the slot does not use."""
    return value >> 16


def list_answer(value: int) -> int:
    """The byte with which an actuator in the member list answers, 0x80..0xFF."""
    return LIST_ANSWER_BIT | value & 0x7F


def unlisted_answer(value: int) -> int:
    """The byte with which an actuator that is not in the member list answers, 0x01..0x7F."""
    return value & 0x7F or 1


def device_tag(uid: bytes) -> int:
    """The 16 bits that distinguish an actuator's replies from those of another at the same address."""
    return digest_of(uid_hash(uid, 0, 0))
