"""Help pages: each names its options, its JSON keys and its exit codes, and shows commands that can be typed.

How click breaks lines is click's business and is not looked at.
"""

from __future__ import annotations

import json
import re
import shlex
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import click
import pytest

from busproto.cli import COMMANDS, GROUPS, exit_codes, group
from tests.cli.helpers import ROOT, CommandLine

BENCH: Final = "--port sim://bench-four?seed=1"
HAULER: Final = "--port sim://hauler?seed=1"
PLAN: Final = "tour/hauler-mended.toml"
CAPTURE: Final = sorted((ROOT / "captures").glob("*.pcapng"))[0]

NO_JSON: Final = {"plan schema": "its output is the schema itself"}
NO_CODE: Final = {"ports", "set", "plan new", "plan schema", "bus run", "wave", "spec", "handbook"}
"""Commands that end with no code of their own: 0, or those of every command for what fails, bad usage and no answer."""
JSON_RUNS: Final = (
    "ports",
    f"find {BENCH}",
    f"show {BENCH}",
    f"watch 3 --for 2 {BENCH}",
    f"address b0a7000000000102 4 {BENCH}",
    f"set 3 neutral=2 {BENCH}",
    f"move 3 25% --clear {BENCH}",
    f"move 3 limp {BENCH}",
    "plan new --list-examples",
    "plan new tour --example hauler",
    f"plan check {PLAN}",
    f"rig {PLAN}",
    f"audit {PLAN} {HAULER}",
    f"save -o bench.record.json --as-it-is {BENCH}",
    f"compare bench.record.json {BENCH}",
    f"restore bench.record.json --yes --those-present {BENCH}",
    "card --record bench.record.json",
    "wave bench-four --vcd search.vcd",
    f"stats {CAPTURE}",
    f"decode {CAPTURE}",
    "spec",
    "spec --c codec",
    "handbook",
    "handbook begin",
    "lesson --list",
    "lesson and",
    "lesson and --answer c2",
)
"""In order, in one directory. The others need a hand, a person or a process; their own tests read their keys."""


def every_command() -> Iterator[tuple[str, click.Command]]:
    """Each command that can be typed, those of `plan` and `bus` one by one."""
    context = click.Context(group, info_name="busproto")
    for name in COMMANDS:
        command = group.get_command(context, name)
        assert command is not None
        if isinstance(command, click.Group):
            yield from ((f"{name} {inner}", one) for inner, one in command.commands.items())
        else:
            yield name, command


EVERY: Final = dict(every_command())


def help_of(name: str, cli: CommandLine) -> str:
    done = cli(*name.split(), "--help")
    assert (done.code, done.err) == (exit_codes.DONE, "")
    assert cli(*name.split(), "-h").out == done.out
    return done.out


def unbroken(text: str) -> str:
    """A text without what click may break it at."""
    return re.sub(r"[\s-]", "", text)


def epilog_of(name: str) -> str:
    """What stands below the options, and below those of a command to which it leads for its keys."""
    text = " ".join((EVERY[name].epilog or "").split())
    other = re.search(r"as 'busproto (\w+)' gives it \(", text)
    return f"{text} {epilog_of(other.group(1))}" if other else text


def test_the_list_of_commands_names_each_once_below_its_job(cli: CommandLine) -> None:
    text = help_of("", cli)
    assert [job for job in GROUPS if f"\n{job}:\n" not in text] == []
    rows = re.findall(r"^  ([a-z]+)  +\S", text, re.MULTILINE)
    assert [name for name in rows if name in COMMANDS] == list(COMMANDS)
    assert len(COMMANDS) == sum(map(len, GROUPS.values())), "a command stands in two groups"
    files = {path.name.removesuffix("_command.py") for path in (ROOT / "busproto" / "cli").rglob("*_command.py")}
    assert set(COMMANDS) == files
    told = unbroken(text)
    assert [line for line in COMMANDS.values() if unbroken(line) not in told] == []
    assert [code for code in exit_codes.TEXTS if f"\n    {code:<4} {exit_codes.TEXTS[code]}\n" not in text] == []


def test_without_a_command_the_list_goes_to_stderr(cli: CommandLine) -> None:
    done = cli(*())
    assert (done.code, done.out, done.err) == (exit_codes.USAGE, "", help_of("", cli))
    for name in ("bus", "plan"):
        done = cli(name)
        assert (done.code, done.out) == (exit_codes.USAGE, "")
        assert done.error_line == f"Missing command (see 'busproto {name} --help')"


@pytest.mark.parametrize("name", EVERY)
def test_a_help_page_names_every_option_and_says_what_it_does(name: str, cli: CommandLine) -> None:
    text = help_of(name, cli)
    words = " ".join(text.split())
    assert words.startswith(f"Usage: busproto {name} [OPTIONS]")
    options = [one for one in EVERY[name].params if isinstance(one, click.Option)]
    for option in options:
        for spelled in (*option.opts, *option.secondary_opts):
            assert re.search(rf"(?<![\w-]){re.escape(spelled)}(?![\w-])", text), spelled
        assert option.help, f"{option.opts}: no help"
        assert option.help.endswith((".", ")")), option.help
    for argument in EVERY[name].params:
        if isinstance(argument, click.Argument):
            assert argument.make_metavar(click.Context(EVERY[name])).strip("[].") in words


@pytest.mark.parametrize("name", EVERY)
def test_the_examples_of_a_help_page_can_be_typed(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Parsed, not run: each option is there, and takes what is given to it."""
    examples = re.findall(r"^  (?:.*\| )?(busproto .+)$", EVERY[name].epilog or "", re.MULTILINE)
    assert examples, "no example"
    monkeypatch.delenv("BUSPROTO_PORT", raising=False)
    parent = click.Context(group, info_name="busproto")  # a command keeps its first help option: with -h, as typed
    for example in examples:
        words = shlex.split(re.split(r" [|>] ", example)[0])[1:]
        assert words[: len(name.split())] == name.split(), example
        EVERY[name].make_context(name, words[len(name.split()) :], parent)


@pytest.mark.parametrize("name", EVERY)
def test_a_help_page_says_its_json_keys_and_its_exit_codes(name: str) -> None:
    epilog = epilog_of(name)
    with_json = any("--json" in one.opts for one in EVERY[name].params)
    assert with_json != (name in NO_JSON)
    if with_json:
        assert re.search(r'JSON\b.*"[a-z_]+"', epilog)
    assert bool(re.search(r"Exit code \d", epilog)) != (name in NO_CODE)
    told = {int(code) for code in re.findall(r"(?:Exit code |\. )(\d+):", epilog)}
    assert told <= set(exit_codes.TEXTS)
    clears = any("--clear" in one.opts or "--yes" in one.opts for one in EVERY[name].params)
    assert clears or exit_codes.NOT_CLEARED not in told


def first_json(text: str) -> dict[str, Any]:
    found, _ = json.JSONDecoder().raw_decode(text)
    assert isinstance(found, dict)
    return found


def test_the_keys_that_are_printed_are_those_that_the_help_names(
    cli: CommandLine, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.chdir(tmp_path)
    for line in JSON_RUNS:
        done = cli(*shlex.split(line), "--json")
        assert done.code in {exit_codes.DONE, exit_codes.NOT_AS_WANTED}, done.transcript()
        name = next(one for one in EVERY if line.startswith(f"{one} ") or line == one)
        missing = [key for key in first_json(done.out) if f'"{key}"' not in epilog_of(name)]
        assert missing == [], f"{line}: {missing}"
