"""Files that must never be lost: whatever fails, and whenever, the old content or the new one is there, whole."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import pytest

from busproto import lasting
from busproto.atomic_files import (
    append_line,
    check_appendable,
    check_writable,
    keep_numbered,
    kept,
    read_text,
    write_whole,
)
from busproto.errors import InputError

OLD: Final = "old content\n" * 100
NEW: Final = "new content, with é and \U0001f6e9\n" * 100
CALLS: Final = ("open", "fdopen", "fsync", "chmod", "replace", "close", "unlink")
"""What `atomic_files` asks of the system, by way of `os`."""


class PowerCut(BaseException):
    """Nothing more is done, not even tidying up."""


class System:
    """The calls to the system, counted; one of them can fail, and after a power cut all of them do.

    Attributes:
        calls: names, in order.
    """

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.calls: list[str] = []
        self.fail_at: int | None = None
        self.error: Callable[[], BaseException] = PowerCut
        for name in CALLS:
            monkeypatch.setattr(os, name, self._watched(name, getattr(os, name)))

    def _watched(self, name: str, real: Callable[..., Any]) -> Callable[..., Any]:
        def call(*args: Any, **kwargs: Any) -> Any:
            number = len(self.calls)
            self.calls.append(name)
            if self.fail_at is not None:
                error = self.error()
                if number == self.fail_at or (number > self.fail_at and isinstance(error, PowerCut)):
                    raise error
            return real(*args, **kwargs)

        return call

    def fail(self, at: int, error: Callable[[], BaseException]) -> None:
        """The call of that number (from 0) fails from now on."""
        self.calls.clear()
        self.fail_at, self.error = at, error

    def mend(self) -> None:
        """No call fails any more."""
        self.calls.clear()
        self.fail_at = None


@pytest.fixture
def system(monkeypatch: pytest.MonkeyPatch) -> System:
    return System(monkeypatch)


def full_disk() -> OSError:
    return OSError(errno.ENOSPC, "No space left on device")


def calls_of(system: System, work: Callable[[], object]) -> list[str]:
    """What it asks of the system when nothing fails."""
    system.mend()
    work()
    return list(system.calls)


def names_in(directory: Path) -> list[str]:
    return sorted(path.name for path in directory.iterdir())


# --- whole files -----------------------------------------------------------------------------------------------


def test_a_file_is_written_and_read(tmp_path: Path) -> None:
    path = tmp_path / "a.toml"
    write_whole(path, OLD)
    assert path.read_bytes() == OLD.encode()
    write_whole(path, NEW)
    assert read_text(path) == NEW
    assert names_in(tmp_path) == ["a.toml"]


def test_line_ends_stay_as_they_are(tmp_path: Path) -> None:
    write_whole(tmp_path / "a", "one\ntwo\r\n")
    assert (tmp_path / "a").read_bytes() == b"one\ntwo\r\n"


def test_who_may_read_it_stays_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "a"
    before = os.umask(0o027)
    try:
        write_whole(path, OLD)
        assert stat.S_IMODE(path.stat().st_mode) == 0o640
        path.chmod(0o604)
        write_whole(path, NEW)
        assert stat.S_IMODE(path.stat().st_mode) == 0o604
    finally:
        os.umask(before)


@pytest.mark.parametrize("is_there", [True, False])
def test_a_power_cut_at_any_call_leaves_the_old_or_the_new(is_there: bool, tmp_path: Path, system: System) -> None:
    path = tmp_path / "a"
    count = len(calls_of(system, lambda: write_whole(path, OLD)))
    count = max(count, len(calls_of(system, lambda: write_whole(path, OLD))))
    seen = set()
    for at in range(count):
        system.mend()
        path.unlink(missing_ok=True)
        if is_there:
            write_whole(path, OLD)
        system.fail(at, PowerCut)
        with pytest.raises(PowerCut):
            write_whole(path, NEW)
        system.mend()
        content = path.read_text("utf-8") if path.exists() else None
        assert content in {OLD if is_there else None, NEW}, (at, system.calls)
        seen.add(content)
        write_whole(path, NEW)  # after it, all goes on
        assert path.read_text("utf-8") == NEW
    assert seen == {OLD if is_there else None, NEW}


def test_the_content_is_on_the_disk_before_its_name_and_the_name_before_the_end(tmp_path: Path, system: System) -> None:
    """What is not yet on the disk when the name changes would be an empty file after a power cut."""
    calls = calls_of(system, lambda: write_whole(tmp_path / "a", NEW))
    at = calls.index("replace")
    assert "fsync" in calls[:at]
    assert calls[at:] == ["replace", "open", "fsync", "close"]


def test_an_error_at_any_call_is_told_and_leaves_nothing_behind(tmp_path: Path, system: System) -> None:
    path = tmp_path / "a"
    write_whole(path, OLD)
    calls = calls_of(system, lambda: write_whole(path, OLD))
    replaced_at = calls.index("replace")
    for at, name in enumerate(calls):
        system.mend()
        write_whole(path, OLD)
        if name == "close":
            continue  # of the directory: nothing hangs on it
        system.fail(at, full_disk)
        with pytest.raises(InputError) as caught:
            write_whole(path, NEW)
        assert str(caught.value) == f"'{path}' cannot be written: No space left on device"
        assert path.read_text("utf-8") == (OLD if at <= replaced_at else NEW), name
        assert names_in(tmp_path) == ["a"], name


def test_a_disk_that_fills_up_in_the_middle_leaves_the_old(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a"
    write_whole(path, OLD)
    real = os.fdopen

    def half_written(*args: Any, **kwargs: Any) -> Any:
        file = real(*args, **kwargs)
        write = file.write

        def write_half(text: str) -> None:
            write(text[: len(text) // 2])
            file.flush()
            raise full_disk()

        file.write = write_half
        return file

    monkeypatch.setattr(os, "fdopen", half_written)
    with pytest.raises(InputError, match="No space left"):
        write_whole(path, NEW)
    assert path.read_text("utf-8") == OLD
    assert names_in(tmp_path) == ["a"]


def test_an_interrupt_leaves_nothing_behind(tmp_path: Path, system: System) -> None:
    path = tmp_path / "a"
    write_whole(path, OLD)
    system.fail(calls_of(system, lambda: write_whole(path, OLD)).index("replace"), KeyboardInterrupt)
    with pytest.raises(KeyboardInterrupt):
        write_whole(path, NEW)
    assert (path.read_text("utf-8"), names_in(tmp_path)) == (OLD, ["a"])


def test_a_drive_that_syncs_no_directories_will_do(tmp_path: Path, system: System) -> None:
    path = tmp_path / "a"
    calls = calls_of(system, lambda: write_whole(path, OLD))
    last_sync = len(calls) - 1 - calls[::-1].index("fsync")
    system.fail(last_sync, lambda: OSError(errno.EINVAL, "Invalid argument"))
    write_whole(path, NEW)
    assert path.read_text("utf-8") == NEW


@pytest.mark.parametrize("name", ["missing/a", "a\0b", "b" * 300])
def test_where_nothing_can_be_written_is_told(name: str, tmp_path: Path) -> None:
    for work in (lambda: write_whole(tmp_path / name, NEW), lambda: append_line(tmp_path / name, "x")):
        with pytest.raises(InputError, match="cannot be written: "):
            work()
    assert names_in(tmp_path) == []


# --- lines -----------------------------------------------------------------------------------------------------


def test_lines_are_added(tmp_path: Path) -> None:
    path = tmp_path / "log"
    append_line(path, "one")
    append_line(path, "two é")
    assert path.read_bytes() == "one\ntwo é\n".encode()


def test_a_torn_last_line_stays_alone(tmp_path: Path) -> None:
    path = tmp_path / "log"
    path.write_bytes(b"one\ntw")
    append_line(path, "three")
    assert path.read_bytes() == b"one\ntw\nthree\n"


def test_an_empty_file_is_no_torn_line(tmp_path: Path) -> None:
    path = tmp_path / "log"
    path.touch()
    append_line(path, "one")
    assert path.read_bytes() == b"one\n"


def test_a_power_cut_while_a_line_is_added_loses_no_other_line(tmp_path: Path) -> None:
    """A cut at any byte leaves a beginning of the new line, if anything; every line before and after is whole."""
    path = tmp_path / "log"
    append_line(path, "one")
    whole = path.read_bytes() + b"two\n"
    for length in range(len(b"one\n"), len(whole) + 1):
        path.write_bytes(whole[:length])
        append_line(path, "three")
        lines = path.read_bytes().split(b"\n")
        assert lines[0] == b"one"
        assert lines[-2:] == [b"three", b""]
        assert b"two".startswith(b"".join(lines[1:-2]))


def test_a_line_is_on_the_disk_at_the_end_and_a_new_file_too(tmp_path: Path, system: System) -> None:
    path = tmp_path / "log"
    assert calls_of(system, lambda: append_line(path, "one")) == ["fsync", "open", "fsync", "close"]
    assert calls_of(system, lambda: append_line(path, "two")) == ["fsync"]


def test_an_error_while_a_line_is_added_is_told(tmp_path: Path, system: System) -> None:
    path = tmp_path / "log"
    append_line(path, "one")
    system.fail(0, full_disk)
    with pytest.raises(InputError, match=f"'{path}' cannot be written: No space left on device"):
        append_line(path, "two")


# --- reading ---------------------------------------------------------------------------------------------------


def test_what_cannot_be_read_is_told(tmp_path: Path) -> None:
    (tmp_path / "latin").write_bytes("naïve".encode("latin-1"))
    for name, why in {
        "missing": "No such file or directory",
        ".": "it is a directory",
        "latin": "it is not UTF-8 text (byte 2)",
        "a\0b": "embedded null byte",
    }.items():
        with pytest.raises(InputError) as caught:
            read_text(tmp_path / name)
        assert str(caught.value) == f"'{tmp_path / name}' cannot be read: {why}"


# --- beforehand, and all the same --------------------------------------------------------------------------------


def test_a_place_is_tried_with_a_real_file_and_left_as_it_was(tmp_path: Path, system: System) -> None:
    path = tmp_path / "a"
    for is_there in (False, True):
        if is_there:
            write_whole(path, OLD)
        before = names_in(tmp_path)
        calls = calls_of(system, lambda: check_writable(path))
        assert calls.count("fsync") == calls.count("unlink") == 1
        assert names_in(tmp_path) == before
        for name in ("open", "fdopen", "fsync"):
            system.fail(calls.index(name), full_disk)
            with pytest.raises(InputError) as caught:
                check_writable(path)
            assert str(caught.value) == f"'{path}' cannot be written: No space left on device; nothing was changed"
            system.mend()
            assert names_in(tmp_path) == before, name


def test_as_much_is_tried_as_a_result_may_need(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A disk with a little room left passes for a full one: the result of a trial of 32 has some 20 kB."""
    sizes: list[int] = []
    real = os.fsync

    def sync(handle: int) -> None:
        sizes.append(os.fstat(handle).st_size)
        real(handle)

    monkeypatch.setattr(os, "fsync", sync)
    check_writable(tmp_path / "a")
    assert sizes == [65_536]


def test_no_place_for_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for place, why in {tmp_path: "is a directory", tmp_path / "none" / "a": "there is no directory"}.items():
        for look in (check_writable, check_appendable):
            with pytest.raises(InputError, match=f"'{place}'.* ?{why}"):
                look(place)
    append_line(tmp_path / "log", "one")
    check_appendable(tmp_path / "log")
    monkeypatch.setattr(os, "access", lambda *_: False)
    with pytest.raises(InputError, match="cannot be read and written: Permission denied; nothing was changed"):
        check_appendable(tmp_path / "log")
    check_writable(tmp_path / "log")  # it would be replaced, not added to


def test_what_cannot_be_kept_is_noted_and_the_caller_goes_on(tmp_path: Path) -> None:
    with lasting.account() as account:
        kept(lambda: write_whole(tmp_path / "a", NEW))
        assert kept(lambda: 7) == 7
        assert (account.unkept, account.changes) == ([], [f"'{tmp_path / 'a'}' was written"])
        assert kept(lambda: write_whole(tmp_path / "none" / "a", NEW)) is None
    (why,) = account.unkept
    assert why.startswith(f"'{tmp_path / 'none' / 'a'}' cannot be written: No such file or directory; ")
    assert why.endswith("this result is not kept: what is printed here is all there is of it")


def test_copies_are_numbered_and_none_is_left_half(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "tow.assignment.json"
    assert keep_numbered(path) is None
    path.write_text(OLD, "utf-8")
    assert [keep_numbered(path) for _ in range(2)] == [tmp_path / f"tow.assignment.{number}.json" for number in (1, 2)]
    assert (tmp_path / "tow.assignment.2.json").read_text("utf-8") == path.read_text("utf-8") == OLD
    monkeypatch.setattr(os, "fsync", lambda _: (_ for _ in ()).throw(full_disk()))
    with pytest.raises(InputError, match=r"tow.assignment.3.json' cannot be written: No space left"):
        keep_numbered(path)
    assert "tow.assignment.3.json" not in names_in(tmp_path)
