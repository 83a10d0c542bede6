"""``busproto claim`` as a person or a script sees it: what is asked and said, what is kept, what needs a yes."""

from __future__ import annotations

import io
import json
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import pytest

from busproto.cautions import CAUTIONS
from busproto.cli import exit_codes
from busproto.cli.change.claim_talk import KEYS_TEXT, Keys
from busproto.errors import PortClosedError
from busproto.plan.claim_words import LIMP_TEXT
from busproto.wire.messages import LIMP_STATES, Assign, Commit, Engage, ShowYourself, Write
from tests.cli.helpers import Bench, CommandLine, FakeTerminal, make_bench

FLEET: Final = """
fleet-map = 1
title = "fleet"
[function]
"aileron, left" = { address = 2, channel = 2 }
flap = { address = 10, channel = 4, settings = { direction = "reversed" } }
"rudder, upper" = { address = 30, channel = 8 }
"rudder, lower" = { address = 31, channel = 8 }
"""
AIRFRAME: Final = """
airframe = 1
title = "small"
fleet-map = "fleet.toml"
[function."aileron, left"]
[function.flap]
positive = "trailing edge down"
[function."rudder, upper"]
[function."rudder, lower"]
[gang.rudder]
number = 1
members = ["rudder, upper", "rudder, lower"]
"""
BUS: Final = """
title = "small"
supply = 7.4
[limits]
nodes = 8
frames = 1_000_000
seconds = 14_400
[model."bench 25"]
firmware = "2.4"
[[actuator]]
label = "aileron, left"
model = "bench 25"
uid = "c1a1000000000101"
address = 5
[[actuator]]
label = "flap"
model = "bench 25"
uid = "c1a1000000000102"
address = 5
[[actuator]]
label = "rudder, upper"
model = "bench 25"
uid = "c1a1000000000103"
address = 30
[[actuator]]
label = "rudder, lower"
model = "bench 25"
uid = "c1a1000000000104"
[[actuator]]
label = "spare"
model = "bench 25"
uid = "c1a1000000000105"
address = 60
"""
HAND: Final = """
[hand]
patience = 3
[[hand.step]]
move = { "aileron, left" = 15.0 }
after = 1.0
[[hand.step]]
move = { "aileron, left" = 10.0 }
[[hand.step]]
move = { flap = 12.0 }
[[hand.step]]
move = { "rudder, upper" = 15.0 }
[[hand.step]]
move = { "rudder, upper" = 15.0, "rudder, lower" = 15.0 }
slack = { "rudder, lower" = 5.0 }
"""
UIDS: Final = {
    "aileron, left": "c1a1000000000101",
    "flap": "c1a1000000000102",
    "rudder, upper": "c1a1000000000103",
    "rudder, lower": "c1a1000000000104",
}
SCRATCH: Final = [
    {"uid": UIDS["aileron, left"], "old": 5, "address": 239},
    {"uid": UIDS["flap"], "old": 5, "address": 238},
    {"uid": UIDS["rudder, lower"], "old": None, "address": 237},
]
OFFERED: Final = """\
3 actuators have no address of their own, so their arms cannot be read. Each would be given
a scratch address that the plan does not use; it lasts until 'busproto apply' or 'busproto address'. Before
that it cannot be read what they are:
  c1a1000000000101  shared 5     -> 239
  c1a1000000000102  shared 5     -> 238
  c1a1000000000104  had none     -> 237
"""
ADVICE: Final = "flap: a positive demand would take it the other way: the plan says reversed, the arm says normal"
PLAN: Final = "small.toml"
ROLES: Final = "small.assignment.json"


@pytest.fixture(autouse=True)
def _files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("fleet.toml").write_text(FLEET, "utf-8")
    Path(PLAN).write_text(AIRFRAME, "utf-8")
    Path("bus.toml").write_text(BUS, "utf-8")
    Path("bus-hand.toml").write_text(BUS + HAND, "utf-8")


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> Bench:
    """The bus without a hand, outlasting the commands."""
    return make_bench(monkeypatch, "bus.toml")


@pytest.fixture
def handed(monkeypatch: pytest.MonkeyPatch) -> Bench:
    """The bus with the hand, outlasting the commands."""
    return make_bench(monkeypatch, "bus-hand.toml")


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    """A pseudo-terminal as stdin; gives the end at which one types."""
    ours, theirs = os.openpty()
    with os.fdopen(theirs, encoding="utf-8") as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        yield ours
    os.close(ours)


def kept() -> dict[str, str]:
    uids: dict[str, str] = json.loads(Path(ROLES).read_text("utf-8"))["uids"]
    return uids


def keep(*functions: str) -> None:
    body = {"assignment-of": "small", "format": 1, "uids": {name: UIDS[name] for name in functions}}
    Path(ROLES).write_text(json.dumps(body), "utf-8")


WITH_HAND: Final = f"claim {PLAN} --port sim://bus-hand.toml?seed=1"
WITHOUT: Final = f"claim {PLAN} --port sim://bus.toml?seed=1"


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
        "roles": [
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
        "complete": True,
        "unfit": [],
        "directions": [],
        "in_force": True,
        "kept": None,
        "let_go": seen_limp(30, 60, 237, 238, 239),
    }


def seen_limp(*addresses: int) -> dict[str, Any]:
    """What is said where all were seen limp."""
    rest: dict[str, Any] = {"holding": [], "not_seen": [], "shared": [], "without_address": 0}
    return {"all_seen_limp": True, "limp": list(addresses), **rest}


def test_only_scratch_addresses_are_written_and_nothing_is_driven(cli: CommandLine, handed: Bench) -> None:
    assert cli(f"claim {PLAN} --yes-addresses --port any").code == exit_codes.DONE
    assert not any(isinstance(request, Engage | Write | Commit) for request in handed.requests)
    given = {request.uid.hex(): request.address for request in handed.requests if isinstance(request, Assign)}
    assert given == {row["uid"]: row["address"] for row in SCRATCH}
    assert all(one.state in LIMP_STATES for one in handed.bus.actuators)
    assert sum(isinstance(request, ShowYourself) for request in handed.requests) == 4


def test_where_nobody_can_agree_to_addresses_none_is_written(cli: CommandLine, bench: Bench) -> None:
    result = cli(f"claim {PLAN} --port any --json")
    assert result.code == exit_codes.NOT_CLEARED
    said = "nobody is there to agree to scratch addresses (--yes-addresses agrees beforehand); nothing was written"
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


# --- by nudge --------------------------------------------------------------------------------------------------


def assert_cautions_first(err: str, question: str) -> None:
    shown = [err.index(text) for text in CAUTIONS]
    assert shown == sorted(shown)
    assert shown[-1] < err.index(question)


def test_by_nudge_each_swings_and_is_asked_for(cli: CommandLine, bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    # by address: 30, 60, 237, 238, 239; what is chosen no longer stands in the list
    monkeypatch.setattr(sys, "stdin", FakeTerminal("y\n3\nn\n3\n7\n2\na\n1\n"))
    result = cli(f"claim {PLAN} --by-nudge --yes-addresses --port any --json")
    assert result.code == exit_codes.DONE
    assert_cautions_first(result.err, "All clear for letting each actuator swing by a few degrees, one after another?")
    assert "Address 30, c1a1000000000103: swung 6.0 deg" in result.err
    assert "'7' is none of these: 1..2, a, n, u, q." in result.err
    assert kept() == UIDS
    assert [one["uid"] for one in result.json["unclaimed"]] == ["c1a1000000000105"]
    assert all(one.state in LIMP_STATES for one in bench.bus.actuators)
    assert sum(isinstance(request, Engage) for request in bench.requests) == 6  # one of them again


def test_by_nudge_nothing_moves_without_a_yes(cli: CommandLine, bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", FakeTerminal("n\n"))
    assert cli(f"claim {PLAN} --by-nudge --yes-addresses --port any").code == exit_codes.NOT_CLEARED
    assert not any(isinstance(request, Engage) for request in bench.requests)


def test_by_nudge_without_a_terminal_is_refused_before_anything_is_sent(cli: CommandLine, bench: Bench) -> None:
    result = cli(f"claim {PLAN} --by-nudge --clear --yes-addresses --port any")
    assert result.code == exit_codes.USAGE
    assert result.error_line == "--by-nudge asks which surface it was, and nobody is there to answer"
    assert bench.frames == []


def test_nobody_answers_any_more_and_all_are_limp(
    cli: CommandLine, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", FakeTerminal("y\n3\n"))
    result = cli(f"claim {PLAN} --by-nudge --yes-addresses --port any")
    assert result.code == exit_codes.INTERRUPTED
    assert kept() == {"rudder, upper": UIDS["rudder, upper"]}
    assert all(one.state in LIMP_STATES for one in bench.bus.actuators)


@pytest.mark.parametrize("who", ["30", "0x1e", "c1a1000000000103", "rudder, upper"])
def test_one_makes_itself_known(cli: CommandLine, bench: Bench, who: str) -> None:
    keep("rudder, upper")
    result = cli("claim", PLAN, "--nudge", who, "--clear", "--port", "any", "--json")
    assert result.code == exit_codes.DONE
    assert result.json == {
        "function": "rudder, upper",
        "uid": UIDS["rudder, upper"],
        "address": 30,
        "swing_deg": 6.0,
        "peak_current_ma": result.json["peak_current_ma"],
        "moved": True,
        "let_go": seen_limp(30),
    }
    assert result.json["peak_current_ma"] > 100
    assert all(text in result.err for text in CAUTIONS)
    assert bench.actuator("rudder, upper").state in LIMP_STATES
    text = cli("claim", PLAN, "--nudge", who, "--clear", "--port", "any").out
    assert text.startswith("address 30 (rudder, upper), uid c1a1000000000103: swung 6.0 deg, peak ")
    assert text.endswith("mA. The actuator at address 30 was seen limp.\n")


def test_one_that_is_blocked_is_said_not_to_have_moved(cli: CommandLine, bench: Bench) -> None:
    bench.actuator("rudder, upper").arm.stop_deg = 0.0
    result = cli(f"claim {PLAN} --nudge 30 --clear --port any")
    assert result.code == exit_codes.NOT_AS_WANTED
    assert "was asked to swing but did NOT move (0.00 deg)" in result.out


def test_a_nudge_asks_first(cli: CommandLine, bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO("y\n"))
    assert cli(f"claim {PLAN} --nudge 30 --port any").code == exit_codes.NOT_CLEARED
    assert bench.changing == []


# --- exchange, bad input ---------------------------------------------------------------------------------------


def test_two_claims_are_exchanged_without_a_port(cli: CommandLine) -> None:
    keep(*UIDS)
    result = cli(f"claim {PLAN} --exchange 'rudder, upper' 'rudder, lower'")
    assert (result.code, result.err) == (exit_codes.DONE, "")
    assert result.out == f"rudder, upper: {UIDS['rudder, lower']}\nrudder, lower: {UIDS['rudder, upper']}\n"
    assert kept()["rudder, lower"] == UIDS["rudder, upper"]
    back = cli(f"claim {PLAN} --exchange 'rudder, lower' 'rudder, upper' --json")
    assert back.code == exit_codes.DONE
    assert [(role["function"], role["uid"]) for role in back.json["roles"]] == list(UIDS.items())
    assert {role["on_line"] for role in back.json["roles"]} == {None}
    assert back.json["complete"] is None
    assert kept() == UIDS


BAD: Final[dict[str, tuple[str, str]]] = {
    "no port": ("", "Missing option '--port' (see 'busproto claim --help')"),
    "two ways": (
        "--by-nudge --nudge 3",
        "only one of --by-nudge, --nudge, --exchange, --put-in-force (see 'busproto claim --help')",
    ),
    "unknown function": ("--forget spoiler --port any", "'small' has no function 'spoiler'"),
    "exchange of nothing": ("--exchange flap 'rudder, upper'", "neither 'flap' nor 'rudder, upper' is claimed"),
    "nudge of nobody": ("--nudge spoiler --clear --port any", "'spoiler' is not an address (1..239)"),
    "nudge of the open": ("--nudge flap --clear --port any", "'flap' is not claimed yet"),
    "no patience": ("--patience 0 --port any", "Invalid value for '--patience'"),
    "nan": ("--least-deg nan --port any", "Invalid value for '--least-deg'"),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_input_is_refused_before_anything_is_sent(cli: CommandLine, bench: Bench, case: str) -> None:
    arguments, said = BAD[case]
    result = cli(f"claim {PLAN} {arguments}")
    assert result.code == exit_codes.USAGE
    assert said in result.error_line
    assert result.out == ""
    assert bench.frames == []
    assert not Path(ROLES).exists()


@pytest.mark.parametrize(
    ("uid", "said"),
    [("c1a1000000000101", "has no address of its own"), ("c1a10000000001ff", "is not on the line")],
)
def test_a_uid_that_cannot_be_asked_is_not_nudged(cli: CommandLine, bench: Bench, uid: str, said: str) -> None:
    result = cli(f"claim {PLAN} --nudge {uid} --clear --port any")
    assert result.code == exit_codes.USAGE
    assert said in result.error_line
    assert bench.changing == []


def test_a_broken_file_is_refused_before_anything_is_sent(cli: CommandLine, bench: Bench) -> None:
    broken: dict[str, Any] = {PLAN: "airframe = 1\n", ROLES: "{"}
    for name, text in broken.items():
        before = Path(name).read_text("utf-8") if Path(name).exists() else None
        Path(name).write_text(text, "utf-8")
        result = cli(f"claim {PLAN} --yes-addresses --port any")
        assert result.code == exit_codes.USAGE
        assert f"'{name}'" in result.error_line
        assert bench.frames == []
        if before is None:
            Path(name).unlink()
        else:
            Path(name).write_text(before, "utf-8")
