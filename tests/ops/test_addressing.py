"""Giving addresses: one, a whole map, in an order that never makes a clash."""

from __future__ import annotations

import random

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from busproto.errors import AddressConflictError, InputError, PortClosedError, ReadBackError, ReplyTimeoutError
from busproto.ops import (
    Link,
    Roster,
    addressing,
    assign,
    assign_all,
    find,
    ordered_moves,
    parse_address,
    parse_uid,
    prove_addresses,
)
from busproto.ops.addressing import Move
from busproto.ops.discovery.search import Found
from busproto.ops.steps import Pause, Progress, Steps
from busproto.sim.scene import scenario
from busproto.wire import Message
from busproto.wire.frame import UNADDRESSED
from busproto.wire.messages import Assign, Assigned, Describe
from tests.ops.helpers import MS, Box, DyingPort, box, lasting, listed, once, right_or_not_proven, seeds, uid_of


def searched(one: Box, seed: int) -> Roster:
    roster = one.run(find(rng=random.Random(seed)))
    assert roster.proven
    return roster


# --- one address ---


@pytest.mark.parametrize("before", [UNADDRESSED, 3, 7])
def test_assign(before: int) -> None:
    one = box()
    actuator, other = one.add(1, before, neutral=150, channel=4), one.add(2, 9)
    settings, others = dict(actuator.settings.working), lasting(other)
    description = one.run(assign(actuator.uid, 7))
    assert description is not None
    assert description.uid == actuator.uid
    assert actuator.address == 7
    assert actuator.settings.working == settings
    assert lasting(other) == others
    assert one.link.done == [f"{actuator.uid.hex()} has address 7"]
    actuator.power_off()
    actuator.power_on()
    assert actuator.address == 7  # it is stored
    assert actuator.settings.working == settings


def test_take_an_address_away() -> None:
    one = box()
    actuator = one.add(1, 7)
    assert one.run(assign(actuator.uid, UNADDRESSED)) is None
    assert actuator.address == UNADDRESSED
    assert one.link.done == [f"{actuator.uid.hex()} has no address any more"]


def test_a_place_that_is_taken_is_left_alone() -> None:
    for seed in seeds(10):
        one = box(seed)
        mover, first, second = one.add(1, 3), one.add(2, 7), one.add(3, 8)
        before = [lasting(actuator) for actuator in one.bus.actuators]
        port = one.hooked(lambda _: None)
        with pytest.raises(AddressConflictError) as caught:
            one.run(assign(mover.uid, 7))
        assert caught.value.uids == (first.uid,)
        assert str(caught.value) == (
            f"address 7 (07 hex) is taken by {first.uid.hex()}; nothing was written. Choose another, or give "
            "that actuator another first"
        )
        assert not any(isinstance(message, Assign) for message in port.sent)
        assert [lasting(actuator) for actuator in one.bus.actuators] == before
        assert second.address == 8


def test_one_of_a_clash_can_be_parted_from_it_but_not_confirmed_in_it() -> None:
    one = box()
    first, second = one.add(1, 7), one.add(2, 7)
    with pytest.raises(AddressConflictError) as caught:
        one.run(assign(first.uid, 7))
    assert caught.value.uids == (second.uid,)
    one.run(assign(first.uid, 8))
    assert one.run(assign(second.uid, 7)) is not None
    assert (first.address, second.address) == (8, 7)


def test_a_reply_that_is_lost_is_asked_for_again_and_the_end_is_the_same() -> None:
    one = box()
    actuator = one.add(1)
    actuator.is_mute = True
    port = one.hooked(once(Assign, lambda: setattr(actuator, "is_mute", False), number=2))
    one.run(assign(actuator.uid, 7))
    assert actuator.address == 7
    assert sum(isinstance(message, Assign) for message in port.sent) == 2
    assert one.link.done == [f"{actuator.uid.hex()} has address 7"]


def test_one_that_is_not_there() -> None:
    one = box()
    one.add(1, 3)
    with pytest.raises(ReplyTimeoutError) as caught:
        one.run(assign(uid_of(99), 7))
    assert caught.value.attempts == 4
    assert one.link.done == []


def test_another_uid_that_answers_at_the_new_address_is_told() -> None:
    """An unlisted actuator takes the place between the write and the read-back, and the right one falls silent."""
    one = box()
    actuator, unlisted = one.add(1), one.add(2, 7, powered=False)

    def swap() -> None:
        actuator.power_off()
        unlisted.power_on()

    one.hooked(once(Describe, swap))
    with pytest.raises(ReadBackError) as caught:
        one.run(assign(actuator.uid, 7))
    assert (caught.value.wanted, caught.value.found) == (actuator.uid.hex(), unlisted.uid.hex())
    assert one.link.done == [f"{actuator.uid.hex()} has address 7"]


def test_one_that_joins_at_the_address_meanwhile_shows_in_the_read_back() -> None:
    for seed in seeds(10):
        one = box(seed)
        actuator, unlisted = one.add(1), one.add(2, 7, powered=False)
        one.hooked(once(Describe, unlisted.power_on))
        with pytest.raises(AddressConflictError) as caught:
            one.run(assign(actuator.uid, 7))
        assert caught.value.uids == (actuator.uid, unlisted.uid)


def test_an_address_that_was_given_goes_limp() -> None:
    one = box()
    actuator = one.add(1, 3, at_deg=12.0)
    one.run(assign(actuator.uid, 7))
    assert lasting(actuator)["target"] is None


# --- what people type ---


@pytest.mark.parametrize(
    "text", ["70a9000000004107", "70A9000000004107", " 70a9-0000-0000-4107 ", "70:a9:00:00:00:00:41:07"]
)
def test_parse_uid(text: str) -> None:
    assert parse_uid(text) == bytes.fromhex("70a9000000004107")


@pytest.mark.parametrize(
    "text", ["", "70a900000000410", "70a90000000041077", "70a900000000410g", "0" * 16, "70a9 0000"]
)
def test_parse_uid_refuses(text: str) -> None:
    with pytest.raises(InputError, match="16 digits 0-9 a-f are wanted"):
        parse_uid(text)


@pytest.mark.parametrize(("text", "address"), [("1", 1), ("239", 239), ("0xEF", 239), (" 7 ", 7), ("0x07", 7)])
def test_parse_address(text: str, address: int) -> None:
    assert parse_address(text) == address


@pytest.mark.parametrize("text", ["0", "240", "255", "-1", "seven", "", "1.5", "0xF0"])
def test_parse_address_refuses(text: str) -> None:
    with pytest.raises(InputError, match=r"1\.\.239 are wanted"):
        parse_address(text)


# --- the order of many ---


def roster_of(at: dict[bytes, int]) -> Roster:
    return Roster(tuple(Found(uid, address) for uid, address in at.items()), True, "", 0.0)


def circles(at: dict[bytes, int], wanted: dict[bytes, int]) -> int:
    """How many circles there are of those that want each other's places, counted address by address."""
    comes_from = {wanted[uid]: at[uid] for uid in wanted if at[uid] != wanted[uid]}
    count = 0
    seen: set[int] = set()
    for start in comes_from:
        path: list[int] = []
        address: int | None = start
        while address is not None and address not in seen:
            seen.add(address)
            path.append(address)
            address = comes_from.get(address)
        count += address in path
    return count


@st.composite
def occupancies(draw: st.DrawFn) -> tuple[dict[bytes, int], dict[bytes, int]]:
    """Who is where, clashes and circles included, and who is wanted where."""
    count = draw(st.integers(0, 9))
    uids = [uid_of(number) for number in range(count)]
    places = st.integers(1, max(1, count)) | st.just(UNADDRESSED)
    at = {uid: draw(places) for uid in uids}
    movers = [uid for uid in uids if draw(st.integers(0, 5))]
    targets = draw(st.permutations(range(1, count + 2)))
    return at, dict(zip(movers, targets, strict=False))


@given(occupancies())
def test_moves_end_where_wanted_and_never_make_a_clash(case: tuple[dict[bytes, int], dict[bytes, int]]) -> None:
    at, wanted = case
    blocked = [uid for uid, where in at.items() if uid not in wanted and where in wanted.values()]
    if blocked:
        with pytest.raises(InputError, match="stands there and is not in the plan"):
            ordered_moves(roster_of(at), wanted)
        return
    moves = ordered_moves(roster_of(at), wanted)
    now = dict(at)
    for move in moves:
        assert now[move.uid] == move.old
        assert move.new != move.old
        if move.new != UNADDRESSED:
            assert move.new not in now.values(), "a move made a clash"
        now[move.uid] = move.new
    assert {uid: now[uid] for uid in wanted} == wanted
    assert {uid: where for uid, where in now.items() if uid not in wanted} == {
        uid: where for uid, where in at.items() if uid not in wanted
    }
    assert len(moves) == sum(at[uid] != wanted[uid] for uid in wanted) + circles(at, wanted)


def test_moves_by_hand() -> None:
    a, b, c, d = (uid_of(number) for number in range(4))
    free = UNADDRESSED
    for at, wanted, moves in [
        ({a: 1, b: 2}, {a: 1, b: 2}, []),
        ({a: free}, {a: 5}, [(a, free, 5)]),
        ({a: 1, b: 2}, {a: 2, b: 3}, [(b, 2, 3), (a, 1, 2)]),
        ({a: 1, b: 2}, {a: 2, b: 1}, [(a, 1, free), (b, 2, 1), (a, free, 2)]),
        ({a: 7, b: 7}, {a: 7, b: 8}, [(b, 7, 8)]),
        ({a: 7, b: 7, c: 8}, {a: 8, b: 9, c: 7}, [(b, 7, 9), (a, 7, free), (c, 8, 7), (a, free, 8)]),
        (
            {a: 1, b: 2, c: 3, d: 4},
            {a: 2, b: 1, c: 4, d: 3},
            [(a, 1, free), (b, 2, 1), (a, free, 2), (c, 3, free), (d, 4, 3), (c, free, 4)],
        ),
        ({a: 1, b: 2}, {}, []),
    ]:
        assert ordered_moves(roster_of(at), wanted) == [Move(*move) for move in moves]


@pytest.mark.parametrize(
    ("at", "wanted", "says"),
    [
        ({1: 3}, {9: 4}, "is not on the line; is it plugged in and powered?"),
        ({1: 3, 2: 4}, {1: 4}, "stands there and is not in the plan: give it another address first"),
        ({1: 3, 2: 4}, {1: 5, 2: 5}, "address 5 is wanted for"),
        ({1: 3}, {1: 0}, r"1\.\.239 are wanted"),
        ({1: 3}, {1: 240}, r"1\.\.239 are wanted"),
    ],
)
def test_a_map_that_cannot_be(at: dict[int, int], wanted: dict[int, int], says: str) -> None:
    roster = roster_of({uid_of(uid): address for uid, address in at.items()})
    with pytest.raises(InputError, match=says):
        ordered_moves(roster, {uid_of(uid): address for uid, address in wanted.items()})


# --- many on the bus ---


@given(occupancies(), st.integers(0, 1000))
def test_a_whole_map_is_given_and_proven(case: tuple[dict[bytes, int], dict[bytes, int]], seed: int) -> None:
    at, wanted = case
    assume(at)  # an empty line is never proven
    wanted = {**{uid: 100 + number for number, uid in enumerate(at)}, **wanted}
    one = box(seed)
    for uid, address in at.items():
        one.add(uid, address)
    clashes: list[tuple[int, int]] = []

    def watch(message: Message) -> None:
        addresses = [actuator.address for actuator in one.bus.actuators if actuator.address != UNADDRESSED]
        if isinstance(message, Assign):
            clashes.append((len(addresses) - len(set(addresses)), message.address))

    one.hooked(watch)
    moves = ordered_moves(searched(one, seed), wanted)
    assert one.run(assign_all(moves)) == len(moves)
    shared = [count for count, _ in clashes]
    assert shared == sorted(shared, reverse=True), "a write made a clash"
    assert one.truth == wanted
    assert listed(searched(one, seed + 1)) == wanted
    assert one.run(prove_addresses(wanted, rng=random.Random(seed))) == ""
    assert one.link.clashing == {}


def test_the_tow_plane_is_put_in_order() -> None:
    for seed in seeds(4, 50):
        loaded = scenario.load("tow-plane")
        one = Box(loaded.build(seed))
        uids = loaded.uids(seed)
        wanted = {uids[row.actuator]: row.address for row in loaded.wanted}
        before = {actuator.uid: dict(actuator.settings.working) for actuator in one.bus.actuators}
        roster = searched(one, seed)
        moves = ordered_moves(roster, wanted)
        told: list[Progress] = []
        one.link._on_progress = told.append
        assert one.run(assign_all(moves)) == len(moves)
        assert [(step.at, step.of) for step in told] == [(at, len(moves)) for at in range(len(moves) + 1)]
        assert listed(searched(one, seed)) == wanted
        assert one.run(prove_addresses(wanted, rng=random.Random(seed))) == ""
        assert {actuator.uid: dict(actuator.settings.working) for actuator in one.bus.actuators} == before


def test_a_map_is_given_under_noise() -> None:
    for seed in seeds(5, 100):
        one = box(seed)
        wanted = {}
        for number in range(8):
            one.add(number, 1 + number % 3)
            wanted[uid_of(number)] = 20 + number
        one.noise(2e-3)
        roster = one.run(find(rng=random.Random(seed)))
        assert right_or_not_proven(roster, one.truth), roster.reason
        assert one.run(assign_all(ordered_moves(roster, wanted))) == 8
        assert one.truth == wanted
        assert one.run(prove_addresses(wanted, rng=random.Random(seed))) == ""


@pytest.mark.parametrize("at_write", range(1, 17))
def test_a_port_that_goes_away_tells_what_was_done(at_write: int) -> None:
    """Four writes, each an assign and a read-back, after a search: done are those whose reply had come."""
    one = box(2)
    for number in range(4):
        one.add(number)
    wanted = {uid_of(number): 10 + number for number in range(4)}
    moves = ordered_moves(searched(one, 2), wanted)
    one.link = Link(DyingPort(one.bus.host, at_write))
    if at_write > 8:
        assert one.run(assign_all(moves)) == 4
        return
    with pytest.raises(PortClosedError) as caught:
        one.run(assign_all(moves))
    error = caught.value
    done = [f"{move.uid.hex()} has address {move.new}" for move in moves[: at_write // 2]]
    assert list(error.done) == done == one.link.done
    assert [actuator.address for actuator in one.bus.actuators].count(UNADDRESSED) == 4 - at_write // 2
    assert str(error).startswith("port 'sim://' went away: pulled out; ")
    assert (f"done until then: {', '.join(done)}. " in str(error)) == bool(done)


# --- the proof by address ---


def test_time_that_giving_an_address_takes() -> None:
    """Who is there, the write with its 50 ms of storing at most, the read-back: less than 0.1 s of bus time."""
    one = box()
    actuator = one.add(1)
    one.run(assign(actuator.uid, 7))
    assert one.now_ns < 100 * MS


def test_an_answer_for_another_uid_or_address_is_no_assignment(monkeypatch: pytest.MonkeyPatch) -> None:
    for wrong in (Assigned(uid_of(2), 4), Assigned(uid_of(1), 5)):

        def answers(*_: object, answer: Assigned = wrong, **__: object) -> Steps[Assigned]:
            yield Pause(0)
            return answer

        monkeypatch.setattr(addressing, "transact_by", answers)
        with pytest.raises(ReadBackError) as caught:
            box().run(addressing.write_address(uid_of(1), 4))
        assert caught.value.address == 4
        assert f"4 for {uid_of(1).hex()}" in str(caught.value)
        assert f"{wrong.address} from {wrong.uid.hex()}" in str(caught.value)
