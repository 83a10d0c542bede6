"""``busproto hand``: keys from a pipe and from a terminal, what is printed, the cautions, and that it ends limp."""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from busproto.cli import exit_codes
from busproto.cli.keys import END, KeyParser, open_keys
from busproto.cli.move.hand_command import parse_steered
from busproto.wire import messages as m
from busproto.wire.messages import State
from tests.cli.helpers import Bench, CommandLine, FakeTerminal, make_bench

HAND = "hand 3 --port /dev/any"


def pipe(monkeypatch: pytest.MonkeyPatch, keys: str) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO(keys))


class Typist(FakeTerminal):
    """A person at a terminal: an answer to the question, then key by key; "." presses none at that moment."""

    def __init__(self, answer: str, keys: str) -> None:
        super().__init__(answer)
        self._keys = iter(keys)

    def read(self, _: int) -> str:
        return next(self._keys, "q")


# --- from a pipe -----------------------------------------------------------------------------------------------


def test_keys_from_a_pipe_are_done_one_after_the_other(
    cli: CommandLine, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    pipe(monkeypatch, "cdd\nwxq")
    result = cli(f"{HAND} --clear")
    assert result.code == exit_codes.DONE
    # neutral 1.5 deg and a travel of 120 deg: half a percent is 0.3 deg
    assert result.out == (
        "centre          +0.00 % (1500.0 us)     3 at 1.50 deg\n"
        "small-up x2     +1.00 % (1505.0 us)     3 at 2.10 deg\n"
        "large-up        +11.00 % (1555.0 us)    3 at 8.10 deg\n"
        "address 3: peak 1940 mA\nThe actuator at address 3 was seen limp.\n"
    )
    assert bench.actuator("addressed").state is State.RELEASED
    assert bench.closed == 1


def test_the_same_as_json(cli: CommandLine, bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    pipe(monkeypatch, "cw ")
    result = cli(f"{HAND} --clear --json --large 20")
    assert result.code == exit_codes.DONE
    body = result.json
    assert list(body) == [
        "addresses",
        "channel",
        "low_percent",
        "high_percent",
        "commanded",
        "peak_currents_ma",
        "let_go",
    ]
    assert (body["addresses"], body["channel"], body["let_go"]["limp"]) == ([3], None, [3])
    assert (body["low_percent"], body["high_percent"]) == (-100.0, 100.0)
    (peak_ma,) = body["peak_currents_ma"].values()
    assert list(body["peak_currents_ma"]) == ["3"]
    assert 178 <= peak_ma <= 4000  # friction at least
    told = [(one["command"], one["demand_percent"], one["pulse_us"], one["arrived"]) for one in body["commanded"]]
    assert told == [("centre", 0.0, 1500.0, True), ("large-up", 20.0, 1600.0, True), ("limp", None, None, True)]
    (reached,) = body["commanded"][1]["reached"]
    assert (reached["address"], reached["wanted_deg"], reached["state"]) == (3, 13.5, "following")
    assert reached["position_deg"] == pytest.approx(13.5, abs=0.11)
    assert body["commanded"][2]["reached"][0]["wanted_deg"] is None


def test_the_end_of_the_pipe_is_the_end(cli: CommandLine, bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    pipe(monkeypatch, "")
    result = cli(f"{HAND} --clear")
    assert (result.code, result.out) == (
        exit_codes.DONE,
        "address 3: peak 12 mA\nThe actuator at address 3 was seen limp.\n",
    )
    assert bench.changing == ["Release"]


def test_arrow_keys_come_through_a_pipe_too(cli: CommandLine, bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    pipe(monkeypatch, "c\x1b[C\x1bOA\x1b[D\x1b[B\x1b[5~q")
    result = cli(f"{HAND} --clear --json")
    assert [one["command"] for one in result.json["commanded"]] == [
        "centre",
        "small-up",
        "large-up",
        "small-down",
        "large-down",
    ]


def test_an_arm_that_does_not_arrive_is_not_as_wanted(
    cli: CommandLine, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    pipe(monkeypatch, "cwq")
    bench.actuator("addressed").arm.stop_deg = 3.0
    result = cli(f"{HAND} --clear")
    assert result.code == exit_codes.NOT_AS_WANTED
    assert "3 at 3.00 deg, not there yet\n" in result.out


def test_by_channel_all_that_follow_it_are_found_and_a_clash_is_told(
    cli: CommandLine, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    pipe(monkeypatch, "cwq")
    result = cli("hand ch:3 --port /dev/any --clear --json")
    assert result.code == exit_codes.DONE
    assert (result.json["addresses"], result.json["channel"]) == ([3], 3)
    assert result.err.startswith(
        "Beware: 2 actuators share address 7: whether they follow channel 3 is not known; "
        "'busproto address' parts them.\nBefore anything moves:\n"
    )
    assert "Demand" not in bench.changing
    assert "DemandAll" in bench.changing


def test_no_actuator_on_a_channel(cli: CommandLine, bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    pipe(monkeypatch, "w")
    result = cli("hand ch:9 --port /dev/any --clear")
    assert result.code == exit_codes.USAGE
    assert result.err.endswith("busproto: no actuator follows channel 9; channels in use: 3\n")
    assert bench.changing == []


# --- from a terminal -------------------------------------------------------------------------------------------


def test_at_a_terminal_it_asks_and_then_takes_each_key_at_once(
    cli: CommandLine, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", Typist("y\n", "dd" + "." * 60 + "q"))
    result = cli(HAND)
    assert result.code == exit_codes.DONE
    assert "All clear for steering the actuator at address 3? [y/N]" in result.err
    # the arm stood at 4 deg, that is 4.17 % of the travel
    assert result.out.startswith("small-up x2     +5.17 % (1525.8 us)     3 at 4.")
    assert result.out.endswith("\naddress 3: peak 186 mA\nThe actuator at address 3 was seen limp.\n")


def test_at_a_terminal_one_that_is_not_there_yet_is_no_failure(
    cli: CommandLine, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", Typist("y\n", "wq"))
    result = cli(HAND)
    assert result.code == exit_codes.DONE
    assert "not there yet" in result.out


@pytest.mark.parametrize("answer", ["n\n", "\n"])
def test_without_a_yes_nothing_moves(
    answer: str, cli: CommandLine, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", Typist(answer, "wwwq"))
    assert cli(HAND).code == exit_codes.NOT_CLEARED
    assert bench.changing == []


def test_a_pipe_without_clear_moves_nothing(cli: CommandLine, bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    pipe(monkeypatch, "wwq")
    result = cli(HAND)
    assert result.code == exit_codes.NOT_CLEARED
    assert "Before anything moves:" in result.err
    assert bench.changing == []


# --- it ends limp ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("number", [9, 15, 40])
def test_an_interrupt_leaves_it_limp(
    number: int, cli: CommandLine, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    pipe(monkeypatch, "cwsv")

    def interrupt(at: int) -> None:
        if at == number:
            bench.before_write = lambda _: None
            raise KeyboardInterrupt

    bench.before_write = interrupt
    result = cli(f"{HAND} --clear")
    assert result.code == exit_codes.INTERRUPTED
    assert bench.changing[-1] == "Release"
    assert bench.actuator("addressed").state is State.RELEASED
    assert bench.closed == 1


def test_a_port_that_goes_away_names_the_loss_action(
    cli: CommandLine, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    pipe(monkeypatch, "cwsv")
    bench.vanish_at(30)
    result = cli(f"{HAND} --clear")
    assert result.code == exit_codes.FAILED
    assert "device disconnected" in result.err
    assert "could not be released: address 3 (its loss action is hold). Take the pack off" in result.err


def test_one_that_is_not_seen_limp_is_said(cli: CommandLine, monkeypatch: pytest.MonkeyPatch) -> None:
    bench = make_bench(monkeypatch)
    actuator = bench.actuator("addressed")

    def goes_mute(_: int) -> None:
        if bench.frames and isinstance(bench.requests[-1], m.Release):
            actuator.is_mute = True

    bench.before_write = goes_mute
    pipe(monkeypatch, "cq")
    result = cli(f"{HAND} --clear")
    assert result.code == exit_codes.FAILED
    assert "NOT SEEN LIMP: address 3 (no answer). Take the pack off" in result.out


# --- bad input -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("target", ["0", "240", "ch:0", "ch:33", "ch:", "ch:x", "channel 3", "ch:1234", ""])
def test_a_target_that_is_none(target: str, cli: CommandLine, bench: Bench) -> None:
    result = cli("hand", target, "--port", "/dev/any", "--clear")
    assert result.code == exit_codes.USAGE
    assert result.error_line
    assert bench.frames == []


@pytest.mark.parametrize("option", ["--small=0", "--large=0", "--large=101", "--small=nan", "--small=x"])
def test_a_step_that_is_none(option: str, cli: CommandLine, bench: Bench) -> None:
    assert cli(f"{HAND} --clear {option}").code == exit_codes.USAGE
    assert bench.frames == []


def test_who_is_meant() -> None:
    assert parse_steered("3") == (3, 0)
    assert parse_steered("0x1E") == (30, 0)
    assert parse_steered(" CH:32 ") == (0, 32)


# --- keys ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("pieces", "keys"),
    [
        (["ad"], ["a", "d"]),
        (["\x1b[A\x1b[B\x1b[C\x1b[D"], ["up", "down", "right", "left"]),
        (["\x1bOA\x1bOD"], ["up", "left"]),
        (["\x1b", "[", "A"], ["up"]),
        (["a\x1b[1;5", "Cb"], ["a", "right", "b"]),
        (["\x1b[3~x"], ["x"]),
        (["\x1b", ""], ["escape"]),
        (["\x1bx"], ["escape", "x"]),
        (["\x1b\x1b[A"], ["escape", "up"]),
        (["ü "], ["ü", " "]),
    ],
)
def test_characters_become_keys(pieces: list[str], keys: list[str]) -> None:
    parser = KeyParser()
    assert [key for piece in pieces for key in parser.feed(piece)] == keys


@pytest.fixture
def terminal() -> Iterator[tuple[int, int]]:
    """A pseudo-terminal: where a person types, and what a program reads."""
    pty = pytest.importorskip("pty")
    ours, theirs = pty.openpty()
    yield ours, theirs
    os.close(ours)
    os.close(theirs)


def test_a_terminal_gives_each_key_at_once_and_is_as_before_in_the_end(terminal: tuple[int, int]) -> None:
    import termios

    ours, theirs = terminal
    before = termios.tcgetattr(theirs)
    with os.fdopen(os.dup(theirs), "r") as stream:
        with open_keys(stream) as next_key:
            assert next_key() is None
            flags = termios.tcgetattr(theirs)[3]
            assert not flags & termios.ICANON
            assert not flags & termios.ECHO
            assert flags & termios.ISIG  # Ctrl-C still interrupts
            os.write(ours, b"d\x1b[A")
            assert [next_key(), next_key(), next_key()] == ["d", "up", None]
            os.write(ours, b"\x1b")
            assert [next_key(), next_key(), next_key()] == [None, "escape", None]
        assert termios.tcgetattr(theirs) == before
        with pytest.raises(RuntimeError, match="any"), open_keys(stream):
            raise RuntimeError("any")
        assert termios.tcgetattr(theirs) == before


def test_a_pipe_gives_what_has_come_and_its_end() -> None:
    if os.name == "nt":
        pytest.skip("no pipe can be waited for there")
    reading, writing = os.pipe()
    with os.fdopen(reading, "r") as stream, open_keys(stream) as next_key:
        assert next_key() is None
        os.write(writing, b"dw")
        assert [next_key(), next_key(), next_key()] == ["d", "w", None]
        os.write(writing, b"q")
        os.close(writing)
        assert [next_key(), next_key(), next_key()] == ["q", END, END]


def test_a_file_gives_its_characters(tmp_path: Path) -> None:
    (tmp_path / "keys").write_text("dw")
    with (tmp_path / "keys").open() as stream, open_keys(stream) as next_key:
        assert [next_key(), next_key(), next_key()] == ["d", "w", END]
