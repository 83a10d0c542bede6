"""Actuators that come and go, are addressed, set and stored, against a plain dict of what ought to be.

It will grow with the product: a new operation is a new rule, and the invariants stay.
"""

from __future__ import annotations

import random
from collections import defaultdict
from dataclasses import dataclass, field

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from busproto.errors import AddressConflictError, BusError, ReplyTimeoutError
from busproto.ops import assign, commit, describe, find, prove_addresses, read_all, undo, write
from busproto.sim.actuators.actuator import Actuator
from busproto.wire.frame import UNADDRESSED
from busproto.wire.messages import Assign, Commit, Memory
from busproto.wire.parameters import FACTORY, RawValue
from tests.ops.helpers import MS, US, Box, box, listed, once, uid_of

NUMBERS = st.integers(0, 5)
ADDRESSES = st.integers(1, 5)
"""So few that clashes and free places are both common."""
CHANGES = st.dictionaries(
    st.sampled_from(["neutral", "channel", "stiffness", "soft-start"]), st.integers(1, 30), min_size=1, max_size=3
)

CUTS_US = st.integers(0, 12).map(lambda step: 600 * step)
"""Before the request has gone, while it is written (about 1.5 to 5 ms after it began), while it is answered."""


@dataclass
class Known:
    """What one actuator ought to be."""

    address: int
    is_powered: bool = True
    working: dict[str, RawValue] = field(default_factory=lambda: dict(FACTORY))
    stored: dict[str, RawValue] = field(default_factory=lambda: dict(FACTORY))

    def lose_power(self) -> None:
        self.is_powered = False
        self.working = dict(self.stored)


class BusMachine(RuleBasedStateMachine):
    """The bus, and the model beside it."""

    def __init__(self) -> None:
        super().__init__()
        self.one: Box = box()
        self.known: dict[int, Known] = {}
        self.actuators: dict[int, Actuator] = {}
        self.searches = 0

    # --- what the model says ---

    def at(self, address: int) -> list[int]:
        """Who stands there with power."""
        return [number for number, known in self.known.items() if known.is_powered and known.address == address]

    @property
    def clashes(self) -> dict[int, tuple[bytes, ...]]:
        groups: dict[int, list[bytes]] = defaultdict(list)
        for number, known in self.known.items():
            if known.is_powered and known.address != UNADDRESSED:
                groups[known.address].append(uid_of(number))
        return {address: tuple(sorted(uids)) for address, uids in groups.items() if len(uids) > 1}

    # --- coming and going ---

    @initialize(addresses=st.lists(ADDRESSES, min_size=2, max_size=4))
    def begin(self, addresses: list[int]) -> None:
        for number, address in enumerate(addresses):
            self.join(number, address)

    @rule(number=NUMBERS, address=ADDRESSES | st.just(UNADDRESSED))
    def join(self, number: int, address: int) -> None:
        if number not in self.known:
            self.actuators[number] = self.one.add(number, address)
            self.known[number] = Known(address)

    @rule(number=NUMBERS)
    def leave(self, number: int) -> None:
        if number in self.known:
            self.actuators[number].power_off()
            self.known[number].lose_power()

    @rule(number=NUMBERS)
    def come_back(self, number: int) -> None:
        if number in self.known:
            self.actuators[number].power_on()
            self.known[number].is_powered = True

    @rule(number=NUMBERS)
    def power_cycle(self, number: int) -> None:
        self.leave(number)
        self.come_back(number)

    # --- finding ---

    @rule()
    def search(self) -> None:
        self.searches += 1
        roster = self.one.run(find(rng=random.Random(self.searches)))
        powered = {uid_of(number): known.address for number, known in self.known.items() if known.is_powered}
        assert roster.proven == bool(powered), roster.reason
        assert listed(roster) == powered
        assert roster.clashes == self.clashes
        assert not powered or self.one.link.clashing == self.clashes

    @rule()
    def prove_all_addresses(self) -> None:
        wanted = {
            uid_of(number): known.address
            for number, known in self.known.items()
            if known.is_powered and known.address != UNADDRESSED
        }
        is_so = bool(wanted) and not self.clashes and not self.at(UNADDRESSED)  # silence alone proves nothing
        reason = self.one.run(prove_addresses(wanted, rng=random.Random(self.searches)))
        assert (reason == "") == is_so, reason

    # --- addresses ---

    @rule(number=NUMBERS, address=ADDRESSES | st.just(UNADDRESSED))
    def give_address(self, number: int, address: int) -> None:
        self.search()
        steps = assign(uid_of(number), address, rng=random.Random(number))
        others = [other for other in self.at(address) if other != number and address != UNADDRESSED]
        if others:
            with pytest.raises(AddressConflictError) as caught:
                self.one.run(steps)
            assert set(caught.value.uids) <= {uid_of(other) for other in others}
        elif number not in self.known or not self.known[number].is_powered:
            with pytest.raises(ReplyTimeoutError):
                self.one.run(steps)
        else:
            description = self.one.run(steps)
            assert (description is None) == (address == UNADDRESSED)
            self.known[number].address = address

    @precondition(lambda self: bool(self.known))
    @rule(number=NUMBERS, address=ADDRESSES, after_us=CUTS_US)
    def lose_power_while_an_address_is_given(self, number: int, address: int, after_us: int) -> None:
        if number not in self.known or not self.known[number].is_powered or set(self.at(address)) - {number}:
            return
        self.search()
        self._cut(number, Assign, after_us)
        with pytest.raises(BusError):
            self.one.run(assign(uid_of(number), address, rng=random.Random(number)))
        self.one.hooked(lambda _: None)
        known = self.known[number]
        known.lose_power()
        self.actuators[number].settings.start()
        assert self.actuators[number].address in (known.address, address)
        known.address = self.actuators[number].address

    # --- settings ---

    def _usable(self, number: int) -> Known | None:
        """One that can be asked by its address alone; the others are refused by the link."""
        known = self.known.get(number)
        if known is None or not known.is_powered or known.address == UNADDRESSED:
            return None
        self.search()
        if len(self.at(known.address)) > 1:
            with pytest.raises(AddressConflictError):
                self.one.run(describe(known.address))
            return None
        assert self.one.run(describe(known.address)).uid == uid_of(number)
        return known

    @rule(number=NUMBERS, changes=CHANGES)
    def set_parameters(self, number: int, changes: dict[str, int]) -> None:
        if known := self._usable(number):
            changed = self.one.run(write(known.address, changes))
            assert changed == {
                name: (known.working[name], raw) for name, raw in changes.items() if known.working[name] != raw
            }
            known.working.update(changes)
            assert self.one.run(read_all(known.address)) == known.working

    @rule(number=NUMBERS)
    def store(self, number: int) -> None:
        if known := self._usable(number):
            self.one.run(commit(known.address))
            known.stored = dict(known.working)

    @rule(number=NUMBERS, memory=st.sampled_from([Memory.STORED, Memory.FACTORY]))
    def take_back(self, number: int, memory: Memory) -> None:
        if known := self._usable(number):
            known.working = dict(known.stored if memory is Memory.STORED else FACTORY)
            assert self.one.run(undo(known.address, memory)) == known.working

    @rule(number=NUMBERS, after_us=CUTS_US)
    def lose_power_while_settings_are_stored(self, number: int, after_us: int) -> None:
        if known := self._usable(number):
            self._cut(number, Commit, after_us)
            with pytest.raises(BusError):
                self.one.run(commit(known.address))
            self.one.hooked(lambda _: None)
            stored = self.actuators[number].settings.stored()
            assert stored in (known.stored, known.working)  # the old or the new set, whole
            known.stored = stored
            known.lose_power()

    def _cut(self, number: int, at: type[Commit | Assign], after_us: int) -> None:
        """Let this one lose power so long after the next such request is sent, and stay without."""
        bus = self.one.bus
        off = self.actuators[number].power_off
        clashing = dict(self.one.link.clashing)
        self.one.hooked(once(at, lambda: bus.kernel.at(bus.kernel.now_ns + after_us * US, off)))
        self.one.link.clashing = clashing

    # --- what always holds ---

    @invariant()
    def bus_and_model_agree(self) -> None:
        for number, known in self.known.items():
            actuator = self.actuators[number]
            assert actuator.is_powered == known.is_powered
            assert actuator.address == known.address
            assert actuator.settings.stored() == known.stored
            assert not actuator.settings.are_lost
            if known.is_powered:
                assert actuator.settings.working == known.working
                assert actuator.arm.target_deg is None  # none was told to move

    @invariant()
    def time_goes_on(self) -> None:
        self.one.pass_time(MS)


TestBusMachine = BusMachine.TestCase
TestBusMachine.settings = settings(stateful_step_count=30)
