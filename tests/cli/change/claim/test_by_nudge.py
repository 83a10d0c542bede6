"""``busproto claim --by-nudge`` and ``--nudge``: an actuator swings a little, behind the cautions."""

from __future__ import annotations

import io
import sys

import pytest

from busproto.cautions import CAUTIONS
from busproto.cli import exit_codes
from busproto.wire.messages import LIMP_STATES, Engage
from tests.cli.change.claim.small_airframe import (
    PLAN,
    UIDS,
    keep,
    kept,
    seen_limp,
)
from tests.cli.helpers import Bench, CommandLine, FakeTerminal

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
    assert result.error_line == "--by-nudge asks which surface it was, and that needs a terminal"
    assert bench.frames == []


def test_no_actuator_answers_any_more_and_all_are_limp(
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
