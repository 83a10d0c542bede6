"""What the plan must not be done to: wrong hardware, and places that no one claimed; and claims that are begun anew.

The bus has one of another model, one of an older firmware and one that the pack harms; its ratings are data of our own.
"""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path
from typing import Any, Final

import pytest

from busproto.cli import exit_codes
from busproto.plan.assignment import assignment_path, load_assignment, put_in_force, save_assignment
from busproto.plan.card.card import Verdict
from busproto.plan.card.card_html import SIGNS
from busproto.plan.hardware import Difference, hardware_differences, harm_of
from busproto.plan.load import Plan, load
from busproto.wire.frame import UNADDRESSED
from busproto.wire.messages import LIMP_STATES, Assign, Commit, Description, Engage, ShowYourself, Write
from tests.cli.helpers import Bench, CommandLine, FakeTerminal, make_bench

FLEET: Final = """
fleet-map = 1
title = "fleet"
[settings]
under-voltage = 5.0
[function]
alpha = { address = 1, channel = 1 }
bravo = { address = 2, channel = 2 }
charlie = { address = 3, channel = 3 }
delta = { address = 4, channel = 4 }
"""
AIRFRAME: Final = """
airframe = 1
title = "four"
fleet-map = "fleet.toml"
[supply]
full = 8.4
empty = 6.6
[function.alpha]
model = "bench 25"
firmware = "2.4"
positive = "trailing edge down"
[function.bravo]
model = "bench 25"
firmware = "2.4"
[function.charlie]
model = "bench 25"
firmware = "2.4"
[function.delta]
model = "bench 25"
firmware = "2.4"
"""
BUS: Final = """
title = "four"
supply = 7.0
[limits]
nodes = 8
frames = 1_000_000
seconds = 14_400
[model."bench 25"]
firmware = "2.4"
supply = [4.8, 8.4]
[model.old]
name = "bench 25"
firmware = "1.9"
supply = [4.8, 8.4]
[model."bench 15"]
firmware = "2.4"
supply = [4.8, 7.4]
[[actuator]]
label = "alpha"
model = "bench 25"
uid = "a1a1000000000001"
address = 1
[[actuator]]
label = "bravo"
model = "bench 25"
uid = "a1a1000000000002"
address = BRAVO
[[actuator]]
label = "charlie"
model = "old"
uid = "a1a1000000000003"
address = 3
[[actuator]]
label = "delta"
model = "bench 15"
uid = "a1a1000000000004"
address = DELTA
"""
HAND: Final = """
[hand]
patience = 3
[[hand.step]]
move = { alpha = 15.0 }
[[hand.step]]
move = { bravo = 10.0 }
[[hand.step]]
move = { charlie = 12.0 }
[[hand.step]]
move = { delta = 15.0 }
"""
UIDS: Final = {
    name: f"a1a100000000000{number}" for number, name in enumerate(("alpha", "bravo", "charlie", "delta"), 1)
}
PLAN: Final = "four.toml"
ROLES: Final = Path("four.assignment.json")
DRAFT: Final = Path("four.assignment.anew.json")
HARM: Final = "TAKE THE SUPPLY OFF: {who} is rated 4.8..7.4 V; the pack has 8.4 V when it is full. That harms it."
APPLY: Final = f"apply {PLAN} --port any"
OTHER_FIRMWARE: Final = "Not the hardware of the plan: charlie: firmware: 1.9, planned 2.4"


@pytest.fixture(autouse=True)
def _files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("fleet.toml").write_text(FLEET, "utf-8")
    Path(PLAN).write_text(AIRFRAME, "utf-8")


def on_bus(monkeypatch: pytest.MonkeyPatch, *, bravo: int = 2, delta: int = 4, hand: bool = False) -> Bench:
    text = BUS.replace("BRAVO", str(bravo)).replace("DELTA", str(delta)) + (HAND if hand else "")
    Path("bus.toml").write_text(text, "utf-8")
    return make_bench(monkeypatch, "bus.toml")


def keep(*functions: str, path: Path = ROLES) -> None:
    body = {"assignment-of": "four", "format": 1, "uids": {name: UIDS[name] for name in functions}}
    path.write_text(json.dumps(body), "utf-8")


def kept(path: Path = ROLES) -> dict[str, str]:
    uids: dict[str, str] = json.loads(path.read_text("utf-8"))["uids"]
    return uids


def written_to(bench: Bench) -> set[str]:
    """Labels of those whose settings or stored memory were written to."""
    at = {one.address: one.label for one in bench.bus.actuators}
    return {
        at[frame.destination]
        for frame, request in zip(bench.frames, bench.requests, strict=True)
        if isinstance(request, Write | Commit)
    }


PACK_OFF: Final = "take the pack off: it harms this actuator"
SUPPLY_OFF: Final = "take the supply off: it harms this actuator"
MAY_FAIL: Final = "it may fail before the pack is empty"


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


def test_nobody_claimed_is_said_and_not_taken_for_agreed(cli: CommandLine, monkeypatch: pytest.MonkeyPatch) -> None:
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
    assert UIDS in [kept(path) for path in Path().glob("four.seats.[0-9].json")]
    assert load_assignment(plan) == {"bravo": bytes.fromhex(UIDS["bravo"])}
    assert assignment_path(plan, draft=True).name == save_assignment(plan, {}, draft=True).name == DRAFT.name


# --- directions --------------------------------------------------------------------------------------------------


def directions(path: str = "four.trial.json") -> dict[str, Any]:
    return {row["function"]: row["direction_test"] for row in json.loads(Path(path).read_text("utf-8"))["actuators"]}


def test_claim_tries_directions_behind_the_cautions_and_keeps_who_saw_it(
    cli: CommandLine, monkeypatch: pytest.MonkeyPatch
) -> None:
    keep(*UIDS)
    bench = on_bus(monkeypatch)
    monkeypatch.setattr(sys, "stdin", FakeTerminal("y\nwhat\na\ny\n"))
    done = cli("claim", PLAN, "--directions", "--seen-by", "A. Pilot", "--json", "--port", "any")
    asked = "Did it go first to where the plan has it: trailing edge down?"
    assert done.err.index("All clear for letting each surface swing once") < done.err.index(asked)
    assert done.err.count("alpha: the arm of alpha turned by +9.0 deg, and back.") == 2
    assert "'what' is none of these: y, o, n, a, q." in done.err
    (alpha,) = done.json["directions"]
    assert (alpha["function"], alpha["way"], alpha["seen_by"]) == ("alpha", "as planned", "A. Pilot")
    assert directions()["alpha"]["seen_by"] == "A. Pilot"
    assert all(one.state in LIMP_STATES for one in bench.bus.actuators)


def test_who_says_no_to_the_cautions_has_all_claims_and_no_direction(
    cli: CommandLine, monkeypatch: pytest.MonkeyPatch
) -> None:
    keep(*UIDS)
    bench = on_bus(monkeypatch)
    monkeypatch.setattr(sys, "stdin", FakeTerminal("n\n"))
    done = cli(f"claim {PLAN} --directions --port any")
    assert done.code == exit_codes.NOT_AS_WANTED
    assert "Directions are not tried: the cautions were not answered with yes." in done.err
    assert "alpha: which way a positive demand takes it is not known: the cautions were not answered" in done.out
    assert not any(isinstance(one, Engage) for one in bench.requests)


@pytest.mark.parametrize(
    ("word", "code", "way", "said"),
    [
        ("planned", 0, "as planned", "alpha: a positive demand takes it where it is planned: trailing edge down"),
        (
            "other",
            3,
            "the other way",
            "alpha: a positive demand takes it the other way than 'trailing edge down': give",
        ),
        ("unseen", 3, "not known", "alpha: which way a positive demand takes it is not known: it was not seen"),
    ],
)
def test_trial_has_it_as_a_part_and_the_card_shows_it(
    cli: CommandLine, monkeypatch: pytest.MonkeyPatch, word: str, code: int, way: str, said: str
) -> None:
    text = re.sub(r'\[model\."?(old|bench 15)"?\]', lambda found: found[0], BUS)
    text = text.replace('model = "old"', 'model = "bench 25"').replace('model = "bench 15"', 'model = "bench 25"')
    Path("bus.toml").write_text(text.replace("BRAVO", "2").replace("DELTA", "4"), "utf-8")
    make_bench(monkeypatch, "bus.toml")
    keep(*UIDS)
    assert cli(f"{APPLY} --yes").code == 0
    done = cli(f"trial {PLAN} --part direction --went alpha {word} --clear --port any")
    assert done.code == code, done.transcript()
    assert said in " ".join(done.out.split())
    assert "The plan does not say where a positive demand takes: bravo, charlie, delta." in done.out
    body = json.loads(Path("four.trial.json").read_text("utf-8"))
    assert (body["parts"], body["as_planned"]) == (["direction"], code == 0)
    alpha = directions()["alpha"]
    assert (alpha["way"], alpha["positive"], alpha["direction"]) == (way, "trailing edge down", "normal")
    assert cli(f"save --airframe {PLAN} --port any").code == 0
    cli(f"card --airframe {PLAN} --svg four.svg")
    seen = f"trailing edge down; seen by an answer given beforehand (--went), {alpha['at'].replace('T', ' ')[:16]}"
    sign = SIGNS[{"planned": Verdict.GOOD, "other": Verdict.BAD, "unseen": Verdict.OPEN}[word]]
    shown = {"planned": seen, "other": "the OTHER way than trailing edge down", "unseen": "not known"}[word]
    for page in ("four.card.html", "four.svg"):
        read = " ".join(re.sub("&nbsp;|<[^>]*>", " ", Path(page).read_text("utf-8")).split())
        assert re.search(rf"Direction:? {sign} {re.escape(shown)}", read), page
        assert len(re.findall("Direction:? [^a-z]", read)) == 1, "only of the one whose positive side is planned"
    # another trial leaves it there, with its own date; another direction makes it void
    assert cli(f"trial {PLAN} --part centre --clear --port any").code == (3 if word == "other" else 0)
    assert directions()["alpha"] == alpha
    assert cli("set 1 direction=reversed --store --port any").code == 0
    assert cli(f"save --airframe {PLAN} --port any").code == 0
    cli(f"card --airframe {PLAN}")
    assert "try again: it was tried otherwise" in Path("four.card.html").read_text("utf-8")


def test_without_anyone_to_look_it_is_left_out_and_said(cli: CommandLine, monkeypatch: pytest.MonkeyPatch) -> None:
    keep("alpha")
    bench = on_bus(monkeypatch)
    bench.actuator("delta").power_off()
    done = cli(f"trial {PLAN} --part direction --clear --json --port any")
    assert done.code == exit_codes.NOT_AS_WANTED
    assert not any(isinstance(one, Engage) for one in bench.requests)
    assert directions()["alpha"]["reason"] == "no one was there to look, so it was not moved"


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (f"trial {PLAN} --went bravo planned", "'bravo' is no surface whose 'positive' the plan of 'four' states"),
        (f"trial {PLAN} --went alpha up", "one of planned, other, unseen is wanted"),
        (f"trial {PLAN} --went alpha planned --went alpha other", "two answers for 'alpha'"),
        (f"trial {PLAN} --part loss --went alpha planned", "--part direction"),
        (f"trial {PLAN} --seen-by ''", "a name of 1..60 letters"),
        (f"claim {PLAN} --went alpha planned", "belong to --directions"),
        (f"claim {PLAN} --put-in-force --nudge 1", "only one of"),
    ],
)
def test_bad_answers_are_refused_before_anything_is_sent(
    cli: CommandLine, monkeypatch: pytest.MonkeyPatch, line: str, said: str
) -> None:
    bench = on_bus(monkeypatch)
    done = cli(f"{line} --clear --port any")
    assert done.code == exit_codes.USAGE
    assert said in done.error_line
    assert bench.frames == []
    assert not any(isinstance(one, Assign) for one in bench.requests)
