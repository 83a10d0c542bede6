"""The actuators on the line, and whether the list is proven complete."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from busproto.wire.frame import UNADDRESSED


@dataclass(frozen=True, slots=True)
class Found:
    """One actuator.

    Attributes:
        uid: 8 bytes.
        address: 1..239, or 240 (F0h) while it has none.
    """

    uid: bytes
    address: int

    def __repr__(self) -> str:
        return f"<{self.uid.hex()} {_where(self.address)}>"


def _where(address: int) -> str:
    return "without an address" if address == UNADDRESSED else f"at {address}"


@dataclass(frozen=True, slots=True)
class Roster:
    """The actuators on the line: `len`, iteration, and `in` for an address or a uid (bytes or 16 hex digits).

    A roster without actuators is true all the same: it is a result.

    Attributes:
        found: every actuator heard, by address, then uid.
        proven: no powered actuator is missing from `found`, and all in it are there.
        reason: why the list is not proven; "" where it is.
        remaining_error: probability that a powered actuator is missing all the same, if its reception in both
            directions is no worse than that of the worst listed one may be (upper bound at 95 %); 1 where nothing is
            proven.
        gone: uids that were received in a good frame and are not listed: they answer no more, or too late. twins: uids
            that several actuators seem to share. calls, passes: number of roll calls and of member list passes sent.
        searching_ns, proving_ns: time of both by the transport's clock. answered_within_ns: each listed actuator
            answered the member list within this time before the end; 0 where not proven. doubts: how many times bytes
            came that no listed actuator accounts for.
    """

    found: tuple[Found, ...]
    proven: bool
    reason: str
    remaining_error: float
    gone: tuple[bytes, ...] = ()
    twins: tuple[bytes, ...] = ()
    calls: int = 0
    passes: int = 0
    searching_ns: int = 0
    proving_ns: int = 0
    answered_within_ns: int = 0
    doubts: int = 0

    def __len__(self) -> int:
        return len(self.found)

    def __bool__(self) -> bool:
        return True

    def __iter__(self) -> Iterator[Found]:
        return iter(self.found)

    def __contains__(self, key: object) -> bool:
        if isinstance(key, Found):
            return key in self.found
        if isinstance(key, str):
            key = key.strip().lower()
            return any(one.uid.hex() == key for one in self.found)
        return any(key in (one.uid, one.address) for one in self.found if key != UNADDRESSED)

    def __repr__(self) -> str:
        found = ", ".join(f"{one.uid.hex()} {_where(one.address)}" for one in self.found)
        is_proven = "proven complete" if self.proven else f"NOT PROVEN complete ({self.reason})"
        return f"<Roster of {len(self.found)}, {is_proven}: {found or 'no actuator'}>"

    @property
    def clashes(self) -> dict[int, tuple[bytes, ...]]:
        """Addresses that several actuators share, and their uids. Actuators without an address are not among them."""
        return {address: uids for address, uids in self.by_address.items() if len(uids) > 1 and address != UNADDRESSED}

    @property
    def by_address(self) -> dict[int, tuple[bytes, ...]]:
        """The uids at each address."""
        addresses = sorted({one.address for one in self.found})
        return {at: tuple(one.uid for one in self.found if one.address == at) for at in addresses}

    @property
    def unaddressed(self) -> tuple[bytes, ...]:
        """The uids of the actuators that have no address yet."""
        return self.by_address.get(UNADDRESSED, ())

    @property
    def summary(self) -> str:
        """What was found, and whether that is proven, in one line."""
        count = f"{len(self.found)} {'actuator' if len(self.found) == 1 else 'actuators'}"
        if not self.proven:
            return f"{count} found, NOT PROVEN complete: {self.reason}."
        worked_off = ""
        if self.doubts:
            times = "once" if self.doubts == 1 else f"{self.doubts} times"
            worked_off = f" {times.capitalize()} bytes came that none of them accounts for: the proof took longer."
        ms = (self.searching_ns + self.proving_ns) / 1e6
        chance = f"chance that one is missing: {self.remaining_error:.1e}"
        return f"{count}, proven complete in {ms:.0f} ms ({chance}).{worked_off}"

    def address_of(self, uid: bytes) -> int | None:
        """Where this uid was found, None where it was not."""
        return next((one.address for one in self.found if one.uid == uid), None)

    def as_json(self) -> dict[str, Any]:
        """For ``--json``; what differs from run to run on a real port is under "wall"."""
        clashes = self.clashes
        return {
            "proven": self.proven,
            "reason": self.reason,
            "remaining_error": float(f"{self.remaining_error:.3g}"),
            "actuators": [
                {
                    "uid": one.uid.hex(),
                    "address": None if one.address == UNADDRESSED else one.address,
                    "clash": one.address in clashes,
                }
                for one in self.found
            ],
            "clashes": [{"address": address, "uids": [uid.hex() for uid in uids]} for address, uids in clashes.items()],
            "unaddressed": [uid.hex() for uid in self.unaddressed],
            "gone": [uid.hex() for uid in self.gone],
            "twins": [uid.hex() for uid in self.twins],
            "wall": {
                "roll_call_count": self.calls,
                "pass_count": self.passes,
                "doubt_count": self.doubts,
                "answered_within_ms": self.answered_within_ns / 1e6,
                "searching_ms": self.searching_ns / 1e6,
                "proving_ms": self.proving_ns / 1e6,
            },
        }


def gone_text(uid: bytes) -> str:
    """A line on a uid that was received and is not listed."""
    return f"{uid.hex()} sent its uid, and answers no more, or too late: without power, or a bad contact."


def twin_text(uid: bytes) -> str:
    """A line on a uid that several actuators seem to have."""
    return f"Several actuators seem to have the uid {uid.hex()}: they cannot be told apart here."
