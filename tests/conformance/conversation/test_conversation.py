"""The random conversations: a healthy actuator passes, a seeded fault is found, told and shrunk; what is reached."""

from __future__ import annotations

import random
from collections.abc import Sequence
from pathlib import Path

import pytest

from busproto.conformance.clauses import CLAUSES
from busproto.conformance.conversation.draw import MIXES, Draw
from busproto.conformance.conversation.draw_wire import framed, strange_wire
from busproto.conformance.conversation.judge import CLAUSES_OF
from busproto.conformance.conversation.run import Talks
from busproto.conformance.conversation.shrink import shortened
from busproto.conformance.conversation.steps import Step, ask, in_words
from busproto.conformance.conversation.talk import Conversation, Difference, Finding, Setting, identity_of
from busproto.conformance.targets import HOME, PYTHON, InProcess
from busproto.wire import messages as m
from busproto.wire.codec import encode_frame, request_frame
from busproto.wire.decoder import Decoder
from busproto.wire.frame import Frame
from busproto.wire.message import OPERATIONS
from tests.conformance import mutants
from tests.conformance.helpers import ROOT, run
from tests.conformance.seeded import FAULTS

BY_NAME = {fault.what: fault for fault in FAULTS}
MS = 1_000_000
SUITE = ROOT / "busproto/conformance/suite/conversation"
DISCOVERY = f"{SUITE}/test_conversation.py::test_a_conversation_in_discovery"


@pytest.fixture(scope="module")
def python() -> InProcess:
    return InProcess(PYTHON)


def begin(target: InProcess) -> Conversation:
    """A conversation with a fresh actuator."""
    identity = identity_of(target.fresh("identity"))
    return Conversation(target.build("one"), identity, Setting(HOME))


# --- a whole run ----------------------------------------------------------------------------------------------------


def test_a_healthy_actuator_passes_by_any_seed(python: InProcess) -> None:
    talks = Talks(python, random.randrange(1 << 30))
    for mix in MIXES:
        talks.run(mix, 80)
    assert talks.replies > talks.steps / 3


def test_one_seed_draws_the_same_conversation_again(python: InProcess) -> None:
    def drawn() -> list[Step]:
        both = begin(python)
        for step in Draw(random.Random(5), both, "all").steps(60):
            both.take(step)
        return both.steps

    assert drawn() == drawn()


def test_a_seeded_fault_is_found_told_and_shrunk(tmp_path: Path) -> None:
    library = mutants.build(BY_NAME["a demand ends a release"].number, tmp_path)
    with pytest.raises(Difference) as found:
        Talks(InProcess(str(library)), 3).run("motion", 3000)
    difference = found.value
    assert len(difference.steps) <= 6
    text = str(difference)
    assert text.splitlines()[0].startswith("the actuator and the model differ: ")
    assert "the steps:\n  1. " in text
    assert "Release()" in text
    assert "the actuator says " in text
    assert "the model says " in text
    assert set(difference.clauses) <= set(CLAUSES)
    assert all(f"{CLAUSES[one].number} {one}".strip() in text for one in difference.clauses)
    assert text.endswith("repeat all with --dut-seed=3")


def test_the_plug_in_blames_only_the_clauses_that_it_is_about(tmp_path: Path) -> None:
    library = mutants.build(BY_NAME["any digest acknowledges it"].number, tmp_path)
    ran = run(tmp_path, f"--dut={library}", "--dut-seed=1", DISCOVERY)
    assert ran.code == 1, ran.text
    assert ran.clauses("failed") == {"op.01", "find.acknowledge", "find.epoch"}
    assert "random conversations: --dut-seed=1" in ran.text
    assert "repeat all with --dut-seed=1" in ran.text


def test_no_steps_are_no_conversation(tmp_path: Path) -> None:
    ran = run(tmp_path, "--dut=python", "--dut-soak=0", str(SUITE))
    assert len(ran.named("not checked")) == len(MIXES)


@pytest.mark.parametrize("what", ["no jitter", "unlisted actuators all take the first slot behind the member list"])
def test_what_is_never_drawn_at_random_is_found(what: str, tmp_path: Path) -> None:
    talks = Talks(InProcess(str(mutants.build(BY_NAME[what].number, tmp_path))), 1)
    with pytest.raises(Difference, match=r"\d+ (replies|answers of an unlisted actuator) began"):
        talks.run("discovery", 500)


# --- its parts ------------------------------------------------------------------------------------------------------


def test_every_field_has_clauses_that_there_are() -> None:
    assert {one for clauses in CLAUSES_OF.values() for one in clauses} <= set(CLAUSES)


def test_a_power_cut_is_followed_with_either_set(python: InProcess) -> None:
    for byte in (0, 20, 200):
        both = begin(python)
        both.take(ask(m.Write(1, b"\x07"), HOME))
        both.take(Step(ask(m.Commit(), HOME).wire, cut_byte=byte))
        both.take(ask(m.Read(m.Memory.STORED, b"\x01"), HOME))
        assert both.model.one.settings.stored()["channel"] == (0 if byte < 200 else 7)


def test_a_set_that_is_lost_though_it_was_told_to_be_stored_is_found(tmp_path: Path) -> None:
    library = mutants.build(BY_NAME["a commit is answered before the set is whole"].number, tmp_path)
    both = begin(InProcess(str(library)))
    both.take(ask(m.Write(1, b"\x07"), HOME))
    with pytest.raises(Difference, match="power was lost") as found:
        both.take(Step(ask(m.Commit(), HOME).wire, cut_byte=20))
    assert "does.store" in found.value.clauses


def test_near_a_moment_of_change_both_are_right_and_start_again(python: InProcess) -> None:
    """The demand arrives as the time-out of the one before ends."""
    both = begin(python)
    both.take(ask(m.Write(17, (500).to_bytes(2, "little")), HOME))
    both.take(ask(m.Demand(0), HOME))
    (first, *_) = both.model.one.deadlines()
    wire = ask(m.Demand(100), HOME).wire
    ahead_ns = both.device.dut.airtime_ns(len(wire)) + MS // 2
    both.take(Step(pause_ns=first.at_ns - both.model.now_ns - ahead_ns))
    both.take(Step(wire))
    assert "Restart()" in str(both.steps[-1])
    assert both.model.one.current_state() is m.State.LIMP


def test_a_position_that_is_not_that_of_the_arm_is_found(python: InProcess, monkeypatch: pytest.MonkeyPatch) -> None:
    both = begin(python)
    actuator = both.device.dut.actuator
    monkeypatch.setattr(actuator, "_position_cdeg", lambda: 77)
    with pytest.raises(Difference, match="position_cdeg is 77, the arm was at"):
        both.take(ask(m.Report(), HOME))


def test_an_arm_that_stands_elsewhere_is_found(python: InProcess) -> None:
    both = begin(python)
    both.take(ask(m.Write(17, (10_000).to_bytes(2, "little")), HOME))
    both.take(ask(m.Demand(2000), HOME, pause_ns=2500 * MS))
    both.take(Step(pause_ns=MS))
    arm = both.device.arm
    both.device.dut.actuator.arm.aim(arm.target_deg - 5, both.model.now_ns)
    both.device.run_until(both.model.now_ns + 1000 * MS)
    with pytest.raises(Difference, match="the arm rests at"):
        both.take(Step(pause_ns=MS))


def test_a_transcript_is_shortened_to_what_is_needed() -> None:
    needed = [ask(m.Engage(), 5), Step(ask(m.Report(), 5).wire)]
    noise = [Step(pause_ns=number * MS) for number in range(1, 20)]
    steps = [*noise[:7], Step(needed[0].wire, 5 * MS), *noise[7:], needed[1]]

    def repeat(some: Sequence[Step]) -> Difference | None:
        wires = [one.wire for one in some]
        if needed[0].wire in wires and wires[-1] == needed[1].wire:
            return Difference([Finding("as wanted", ("op.44",))], list(some), "")
        return None

    first = repeat(steps)
    assert first is not None
    assert shortened(first, repeat, lambda _: True).steps == needed
    assert shortened(first, repeat, lambda taken: taken < 3).steps == steps


def test_steps_are_told_in_words() -> None:
    step = Step(ask(m.Report(), 5).wire, 2 * MS, supply_mv=6000, jams=((40_000, b"\xc7"),), cut_byte=3)
    assert str(step) == (
        "the supply is 6 V; to 05: Report() [00 02 20 02 05 03 01 44 e8 fa d9 f6 82 00]; "
        "40 us later on the line: [c7]; power is lost in byte 3 that it stores, and comes back; 2 ms pass"
    )
    assert in_words(b"\x12") == "[12]"


def test_strange_wires_are_mostly_no_request_and_no_answer_is_expected_to_them() -> None:
    rng = random.Random(1)
    good = request_frame(m.LinkTest(b"abc"), 5, 7)
    assert framed(bytes([0x20, 3, 5, 0, 7, 0x50]) + b"abc") == encode_frame(good)
    found = [list(Decoder().feed(strange_wire(rng, good))) for _ in range(300)]
    requests = sum(any(isinstance(one, Frame) and not one.is_reply for one in some) for some in found)
    assert requests < 60


def test_every_operation_is_reached_in_every_state_that_it_can_meet(python: InProcess) -> None:
    """The table of `busproto.conformance.conversation.run --table`: no whole field stays empty."""
    talks = Talks(python, 11)
    for mix in MIXES:
        talks.run(mix, {"motion": 900, "settings": 600}.get(mix, 250))
    cells = talks.tally.cells
    assert {operation for operation, _, _ in cells} >= set(OPERATIONS)
    assert {state for _, state, _ in cells} == set(m.State)
    outcomes = {outcome for _, _, outcome in cells}
    assert outcomes == {"done", "silence"} | {
        one.name.lower() for one in m.Outcome if one not in {m.Outcome.DONE, m.Outcome.STORE_FAILED}
    }
    for operation in (m.Demand, m.DemandAll, m.Engage, m.Report, m.Release):
        reached = {state for number, state, _ in cells if number == operation.OPERATION}
        assert len(reached) >= 6, (operation, reached)
    assert len(talks.tally.table()) > 60
