"""A pocket setter: three keys (yes, next, back), two lines of twenty letters, one question at a time.

    python -m busproto.examples.pocket_setter /dev/ttyUSB0

Type y, n or b (and Enter) for the keys. It finds every actuator, separates those that share an address, gives one to
those that have none, and switches all drives off. Then it shows which one was moved by hand; its settings can be
changed and stored. Nothing is ever driven, so no propeller turns; but surfaces may drop when they go limp.
"""

from __future__ import annotations

import sys
from typing import Final, TextIO

from busproto import BY_NAME
from busproto.errors import BusError
from busproto.interrupts import INTERRUPTS
from busproto.ops import Link, OnLine, assign, commit, find, let_go, read_all, report, require_limp, undo, write
from busproto.ops.moving.motion import show
from busproto.ops.steps import Pause, Steps
from busproto.transport import open_transport
from busproto.wire.frame import UNADDRESSED
from busproto.wire.parameters import RawValue

WIDTH: Final = 20
YES, NEXT, BACK = "y", "n", "b"
MOVED_CDEG: Final = 400
QUESTIONS: Final = (
    ("channel", "Follows channel {}", "One up? yes/next"),
    ("direction", "Turns {}", "Other way? yes/next"),
    ("neutral", "Neutral {}", "Where it is? yes"),
    ("loss-action", "No signal: {}", "Other? yes/next"),
)
"""Setting, its text, the question to which yes changes it."""


class SwitchedOff(Exception):
    """There is no more input."""


class Panel:
    """Two lines of text, and three keys, as a terminal plays them."""

    def __init__(self, keys: TextIO, out: TextIO) -> None:
        self._keys, self._out = keys, out

    def show(self, top: str, bottom: str = "") -> None:
        edge = "+" + "-" * WIDTH + "+"
        lines = [f"|{line[:WIDTH]:{WIDTH}}|" for line in (top, bottom)]
        self._out.write("\n".join(["", edge, *lines, edge, ""]))
        self._out.flush()

    def ask(self, top: str, bottom: str) -> str:
        self.show(top, bottom)
        while (key := self._keys.read(1).lower()) not in {YES, NEXT, BACK}:
            if not key:
                raise SwitchedOff
        return key


def moved_by_hand(addresses: list[int]) -> Steps[int | None]:
    """Wait until a limp arm is moved, and have that actuator show itself; returns its address, or None."""
    before = {}
    for address in addresses:
        before[address] = (yield from report(address)).position_cdeg
    for _ in range(400):
        for address in addresses:
            if abs((yield from report(address)).position_cdeg - before[address]) >= MOVED_CDEG:
                yield from show(address, 2.0)
                yield Pause(2_000_000_000)  # until it is put back
                return address
        yield Pause(20_000_000)
    return None


def settle_addresses(link: Link, panel: Panel) -> list[int]:
    """Find every actuator and offer to give each an address of its own; returns the addresses that are unique then."""
    left_alone: set[int] = set()
    while True:
        roster = link.run(find())
        count, free = len(roster.found), (at for at in range(1, UNADDRESSED) if at not in roster.by_address)
        trouble = {**roster.clashes, **({UNADDRESSED: roster.unaddressed} if roster.unaddressed else {})}
        address = next((at for at in sorted(trouble) if at not in left_alone), 0)
        if address:
            uids = trouble[address]
            if address == UNADDRESSED:
                is_wanted = panel.ask(f"{len(uids)} of {count}: no address", "Give one? yes/next") == YES
            else:
                is_wanted = panel.ask(f"{len(uids)} of {count} share {address}", "Part them? yes/next") == YES
            left_alone.add(address)
            for uid in uids[0 if address == UNADDRESSED else 1 :] if is_wanted else ():  # the first one may stay
                link.run(assign(uid, next(free)))
        elif panel.ask(f"{count} found, {'all' if roster.proven else 'perhaps more'}", "Go on? yes/next") == YES:
            return [at for at, uids in roster.by_address.items() if at != UNADDRESSED and len(uids) == 1]


def change(link: Link, panel: Panel, address: int) -> None:
    """One question after the other about one actuator; back goes to the one before."""
    first = settings = link.run(read_all(address))
    at = 0
    while 0 <= at < len(QUESTIONS):
        name, top, bottom = QUESTIONS[at]
        key = panel.ask(top.format(BY_NAME[name].text(settings[name])), bottom)
        if key == YES:
            link.run(write(address, {name: _another(link, address, name, settings[name])}))
            settings = link.run(read_all(address))
        else:
            at += 1 if key == NEXT else -1
    count = sum(settings[name] != first[name] for name in first)
    if count:
        is_wanted = panel.ask(f"{count} changed", "Store? yes/next") == YES
        link.run(commit(address) if is_wanted else undo(address))
        panel.show("Stored and read back" if is_wanted else "As it was before")


def _another(link: Link, address: int, name: str, raw: RawValue) -> RawValue:
    row = BY_NAME[name]
    if name == "neutral":
        return min(row.high, max(row.low, link.run(report(address)).position_cdeg))
    assert isinstance(raw, int)
    return raw % row.high + 1 if name == "channel" else (raw + 1) % len(row.choices)


def run(link: Link, panel: Panel) -> None:
    """The whole flow, until back or no more keys."""
    try:
        addresses = settle_addresses(link, panel)
        while panel.ask("All go limp. Held?", "Then find one: yes") == YES:
            require_limp(link.run(let_go([OnLine(at) for at in addresses])))
            panel.show("Move one by hand", "and wait...")
            address = link.run(moved_by_hand(addresses))
            if address is None:
                panel.show("None has moved.")
            elif panel.ask(f"That is address {address}", "Change it? yes/next") == YES:
                change(link, panel, address)
    except SwitchedOff:
        pass
    panel.show("Good bye")


if __name__ == "__main__":
    url = sys.argv[1] if len(sys.argv) == 2 else sys.exit("wanted: one port, such as /dev/ttyUSB0")
    if url.startswith("sim://"):
        import busproto.sim  # noqa: F401 - makes pyserial know these ports
    try:
        with INTERRUPTS, Link(open_transport(url)) as the_link:
            run(the_link, Panel(sys.stdin, sys.stdout))
    except BusError as error:
        sys.exit(f"It did not work: {error}")
