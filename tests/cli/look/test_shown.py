"""What is printed: nothing that a terminal would follow, whatever brought it; nothing that ends in a traceback."""

from __future__ import annotations

import io
import json
import os
import re
import subprocess
import sys
import unicodedata
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busproto import __main__ as entry
from busproto.capture.pcapng import Packet, head_bytes, packet_bytes
from busproto.cli import exit_codes, run
from busproto.cli.output import CleanConsole
from busproto.shown import Shown, clean, json_text
from tests.cli.helpers import PATIENCE_S, CommandLine
from tests.plan.airframes import EXAMPLE

HOSTILE: Final = "a\x1b[2J\x9b31m\x07\x08\r\x7f\N{RIGHT-TO-LEFT OVERRIDE}b\N{LINE SEPARATOR}c\N{RIGHT-TO-LEFT ISOLATE}"
TURNING: Final = {"LRE", "RLE", "PDF", "LRO", "RLO", "LRI", "RLI", "FSI", "PDI"}
"""Classes of the Unicode Bidirectional Algorithm (Standard Annex 9, table 4) that turn the direction by being there."""
MARKS: Final = "\N{ARABIC LETTER MARK}\N{LEFT-TO-RIGHT MARK}\N{RIGHT-TO-LEFT MARK}"


def is_followed(letter: str) -> bool:
    """By the tables of Unicode that Python brings, not by ours."""
    return (
        (unicodedata.category(letter) == "Cc" and letter not in "\t\n")
        or unicodedata.category(letter) in {"Zl", "Zp"}
        or unicodedata.bidirectional(letter) in TURNING
        or letter in MARKS
    )


def followed(text: str) -> list[str]:
    return [letter for letter in text if is_followed(letter)]


# --- letters ---------------------------------------------------------------------------------------------------


def test_every_letter_of_unicode_is_shown_as_it_is_or_as_a_sign() -> None:
    for code in (*range(0x11000), *range(0xE0000, 0xE0200)):  # beyond are letters, pictures and room
        letter = chr(code)
        shown = clean(letter)
        assert (shown != letter) == is_followed(letter), f"{code:04X}"
        assert len(shown) == 1
        assert not followed(shown)
    assert clean("\x1b\x7f\x9b\u202e") == "\N{SYMBOL FOR ESCAPE}\N{SYMBOL FOR DELETE}\ufffd\ufffd"


@given(st.text(), st.sampled_from(["utf-8", "ascii", "cp1252", "latin-1"]))
def test_any_text_can_be_written_and_json_keeps_it(text: str, encoding: str) -> None:
    bytes_out = io.BytesIO()
    stream = io.TextIOWrapper(bytes_out, encoding=encoding, newline="\n")
    shown = Shown(stream)
    assert shown.write(text) == len(text)
    shown.flush()
    written = bytes_out.getvalue().decode(encoding)
    assert not followed(written)
    assert len(written) == len(text)
    before, sys.stdout = sys.stdout, stream
    try:
        told = json_text({"text": text})
    finally:
        sys.stdout = before
    assert not followed(told)
    told.encode(encoding)
    assert json.loads(told) == {"text": text}
    with pytest.raises(AttributeError):
        _ = shown.buffer


def test_a_coloured_table_holds_our_colours_and_no_others(monkeypatch: pytest.MonkeyPatch) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    from rich.panel import Panel
    from rich.table import Table

    terminal = Terminal()
    monkeypatch.setattr(sys, "stdout", Shown(terminal))
    monkeypatch.setenv("TERM", "xterm")
    table = Table("head", title=HOSTILE)
    table.add_row(HOSTILE, style="red")
    console = CleanConsole()
    console.print(table, Panel(HOSTILE), f"[red]{HOSTILE}[/red]")
    out = terminal.getvalue()
    assert "\x1b[31m" in out
    assert "[2J" in out
    assert "\x1b[2J" not in out
    assert not followed(out.replace("\x1b[", ""))


# --- whatever brings it ----------------------------------------------------------------------------------------


def hostile_capture() -> None:
    packets = [Packet(1, b"\0ab\0", False, comment=HOSTILE), Packet(2, b"x", True, comment=HOSTILE)]
    Path("a.pcapng").write_bytes(head_bytes(115_200, HOSTILE, HOSTILE) + b"".join(map(packet_bytes, packets)))


def hostile_toml() -> None:
    key = json.dumps(HOSTILE)  # its escapes are those of TOML too
    Path("a.toml").write_text(
        f"airframe = 1\n{key} = {key}\ntitle = {key}\n[[actuator]]\nlabel = {key}\n[event.{key}]\n", "utf-8"
    )


def hostile_journal() -> None:
    for file in (EXAMPLE.parent / "rudder").iterdir():
        Path(file.name).write_bytes(file.read_bytes())
    rows: list[dict[str, Any]] = [
        {"step": "run", "at": HOSTILE},
        {"step": "begin", "function": HOSTILE, "text": HOSTILE},
    ]
    Path("rudder.journal.jsonl").write_text("".join(json.dumps(row) + "\n" for row in rows), "utf-8")


def hostile_record() -> None:
    assert run(["save", "-o", "a.json", "--port", "sim://rudder-gang"]) == exit_codes.DONE
    body = json.loads(Path("a.json").read_text("utf-8"))
    turned = HOSTILE.replace("\x1b", "").replace("\x9b", "")
    body["title"] = body["airframe"] = body["search"]["reason"] = body["actuators"][0]["function"] = turned
    body["actuators"][0]["model"] = HOSTILE
    Path("a.json").write_text(json.dumps(body), "utf-8")


BROUGHT: Final[dict[str, tuple[Callable[[], None], str]]] = {
    "comments of a capture": (hostile_capture, "decode a.pcapng --fields"),
    "comments of a capture, as JSON": (hostile_capture, "decode a.pcapng --json"),
    "comments of a capture, counted": (hostile_capture, "stats a.pcapng"),
    "keys and titles of a scenario": (hostile_toml, "bus run a.toml --pty"),
    "keys and titles of a plan": (hostile_toml, "plan check a.toml"),
    "a journal": (hostile_journal, "apply rudder.toml --yes --by-address --port sim://rudder-gang"),
    "a journal, as JSON": (
        hostile_journal,
        "apply rudder.toml --yes --by-address --json --port sim://rudder-gang",
    ),
    "a record": (hostile_record, "compare a.json a.json"),
    "a record, as JSON": (hostile_record, "compare a.json a.json --json"),
    "a record on a card": (hostile_record, "card --record a.json"),
}


@pytest.mark.parametrize("what", BROUGHT)
def test_files_of_strangers_bring_no_controls_to_the_terminal(
    what: str, cli: CommandLine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    make, command = BROUGHT[what]
    make()
    done = cli(command)
    assert not followed(done.out + done.err), done.transcript()
    assert "Traceback" not in done.err
    assert "31m" in done.out + done.err or what.startswith(("a record", "comments of a capture, counted"))
    if "JSON" in what and "journal" in what:
        assert HOSTILE in done.json["went_on_after"]


@pytest.mark.parametrize(
    "arguments",
    [
        ("find", "--port", HOSTILE),
        ("find", "--port", f"sim://{HOSTILE}"),
        ("find", f"--{HOSTILE}"),
        (HOSTILE,),
        ("plan", "check", HOSTILE),
        ("set", "3", f"{HOSTILE}={HOSTILE}", "--port", "sim://bench-four"),
        ("move", "3", HOSTILE, "--clear", "--port", "sim://bench-four"),
        ("spec", "--lua", f"/dev/null/{HOSTILE}"),
    ],
)
def test_what_was_typed_is_quoted_without_its_controls(arguments: tuple[str, ...], cli: CommandLine) -> None:
    for more in ((), ("--json",)):
        done = cli(*arguments, *more)
        assert done.code != exit_codes.DONE
        assert not followed(done.out + done.err)
        assert "a" in done.error_line


ROOMS: Final = Path(entry.__file__).parent
ONE_PLACE: Final = {
    r"json\.dumps\(": {"plan", "transport", "examples", "shown.py", "conformance"},  # files, and lines to programs
    r"\bConsole\(": {"cli/output.py"},
    r"\.savefig\(": {"cli/plots.py"},
    r"\.read_bytes\(\)|\.open\(\"rb\"": {"transport", "atomic_files.py"},
    # what is shipped
    r"\.read_text\(\"utf-8\"": {"plan/examples", "conformance/start.py", "handbook", "wire/generators/template.py"},
}
"""What is done in one place, and who else does something of that look."""


@pytest.mark.parametrize("look", ONE_PLACE)
def test_no_way_leads_around_the_one_place(look: str) -> None:
    for path in sorted(ROOMS.rglob("*.py")):
        name = path.relative_to(ROOMS).as_posix()
        if not name.startswith(tuple(ONE_PLACE[look])):
            assert not re.search(look, path.read_text("utf-8")), f"{name}: {look}"


# --- streams that are not as they should be --------------------------------------------------------------------


@pytest.mark.parametrize("encoding", ["ascii", "cp1252"])
def test_what_cannot_be_encoded_is_replaced(encoding: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.chdir(tmp_path)
    title = "Schlepper \N{KATAKANA LETTER A}\N{LATIN SMALL LETTER E WITH ACUTE}"
    streams = []
    for arguments in (
        ["save", "-o", "a.json", "--title", title, "--port", "sim://rudder-gang"],
        ["compare", "a.json", "a.json"],
        ["card", "--record", "a.json", "--json"],
        ["find", "--port", f"sim://{title}"],
    ):
        streams = [io.TextIOWrapper(io.BytesIO(), encoding=encoding) for _ in range(2)]
        monkeypatch.setattr(sys, "stdout", streams[0])
        monkeypatch.setattr(sys, "stderr", streams[1])
        code = run(arguments)
        out, err = ((one.flush(), one.buffer)[1].getvalue().decode(encoding) for one in streams)  # type: ignore[attr-defined]
        assert "Traceback" not in err
        assert code in {exit_codes.DONE, exit_codes.USAGE, exit_codes.NOT_AS_WANTED}
        if "--json" in arguments:
            assert json.loads(out)["title"] == title
        elif arguments[0] == "find":
            assert "Schlepper ?" in err


def in_a_process(code: str, *arguments: str, **options: Any) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", code, *arguments],
        stderr=subprocess.PIPE,
        stdout=options.pop("stdout", subprocess.PIPE),
        text=True,
        timeout=PATIENCE_S,
        check=False,
        **options,
    )


INTERRUPTED_AT: Final = """
import sys
at = sys.argv.pop(1)
class Finder:
    def find_spec(self, name, path, target=None):
        if name == at:
            raise KeyboardInterrupt
sys.meta_path.insert(0, Finder())
from busproto.__main__ import main
main()
"""


@pytest.mark.parametrize(
    "module", ["busproto.cli", "click", "busproto.cli.common", "serial", "busproto.cli.look.find_command"]
)
def test_ctrl_c_while_modules_are_loaded_is_no_traceback(module: str) -> None:
    done = in_a_process(INTERRUPTED_AT, module, "find", "--port", "sim://bench-four")
    assert (done.returncode, done.stdout, done.stderr.strip()) == (exit_codes.INTERRUPTED, "", "busproto: interrupted")


def test_the_codes_of_the_entry_are_those_of_the_table() -> None:
    assert (entry.DONE, entry.FAILED, entry.INTERRUPTED) == (
        exit_codes.DONE,
        exit_codes.FAILED,
        exit_codes.INTERRUPTED,
    )


RUN: Final = "from busproto.__main__ import main; main()"


@pytest.mark.parametrize("arguments", [("--version",), ("ports",), ("spec", "--json")])
def test_a_disk_that_is_full_is_told(arguments: tuple[str, ...]) -> None:
    if not Path("/dev/full").exists():
        pytest.skip("this system has no /dev/full")
    with open("/dev/full", "w", encoding="utf-8") as full:
        done = in_a_process(RUN, *arguments, stdout=full)
    said = "busproto: the output cannot be written: No space left on device\n"
    assert (done.returncode, done.stderr) == (exit_codes.FAILED, said)


def test_closed_streams_are_no_traceback() -> None:
    code = f"import os, sys; sys.stdin = sys.stdout = None; {RUN}"
    assert in_a_process(code, "find", "--port", "sim://bench-four").stderr == ""
    code = f"import sys; sys.stdin = sys.stdout = sys.stderr = None; {RUN}"
    done = in_a_process(code, "move", "3", "centre", "--port", "sim://bench-four")
    assert (done.returncode, done.stderr) == (exit_codes.NOT_CLEARED, "")
    read_end, write_end = os.pipe()
    os.close(read_end)
    done = in_a_process(RUN, "--version", stdout=write_end)
    os.close(write_end)
    assert (done.returncode, done.stderr) == (exit_codes.DONE, "")
