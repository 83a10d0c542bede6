"""What the plan must not be done to: wrong hardware, and places that were not claimed."""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path
from typing import Any

import pytest

from busproto.cli import exit_codes
from busproto.plan.hardware import Difference, hardware_differences, harm_of
from busproto.plan.load import load
from busproto.wire.frame import UNADDRESSED
from busproto.wire.messages import Description
from tests.cli.change.hardware.four_actuators import (
    APPLY,
    HARM,
    MAY_FAIL,
    OTHER_FIRMWARE,
    PACK_OFF,
    PLAN,
    SUPPLY_OFF,
    UIDS,
    keep,
    on_bus,
    written_to,
)
from tests.cli.helpers import CommandLine, FakeTerminal

# --- the comparison ----------------------------------------------------------------------------------------------


def description(**changes: Any) -> Description:
    from tests.ops.helpers import box

    on = box()
    on.add(1, 1)
    from busproto.ops.survey import read_snapshot

    found = on.run(read_snapshot(1)).description
    return Description(**{**{name: getattr(found, name) for name in found.__dataclass_fields__}, **changes})


@pytest.mark.parametrize(
    ("low_mv", "high_mv", "supply_mv", "said"),
    [
        (4800, 8400, 7000, []),
        (4800, 8399, None, [f"rating: rated 4.8..8.399 V, planned for a pack of 8.4 V ({PACK_OFF})"]),
        (6600, 8400, None, []),
        (6601, 8400, None, [f"rating: rated 6.601..8.4 V, planned for a pack that goes down to 6.6 V ({MAY_FAIL})"]),
        (4800, 8400, 8401, [f"supply: 8.40 V, planned within 4.8..8.4 V ({SUPPLY_OFF})"]),
        (4800, 8400, 8400, []),
        (4800, 8400, 4800, []),
        (4800, 8400, 4799, ["supply: 4.80 V, planned within 4.8..8.4 V"]),
    ],
)
def test_the_rating_is_held_against_pack_and_supply_to_the_millivolt(
    low_mv: int, high_mv: int, supply_mv: int | None, said: list[str]
) -> None:
    plan = load(PLAN)
    of = description(supply_min_mv=low_mv, supply_max_mv=high_mv)
    found = [one for one in hardware_differences(plan, plan.role("alpha"), of, supply_mv) if one.name != "model"]
    assert [one.text for one in found if one.name in {"rating", "supply"}] == said
    assert not any(one.can_be_applied for one in found)
    harmed = harm_of(plan, of, 9, supply_mv)
    assert (harmed is not None) == any(one.harms for one in found) == any("harms" in one for one in said)


def test_of_an_actuator_that_the_pack_harms_the_supply_is_told_only_where_it_is_too_high_as_well() -> None:
    plan = load(PLAN)
    of = description(supply_min_mv=4800, supply_max_mv=7400)  # the plan's pack has 8.4 V
    told = {supply_mv: harm_of(plan, of, 9, supply_mv) for supply_mv in (None, 7399, 7400, 7401)}
    assert {supply_mv: one.supply_mv for supply_mv, one in told.items() if one is not None} == {
        None: None,
        7399: None,
        7400: None,
        7401: 7401,
    }


def test_what_harms_is_one_line_that_names_who_where_and_by_how_much() -> None:
    plan = load(PLAN)
    of = description(supply_min_mv=4800, supply_max_mv=7400)
    both = harm_of(plan, of, 9, 8204, "delta")
    assert both is not None
    assert both.text == (
        f"TAKE THE SUPPLY OFF: delta ({of.uid.hex()}, address 9) is rated 4.8..7.4 V; the pack has 8.4 V when it is "
        "full and it has 8.20 V now. That harms it."
    )
    assert both.as_json() == {
        "uid": of.uid.hex(),
        "address": 9,
        "function": "delta",
        "rated_v": [4.8, 7.4],
        "pack_v": 8.4,
        "supply_v": 8.204,
    }
    unknown = harm_of(plan, of, UNADDRESSED, 7000)
    assert unknown is not None
    assert unknown.text.startswith(f"TAKE THE SUPPLY OFF: {of.uid.hex()}, without an address, is rated")
    assert (unknown.as_json()["supply_v"], unknown.as_json()["address"]) == (None, None)
    assert Difference("a", "b", "c").text == "a: b, planned c"


# --- said first, asked for, left alone ---------------------------------------------------------------------------


@pytest.mark.parametrize("line", [f"audit {PLAN}", f"apply {PLAN} --yes --wrong-hardware leave", f"claim {PLAN}"])
@pytest.mark.parametrize("extra", ["", " --json"])
def test_whom_the_pack_harms_is_said_before_anything_else(
    cli: CommandLine, monkeypatch: pytest.MonkeyPatch, line: str, extra: str
) -> None:
    keep(*UIDS)
    on_bus(monkeypatch)
    done = cli(f"{line}{extra} --port any")
    assert done.code == exit_codes.NOT_AS_WANTED
    assert done.err.splitlines()[0] == HARM.format(who=f"delta ({UIDS['delta']}, address 4)")
    if extra:
        (harmed,) = done.json["harmed"]
        assert (harmed["function"], harmed["pack_v"], harmed["supply_v"]) == ("delta", 8.4, None)


def test_harm_is_said_also_where_the_search_is_not_proven_and_before_questions(
    cli: CommandLine, monkeypatch: pytest.MonkeyPatch
) -> None:
    keep(*UIDS)
    bench = on_bus(monkeypatch)
    monkeypatch.setattr(sys, "stdin", FakeTerminal("n\n"))
    done = cli(APPLY)
    assert done.code == exit_codes.NOT_CLEARED
    lines = done.err.splitlines()
    assert lines[0].startswith("TAKE THE SUPPLY OFF: delta")
    assert lines[1] == OTHER_FIRMWARE
    assert lines[2].startswith("Not the hardware of the plan: delta: model: bench 15, planned bench 25; rating: ")
    assert lines[3].startswith("Write to these 2 all the same? [y/N]")
    assert bench.changing == []


def test_wrong_hardware_is_not_written_to_unless_that_is_said(
    cli: CommandLine, monkeypatch: pytest.MonkeyPatch
) -> None:
    keep(*UIDS)
    bench = on_bus(monkeypatch)
    refused = cli(f"{APPLY} --yes --json")
    assert refused.code == exit_codes.NOT_CLEARED
    assert (
        "--wrong-hardware leave does the others, --wrong-hardware write writes to all" in refused.json["error"]["text"]
    )
    assert bench.changing == []
    left = cli(f"{APPLY} --yes --wrong-hardware leave --json")
    assert left.code == exit_codes.NOT_AS_WANTED
    assert written_to(bench) == {"alpha", "bravo"}
    assert [one["function"] for one in left.json["wrong_hardware"]] == ["charlie", "delta"]
    assert left.json["wrong_hardware"][0]["reasons"] == ["firmware: 1.9, planned 2.4"]
    bench.frames.clear()
    wrote = cli(f"{APPLY} --yes --wrong-hardware write --json")
    assert wrote.code == exit_codes.NOT_AS_WANTED
    assert written_to(bench) == {"charlie", "delta"}
    assert {one["name"] for one in wrote.json["left"]} == {"firmware", "model", "rating"}
    bench.frames.clear()
    nothing = cli(f"{APPLY} --yes")  # nothing is to be written to them any more: no question
    assert (nothing.code, written_to(bench)) == (exit_codes.NOT_AS_WANTED, set())
    assert "Write to" not in nothing.err


def test_yes_at_the_terminal_writes_to_them(cli: CommandLine, monkeypatch: pytest.MonkeyPatch) -> None:
    keep(*UIDS)
    bench = on_bus(monkeypatch)
    monkeypatch.setattr(sys, "stdin", FakeTerminal("y\ny\n"))
    assert cli(APPLY).code == exit_codes.NOT_AS_WANTED
    assert written_to(bench) == set(UIDS)


def test_one_that_is_left_loses_an_address_that_another_needs_and_is_named(
    cli: CommandLine, monkeypatch: pytest.MonkeyPatch
) -> None:
    keep(*UIDS)
    bench = on_bus(monkeypatch, bravo=9, delta=2)
    done = cli(f"{APPLY} --yes --wrong-hardware leave --json")
    assert done.code == exit_codes.NOT_AS_WANTED
    parked = done.json["changes"][0]
    assert (parked["kind"], parked["function"], parked["was_address"]) == ("park", "delta", 2)
    assert (bench.actuator("delta").address, bench.actuator("bravo").address) == (UNADDRESSED, 2)
    assert written_to(bench) == {"alpha", "bravo"}


def test_what_can_be_read_only_behind_its_address_is_held_against_the_plan_there(
    cli: CommandLine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two share an address, so neither can be read: they are parted, and then the wrong one is left."""
    keep(*UIDS)
    bench = on_bus(monkeypatch, bravo=4)
    done = cli(f"{APPLY} --yes --wrong-hardware leave")
    assert done.code == exit_codes.NOT_AS_WANTED
    assert {one.label: one.address for one in bench.bus.actuators} == {"alpha": 1, "bravo": 2, "charlie": 3, "delta": 4}
    assert written_to(bench) == {"alpha", "bravo"}
    assert "not set, as it is not the hardware of the plan: delta: model: bench 15, planned bench 25" in " ".join(
        done.out.split()
    )
    assert HARM.format(who=f"delta ({UIDS['delta']}, address 4)") in done.err
    journal = Path("four.journal.jsonl").read_text("utf-8").splitlines()
    assert json.loads(journal[-1])["text"].endswith("; not set: delta")


def test_none_claimed_is_said_and_not_taken_for_agreed(cli: CommandLine, monkeypatch: pytest.MonkeyPatch) -> None:
    keep("bravo")
    bench = on_bus(monkeypatch)
    line = f"{APPLY} --yes --wrong-hardware leave"
    refused = cli(line)
    assert refused.code == exit_codes.NOT_CLEARED
    assert re.findall(r"^  (\w+): (\w+)$", refused.err, re.MULTILINE) == [
        (name, UIDS[name]) for name in ("alpha", "charlie", "delta")
    ]
    assert "--by-address answers beforehand; 'busproto claim' learns it by hand" in refused.err
    assert bench.changing == []
    agreed = cli(f"{line} --by-address --json")
    assert agreed.code == exit_codes.NOT_AS_WANTED
    assert agreed.json["by_address"] == ["alpha", "charlie", "delta"]
    assert written_to(bench) == {"alpha", "bravo"}
    again = cli(line)  # nothing to write: said, not asked
    assert "Never claimed, known by address alone" in again.err
    assert again.code == exit_codes.NOT_AS_WANTED
