"""One actuator that lacks a parameter of the table and has one more, on one bus with another that has the table: by the
real commands from looking to the card, and by the library.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import pytest

import busproto
from busproto import Bus, LacksParameterError
from busproto.cli import exit_codes
from tests.cli.helpers import Bench, CommandLine, make_bench

SCENARIO: Final = """
title = "Two makers on one bus"

[model."bench 25"]
firmware = "2.4"

[model."other 30"]
firmware = "1.1"

[[actuator]]
label = "flap"
model = "bench 25"
uid = "0dd0000000000001"
address = 29

[[actuator]]
label = "brake"
model = "other 30"
uid = "0dd0000000000002"
address = 30
lacks = ["stiffness"]
own = [{ name = "notch [x]", unit = "0.1 Hz", high = 5000, factory = 350 }]
settings = { "notch [x]" = 36.0 }
"""
FLEET: Final = """
fleet-map = 1
title = "two makers"
[settings]
under-voltage = 5.0
[model."bench 25"]
supply = [4.8, 8.4]
[model."other 30"]
supply = [4.8, 8.4]
[function]
flap = { address = 29, channel = 1 }
brake = { address = 30, channel = 2 }
"""
AIRFRAME: Final = """
airframe = 1
title = "Mixed"
fleet-map = "fleet.toml"
[supply]
full = 8.4
empty = 6.4
[function.flap]
model = "bench 25"
[function.brake]
model = "other 30"
"""
NOTCH: Final = "notch [x]"


@pytest.fixture
def box(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Bench:
    """The bus, and the plan beside it in the working directory."""
    monkeypatch.chdir(tmp_path)
    Path("mixed.scenario.toml").write_text(SCENARIO, "utf-8")
    Path("fleet.toml").write_text(FLEET, "utf-8")
    plan("")
    return make_bench(monkeypatch, "mixed.scenario.toml")


def plan(brake: str) -> None:
    """The airframe, with these lines for the brake."""
    Path("mixed.toml").write_text(AIRFRAME + brake, "utf-8")


def apply(cli: CommandLine) -> Any:
    return cli("apply mixed.toml --by-address --yes --json --port any")


def test_show_tells_what_is_not_there_and_what_only_it_has(cli: CommandLine, box: Bench) -> None:
    shown = cli("show 30 --port any")
    assert shown.code == exit_codes.DONE
    lines = [" ".join(line.split()) for line in shown.out.splitlines()]
    assert "stiffness not there" in lines
    assert "notch [x] (its own, 0.0..500.0 Hz) 36.0 Hz 36.0 Hz 35.0 Hz" in lines
    [body] = cli("show 30 --json --port any").json["actuators"]
    assert body["not_there"] == ["stiffness"]
    assert body["own"] == [{"name": NOTCH, "number": 100, "range": "0.0..500.0 Hz", "step": "0.1 Hz"}]
    assert body["settings"][NOTCH] == {"value": 36.0, "stored_value": 36.0, "factory_value": 35.0, "unit": "Hz"}
    assert "stiffness" not in body["settings"]
    other = cli("show 29 --json --port any").json["actuators"][0]
    assert (other["not_there"], other["own"]) == ([], [])


def test_set_takes_its_own_by_name_and_names_what_is_not_there(cli: CommandLine, box: Bench) -> None:
    done = cli("set", "30", f"{NOTCH}=41.5", "channel=2", "--store", "--port", "any")
    assert done.code == exit_codes.DONE
    assert "address 30: notch [x] 36.0 Hz -> 41.5 Hz" in done.out
    settings = box.bus.labelled("brake").settings
    assert (settings.stored()[NOTCH], settings.stored()["channel"]) == (415, 2)
    for given, word in (
        (f"{NOTCH}=501", "notch [x]: 501.0 Hz is outside 0.0..500.0 Hz"),
        (f"{NOTCH}=1.05", "finer than its step of 0.1 Hz"),
        ("nonsense=1", "address 30: there is no parameter 'nonsense'; there are: channel, "),
    ):
        refused = cli("set", "30", given, "--port", "any")
        assert refused.code == exit_codes.USAGE
        assert word in refused.error_line
    lacking = cli("set 30 stiffness=50 --port any")
    assert lacking.code == exit_codes.FAILED
    assert "address 30 (1E hex) has no parameter 'stiffness'" in lacking.error_line
    undone = cli("set 30 --undo factory --json --port any").json
    assert {row["name"]: (row["was"], row["is"]) for row in undone["changed"]} == {
        NOTCH: (41.5, 35.0),
        "channel": (2, 0),
    }


def test_a_plan_that_states_what_is_not_there_is_a_difference_and_is_not_applied(cli: CommandLine, box: Bench) -> None:
    plan("settings = { stiffness = 70, damping = 20 }\n")
    memory = list(box.bus.labelled("brake").settings.memory.copies)
    found = cli("audit mixed.toml --json --port any").json
    rows = {row["function"]: row["differences"] for row in found["functions"]}
    [lacking] = [row for row in rows["brake"] if row["name"] == "stiffness"]
    assert (lacking["found"], lacking["planned"], lacking["can_be_applied"]) == ("not there", "70 %", False)
    assert lacking["note"] == (
        "no such parameter at address 30: fit another actuator, or take it out of the plan "
        '(lacks = ["stiffness"] for the brake)'
    )
    refused = apply(cli)
    assert refused.code == exit_codes.USAGE
    assert "brake (address 30): it has no parameter 'stiffness'" in refused.json["error"]["text"]
    assert list(box.bus.labelled("brake").settings.memory.copies) == memory
    # what no file states is the factory's, and may be lacking
    plan("settings = { damping = 20 }\n")
    assert apply(cli).code == exit_codes.DONE
    # stated for all, and said that it is not there
    Path("fleet.toml").write_text(FLEET.replace("[settings]", "[settings]\nstiffness = 50"), "utf-8")
    assert apply(cli).code == exit_codes.USAGE
    plan('settings = { damping = 20 }\nlacks = ["stiffness"]\n')
    assert apply(cli).code == exit_codes.DONE
    assert box.bus.labelled("flap").settings.stored()["stiffness"] == 50


def test_its_own_is_planned_by_name_applied_and_audited(cli: CommandLine, box: Bench) -> None:
    plan(f'own = {{ "{NOTCH}" = 41.5 }}\n')
    checked = cli("plan check mixed.toml --json").json
    [finding] = [one for one in checked["checked"][0]["findings"] if one["kind"] == "own-unchecked"]
    assert finding["severity"] == "advice"
    found = cli("audit mixed.toml --json --port any").json
    rows = {row["function"]: row["differences"] for row in found["functions"]}
    assert {"name": NOTCH, "found": "36.0 Hz", "planned": "41.5 Hz", "can_be_applied": True, "note": ""} in rows[
        "brake"
    ]
    done = apply(cli)
    assert done.code == exit_codes.DONE
    assert done.json["as_planned"] is True
    assert {"name": NOTCH, "was": 36.0, "becomes": 41.5} in [
        setting for change in done.json["changes"] for setting in change["settings_to_change"]
    ]
    assert box.bus.labelled("brake").settings.stored()[NOTCH] == 415
    again = apply(cli)
    assert (again.code, again.json["step_count"]) == (exit_codes.DONE, 0)


@pytest.mark.parametrize(
    ("own", "words"),
    [
        (f'"{NOTCH}" = 501', "notch [x]: 501.0 Hz is outside 0.0..500.0 Hz"),
        (f'"{NOTCH}" = [1, 2]', "notch [x]: [1.0, 2.0] is not 0.0..500.0 Hz"),
        ('"notsch" = 4', "it has no parameter 'notsch'"),
    ],
)
def test_what_it_does_not_take_is_said_before_anything_is_changed(
    cli: CommandLine, box: Bench, own: str, words: str
) -> None:
    plan(f"own = {{ {own} }}\n")
    refused = apply(cli)
    assert refused.code == exit_codes.USAGE
    assert words in refused.json["error"]["text"]
    assert "Nothing was changed" in refused.json["error"]["text"]


def test_saved_changed_compared_restored_and_carded(cli: CommandLine, box: Bench) -> None:
    plan(f'own = {{ "{NOTCH}" = 36 }}\n')
    assert apply(cli).code == exit_codes.DONE
    assert cli("save --airframe mixed.toml --port any").code == exit_codes.DONE
    assert cli("compare mixed.record.json --port any").code == exit_codes.DONE
    # with the record, the plan is checked against what the actuator said
    assert cli("plan check mixed.toml").code == exit_codes.DONE
    for own, kind in ((f'"{NOTCH}" = 501', "own-outside"), ('"other" = 1', "parameter-not-there")):
        plan(f"own = {{ {own} }}\n")
        kinds = [one["kind"] for one in cli("plan check mixed.toml --json").json["checked"][0]["findings"]]
        assert kind in kinds
        assert "own-unchecked" not in kinds
    plan("settings = { stiffness = 70 }\n")
    kinds = [one["kind"] for one in cli("plan check mixed.toml --json").json["checked"][0]["findings"]]
    assert "parameter-not-there" in kinds
    assert cli("set", "30", f"{NOTCH}=99", "--store", "--port", "any").code == exit_codes.DONE
    compared = cli("compare mixed.record.json --json --port any")
    assert compared.code == exit_codes.NOT_AS_WANTED
    [row] = compared.json["different"]
    assert (row["name"], row["first"], row["second"]) == (NOTCH, 36.0, 99.0)
    assert "notch [x]" in cli("compare mixed.record.json --port any").out
    restored = cli("restore mixed.record.json --yes --port any")
    assert restored.code == exit_codes.DONE
    assert "notch [x] 99.0 Hz -> 36.0 Hz" in " ".join(restored.out.split())
    assert box.bus.labelled("brake").settings.stored()[NOTCH] == 360
    plan("")
    assert cli("card --record mixed.record.json --airframe mixed.toml").code == exit_codes.DONE
    page = Path("mixed.card.html").read_text("utf-8")
    assert "notch [x]" in page
    assert "36 Hz" in page
    assert "not there" in page


def test_a_record_with_what_is_not_there_any_more_is_restored_but_for_that(
    cli: CommandLine, box: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As after another firmware: what was its own is gone, and what it lacked is there."""
    assert cli("save -o mixed.record.json --title mixed --port any").code == exit_codes.DONE
    other = SCENARIO.replace('lacks = ["stiffness"]', 'lacks = ["damping"]')
    other = other.replace('{ name = "notch [x]", unit = "0.1 Hz", high = 5000, factory = 350 }', "")
    other = other.replace('settings = { "notch [x]" = 36.0 }', "settings = { channel = 5 }")
    Path("other.scenario.toml").write_text(other, "utf-8")
    box = make_bench(monkeypatch, "other.scenario.toml")
    done = cli("restore mixed.record.json --yes --json --port any")
    assert done.code == exit_codes.NOT_AS_WANTED
    rows = {row["name"]: (row["first"], row["second"]) for row in done.json["different"]}
    assert rows == {"damping": (30, None), NOTCH: (36.0, None), "stiffness": (None, 60)}
    assert box.bus.labelled("brake").settings.stored()["channel"] == 0
    assert "Left out: other 30 at 30: it has no parameter 'damping'; it has no parameter 'notch [x]'" in done.err
    told = " ".join(cli("restore mixed.record.json --yes --port any").out.split())
    assert "brake" not in told  # saved without the plan, it names none
    assert "damping is not there, recorded 30 %" in told
    assert "notch [x] is not there, recorded 36.0 Hz" in told


@pytest.mark.parametrize(
    ("lacks", "own", "code"),
    [
        ("stiffness", True, exit_codes.DONE),
        ("damping", True, exit_codes.FAILED),
        ("stiffness", False, exit_codes.FAILED),
    ],
)
def test_a_new_one_must_have_what_the_old_one_was_set_to(
    cli: CommandLine, box: Bench, monkeypatch: pytest.MonkeyPatch, lacks: str, own: bool, code: int
) -> None:
    plan("settings = { damping = 20 }\n")
    assert apply(cli).code == exit_codes.DONE
    assert cli("save --airframe mixed.toml --port any").code == exit_codes.DONE
    flap, brake = SCENARIO.split('[[actuator]]\nlabel = "brake"')
    new = brake.replace("0002", "0003").replace("address = 30\n", "").replace('"stiffness"', f'"{lacks}"')
    if not own:
        new = "\n".join(line for line in new.splitlines() if not line.startswith(("own", "settings")))
    Path("other.scenario.toml").write_text(f'{flap}[[actuator]]\nlabel = "new"{new}', "utf-8")
    bench = make_bench(monkeypatch, "other.scenario.toml")
    done = cli("replace brake --airframe mixed.toml --yes --json --port any")
    assert done.code == code
    settings = bench.bus.labelled("new").settings
    if code == exit_codes.DONE:
        assert (settings.address, settings.stored()[NOTCH], settings.stored()["damping"]) == (30, 360, 20)
    else:
        assert f"it has no parameter '{'notch [x]' if not own else lacks}'" in done.json["error"]["text"]
        assert settings.address != 30


def test_by_the_library(box: Bench) -> None:
    with Bus(box) as bus:
        settings = bus[30].settings
        assert settings[NOTCH] == 36.0
        settings[NOTCH] = 41.5
        settings.store()
        assert settings.as_dict("stored")[NOTCH] == 41.5
        assert NOTCH in settings
        assert "stiffness" not in settings
        assert len(settings) == len(busproto.BY_NAME)
        assert dict(settings)["damping"] == 30
        with pytest.raises(LacksParameterError, match=r"address 30 .* has no parameter 'stiffness'"):
            settings["stiffness"]
        with pytest.raises(LacksParameterError, match=r"address 30 .* has no parameter 'stiffness'"):
            settings["stiffness"] = 50
        with pytest.raises(busproto.InputError, match=r"notch \[x\]: 501\.0 Hz is outside 0\.0\.\.500\.0 Hz"):
            settings.update({"damping": 40, NOTCH: 501})
        assert settings.update({"damping": 40, NOTCH: "42 Hz"}) == {"damping": 40, NOTCH: 42.0}
        assert settings.undo()[NOTCH] == 41.5
        by_uid = bus["0dd0000000000002"].settings
        assert by_uid[NOTCH] == 41.5
        assert NOTCH not in bus[29].settings
        saved = bus.save("mixed.record.json")
        by_uid[NOTCH] = 1
        by_uid.store()
        [row] = bus.compare(saved).different
        assert row.texts == ("41.5 Hz", "1.0 Hz")
        assert bus.restore(saved, agree=True).is_as_recorded
        assert by_uid[NOTCH] == 41.5
        plan(f'own = {{ "{NOTCH}" = 12.5 }}\n')
        assert bus.apply("mixed.toml", agree=True, by_address=True).audit.is_clean
        assert by_uid[NOTCH] == 12.5


NEEDS: Final[dict[str, set[str]]] = {
    "move 30 5deg --clear": {"travel", "loss-action"},
    "trial mixed.toml --part centre --clear": {"travel"},
    "trial mixed.toml --part loss --clear": {"travel", "loss-action"},
    "watch --for 0.5": set(),
    "audit mixed.toml": set(),
    "show": set(),
}


@pytest.mark.parametrize("command", list(NEEDS))
@pytest.mark.parametrize("lacks", ["travel", "loss-action", "correction"])
def test_a_command_that_needs_what_is_not_there_says_so_in_one_line_and_moves_nothing(
    cli: CommandLine, box: Bench, monkeypatch: pytest.MonkeyPatch, command: str, lacks: str
) -> None:
    text = SCENARIO.replace('"stiffness"', f'"{lacks}"').replace("address = 30\n", "address = 30\narm-at = 3.0\n")
    Path("other.scenario.toml").write_text(text, "utf-8")
    bench = make_bench(monkeypatch, "other.scenario.toml")
    assert apply(cli).code == exit_codes.DONE
    done = cli(f"{command} --port any")
    if lacks in NEEDS[command]:
        assert done.code == exit_codes.FAILED
        assert f"the actuator at address 30 (1E hex) has no parameter '{lacks}'" in done.err
        assert bench.bus.labelled("brake").arm.position_deg == 3.0
    else:
        assert done.code in {exit_codes.DONE, exit_codes.NOT_AS_WANTED}
