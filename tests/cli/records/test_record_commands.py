"""`save`, `compare`, `restore`, `replace` on buses that outlast them: what they print, write, refuse and leave."""

from __future__ import annotations

import json
import os
import random
from pathlib import Path

import pytest

from busproto.cli.records import restore_command
from busproto.errors import PortClosedError
from busproto.ops import Link, engage
from busproto.plan.airframe.record_file import (
    load_record,
)
from busproto.plan.assignment import load_assignment, save_assignment
from busproto.plan.load import Plan, load
from busproto.wire.frame import UNADDRESSED
from busproto.wire.messages import LIMP_STATES
from busproto.wire.parameters import FACTORY
from tests.cli.helpers import Bench, CommandLine, make_bench
from tests.plan.airframes import EXAMPLE

PORT = "--port x"
ALONE, FRESH, SEVEN, OTHER = (f"b0a70000000001{number:02d}" for number in (1, 2, 3, 4))


@pytest.fixture(autouse=True)
def _in_a_directory_of_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


@pytest.fixture
def tidy(bench: Bench, cli: CommandLine) -> Bench:
    """bench-four with an address for each, one with a correction table, saved as b.record.json."""
    for uid, address in ((FRESH, 4), (OTHER, 8)):
        assert cli(f"address {uid} {address} {PORT}").code == 0
    assert cli(f"set 3 correction=0,0.2,0.1 travel=90 --store {PORT}").code == 0
    assert cli(f"save -o b.record.json --title Bench {PORT}").code == 0
    bench.frames.clear()
    return bench


@pytest.fixture
def tug(monkeypatch: pytest.MonkeyPatch, cli: CommandLine) -> tuple[Bench, Plan]:
    """The hauler on a bus, all applied and saved but the two that do not fit, which are not plugged in."""
    for file in EXAMPLE.iterdir():
        Path(file.name).write_bytes(file.read_bytes())
    bench = make_bench(monkeypatch, "hauler")
    plan = load("hauler-mended.toml")
    labels = {one.label: one.uid for one in bench.bus.actuators}
    for label in ("rudder, middle, old", "airbrake, weak"):
        bench.actuator(label).power_off()
    save_assignment(plan, {function: labels[function] for function in plan.roles if function in labels})
    cli(f"apply hauler-mended.toml --despite-errors --yes {PORT}")
    assert cli(f"save --airframe hauler-mended.toml {PORT}").code == 3  # two functions are not there
    return bench, plan


# --- save ------------------------------------------------------------------------------------------------------------


def test_a_clashing_bus_is_not_saved_without_saying_so(bench: Bench, cli: CommandLine) -> None:
    result = cli(f"save -o b.json --json {PORT}")
    assert result.code == 3
    assert result.json["file"] is None
    assert result.json["flaws"] == [
        f"address 7 is shared, so not read: {SEVEN}, {OTHER}",
        f"without an address, so not read: {FRESH}",
    ]
    assert not Path("b.json").exists()
    marked = cli(f"save -o b.json --as-it-is {PORT}")
    assert marked.code == 3
    assert "marked AS IT IS" in marked.out
    assert json.loads(Path("b.json").read_text("utf-8"))["as-it-is"] is True
    assert len(load_record("b.json").unread) == 3
    assert bench.changing == []


def test_saving_twice_gives_the_same_fingerprint_and_keeps_the_first(tidy: Bench, cli: CommandLine) -> None:
    first = Path("b.record.json").read_bytes()
    result = cli(f"save -o b.record.json --json {PORT}")
    assert result.code == 0
    assert result.json["kept"] == "b.record.1.json"
    assert Path("b.record.1.json").read_bytes() == first
    assert result.json["fingerprint"] == json.loads(first)["fingerprint"]
    assert result.json["actuator_count"] == 4
    assert tidy.changing == []


def test_what_is_only_in_working_memory_is_said_and_the_stored_recorded(tidy: Bench, cli: CommandLine) -> None:
    assert cli(f"set 3 neutral=2 {PORT}").code == 0
    result = cli(f"save -o b.record.json --json {PORT}")
    assert result.json["not_stored"] == [{"uid": ALONE, "function": "bench 25 at 3", "setting_names": ["neutral"]}]
    assert result.json["fingerprint"] == load_record("b.record.1.json").fingerprint
    assert "working memory differs from stored in neutral" in cli(f"save -o c.json {PORT}").out


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("save -o b.json --title \udcff", "is not text"),
        ("save", "-o FILE is wanted, or --airframe FILE"),
        ("save -o .", "is a directory"),
        ("save -o none/b.json", "there is no directory 'none'"),
        ("save --airframe none.toml", "cannot be read"),
        ("restore none.json", "cannot be read"),
        ("replace x", "--record FILE is wanted"),
        ("replace x --record none.json", "cannot be read"),
        ("compare none.json", "cannot be read"),
    ],
)
def test_bad_input_sends_nothing(bench: Bench, cli: CommandLine, line: str, said: str) -> None:
    result = cli(f"{line} {PORT}")
    assert result.code == 2
    assert said in result.error_line
    assert bench.frames == []


def test_functions_and_title_come_from_the_airframe(tug: tuple[Bench, Plan], cli: CommandLine) -> None:
    said = cli(f"save --airframe hauler-mended.toml -o other.json {PORT}")
    assert "In the plan, but not on the line: rudder, middle, airbrake" in " ".join(said.out.split())
    made = load_record("hauler-mended.record.json")
    assert made.title == made.airframe == "Hauler, 4 m"
    assert made.entry("aileron, left").uid == tug[0].actuator("aileron, left").uid
    assert len(made.entries) == 11
    assert all(one.function for one in made.entries)


# --- compare ---------------------------------------------------------------------------------------------------------


def test_a_record_and_the_live_bus(tidy: Bench, cli: CommandLine) -> None:
    assert cli(f"compare b.record.json {PORT}").code == 0
    tidy.actuator("addressed").power_off()
    result = cli(f"compare b.record.json --json {PORT}")
    assert result.code == 3
    assert [row["uid"] for row in result.json["only_first"]] == [ALONE]
    tidy.actuator("addressed").power_on()
    assert cli(f"set 3 neutral=2 {PORT}").code == 0
    result = cli(f"compare b.record.json --json {PORT}")
    assert (result.code, result.json["alike"]) == (0, True)
    assert result.json["not_stored"] == [{"uid": ALONE, "function": "bench 25 at 3", "setting_names": ["neutral"]}]
    assert cli(f"set 3 --store {PORT}").code == 0
    result = cli(f"compare b.record.json {PORT}")
    assert result.code == 3
    assert " neutral  1.50 deg  2.00 deg" in result.out


def test_two_files_need_no_port_and_an_edit_is_said(tidy: Bench, cli: CommandLine) -> None:
    text = Path("b.record.json").read_text("utf-8").replace('"address": 4', '"address": 5')
    Path("e.json").write_text(text, "utf-8")
    result = cli("compare b.record.json e.json")
    assert result.code == 3
    assert " address  4      5 " in result.out
    assert "the fingerprint differs" in result.err
    assert tidy.frames == []


def test_with_what_to_compare_must_be_said_once(tidy: Bench, cli: CommandLine) -> None:
    assert "A second record, or --port" in cli("compare b.record.json").error_line
    assert "not both" in cli(f"compare b.record.json b.record.json {PORT}").error_line


def test_a_port_in_the_environment_does_not_hinder_two_files(
    tidy: Bench, cli: CommandLine, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BUSPROTO_PORT", "x")
    assert cli("compare b.record.json b.record.json").code == 0
    assert tidy.frames == []
    assert cli("compare b.record.json").code == 0
    assert tidy.frames != []


# --- restore ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(4))
def test_all_undone_and_shuffled_is_brought_back_to_the_same_fingerprint(
    tidy: Bench, cli: CommandLine, seed: int
) -> None:
    draw = random.Random(seed)
    for one in tidy.bus.actuators:
        assert cli(f"set {one.address} --undo factory --store {PORT}").code == 0
    for one in tidy.bus.actuators:
        one.settings.address = draw.choice([3, 4, 7, 8, 9, UNADDRESSED])
    tidy.bus.index()
    result = cli(f"restore b.record.json --yes --json {PORT}")
    assert (result.code, result.json["restored"]) == (0, True)
    assert {one.uid.hex(): one.address for one in tidy.bus.actuators} == {ALONE: 3, FRESH: 4, SEVEN: 7, OTHER: 8}
    assert tidy.actuator("addressed").settings.stored()["correction"] == (0, 20, 10)
    again = cli(f"save -o again.json --json {PORT}")
    assert again.json["fingerprint"] == result.json["fingerprint"] == load_record("b.record.json").fingerprint
    assert again.json["not_stored"] == []
    assert "as recorded" in cli(f"restore b.record.json --yes {PORT}").out


def test_a_bus_that_is_as_recorded_is_left_alone(tidy: Bench, cli: CommandLine) -> None:
    result = cli(f"restore b.record.json {PORT}")
    assert result.code == 0
    assert "Nothing has to be changed." in result.out
    assert set(tidy.changing) == {"Release"}
    assert "known actuators were seen limp." in result.out


def test_nothing_is_restored_unasked(tidy: Bench, cli: CommandLine) -> None:
    assert cli(f"set 3 neutral=2 --store {PORT}").code == 0
    tidy.frames.clear()
    result = cli(f"restore b.record.json {PORT}")
    assert result.code == 4
    assert "neutral 2.00 deg -> 1.50 deg" in result.out
    assert tidy.changing == []


def test_an_edited_record_is_restored_only_when_that_is_said(tidy: Bench, cli: CommandLine) -> None:
    text = Path("b.record.json").read_text("utf-8").replace('"neutral": 1.5', '"neutral": 1.6')
    Path("b.record.json").write_text(text, "utf-8")
    result = cli(f"restore b.record.json --yes {PORT}")
    assert result.code == 2
    assert "--edited uses it all the same" in result.error_line
    assert tidy.frames == []
    assert cli(f"restore b.record.json --edited --yes {PORT}").code == 0
    assert tidy.actuator("addressed").settings.stored()["neutral"] == 160


def test_one_that_is_not_there_is_named_and_the_others_restored_when_asked(tidy: Bench, cli: CommandLine) -> None:
    assert cli(f"set 8 --undo factory --store {PORT}").code == 0
    tidy.actuator("fresh").power_off()
    tidy.frames.clear()
    result = cli(f"restore b.record.json --yes {PORT}")
    assert result.code == 2
    assert f"not on the line: bench 25 at 4 ({FRESH}, address 4)" in result.error_line
    assert tidy.changing == []
    result = cli(f"restore b.record.json --those-present --yes --json {PORT}")
    assert (result.code, result.json["restored"]) == (3, False)
    assert result.json["absent"] == [{"uid": FRESH, "function": "bench 25 at 4"}]
    assert result.json["different"] == []
    assert tidy.actuator("other of seven").settings.stored()["direction"] == 1


def test_what_a_record_as_it_was_lacks_is_said(bench: Bench, cli: CommandLine) -> None:
    assert cli(f"save -o b.json --as-it-is {PORT}").code == 3
    assert cli(f"set 3 neutral=2 --store {PORT}").code == 0
    result = cli(f"restore b.json --yes {PORT}")
    assert "what was not read cannot be restored" in result.err
    assert bench.actuator("addressed").settings.stored()["neutral"] == 150


@pytest.mark.parametrize(
    ("name", "journal"),
    [
        ("tug.record.json", "tug.journal.jsonl"),
        ("tug.record.12.json", "tug.journal.jsonl"),
        ("tug.json", "tug.journal.jsonl"),
        ("tug", "tug.journal.jsonl"),
    ],
)
def test_the_journal_is_that_of_the_airframe(name: str, journal: str) -> None:
    assert restore_command.journal_beside(Path("d") / name) == Path("d") / journal


# --- replace ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("at", [UNADDRESSED, 4, 77])
def test_a_spare_takes_the_place_of_a_lost_one(tug: tuple[Bench, Plan], cli: CommandLine, at: int) -> None:
    bench, plan = tug
    lost, spare = bench.actuator("aileron, left"), bench.actuator("spare 25")
    assert cli(f"set {lost.address} neutral=-1.25 correction=0,0.3,0 --store {PORT}").code == 0
    saved = cli(f"save --airframe hauler-mended.toml --json {PORT}")
    assert (saved.code, saved.json["missing"]) == (3, ["rudder, middle", "airbrake"])
    assert saved.json["file"] == "hauler-mended.record.json"
    before = load_record("hauler-mended.record.json")
    lost.power_off()
    spare.power_on()
    spare.settings.address = at
    bench.bus.index()
    result = cli(f'replace "aileron, left" --airframe hauler-mended.toml --yes --json {PORT}')
    assert result.code == 0, result.err
    assert (result.json["old_uid"], result.json["new_uid"]) == (lost.uid.hex(), spare.uid.hex())
    assert result.json["match_anew"] is True
    assert spare.address == lost.address == 2
    assert lost.settings.stored()["correction"] == (0, 30, 0)
    assert spare.settings.working == spare.settings.stored() == {**lost.settings.stored(), "correction": ()}
    assert spare.settings.stored()["neutral"] == -125
    assert load_assignment(plan)["aileron, left"] == spare.uid
    assert load_record(result.json["kept"]) == before
    after = load_record("hauler-mended.record.json")
    assert after.entry("aileron, left").uid == spare.uid
    assert after.fingerprint == result.json["fingerprint"]
    assert cli(f"compare hauler-mended.record.json {PORT}").code == 0
    assert cli(f"compare {result.json['kept']} hauler-mended.record.json").out.count("stands in the place of") == 1


@pytest.mark.parametrize(
    ("at", "then", "said"),
    [
        (UNADDRESSED, UNADDRESSED, "It is as it was"),
        (3, 239, "It was lent address 239 and keeps it"),
        (77, 77, "It is as it was"),
    ],
)
def test_another_model_is_refused_and_makes_no_clash(
    tug: tuple[Bench, Plan], cli: CommandLine, at: int, then: int, said: str
) -> None:
    bench, _ = tug
    bench.actuator("aileron, left").power_off()
    spare = bench.actuator("spare 40")
    spare.power_on()
    spare.settings.address = at
    bench.bus.index()
    files = {path.name: path.read_bytes() for path in Path().iterdir()}
    result = cli(f'replace "aileron, left" --airframe hauler-mended.toml --yes {PORT}')
    assert result.code == 1
    assert "its model is bench 40, the plan says bench 25; its rating: supply from 6 V" in result.error_line
    assert result.error_line.endswith(
        said if then == at else f"{said}; done until then: {spare.uid.hex()} has address 239"
    )
    assert spare.address == then
    assert spare.settings.stored() == dict(FACTORY)
    assert {path.name: path.read_bytes() for path in Path().iterdir()} == files


def test_the_pack_of_the_airframe_is_looked_at(tug: tuple[Bench, Plan], cli: CommandLine) -> None:
    bench, _ = tug
    text = Path("hauler-mended.toml").read_text("utf-8").replace("cells = 2", "cells = 3")
    supply = text[text.index("[supply]") : text.index("[bus]")]
    Path("hauler-mended.toml").write_text(text.replace(supply, ""), "utf-8")
    bench.actuator("aileron, left").power_off()
    bench.actuator("spare 25").power_on()
    result = cli(f'replace "aileron, left" --airframe hauler-mended.toml --yes {PORT}')
    assert result.code == 1
    assert "supply up to 8.4 V, the pack has 12.6 V" in result.error_line


def test_the_old_one_still_there_and_two_spares(tug: tuple[Bench, Plan], cli: CommandLine) -> None:
    bench, _ = tug
    line = f'replace "aileron, left" --record hauler-mended.record.json --yes {PORT}'
    bench.actuator("spare 25").power_on()
    assert "unplug it, or say --take-over" in cli(line).error_line
    bench.actuator("spare 40").power_on()
    bench.actuator("aileron, left").power_off()
    assert "say which with --uid: 70a90000000043f0 (no address), 70a90000000043f1 (no" in cli(line).error_line
    result = cli(f"{line} --uid 70a90000000043f0")
    assert result.code == 0, result.err
    assert "Match it anew" not in result.out
    assert bench.actuator("spare 25").address == 2
    assert bench.actuator("spare 40").address == UNADDRESSED


def test_lending_an_address_is_asked_for_too(tug: tuple[Bench, Plan], cli: CommandLine) -> None:
    bench, _ = tug
    spare = bench.actuator("spare 25")
    bench.actuator("aileron, left").power_off()
    spare.power_on()
    spare.settings.address = 3
    bench.bus.index()
    bench.frames.clear()
    assert cli(f'replace "aileron, left" --airframe hauler-mended.toml {PORT}').code == 4
    assert bench.changing == []


def test_run_again_where_it_was_killed_before_the_record_was_written(tug: tuple[Bench, Plan], cli: CommandLine) -> None:
    bench, plan = tug
    before = Path("hauler-mended.record.json").read_bytes()
    bench.actuator("aileron, left").power_off()
    spare = bench.actuator("spare 25")
    spare.power_on()
    line = f'replace "aileron, left" --airframe hauler-mended.toml --yes {PORT}'
    assert cli(line).code == 0
    Path("hauler-mended.record.json").write_bytes(before)  # as if the power had gone before this was written
    result = cli(line)
    assert result.code == 0, result.err
    assert "Nothing has to be changed." in result.out
    assert load_record("hauler-mended.record.json").entry("aileron, left").uid == spare.uid
    assert load_assignment(plan)["aileron, left"] == spare.uid


@pytest.mark.parametrize("part", range(11))
def test_pulled_out_at_any_moment_it_is_run_again_and_comes_to_the_same_end(
    tug: tuple[Bench, Plan], cli: CommandLine, part: int
) -> None:
    bench, plan = tug
    lost, spare = bench.actuator("aileron, left"), bench.actuator("spare 25")
    lost.power_off()
    spare.power_on()
    spare.settings.address = 3  # shared, so that it has to be lent one first
    bench.bus.index()
    line = f'replace "aileron, left" --airframe hauler-mended.toml --yes {PORT}'
    bench.frames.clear()

    def pulled_out(_: int) -> None:
        if len(bench.changing) > part:
            raise PortClosedError(bench.url, "device disconnected")

    bench.before_write = pulled_out
    assert cli(line).code == 1
    bench.before_write = lambda _: None
    result = cli(line)
    assert result.code == 0, result.err
    assert spare.address == 2
    assert spare.settings.working == spare.settings.stored() == {**lost.settings.stored(), "correction": ()}
    assert load_record("hauler-mended.record.json").entry("aileron, left").uid == spare.uid
    assert load_assignment(plan)["aileron, left"] == spare.uid
    assert cli(f"compare hauler-mended.record.json {PORT}").code == 0


@pytest.mark.parametrize("name", ["hauler-mended.record.json", "hauler-mended.assignment.json"])
def test_where_the_record_cannot_be_written_at_the_end_what_was_done_is_told_and_it_can_be_run_again(
    tug: tuple[Bench, Plan], cli: CommandLine, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    bench, plan = tug
    bench.actuator("aileron, left").power_off()
    spare = bench.actuator("spare 25")
    spare.power_on()
    before = Path("hauler-mended.record.json").read_bytes()
    replace = os.replace

    def full(source: str, target: str | Path) -> None:
        if Path(target).name == name:
            raise OSError(28, "No space left on device")
        replace(source, target)

    line = f'replace "aileron, left" --airframe hauler-mended.toml --yes {PORT}'
    with monkeypatch.context() as patch:
        patch.setattr(os, "replace", full)
        result = cli(f"{line} --json")
    assert result.code == 1
    assert result.json["new_uid"] == spare.uid.hex()
    assert result.json["kept"] is None
    assert f"{name}' cannot be written: No space left on device" in result.err
    assert spare.address == 2
    assert Path("hauler-mended.record.json").read_bytes() == before
    again = cli(line)
    assert again.code == 0, again.err
    assert load_record("hauler-mended.record.json").entry("aileron, left").uid == spare.uid
    assert load_assignment(plan)["aileron, left"] == spare.uid


@pytest.mark.parametrize(
    "line",
    [
        "apply hauler-mended.toml --despite-errors",
        "restore hauler-mended.record.json --those-present",
        'replace "aileron, right" --airframe hauler-mended.toml',
    ],
    ids=lambda line: line.split()[0],
)
def test_where_the_line_is_not_proven_those_that_hold_are_named(
    tug: tuple[Bench, Plan], cli: CommandLine, monkeypatch: pytest.MonkeyPatch, line: str
) -> None:
    """Nothing was sent but questions, so that one that held before holds still."""
    bench, _ = tug
    holds, lost = bench.actuator("aileron, left"), bench.actuator("elevator, left")
    Link(bench.bus.host).run(engage(holds.address))
    bench.frames.clear()
    send = lost._send

    def sends(data: bytes, *, again: bool = False) -> None:
        send(data, again=again)
        if len(data) > 1:
            bench.before_write = lambda _: lost.power_off()

    monkeypatch.setattr(lost, "_send", sends)
    result = cli(f"{line} --yes {PORT}")
    assert result.code == 3, result.transcript()
    assert "NOT PROVEN complete" in result.out
    assert f"Not limp: address {holds.address} (" in result.out
    assert bench.changing == []
    assert holds.state not in LIMP_STATES
    bench.before_write = lambda _: None
    lost.power_on()
    again = cli(f"{line} --yes --json {PORT}")
    assert again.code == 3
    assert [one["address"] for one in again.json["engaged"]] == [holds.address]
    assert (again.json["changes"], again.json["step_count"], again.json["proven"]) == ([], 0, False)
