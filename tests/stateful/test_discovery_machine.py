"""Discovery against a plain model: actuators come, go, restart, are suppressed, share addresses, in noise or not."""

from __future__ import annotations

import random
from collections import defaultdict
from collections.abc import Callable

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from busproto.errors import BusError
from busproto.ops import Link, Roster, describe, find
from busproto.ops.steps import exchange
from busproto.session import Ask
from busproto.sim.actuators.actuator import Actuator
from busproto.sim.line.hearing import LineKind
from busproto.wire import Decoder, Frame, encode_frame, request_frame
from busproto.wire.frame import BROADCAST_ADDRESS, UNADDRESSED
from busproto.wire.messages import ZERO_UID, Assign, Suppress
from tests.fleet import MODEL, fleet
from tests.ops.helpers import MS, listed, right_or_not_proven

MOST = 8
ADDRESSES = st.integers(1, 4) | st.just(UNADDRESSED)
"""So few that clashes are common."""
NOISES = st.sampled_from([1e-4, 1e-3])
"""What the promise is made for. Far beyond, one who is alone may miss all that is sent."""
PICKS = st.integers(0, MOST - 1)


def frames_in(data: bytes) -> list[Frame]:
    return [found for found in Decoder().feed(data) if isinstance(found, Frame)]


class DiscoveryMachine(RuleBasedStateMachine):
    """The bus, and what is known of it without it: who is powered, and who was given which address."""

    @initialize(
        seed=st.integers(0, 10_000), count=st.integers(0, 5), kind=st.sampled_from(LineKind), alike=st.booleans()
    )
    def begin(self, seed: int, count: int, kind: LineKind, alike: bool) -> None:
        self.bus = fleet(count, seed, kind=kind, near_identical=alike)
        self.draw = random.Random(seed)
        self.link = Link(self.bus.host)
        self.wanted = {one.uid: UNADDRESSED for one in self.bus.actuators}
        self.is_noisy = False
        self.end_noise: Callable[[], None] = lambda: None
        self.searches = 0
        self._listen()

    def _listen(self) -> None:
        """Keep what goes onto the line and what comes to the host."""
        self.bus.line.record = []
        self.heard = bytearray()
        take_in = self.bus.host._take_in

        def kept(reception: object) -> None:
            before = len(self.bus.host._received)
            take_in(reception)  # type: ignore[arg-type]
            self.heard += self.bus.host._received[before:]

        self.bus.host._take_in = kept  # type: ignore[method-assign]

    # --- what the model says ---

    @property
    def powered(self) -> dict[bytes, int]:
        return {one.uid: self.wanted[one.uid] for one in self.bus.actuators if one.is_powered}

    @property
    def shared(self) -> dict[int, tuple[bytes, ...]]:
        groups: dict[int, list[bytes]] = defaultdict(list)
        for uid, address in self.powered.items():
            if address != UNADDRESSED:
                groups[address].append(uid)
        return {address: tuple(sorted(uids)) for address, uids in groups.items() if len(uids) > 1}

    def picked(self, number: int) -> Actuator:
        return self.bus.actuators[number % len(self.bus.actuators)]

    def has_actuators(self) -> bool:
        return bool(self.bus.actuators)

    # --- coming and going ---

    @precondition(lambda self: len(self.bus.actuators) < MOST)
    @rule(address=ADDRESSES, ppm=st.integers(-10_000, 10_000))
    def join(self, address: int, ppm: int) -> None:
        bus = self.bus
        uid = self.draw.randbytes(8)
        bus.add(
            Actuator(
                bus.kernel,
                bus.line,
                label=f"joined {len(bus.actuators)}",
                uid=uid,
                model=MODEL,
                address=address,
                stored={},
                position_deg=0.0,
                supply_mv=lambda: 7400,
                address_changed=lambda _: bus.index(),
                clock_ppm=ppm,
            )
        )
        self.wanted[uid] = address

    @precondition(has_actuators)
    @rule(number=PICKS)
    def leave(self, number: int) -> None:
        self.picked(number).power_off()

    @precondition(has_actuators)
    @rule(number=PICKS)
    def power_cycle(self, number: int) -> None:
        self.picked(number).power_off()
        self.picked(number).power_on()

    @precondition(has_actuators)
    @rule(number=PICKS, after_us=st.integers(0, 60_000))
    def come_back_while_others_are_found(self, number: int, after_us: int) -> None:
        one = self.picked(number)
        self.bus.kernel.at(self.bus.kernel.now_ns + after_us * 1000, one.power_on)
        before = set(self.powered)
        roster = self.link.run(find(rng=self.draw))
        if roster.proven:  # it may have come too late to be seen, but no other may be missing
            assert before <= set(listed(roster)) <= before | {one.uid}
        self.bus.kernel.run_until(self.bus.kernel.now_ns + 60 * MS)

    # --- the host ---

    @rule(epoch=st.integers(1, 0xFFFF), number=PICKS, to_all=st.booleans())
    def suppress(self, epoch: int, number: int, to_all: bool) -> None:
        """Left over from another host's search: whoever heard it keeps silent in that epoch."""
        uid = ZERO_UID if to_all or not self.bus.actuators else self.picked(number).uid
        self.link.run(exchange(Ask.all(Suppress(epoch, uid))))

    @rule()
    def restart_the_host(self) -> None:
        self.link = Link(self.bus.host)

    @precondition(
        lambda self: not self.is_noisy
    )  # only the passes of the member list speak to them then, and those may be lost
    @rule(epoch=st.integers(1, 0xFFFF))
    def restart_into_the_epoch_that_all_are_suppressed_in(self, epoch: int) -> None:
        """The worst that chance can bring: the new epoch is the old one, and all believe to be acknowledged."""
        self.link = Link(self.bus.host)
        self.link.run(exchange(Ask.all(Suppress(epoch, ZERO_UID))))
        self._check(self.link.run(find(rng=FirstDraw(epoch, self.draw))))

    @precondition(has_actuators)
    @precondition(lambda self: not self.is_noisy)
    @rule(number=PICKS, address=ADDRESSES)
    def give_an_address(self, number: int, address: int) -> None:
        """By uid and without asking who stands there, as a careless host would: that is how clashes come."""
        one = self.picked(number)
        self.bus.host.write(encode_frame(request_frame(Assign(one.uid, address), BROADCAST_ADDRESS, 0)))
        self.bus.kernel.run_until(self.bus.kernel.now_ns + 100 * MS)
        self.bus.host.take()
        if one.is_powered:
            self.wanted[one.uid] = address

    @precondition(has_actuators)
    @precondition(lambda self: not self.is_noisy)
    @rule(first=PICKS, second=PICKS, address=st.integers(1, 4))
    def clash(self, first: int, second: int, address: int) -> None:
        self.give_an_address(first, address)
        self.give_an_address(second, address)

    # --- noise ---

    @precondition(lambda self: not self.is_noisy)
    @rule(rate=NOISES)
    def noise_begins(self, rate: float) -> None:
        self.end_noise = self.bus.line.add_noise(rate)
        self.is_noisy = True

    @precondition(lambda self: self.is_noisy)
    @rule()
    def noise_ends(self) -> None:
        self.end_noise()
        self.is_noisy = False
        # what noise left half read is over with the next frame, and with it every decoder in step again
        self.bus.host.write(bytes(4))
        self.bus.kernel.run_until(self.bus.kernel.now_ns + MS)
        self.bus.host.take()

    # --- finding ---

    @rule()
    def search(self) -> None:
        self.searches += 1
        self._check(self.link.run(find(rng=random.Random(self.searches))))

    def _check(self, roster: Roster) -> None:
        is_proven = right_or_not_proven(roster, self.powered)
        if not self.is_noisy:
            assert is_proven == bool(self.powered), roster.reason
        if is_proven:
            assert roster.clashes == self.shared
            assert self.link.clashing == self.shared
        for address, uids in roster.clashes.items():  # where two are known at one address that is said
            assert set(self.link.clashing[address]) >= set(uids)

    @precondition(lambda self: not self.is_noisy)
    @rule()
    def a_shared_address_is_not_used(self) -> None:
        self.search()
        for address in self.shared:
            frames = self.bus.line.frames
            try:
                self.link.run(describe(address))
            except BusError:
                assert self.bus.line.frames == frames  # nothing was sent
            else:
                raise AssertionError(f"asked the shared address {address}")

    # --- what always holds ---

    @invariant()
    def stored_settings_are_whole(self) -> None:
        if not hasattr(self, "bus"):
            return
        for one in self.bus.actuators:
            assert one.settings.memory.load() is not None
            assert not one.settings.are_lost
            assert one.address == self.wanted[one.uid]
            assert one.arm.target_deg is None

    @invariant()
    def the_host_accepts_only_frames_that_were_sent(self) -> None:
        if not hasattr(self, "bus"):
            return
        record = self.bus.line.record
        assert record is not None
        sent = {frame for transmission in record for frame in frames_in(transmission.data)}
        assert set(frames_in(bytes(self.heard))) <= sent
        self.heard.clear()
        record.clear()


class FirstDraw(random.Random):
    """Draws this epoch first, then as another source does."""

    def __init__(self, epoch: int, then: random.Random) -> None:
        super().__init__()
        self._epoch: int | None = epoch
        self._then = then

    def randrange(self, start: int, stop: int | None = None, step: int = 1) -> int:
        epoch, self._epoch = self._epoch, None
        if epoch is not None:
            return epoch
        return self._then.randrange(start, stop, step) if stop is not None else self._then.randrange(start)


TestDiscoveryMachine = DiscoveryMachine.TestCase
TestDiscoveryMachine.settings = settings(stateful_step_count=20)
