"""Random conversations: every reply is compared with that of the model, and a difference is shrunk to a short one.

Where both differ only the clauses that the difference is about count as failed.
"""

from __future__ import annotations

import pytest

from busproto.conformance.clauses import clause
from busproto.conformance.conversation.draw import MIXES
from busproto.conformance.conversation.run import Talks
from busproto.conformance.conversation.talk import Difference
from busproto.conformance.dut import Dut, not_checked
from busproto.conformance.plugin import PROPERTY


def converse(request: pytest.FixtureRequest, dut: Dut, talks: Talks, mix: str, steps: int) -> None:
    """Conversations of a quarter of the steps."""
    if not steps:
        not_checked("--dut-soak 0")
    dut.require_alone()
    found: Difference | None = None
    try:
        talks.run(mix, steps // len(MIXES))
    except Difference as difference:
        found = difference
    if found is not None:
        request.node.user_properties[:] = [(PROPERTY, one) for one in found.clauses]
        pytest.fail(str(found), pytrace=False)


@clause(
    "op.30",
    "op.31",
    "op.33",
    "does.write",
    "does.unchanged",
    "does.drop",
    "frame.resync",
    "frame.counts",
    "op.21",
    "does.commit",
    "does.generation",
    "refusal.order",
    "refusal.range",
    "does.refuse",
)
def test_a_conversation_about_settings(
    request: pytest.FixtureRequest, dut: Dut, dut_talks: Talks, soak_steps: int
) -> None:
    converse(request, dut, dut_talks, "settings", soak_steps)


@clause(
    "states",
    "does.channel",
    "does.engages",
    "does.soft-start",
    "does.angle",
    "does.ends",
    "does.settings",
    "does.loss",
    "does.again",
    "does.release",
    "does.age",
    "faults",
    "op.40",
    "op.41",
    "op.42",
    "op.43",
    "op.44",
)
def test_a_conversation_about_motion(
    request: pytest.FixtureRequest, dut: Dut, dut_talks: Talks, soak_steps: int
) -> None:
    converse(request, dut, dut_talks, "motion", soak_steps)


@clause(
    "find.hash",
    "find.epoch",
    "find.acknowledge",
    "find.list",
    "find.parts",
    "find.twice",
    "find.addresses",
    "op.01",
    "op.02",
    "op.03",
    "op.46",
    "does.asked",
    "does.latest",
)
def test_a_conversation_in_discovery(
    request: pytest.FixtureRequest, dut: Dut, dut_talks: Talks, soak_steps: int
) -> None:
    converse(request, dut, dut_talks, "discovery", soak_steps)


@clause("frame.sequence", "frame.operation", "frame.tag", "does.reply", "op.10", "op.32", "op.51")
def test_a_conversation_about_anything(
    request: pytest.FixtureRequest, dut: Dut, dut_talks: Talks, soak_steps: int
) -> None:
    converse(request, dut, dut_talks, "all", soak_steps)
