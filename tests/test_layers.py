"""The rooms and their floors: who may import whom, read from the source and seen in fresh processes."""

from __future__ import annotations

import ast
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pytest

ROOT: Final = Path(__file__).parents[1]

FLOORS: Final = {
    "errors": 0,
    "_version": 0,
    "lasting": 0,
    "reading": 1,
    "wire": 2,
    "cautions": 2,
    "toml_source": 2,
    "atomic_files": 2,
    "interrupts": 2,
    "shown": 2,
    "endpoints": 2,
    "session": 3,
    "rig": 3,
    "transport": 4,
    "opening": 5,
    "ops": 5,
    "capture": 5,
    "plan": 6,
    "lessons": 6,
    "handbook": 6,
    "library": 7,
    "": 8,  # busproto/__init__.py: hands on what is below, nothing above; loaded only when a name is used
    "cli": 9,
    "web": 9,
    "examples": 9,
    "conformance": 9,
    "__main__": 10,
}
"""Floor of each room of busproto. A room imports from itself and from lower floors only."""

JOINERS: Final = {"cli", "web", "examples", "lessons", "opening", "conformance"}
"""The only rooms of busproto that may import sim."""

SIM: Final = "sim"
"""The simulator stands in the folder `sim` beside busproto, and is installed as `busproto.sim`: a package of so common
a name would sooner or later meet another one. `busproto/sim` is a link to it."""

SIM_MAY_IMPORT: Final = {"errors", "wire", "toml_source", "reading", "endpoints"}
"""The only rooms of busproto that sim may import."""

NO_IO_ROOMS: Final = {"errors", "wire", "rig", "session", "cautions"}
IO_MODULES: Final = {
    "asyncio",
    "datetime",
    "multiprocessing",
    "os",
    "pty",
    "select",
    "selectors",
    "serial",
    "signal",
    "socket",
    "subprocess",
    "termios",
    "threading",
    "time",
}
CLOCK_MODULES: Final = {"asyncio", "datetime", "multiprocessing", "select", "selectors", "socket", "threading", "time"}
REAL_TIME_SIM: Final = {"server.py"}
"""The only module of sim that knows the machine's clock."""

DYNAMIC_IMPORTS: Final = {"busproto/cli/__init__.py", "busproto/_version.py"}
"""Where modules are imported by name in a string, which the table cannot see: the commands; crcmod."""


@dataclass(frozen=True)
class Import:
    """One imported module, in full, and where it stands."""

    module: str
    file: Path
    line: int

    @property
    def top(self) -> str:
        return self.module.split(".")[0]

    @property
    def room(self) -> str:
        """The room of busproto that is imported; only for those of busproto."""
        parts = self.module.split(".")
        return parts[1] if len(parts) > 1 else ""

    def __str__(self) -> str:
        return f"{self.file.relative_to(ROOT)}:{self.line} imports {self.module}"


def modules_in(package: str) -> list[Path]:
    return sorted((ROOT / package).rglob("*.py"))


def name_of(file: Path) -> str:
    return file.relative_to(ROOT).as_posix()


def room_of(file: Path) -> str:
    """The room of busproto that a file of it stands in."""
    if file.is_relative_to(ROOT / SIM):
        return SIM
    first = file.relative_to(ROOT / "busproto").parts[0].removesuffix(".py")
    return "" if first == "__init__" else first


def imports_in(file: Path, text: str | None = None) -> Iterator[Import]:
    for node in ast.walk(ast.parse(file.read_text("utf-8") if text is None else text)):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield Import(alias.name, file, node.lineno)
        elif isinstance(node, ast.ImportFrom):
            module = node.module or ""
            if node.level:
                package = file.relative_to(ROOT).parent.parts
                module = ".".join((*package[: len(package) - node.level + 1], *([module] if module else [])))
            for alias in node.names:
                is_room = module == "busproto" and alias.name in {*FLOORS, SIM}
                yield Import(f"{module}.{alias.name}" if is_room else module, file, node.lineno)


STARTERS: Final = {"busproto/cli/bus/serve_command.py": "web"}
"""The command that starts the page: the only way from one front to another."""


def too_high(file: Path, text: str | None = None) -> list[str]:
    """What a file of busproto imports that it may not."""
    here = room_of(file)
    return [
        str(one)
        for one in imports_in(file, text)
        if one.top == "busproto"
        and one.room not in {here, SIM}
        and FLOORS[one.room] >= FLOORS[here]
        and one.room != STARTERS.get(name_of(file))
    ]


def calls_of(file: Path, names: set[str]) -> list[str]:
    found = []
    for node in ast.walk(ast.parse(file.read_text("utf-8"))):
        if isinstance(node, ast.Call):
            called = node.func
            name = (
                called.id if isinstance(called, ast.Name) else called.attr if isinstance(called, ast.Attribute) else ""
            )
            if name in names:
                found.append(f"{name_of(file)}:{node.lineno} calls {name}")
    return found


@pytest.mark.parametrize("file", modules_in("busproto"), ids=name_of)
def test_each_module_of_busproto_stands_in_a_room_and_imports_lower_floors_only(file: Path) -> None:
    assert room_of(file) in FLOORS
    assert too_high(file) == []


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("wire/new.py", "from busproto.session import Session"),
        ("wire/new.py", "from busproto import cautions"),
        ("session/new.py", "import busproto.transport.base"),
        ("session/new.py", "from busproto import Frame"),
        ("ops/new.py", "def late():\n    from ..cli import common"),
        ("web/new.py", "from busproto.cli.common import open_link"),
        ("cli/new.py", "from busproto import web"),
        ("errors.py", "from busproto._version import version_text"),
    ],
)
def test_the_check_itself_sees_each_way_to_import_what_may_not_be(name: str, text: str) -> None:
    assert len(too_high(ROOT / "busproto" / name, text)) == 1


def test_only_those_who_join_them_import_sim_into_busproto() -> None:
    joins = [
        one for file in modules_in("busproto") for one in imports_in(file) if one.room == SIM and one.top == "busproto"
    ]
    assert joins, "the command line joins sim to the host: where is that?"
    assert [str(one) for one in joins if room_of(one.file) not in JOINERS] == []


def test_no_package_of_the_common_name_sim_is_claimed() -> None:
    files = [*modules_in("busproto"), *modules_in("sim"), *modules_in("tests")]
    assert [str(one) for file in files for one in imports_in(file) if one.top == "sim"] == []
    assert (ROOT / "busproto" / "sim").resolve() == ROOT / "sim"


@pytest.mark.parametrize("file", modules_in("sim"), ids=name_of)
def test_sim_imports_errors_and_wire_of_busproto_only(file: Path) -> None:
    ours = [one for one in imports_in(file) if one.top == "busproto"]
    assert [str(one) for one in ours if one.room not in {*SIM_MAY_IMPORT, SIM}] == []


@pytest.mark.parametrize("file", [file for file in modules_in("busproto") if room_of(file) in NO_IO_ROOMS], ids=name_of)
def test_the_low_floors_know_no_port_no_clock_and_no_thread(file: Path) -> None:
    assert [str(one) for one in imports_in(file) if one.top in IO_MODULES] == []


@pytest.mark.parametrize("file", [file for file in modules_in("sim") if file.name not in REAL_TIME_SIM], ids=name_of)
def test_sim_has_no_clock_but_its_own(file: Path) -> None:
    assert [str(one) for one in imports_in(file) if one.top in CLOCK_MODULES] == []


def test_modules_are_imported_by_string_only_where_that_is_known() -> None:
    files = [*modules_in("busproto"), *modules_in("sim")]
    by_string = {name_of(file) for file in files if calls_of(file, {"import_module", "__import__"})}
    assert by_string == DYNAMIC_IMPORTS


@pytest.mark.parametrize("file", [*modules_in("busproto"), *modules_in("sim")], ids=name_of)
def test_modules_print_only_where_a_person_reads(file: Path) -> None:
    if name_of(file) != "busproto/__main__.py" and not name_of(file).startswith("busproto/cli/"):
        assert calls_of(file, {"print", "pprint"}) == []


def test_ruff_refuses_print_outside_the_command_line() -> None:
    lint = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["tool"]["ruff"]["lint"]
    assert "T20" in lint["select"]
    assert not any(code.startswith("T20") for code in lint["ignore"])
    freed = {path for path, codes in lint["per-file-ignores"].items() if any(code.startswith("T2") for code in codes)}
    assert {path for path in freed if not path.startswith("tests/")} == {"busproto/cli/*", "busproto/__main__.py"}


def test_types_are_shipped() -> None:
    assert (ROOT / "busproto" / "py.typed").is_file()
    assert (ROOT / "sim" / "py.typed").is_file()


def loaded_by(statements: str) -> set[str]:
    """The modules that a fresh process has loaded after these statements."""
    code = f"import sys\n{statements}\nprint('loaded: ' + ' '.join(sys.modules))"
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    last = done.stdout.splitlines()[-1]
    assert last.startswith("loaded: ")
    return set(last.removeprefix("loaded: ").split(" "))


def top_levels(modules: set[str]) -> set[str]:
    """Top-level packages; the simulator counts as one."""
    return {SIM if module.split(".")[:2] == ["busproto", SIM] else module.split(".")[0] for module in modules}


def test_the_simulator_loads_nothing_of_the_host() -> None:
    loaded = loaded_by(
        "import busproto.sim, busproto.sim.scene.scenario, busproto.sim.handlers.protocol_sim, busproto.sim.server"
    )
    rooms = {module.split(".")[1] for module in loaded if module.startswith("busproto.")}
    assert rooms <= {*SIM_MAY_IMPORT, SIM, "_version"}
    assert "wire" in rooms
    assert "click" not in loaded


def test_importing_busproto_loads_nothing_heavy_until_a_name_is_used() -> None:
    loaded = top_levels(loaded_by("import busproto"))
    assert "busproto" in loaded
    assert loaded.isdisjoint({"construct", "serial", "click", "rich", "crcmod", "msgspec", "sim"})
    assert "construct" in top_levels(loaded_by("import busproto; busproto.Frame"))


def test_importing_the_wire_format_loads_no_host_side() -> None:
    loaded = loaded_by("import busproto.wire, busproto.wire.page")
    rooms = {module.split(".")[1] for module in loaded if module.startswith("busproto.")}
    assert rooms == {"errors", "_version", "wire"}
    assert top_levels(loaded).isdisjoint({"serial", "click", "rich", "sim"})


@pytest.mark.parametrize(
    "start", ["from busproto.__main__ import main", "import busproto.__main__ as m; main = m.main"]
)
def test_the_version_is_answered_before_anything_heavy_is_loaded(start: str) -> None:
    loaded = top_levels(loaded_by(f"sys.argv = ['busproto', '--version']\n{start}\nmain()"))
    assert "crcmod" in loaded
    assert loaded.isdisjoint({"click", "construct", "serial", "rich", "msgspec", "sim"})


def test_a_command_is_loaded_only_when_it_is_called() -> None:
    loaded = loaded_by("from busproto.cli import run\nassert run(['spec']) == 0")
    commands = {module for module in loaded if module.startswith("busproto.cli.") and module.endswith("_command")}
    assert commands == {"busproto.cli.files.spec_command"}
    assert top_levels(loaded).isdisjoint({"sim", "msgspec", "rich"})
