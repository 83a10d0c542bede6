"""Nothing moves before the cautions were shown and answered with yes; what cannot move never asks."""

from __future__ import annotations

import io
import os
import sys
from typing import Final

import pytest

from busproto.cautions import CAUTIONS, DISCLAIMER
from busproto.cli import exit_codes
from busproto.ops.link import Link
from busproto.ops.moving.motion import demand, is_limp, report
from busproto.wire.messages import State
from tests.cli.helpers import Bench, CommandLine, FakeTerminal, Result, run_process

BENCH: Final = "--port sim://bench-four?seed=1"
SHOWN: Final = "\n".join(["Before anything moves:", *(f"  - {text}" for text in CAUTIONS), DISCLAIMER, ""])
MOVE: Final = f"move 3 25% {BENCH}"
QUESTION: Final = "All clear for moving the actuator at address 3 to 16.50 deg? [y/N]"


def unasked_terminal() -> FakeTerminal:
    """A terminal at which nothing may be asked."""

    def asked() -> None:
        pytest.fail("it asked")

    return FakeTerminal(when_asked=asked)


def engaged(bench: Bench) -> None:
    """Let the actuator at address 3 take hold, as a program of the user may have done before."""
    link = Link(bench)
    link.run(demand(3, 0.0))
    assert not is_limp(link.run(report(3)))
    bench.frames.clear()


def assert_not_moved(bench: Bench, result: Result) -> None:
    assert result.code == exit_codes.NOT_CLEARED
    assert bench.changing == []
    assert bench.actuator("addressed").arm.position_deg == 4.0
    assert bench.closed == 1


def test_without_anyone_to_answer_nothing_moves(
    cli: CommandLine, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO("y\n"))  # not a terminal: a yes in a pipe is no person's answer
    result = cli(MOVE)
    assert_not_moved(bench, result)
    assert result.out == ""
    said = "the cautions cannot be answered without a terminal (--clear answers them beforehand); nothing was moved"
    assert result.err == SHOWN + f"busproto: {said}\n"

    as_json = cli(f"{MOVE} --json")
    assert as_json.json == {"error": {"kind": "NotCleared", "text": said, "exit_code": exit_codes.NOT_CLEARED}}
    assert bench.changing == []


@pytest.mark.parametrize("answer", ["n\n", "\n", "no\n", "maybe\nn\n", "N\n"])
def test_the_answer_no_moves_nothing(
    answer: str, cli: CommandLine, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", FakeTerminal(answer))
    result = cli(MOVE)
    assert_not_moved(bench, result)
    assert result.out == ""
    assert result.err.startswith(SHOWN + QUESTION)
    assert result.err.endswith("busproto: the cautions were not answered with yes; nothing was moved\n")


def test_no_answer_at_all_moves_nothing(cli: CommandLine, bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", FakeTerminal(""))
    result = cli(MOVE)
    assert result.code == exit_codes.INTERRUPTED
    assert bench.changing == []
    assert result.err.startswith(SHOWN + QUESTION)
    assert result.err.endswith("busproto: interrupted\n")


@pytest.mark.parametrize("answer", ["y\n", "yes\n", "Y\n", "maybe\ny\n"])
def test_the_answer_yes_moves_and_leaves_limp(
    answer: str, cli: CommandLine, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", FakeTerminal(answer))
    result = cli(MOVE)
    assert result.code == exit_codes.DONE
    assert result.err.startswith(SHOWN + QUESTION)
    assert result.out.startswith("address 3: arrived at 16.50 deg, ")
    assert result.out.endswith(". The actuator at address 3 was seen limp.\n")
    actuator = bench.actuator("addressed")
    assert actuator.arm.position_deg == pytest.approx(16.5, abs=0.11)  # the dead band
    assert actuator.state is State.RELEASED


def test_all_clear_beforehand_shows_the_cautions_and_does_not_ask(
    cli: CommandLine, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", unasked_terminal())
    result = cli(f"{MOVE} --clear --json")
    assert result.code == exit_codes.DONE
    assert result.err == SHOWN
    assert result.json["arrived"] is True
    assert bench.actuator("addressed").state is State.RELEASED


def test_nothing_but_looking_comes_before_the_answer(
    cli: CommandLine, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen = []
    monkeypatch.setattr(sys, "stdin", FakeTerminal("y\n", lambda: seen.append(bench.changing)))
    assert cli(MOVE).code == exit_codes.DONE
    assert seen == [[]]
    assert bench.changing[0] == "Demand"
    assert bench.changing[-1] == "Release"


@pytest.mark.parametrize("frame", [6, 10, 30])
def test_an_interrupt_leaves_the_actuator_limp(frame: int, cli: CommandLine, bench: Bench) -> None:
    interrupts = []

    def interrupt(number: int) -> None:
        if number == frame:
            interrupts.append(number)
            bench.before_write = lambda _: None
            raise KeyboardInterrupt

    bench.before_write = interrupt
    result = cli(f"{MOVE} --clear")
    assert interrupts == [frame]
    assert result.code == exit_codes.INTERRUPTED
    assert result.out == ""
    seen = "; the actuator at address 3 was seen limp"
    assert result.err == SHOWN + f"\nbusproto: interrupted{seen}\n"  # the empty line ends that of the ^C on a terminal
    assert bench.changing[-1] == "Release"
    assert bench.actuator("addressed").state in {State.RELEASED, State.LIMP}


@pytest.mark.parametrize("change", ["neutral=2", "gang=1 travel=100", "--undo stored", "--undo factory --store"])
def test_a_setting_that_can_move_an_engaged_arm_asks(
    change: str, cli: CommandLine, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    engaged(bench)
    before = bench.settings()
    refused = cli(f"set 3 {change} {BENCH}")
    assert refused.code == exit_codes.NOT_CLEARED
    assert refused.err.startswith(SHOWN + "busproto: the cautions cannot be answered")
    assert bench.changing == []
    assert bench.settings() == before

    monkeypatch.setattr(sys, "stdin", FakeTerminal("n\n"))
    asked = cli(f"set 3 {change} {BENCH}")
    assert asked.code == exit_codes.NOT_CLEARED
    assert "All clear for a change of settings while the actuator at address 3 is engaged? [y/N]" in asked.err
    assert bench.changing == []

    monkeypatch.setattr(sys, "stdin", FakeTerminal("y\n"))
    assert cli(f"set 3 {change} {BENCH}").code == exit_codes.DONE
    assert bench.changing != []


def test_all_clear_beforehand_for_a_setting(cli: CommandLine, bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    engaged(bench)
    monkeypatch.setattr(sys, "stdin", unasked_terminal())
    result = cli(f"set 3 neutral=2 --clear {BENCH}")
    assert (result.code, result.err) == (exit_codes.DONE, SHOWN)
    assert bench.actuator("addressed").settings.raw("neutral") == 200


@pytest.mark.parametrize(
    ("command", "is_engaged"),
    [
        ("find", True),
        ("show", True),
        ("show 3", True),
        ("address b0a7000000000102 4 --channel 4", True),
        ("address b0a7000000000101 5", True),
        ("address b0a7000000000101 none", True),
        ("move 3 limp", True),
        ("set 3 gang=1 loss-time-out=400 --store", True),
        ("set 3 neutral=2 direction=reversed --store", False),
        ("set 3 --undo factory", False),
    ],
)
def test_what_cannot_move_anything_never_asks(
    command: str, is_engaged: bool, cli: CommandLine, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    if is_engaged:
        engaged(bench)
    monkeypatch.setattr(sys, "stdin", unasked_terminal())
    result = cli(f"{command} {BENCH}")
    assert result.code in {exit_codes.DONE, exit_codes.NOT_AS_WANTED}
    assert result.err == ""
    assert {"Demand", "DemandAll", "Engage", "ShowYourself"}.isdisjoint(bench.changing)


@pytest.mark.parametrize(("answer", "code"), [("n\n", exit_codes.NOT_CLEARED), ("y\n", exit_codes.DONE)])
def test_at_a_real_terminal(answer: str, code: int) -> None:
    ours, theirs = pytest.importorskip("pty").openpty()
    try:
        os.write(ours, answer.encode())
        done = run_process(MOVE.split(), stdin=theirs)
    finally:
        os.close(ours)
        os.close(theirs)
    assert done.returncode == code
    assert done.stderr.startswith(SHOWN + QUESTION)
    assert bool(done.stdout) == (code == exit_codes.DONE)


def test_colours_on_a_terminal_only(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    command = f"find --seed 1 {BENCH}".split()
    ours, theirs = pytest.importorskip("pty").openpty()
    try:
        on_terminal = run_process(command, stdout=theirs)
        shown = os.read(ours, 65_536).decode()
    finally:
        os.close(ours)
        os.close(theirs)
    in_pipe = run_process(command)
    assert on_terminal.returncode == in_pipe.returncode == exit_codes.NOT_AS_WANTED
    assert "\x1b[31mclash: 2 actuators share this address" in shown
    assert "clash: 2 actuators share this address" in in_pipe.stdout
    assert "\x1b" not in in_pipe.stdout + in_pipe.stderr
