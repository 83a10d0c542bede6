"""The table of JSON keys: each once, with the unit that its name ends with, and what it catches.

That commands keep to it is looked at in each run of each test: see `tests.cli.helpers.assert_keys`.
"""

from __future__ import annotations

import re
from typing import Any

import pytest

from busproto import handbook
from busproto.cli import json_keys
from busproto.cli.json_keys import EVERY, GROUPS, KEYS, NO_UNIT, TYPES, UNIT_ENDINGS, flaws_of
from tests.cli.helpers import bodies_in
from tests.cli.test_help import EVERY as COMMANDS
from tests.cli.test_help import epilog_of


def test_each_key_stands_there_once_with_a_type_and_commands_that_exist() -> None:
    assert json_keys.twice() == []
    for key in KEYS.values():
        assert re.fullmatch(r"[a-z][a-z_]*(_m3)?", key.name)
        assert key.kind in TYPES
        assert key.meaning
        assert key.meaning[-1] != "."
        assert key.commands == (EVERY,) or set(key.commands) - {EVERY} <= set(COMMANDS), key


def test_a_key_with_a_unit_ends_with_it() -> None:
    for key in KEYS.values():
        name = key.name if key.name not in NO_UNIT | {"baud"} else ""
        ending = name.rpartition("_")[2] if "_" in name else ""
        compound = {"no_load_speed_deg_s": "deg/s", "limit_m_s": "m/s", "density_kg_m3": "kg/m^3"}
        compound |= {"demands_per_second": "1/s"}
        wanted = compound.get(name, UNIT_ENDINGS.get(ending, ""))
        assert key.unit == wanted or not name, key


def test_a_count_is_a_whole_number_and_no_list_has_a_count_beside_it() -> None:
    counts = [key for key in KEYS.values() if key.name.endswith("_count")]
    assert {key.kind for key in counts} == {"int"}
    for key in counts:
        plural = KEYS.get(f"{key.name.removesuffix('_count')}s")
        assert plural is None or not set(plural.commands) & set(key.commands) - {"stats", "plan check"}, key.name


@pytest.mark.parametrize("name", COMMANDS)
def test_a_key_that_a_help_page_names_is_told_of_that_command(name: str) -> None:
    """The other way round, that a help page names every key at the top of an output, `test_help` looks at."""
    if name in json_keys.DOCUMENTS:
        return
    told = re.search(r"JSON\b(.*?)(?:Exit code|$)", epilog_of(name))
    named = re.findall(r'"([a-z_]+)"', told.group(1)) if told else []
    assert [one for one in named if one not in KEYS and one not in VALUES] == []


VALUES = {"stored", "factory", "limp"}
"""What a help page quotes that is a value."""


def test_groups_name_commands() -> None:
    for names in GROUPS.values():
        assert set(names.split()) <= set(COMMANDS)


def test_the_page_is_what_the_program_prints() -> None:
    """`python -m busproto.cli.json_keys > busproto/handbook/pages/json.md` prints it again."""
    assert handbook.TOPICS["json"].source() == json_keys.page()


@pytest.mark.parametrize(
    ("command", "body", "flaw"),
    [
        ("find", {"proven": True, "clashes": [{"address": 3, "uids": ["00"]}]}, ""),
        ("find", {"complete": True}, "find: complete is not in the table"),
        ("find", {"proven": 1}, "find: proven is 1, not `true` or `false`, or null"),
        ("find", {"clashes": [{"uids": "00"}]}, "find: clashes.uids is '00', not list of texts"),
        ("find", {"gone": None}, "find: gone is None, not list of texts"),
        ("ports", {"proven": True}, "ports: proven is not told of this command"),
        ("show", {"settings": {"neutral": {"valeu": 1}}}, "show: settings.*.valeu is not in the table"),
        ("lesson", {"scenes": [{"anything": 1}]}, ""),
        ("spec", {"anything": 1}, ""),
        ("ports", {"error": {"kind": "InputError", "text": "", "exit_code": 2}}, ""),
    ],
)
def test_what_is_not_as_the_table_says_is_found(command: str, body: Any, flaw: str) -> None:
    assert flaws_of(command, body) == ([flaw] if flaw else [])


def test_outputs_of_several_lines_are_read_one_by_one() -> None:
    assert list(bodies_in('page: x\n{"a": 1}\n{"b": [{}]}\n')) == [{"a": 1}, {"b": [{}]}]
    assert list(bodies_in("{")) == []
