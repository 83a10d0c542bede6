"""Real processes: a bus that runs in one and is asked from another, how it ends, the demo, a reader that goes away."""

from __future__ import annotations

import json
import os
import shlex
import socket
from typing import Any, Final

import pytest

from busproto.cli import exit_codes
from busproto.sim.scene.scenario import load
from tests.cli.helpers import PATIENCE_S, end, run_process, running_bus

SEED: Final = 4
BEHIND: Final = {"pty": ("--pty",), "tcp": ("--tcp", "127.0.0.1:0")}


@pytest.mark.realtime
@pytest.mark.parametrize("behind", BEHIND)
def test_a_bus_in_another_process_is_found_whole_and_ends_when_told(behind: str) -> None:
    with running_bus("tow-plane", *BEHIND[behind], "--seed", str(SEED)) as (process, first_line):
        port = first_line.removeprefix("port: ").strip()
        assert port.startswith("/dev/" if behind == "pty" else "socket://127.0.0.1:")
        found = run_process(["find", "--json", "--latency-ms", "150", "--port", port])  # a busy machine is late
        assert (found.returncode, found.stderr) == (exit_codes.NOT_AS_WANTED, "")
        roster = json.loads(found.stdout)
        assert (roster["port"], roster["proven"], len(roster["clashes"])) == (port, True, 2)
        uids = [uid.hex() for uid in load("tow-plane").uids(SEED).values()]
        assert sorted(one["uid"] for one in roster["actuators"]) == sorted(uids)

        again = run_process(["address", uids[0], "2", "--port", port])  # a second host, after the first has gone
        assert (again.returncode, again.stderr) == (exit_codes.DONE, "")
        shown = run_process(["show", "2", "--json", "--port", port])  # and a third, which finds what that one did
        assert json.loads(shown.stdout)["actuators"][0]["uid"] == uids[0]

        code, said = end(process)
        assert code == exit_codes.DONE
        assert (
            said == "Tow plane, fresh out of the box: 11 actuators at 115200 Bd, seed 4; Ctrl-C ends it.\nbus ended\n"
        )


@pytest.mark.realtime
@pytest.mark.parametrize("behind", BEHIND)
def test_a_bus_ends_by_itself_after_its_time(behind: str) -> None:
    with running_bus("bench-four", *BEHIND[behind], "--for", "0.2", "--json") as (process, first_line):
        _, said = process.communicate(timeout=PATIENCE_S)
        assert (process.returncode, said) == (exit_codes.DONE, "")
    ready = json.loads(first_line)
    assert ready == {"port": ready["port"], "scenario": "bench-four", "seed": 0, "baud": 115_200, "side": None}


@pytest.mark.realtime
def test_a_bus_told_to_end_at_once_ends_well() -> None:
    """Whoever reads the first line may end it: it must be ready for that by then."""
    with running_bus("bench-four", "--tcp", "127.0.0.1:0", "--json") as (process, first_line):
        assert json.loads(first_line)["scenario"] == "bench-four"
        assert end(process) == (exit_codes.DONE, "bus ended\n")


@pytest.mark.realtime
def test_a_port_that_is_taken_is_no_traceback() -> None:
    with running_bus("bench-four", "--tcp", "127.0.0.1:0") as (_, first_line):
        taken = first_line.removeprefix("port: socket://").strip()
        second = run_process(["bus", "run", "twins", "--tcp", taken])
        assert (second.returncode, second.stdout) == (exit_codes.FAILED, "")
        assert second.stderr.startswith(f"busproto: cannot listen at {taken}: ")
        assert second.stderr.count("\n") == 1


@pytest.mark.realtime
def test_what_is_ordered_at_the_side_channel_is_seen_at_the_port() -> None:
    with running_bus("bench-four", "--pty", "--side", "127.0.0.1:0", "--json") as (_, first_line):
        ready = json.loads(first_line)
        second = run_process(["bus", "run", "twins", "--pty", "--side", ready["side"]])
        assert second.returncode == exit_codes.FAILED
        assert second.stderr.startswith(f"busproto: cannot listen at {ready['side']}: ")
        host, _, number = ready["side"].rpartition(":")
        with socket.create_connection((host, int(number)), PATIENCE_S) as side, side.makefile("rw") as lines:
            lines.write("who\n")
            lines.flush()
            first, *others = json.loads(lines.readline())["actuators"]
            lines.write(f"unplug {first['label']}\n")
            lines.flush()
            assert "done" in json.loads(lines.readline())
            found = run_process(["find", "--json", "--port", ready["port"]])
        assert {one["uid"] for one in json.loads(found.stdout)["actuators"]} == {one["uid"] for one in others}


@pytest.mark.realtime
def test_the_demo_does_the_whole_job_and_the_same_again() -> None:
    """Through a real pseudo-terminal. Both runs in one test, as each takes seconds."""
    runs: list[dict[str, Any]] = []
    for _ in range(2):
        done = run_process(["demo", "--json"])
        assert (done.returncode, done.stderr) == (exit_codes.DONE, "")
        runs.append(json.loads(done.stdout))
    walls = [run.pop("wall") for run in runs]
    assert all(wall["port"] for wall in walls)
    assert runs[0] == runs[1]

    demo = runs[0]
    wanted = {row.function: row for row in load("tow-plane").wanted}
    actuators = demo["actuators"]
    assert demo["as_planned"] is True
    assert len(demo["clashes"]) >= 2
    assert all(len(clash["uids"]) >= 2 for clash in demo["clashes"])
    assert len(actuators) == len(wanted) == 11
    assert len({one["uid"] for one in actuators}) == 11
    assert len({one["address"] for one in actuators}) == 11
    for one in actuators:
        row = wanted[one["function"]]
        assert one["address"] == one["planned_address"] == row.address
        assert (one["channel"], one["gang_number"], one["place"]) == (row.channel, row.gang, row.place)
        assert one["loss_action_seen"] == one["loss_action_set"]
        assert one["centred"] is one["supply_fits"] is one["as_planned"] is True
    assert {one["loss_action_seen"] for one in actuators} == {"limp", "hold", "preset"}


@pytest.mark.parametrize(
    "command", ["spec", "--help", "show --port sim://bench-four", "find --json --port sim://twins"]
)
def test_a_reader_that_goes_away_is_no_error(command: str) -> None:
    """As `busproto spec | head -1` does to it."""
    read_end, write_end = os.pipe()
    os.close(read_end)
    try:
        done = run_process(shlex.split(command), stdout=write_end)
    finally:
        os.close(write_end)
    assert (done.returncode, done.stderr) == (exit_codes.DONE, "")
