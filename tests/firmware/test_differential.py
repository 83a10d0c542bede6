"""The firmware in C and the actuator in Python in one conversation; see `busproto.conformance.conversation`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busproto.conformance.conversation.draw import MIXES, Draw
from busproto.conformance.conversation.run import Talks, main
from busproto.conformance.conversation.steps import Step, ask
from busproto.conformance.conversation.talk import Conversation, Difference, Setting
from busproto.conformance.targets import HOME, REFERENCE, UID, InProcess
from busproto.sim.native.device_build import compile_files, firmware_texts
from busproto.wire import messages as m
from busproto.wire.frame import BROADCAST_ADDRESS
from busproto.wire.message import OPERATIONS
from tests.firmware import needs
from tests.ops.helpers import IS_DEEP, MS
from tests.strategies import messages_of

needs.compiler_and_cffi()

MOST_SLOT_US = 2000
DEEP_STEPS = 20_000
MUTANT_STEPS = 30_000


@pytest.fixture(scope="module")
def talks() -> Talks:
    """Conversations with the reference firmware."""
    return Talks(InProcess(REFERENCE), 0)


def begin(talks: Talks, stored: dict[str, Any] | None = None) -> Conversation:
    """A conversation with a fresh firmware."""
    setting = Setting(HOME, stored or {})
    dut = InProcess(REFERENCE).build("one", address=setting.address, stored=setting.stored)
    return Conversation(dut, talks.identity, setting)


def audit(conversation: Conversation) -> list[Step]:
    """All that it remembers is read."""
    import random

    return list(Draw(random.Random(0), conversation, "all").audit())


def mostly_mine(message: Any) -> Any:
    """A request that says this uid where it says any, and lasts no minutes."""
    changes: dict[str, Any] = {}
    if isinstance(message, m.Assign | m.Suppress):
        changes["uid"] = UID
    if isinstance(message, m.PrefixQuery):
        changes.update(prefix=UID)
    if isinstance(message, m.SlottedCall):
        changes.update(slots=min(message.slots, 8), slot_us=message.slot_us % MOST_SLOT_US)
    if isinstance(message, m.MemberList):  # how a list that overruns its total is answered is not defined
        changes.update(total=max(message.total, message.first + len(message.digests)) % 240)
        changes.update(first=0, digests=message.digests[: changes["total"]])
    if isinstance(message, m.AddressList):  # bit 240 belongs to no address
        changes.update(addresses=message.addresses[:-1] + bytes([message.addresses[-1] & 0x7F]))
    fields = {name: getattr(message, name) for name in type(message).__dataclass_fields__}
    return type(message)(**{**fields, **changes})


def steps() -> st.SearchStrategy[Step]:
    """Any request, to the one or to all, and a time behind it."""
    requests = st.one_of([messages_of(one.request) for one in OPERATIONS.values()]).map(mostly_mine)
    targets = st.sampled_from([HOME, HOME, BROADCAST_ADDRESS, 0xF0, 9])
    pauses = st.sampled_from([0, 0, 1, 30, 300]).map(lambda ms: ms * MS + 123_457 * bool(ms))
    return st.builds(lambda request, to, pause_ns: ask(request, to, pause_ns=pause_ns), requests, targets, pauses)


@given(
    conversation=st.lists(steps(), max_size=12),
    stored=st.sampled_from([{}, {"channel": 1}, {"channel": 2, "loss-action": 2}]),
)
@settings(max_examples=400 if IS_DEEP else 40)
def test_any_conversation(talks: Talks, conversation: list[Step], stored: dict[str, Any]) -> None:
    both = begin(talks, stored)
    for step in conversation:
        both.take(step)
    for step in audit(both):
        both.take(step)


@pytest.mark.parametrize("seed", range(12) if IS_DEEP else range(2))
def test_a_long_conversation(seed: int) -> None:
    talks = Talks(InProcess(REFERENCE), seed)
    for mix in MIXES:
        talks.run(mix, DEEP_STEPS if IS_DEEP else 150)
    assert talks.replies > talks.steps / 3


def test_a_difference_is_found_and_told(talks: Talks) -> None:
    """The judge itself: one of both is given another setting."""
    both = begin(talks)
    both.model.one.settings.set_working("neutral", 7)
    with pytest.raises(Difference, match=r"(?s)step 1: values .* was expected.*the actuator says .*the model says"):
        both.take(audit(both)[0])


def test_a_missing_answer_is_found(talks: Talks) -> None:
    both = begin(talks)
    both.device.dut.actuator.is_mute = True
    with pytest.raises(Difference, match="nothing came"):
        both.take(ask(m.Report(), HOME))


def test_a_late_answer_is_found(talks: Talks) -> None:
    both = begin(talks)
    both.device.dut.actuator.late_ns = 100_000
    with pytest.raises(Difference, match="begins"):
        both.take(ask(m.Report(), HOME))


MUTANTS = {
    "loss actions swapped": ("bp_motion.c", "== BP_LOSS_ACTION_HOLD", "== BP_LOSS_ACTION_PRESET"),
    "release does not last": ("bp_motion.c", "drive->motion->state == BP_STATE_RELEASED", "0"),
    "no end limits": (
        "bp_motion.c",
        "mdeg = bp_limited(mdeg, drive->working->end_low * INT32_C(10), drive->working->end_high * INT32_C(10));",
        "",
    ),
    "no soft start": ("bp_motion.c", "motion->is_soft_started = 0;", "motion->is_soft_started = 1;"),
    "correction off by a point": (
        "bp_motion.c",
        "settings->correction_count - INT32_C(1)",
        "settings->correction_count",
    ),
    "time-out in the wrong unit": (
        "bp_motion.c",
        "settings->loss_time_out * BP_MS",
        "settings->loss_time_out * BP_MS * 2",
    ),
    "place in the address list": ("bp_discovery.c", "rank = total;", "rank = (uint16_t)(total + 1U);"),
    "missed parts forgiven": (
        "bp_discovery.c",
        "discovery->member_list_is_whole = 0;",
        "discovery->member_list_is_whole = 1;",
    ),
    "acknowledged for ever": (
        "bp_discovery.c",
        "discovery->epoch = epoch;\n        discovery->is_acknowledged = 0;",
        "discovery->epoch = epoch;",
    ),
    "assign takes the working set": (
        "bp_device.c",
        "message->as.assign.address, &device->store.settings",
        "message->as.assign.address, &device->working",
    ),
    "answers what is for all": ("bp_device.c", "(is_for_all && device->message.kind != BP_KIND_ASSIGN)", "0"),
    "reply delay forgotten": ("bp_device.c", "now_us + device->working.reply_delay + 1U", "now_us + 101U"),
    "too hot it is engaged": ("bp_motion.c", "return BP_OUTCOME_FAULT_STANDS;", "return BP_OUTCOME_DONE;"),
    "generation stays": ("bp_store.c", "store->generation + 1U", "store->generation"),
}
"""Faults that one could make: what each changes."""


@pytest.mark.parametrize("name", MUTANTS)
def test_a_fault_in_the_firmware_is_found(name: str, tmp_path: Path) -> None:
    file, good, bad = MUTANTS[name]
    texts = firmware_texts()
    assert good in texts[file]
    library = compile_files({**texts, file: texts[file].replace(good, bad)}, tmp_path / "mutant.so")
    talks = Talks(InProcess(str(library)), 1, repeated_steps=0)
    with pytest.raises(Difference):
        long_talk(talks)


def long_talk(talks: Talks) -> None:
    """Conversations of all kinds, by many seeds."""
    for seed in range(MUTANT_STEPS // 500):
        talks.seed = seed
        for mix in MIXES:
            talks.run(mix, 125)


def test_the_command(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["reference", "--steps", "50", "--seed", "3", "--mix", "all"]) == 0
    assert capsys.readouterr().out.startswith("seed 3: ")


def test_the_time_out_of_before_an_assign_does_not_hold_behind_it(talks: Talks) -> None:
    """By the page: without a valid demand for loss-time-out it does its loss action."""
    both = begin(talks, {"loss-time-out": 10_000})
    for step in (
        ask(m.Demand(0), HOME),
        ask(m.Assign(UID, HOME), BROADCAST_ADDRESS, pause_ns=100 * MS),
        ask(m.Write(17, (100).to_bytes(2, "little")), HOME),
        ask(m.Engage(), HOME, pause_ns=400 * MS),
    ):
        both.take(step)
    assert both.model.one.current_state() is m.State.LOST_LIMP
