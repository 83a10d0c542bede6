"""How the bytes behind a member list are fitted to its positions: none is confirmed that may not have answered."""

from __future__ import annotations

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from busproto.ops.discovery.list_answers import ListAnswers, read_answers

ANSWERS = st.integers(0x80, 0xFF)
FEW_ANSWERS = st.integers(0x80, 0x83)
"""So few values that equal answers are common."""
MEMBER_LISTS = st.lists(ANSWERS, max_size=40) | st.lists(FEW_ANSWERS, max_size=12)
A, B, C, D = 0x81, 0x82, 0x83, 0x84


@pytest.mark.parametrize(
    ("raw", "expected", "confirmed", "doubled", "extras"),
    [
        ([], [], set(), set(), 0),
        ([], [A, B], set(), set(), 0),
        ([A, B, C], [A, B, C], {0, 1, 2}, set(), 0),
        ([A, C], [A, B, C], {0, 2}, set(), 0),
        ([B], [A, B, C], {1}, set(), 0),
        ([A], [A, B, A], set(), set(), 0),  # which of the two it was cannot be told
        ([A, A], [A, B, A], {0, 2}, set(), 0),
        ([A, B], [A, B, A], {0, 1}, set(), 0),
        ([A, A], [A, A, A], set(), set(), 0),
        ([A, A, A], [A, A, A], {0, 1, 2}, set(), 0),
        ([A, A], [A, B], set(), {0}, 1),  # twice in a row: two of one uid, or noise; which one was it?
        ([A, B, B], [A, B], {0}, {1}, 1),
        ([B, A], [A, B], set(), set(), 1),
        ([A, B, 0x05], [A, B], {0, 1}, set(), 1),
        ([0x05, A, B], [A, B], {0, 1}, set(), 1),
        ([A, 0x00, B], [A, B], {0, 1}, set(), 1),
        ([0x7F, 0x01], [], set(), set(), 2),
        ([D], [A, B, C], set(), set(), 1),
        ([A, B, C, D], [A, B, C], {0, 1, 2}, set(), 1),
    ],
)
def test_by_hand(raw: list[int], expected: list[int], confirmed: set[int], doubled: set[int], extras: int) -> None:
    assert read_answers(bytes(raw), expected) == ListAnswers(frozenset(confirmed), frozenset(doubled), extras)


@given(MEMBER_LISTS)
def test_all_that_are_expected_confirm_all(expected: list[int]) -> None:
    answers = read_answers(bytes(expected), expected)
    assert answers == ListAnswers(frozenset(range(len(expected))), frozenset(), 0)


@given(MEMBER_LISTS, st.data())
def test_a_confirmed_actuator_did_answer(expected: list[int], data: st.DataObject) -> None:
    """Any of the answers may be lost: what is left never confirms a position that was silent, and nothing is extra."""
    answered = data.draw(st.sets(st.sampled_from(range(len(expected)))) if expected else st.just(set[int]()))
    raw = bytes(expected[position] for position in sorted(answered))
    answers = read_answers(raw, expected)
    assert answers.confirmed <= answered
    assert answers.doubled == frozenset()
    assert answers.extras == 0
    if len(set(expected)) == len(expected):
        assert answers.confirmed == answered


@given(MEMBER_LISTS, st.integers(0, 0x7F), st.data())
def test_a_byte_of_one_who_is_not_in_the_member_list_is_extra_wherever_it_stands(
    expected: list[int], unlisted: int, data: st.DataObject
) -> None:
    raw = bytearray(expected)
    raw.insert(data.draw(st.integers(0, len(raw))), unlisted)
    answers = read_answers(bytes(raw), expected)
    assert answers.extras >= 1
    assert answers.confirmed == frozenset(range(len(expected)))


@given(MEMBER_LISTS, ANSWERS, st.data())
def test_one_answer_too_many_is_extra_wherever_it_stands(expected: list[int], more: int, data: st.DataObject) -> None:
    raw = bytearray(expected)
    raw.insert(data.draw(st.integers(0, len(raw))), more)
    assert read_answers(bytes(raw), expected).extras >= 1


@given(MEMBER_LISTS.filter(bool), st.data())
def test_an_answer_that_comes_twice_is_doubled_or_at_least_extra(expected: list[int], data: st.DataObject) -> None:
    position = data.draw(st.integers(0, len(expected) - 1))
    raw = bytes([*expected[: position + 1], *expected[position:]])
    answers = read_answers(raw, expected)
    assert answers.extras >= 1
    if expected.count(expected[position]) == 1:
        assert position in answers.doubled


@given(st.binary(max_size=60), MEMBER_LISTS)
def test_any_bytes_at_all(raw: bytes, expected: list[int]) -> None:
    """What the figures mean, whatever came: no position twice, and every byte is a position's or extra."""
    answers = read_answers(raw, expected)
    assert answers.confirmed <= set(range(len(expected)))
    assert answers.doubled <= set(range(len(expected)))
    assert len(raw) - len(expected) <= answers.extras <= len(raw)
    assert len(answers.confirmed) <= len(raw) - answers.extras
    for position in answers.confirmed:
        assert expected[position] in raw


@given(MEMBER_LISTS, st.lists(ANSWERS, max_size=40))
def test_quiet_means_that_the_bytes_are_a_part_of_the_member_list_in_its_order(
    expected: list[int], raw: list[int]
) -> None:
    """No extras exactly where the bytes can be had by leaving answers out."""
    rest = iter(expected)
    is_part = all(any(byte == one for one in rest) for byte in raw)
    assert (read_answers(bytes(raw), expected).extras == 0) == is_part


@given(st.lists(ANSWERS, unique=True, min_size=1, max_size=20), st.integers(0, 19), st.integers(0, 7))
def test_one_flipped_bit_confirms_all_others(expected: list[int], at: int, bit: int) -> None:
    at %= len(expected)
    raw = bytearray(expected)
    raw[at] ^= 1 << bit
    assume(raw[at] not in expected)
    answers = read_answers(bytes(raw), expected)
    assert answers.extras == 1
    assert answers.confirmed == frozenset(range(len(expected))) - {at}
