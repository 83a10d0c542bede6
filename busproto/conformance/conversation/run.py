"""Conversations with a target, one after another, each with a fresh actuator; the first difference ends them.

``python -m busproto.conformance.conversation.run TARGET --steps N --seed N`` runs long ones and prints what they
reached.
"""

from __future__ import annotations

import argparse
import random
import sys
from collections.abc import Sequence
from typing import Final

from busproto.conformance.clauses import CLAUSES
from busproto.conformance.conversation.draw import MIXES, Draw
from busproto.conformance.conversation.judge import Finding
from busproto.conformance.conversation.shrink import shortened
from busproto.conformance.conversation.steps import Step
from busproto.conformance.conversation.talk import Conversation, Difference, Identity, Setting, identity_of
from busproto.conformance.conversation.tally import Tally
from busproto.conformance.targets import InProcess, Target, open_target
from busproto.wire.parameters import Parameter, RawValue

EPISODE_STEPS: Final = 90
REPEATED_STEPS: Final = 4000
"""Steps repeated to shorten a transcript, in process."""
REPEATED_NS: Final = 60_000_000_000
"""Time spent on that on a port."""
MANY: Final = 40
SPREAD_NS: Final = 5000
"""The start jitter of many replies spreads more than this."""
MANY_PLACES: Final = 16
"""So many places drawn at random are not all the same."""
WRAP_US: Final = 1 << 32
NEAR_WRAP_US: Final = 6_000_000


class Talks:
    """Conversations with one target.

    Attributes:
        tally: what they reached.
        steps, replies: how many were taken and compared.
    """

    def __init__(self, target: Target, seed: int, *, repeated_steps: int = REPEATED_STEPS) -> None:
        """`seed`: the same one draws the same conversations. `repeated_steps`: at most so many to shorten one."""
        self.target = target
        self._repeated_steps = repeated_steps
        self.seed = seed
        self.tally = Tally()
        self.steps = self.replies = 0
        self._delays_ns: list[int] = []
        self._places: list[int] = []
        self._identity: Identity | None = None

    @property
    def identity(self) -> Identity:
        """What the actuator says of itself; read once, and not in a conversation."""
        if self._identity is None:
            dut = self.target.fresh("identity")
            self._identity = identity_of(dut)
            self.target.done_with(dut)
        return self._identity

    def run(self, mix: str, steps: int) -> None:
        """Conversations of about so many steps in all.

        Raises:
            Difference: the actuator and the model differ; the transcript is short.
        """
        taken = number = 0
        edges: list[Parameter] = []
        while taken < steps:
            name = f"{self.seed} {mix} {number}"
            number += 1
            setting = self._setting(name)
            talk = self._begin(name, setting)
            try:
                for step in Draw(random.Random(name), talk, mix, edges).steps(min(EPISODE_STEPS, steps - taken)):
                    talk.take(step)
            except Difference as first:
                raise self._shortened(first, name, setting) from None
            finally:
                taken += len(talk.steps)
                self.steps += len(talk.steps)
                self.replies += talk.judge.replies
                self._delays_ns += talk.judge.delays_ns
                self._places += talk.judge.places
        self._require_chance()

    def _require_chance(self) -> None:
        """Raises Difference: what is drawn at random is always the same."""
        seen = self._delays_ns
        if len(seen) >= MANY and max(seen) - min(seen) < SPREAD_NS:
            what = f"{len(seen)} replies began {min(seen) / 1000:.1f} to {max(seen) / 1000:.1f} us behind their time"
            raise Difference([Finding(what, ("find.jitter",))], [], "", what)
        if len(self._places) >= MANY_PLACES and len(set(self._places)) == 1:
            what = f"{len(self._places)} answers of an unlisted actuator began in the same slot behind the last place"
            raise Difference([Finding(what, ("find.list",))], [], "", what)

    def again(self, steps: Sequence[Step], name: str, setting: Setting) -> Difference | None:
        """Take these steps with a fresh actuator; the difference that they show, None for none."""
        talk = self._begin(name, setting, is_counted=False)
        try:
            for step in steps:
                talk.take(step)
        except Difference as found:
            return found
        return None

    def _begin(self, name: str, setting: Setting, *, is_counted: bool = True) -> Conversation:
        target, identity = self.target, self.identity
        if isinstance(target, InProcess):
            dut = target.build(name, address=setting.address, stored=setting.stored, clock_us=setting.clock_us)
        else:
            dut = target.fresh(name)
        return Conversation(dut, identity, setting, self.tally if is_counted else None)

    def _setting(self, name: str) -> Setting:
        """How a conversation begins: on a port as the port is, with factory settings."""
        if not isinstance(self.target, InProcess):
            return Setting(self.target.home)
        rng = random.Random(f"begin {name}")
        stored: dict[str, RawValue] = {}
        rows = {row.name: row for row in self.identity.rows}
        for wanted, choices in STORED.items():
            if wanted in rows and rng.random() < 0.4:
                stored[wanted] = min(rows[wanted].high, max(rows[wanted].low, rng.choice(choices)))
        clock_us = WRAP_US - rng.randrange(NEAR_WRAP_US) if rng.random() < 0.5 else None
        address = rng.choice((5, 1, 239, 240, rng.randrange(1, 240), rng.randrange(1, 240)))
        return Setting(address, stored, clock_us)

    def _shortened(self, first: Difference, name: str, setting: Setting) -> Difference:
        if isinstance(self.target, InProcess):
            found = shortened(
                first, lambda steps: self.again(steps, name, setting), lambda n: n <= self._repeated_steps
            )
        else:
            port = self.target.transport
            until_ns = port.now_ns() + REPEATED_NS
            found = shortened(first, lambda steps: self.again(steps, name, setting), lambda _: port.now_ns() < until_ns)
        return Difference(found.findings, found.steps, found.told, self.transcript(found, setting))

    def transcript(self, found: Difference, setting: Setting) -> str:
        """A difference as a person reads it."""
        first, *others = found.findings
        lines = [f"the actuator and the model differ: {first.what}", *(f"and: {one.what}" for one in others)]
        lines += [f"it begins with: {setting}", "the steps:"]
        lines += [f"  {number}. {step}" for number, step in enumerate(found.steps, 1)]
        lines += [f"behind the last one {found.told}", "it is about:"]
        for one in found.clauses:
            clause = CLAUSES[one]
            lines.append(f"  {' '.join(filter(None, (clause.number, one)))} ({clause.heading}): {clause.text}")
        lines.append(f"repeat all with --dut-seed={self.seed}")
        return "\n".join(lines)


STORED: Final[dict[str, tuple[int, ...]]] = {
    "channel": (1, 2, 3),
    "loss-action": (0, 1, 2),
    "loss-time-out": (100, 500, 3000),
    "soft-start": (0, 200),
    "neutral": (-500, 800),
    "reply-delay": (100, 900),
    "preset": (-2000, 3000),
    "direction": (0, 1),
}
"""Settings with which a conversation may begin."""


def main(arguments: Sequence[str] | None = None) -> int:
    """The command; see the module."""
    parser = argparse.ArgumentParser(prog="python -m busproto.conformance.conversation.run", description=__doc__)
    parser.add_argument("target", help="python, reference, or a shared library")
    parser.add_argument("--steps", type=int, default=10_000, help="of each mix")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--mix", choices=MIXES, action="append", help="only this mix; may be given more than once")
    parser.add_argument("--table", action="store_true", help="print what was reached")
    given = parser.parse_args(arguments)
    talks = Talks(open_target(given.target, seed=given.seed), given.seed)
    code = 0
    for mix in given.mix or MIXES:
        try:
            talks.run(mix, given.steps)
        except Difference as difference:
            sys.stdout.write(f"{mix}: {difference}\n")
            code = 1
    said = [f"seed {given.seed}: {talks.steps} steps, {talks.replies} replies compared"]
    sys.stdout.write("\n".join([*(talks.tally.table() if given.table else ()), *said]) + "\n")
    return code


if __name__ == "__main__":
    sys.exit(main())
