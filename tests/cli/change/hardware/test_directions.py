"""Directions: tried behind claims and in a trial, answered by a person or beforehand."""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path
from typing import Any

import pytest

from busproto.cli import exit_codes
from busproto.plan.card.card import Verdict
from busproto.plan.card.card_html import SIGNS
from busproto.wire.messages import LIMP_STATES, Assign, Engage
from tests.cli.change.hardware.four_actuators import (
    APPLY,
    BUS,
    PLAN,
    UIDS,
    keep,
    on_bus,
)
from tests.cli.helpers import CommandLine, FakeTerminal, make_bench

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
    cli(f"card --airframe {PLAN}")
    seen = f"trailing edge down; seen by an answer given beforehand (--went), {alpha['date'].replace('T', ' ')[:16]}"
    sign = SIGNS[{"planned": Verdict.GOOD, "other": Verdict.BAD, "unseen": Verdict.OPEN}[word]]
    shown = {"planned": seen, "other": "the OTHER way than trailing edge down", "unseen": "not known"}[word]
    read = " ".join(re.sub("&nbsp;|<[^>]*>", " ", Path("four.card.html").read_text("utf-8")).split())
    assert re.search(rf"Direction:? {sign} {re.escape(shown)}", read)
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
