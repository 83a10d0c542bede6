"""Waveforms as edges, against levels worked out ns by ns from bit lists."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busproto.sim.line.waveform import (
    bits_ns,
    differential,
    half_bits_ns,
    inverted_between,
    joined,
    level_at,
    mixed,
    of_bytes,
    rate_of,
    whole_bits,
    wired_and,
)

BAUDS = (1_200, 9_600, 57_600, 115_200, 250_000, 921_600, 1_000_000, 3_000_000, 3_999_999)
PPMS = st.sampled_from((0, 1, -1, 10_000, -10_000, 52_631))
FAST = st.sampled_from((100_000_000, 130_000_000, 70_000_000))
"""Rates at which a bit lasts few enough ns to look at each of them."""


def bits_of(data: bytes) -> list[int]:
    """Start bit, eight bits low one first, stop bit, for each byte."""
    return [bit for byte in data for bit in (0, *(int(one) for one in f"{byte:08b}"[::-1]), 1)]


def begins_of(data: bytes, rate: int, start_ns: int = 0) -> list[int]:
    """When each bit begins, and when the last one ends, by exact fractions."""
    return [start_ns + int(Fraction(k * 10**15, rate)) for k in range(10 * len(data) + 1)]


def levels_of(data: bytes, rate: int, start_ns: int, until_ns: int) -> list[int]:
    """Level in every ns from 0 on."""
    levels = [1] * until_ns
    begins = begins_of(data, rate, start_ns)
    for k, bit in enumerate(bits_of(data)):
        for moment in range(begins[k], min(begins[k + 1], until_ns)):
            levels[moment] = bit
    return levels


def each_ns(edges: list[int], until_ns: int) -> list[int]:
    return [level_at(edges, moment) for moment in range(until_ns)]


def assert_is_a_waveform(edges: list[int]) -> None:
    assert all(before < after for before, after in pairwise(edges))


# --- times -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("bits", "microseconds"), [(10, 86.8056), (11, 95.4861)], ids=["8N1", "8E1"])
def test_character_time_at_115200(bits: int, microseconds: float) -> None:
    """Computed from the stated definition, (1 + 8 + parity + stop) / baud. Times are rounded down to whole ns."""
    assert bits_ns(bits * 1000, rate_of(115_200)) / 1e6 == pytest.approx(microseconds, rel=1e-6)
    assert 0 <= microseconds * 1000 - bits_ns(bits, rate_of(115_200)) < 1.0


def test_times_are_rounded_down_to_whole_nanoseconds() -> None:
    rate = rate_of(115_200)
    assert (bits_ns(10, rate), bits_ns(11, rate), bits_ns(140, rate)) == (86_805, 95_486, 1_215_277)
    assert (half_bits_ns(1, rate), half_bits_ns(19, rate)) == (4_340, 82_465)


def test_rounding_does_not_add_up() -> None:
    """1,152,000 bits at 115,200 Bd last ten seconds, to the nanosecond."""
    assert bits_ns(1_152_000, rate_of(115_200)) == 10_000_000_000


def test_a_fast_clock_has_shorter_bits() -> None:
    """1 % fast: 1,010,000 bits take the time of a million."""
    assert bits_ns(1_010_000, rate_of(1_000_000, 10_000)) == 1_000_000_000
    assert bits_ns(990_000, rate_of(1_000_000, -10_000)) == 1_000_000_000


@given(st.integers(0, 10**9), st.sampled_from(BAUDS), PPMS)
def test_whole_bits_is_the_inverse_of_the_time_of_bits(bits: int, baud: int, ppm: int) -> None:
    rate = rate_of(baud, ppm)
    begins = bits_ns(bits, rate)
    assert whole_bits(begins, rate) == bits
    assert whole_bits(bits_ns(bits + 1, rate) - 1, rate) == bits


# --- one -------------------------------------------------------------------------------------------------------


@given(st.binary(max_size=12), st.sampled_from(BAUDS), PPMS, st.integers(0, 10**12))
def test_edges_are_where_the_bit_list_changes(data: bytes, baud: int, ppm: int, start_ns: int) -> None:
    rate = rate_of(baud, ppm)
    bits, begins = bits_of(data), begins_of(data, rate, start_ns)
    wanted = [begins[k] for k, (before, now) in enumerate(zip([1, *bits], bits, strict=False)) if before != now]
    assert of_bytes(start_ns, data, rate) == wanted
    assert len(wanted) % 2 == 0, "the line ends high"


@given(st.binary(min_size=1, max_size=5), FAST, st.integers(0, 50))
def test_levels_are_those_of_the_bit_list_in_every_ns(data: bytes, baud: int, start_ns: int) -> None:
    rate = rate_of(baud)
    until_ns = begins_of(data, rate, start_ns)[-1] + 20
    assert each_ns(of_bytes(start_ns, data, rate), until_ns) == levels_of(data, rate, start_ns, until_ns)


# --- flipped bits ----------------------------------------------------------------------------------------------

edge_lists = st.sets(st.integers(0, 99), max_size=12).map(lambda moments: sorted(moments)[: len(moments) // 2 * 2])


@given(edge_lists, st.integers(0, 99), st.integers(0, 99))
def test_inverted_between_inverts_there_and_nowhere_else(edges: list[int], one: int, other: int) -> None:
    begin, end = sorted((one, other))
    before = list(edges)
    changed = inverted_between(edges, begin, end)
    assert each_ns(changed, 110) == [level ^ (begin <= at < end) for at, level in enumerate(each_ns(before, 110))]
    assert_is_a_waveform(changed)
    assert edges == before, "the list it was given is untouched"


@given(edge_lists, edge_lists, st.integers(0, 99))
def test_joined_is_the_one_before_and_the_other_behind(before: list[int], behind: list[int], at: int) -> None:
    line = joined(before, behind, at)
    assert each_ns(line, 110) == each_ns(before, 110)[:at] + each_ns(behind, 110)[at:]
    assert_is_a_waveform(line)


# --- wired AND -------------------------------------------------------------------------------------------------


senders = st.lists(st.tuples(st.binary(min_size=1, max_size=3), FAST, st.integers(0, 120)), min_size=1, max_size=4)


@given(senders)
def test_a_wired_and_is_low_in_every_ns_in_which_anyone_is(sent: list[tuple[bytes, int, int]]) -> None:
    waves = [of_bytes(start_ns, data, rate_of(baud)) for data, baud, start_ns in sent]
    wanted = [1] * 700
    for data, baud, start_ns in sent:
        levels = levels_of(data, rate_of(baud), start_ns, 700)
        wanted = [one & other for one, other in zip(wanted, levels, strict=True)]
    line = wired_and(waves)
    assert each_ns(line, 700) == wanted
    assert_is_a_waveform(line)


def test_a_wired_and_of_no_senders_is_idle() -> None:
    assert wired_and([]) == []


# --- a pair ----------------------------------------------------------------------------------------------------


@given(senders, st.integers(1, 50), st.integers(0, 2**63 - 1))
def test_a_pair_follows_those_who_agree_and_draws_where_they_do_not(
    sent: list[tuple[bytes, int, int]], bit_ns: int, seed: int
) -> None:
    def undefined(cell: int) -> int:
        return mixed(seed ^ cell) & 1

    drives = []
    for data, baud, start_ns in sent:
        begins = begins_of(data, rate_of(baud), start_ns)
        drives.append((of_bytes(start_ns, data, rate_of(baud)), begins[0], begins[-1]))
    wanted = []
    cell_ns = max(1, bit_ns // 5)
    for moment in range(700):
        levels = {level_at(edges, moment) for edges, start, end in drives if start <= moment < end}
        wanted.append(levels.pop() if len(levels) == 1 else undefined(moment // cell_ns) if levels else 1)
    line = differential(drives, bit_ns, undefined)
    assert each_ns(line, 700) == wanted
    assert_is_a_waveform(line)


def test_numbers_are_mixed_as_the_definition_says() -> None:
    """First outputs of the splitmix64 generator from seed 0, from memory; and half of many cells are high.

    Of 10,000 cells 5000 are expected high, standard deviation 50; six of them are allowed.
    """
    assert mixed(0) == 0xE220A8397B1DCDAF
    assert mixed(0x9E3779B97F4A7C15) == 0x6E789E6AA1B965F4
    assert abs(sum(mixed(cell) & 1 for cell in range(10_000)) - 5000) <= 300
