"""The fuzzers themselves: they run, they get somewhere, they find what is wrong; old findings stay mended."""

from __future__ import annotations

import dataclasses
import functools
import shutil
import tempfile
from pathlib import Path

import pytest

from busproto.sim.native.device_build import workshop
from tests.conformance.seeded import FAULTS, woven_texts
from tests.fuzz import __main__ as command
from tests.fuzz import needs, runs
from tests.fuzz.build import PLAIN, QUICK, build
from tests.fuzz.decoder_checks import check, pieces_of
from tests.fuzz.seeds import seeds_of, write_seeds

needs.clang_and_atheris()

FIXED_RUNS = {"codec": 5000, "reference": 800, "decoder": 300}
FLOORS = {"codec": (480, 100), "reference": (950, 80), "decoder": (260, 8)}
"""Edges that the fixed runs reach at least, and how many more than the seeds alone: well below what they were."""
BEYOND = "a value one beyond its range is taken"
IGNORED = "a release to all is ignored"
NUMBER = {fault.what: fault.number for fault in FAULTS}


@functools.cache
def prepared(name: str) -> runs.Prepared:
    """A target, built once a process."""
    return runs.prepare(name, Path(tempfile.mkdtemp(dir=workshop())), flags=QUICK)


@functools.cache
def faulty_texts() -> dict[str, str]:
    return woven_texts()


@functools.cache
def with_fault(target: str, what: str) -> runs.Prepared:
    """A target with one seeded fault in it, built once a process."""
    place = empty()
    write_seeds(target, place / "seeds")
    flags = (*PLAIN, "-w", f"-DBP_MUTANT={NUMBER[what]}")
    return runs.Prepared(target, (str(build(target, place / "built", texts=faulty_texts(), flags=flags)),), place)


def empty() -> Path:
    """A folder with nothing found in it yet."""
    place = Path(tempfile.mkdtemp(dir=workshop()))
    for folder in ("corpus", "findings"):
        (place / folder).mkdir()
    return place


@pytest.mark.parametrize("name", runs.TARGETS)
def test_seeds_and_old_findings_pass(name: str) -> None:
    made = prepared(name)
    seeds = sorted((made.place / "seeds").iterdir())
    assert len(seeds) > 30
    again = runs.replay(made, [*seeds[:: 5 if name == "decoder" else 1], *runs.regressions_of(name)])
    assert not again.findings, again.text


@pytest.mark.parametrize("name", runs.TARGETS)
def test_it_gets_somewhere_and_finds_nothing(name: str) -> None:
    ran = runs.run(prepared(name), runs=FIXED_RUNS[name], seed=1)
    assert not ran.findings, ran.text
    assert ran.executions >= FIXED_RUNS[name]
    least, more = FLOORS[name]
    assert ran.reached[0] >= least
    assert ran.reached[0] - ran.begun[0] >= more


@pytest.mark.parametrize(
    ("target", "what"),
    [
        ("codec", BEYOND),
        ("reference", "the stored copy is written in place"),
        ("reference", IGNORED),
    ],
)
def test_a_seeded_fault_is_found(target: str, what: str) -> None:
    ran = runs.run(with_fault(target, what), runs=20_000, seed=1)
    assert ran.what.startswith("finding: "), ran.text
    (finding,) = ran.findings
    assert not runs.replay(prepared(target), [finding]).findings


@pytest.mark.parametrize("broken", ["loses a byte", "another error"])
def test_a_broken_decoder_is_found(broken: str) -> None:
    whole, place = prepared("decoder"), empty()
    shutil.copytree(whole.place / "seeds", place / "seeds")
    ran = runs.run(runs.Prepared("decoder", (*whole.command, "--broken", broken), place), runs=5000, seed=1)
    (finding,) = ran.findings
    check(finding.read_bytes(), place / "many", many=True)  # the decoder itself is not to blame


def test_seeds_hold_frames_both_ways() -> None:
    for name in runs.TARGETS:
        names = [name for name, _ in seeds_of(name)]
        assert len(names) == len(set(names))
    stream = b"".join(piece for _, data in seeds_of("decoder") for piece in pieces_of(data))
    from busproto.wire import Decoder, Frame

    found = [one for one in Decoder().feed(stream) if isinstance(one, Frame)]
    assert {True, False} == {frame.is_reply for frame in found}
    assert len({frame.operation for frame in found}) > 10


def test_a_finding_of_the_decoder_is_made_small() -> None:
    def breaks(data: bytes) -> bool:
        return b"ab" in data and data.count(b"z") >= 2

    assert runs._shrunk(bytes(range(97, 123)) * 9, breaks) == b"zzab"


def test_whole_captures_are_read_too(tmp_path: Path) -> None:
    for _, data in list(seeds_of("decoder"))[::10]:
        check(data, tmp_path / "many", many=True)


# --- the command ----------------------------------------------------------------------------------------------


@pytest.fixture
def other_build(monkeypatch: pytest.MonkeyPatch) -> None:
    """The command takes what is built already."""
    monkeypatch.setattr(command, "prepare", lambda name, place: prepared(name))


def test_the_command_prints_a_table(other_build: None, capsys: pytest.CaptureFixture[str]) -> None:
    assert command.main(["codec", "--runs", "300"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[-2].split() == ["target", "executions", "exec/s", "edges", "features", "findings"]
    assert lines[-1].split()[0] == "codec"
    assert lines[-1].split()[-1] == "0"


def test_the_command_tells_a_finding(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    faulty = with_fault("reference", IGNORED)
    made = dataclasses.replace(faulty, place=empty())
    shutil.copytree(faulty.place / "seeds", made.place / "seeds")
    monkeypatch.setattr(command, "prepare", lambda name, place: made)
    monkeypatch.setattr(command, "minimise", functools.partial(runs.minimise, seconds=1))
    assert command.main(["reference", "--runs", "20000", "--in", str(tmp_path)]) == 1
    out = capsys.readouterr().out
    assert "FINDING in reference: finding: " in out
    again = next(
        line for line in out.splitlines() if line.startswith("  again: python -m tests.fuzz reference --replay ")
    )
    small = Path(again.split()[-1])
    assert small.is_file()
    assert command.main(["reference", "--replay", str(small)]) == 1


def test_a_missing_tool_is_one_line(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    def find() -> str:
        return needs.find_clang.__wrapped__()

    monkeypatch.setattr("tests.fuzz.build.find_clang", find)
    monkeypatch.setattr(shutil, "which", lambda name: None)
    assert command.main(["codec", "--runs", "1"]) == 2
    assert capsys.readouterr().err == "clang is not installed (Debian: apt install clang)\n"
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    assert command.main(["decoder", "--runs", "1"]) == 2
    assert capsys.readouterr().err == "atheris is not installed (pip install 'busproto[fuzz]')\n"


def test_bad_usage_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    for arguments in (["all", "--replay", "x"], ["codec", "--replay", "not there"], ["codec", "--seconds", "0"]):
        with pytest.raises(SystemExit) as stopped:
            command.main(arguments)
        assert stopped.value.code == 2
    capsys.readouterr()
