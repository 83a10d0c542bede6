"""``busproto claim`` by hand: what is asked and said, what is kept, what needs a yes; keys meanwhile."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from busproto.cli import exit_codes
from busproto.cli.change.claim_talk import KEYS_TEXT, Keys
from busproto.errors import PortClosedError
from busproto.plan.claim_words import LIMP_TEXT
from busproto.wire.messages import LIMP_STATES, Assign, Commit, Engage, ShowYourself, Write
from tests.cli.change.claim.small_airframe import (
    ADVICE,
    OFFERED,
    PLAN,
    ROLES,
    SCRATCH,
    UIDS,
    WITH_HAND,
    WITHOUT,
    keep,
    kept,
    seen_limp,
)
from tests.cli.helpers import Bench, CommandLine, FakeTerminal, make_bench

# --- by hand ---------------------------------------------------------------------------------------------------


def test_what_a_person_sees_from_begin_to_end(cli: CommandLine) -> None:
    result = cli(f"{WITH_HAND} --yes-addresses")
    assert result.code == exit_codes.DONE
    assert result.err == (
        OFFERED
        + f"""\
{LIMP_TEXT}
[1/3] Move by hand: aileron, left
  aileron, left: c1a1000000000101, moved +15.0 deg
[2/3] Move by hand: flap (trailing edge down)
  That is 'aileron, left' (already claimed). Wanted is: flap.
  flap: c1a1000000000102, moved +12.0 deg
  LOOK: {ADVICE}
[3/3] Move by hand: rudder (2 actuators)
  Only 1 of 2 moved: c1a1000000000103 (address 30).
  Once more, please, and farther. Skip it where they are not linked to the surface yet: --by-nudge claims those.
  rudder, upper: c1a1000000000103, moved +15.0 deg
  rudder, lower: c1a1000000000104, moved +10.0 deg
  Nothing tells these apart: they are taken in the order of uid.
  To exchange two: busproto claim small.toml --exchange 'rudder, upper' 'rudder, lower'
"""
    )
    assert [" ".join(line.split()) for line in result.out.splitlines()] == [
        "function uid address now planned model",
        "aileron, left c1a1000000000101 239 (EF) 2 (02) bench 25",
        "flap c1a1000000000102 238 (EE) 10 (0A) bench 25",
        "rudder, upper c1a1000000000103 30 (1E) 30 (1E) bench 25",
        "rudder, lower c1a1000000000104 237 (ED) 31 (1F) bench 25",
        "Not claimed: c1a1000000000105, address 60 (3C), bench 25",
        ADVICE,
        "All 4 functions are claimed, kept in small.assignment.json.",
        "Next: busproto audit small.toml --port 'sim://bus-hand.toml?seed=1'",
        "Next: busproto apply small.toml --port 'sim://bus-hand.toml?seed=1'",
        "All 5 known actuators were seen limp.",
    ]
    assert kept() == UIDS


def test_the_same_for_scripts(cli: CommandLine) -> None:
    result = cli(f"{WITH_HAND} --yes-addresses --json")
    assert result.code == exit_codes.DONE
    address = {"aileron, left": 239, "flap": 238, "rudder, upper": 30, "rudder, lower": 237}
    planned = {"aileron, left": 2, "flap": 10, "rudder, upper": 30, "rudder, lower": 31}
    assert result.json == {
        "harmed": [],
        "airframe": "small",
        "functions": [
            {
                "function": name,
                "uid": uid,
                "address": address[name],
                "planned_address": planned[name],
                "model": "bench 25",
                "on_line": True,
            }
            for name, uid in UIDS.items()
        ],
        "open": [],
        "unclaimed": [{"uid": "c1a1000000000105", "address": 60, "model": "bench 25"}],
        "silent": [],
        "scratch": SCRATCH,
        "unwatched": [],
        "advice": [ADVICE],
        "stopped": False,
        "proven": True,
        "reason": "",
        "unfit": [],
        "directions": [],
        "in_force": True,
        "kept": None,
        "let_go": seen_limp(30, 60, 237, 238, 239),
    }


def test_only_scratch_addresses_are_written_and_nothing_is_driven(cli: CommandLine, handed: Bench) -> None:
    assert cli(f"claim {PLAN} --yes-addresses --port any").code == exit_codes.DONE
    assert not any(isinstance(request, Engage | Write | Commit) for request in handed.requests)
    given = {request.uid.hex(): request.address for request in handed.requests if isinstance(request, Assign)}
    assert given == {row["uid"]: row["address"] for row in SCRATCH}
    assert all(one.state in LIMP_STATES for one in handed.bus.actuators)
    assert sum(isinstance(request, ShowYourself) for request in handed.requests) == 4


def test_where_no_person_can_agree_to_addresses_none_is_written(cli: CommandLine, bench: Bench) -> None:
    result = cli(f"claim {PLAN} --port any --json")
    assert result.code == exit_codes.NOT_CLEARED
    said = "scratch addresses cannot be agreed to without a terminal (--yes-addresses agrees beforehand); "
    said += "nothing was written"
    assert result.err == f"{OFFERED}busproto: {said}\n"
    assert result.json["error"] == {"kind": "NotCleared", "text": said, "exit_code": exit_codes.NOT_CLEARED}
    assert bench.changing == []
    assert not Path(ROLES).exists()


def test_who_says_no_to_addresses_goes_on_with_the_others(
    cli: CommandLine, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", FakeTerminal("n\n"))
    result = cli(f"claim {PLAN} --port any --json --patience 1")
    assert result.code == exit_codes.NOT_AS_WANTED
    assert "Not given: these cannot be watched." in result.err
    assert result.json["unwatched"] == [row["uid"] for row in SCRATCH]
    assert [one["uid"] for one in result.json["unclaimed"]] == [UIDS["rudder, upper"], "c1a1000000000105"]
    assert result.json["open"] == list(UIDS)
    assert not any(isinstance(request, Assign) for request in bench.requests)


def test_without_a_hand_all_stays_open_after_its_patience(cli: CommandLine) -> None:
    result = cli(f"{WITHOUT} --yes-addresses --patience 2")
    assert result.code == exit_codes.NOT_AS_WANTED
    assert [line for line in result.err.splitlines() if "No movement" in line] == [
        f"  No movement: {name} stays open." for name in ("aileron, left", "flap", "rudder")
    ]
    assert "Open: 'aileron, left', 'flap', 'rudder, upper', 'rudder, lower'" in result.out
    assert "To go on: busproto claim small.toml --port 'sim://bus.toml?seed=1'" in result.out
    assert not Path(ROLES).exists()


def test_what_is_claimed_is_not_asked_for_again(cli: CommandLine) -> None:
    keep(*UIDS)
    result = cli(f"{WITHOUT} --yes-addresses")
    assert result.code == exit_codes.DONE
    assert "4 of 4 functions are claimed already; going on (--again starts anew)." in result.err
    assert "Move by hand" not in result.err


def test_again_starts_anew_but_loses_nothing_before_the_first_claim(cli: CommandLine) -> None:
    keep("flap", "aileron, left")
    assert cli(f"{WITHOUT} --yes-addresses --again --patience 0.5").code == exit_codes.NOT_AS_WANTED
    assert set(kept()) == {"flap", "aileron, left"}
    result = cli(f"{WITH_HAND} --yes-addresses --again")
    assert result.err.count("Move by hand") == 3
    assert kept() == UIDS


def test_a_claim_can_be_forgotten(cli: CommandLine) -> None:
    keep(*UIDS)
    result = cli(f"{WITHOUT} --yes-addresses --forget flap --patience 0.5 --json")
    assert result.code == exit_codes.NOT_AS_WANTED
    assert result.json["open"] == ["flap"]
    assert set(kept()) == set(UIDS) - {"flap"}


def test_a_claimed_one_that_is_not_there_is_said_and_no_success(cli: CommandLine) -> None:
    keep(*UIDS)
    text = Path(ROLES).read_text("utf-8").replace(UIDS["flap"], "c1a10000000001ff")
    Path(ROLES).write_text(text, "utf-8")
    result = cli(f"{WITHOUT} --yes-addresses")
    assert result.code == exit_codes.NOT_AS_WANTED
    assert (
        "  flap: c1a10000000001ff cannot be asked now; if it was replaced: busproto claim small.toml --forget flap"
        in result.err
    )
    assert "Open: 'flap' (its actuator is not there)" in result.out


@pytest.mark.parametrize("at_show", [1, 2, 3])
def test_interrupted_it_says_what_is_kept_and_goes_on(cli: CommandLine, handed: Bench, at_show: int) -> None:
    def kill(_: int) -> None:
        if sum(isinstance(request, ShowYourself) for request in handed.requests) == at_show:
            raise KeyboardInterrupt

    handed.before_write = kill
    result = cli(f"claim {PLAN} --yes-addresses --port any")
    assert result.code == exit_codes.INTERRUPTED
    last = result.err.splitlines()[-1]
    assert last.startswith("busproto: interrupted; ")
    assert "what was claimed is kept in 'small.assignment.json'; run the command again to go on" in last
    done = kept()
    assert done.items() <= UIDS.items()
    assert len(done) == (1, 2, 4)[at_show - 1]

    with pytest.MonkeyPatch.context() as patch:  # the bus anew, with a hand that begins from the beginning
        make_bench(patch, "bus-hand.toml")
        again = cli(f"claim {PLAN} --yes-addresses --port any")
    assert again.code == exit_codes.DONE
    assert kept() == UIDS
    assert f"{len(done)} of 4 functions are claimed already" in again.err
    assert again.err.count("Move by hand") == (2, 1, 0)[at_show - 1]


def test_a_port_that_goes_away_is_told_with_what_is_kept(cli: CommandLine, handed: Bench) -> None:
    """Only what was kept is said to be: before the first claim nothing is."""
    handed.vanish_at(100)
    early = cli(f"claim {PLAN} --yes-addresses --port any")
    assert early.err.rstrip().endswith("; nothing had been claimed")
    assert not Path(ROLES).exists()

    def gone_behind_the_first_claim(_: int) -> None:
        if Path(ROLES).exists():
            raise PortClosedError(handed.url, "device disconnected")

    handed.before_write = gone_behind_the_first_claim
    result = cli(f"claim {PLAN} --yes-addresses --port any")
    assert result.code == exit_codes.FAILED
    last = result.err.splitlines()[-1]
    assert "went away" in last
    assert "what was claimed is kept in 'small.assignment.json'" in last


# --- keys ------------------------------------------------------------------------------------------------------


def test_keys_at_a_real_terminal(cli: CommandLine, terminal: int) -> None:
    os.write(terminal, b"y\n")  # the addresses
    os.write(terminal, b"S\nwhat\nu\nq\n")
    result = cli(f"{WITHOUT} --json")
    assert result.code == exit_codes.NOT_AS_WANTED
    behind = result.err.partition(LIMP_TEXT)[2]
    assert (
        behind
        == f"""
{KEYS_TEXT}
[1/3] Move by hand: aileron, left
  Skipped: aileron, left stays open.
[2/3] Move by hand: flap (trailing edge down)
{KEYS_TEXT}
  Nothing was claimed in this run.
[2/3] Move by hand: flap (trailing edge down)
"""
    )
    assert result.json["stopped"] is True


def test_the_end_of_the_input_ends_the_command(cli: CommandLine, terminal: int) -> None:
    os.write(terminal, b"\x04")
    result = cli(f"{WITHOUT} --yes-addresses --json")
    assert (result.code, result.json["stopped"]) == (exit_codes.NOT_AS_WANTED, True)


def test_keys_come_in_pieces_and_in_heaps() -> None:
    pieces = iter(["", "u", "", "\ns\nsk", "", "", "\nQ \n", "", None])
    keys = Keys(lambda: next(pieces))
    assert [keys.decide() for _ in range(9)] == [None, None, None, "undo", "skip", None, None, "stop", "stop"]
    assert Keys(None).decide() is None
