"""Bad input: one line that names the thing and what is allowed there, the documented exit code, nothing changed.

Each row of the table runs twice, plain and with ``--json``. Rows with exit code 2 must not have put a byte on any bus,
but for those that need the actuator's own settings to know better.
"""

from __future__ import annotations

import shlex
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pytest

from busproto.cli import exit_codes
from busproto.transport import SerialTransport
from busproto.wire import Decoder, Frame, message_of
from tests.cli.helpers import HARMLESS, Bench, CommandLine, run_process

BENCH: Final = "--port sim://bench-four?seed=1"
FRESH: Final = "b0a7000000000102"

GOOD_SCENARIO: Final = """\
title = "One"
[model."m"]
[[actuator]]
label = "a"
model = "m"
address = 1
"""

SHIPPED = "bench-four, full-line, hauler, motor-glider, rudder-gang, taxi, tow-plane, twins"


@dataclass(frozen=True)
class Bad:
    """One bad command line.

    Attributes:
        command: as typed; {file} stands for a scenario file.
        words: what the line on stderr must hold, each.
        code: the exit code.
        scenario: text of the scenario file.
        asks_first: whether the actuator must be asked before anyone can know.
    """

    command: str
    words: tuple[str, ...]
    code: int = exit_codes.USAGE
    scenario: str = ""
    asks_first: bool = False


def bad_scenario(text: str, *words: str) -> Bad:
    return Bad("find --port sim://{file}", ("scenario '", *words), scenario=text)


def changed(old: str, new: str) -> str:
    assert old in GOOD_SCENARIO
    return GOOD_SCENARIO.replace(old, new)


FAILED: Final = exit_codes.FAILED

TABLE: Final = {
    # commands and options
    "unknown command": Bad("fnd", ("'fnd'", "busproto --help")),
    "unknown command of bus": Bad("bus stop", ("'stop'", "busproto bus --help")),
    "unknown option": Bad(f"find --quick {BENCH}", ("--quick", "busproto find --help")),
    "option that this command lacks": Bad("ports --port /dev/ttyUSB0", ("--port",)),
    "argument missing": Bad(f"address {FRESH} {BENCH}", ("'ADDRESS'", "busproto address --help")),
    "one argument too many": Bad(f"move 3 centre 4 {BENCH}", ("4", "busproto move --help")),
    "unknown option of move": Bad(f"move 3 centre --quick {BENCH}", ("--quick", "busproto move --help")),
    # port
    "no port": Bad("find", ("--port", "busproto find --help")),
    "no such device": Bad("find --port /dev/nosuch", ("'/dev/nosuch'", "busproto ports"), FAILED),
    "no such scheme": Bad("find --port nosuch://x", ("'nosuch://x'", "busproto ports"), FAILED),
    "no program listens": Bad("find --port socket://127.0.0.1:1", ("'socket://127.0.0.1:1'", "refused"), FAILED),
    "sim without slashes": Bad("find --port sim:bench-four", ("'sim:bench-four'", "sim://SCENARIO?seed=N")),
    "sim without scenario": Bad("find --port sim://", ("'sim://'", "no scenario", "sim://SCENARIO?seed=N")),
    "sim with unknown query": Bad("find --port sim://bench-four?sed=1", ("'sed'", "sim://SCENARIO?seed=N")),
    "sim that is no URL": Bad("find --port sim://[", ("'sim://['",)),
    "seed not a number": Bad("find --port sim://bench-four?seed=x", ("seed", "0..9223372036854775807")),
    "seed negative": Bad("show --port sim://bench-four?seed=-1", ("seed", "0..9223372036854775807")),
    "seed too large": Bad(f"find --port sim://bench-four?seed={2**63}", ("seed", "0..9223372036854775807")),
    "seed twice": Bad("find --port 'sim://bench-four?seed=1&seed=2'", ("seed", "0..9223372036854775807")),
    "no such scenario": Bad(
        "find --port sim://nosuch",
        ("'nosuch'", SHIPPED),
    ),
    "line rate too low": Bad(f"find --baud 300 {BENCH}", ("--baud", "300", "1200<=x<=4000000")),
    "line rate not a number": Bad(f"find --baud fast {BENCH}", ("--baud", "'fast'")),
    "latency too long": Bad(f"find --latency-ms 1001 {BENCH}", ("--latency-ms", "1001", "0<=x<=1000")),
    "latency not a number": Bad(f"find --latency-ms nan {BENCH}", ("--latency-ms", "'nan'")),
    # find
    "expect none": Bad(f"find --expect 0 {BENCH}", ("--expect", "0", "1<=x<=239")),
    "wanted error 1": Bad(f"find --wanted-error 1 {BENCH}", ("--wanted-error", "1", "0<x<1")),
    "wanted error not a number": Bad(f"find --wanted-error nan {BENCH}", ("--wanted-error", "'nan'")),
    "seed of find not a number": Bad(f"find --seed one {BENCH}", ("--seed", "'one'")),
    # addresses and uids
    "address 0": Bad(f"show 0 {BENCH}", ("'0'", "1..239")),
    "address of those without one": Bad(f"show 240 {BENCH}", ("'240'", "1..239")),
    "address of all": Bad(f"move 0xFF centre --clear {BENCH}", ("'0xFF'", "1..239", "0x01..0xEF")),
    "address not a number": Bad(f"set three neutral=1 {BENCH}", ("'three'", "1..239")),
    "second address bad": Bad(f"show 3 2.5 {BENCH}", ("'2.5'", "1..239")),
    "address to give": Bad(f"address {FRESH} 240 {BENCH}", ("'240'", "1..239")),
    "uid too short": Bad(f"address b0a7 4 {BENCH}", ("'b0a7'", "16 digits 0-9 a-f")),
    "uid not hexadecimal": Bad(f"address b0a700000000010g 4 {BENCH}", ("'b0a700000000010g'", "16 digits 0-9 a-f")),
    "uid of no actuator": Bad(f"address {'0' * 16} 4 {BENCH}", ("0000000000000000", "not all zero")),
    "uid and address swapped": Bad(f"address 4 {FRESH} {BENCH}", ("'4'", "16 digits 0-9 a-f")),
    "channel too high": Bad(f"address {FRESH} 4 --channel 33 {BENCH}", ("--channel", "33", "0<=x<=32")),
    "channel without address": Bad(f"address {FRESH} none --channel 3 {BENCH}", ("--channel", "address")),
    "no such uid": Bad(f"address b0a70000000001ff 4 {BENCH}", ("b0a70000000001ff", "busproto find"), FAILED),
    "address is taken": Bad(f"address {FRESH} 3 {BENCH}", ("address 3", "b0a7000000000101", "nothing was"), FAILED),
    "address is shared": Bad(f"set 7 neutral=1 {BENCH}", ("address 7", "b0a7000000000103", "0104"), FAILED),
    "no actuator there": Bad(f"set 9 neutral=1 {BENCH}", ("address 9", "check power", "busproto find"), FAILED),
    "no actuator there to move": Bad(f"move 9 centre --clear {BENCH}", ("address 9", "busproto find"), FAILED),
    "no actuator there to go limp": Bad(f"move 9 limp {BENCH}", ("address 9", "busproto find"), FAILED),
    # parameters
    "nothing to set": Bad(f"set 3 {BENCH}", ("NAME=VALUE", "--store", "--undo")),
    "not NAME=VALUE": Bad(f"set 3 neutral {BENCH}", ("'neutral'", "NAME=VALUE", "loss-time-out")),
    "blank around the sign": Bad(f"set 3 neutral = 2 {BENCH}", ("'neutral'", "NAME=VALUE")),
    "no such parameter": Bad(f"set 3 nuetral=1 {BENCH}", ("'nuetral'", "neutral", "correction"), asks_first=True),
    "parameter twice": Bad(f"set 3 neutral=1 neutral=2 {BENCH}", ("'neutral'", "twice")),
    "value too high": Bad(f"set 3 neutral=30.01 {BENCH}", ("neutral", "30.01", "-30.00..30.00 deg")),
    "value too low": Bad(f"set 3 loss-time-out=19 {BENCH}", ("loss-time-out", "19", "20..10000 ms")),
    "value not a number": Bad(f"set 3 travel=wide {BENCH}", ("travel", "'wide'", "10.00..180.00 deg")),
    "value is nan": Bad(f"set 3 travel=nan {BENCH}", ("travel", "nan", "10.00..180.00 deg")),
    "value of another unit": Bad(f"set 3 soft-start=1s {BENCH}", ("soft-start", "'1s'", "0..5000 ms")),
    "value empty": Bad(f"set 3 neutral= {BENCH}", ("neutral", "''", "-30.00..30.00 deg")),
    "no such choice": Bad(f"set 3 loss-action=stay {BENCH}", ("loss-action", "'stay'", "limp, hold, preset")),
    "no such choice by number": Bad(f"set 3 direction=2 {BENCH}", ("direction", "2", "normal, reversed")),
    "table of one point": Bad(f"set 3 correction=1 {BENCH}", ("correction", "1 points", "none or 2..33")),
    "table too long": Bad(f"set 3 correction={','.join('0' * 34)} {BENCH}", ("correction", "34", "2..33")),
    "table value out of range": Bad(f"set 3 correction=0,10.5 {BENCH}", ("correction", "10.50", "-10.00..10.00 deg")),
    "table that turns back": Bad(
        f"set 3 travel=12 correction=0,9,0 {BENCH}", ("correction", "move the arm back", "18.00")
    ),
    "table value not a number": Bad(f"set 3 correction=0,x {BENCH}", ("correction", "'0,x'", "list of numbers")),
    "undo to what": Bad(f"set 3 --undo all {BENCH}", ("--undo", "'all'", "'stored', 'factory'")),
    "one bad among good ones": Bad(f"set 3 neutral=1 gang=33 --store {BENCH}", ("gang", "33", "0..32")),
    # targets
    "target without unit": Bad(
        f"move 3 25 --clear {BENCH}", ("'25'", "-100%..100%", "12.5deg", "1000us..2000us", "centre", "limp")
    ),
    "target is a word": Bad(f"move 3 middle --clear {BENCH}", ("'middle'", "centre")),
    "target beyond 100 %": Bad(f"move 3 101% --clear {BENCH}", ("'101%'", "-100%..100%")),
    "target is nan": Bad(f"move 3 nan% --clear {BENCH}", ("'nan%'", "-100%..100%")),
    "pulse too long": Bad(f"move 3 2001us --clear {BENCH}", ("'2001us'", "1000us..2000us")),
    "angle outside this travel": Bad(
        f"move 3 61.6deg --clear {BENCH}", ("'61.6deg'", "-58.50deg..61.50deg"), asks_first=True
    ),
    "hold too short": Bad(f"move 3 centre --hold 0 --clear {BENCH}", ("--hold", "0.1<=x<=600")),
    "hold not a number": Bad(f"move 3 centre --hold nan --clear {BENCH}", ("--hold", "'nan'")),
    # virtual buses
    "behind nothing": Bad("bus run bench-four", ("--pty", "--tcp")),
    "behind both": Bad("bus run bench-four --pty --tcp 127.0.0.1:0", ("--pty", "--tcp")),
    "no such scenario to run": Bad(
        "bus run nosuch --pty",
        ("'nosuch'", SHIPPED),
    ),
    "scenario is a folder": Bad("bus run / --pty", ("'/'", "it is a directory")),
    "tcp without port": Bad("bus run bench-four --tcp 127.0.0.1", ("'127.0.0.1'", "HOST:PORT", "0..65535")),
    "tcp without host": Bad("bus run bench-four --tcp :7000", ("':7000'", "HOST:PORT")),
    "tcp port too high": Bad("bus run bench-four --tcp 127.0.0.1:65536", ("65536", "0..65535")),
    "tcp port far too high": Bad(f"bus run bench-four --tcp 127.0.0.1:{'9' * 5000}", ("0..65535",)),
    "side without port": Bad("bus run bench-four --pty --side 127.0.0.1", ("--side", "'127.0.0.1'", "HOST:PORT")),
    "side open to the network": Bad("bus run bench-four --pty --side 0.0.0.0:0", ("--side", "127.0.0.1")),
    "open to the network": Bad("bus run bench-four --tcp 0.0.0.0:0", ("'0.0.0.0:0'", "127.0.0.1", "--open-to-network")),
    "open to the network by name": Bad("bus run bench-four --tcp example:0", ("'example:0'", "--open-to-network")),
    "seed of run": Bad("bus run bench-four --pty --seed -1", ("--seed", "-1", "0<=x<=")),
    "time of run": Bad("bus run bench-four --pty --for 0", ("--for", "x>0")),
    "time of run not a number": Bad("bus run bench-four --pty --for nan", ("--for", "'nan'")),
    "seed of demo": Bad("demo --seed x", ("--seed", "'x'")),
    # scenario files
    "scenario: not TOML": bad_scenario("title = One\n", "not valid TOML", "line 1"),
    "scenario: empty": bad_scenario("", "title"),
    "scenario: unknown key": bad_scenario(changed("title", "titel"), "titel"),
    "scenario: unknown key of an actuator": bad_scenario(
        changed("label", "colour = 1\nlabel"), "actuator[0]", "colour", "label, model, uid"
    ),
    "scenario: uid": bad_scenario(changed("address = 1", 'uid = "12"'), "actuator[0].uid", "16 digits 0-9 a-f"),
    "scenario: address": bad_scenario(changed("= 1", "= 240"), "actuator[0].address", "239"),
    "scenario: address in words": bad_scenario(changed("= 1", '= "any"'), "actuator[0].address", "'unknown'", "any"),
    "scenario: no such model": bad_scenario(changed('model = "m"', 'model = "n"'), "actuator[0].model", "'n'", "(m)"),
    "scenario: setting": bad_scenario(
        GOOD_SCENARIO + "settings = { travel = 200 }", "actuator[0].settings", "travel", "10.00..180.00 deg"
    ),
    "scenario: no such setting": bad_scenario(GOOD_SCENARIO + "settings = { speed = 2 }", "'speed'", "slew-limit"),
    "scenario: line rate": bad_scenario(GOOD_SCENARIO + "[line]\nbaud = 300", "line.baud", "9600"),
    "scenario: event": bad_scenario(GOOD_SCENARIO + '[[event]]\nwhat = "fire"\nat = 1', "event[0]", "fire", "unplug"),
    "scenario: event of an unknown label": bad_scenario(
        GOOD_SCENARIO + '[[event]]\nwhat = "mute"\nat = 1\nactuator = "b"', "event[0].actuator", "'b'"
    ),
    "scenario: two problems at once": bad_scenario(
        changed("= 1", "= 240") + "[line]\nbaud = 300", "actuator[0].address", "line.baud"
    ),
    "scenario: too many": Bad(
        "bus run {file} --pty", ("limits.nodes", "1"), scenario=GOOD_SCENARIO + "[limits]\nnodes = 0"
    ),
    "scenario: run grows too far": Bad(
        "find --port sim://{file}", ("limits.frames", "2 frames"), FAILED, GOOD_SCENARIO + "[limits]\nframes = 2"
    ),
}


def written_by(monkeypatch: pytest.MonkeyPatch) -> list[bytes]:
    """What commands hand to any port from now on."""
    written: list[bytes] = []
    write = SerialTransport.write

    def noted(self: SerialTransport, data: bytes) -> None:
        written.append(data)
        write(self, data)

    monkeypatch.setattr(SerialTransport, "write", noted)
    return written


@pytest.mark.parametrize("name", TABLE)
def test_bad_input_is_one_line_that_says_what_is_allowed(
    name: str, cli: CommandLine, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    row = TABLE[name]
    file = tmp_path / "bad.toml"
    file.write_text(row.scenario, "utf-8")
    arguments = shlex.split(row.command.replace("{file}", str(file)))
    written = written_by(monkeypatch)

    plain = cli(*arguments) if len(arguments) != 1 else cli(arguments[0])
    assert plain.code == row.code
    assert plain.out == ""
    for word in row.words:
        assert word in plain.error_line

    at_json = arguments.index("--") if "--" in arguments else len(arguments)
    as_json = cli(*arguments[:at_json], "--json", *arguments[at_json:])
    assert as_json.code == row.code
    assert as_json.err == plain.err
    assert set(as_json.json) == {"error"}
    error = as_json.json["error"]
    assert set(error) == {"kind", "text", "exit_code"}
    assert (error["text"], error["exit_code"]) == (plain.error_line, row.code)
    assert (error["kind"] in {"UsageError", "InputError", "ScenarioError"}) == (row.code == exit_codes.USAGE)

    frames = [found for found in Decoder().feed(b"".join(written)) if isinstance(found, Frame)]
    if row.code == exit_codes.USAGE and not row.asks_first:
        assert written == []
    elif "no such uid" not in name:  # there the write itself is what no actuator answers
        assert [type(message_of(frame)) for frame in frames if not isinstance(message_of(frame), HARMLESS)] == []


def test_the_good_scenario_of_the_table_is_good(cli: CommandLine, tmp_path: Path) -> None:
    file = tmp_path / "good.toml"
    file.write_text(GOOD_SCENARIO, "utf-8")
    result = cli("find", "--json", "--port", f"sim://{file}")
    assert (result.code, result.err) == (exit_codes.DONE, "")
    assert [one["address"] for one in result.json["actuators"]] == [1]


@pytest.mark.parametrize(
    "command",
    [
        "set 3 neutral=1 gang=33 --store",
        "set 3 neutral=1 nuetral=1 --store",
        "move 3 61.6deg --clear",
        f"address {FRESH} 3",
        f"address {FRESH} 7",
        "address b0a70000000001ff 4",
        "set 7 neutral=1 --store",
        "move 7 centre --clear",
        "move 7 limp",
    ],
)
def test_after_bad_input_everything_on_the_bus_is_as_it_was(command: str, cli: CommandLine, bench: Bench) -> None:
    before = bench.settings()
    states = [one.state for one in bench.bus.actuators]
    result = cli(f"{command} {BENCH}")
    assert result.code in {exit_codes.FAILED, exit_codes.USAGE}
    assert result.error_line
    assert bench.settings() == before
    assert [one.state for one in bench.bus.actuators] == states
    assert bench.closed == (1 if bench.frames else 0)


@pytest.mark.parametrize(
    ("command", "code"),
    [
        ("spec --json", exit_codes.DONE),
        ("find --port /dev/nosuch", exit_codes.FAILED),
        (f"set 3 neutral=99 {BENCH}", exit_codes.USAGE),
        (f"find {BENCH} --seed 1 --json", exit_codes.NOT_AS_WANTED),
        (f"move 3 centre {BENCH}", exit_codes.NOT_CLEARED),
    ],
)
def test_the_exit_code_is_that_of_the_process(command: str, code: int) -> None:
    done = run_process(shlex.split(command))
    assert done.returncode == code
    assert "Traceback" not in done.stderr
    errors = [line for line in done.stderr.splitlines() if line.startswith("busproto: ")]
    assert len(errors) == (1 if code in {exit_codes.FAILED, exit_codes.USAGE, exit_codes.NOT_CLEARED} else 0)
    assert bool(done.stdout) == (code in {exit_codes.DONE, exit_codes.NOT_AS_WANTED})


def test_every_exit_code_is_explained_on_the_help_page(cli: CommandLine) -> None:
    codes = {value for name, value in vars(exit_codes).items() if name.isupper() and isinstance(value, int)}
    assert set(exit_codes.TEXTS) == codes
    lines = cli("--help").out.splitlines()
    for code, text in exit_codes.TEXTS.items():
        assert any(line.split(maxsplit=1) == [str(code), text] for line in lines)


def test_a_bug_shows_its_traceback(cli: CommandLine, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("a bug")

    monkeypatch.setattr("busproto.cli.common.open_transport", broken)
    with pytest.raises(ZeroDivisionError, match="a bug"):
        cli(f"find {BENCH}")


def test_the_port_may_stand_in_the_environment(cli: CommandLine, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BUSPROTO_PORT", "sim://nosuch-bus")
    assert "'nosuch-bus'" in cli("find").error_line
    assert "'/dev/nosuch'" in cli("find --port /dev/nosuch").error_line
