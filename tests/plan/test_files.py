"""The two files of a plan: what they become, who has the last word, and everything that is wrong with both."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from busproto.errors import FileError, InputError
from busproto.plan import examples
from busproto.plan.assignment import load_assignment, save_assignment
from busproto.plan.check.check import check
from busproto.plan.files import KINDS, SAID_ELSEWHERE, schema
from busproto.plan.load import Plan, kind_of, load, load_fleet
from busproto.wire.parameters import FACTORY, PARAMETERS
from tests.plan.texts import AIRFRAME, FLEET, write_plan, write_texts


def problems_of(directory: Path, name: str = "one.toml") -> list[str]:
    with pytest.raises(FileError) as caught:
        load(directory / name)
    assert caught.value.source == str(directory / name)
    return list(caught.value.problems)


# --- what they become ------------------------------------------------------------------------------------------


def test_a_plan_has_what_both_files_say(tmp_path: Path) -> None:
    plan = write_plan(
        tmp_path, more='[function.flap]\nthrow = [-5, 40]\npositive = "down"\nmodel = "big"\nfirmware = "2.0"'
    )
    assert (plan.title, plan.fleet_title, list(plan.roles)) == (
        "One", "All of them", ["throttle", "aileron", "rudder-a", "rudder-b", "flap"],
    )  # fmt: skip
    assert (plan.full_mv, plan.empty_mv) == (8400, 6400)
    assert (plan.bus.baud, plan.bus.demands_per_second, plan.bus.reports) == (115_200, 50, False)
    flap = plan.role("flap")
    assert (flap.address, flap.channel, flap.gang, flap.model, flap.firmware) == (40, 9, "", "big", "2.0")
    assert (flap.throw_deg, flap.positive) == ((-5.0, 40.0), "down")
    gang = plan.gangs["rudder"]
    assert (gang.number, gang.members) == (1, ("rudder-a", "rudder-b"))
    where = {name: [plan.roles[name].settings[key] for key in ("channel", "gang", "place")] for name in plan.roles}
    assert where == {
        "throttle": [1, 0, 0],
        "aileron": [2, 0, 0],
        "rudder-a": [4, 1, 1],
        "rudder-b": [4, 1, 2],
        "flap": [9, 0, 0],
    }
    assert plan.beside("assignment.json") == tmp_path / "one.assignment.json"
    with pytest.raises(InputError, match="no function 'tail'; there are: throttle, aileron"):
        plan.role("tail")


def test_the_nearest_word_is_the_last_one(tmp_path: Path) -> None:
    """The airframe's function, the map's function, the map's settings for all, the factory."""
    write_texts(tmp_path, settings="travel = 90\nneutral = 1\nslew-limit = 200")
    fleet = (tmp_path / "fleet.toml").read_text("utf-8")
    fleet = fleet.replace("address = 10", "address = 10\nsettings = { neutral = 2, slew-limit = 100 }")
    (tmp_path / "fleet.toml").write_text(fleet, "utf-8")
    airframe = (tmp_path / "one.toml").read_text("utf-8")
    airframe = airframe.replace("[function.aileron]", "[function.aileron]\nsettings = { slew-limit = 50.5 }")
    (tmp_path / "one.toml").write_text(airframe, "utf-8")
    plan = load(tmp_path / "one.toml")
    names = ("soft-start", "travel", "neutral", "slew-limit")
    assert [plan.roles["aileron"].settings[name] for name in names] == [FACTORY["soft-start"], 9000, 200, 505]
    assert [plan.roles["throttle"].settings[name] for name in names] == [FACTORY["soft-start"], 9000, 100, 2000]
    assert [plan.defaults[name] for name in names] == [FACTORY["soft-start"], 9000, 100, 2000]


def test_every_setting_is_planned_but_the_measured_one(tmp_path: Path) -> None:
    plan = write_plan(tmp_path)
    assert set(plan.roles["aileron"].settings) == set(FACTORY) - {"correction"}
    stated = write_plan(tmp_path, settings="correction = [0, 0.5, 0]")
    assert stated.roles["aileron"].settings["correction"] == (0, 50, 0)


def test_the_map_is_looked_for_beside_the_airframe_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    below = tmp_path / "planes"
    below.mkdir()
    write_texts(tmp_path)
    (below / "one.toml").write_text((tmp_path / "one.toml").read_text("utf-8").replace("fleet.toml", "../fleet.toml"))
    monkeypatch.chdir("/")
    assert load(below / "one.toml").fleet.name == "../fleet.toml"


# --- what is wrong ---------------------------------------------------------------------------------------------


def test_problems_of_both_files_are_said_at_once(tmp_path: Path) -> None:
    (tmp_path / "fleet.toml").write_text(FLEET.replace("SETTINGS", "").replace("address = 10", "address = 300"))
    (tmp_path / "one.toml").write_text(AIRFRAME.replace("BUS", "baud = 1").replace("MORE", "wings = 2"))
    assert problems_of(tmp_path) == [
        "line 8: bus.baud: must be >= 9600",
        "line 20: gang.rudder.wings: there is no such key here; there are: number, members",
        "its fleet map fleet.toml: line 13: function.aileron.address: must be <= 239",
    ]


def test_settings_of_both_files_are_said_at_once_with_their_units(tmp_path: Path) -> None:
    settings = 'neutral = 40\ntravel = "wide"\nchannel = 3\nslew-limit = 200.05\nwobble = 1\nloss-action = "panic"'
    more = "[function.flap]\nsettings = { correction = [1], under-voltage = true, place = 1, direction = nan }"
    write_texts(tmp_path, settings=settings, more=more)
    names = ", ".join(FACTORY)
    assert problems_of(tmp_path) == [
        "its fleet map fleet.toml: line 4: settings.neutral: 40.00 deg is outside -30.00..30.00 deg",
        "its fleet map fleet.toml: line 5: settings.travel: 'wide' is not 10.00..180.00 deg",
        "its fleet map fleet.toml: line 6: settings.channel: not here: the fleet map gives it",
        "its fleet map fleet.toml: line 7: settings.slew-limit: 200.05 is finer than its step of 0.1 deg/s",
        f"its fleet map fleet.toml: line 8: settings.wobble: there is no parameter 'wobble'; there are: {names}; "
        "one that only the actuator in a function has stands under own",
        "its fleet map fleet.toml: line 9: settings.loss-action: 'panic' is not limp, hold, preset",
        "line 21: function.flap.settings.correction: 1 points; none or 2..33 are allowed",
        "line 21: function.flap.settings.under-voltage: True is not 0.000..30.000 V",
        "line 21: function.flap.settings.place: not here: the gangs of the airframe file give it",
        "line 21: function.flap.settings.direction: nan is not normal, reversed",
    ]


def test_what_only_some_have_is_looked_at_too(tmp_path: Path) -> None:
    lines = ("own = { notch = 3, travel = 90 }", 'lacks = ["damping", "nothing"]', "settings = { damping = 3 }")
    write_texts(tmp_path, settings="stiffness = 50", more="\n".join(("[function.flap]", *lines)))
    fleet = (tmp_path / "fleet.toml").read_text("utf-8")
    (tmp_path / "fleet.toml").write_text(
        fleet.replace("[function.flap]", "[function.flap]\nown = { preset = 1 }"), "utf-8"
    )
    where, what, names, twice = problems_of(tmp_path)
    assert where.startswith("its fleet map fleet.toml: line ")
    assert where.endswith("function.flap.own.preset: one of the table: it stands under settings")
    assert what == "line 21: function.flap.own.travel: one of the table: it stands under settings"
    assert names.startswith("line 22: function.flap.lacks") or twice.startswith("line 22: function.flap.lacks")
    assert any("'nothing' is none of the table: channel, " in one for one in (names, twice))
    assert any(one.endswith("'damping' stands under settings too") for one in (names, twice))


def test_what_is_stated_and_what_is_lacking_stands_in_the_role(tmp_path: Path) -> None:
    plan = write_plan(
        tmp_path, settings="stiffness = 50", more='[function.flap]\nown = { notch = 3 }\nlacks = ["stiffness"]'
    )
    flap, throttle = plan.roles["flap"], plan.roles["throttle"]
    assert (dict(flap.own), flap.lacks, "stiffness" in flap.wanted) == ({"notch": 3}, ("stiffness",), False)
    assert {"stiffness", "channel"} <= throttle.stated
    assert not {"damping", "gang", "place"} & throttle.stated
    assert {"gang", "place"} <= plan.roles["rudder-a"].stated
    assert throttle.wanted == throttle.settings


def test_a_table_that_would_turn_the_arm_back_is_said_where_both_files_meet(tmp_path: Path) -> None:
    more = "[function.flap]\nsettings = { correction = [0, -6, 0] }"
    write_texts(tmp_path, settings="travel = 10.5", more=more)
    [problem] = problems_of(tmp_path)
    assert problem.startswith("line 20: function.flap: correction: from point 1 to 2 it changes by 6.00 deg, and they ")
    write_texts(tmp_path, settings="travel = 12", more=more)
    assert load(tmp_path / "one.toml").roles["flap"].settings["correction"] == (0, -600, 0)


def test_settings_of_a_fleet_map_alone_are_looked_at(tmp_path: Path) -> None:
    write_texts(tmp_path, settings="travel = 11\nneutral = 40")
    fleet = (tmp_path / "fleet.toml").read_text("utf-8")
    steep = fleet.replace("address = 40", "address = 40\nsettings = { correction = [0, 6, 0] }")
    (tmp_path / "fleet.toml").write_text(steep, "utf-8")
    with pytest.raises(FileError) as caught:
        load_fleet(tmp_path / "fleet.toml")
    neutral, flap = caught.value.problems
    (tmp_path / "odd.toml").write_text("fleet-map = ", "utf-8")
    with pytest.raises(FileError, match=r"odd\.toml': not valid TOML"):
        load_fleet(tmp_path / "odd.toml")
    assert neutral == "line 5: settings.neutral: 40.00 deg is outside -30.00..30.00 deg"
    assert flap.startswith("line 24: function.flap.settings: correction: from point 1 to 2 it changes by 6.00 deg")


def test_gangs_and_functions_that_make_no_sense_are_said(tmp_path: Path) -> None:
    more = '[gang.tail]\nnumber = 1\nmembers = ["rudder-a", "flap"]\n[function.tailhook]\n'
    write_texts(tmp_path, more=more)
    assert problems_of(tmp_path) == [
        "line 23: function.tailhook: the fleet map has no such function; it has: throttle, aileron, rudder-a, "
        "rudder-b, flap",
        "line 21: gang.tail.number: 1 is that of 'rudder' already",
        "line 22: gang.tail.members[0]: 'rudder-a' is in the gang 'rudder' already",
        "line 22: gang.tail.members[1]: 'flap' is no function of this airframe",
    ]


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("nowhere.toml", "the map '{}/nowhere.toml' cannot be read: No such file or directory"),
        (".", "the map '{}' cannot be read: it is a directory"),
        ("a\\u0000b", "the map '{}/a\0b' cannot be read: embedded null byte"),
    ],
)
def test_a_map_that_cannot_be_read_is_said_with_the_line_that_names_it(name: str, why: str, tmp_path: Path) -> None:
    write_texts(tmp_path)
    text = (tmp_path / "one.toml").read_text("utf-8").replace("fleet.toml", name)
    (tmp_path / "one.toml").write_text(text, "utf-8")
    assert problems_of(tmp_path) == [f"line 3: fleet-map: {why.format(tmp_path)}"]


def test_an_airframe_file_that_is_its_own_map_is_told(tmp_path: Path) -> None:
    write_texts(tmp_path)
    text = (tmp_path / "one.toml").read_text("utf-8").replace("fleet.toml", "one.toml")
    (tmp_path / "one.toml").write_text(text, "utf-8")
    assert "its fleet map one.toml: line 3: fleet-map: a whole number is wanted here, not a text" in problems_of(
        tmp_path
    )


def test_a_map_that_is_no_toml_is_told(tmp_path: Path) -> None:
    write_texts(tmp_path)
    (tmp_path / "fleet.toml").write_text("fleet-map = \n", "utf-8")
    assert problems_of(tmp_path) == ["its fleet map fleet.toml: line 1: not valid TOML: Invalid value (column 13)"]


def test_kinds_of_files_are_told_apart(tmp_path: Path) -> None:
    write_texts(tmp_path)
    assert kind_of(tmp_path / "one.toml") == "airframe"
    assert kind_of(tmp_path / "fleet.toml") == "fleet-map"
    for text in ("", "fleet-map = 'there.toml'", "title = 'x'"):
        (tmp_path / "odd.toml").write_text(text)
        with pytest.raises(FileError, match=r"odd\.toml\W+it says neither 'airframe = 1' nor 'fleet-map = 1'"):
            kind_of(tmp_path / "odd.toml")
    (tmp_path / "odd.toml").write_text("=")
    with pytest.raises(FileError, match="line 1: not valid TOML"):
        kind_of(tmp_path / "odd.toml")


def test_a_map_alone_is_looked_at_too(tmp_path: Path) -> None:
    write_texts(tmp_path, settings="travel = 100")
    fleet, source = load_fleet(tmp_path / "fleet.toml")
    assert (fleet.title, source.name, fleet.settings) == ("All of them", "fleet.toml", {"travel": 100})
    write_texts(tmp_path, settings="travel = 1000\ngang = 1")
    with pytest.raises(FileError) as caught:
        load_fleet(tmp_path / "fleet.toml")
    assert list(caught.value.problems) == [
        "line 4: settings.travel: 1000.00 deg is outside 10.00..180.00 deg",
        "line 5: settings.gang: not here: the gangs of the airframe file give it",
    ]


WHOLE = {name: text.replace("SETTINGS", "").replace("BUS", "").replace("MORE", "").splitlines()
         for name, text in (("fleet.toml", FLEET), ("one.toml", AIRFRAME))}  # fmt: skip
LINES = [*WHOLE["fleet.toml"], *WHOLE["one.toml"], "", "x = nan", "supply = [8, 4]", "[function]", "a.b = 1",
         "throw = [1, inf]", "members = [1]", "settings = 3", "full = nan", "settings = { neutral = 29 }",
         "settings.travel = 180", "demands-per-second = 500", "reports = true", "channel = 1"]  # fmt: skip


@given(st.lists(st.tuples(st.sampled_from(list(WHOLE)), st.integers(0, 25), st.sampled_from(LINES)), max_size=4))
@example([])
def test_any_lines_in_place_of_others_are_a_plan_or_told(
    tmp_path_factory: pytest.TempPathFactory, exchanged: list[tuple[str, int, str]]
) -> None:
    directory = tmp_path_factory.mktemp("any")
    texts = {name: list(lines) for name, lines in WHOLE.items()}
    for name, at, line in exchanged:
        texts[name][at : at + 1] = [line]
    for name, lines in texts.items():
        (directory / name).write_text("\n".join(lines), "utf-8")
    try:
        came: Plan | tuple[str, ...] = load(directory / "one.toml")
    except FileError as error:
        came = error.problems
    assert isinstance(came, Plan) or (came and all(came))
    if isinstance(came, Plan):
        assert all(one.file in {"one.toml", "fleet.toml"} for one in check(came))
    assert exchanged or isinstance(came, Plan)


# --- schema ----------------------------------------------------------------------------------------------------


def validator(kind: str) -> Any:
    body = schema(kind)
    assert body["$schema"] == jsonschema.Draft202012Validator.META_SCHEMA["$id"]  # an editor reads it by that
    jsonschema.Draft202012Validator.check_schema(body)
    return jsonschema.Draft202012Validator(body)


@pytest.mark.parametrize("name", examples.names())
def test_the_shipped_examples_are_as_their_schema_says(name: str) -> None:
    kinds = set()
    for text in examples.texts(name).values():
        kind = "airframe" if examples.is_airframe(text) else "fleet-map"
        kinds.add(kind)
        assert [error.message for error in validator(kind).iter_errors(tomllib.loads(text))] == []
    assert kinds == {"airframe", "fleet-map"}


@pytest.mark.parametrize(
    ("kind", "key", "value"),
    [
        ("airframe", "title", ""),
        ("airframe", "wings", 2),
        ("airframe", "title", "red \u001b[31m"),
        ("fleet-map", "title", "two\nlines"),
        ("airframe", "bus", {"baud": 1}),
        ("airframe", "supply", {"full": "8.4"}),
        ("airframe", "function", {}),
        ("airframe", "function", {"a": {"settings": {"neutral": 31}}}),
        ("airframe", "function", {"a": {"settings": {"wobble": 1}}}),
        ("airframe", "function", {"a": {"settings": {"channel": 1}}}),
        ("airframe", "function", {"a": {"settings": {"loss-action": "panic"}}}),
        ("airframe", "function", {"a": {"settings": {"correction": [0] * 34}}}),
        ("airframe", "function", {"a": {"throw": [1]}}),
        ("airframe", "gang", {"a": {"number": 33, "members": ["a", "b"]}}),
        ("airframe", "gang", {"a": {"number": 1, "members": ["a"]}}),
        ("fleet-map", "function", {"a": {"address": 240, "channel": 1}}),
        ("fleet-map", "function", {"a": {"address": 1}}),
        ("fleet-map", "model", {"a": {"supply": [1]}}),
        ("fleet-map", "settings", {"travel": "wide"}),
    ],
)
def test_what_the_schema_refuses_is_refused_when_it_is_read(kind: str, key: str, value: object, tmp_path: Path) -> None:
    write_texts(tmp_path)
    name = "one.toml" if kind == "airframe" else "fleet.toml"
    data = tomllib.loads((tmp_path / name).read_text("utf-8"))
    assert validator(kind).is_valid(data)
    data[key] = value
    assert not validator(kind).is_valid(data)
    (tmp_path / name).write_text(as_toml(data), "utf-8")
    assert problems_of(tmp_path)


def as_toml(data: dict[str, Any]) -> str:
    """Data as TOML, with inline tables only."""

    def one(value: Any) -> str:
        if isinstance(value, dict):
            return "{ " + ", ".join(f"{json.dumps(key)} = {one(inner)}" for key, inner in value.items()) + " }"
        return "[" + ", ".join(map(one, value)) + "]" if isinstance(value, list) else json.dumps(value)

    return "".join(f"{json.dumps(key)} = {one(value)}\n" for key, value in data.items())


def test_the_schema_holds_every_parameter_that_a_file_may_set() -> None:
    for kind in KINDS:
        tables = [
            table["properties"]["settings"]["properties"]
            for table in schema(kind)["$defs"].values()
            if "settings" in table["properties"]
        ]
        assert tables
        for table in tables:
            assert set(table) == set(FACTORY) - set(SAID_ELSEWHERE)
    assert schema("airframe")["$defs"]["RoleTable"]["properties"]["settings"]["properties"]["neutral"] == {
        "type": "number",
        "minimum": -30.0,
        "maximum": 30.0,
        "description": "where the arm stands at demand 0, from the middle of the mechanical range (deg)",
    }
    with pytest.raises(KeyError):
        schema("record")


# --- examples --------------------------------------------------------------------------------------------------


def test_the_start_explains_every_parameter_with_its_range_and_has_the_factory_values() -> None:
    lines = examples.texts("start")["fleet.toml"].splitlines()
    for row in PARAMETERS.values():
        if row.name in SAID_ELSEWHERE:
            assert any(f"{row.name} ({row.range_text()}" in line for line in lines), row.name
            continue
        told = [line for line in lines if line.removeprefix("# ").startswith(f"{row.name} = ")]
        assert len(told) == 1, row.name
        explained = told[0].partition("= ")[2].partition("#")[2]
        assert row.range_text() in explained, row.name
        if told[0].startswith("# "):  # as the factory set it
            assert tomllib.loads(told[0].removeprefix("# ")) == {
                row.name: row.value(row.default) if not row.points else list(row.default)  # type: ignore[arg-type]
            }


def test_there_is_no_example_of_another_name() -> None:
    with pytest.raises(InputError, match=r"there is no example 'x'; there are: .*start"):
        examples.texts("x")
    assert examples.title("start") == "First airframe"
    assert list(examples.texts("start")) == ["airframe.toml", "fleet.toml"]


# --- who sits where --------------------------------------------------------------------------------------------


def uid(number: int) -> bytes:
    return number.to_bytes(8, "big")


def test_who_sits_where_is_kept(tmp_path: Path) -> None:
    plan = write_plan(tmp_path)
    assert load_assignment(plan) == {}
    uids = {"aileron": uid(7), "throttle": uid(2**64 - 1)}
    save_assignment(plan, uids)
    assert load_assignment(plan) == uids
    assert json.loads((tmp_path / "one.assignment.json").read_text("utf-8")) == {
        "assignment-of": "One",
        "format": 1,
        "uids": {"throttle": "ffffffffffffffff", "aileron": "0000000000000007"},
    }
    save_assignment(plan, {**uids, "gone": uid(9)})
    assert load_assignment(plan) == uids


def test_functions_that_are_no_longer_there_are_left_out(tmp_path: Path) -> None:
    plan = write_plan(tmp_path, more="[function.flap]")
    save_assignment(plan, {"flap": uid(1), "aileron": uid(2)})
    assert load_assignment(write_plan(tmp_path)) == {"aileron": uid(2)}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "Input data was truncated"),
        ("[]", "Expected `object`, got `array`"),
        ('{"assignment-of": "One", "format": 2, "uids": {}}', "Expected `int` <= 1"),
        ('{"assignment-of": "One", "format": 1}', "missing required field `uids`"),
        ('{"assignment-of": "One", "format": 1, "uids": {"aileron": 3}}', "Expected `str`, got `int`"),
        ('{"assignment-of": "One", "format": 1, "uids": {"aileron": "3"}}', "uid '3'"),
        ('{"assignment-of": "One", "format": 1, "uids": {}, "x": 1}', "unknown field `x`"),
        (
            '{"assignment-of": "One", "format": 1, "uids": {"aileron": "0000000000000001", "throttle": '
            '"0000000000000001"}}',
            "0000000000000001 is in several functions",
        ),
        ("[" * 100_000, ""),
        (b"\xc3(", "it is not UTF-8 text"),
    ],
)
def test_a_bad_file_of_roles_is_told(text: str | bytes, said: str, tmp_path: Path) -> None:
    plan = write_plan(tmp_path)
    path = tmp_path / "one.assignment.json"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(FileError) as caught:
        load_assignment(plan)
    assert caught.value.source == str(path)
    assert said in str(caught.value)


@pytest.mark.parametrize("kind", ["airframe", "fleet-map"])
def test_a_file_of_a_later_version_is_refused_as_it_may_mean_something_else(kind: str, tmp_path: Path) -> None:
    path = write_plan(tmp_path).path
    (file,) = (one for one in tmp_path.iterdir() if one.read_text("utf-8").lstrip().startswith(f"{kind} = 1"))
    file.write_text(file.read_text("utf-8").replace(f"{kind} = 1", f"{kind} = 2"), "utf-8")
    with pytest.raises(FileError, match=kind):
        load(path)


def test_a_gang_has_two_or_three_members(tmp_path: Path) -> None:
    """The format counts places in a gang from 1 to 3."""
    for count in (1, 4):
        names = ["throttle", "aileron", "rudder-a", "rudder-b"][:count]
        write_texts(tmp_path)
        path = tmp_path / "one.toml"
        text = path.read_text("utf-8").replace('members = ["rudder-a", "rudder-b"]', f"members = {json.dumps(names)}")
        path.write_text(text, "utf-8")
        assert any("members" in one for one in problems_of(tmp_path)), count
