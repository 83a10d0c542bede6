"""However a command ends, no actuator is left holding, or it is named; words, exit code and bus agree."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from busproto.cli import exit_codes
from busproto.errors import PortClosedError
from busproto.ops import Link, engage
from busproto.ops.steps import Steps, now
from busproto.sim.scene.scenario import load
from busproto.sim.server import PseudoTerminal, serve
from busproto.wire.messages import LIMP_STATES, Release, State
from busproto.wire.parameters import LOSS_HOLD
from tests.cli.endings.__main__ import SIGNALS, calls_of, moments, run_command, troubles_of
from tests.cli.endings.ending_commands import COMMANDS, Command, plan_folder
from tests.cli.helpers import PATIENCE_S, Bench, CommandLine, make_bench

COSTLY = {"match": 2, "claim by hand": 3, "claim --directions": 2}
"""So many of the troubles in the sample, other ones for each; of all others every one."""


@pytest.mark.parametrize("command", COMMANDS, ids=lambda one: one.name)
def test_words_and_bus_agree_however_a_command_ends(command: Command) -> None:
    """One moment for each trouble; `python -m tests.cli.endings.__main__` does all of it."""
    troubles = troubles_of(command)
    at = COMMANDS.index(command)
    with plan_folder() as folder:
        calls = calls_of(command, folder)
        chosen = [(at + number) % len(troubles) for number in range(COSTLY.get(command.name, len(troubles)))]
        for number in chosen:
            (at_call,) = moments(calls, 1, (0.37 * at + 0.618 * number + 0.2) % 1)
            began = command.began[number % len(command.began)]
            done = run_command(command, troubles[number], at_call, folder, began)
            assert done.wrong == [], (began, troubles[number], at_call)
            if troubles[number] in SIGNALS and done.port.calls >= at_call:
                assert done.code in {exit_codes.INTERRUPTED, exit_codes.FAILED}
            if done.port.is_gone:
                assert done.code == exit_codes.FAILED


def test_where_the_port_goes_in_mid_motion_one_that_holds_is_named() -> None:
    """So that the table above does not agree only because nothing ever holds."""
    command = next(one for one in COMMANDS if one.name == "move")
    with plan_folder() as folder:
        calls = calls_of(command, folder)
        done = run_command(command, "port gone", calls // 2, folder)
    assert done.holders == [3]
    assert done.wrong == []
    assert done.code == exit_codes.FAILED
    assert done.body["let_go"]["not_seen"] == [3]


def test_the_table_sees_what_is_wrong() -> None:
    """A command that says more than it saw is found out."""
    from busproto.ops.moving import letting_go

    command = COMMANDS[0]
    with plan_folder() as folder, pytest.MonkeyPatch.context() as patch:
        calls = calls_of(command, folder)

        def pretended(party: letting_go._Party, to_all: bool, longest_ns: int) -> Steps[letting_go.LetGo]:
            yield from now()
            return letting_go.LetGo(limp=(3,))

        patch.setattr(letting_go, "_until_seen", pretended)
        done = run_command(command, "Ctrl-C", calls - 20, folder)
    assert done.holders == [3]
    assert len(done.wrong) >= 2


# --- a bus in lost-hold ----------------------------------------------------------------------------------------


def in_lost_hold(bench: Bench) -> list[int]:
    """Every actuator that has an address of its own holds; gives their addresses."""
    bus, link = bench.bus, Link(bench.bus.host)
    counts = [one.address for one in bus.actuators]
    alone = [one for one in bus.actuators if counts.count(one.address) == 1 and one.is_powered and one.address < 240]
    for one in alone:
        one.settings.set_working("loss-action", LOSS_HOLD)
        link.run(engage(one.address))
    bus.kernel.run_until(bus.kernel.now_ns + 12_000_000_000)
    assert holding(bench) == sorted(one.address for one in alone)
    bench.frames.clear()
    return holding(bench)


def holding(bench: Bench) -> list[int]:
    return sorted(one.address for one in bench.bus.actuators if one.is_powered and one.state not in LIMP_STATES)


@pytest.mark.parametrize("word", ["apply", "restore", "trial"])
def test_where_nothing_has_to_be_changed_those_in_lost_hold_are_let_go_all_the_same(
    word: str, cli: CommandLine, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.chdir(tmp_path)
    bench = make_bench(monkeypatch, "rudder-gang")
    assert cli("plan new p --example rudder").code == 0
    assert cli("apply p/rudder.toml --by-address --yes --port any").code == exit_codes.DONE
    assert cli("save --airframe p/rudder.toml --port any").code == exit_codes.DONE
    assert in_lost_hold(bench) == [30, 31, 32]
    line = {
        "apply": "apply p/rudder.toml --by-address --yes --port any",
        "restore": "restore p/rudder.record.json --yes --port any",
        "trial": "trial p/rudder.toml --part loss --clear --port any",
    }[word]
    result = cli(line)
    assert holding(bench) == []
    assert "All 3 known actuators were seen limp." in result.out
    assert result.code in {exit_codes.DONE, exit_codes.NOT_AS_WANTED}


def test_one_that_hears_no_release_is_named_and_nothing_is_written_to_it(
    cli: CommandLine, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.chdir(tmp_path)
    bench = make_bench(monkeypatch, "rudder-gang")
    assert cli("plan new p --example rudder").code == 0
    in_lost_hold(bench)
    stubborn = next(one for one in bench.bus.actuators if one.address == 31)
    hear = stubborn.heard
    monkeypatch.setattr(
        stubborn, "heard", lambda frame, message: None if isinstance(message, Release) else hear(frame, message)
    )
    result = cli("apply p/rudder.toml --by-address --yes --port any")
    assert result.code == exit_codes.FAILED
    assert "NOT SEEN LIMP: address 31 (lost-hold). Take the pack off" in result.err
    assert holding(bench) == [31]
    assert "Write" not in bench.changing
    again = cli("trial p/rudder.toml --part loss --clear --json --port any")
    assert again.code == exit_codes.FAILED
    assert 31 in [one["address"] for one in again.json["let_go"]["holding"]]


# --- limp, and those that only look ----------------------------------------------------------------------------


def test_limp_that_is_not_limp_is_a_failure(cli: CommandLine, bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    assert in_lost_hold(bench) == [3]
    actuator = bench.actuator("addressed")
    hear = actuator.heard
    monkeypatch.setattr(
        actuator, "heard", lambda frame, message: None if isinstance(message, Release) else hear(frame, message)
    )
    result = cli("move 3 limp --json --port any")
    assert result.code == exit_codes.FAILED
    assert result.json["arrived"] is False
    assert result.json["let_go"]["holding"] == [{"address": 3, "state": "lost-hold"}]


@pytest.mark.parametrize("line", ["find", "show 3", "save -o b.record.json --as-it-is"])
def test_those_that_look_say_who_holds(
    line: str, cli: CommandLine, bench: Bench, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.chdir(tmp_path)
    assert "Not limp" not in cli(f"{line} --port any").out
    assert in_lost_hold(bench) == [3]
    assert "Not limp: address 3 (lost-hold)." in cli(f"{line} --port any").out
    assert cli(f"{line} --json --port any").json["engaged"] == [{"address": 3, "state": "lost-hold"}]
    assert bench.changing == []
    assert holding(bench) == [3]


def test_a_port_that_goes_away_behind_the_release_says_who_was_not_seen(cli: CommandLine, bench: Bench) -> None:
    def gone(number: int) -> None:
        if bench.frames and isinstance(bench.requests[-1], Release):
            raise PortClosedError("any", "device disconnected")

    bench.before_write = gone
    result = cli("move 3 25% --hold 0.2 --clear --json --port any")
    assert result.code == exit_codes.FAILED
    assert result.json["let_go"]["not_seen"] == [3]
    assert "could not be released: address 3 (its loss action is hold)" in result.json["error"]["text"]


# --- real processes, real signals ------------------------------------------------------------------------------


@pytest.mark.realtime
@pytest.mark.parametrize(
    "numbers",
    [(signal.SIGINT,), (signal.SIGTERM,), (signal.SIGHUP,), (signal.SIGINT, signal.SIGTERM, signal.SIGINT)],
    ids=str,
)
def test_a_signal_to_a_process_that_holds_an_arm_ends_limp(numbers: tuple[int, ...]) -> None:
    bus = load("bench-four").build(1)
    actuator = bus.labelled("addressed")
    left = list(numbers)
    endpoint = PseudoTerminal()
    line = ["move", "3", "25%", "--hold", "60", "--clear", "--json", "--port", endpoint.name]
    line += ["--latency-ms", "150"]  # a machine that runs the whole suite wakes a process late
    process = subprocess.Popen(
        [sys.executable, "-m", "busproto", *line], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )

    def is_over(_: int) -> bool:
        if left and (actuator.state is State.FOLLOWING or len(left) < len(numbers)):
            process.send_signal(left.pop(0))
        return process.poll() is not None

    try:
        serve(bus, endpoint, is_over=is_over)
        out, err = process.communicate(timeout=PATIENCE_S)
    finally:
        process.kill()
        endpoint.close()
    assert process.returncode == exit_codes.INTERRUPTED, err
    assert actuator.state is State.RELEASED
    assert json.loads(out)["let_go"]["limp"] == [3]
    assert "the actuator at address 3 was seen limp" in err
    assert "letting go: looking until every actuator was seen limp, for 5 s at most" in err


@pytest.mark.realtime
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP], ids=str)
def test_the_page_ends_by_each_signal(number: int) -> None:
    line = ["serve", "--port", "sim://bench-four?seed=1", "--listen", "127.0.0.1:0", "--no-browser", "--json"]
    process = subprocess.Popen(
        [sys.executable, "-m", "busproto", *line], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    try:
        assert process.stdout is not None
        assert json.loads(process.stdout.readline())["url"]
        process.send_signal(number)
        out, err = process.communicate(timeout=PATIENCE_S)
    finally:
        process.kill()
    assert (process.returncode, err) == (exit_codes.DONE, "page ended\n")
    assert json.loads(out) == {"ended": True, "let_go": None}


@pytest.mark.realtime
def test_two_interrupts_while_the_page_is_armed_and_an_arm_moves_end_limp() -> None:
    pytest.importorskip("starlette", reason="the page's libraries are not installed: pip install 'busproto[web]'")
    from websockets.sync.client import connect

    from busproto.web.server.app import PROTOCOL, TOKEN_PREFIX
    from tests.web.helpers import ALL_TICKED, Talk

    line = ["serve", "--port", "sim://rudder-gang?seed=1", "--listen", "127.0.0.1:0", "--no-browser", "--json"]
    process = subprocess.Popen(
        [sys.executable, "-m", "busproto", *line], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    try:
        assert process.stdout is not None
        place, _, token = json.loads(process.stdout.readline())["url"].partition("/#token=")
        protocols = [PROTOCOL, TOKEN_PREFIX + token]
        with connect(
            f"{place.replace('http', 'ws')}/bus",
            origin=place,
            subprotocols=protocols,
            compression=None,
        ) as made:
            page = Talk(made.send, lambda: str(made.recv(PATIENCE_S)))
            page.flow("find")
            page.order("arm", ticked=ALL_TICKED)
            page.wait("arm", lambda body: body["armed"])
            page.order("demand", address=30, fraction=0.3)
            page.wait("pos", lambda body: any(row[1] == "following" for row in body["rows"]))
            process.send_signal(signal.SIGINT)
            process.send_signal(signal.SIGINT)
            out, err = process.communicate(timeout=PATIENCE_S)
    finally:
        process.kill()
    assert process.returncode == exit_codes.DONE, err
    assert "Traceback" not in err
    assert json.loads(out)["let_go"]["limp"] == [30, 31, 32]
