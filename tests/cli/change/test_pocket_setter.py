"""The pocket setter, an example on the public interface: three keys, two lines, one question at a time."""

from __future__ import annotations

import ast
import io
import subprocess
import sys
from pathlib import Path

import pytest

from busproto.examples import pocket_setter
from busproto.examples.pocket_setter import WIDTH, Panel, run
from busproto.ops import Link
from busproto.sim.bus import VirtualBus
from busproto.sim.scene import scenario
from busproto.wire.messages import State
from tests.cli.helpers import PATIENCE_S

LINE = """
title = "glider"
[model.m]
[[actuator]]
label = "left"
model = "m"
uid = "0000000000000001"
address = 5
settings = { channel = 2 }
[[actuator]]
label = "right"
model = "m"
uid = "0000000000000002"
address = 5
[[actuator]]
label = "fresh"
model = "m"
uid = "0000000000000003"
"""
HAND = """
[hand]
patience = 60
[[hand.step]]
move = { "fresh" = 12.0 }
[[hand.step]]
move = { "left" = -9.0 }
back = false
after = 4.0
"""


def played(keys: str, more: str = HAND) -> tuple[VirtualBus, list[tuple[str, str]]]:
    """What was on the panel, line by line, while a person pressed these keys."""
    bus = scenario.parse(LINE + more).build(1)
    out = io.StringIO()
    run(Link(bus.host), Panel(io.StringIO(keys), out))
    edge = "+" + "-" * WIDTH + "+"
    lines = [line for line in out.getvalue().splitlines() if line not in {"", edge}]
    assert all(len(line) == WIDTH + 2 and line[0] == line[-1] == "|" for line in lines)
    texts = [line[1:-1].rstrip() for line in lines]
    return bus, list(zip(texts[::2], texts[1::2], strict=True))


def addresses(bus: VirtualBus) -> list[int]:
    return [one.address for one in bus.actuators]


def test_it_parts_those_who_share_and_gives_one_to_those_without() -> None:
    bus, screens = played("yyy b")
    assert screens == [
        ("2 of 3 share 5", "Part them? yes/next"),
        ("1 of 3: no address", "Give one? yes/next"),
        ("3 found, all", "Go on? yes/next"),
        ("All go limp. Held?", "Then find one: yes"),
        ("Good bye", ""),
    ]
    assert addresses(bus) == [5, 1, 2]


def test_what_one_does_not_want_is_left_as_it_is() -> None:
    bus, screens = played("nny b")
    assert screens[:4] == [
        ("2 of 3 share 5", "Part them? yes/next"),
        ("1 of 3: no address", "Give one? yes/next"),
        ("3 found, all", "Go on? yes/next"),
        ("All go limp. Held?", "Then find one: yes"),
    ]
    assert addresses(bus) == [5, 5, 240]


def test_next_at_the_count_looks_again() -> None:
    _, screens = played("yy nny")
    assert screens.count(("3 found, all", "Go on? yes/next")) == 3


def test_the_one_that_was_moved_is_told_and_shows_itself() -> None:
    bus, screens = played("yyy y n y n b")
    assert [screen for screen in screens if screen[0].startswith("That")] == [
        ("That is address 2", "Change it? yes/next"),
        ("That is address 5", "Change it? yes/next"),
    ]
    assert all(one.showing_until_ns > 0 for one in (bus.labelled("fresh"), bus.labelled("left")))
    assert bus.labelled("right").showing_until_ns == 0
    assert {one.state for one in bus.actuators} == {State.RELEASED}


def test_it_changes_and_stores_one() -> None:
    # to address 5, which then stands at -9 deg: channel up, reversed, neutral where it is, the other loss action
    bus, screens = played("yyy yn yy yn yn yn yn y b")
    left = bus.labelled("left")
    at = screens.index(("That is address 5", "Change it? yes/next"))
    assert screens[at + 1 : at + 11] == [
        ("Follows channel 2", "One up? yes/next"),
        ("Follows channel 3", "One up? yes/next"),
        ("Turns normal", "Other way? yes/next"),
        ("Turns reversed", "Other way? yes/next"),
        ("Neutral 0.00 deg", "Where it is? yes"),
        ("Neutral -9.00 deg", "Where it is? yes"),
        ("No signal: limp", "Other? yes/next"),
        ("No signal: hold", "Other? yes/next"),
        ("4 changed", "Store? yes/next"),
        ("Stored and read back", ""),
    ]
    stored = left.settings.stored()
    assert (stored["channel"], stored["direction"], stored["neutral"], stored["loss-action"]) == (3, 1, -900, 1)
    assert left.arm.position_deg == -9.0


def test_not_stored_it_is_as_before() -> None:
    bus, screens = played("yyy yn yy yn nnn n b")
    assert ("1 changed", "Store? yes/next") in screens
    assert ("As it was before", "") in screens
    assert bus.labelled("left").settings.working == bus.labelled("left").settings.stored()
    assert bus.labelled("left").settings.stored()["channel"] == 2


def test_back_goes_to_the_question_before_and_out_at_the_first() -> None:
    _, screens = played("yyy yy nn b b b n")
    at = screens.index(("That is address 2", "Change it? yes/next"))
    assert [top for top, _ in screens[at + 1 :]] == [
        "Follows channel 0",
        "Turns normal",
        "Neutral 0.00 deg",
        "Turns normal",
        "Follows channel 0",
        "All go limp. Held?",
        "Good bye",
    ]


def test_where_no_arm_is_moved_it_says_so() -> None:
    bus, screens = played("yyy y b", more="")
    assert ("None has moved.", "") in screens
    assert bus.kernel.now_ns > 8_000_000_000


def test_nothing_is_ever_driven() -> None:
    bus = scenario.parse(LINE + HAND).build(1)
    targets: set[float | None] = set()
    bus.on_frame = lambda _, actuator, __: targets.add(actuator.arm.target_deg)
    run(Link(bus.host), Panel(io.StringIO("yyy yn yy yn yn yn yn y b"), io.StringIO()))
    assert targets == {None}


def test_it_is_one_short_file_on_the_public_interface() -> None:
    text = Path(str(pocket_setter.__file__)).read_text("utf-8")
    assert len(text.splitlines()) < 150
    ours = {
        node.module
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("busproto")
    }
    assert all(
        name == "busproto" or name.split(".")[1] in {"errors", "interrupts", "ops", "transport", "wire"}
        for name in ours
        if name
    )


@pytest.mark.realtime
@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (["sim://bench-four?seed=1"], 0, "Good bye"),
        ([], 1, "wanted: one port"),
        (["/nowhere/at/all"], 1, "It did not work: cannot open port"),
    ],
)
def test_it_runs_as_a_program(arguments: list[str], code: int, said: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "busproto.examples.pocket_setter", *arguments],
        input="y\ny\ny\nb\n",
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
    )
    assert done.returncode == code
    assert said in done.stdout + done.stderr
    assert "Traceback" not in done.stderr
