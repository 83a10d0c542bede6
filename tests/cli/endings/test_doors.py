"""Doors: code that a stranger's scenario names, and files that are not ours to write over."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import pytest

from busproto.atomic_files import require_own
from busproto.cli import exit_codes
from busproto.cli.plots import ENDINGS, require_plots, save_picture
from busproto.conformance import start
from busproto.errors import InputError
from tests.cli.helpers import CommandLine

STRANGE: Final = """\
title = "From a stranger"
[model.m]
[[actuator]]
label = "a"
model = "m"
device = "x.so"
"""


@pytest.fixture(autouse=True)
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


# --- code of strangers -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("device", ["x.so", "./x.so", "/tmp/../x.so", "reference ", "sub/reference"])
@pytest.mark.parametrize(
    "command",
    [
        "find --port sim://box.toml",
        "find --port sim://box.toml?seed=3",
        "move 3 centre --clear --port sim://box.toml",
        "replay a.pcapng --port sim://box.toml",
        "serve --no-browser --port sim://box.toml",
        "bus run box.toml --pty",
        "wave box.toml --vcd a.vcd",
    ],
)
def test_a_scenario_runs_no_code_of_its_own_unless_told(
    command: str, device: str, cli: CommandLine, monkeypatch: pytest.MonkeyPatch, place: Path
) -> None:
    monkeypatch.setattr(
        "busproto.sim.native.device.open_library", lambda _: pytest.fail("a stranger's code was loaded")
    )
    Path("box.toml").write_text(STRANGE.replace("x.so", device), "utf-8")
    Path("x.so").write_bytes(b"")
    (place / "a.pcapng").write_bytes((Path(__file__).parents[3] / "captures" / "noise.pcapng").read_bytes())
    done = cli(command)
    assert done.code == exit_codes.USAGE, done.transcript()
    assert f"line 6: actuator[0].device: '{device}' is code of this scenario's own" in done.error_line
    assert "would run with all your rights" in done.error_line
    assert "--native-code, or native-code=yes in a sim:// URL" in done.error_line


@pytest.mark.parametrize(
    "command",
    [
        "find --port sim://box.toml?native-code=yes",
        "bus run box.toml --pty --native-code",
        "wave box.toml --vcd a --native-code",
    ],
)
def test_with_the_word_it_gets_so_far_as_to_load_it(command: str, cli: CommandLine) -> None:
    Path("box.toml").write_text(STRANGE, "utf-8")
    done = cli(command)
    assert done.code == exit_codes.USAGE
    assert "there is no library 'x.so'" in done.error_line
    Path("x.so").write_bytes(b"no library")
    done = cli(command)
    assert done.code == exit_codes.FAILED
    assert "'x.so' cannot be loaded as a shared library" in done.error_line


# --- files of others -------------------------------------------------------------------------------------------

THEIRS: Final = b"// two evenings of work\n"
WRITERS: Final = {
    "C": ("spec --c out", "out/bp_frame.c"),
    "a dissector": ("spec --lua out/mine.lua", "out/mine.lua"),
    "a decoder": ("spec --decoder out", "out/busproto/pd.py"),
    "a waveform": ("wave twins --vcd out/a.vcd", "out/a.vcd"),
    "a record": ("save -o out/a.json --port sim://rudder-gang", "out/a.json"),
    "a card": ("card --record a.json -o out/a.html", "out/a.html"),
}
"""How each kind of file is written, and one that it writes."""


@pytest.mark.parametrize("kind", WRITERS)
def test_what_we_did_not_make_is_not_written_over_and_what_we_made_is(kind: str, cli: CommandLine, place: Path) -> None:
    command, name = WRITERS[kind]
    assert cli("save -o a.json --port sim://rudder-gang").code == exit_codes.DONE
    path = place / name
    path.parent.mkdir(parents=True)

    path.write_bytes(THEIRS)
    before = sorted(place.rglob("*"))
    done = cli(command)
    assert done.code == exit_codes.USAGE, done.transcript()
    assert f"'{name}' is there already and is not a" in done.error_line
    assert path.read_bytes() == THEIRS
    assert sorted(place.rglob("*")) == before  # nor was anything else written

    path.unlink()
    assert cli(command).code in {exit_codes.DONE, exit_codes.NOT_AS_WANTED}
    made = path.read_bytes()
    assert made != THEIRS
    assert cli(command).code in {exit_codes.DONE, exit_codes.NOT_AS_WANTED}  # an earlier one of ours
    path.write_bytes(b"")
    assert cli(command).code in {exit_codes.DONE, exit_codes.NOT_AS_WANTED}  # there is nothing to lose
    assert len(path.read_bytes()) > 100


@pytest.mark.parametrize("ending", ENDINGS)
def test_a_picture_is_written_over_a_picture_of_ours_only(ending: str, place: Path) -> None:
    pytest.importorskip("matplotlib", reason="pip install 'busproto[plot]'")
    from matplotlib.figure import Figure

    path = place / f"a{ending}"
    path.write_bytes(THEIRS)
    with pytest.raises(InputError, match="is not a picture of this program"):
        save_picture(Figure(), path)
    assert path.read_bytes() == THEIRS
    Figure().savefig(path)  # one by another program that draws with the same library
    theirs = path.read_bytes()
    with pytest.raises(InputError, match="is not a picture of this program"):
        require_plots(str(path))
    assert path.read_bytes() == theirs
    path.unlink()
    save_picture(Figure(), path)
    save_picture(Figure(), path)
    assert len(path.read_bytes()) > 100
    assert [one.name for one in place.iterdir()] == [path.name]


def test_a_beginning_of_a_firmware_keeps_what_is_there(place: Path) -> None:
    (place / "mine").mkdir()
    for name in ("bp_frame.c", "bp_port.h"):
        (place / "mine" / name).write_bytes(THEIRS)
        with pytest.raises(InputError, match=f"{name}' is there already and is not a file of this program"):
            start.write_start(place / "mine")
        assert [file.name for file in (place / "mine").iterdir()] == [name]
        (place / "mine" / name).unlink()
    assert len(start.write_start(place / "mine")) > 4
    (place / "mine" / "mine.c").unlink()
    start.write_start(place / "mine")


@pytest.mark.parametrize("name", [".", "none/a", "x" * 300, "x" * 300 + "/a"])
def test_a_place_where_no_file_can_be(name: str, cli: CommandLine) -> None:
    for command in (
        ("save", "-o", name, "--port", "sim://rudder-gang"),
        ("wave", "twins", "--vcd", name),
        ("spec", "--lua", name),
    ):
        done = cli(*command)
        if done.code != exit_codes.DONE:  # spec makes the directory
            assert done.code == exit_codes.USAGE, done.transcript()
            assert done.error_line


def test_pipes_and_devices_are_no_places_for_files(place: Path) -> None:
    with pytest.raises(InputError, match="it is a device"):
        require_own(Path("/dev/null"), "mark", "a file")
    link = place / "to nowhere"
    link.symlink_to(place / "none")
    require_own(link, "mark", "a file")
