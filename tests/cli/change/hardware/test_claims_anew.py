"""Claims of wrong hardware, and claims that are begun anew: the earlier ones stay in force."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import pytest

from busproto.cli import exit_codes
from busproto.plan.assignment import assignment_path, load_assignment, put_in_force, save_assignment
from busproto.plan.load import Plan, load
from busproto.wire.messages import Engage, ShowYourself
from tests.cli.change.hardware.four_actuators import (
    DRAFT,
    HAND,
    HARM,
    PLAN,
    ROLES,
    UIDS,
    keep,
    kept,
    on_bus,
)
from tests.cli.helpers import CommandLine, FakeTerminal, make_bench

# --- claim -------------------------------------------------------------------------------------------------------


def test_a_claim_of_wrong_hardware_is_kept_said_and_no_success(
    cli: CommandLine, monkeypatch: pytest.MonkeyPatch
) -> None:
    on_bus(monkeypatch, hand=True)
    done = cli(f"claim {PLAN} --json --port any")
    assert done.code == exit_codes.NOT_AS_WANTED
    assert kept() == UIDS
    assert [(one["function"], one["name"], one["found"], one["planned"]) for one in done.json["unfit"]] == [
        ("charlie", "firmware", "1.9", "2.4"),
        ("delta", "model", "bench 15", "bench 25"),
        ("delta", "rating", "rated 4.8..7.4 V", "for a pack of 8.4 V"),
    ]
    assert "  LOOK: charlie: firmware: 1.9, planned 2.4" in done.err
    text = cli(f"claim {PLAN} --port any").out
    assert "Not the hardware of the plan: charlie: firmware: 1.9, planned 2.4" in text


def test_one_that_the_pack_harms_is_not_swung(cli: CommandLine, monkeypatch: pytest.MonkeyPatch) -> None:
    bench = on_bus(monkeypatch)
    done = cli(f"claim {PLAN} --nudge 4 --clear --port any")
    assert done.code == exit_codes.USAGE
    assert done.error_line == HARM.format(who=f"{UIDS['delta']}, address 4,") + " Nothing was moved"
    monkeypatch.setattr(sys, "stdin", FakeTerminal("1\n1\n1\n"))
    done = cli(f"claim {PLAN} --by-nudge --clear --port any")
    assert done.code == exit_codes.NOT_AS_WANTED
    assert f"  {UIDS['delta']}: it is not moved: TAKE THE SUPPLY OFF" in done.err
    swung = {frame.destination for frame, one in zip(bench.frames, bench.requests, strict=True)
             if isinstance(one, Engage | ShowYourself)}  # fmt: skip
    assert swung == {1, 2, 3}


def test_anew_the_earlier_claims_are_in_force_until_the_new_ones_are_whole(
    cli: CommandLine, monkeypatch: pytest.MonkeyPatch
) -> None:
    earlier = {"alpha": UIDS["delta"], "delta": UIDS["alpha"]}
    ROLES.write_text(json.dumps({"assignment-of": "four", "format": 1, "uids": earlier}), "utf-8")
    before = ROLES.read_bytes()
    bench = on_bus(monkeypatch, hand=True)

    def stop_behind_the_second(_: int) -> None:
        if sum(isinstance(one, ShowYourself) for one in bench.requests) == 2:
            raise KeyboardInterrupt

    bench.before_write = stop_behind_the_second
    done = cli(f"claim {PLAN} --again --port any")
    assert done.code == exit_codes.INTERRUPTED
    assert "is kept in 'four.assignment.anew.json'; the claims before are in force still" in done.err
    assert ROLES.read_bytes() == before
    assert kept(DRAFT) == {name: UIDS[name] for name in ("alpha", "bravo")}

    on_bus(monkeypatch)  # without a hand: an ordinary claim goes on with what is in force
    plain = cli(f"claim {PLAN} --patience 0.5 --json --port any")
    assert "A claim that was begun anew is unfinished, in 'four.assignment.anew.json'" in plain.err
    assert {one["function"]: one["uid"] for one in plain.json["functions"] if one["uid"]} == earlier
    part = cli(f"claim {PLAN} --again --patience 0.5 --port any")
    assert part.code == exit_codes.NOT_AS_WANTED
    assert "Open: 'charlie', 'delta'" in part.out
    assert f"busproto claim {PLAN} --put-in-force" in part.out
    assert ROLES.read_bytes() == before

    text = Path("bus.toml").read_text("utf-8") + HAND.replace("move = { alpha", "bump = true\nmove = { alpha").replace(
        "move = { bravo", "bump = true\nmove = { bravo"
    )
    Path("bus.toml").write_text(text, "utf-8")
    make_bench(monkeypatch, "bus.toml")
    whole = cli(f"claim {PLAN} --again --json --port any")
    assert "2 of 4 functions are claimed already; going on (take the file away to begin from nothing)." in whole.err
    assert (whole.json["in_force"], whole.json["kept"], whole.json["open"]) == (True, "four.assignment.1.json", [])
    assert kept() == UIDS
    assert Path("four.assignment.1.json").read_bytes() == before
    assert not DRAFT.exists()


def test_what_is_begun_anew_can_take_its_place_as_it_is(cli: CommandLine) -> None:
    keep(*UIDS)
    refused = cli(f"claim {PLAN} --put-in-force")
    assert (refused.code, kept()) == (exit_codes.USAGE, UIDS)
    assert "there is no claim begun anew: 'four.assignment.anew.json' is not there" in refused.error_line
    keep("bravo", path=DRAFT)
    done = cli(f"claim {PLAN} --put-in-force")
    assert done.code == exit_codes.NOT_AS_WANTED
    assert done.out == "1 of 4 functions are claimed; the claims before are kept in four.assignment.1.json\n"
    assert (kept(), kept(Path("four.assignment.1.json"))) == ({"bravo": UIDS["bravo"]}, UIDS)


def test_to_forget_and_begin_anew_loses_no_claim(cli: CommandLine, monkeypatch: pytest.MonkeyPatch) -> None:
    keep(*UIDS)
    on_bus(monkeypatch)
    assert cli(f"claim {PLAN} --again --forget alpha --patience 0.5 --port any").code == exit_codes.NOT_AS_WANTED
    assert kept() == UIDS
    assert cli(f"claim {PLAN} --again --exchange alpha bravo").code == exit_codes.USAGE  # neither is in the draft
    assert kept() == UIDS


@pytest.mark.parametrize("at", range(4))
def test_a_change_of_force_that_is_cut_off_leaves_one_whole(at: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Copy, write, take away: cut before each of them, what is in force is the earlier or the new claim, whole."""
    plan: Plan = load(PLAN)
    keep(*UIDS)
    keep("bravo", path=DRAFT)
    from busproto.plan import assignment

    calls = 0

    def cut(real: Any) -> Any:
        def call(*args: Any, **kwargs: Any) -> Any:
            nonlocal calls
            calls += 1
            if calls == at:
                raise KeyboardInterrupt
            return real(*args, **kwargs)

        return call

    with monkeypatch.context() as patch:
        for name in ("keep_numbered", "write_whole"):
            patch.setattr(assignment, name, cut(getattr(assignment, name)))
        patch.setattr(Path, "unlink", cut(Path.unlink))
        if at:
            with pytest.raises(KeyboardInterrupt):
                put_in_force(plan)
        else:
            put_in_force(plan)
    assert kept() == (UIDS if at in {1, 2} else {"bravo": UIDS["bravo"]})
    assert DRAFT.exists() == (at > 0)
    if at:
        put_in_force(plan)
    assert kept() == {"bravo": UIDS["bravo"]}
    assert UIDS in [kept(path) for path in Path().glob("four.assignment.[0-9].json")]
    assert load_assignment(plan) == {"bravo": bytes.fromhex(UIDS["bravo"])}
    assert assignment_path(plan, draft=True).name == save_assignment(plan, {}, draft=True).name == DRAFT.name
