"""Plan and record from a program: what is refused and asked, what is done, and that nothing is read for nothing."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import busproto
from busproto.plan.assignment import save_assignment
from busproto.wire.messages import Release
from tests.ops.helpers import HookedPort
from tests.plan.airframes import Hauler, hauler, small

QUESTIONS = {"RollCall", "MemberList", "AddressList", "Describe", "Read", "Report", "ReportRound"}


def on(air: Hauler) -> tuple[busproto.Bus, HookedPort]:
    """A bus of the airframe, with every function claimed."""
    save_assignment(air.plan, air.assignment)
    port = HookedPort(air.bus.host, lambda _: None)
    return busproto.Bus(port), port


def kinds(port: HookedPort) -> set[str]:
    return {type(message).__name__ for message in port.sent}


def test_an_audit_only_asks(tmp_path: Path) -> None:
    air = small(tmp_path)
    bus, port = on(air)
    by_path, by_plan = bus.audit(str(air.plan.path)), bus.audit(busproto.load_plan(air.plan.path))
    assert [(row.role, row.uid) for row in by_path.rows] == [(row.role, row.uid) for row in by_plan.rows]
    assert not by_path.is_clean
    assert [row.status for row in by_path.rows].count("as planned") == 0
    assert kinds(port) <= QUESTIONS


def test_a_plan_is_applied_and_a_second_run_reads_the_bus_once(tmp_path: Path) -> None:
    air = small(tmp_path)
    bus, port = on(air)
    shown: list[busproto.Proposal] = []

    def agree(proposal: busproto.Proposal) -> bool:
        shown.append(proposal)
        return True

    first = bus.apply(air.plan, agree=agree)
    assert [(row.role.function, row.status) for row in first.audit.rows] == [
        (function, "as planned") for function in air.plan.roles
    ]
    assert not first.is_as_planned  # two are on the line that are in no function
    assert len(first.audit.strays) == 2
    assert shown[0].changes == first.applied.todo
    assert "address 5 taken away for now" in str(shown[0])
    assert first.let_go.is_limp
    addresses = air.addresses
    assert all(addresses[air.assignment[name]] == role.address for name, role in air.plan.roles.items())
    after_first = len(port.sent)
    journal = air.plan.beside("journal.jsonl").read_text("utf-8")
    second = bus.apply(air.plan, agree=agree)
    assert second.applied.todo == ()
    assert [row.status for row in second.audit.rows] == ["as planned"] * 5
    assert len(shown) == 1
    assert air.plan.beside("journal.jsonl").read_text("utf-8") == journal
    reads = [message for message in port.sent[after_first:] if type(message).__name__ == "Read"]
    assert len(reads) == 4 * 5  # both memories of the five that have an address, once
    assert kinds(port) <= {*QUESTIONS, "Release", "Assign", "Write", "Commit"}


@pytest.mark.parametrize("agree", [lambda _: False, lambda _: None, lambda _: "yes"])
def test_what_is_not_agreed_to_changes_nothing(tmp_path: Path, agree: Callable[[Any], Any]) -> None:
    air = small(tmp_path)
    bus, port = on(air)
    with pytest.raises(busproto.NotAgreedError, match="Nothing was changed"):
        bus.apply(air.plan, agree=agree)
    assert kinds(port) <= QUESTIONS
    assert not air.plan.beside("journal.jsonl").exists()


def test_wrong_hardware_and_those_never_claimed_have_their_own_answers(tmp_path: Path) -> None:
    air = hauler(tmp_path)
    bus, port = on(air)
    with pytest.raises(busproto.NotAgreedError, match="not the hardware of the plan: rudder, middle: firm"):
        bus.apply(air.plan)
    air.plan.beside("assignment.json").unlink()
    with pytest.raises(busproto.NotAgreedError, match="never claimed, known by address alone"):
        bus.apply(air.plan, wrong_hardware="leave")
    assert kinds(port) <= QUESTIONS
    save_assignment(air.plan, air.assignment)
    outcome = bus.apply(air.plan, wrong_hardware="leave")
    assert set(outcome.wrong_hardware) == {"rudder, middle"}
    assert set(outcome.applied.not_set) == {"airbrake"}  # it shared an address, so it was read only then
    assert not outcome.is_as_planned
    left = {row.role.function for row in outcome.audit.rows if row.differences}
    assert {"airbrake", "rudder, middle"} <= left
    assert bus.find().clashes == {}


def test_a_plan_with_errors_sends_nothing(tmp_path: Path) -> None:
    air = hauler(tmp_path, mended=False)
    bus, port = on(air)
    with pytest.raises(busproto.FileError, match="despite_errors=True"):
        bus.apply(air.plan)
    assert port.sent == []


@pytest.mark.parametrize(
    "call",
    [
        lambda bus, plan: bus.audit(3),
        lambda bus, plan: bus.audit("nothing.toml"),
        lambda bus, plan: bus.apply(plan, agree="yes"),
        lambda bus, plan: bus.apply(plan, wrong_hardware="mend"),
        lambda bus, plan: bus.save(),
        lambda bus, plan: bus.save(3),
        lambda bus, plan: bus.save("nowhere/x.json"),
        lambda bus, plan: bus.save("x.json", title="a\nb"),
        lambda bus, plan: bus.save("x.json", title=3),
        lambda bus, plan: bus.restore("nothing.json"),
        lambda bus, plan: bus.restore(None),
        lambda bus, plan: bus.compare(b"x"),
    ],
)
def test_what_cannot_be_used_changes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: Callable[[Any, Any], object]
) -> None:
    monkeypatch.chdir(tmp_path)
    air = small(tmp_path)
    bus, port = on(air)
    with pytest.raises(busproto.InputError):
        call(bus, air.plan)
    assert kinds(port) <= QUESTIONS


def test_where_the_line_is_not_proven_nothing_is_changed(tmp_path: Path) -> None:
    air = small(tmp_path)
    bus, port = on(air)
    air.bus.line.add_noise(0.2)
    with pytest.raises(busproto.NotProvenError, match="NOT PROVEN complete") as caught:
        bus.apply(air.plan)
    assert caught.value.reason
    assert kinds(port) <= QUESTIONS


def test_a_record_is_kept_and_brought_back(tmp_path: Path) -> None:
    air = small(tmp_path)
    bus, _ = on(air)
    with pytest.raises(busproto.OperationError, match="as_it_is=True"):
        bus.save(plan=air.plan)
    assert not air.plan.beside("record.json").exists()
    bus.apply(air.plan)
    bus[air.bus.labelled("stray").uid].give_address(40)
    bus[air.bus.labelled("in the way").uid].give_address(41)
    saved = bus.save(plan=air.plan)
    assert saved.path == air.plan.beside("record.json")
    assert saved.kept is None
    assert saved.missing == ()
    assert {one.function for one in saved.record.entries} == {*air.plan.roles, ""}
    assert busproto.load_record(saved.path).fingerprint == saved.record.fingerprint
    one = bus[1]
    one.settings.update({"neutral": 1, "direction": "reversed"})
    one.settings.store()
    one.give_address(30)
    assert {row.what for row in bus.compare(saved.path).different} == {"neutral", "direction", "address"}
    with pytest.raises(busproto.NotAgreedError):
        bus.restore(saved.path, agree=lambda _: False)
    restored = bus.restore(saved.path)
    assert restored.is_as_recorded
    assert restored.let_go.is_limp
    assert len(restored.applied.todo) == 2
    assert bus.restore(saved, agree=lambda _: False).is_as_recorded  # nothing to do: not asked
    with pytest.raises(busproto.InputError, match="journal=PATH"):
        bus.restore(saved.record)
    assert bus.restore(saved.record, journal=tmp_path / "mine.jsonl").is_as_recorded
    assert bus.save(plan=air.plan).kept == air.plan.beside("record.1.json")
    text = saved.path.read_text("utf-8").replace('"title": "small"', '"title": "other"')
    saved.path.write_text(text, "utf-8")
    with pytest.raises(busproto.InputError, match="edited=True"):
        bus.restore(saved.path)
    assert bus.restore(saved.path, edited=True).is_as_recorded
    air.bus.labelled("stray").power_off()
    with pytest.raises(busproto.OperationError, match="those_present=True"):
        bus.restore(saved.path, edited=True)
    assert not bus.restore(saved.path, edited=True, those_present=True).is_as_recorded


def test_one_that_was_held_is_limp_after_a_plan_and_not_let_go_once_more(tmp_path: Path) -> None:
    air = small(tmp_path)
    bus, port = on(air)
    with bus:
        bus[air.assignment["one"]].move("5%", stay=True)
        bus.apply(air.plan)
        assert bus.link.may_move == set()
        released = sum(isinstance(message, Release) for message in port.sent)
    assert sum(isinstance(message, Release) for message in port.sent) == released


def test_an_interrupted_run_is_told_and_gone_on_with(tmp_path: Path) -> None:
    air = small(tmp_path)
    bus, _ = on(air)
    seen = 0

    def hook(message: object) -> None:
        nonlocal seen
        seen += type(message).__name__ == "Assign"
        if seen == 3:
            raise KeyboardInterrupt

    torn = busproto.Bus(HookedPort(air.bus.host, hook))
    with pytest.raises(KeyboardInterrupt):
        torn.apply(air.plan)
    told: list[str] = []
    outcome = bus.apply(air.plan, agree=lambda proposal: told.append(proposal.interrupted) is None)
    assert "was interrupted; the last that was begun" in told[0]
    assert outcome.applied.interrupted == told[0]
    last = json.loads(air.plan.beside("journal.jsonl").read_text("utf-8").splitlines()[-1])
    assert last["step"] == "end"
