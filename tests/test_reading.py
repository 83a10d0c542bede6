"""Reading files: what is no file, is too large, too deep, in another encoding; every kind of file ends in one line.

How much work a bad file makes is held by counting bytes read and statements looked at, not by a clock.
"""

from __future__ import annotations

import os
import re
import shutil
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import msgspec
import pytest

from busproto import reading, toml_source
from busproto.capture import pcapng
from busproto.cli import exit_codes
from busproto.errors import MAX_SHOWN_PROBLEMS, FileError, InputError, some_of
from busproto.reading import MAX_DEPTH, MAX_WRITTEN_BYTES, decode_json, read_bytes, read_text, size_text
from busproto.sim.scene import scenario
from tests.cli.helpers import CommandLine
from tests.plan.airframes import EXAMPLE

BOM: Final = b"\xef\xbb\xbf"


# --- what is there ---------------------------------------------------------------------------------------------


def fifo(path: Path) -> None:
    os.mkfifo(path)


def endless(path: Path) -> None:
    path.symlink_to("/dev/zero")


def huge(path: Path) -> None:
    """50 MB and a little, that take no room on the disk."""
    with path.open("wb") as file:
        file.truncate(50 << 20)


NOT_TO_BE_READ: Final[dict[str, tuple[Callable[[Path], None], str]]] = {
    "pipe": (fifo, "it is a pipe"),
    "device": (endless, "it is a device"),
    "folder": (Path.mkdir, "it is a directory"),
    "huge": (huge, "50 MB"),
    "deep": (lambda path: path.write_text("[" * 100_000) and None, ""),
    "digits": (lambda path: path.write_text('{"format": ' + "1" * 9000 + "}") and None, ""),
    "UTF-16": (lambda path: path.write_text("airframe = 1", "utf-16") and None, ""),
}
"""How to make it, and what is said of it."""

COMMANDS: Final = {
    "plan": "plan check {}",
    "scenario": "bus run {} --pty",
    "scenario of a URL": "find --port sim://{}",
    "wave": "wave {} --vcd x.vcd",
    "record": "compare {} {}",
    "restore": "restore {} --port sim://bench-four",
    "card of a record": "card --record {}",
    "capture": "decode {}",
    "capture counted": "stats {}",
    "capture played": "replay {} --port sim://bench-four",
    "roles": "audit rudder.toml --port sim://rudder-gang",
    "results of a match": "card --airframe rudder.toml",
    "results of a trial": "card --airframe rudder.toml",
    "journal": "apply rudder.toml --yes --by-address --port sim://rudder-gang",
}
BESIDE: Final = {
    "roles": "rudder.assignment.json",
    "results of a match": "rudder.match.json",
    "results of a trial": "rudder.trial.json",
    "journal": "rudder.journal.jsonl",
}
"""Where the bad file stands, where the command does not name it."""


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a plan and everything that belongs to it."""
    for file in (EXAMPLE.parent / "rudder").iterdir():
        shutil.copy(file, tmp_path / file.name)
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize(
    ("kind", "what"),
    # a torn line of a journal is left out, whatever it holds
    [
        (kind, what)
        for kind in COMMANDS
        for what in NOT_TO_BE_READ
        if kind != "journal" or what not in {"deep", "digits"}
    ],
)
def test_what_cannot_be_read_is_one_line_for_every_kind_of_file(
    kind: str, what: str, place: Path, cli: CommandLine, monkeypatch: pytest.MonkeyPatch
) -> None:
    make, says = NOT_TO_BE_READ[what]
    if kind.startswith("results"):
        assert cli("save --airframe rudder.toml --port sim://rudder-gang").code == exit_codes.DONE
    name = BESIDE.get(kind, "bad")
    make(place / name)
    read: list[int] = []
    real = os.fdopen

    def counted(handle: int, *args: Any, **more: Any) -> Any:
        read.append(os.fstat(handle).st_size)
        return real(handle, *args, **more)

    monkeypatch.setattr(reading.os, "fdopen", counted)
    before = sorted(place.iterdir())
    done = cli(COMMANDS[kind].format(name, name))
    assert done.code == exit_codes.USAGE, done.transcript()
    error = done.err.splitlines()[-1] if kind == "journal" else done.error_line  # it says more before
    assert name in error
    assert says.removeprefix("it ") in error or kind.startswith("capture")
    assert not done.out or kind == "plan"  # what is wrong inside a plan is its result
    assert sorted(place.iterdir()) == before
    is_small_enough = what not in {"huge"} or kind.startswith("capture")
    assert sum(read) <= (50 << 20 if is_small_enough else 2 * reading.MAX_TEXT_BYTES)


@pytest.fixture
def cli(capsys: pytest.CaptureFixture[str]) -> CommandLine:
    """Runs command lines in this process."""
    return CommandLine(capsys)


def test_a_file_that_is_longer_than_the_system_says_is_read_up_to_the_limit(tmp_path: Path) -> None:
    """As those of /proc, which say that they are empty."""
    if Path("/proc/self/status").exists():
        assert read_bytes("/proc/self/status", 1 << 20)
        with pytest.raises(InputError, match="is too large: at most 10 bytes are read"):
            read_bytes("/proc/self/status", 10)
    path = tmp_path / "eleven"
    path.write_bytes(b"12345678901")
    assert read_bytes(path, 11) == b"12345678901"
    with pytest.raises(InputError, match="is too large: 11 bytes, at most 10 bytes are read"):
        read_bytes(path, 10)


def test_the_wrong_kind_is_seen_in_the_first_bytes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a"
    path.write_bytes(b"no capture" * 1000)
    heads: list[bytes] = []

    def why_not(head: bytes) -> str:
        heads.append(head)
        return "it is of another kind"

    with pytest.raises(InputError, match=r"'.*a' cannot be used: it is of another kind$"):
        read_bytes(path, 1 << 20, why_not)
    assert [len(head) for head in heads] == [reading.HEAD_BYTES]


@pytest.mark.parametrize(
    ("data", "text"),
    [
        (BOM + b"title = 1\r\nb = 2\rc", "title = 1\nb = 2\nc"),
        (BOM, ""),
        (b"a" + BOM, "a\N{ZERO WIDTH NO-BREAK SPACE}"),
    ],
)
def test_a_byte_order_mark_is_no_part_of_a_text(data: bytes, text: str, tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_bytes(data)
    assert read_text(path) == text


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be", "utf-32"])
def test_another_encoding_is_named_where_its_mark_says_so(encoding: str, tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_bytes("\N{ZERO WIDTH NO-BREAK SPACE}title = 'é'".encode(encoding))
    with pytest.raises(InputError, match=r"it is UTF-16 or UTF-32 text; save it as UTF-8$"):
        read_text(path)


def test_files_with_a_byte_order_mark_do_their_job(place: Path, cli: CommandLine) -> None:
    """As an editor on another system saves them: plan, map, scenario, record."""
    assert cli("save -o a.record.json --port sim://rudder-gang").code == exit_codes.DONE
    for file in (*place.glob("*.toml"), place / "a.record.json"):
        file.write_bytes(BOM + file.read_bytes())
    shutil.copy(Path(pcapng.__file__).parents[2] / "sim" / "scenarios" / "rudder-gang.toml", "box.toml")
    Path("box.toml").write_bytes(BOM + Path("box.toml").read_bytes())
    assert cli("plan check rudder.toml").code == exit_codes.DONE
    assert cli("compare a.record.json --port sim://box.toml").code == exit_codes.DONE


@pytest.mark.parametrize(
    ("count", "text"),
    [(0, "0 bytes"), (1023, "1023 bytes"), (1 << 10, "1 kB"), (50 << 20, "50 MB"), (3 << 29, "1.5 GB")],
)
def test_sizes_in_words(count: int, text: str) -> None:
    assert size_text(count) == text


# --- how deep --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("pair", ["[]", "{}"])
def test_json_may_be_so_deep_and_no_deeper(pair: str) -> None:
    begin = "[" if pair == "[]" else '{"a":'
    for depth, is_fine in [(MAX_DEPTH, True), (MAX_DEPTH + 1, False), (5000, False), (200_000, False)]:
        text = begin * depth + ("1" if pair == "{}" else "") + pair[1] * depth
        if is_fine:
            assert decode_json(text)
        else:
            with pytest.raises(msgspec.DecodeError, match="too deeply"):
                decode_json(text)


@pytest.mark.parametrize("text", ["1" * 5000, "1e999999", "-" + "9" * 100_000, '{"a": ' + "1" * 5000 + "}", "NaN", ""])
def test_numbers_that_no_field_could_hold_are_refused(text: str) -> None:
    with pytest.raises(msgspec.DecodeError):
        decode_json(text)


@pytest.mark.parametrize(
    "text",
    [
        "a = " + "[" * (MAX_DEPTH + 1) + "]" * (MAX_DEPTH + 1),
        "a = " + "[" * 20_000 + "]" * 20_000,
        "a = " + "{b = " * 200 + "1" + "}" * 200,
        ".".join(["a"] * 60) + " = 1",
        "[" + ".".join(["a"] * 60) + "]",
    ],
)
def test_toml_that_is_too_deep_is_refused(text: str) -> None:
    source, (problem,) = toml_source.read(text, "a.toml")
    assert source is None
    assert problem.text == f"lists or tables are nested more than {MAX_DEPTH} deep"


@pytest.mark.parametrize("text", [".".join(["a"] * 200_000) + " = 1", "['#'" + ".a" * 200_000 + "]"])
def test_a_line_of_many_points_is_refused_before_it_is_parsed(text: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tomllib, "loads", lambda _: pytest.fail("that would take minutes"))
    source, (problem,) = toml_source.read("b = 1\n" + text, "a.toml")
    assert source is None
    assert (problem.line, problem.text) == (2, f"more than {toml_source.MAX_POINTS} points in one line")


def test_rows_of_dots_in_comments_are_no_points() -> None:
    source, problems = toml_source.read(f"# {'.' * 500}\na = [{'0.5, ' * 60}]\n", "a.toml")
    assert source is not None
    assert problems == []


@pytest.mark.parametrize(
    "text",
    [
        "a = [\n" + "1,\n" * 20_000 + "]",
        'a = """\n' + "[x]\n" * 20_000 + '"""',
        "a = '''\n" + '"""\n' * 20_000 + "'''",
        "a = [\n" + '# [ \' """\n' * 20_000 + "]",
        "".join(f"[[row]]\nkey = {number}\n" for number in range(5_000)),
    ],
)
def test_finding_lines_looks_at_each_statement_once(text: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """However long a list or a string is: the letters parsed are those of the file, and no more."""
    parsed = 0
    real = tomllib.loads

    def counted(text: str) -> dict[str, Any]:
        nonlocal parsed
        parsed += len(text)
        return real(text)

    source, _ = toml_source.read(text + "\nlast = 1\n", "a.toml")
    assert source is not None
    monkeypatch.setattr(tomllib, "loads", counted)
    where = text.count("\n") + 2
    assert source.line_of(("row", 4_999, "last") if text.startswith("[[") else ("last",)) == where
    assert parsed <= len(text) + 20


def test_thousands_of_problems_are_told_as_the_first_ones_and_a_number(
    place: Path, cli: CommandLine, monkeypatch: pytest.MonkeyPatch
) -> None:
    Path("bad.toml").write_text("".join(f"k{number} = 1\n" for number in range(5_000)), "utf-8")
    for command, expected in [("find --port sim://bad.toml", 5_000), ("plan check bad.toml", 0)]:
        done = cli(command)
        assert done.code == exit_codes.USAGE
        assert len(done.error_line) < 5_000
        assert re.search(r"and \d+ more$", done.error_line) or not expected
    source, _ = toml_source.read(Path("bad.toml").read_text("utf-8"), "bad.toml")
    assert source is not None
    looked_for = []
    monkeypatch.setattr(source, "line_of", lambda path: looked_for.append(path) or 1)
    _, problems = source.checked(scenario._File)
    assert len(problems) == len(looked_for) == toml_source.MAX_PROBLEMS + 1
    assert str(problems[-1]) == f"and more; these are the first {toml_source.MAX_PROBLEMS}"


def test_problems_in_one_line() -> None:
    assert some_of([]) == ""
    assert some_of(["a", "b"]) == "a; b"
    many = [str(number) for number in range(MAX_SHOWN_PROBLEMS + 2)]
    assert some_of(many).endswith(f"{MAX_SHOWN_PROBLEMS - 1}; and 2 more")
    assert FileError("a", many).problems == tuple(many)


# --- captures --------------------------------------------------------------------------------------------------


def test_a_capture_of_nothing_but_other_blocks_is_left_early(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pcapng, "MAX_OTHER_BLOCKS", 10)
    path = tmp_path / "a.pcapng"
    path.write_bytes(pcapng.head_bytes(115_200, "p", "c") + pcapng._block(0x0BAD, b"") * 1000)
    assert pcapng.read(path).cut.startswith("more than 10 blocks up to byte ")


def test_a_block_of_countless_options_is_not_walked_to_its_end(tmp_path: Path) -> None:
    comment = pcapng._option(pcapng.OPT_COMMENT, b"c")
    packet = pcapng.packet_bytes(pcapng.Packet(1, b"\0a\0", True))
    body = packet[8:-8] + comment * 1000
    path = tmp_path / "a.pcapng"
    path.write_bytes(pcapng.head_bytes(115_200, "p", "c") + pcapng._block(pcapng.PACKET, body))
    (found,) = pcapng.read(path).packets
    assert found.comment.count("c") == pcapng.MAX_OPTIONS - 1


def test_the_largest_scenario_is_far_below_the_limit() -> None:
    """239 actuators with all that can be said of one."""
    row = (
        '[[actuator]]\nlabel = "the one at the right aileron, outer"\nmodel = "bench 25"\nuid = "0123456789abcdef"\n'
        f"address = 100\narm-at = -12.5\nsettings = {{ neutral = 12.5, correction = [{'-10.00, ' * 33}] }}\n"
    )
    assert len(row) * 239 < MAX_WRITTEN_BYTES
