"""Exit code 2 and 4 say that nothing was changed: over every command that changes something, refused at any moment.

Whatever raises a refusal, and however late: it is told as one only where nothing had been done. The truth is what was
sent, what the actuators hold, and what stands on the disk.
"""

from __future__ import annotations

import json
import re
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import pytest

from busproto import lasting
from busproto.cli import exit_codes
from busproto.cli.common import NotCleared
from busproto.errors import InputError
from busproto.ops.effects import EFFECTS, HARMLESS, effect_of
from busproto.wire.message import REQUESTS
from busproto.wire.messages import NO_DEMAND, ReportRound
from tests.cli import helpers
from tests.cli.change.claim.small_airframe import AIRFRAME, BUS, FLEET, HAND, PLAN, ROLES, UIDS
from tests.cli.helpers import Bench, CommandLine, FakeTerminal, make_bench

PARTED: Final = {"aileron, left": 2, "flap": 10, "rudder, upper": 30, "rudder, lower": 31}
"""Addresses of the plan; the bus of the tests of claim has others, and shared ones."""
SORRY: Final = "no such thing"


@pytest.fixture(autouse=True)
def _files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("fleet.toml").write_text(FLEET, "utf-8")
    Path(PLAN).write_text(AIRFRAME, "utf-8")
    Path("bus.toml").write_text(BUS + HAND, "utf-8")
    parted = re.sub(r"(?m)^address = \d+\n", "", BUS)
    for label, address in PARTED.items():
        parted = parted.replace(f'label = "{label}"\n', f'label = "{label}"\naddress = {address}\n')
    Path("parted.toml").write_text(
        parted.replace('label = "spare"\n', 'label = "spare"\naddress = 60\n') + HAND, "utf-8"
    )
    keep(*UIDS)


def keep(*functions: str) -> None:
    body = {"assignment-of": "small", "format": 1, "uids": {name: UIDS[name] for name in functions}}
    Path(ROLES).write_text(json.dumps(body), "utf-8")


def fresh(monkeypatch: pytest.MonkeyPatch, *, parted: bool = True) -> Bench:
    """The bus anew; `parted`: every actuator at the planned address."""
    return make_bench(monkeypatch, "parted.toml" if parted else "bus.toml")


def on_disk() -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in Path().iterdir()}


def asked_for_more(bench: Bench) -> list[str]:
    """Requests that may change or move something; a round of reports without demands only asks."""
    return [
        type(one).__name__
        for one in bench.requests
        if not isinstance(one, helpers.HARMLESS) and not (isinstance(one, ReportRound) and not one.demands)
    ]


COMMANDS: Final[dict[str, str]] = {
    "address": f"address {UIDS['flap']} 77",
    "set": "set 30 neutral=1.5",
    "set, store": "set 30 neutral=1.5 --store",
    "set, undo": "set 30 --undo factory",
    "move": "move 30 5% --hold 0.1 --clear",
    "move limp": "move 30 limp",
    "claim": f"claim {PLAN} --yes-addresses --patience 0.5",
    "claim anew": f"claim {PLAN} --yes-addresses --again --patience 0.5",
    "claim, one swings": f"claim {PLAN} --nudge 30 --clear",
    "claim, directions": f"claim {PLAN} --directions --went flap planned --clear --yes-addresses",
    "apply": f"apply {PLAN} --yes --despite-errors",
    "trial": f"trial {PLAN} --part centre --clear",
    "trial, direction": f"trial {PLAN} --part direction --went flap planned --clear",
    "save": f"save --airframe {PLAN}",
}


LATE: Final = [(name, InputError) for name in COMMANDS] + [
    (name, NotCleared) for name in ("set, store", "move", "claim, one swings", "apply")
]


@pytest.mark.parametrize(("name", "refusal"), LATE)
def test_a_refusal_that_comes_late_is_a_failure_that_tells_what_was_done(
    cli: CommandLine, monkeypatch: pytest.MonkeyPatch, name: str, refusal: Callable[[str], Exception]
) -> None:
    code_of = {InputError: exit_codes.USAGE, NotCleared: exit_codes.NOT_CLEARED}[refusal]  # type: ignore[index]
    line = f"{COMMANDS[name]} --port any"
    files = on_disk()
    whole = fresh(monkeypatch)
    assert cli(line).code in {exit_codes.DONE, exit_codes.NOT_AS_WANTED}, name
    count = len(whole.frames)
    acts = [at for at, one in enumerate(whole.requests) if effect_of(one)]
    moments = sorted({0, count // 2, *(acts[at] + 1 for at in (0, -1) if acts)} - {count})
    codes = set()
    for moment in moments:
        for path in Path().iterdir():
            path.unlink()
        for file, data in files.items():
            Path(file).write_bytes(data)
        bench = fresh(monkeypatch)
        before, spent = bench.settings(), False

        def refuse(number: int, moment: int = moment) -> None:
            nonlocal spent
            if number == moment and not spent:
                spent = True
                raise refusal(SORRY)

        bench.before_write = refuse
        done = cli(line)
        is_untouched = not asked_for_more(bench) and bench.settings() == before and on_disk() == files
        codes.add(done.code)
        if done.code in {exit_codes.USAGE, exit_codes.NOT_CLEARED}:
            assert done.code == code_of
            assert is_untouched, (moment, asked_for_more(bench))
        elif SORRY in done.err:
            assert done.code == exit_codes.FAILED
            assert "; done until then: " in done.err
    assert code_of in codes, "a refusal at the first request changed nothing"
    assert exit_codes.FAILED in codes or name == "save"


def test_a_file_that_was_written_before_the_refusal_counts_too(cli: CommandLine, bench: Bench) -> None:
    """A claim is forgotten on the disk; then it shows that no actuator with that uid is on the line."""
    done = cli(f"claim {PLAN} --forget flap --nudge c1a10000000001ff --clear --port any --json")
    assert done.code == exit_codes.FAILED
    assert bench.changing == []
    assert f"done until then: '{ROLES}' was written" in done.err
    assert done.json["error"]["exit_code"] == exit_codes.FAILED


def test_every_request_is_known_as_a_question_or_by_what_it_does() -> None:
    assert set(EFFECTS) | HARMLESS == set(REQUESTS.values())
    assert not set(EFFECTS) & HARMLESS
    assert all(EFFECTS.values())
    assert set(helpers.HARMLESS) - HARMLESS <= {ReportRound}  # it may carry demands
    assert effect_of(ReportRound(1, 3, ())) == effect_of(ReportRound(1, 3, (NO_DEMAND,))) == ""
    assert effect_of(ReportRound(1, 3, (NO_DEMAND, 0))) == "demands to move were sent"


def test_an_account_tells_each_thing_once_and_of_many_the_last() -> None:
    lasting.note_act("dropped, as no account is open")
    with lasting.account() as account:
        assert account.told == ""
        for _ in range(2):
            lasting.note_act("moved")
            lasting.note_change("a")
        assert account.told == "moved, a"
        for letter in "bcd":
            lasting.note_change(letter)
        assert account.told == "moved, a, b, c, d"
        lasting.note_change("e")
        assert account.told == "moved, 5 changes, the last: e"


# --- the result is not lost --------------------------------------------------------------------------------------

RESULTS: Final[dict[str, tuple[str, str, str]]] = {
    "trial": (f"trial {PLAN} --part centre --clear", "small.trial.json", "centred at"),
    "trial, direction": (f"trial {PLAN} --part direction --went flap other --clear", "small.trial.json", "other way"),
    "claim": (f"claim {PLAN} --yes-addresses --forget flap", ROLES, "aileron, left"),
    "claim anew": (f"claim {PLAN} --yes-addresses --again", "small.assignment.anew.json", "aileron, left"),
}


@pytest.mark.parametrize("name", RESULTS)
def test_whether_a_result_can_be_kept_is_found_out_before_anything_is_sent(
    cli: CommandLine, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    line, file, _ = RESULTS[name]
    bench = fresh(monkeypatch)
    with monkeypatch.context() as patch:
        patch.setattr(tempfile, "mkstemp", full)
        done = cli(f"{line} --port any")
    assert (done.code, bench.frames) == (exit_codes.USAGE, [])
    assert f"'{file}' cannot be written: No space left on device; nothing was changed" in done.error_line
    if file != ROLES:
        Path(file).mkdir()
        done = cli(f"{line} --port any")
        assert (done.code, bench.changing) == (exit_codes.USAGE, [])
        assert f"'{file}' " in done.error_line


def full(*_: Any, **__: Any) -> Any:
    raise OSError(28, "No space left on device")


@pytest.mark.parametrize("name", RESULTS)
def test_where_writing_fails_all_the_same_the_result_is_printed_and_that_is_said(
    cli: CommandLine, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    line, file, shown = RESULTS[name]
    for extra in ("", " --json"):
        bench = fresh(monkeypatch)
        keep(*UIDS)
        with monkeypatch.context() as patch:

            def disk_fills_up(number: int, patch: pytest.MonkeyPatch = patch) -> None:
                if number == 0:  # behind the look beforehand
                    patch.setattr(tempfile, "mkstemp", full)

            bench.before_write = disk_fills_up
            done = cli(f"{line}{extra} --port any")
        assert done.code == exit_codes.FAILED, done.transcript()
        assert f"'{file}' cannot be written: No space left on device; this result is not kept" in done.err
        assert shown in done.out or extra
        assert not extra or "error" not in done.json


def test_a_capture_that_is_not_whole_is_no_success(cli: CommandLine, monkeypatch: pytest.MonkeyPatch) -> None:
    fresh(monkeypatch)
    from busproto.capture.recorder import PacketWriter

    def put(self: PacketWriter, data: bytes) -> None:
        self.failure = "No space left on device"

    monkeypatch.setattr(PacketWriter, "_put", put)
    done = cli("move 30 5% --hold 1 --clear --capture a.pcapng --port any")
    assert done.code == exit_codes.FAILED
    assert "address 30: arrived at" in done.out
    assert done.err.splitlines()[-1] == "busproto: 'a.pcapng' does not hold everything: No space left on device"


def test_who_says_no_to_the_cautions_finds_nothing_changed(cli: CommandLine, monkeypatch: pytest.MonkeyPatch) -> None:
    """By nudge scratch addresses are needed too; they are not written before the cautions are answered."""
    bench = fresh(monkeypatch, parted=False)
    monkeypatch.setattr(sys, "stdin", FakeTerminal("n\n"))
    done = cli(f"claim {PLAN} --by-nudge --yes-addresses --port any")
    assert (done.code, bench.changing) == (exit_codes.NOT_CLEARED, [])
