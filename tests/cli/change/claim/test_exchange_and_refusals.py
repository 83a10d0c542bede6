"""``busproto claim --exchange``, and what is refused before anything is sent."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import pytest

from busproto.cli import exit_codes
from tests.cli.change.claim.small_airframe import (
    PLAN,
    ROLES,
    UIDS,
    keep,
    kept,
)
from tests.cli.helpers import Bench, CommandLine

# --- exchange, bad input ---------------------------------------------------------------------------------------


def test_two_claims_are_exchanged_without_a_port(cli: CommandLine) -> None:
    keep(*UIDS)
    result = cli(f"claim {PLAN} --exchange 'rudder, upper' 'rudder, lower'")
    assert (result.code, result.err) == (exit_codes.DONE, "")
    assert result.out == f"rudder, upper: {UIDS['rudder, lower']}\nrudder, lower: {UIDS['rudder, upper']}\n"
    assert kept()["rudder, lower"] == UIDS["rudder, upper"]
    back = cli(f"claim {PLAN} --exchange 'rudder, lower' 'rudder, upper' --json")
    assert back.code == exit_codes.DONE
    assert [(role["function"], role["uid"]) for role in back.json["functions"]] == list(UIDS.items())
    assert {role["on_line"] for role in back.json["functions"]} == {None}
    assert back.json["proven"] is None
    assert kept() == UIDS


BAD: Final[dict[str, tuple[str, str]]] = {
    "no port": ("", "Missing option '--port' (see 'busproto claim --help')"),
    "two ways": (
        "--by-nudge --nudge 3",
        "only one of --by-nudge, --nudge, --exchange, --put-in-force (see 'busproto claim --help')",
    ),
    "unknown function": ("--forget spoiler --port any", "'small' has no function 'spoiler'"),
    "exchange of nothing": ("--exchange flap 'rudder, upper'", "neither 'flap' nor 'rudder, upper' is claimed"),
    "nudge of an unknown function": ("--nudge spoiler --clear --port any", "'spoiler' is not an address (1..239)"),
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
