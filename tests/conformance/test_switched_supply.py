"""A side channel of one's own, as for real hardware: only the supply is switched, by one output."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from busproto.conformance.side import Beside, SideRefusedError, TcpSide
from busproto.conformance.targets import UID
from busproto.examples import switched_supply
from busproto.examples.switched_supply import Switch, served
from tests.cli.helpers import running_bus
from tests.conformance.helpers import run
from tests.conformance.test_targets import SCENARIO


class Output:
    """An output that keeps what it was set to, and tells it on."""

    def __init__(self, changed: Callable[[bool], object] = lambda _: None) -> None:
        self.levels: list[bool] = []
        self._changed = changed

    @property
    def rts(self) -> bool:
        return self.levels[-1]

    @rts.setter
    def rts(self, level: bool) -> None:
        self.levels.append(level)
        self._changed(level)


@contextmanager
def running(switch: Switch) -> Iterator[str]:
    """The server in a thread; gives HOST:PORT."""
    with served(switch, "127.0.0.1", 0) as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        try:
            yield f"127.0.0.1:{server.server_address[1]}"
        finally:
            server.shutdown()
            thread.join()


@pytest.mark.parametrize("inverted", [False, True])
def test_the_output_follows_and_power_is_on_at_first(inverted: bool) -> None:
    output = Output()
    with running(Switch(output, inverted=inverted)) as name:
        side = TcpSide(name)
        beside = Beside(side, UID)
        assert beside.words == {"able", "who", "plug", "unplug"}
        assert beside.is_powered
        beside.order("unplug")
        assert not beside.is_powered
        beside.order("plug")
        with pytest.raises(SideRefusedError, match="'heard' is no command; the commands are: able, who, plug, unplug"):
            side.follow("heard 0")
        side.close()
    assert output.levels == [level != inverted for level in (True, False, True)]


def test_bad_input_is_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    assert switched_supply.main(["/dev/none", "127.0.0.1:0"]) == 1
    assert switched_supply.main(["loop://", "here"]) == 1
    assert switched_supply.main(["loop://", "0.0.0.0:0"]) == 1
    said = capsys.readouterr().err.splitlines()
    assert len(said) == 3
    assert all(line.startswith("switched_supply: ") for line in said)


@pytest.mark.realtime
def test_power_is_lost_in_the_middle_of_a_write_by_one_output_alone(tmp_path: Path) -> None:
    scenario = tmp_path / "one.toml"
    scenario.write_text(SCENARIO, "utf-8")
    with running_bus(str(scenario), "--pty", "--side", "127.0.0.1:0", "--json") as (_, first_line):
        ready = json.loads(first_line)
        side = TcpSide(ready["side"])
        relay = Output(lambda level: side.follow(f"{'plug' if level else 'unplug'} under test"))
        with running(Switch(relay)) as name:
            arguments = [f"--dut={ready['port']}", f"--dut-side={name}", "--all-clear", "--dut-clause=does.copies"]
            ran = run(tmp_path, *arguments, "--dut-clause=find.jitter")
        side.close()
    assert ran.code == 0, ran.text
    assert ran.verdicts["test_power_cut_at_any_moment_of_a_commit"][0] == "passed"
    assert ran.clauses("passed") >= {"does.copies", "does.commit"}
    assert "the side channel does not follow: heard" in ran.text
    assert relay.levels.count(False) >= 16
