"""The hash of discovery against published values, and what discovery relies on: slots, digests, answers."""

from __future__ import annotations

import functools
import itertools
import math
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busproto.wire.frame import UID_BYTES
from busproto.wire.hash import device_tag, digest_of, list_answer, slot_of, uid_hash, unlisted_answer
from tests.independent.codec import one_at_a_time

HASHES = st.integers(0, 0xFFFFFFFF)
UIDS = st.binary(min_size=UID_BYTES, max_size=UID_BYTES)


def hash_of_key(key: bytes) -> int:
    """Our hash over eleven bytes: uid, salt, epoch low, epoch high."""
    return uid_hash(key[:8], int.from_bytes(key[9:], "little"), key[8])


def test_published_values() -> None:
    """Jenkins' one-at-a-time hash: examples of the encyclopaedia article on it, from memory.

    Ours always hashes eleven bytes, so the published ones judge the plain loop that it is held against below.
    """
    published = {b"a": 0xCA2E9442, b"The quick brown fox jumps over the lazy dog": 0x519E91F5}
    assert {key: one_at_a_time(key) for key in published} == published
    # the hash of a key begins with that of its first bytes, before the last three steps: ours goes the same way
    assert hash_of_key(b"The quick b") == one_at_a_time(b"The quick b")


@given(st.binary(min_size=11, max_size=11))
def test_hash_is_one_at_a_time_over_uid_salt_epoch(key: bytes) -> None:
    assert hash_of_key(key) == one_at_a_time(key)


def test_order_of_the_parts() -> None:
    """The uid as printed, then the salt, then the epoch, low byte first: "The quick b" in that order."""
    assert uid_hash(b"The quic", 0x6220, 0x6B) == one_at_a_time(b"The quick b") == hash_of_key(b"The quick b")


@given(UIDS, st.integers(0, 0xFFFF), st.integers(0, 0xFF))
def test_hash_has_32_bits(uid: bytes, epoch: int, salt: int) -> None:
    assert 0 <= uid_hash(uid, epoch, salt) <= 0xFFFFFFFF


# --- what is made of it -----------------------------------------------------------------------------------------


@given(HASHES, st.integers(1, 1024))
def test_slot_is_within_the_window(value: int, slots: int) -> None:
    """Exactly floor(low 16 bits x slots / 65536)."""
    slot = slot_of(value, slots)
    assert 0 <= slot < slots
    assert slot == math.floor(value % 65536 / 65536 * slots)


@pytest.mark.parametrize("slots", [1, 2, 3, 64, 247, 1000, 1024])
def test_slots_are_even(slots: int) -> None:
    """Over all low halves no slot gets more than one value more than another."""
    counts = [0] * slots
    for value in range(0x10000):
        counts[slot_of(value, slots)] += 1
    assert max(counts) - min(counts) <= 1


@given(HASHES, st.integers(0, 0xFFFF), st.integers(1, 1024))
def test_digest_and_slot_use_different_bits(value: int, other: int, slots: int) -> None:
    """Two that share a slot still differ in their digests, as often as 16 bits can."""
    digest = digest_of(value)
    assert 0 <= digest <= 0xFFFF
    assert digest_of(digest << 16 | other) == digest
    assert slot_of(other << 16 | value & 0xFFFF, slots) == slot_of(value, slots)


@given(HASHES)
def test_answers_are_told_apart(value: int) -> None:
    """One in the member list answers 80h..FFh, an unlisted actuator 01h..7Fh: never the other's byte or a delimiter."""
    assert 0x80 <= list_answer(value) <= 0xFF
    assert 0x01 <= unlisted_answer(value) <= 0x7F
    assert list_answer(value) & 0x7F == value & 0x7F


def test_answers_at_the_edge() -> None:
    assert [unlisted_answer(value) for value in (0x00, 0x80, 0x01, 0x7F, 0xFF)] == [1, 1, 1, 0x7F, 0x7F]
    assert [list_answer(value) for value in (0x00, 0x80, 0x7F, 0xFFFFFFFF)] == [0x80, 0x80, 0xFF, 0xFF]


@given(UIDS)
def test_device_tag(uid: bytes) -> None:
    """The tag is the digest under epoch 0 and salt 0."""
    assert device_tag(uid) == one_at_a_time(uid + bytes(3)) >> 16


# --- near-identical uids ----------------------------------------------------------------------------------------


KINDS = ("last byte", "first byte", "middle byte", "one bit each")


def neighbours(kind: str) -> list[bytes]:
    """Eight uids that differ in one byte, as serial numbers of one batch do."""
    base = bytes.fromhex("0123456789abcdef")
    at = {"last byte": 7, "first byte": 0, "middle byte": 4}.get(kind)
    if at is not None:
        return [base[:at] + bytes([number]) + base[at + 1 :] for number in range(8)]
    return [bytes(a ^ b for a, b in zip(base, bytes([0] * i + [1] + [0] * (7 - i)), strict=True)) for i in range(8)]


def draws() -> Iterator[tuple[int, int]]:
    """1024 pairs of epoch and salt, always the same, spread over both."""
    return ((number * 40503 % 65536, number * 157 % 256) for number in range(1024))


@functools.cache
def slots_drawn(kind: str) -> list[list[int]]:
    """For each draw the slots, out of 64, of the eight uids."""
    uids = neighbours(kind)
    assert len(set(uids)) == 8
    return [[slot_of(uid_hash(uid, epoch, salt), 64) for uid in uids] for epoch, salt in draws()]


@pytest.mark.parametrize("kind", KINDS)
def test_neighbours_collide_no_more_than_unlisted(kind: str) -> None:
    """Pairs of near-identical uids share one of 64 slots in 1/64 of all draws: 28,672 trials, 448 expected.

    The standard deviation of that count is 21, so 15 % is three of them.
    """
    pairs = [pair for slots in slots_drawn(kind) for pair in itertools.combinations(slots, 2)]
    assert len(pairs) == 28_672
    assert sum(one == other for one, other in pairs) / len(pairs) == pytest.approx(1 / 64, rel=0.15)


@pytest.mark.parametrize("kind", KINDS)
def test_each_pair_collides_now_and_then(kind: str) -> None:
    """A linear check would not do: equal differences collide under every salt, or under none.

    Each of the 28 pairs is expected to share a slot in 16 of the 1024 draws, with a standard deviation of 4.
    """
    for one, other in itertools.combinations(range(8), 2):
        assert 3 <= sum(slots[one] == slots[other] for slots in slots_drawn(kind)) <= 32


def test_next_salt_begins_anew() -> None:
    """Two uids that share one of 64 slots share it under the next salt, too, in 1/64 of all cases only.

    24 uids under each of 64 epochs and 32 salts: some 8,800 shared slots, so 137 of them are expected to be shared
    again, with a standard deviation of 12; the tolerance is three of them.
    """
    uids = [bytes.fromhex("0123456789abcd") + bytes([number]) for number in range(24)]
    shared = again = 0
    for epoch in range(0, 0x10000, 0x400):
        slots = [[slot_of(uid_hash(uid, epoch, salt), 64) for uid in uids] for salt in range(33)]
        for now, then in itertools.pairwise(slots):
            for one, other in itertools.combinations(range(24), 2):
                if now[one] == now[other]:
                    shared += 1
                    again += then[one] == then[other]
    assert shared == pytest.approx(8800, rel=0.03)
    assert again / shared == pytest.approx(1 / 64, rel=0.26)


@pytest.mark.parametrize(
    ("nodes", "places", "expected"),
    [(8, 247, 0.108211), (16, 247, 0.391235), (23, 365, 0.507297)],
)
def test_chance_that_two_share(nodes: int, places: int, expected: float) -> None:
    """Birthday problem, Feller, An Introduction to Probability Theory vol. 1 (from memory; recomputed).

    The closed form gives the published figure; slots drawn by the hash show the same share of shared draws over
    2048 draws, within four standard deviations of 0.011 or less.
    """
    closed = 1 - math.prod((places - taken) / places for taken in range(nodes))
    assert closed == pytest.approx(expected, abs=1e-6)
    uids = [bytes.fromhex("0123456789abcd") + bytes([number]) for number in range(nodes)]
    shared = total = 0
    for epoch, salt in itertools.chain(draws(), ((epoch, salt ^ 0x5A) for epoch, salt in draws())):
        slots = {slot_of(uid_hash(uid, epoch, salt), places) for uid in uids}
        shared += len(slots) < nodes
        total += 1
    assert total == 2048
    assert shared / total == pytest.approx(expected, abs=0.044)
