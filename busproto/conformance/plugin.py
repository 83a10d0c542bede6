"""The pytest plug-in: ``pytest --dut TARGET``.

Options, the fixtures `dut` (a `Dut`, as after power-up), `dut_build` (further ones, in process) and `bus_link` (the
host's own operations), the marker `clause`, and the report by clause. Without `--dut` the plug-in does nothing.
"""

from __future__ import annotations

import contextlib
import random
import shlex
from collections.abc import Callable, Generator, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pytest

if TYPE_CHECKING:
    from busproto.conformance.conversation.run import Talks
    from busproto.conformance.dut import Dut
    from busproto.conformance.results.report import Case
    from busproto.conformance.targets import Target
    from busproto.ops.link import Link

_SEED: Final = pytest.StashKey[int]()

pytest.register_assert_rewrite("busproto.conformance.suite", "busproto.conformance.dut")

SUITE: Final = Path(__file__).with_name("suite")
PROPERTY: Final = "clause"
_DUTS: Final = pytest.StashKey[list[Any]]()
_GCOV: Final = pytest.StashKey[Any]()
_NEIGHBOURS: Final = pytest.StashKey[tuple[bytes, ...]]()
_AGAIN: Final = pytest.StashKey[int]()
_SOAK_STEPS: Final = 2400
_SOAK_PORT_STEPS: Final = 120
_DEEPER: Final = 10
_SEEDS: Final = 1_000_000


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the options of the harness to pytest."""
    group = parser.getgroup("busproto", "conformance of an actuator (busproto)")
    group.addoption(
        "--dut",
        metavar="TARGET",
        help="What is tested: 'python' (the simulator's actuator), 'reference' (the firmware that is shipped), the path"
        " of a shared library, or a port (device name or URL). Without test files the shipped suite is run.",
    )
    group.addoption("--dut-uid", metavar="UID", help="On a port with several actuators: which one, 16 hex digits.")
    group.addoption("--dut-baud", type=int, default=115_200, metavar="BAUD", help="Line rate of the port.")
    group.addoption(
        "--dut-latency-ms",
        type=float,
        metavar="MS",
        help="How long the adapter of the port may keep bytes back (default: 20, on sim:// 0); times allow for it.",
    )
    group.addoption(
        "--dut-side",
        metavar="HOST:PORT",
        help="Side channel of the bus behind the port (busproto bus run --side), or a rig of your own that follows some"
        " of its words: power cuts, and moments on the line.",
    )
    group.addoption(
        "--dut-seed",
        type=int,
        metavar="N",
        help="The same seed draws the same cases (default: 0, but for the random conversations, which draw a seed anew"
        " in each run and print it).",
    )
    group.addoption(
        "--dut-soak",
        type=int,
        metavar="N",
        help=f"Steps of the random conversations (default: {_SOAK_STEPS}, on a port {_SOAK_PORT_STEPS}; 0 for none; a"
        " million for a night).",
    )
    group.addoption(
        "--dut-clause",
        action="append",
        default=[],
        metavar="ID",
        help="Only cases that cite this clause (frame.check, op.44, ...); may be given more than once.",
    )
    group.addoption(
        "--dut-case",
        action="append",
        default=[],
        metavar="NAME",
        help="Only the case of this name, as a failure names it; may be given more than once.",
    )
    group.addoption(
        "--dut-deep",
        action="store_true",
        help="For the night: every value of each case on a port too, and random conversations ten times as long.",
    )
    group.addoption(
        "--dut-report",
        metavar="FILE",
        help="Write the report by clause as an HTML page: what has changed since the runs before, which are kept beside"
        " it, and the first failure as bytes on the line, with a capture.",
    )
    group.addoption(
        "--dut-coverage",
        action="store_true",
        help="Count with gcov which lines and branches of a library the cases reach.",
    )
    group.addoption(
        "--all-clear",
        action="store_true",
        help="The cautions have been read and all is clear: what is on a port moves.",
    )


@pytest.hookimpl(trylast=True)
def pytest_configure(config: pytest.Config) -> None:
    """Register the marker, choose the test files, and check that the run is allowed."""
    config.addinivalue_line("markers", "clause(*ids): the clauses of the format page that this case checks")
    config.stash[_SEED] = _talk_seed(config)
    target = config.getoption("--dut")
    if target is None:
        return
    if not target.strip():
        raise pytest.UsageError("--dut: no target is given; 'python', 'reference', a library or a port is wanted")
    if config.getoption("--dut-report"):
        from busproto.atomic_files import require_own
        from busproto.conformance.results.page import GENERATED_BY
        from busproto.conformance.results.runs import beside, read_runs
        from busproto.errors import BusError

        try:
            require_own(Path(config.getoption("--dut-report")), GENERATED_BY, "a report")
            read_runs(beside(Path(config.getoption("--dut-report"))))
        except BusError as error:
            raise pytest.UsageError(f"--dut-report: {error}") from error
    if config.args_source is not pytest.Config.ArgsSource.ARGS:
        config.args = [str(SUITE)]
    from busproto.conformance.targets import PYTHON, is_in_process

    if config.getoption("--dut-coverage"):
        if target == PYTHON or not is_in_process(target):
            raise pytest.UsageError(f"--dut-coverage: lines of a library can be counted, '{target}' is none")
        if hasattr(config, "workerinput") or config.getoption("numprocesses", None):
            raise pytest.UsageError("--dut-coverage: one process only, without -n")
    if is_in_process(target):
        if config.getoption("--dut-side"):
            raise pytest.UsageError(f"--dut-side: it stands beside a port; '{target}' is run in this process")
        return
    _no_cache_beside_a_port(config)
    if hasattr(config, "workerinput") or config.getoption("numprocesses", None):
        raise pytest.UsageError("--dut on a port: one process only, without -n")
    if not target.startswith("sim://") and not config.getoption("--all-clear"):
        from busproto.cautions import CAUTIONS, DISCLAIMER

        said = "\n".join(f"  - {line}" for line in CAUTIONS)
        raise pytest.UsageError(
            f"--dut '{target}': the actuator on that port will move.\n{said}\n{DISCLAIMER}\n"
            "When all of this is so, say --all-clear. Nothing was sent."
        )


def _no_cache_beside_a_port(config: pytest.Config) -> None:
    """Disable the cache: pytest takes a device name after `--dut` for a test file and would put its cache beside it."""
    if config.rootpath.is_relative_to("/dev"):
        for name in ("lfplugin", "nfplugin", "stepwiseplugin"):
            found = config.pluginmanager.get_plugin(name)
            if found is not None:
                config.pluginmanager.unregister(found)


def _uid(text: str | None) -> bytes | None:
    """The uid of `--dut-uid`, None without it. Raises InputError."""
    from busproto.errors import InputError

    if text is None:
        return None
    try:
        uid = bytes.fromhex(text)
    except ValueError:
        uid = b""
    if len(uid) != 8:
        raise InputError(f"--dut-uid '{text}': 16 hex digits are wanted")
    return uid


@pytest.fixture(scope="session")
def dut_target(request: pytest.FixtureRequest) -> Iterator[Target]:
    """The target that `--dut` names, opened once."""
    from busproto.conformance.targets import open_target
    from busproto.errors import BusError

    config = request.config
    name = config.getoption("--dut")
    if not name:
        pytest.skip("not checked: no --dut was given")
    latency_ms = config.getoption("--dut-latency-ms")
    try:
        if config.getoption("--dut-coverage"):
            from busproto.conformance.results.coverage import counted_library

            name, config.stash[_GCOV] = counted_library(name)
        opened = open_target(
            name,
            seed=config.getoption("--dut-seed") or 0,
            baud=config.getoption("--dut-baud"),
            uid=_uid(config.getoption("--dut-uid")),
            latency_ns=None if latency_ms is None else round(latency_ms * 1e6),
            side=config.getoption("--dut-side"),
        )
    except BusError as error:
        pytest.exit(f"{error}", returncode=pytest.ExitCode.USAGE_ERROR)
    config.stash[_NEIGHBOURS] = opened.neighbours
    yield opened
    opened.close()


@pytest.fixture
def dut(dut_target: Target, request: pytest.FixtureRequest) -> Iterator[Dut]:
    """The actuator under test, as after power-up, with factory settings, at an address of its own."""
    dut = dut_target.fresh(request.node.name)
    request.node.stash[_DUTS] = [dut]
    _require_offered(dut, request)
    yield dut
    dut_target.done_with(dut)


def _require_offered(dut: Dut, request: pytest.FixtureRequest) -> None:
    """Skip a case of an extension that the actuator does not offer."""
    from busproto.conformance.clauses import part_of_case
    from busproto.conformance.dut import not_checked
    from busproto.conformance.results.report import NOT_OFFERED
    from busproto.wire.page.rules import TEACHING

    ids = [one for marker in request.node.iter_markers("clause") for one in marker.args]
    if part_of_case(ids) == TEACHING and not dut.offers_teaching():
        not_checked(NOT_OFFERED)


@pytest.fixture
def dut_build(dut_target: Target, request: pytest.FixtureRequest) -> Callable[..., Dut]:
    """Builds further actuators under test in process (`InProcess.build`): address, stored settings, line rate, clock,
    neighbours, rating, bench.

    On a port there is only one, again as after power-up; a case that needs more is not checked.
    """
    from busproto.conformance.dut import not_checked
    from busproto.conformance.targets import InProcess

    def build(**named: Any) -> Dut:
        if not isinstance(dut_target, InProcess) and named:
            not_checked(
                "it needs a target in process: with other actuators, a clock error, another rating, or on a bench"
            )
        if isinstance(dut_target, InProcess):
            _require_offered(dut_target.build(request.node.name), request)
            dut = dut_target.build(request.node.name, **named)
            request.node.stash.setdefault(_DUTS, []).append(dut)
            return dut
        dut = dut_target.fresh(request.node.name)
        request.node.stash.setdefault(_DUTS, []).append(dut)
        _require_offered(dut, request)
        return dut

    return build


@pytest.fixture
def on_bench(dut_build: Callable[..., Dut]) -> Dut:
    """A firmware under test on a desk bench (`Dut.bench`); where the target cannot be, the case is not checked."""
    return dut_build(on_bench=True)


@pytest.fixture
def bus_link(dut: Dut) -> Link:
    """A link on the port of the actuator under test: the host's own operations."""
    from busproto.ops.link import Link

    link = Link(dut.transport)
    link.session.echoes = dut.echoes
    return link


@pytest.fixture
def soak_steps(request: pytest.FixtureRequest, dut_target: Target) -> int:
    """Number of steps of the random conversations in all."""
    given = request.config.getoption("--dut-soak")
    if given is None:
        usual = _SOAK_PORT_STEPS if dut_target.is_port else _SOAK_STEPS
        return usual * _DEEPER if request.config.getoption("--dut-deep") else usual
    return int(given)


@pytest.fixture(scope="session")
def dut_talks(request: pytest.FixtureRequest, dut_target: Target) -> Talks:
    """Random conversations with the target, by the seed of this run."""
    from busproto.conformance.conversation.run import Talks

    return Talks(dut_target, request.config.stash[_SEED])


@pytest.hookimpl(optionalhook=True)
def pytest_configure_node(node: Any) -> None:
    """Have all processes of a run use one seed."""
    node.workerinput["dut_talk_seed"] = node.config.stash[_SEED]


def _talk_seed(config: pytest.Config) -> int:
    """The seed of the random conversations: the one that is given, else one drawn for this run."""
    given = config.getoption("--dut-seed")
    if given is not None:
        return int(given)
    told = getattr(config, "workerinput", {}).get("dut_talk_seed")
    return random.SystemRandom().randrange(_SEEDS) if told is None else int(told)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Keep only the cases that this run takes."""
    target = config.getoption("--dut")
    if not target:
        return
    from busproto.conformance.choice import chosen
    from busproto.conformance.targets import is_in_process

    kept = chosen(config, items, config.stash[_SEED], is_on_port=not is_in_process(target))
    ids = {item.nodeid for item in kept}
    config.hook.pytest_deselected(items=[item for item in items if item.nodeid not in ids])
    items[:] = kept


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_protocol(item: pytest.Item, nextitem: pytest.Item | None) -> bool | None:
    """Run a case on a port in a time in which the machine keeps its times."""
    from busproto.conformance.targets import is_in_process

    target = item.config.getoption("--dut")
    if not target or is_in_process(target):
        return None
    from busproto.conformance.punctual import run_in_time

    again = run_in_time(item, nextitem)
    item.config.stash[_AGAIN] = item.config.stash.get(_AGAIN, 0) + bool(again)
    return True


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    """Put the clauses of a case into the properties of its result (JUnit writes them; xdist carries them)."""
    for marker in item.iter_markers("clause"):
        item.user_properties.extend(
            (PROPERTY, one) for one in marker.args if (PROPERTY, one) not in item.user_properties
        )


def _cases(terminal: Any) -> list[Case]:
    from busproto.conformance.results.report import Case

    verdicts = {"passed": "passed", "failed": "failed", "error": "failed", "skipped": "not checked"}
    found: list[Case] = []
    for key, verdict in verdicts.items():
        for report in terminal.stats.get(key, []):
            clauses = tuple(str(value) for name, value in getattr(report, "user_properties", ()) if name == PROPERTY)
            if clauses:
                found.append(Case(report.nodeid.rpartition("::")[2], verdict, clauses, _why(report)))
    return found


def _why(report: Any) -> str:
    told = report.longrepr
    if told is None:
        return ""
    if isinstance(told, tuple):
        return str(told[2]).removeprefix("Skipped: ").removeprefix("not checked: ")
    crash = getattr(told, "reprcrash", None)
    text = str(crash.message if crash is not None else told)
    return text.splitlines()[0].removeprefix("AssertionError: ") if text else ""


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Generator[None, Any, Any]:
    """Keep with a failure what went over the line in the case."""
    report = yield
    duts = item.stash.get(_DUTS, [])
    if report.when == "call" and report.failed and duts:
        from busproto.conformance.results.transcript import as_data, last_lines
        from busproto.errors import BusError

        with contextlib.suppress(BusError):  # a port, or a side channel, that is gone has no more to tell
            report.busproto_transcript = as_data(duts[-1])
            report.sections.append(("the last on the line", "\n".join(last_lines(report.busproto_transcript))))
    return report


@pytest.hookimpl(trylast=True)
def pytest_runtest_teardown(item: pytest.Item) -> None:
    """Count what the case has reached of the library."""
    gcov = item.config.stash.get(_GCOV, None)
    target = getattr(item, "funcargs", {}).get("dut_target")
    if gcov is not None and target is not None:
        clauses = [str(one) for name, one in item.user_properties if name == PROPERTY]
        gcov.take(target.libraries, clauses)
        target.libraries.clear()


def pytest_terminal_summary(terminalreporter: Any, config: pytest.Config) -> None:
    """Print the report by clause, and write it as HTML where asked."""
    if not config.getoption("--dut"):
        return
    from busproto.conformance.results.report import as_text, neighbours_text
    from busproto.errors import BusError

    cases = _cases(terminalreporter)
    if not cases:
        return
    terminalreporter.section(f"conformance of {config.getoption('--dut')}")
    terminalreporter.write_line(f"random conversations: --dut-seed={config.stash[_SEED]}")
    neighbours = neighbours_text(len(config.stash.get(_NEIGHBOURS, ())))
    gcov = config.stash.get(_GCOV, None)
    told = [*as_text(cases), *([neighbours] if neighbours else [])]
    if again := config.stash.get(_AGAIN, 0):
        told.append(f"the machine was late in {again} cases that failed at first; they were tried again")
    for line in (*told, *(gcov.covered.totals() if gcov is not None else ())):
        terminalreporter.write_line(line)
    for kind in ("clause", "case"):
        chosen = config.getoption(f"--dut-{kind}")
        if chosen:
            what = f"cases that cite {' or '.join(chosen)}" if kind == "clause" else " and ".join(chosen)
            terminalreporter.write_line(f"only {what} were run")
    if config.getoption("--dut-report"):
        try:
            for path in _written(terminalreporter, config, cases, neighbours):
                terminalreporter.write_line(f"written: {path}")
        except BusError as error:
            terminalreporter.write_line(f"--dut-report: {error}", red=True)
    if gcov is not None:
        gcov.close()


def _written(terminal: Any, config: pytest.Config, cases: list[Case], neighbours: str) -> list[Path]:
    """Write the page, the runs beside it, and the capture of the first failure; returns their paths."""
    from busproto._version import version_text
    from busproto.atomic_files import now_text, write_whole
    from busproto.conformance.results import runs
    from busproto.conformance.results.page import Failure, as_html
    from busproto.conformance.results.report import by_clause
    from busproto.conformance.results.transcript import packets_in, spoken_in, write_capture

    page, target = Path(config.getoption("--dut-report")), config.getoption("--dut")
    run = runs.Run(
        at=now_text(),
        target=target,
        version=version_text(),
        seed=config.stash[_SEED],
        firmware=runs.digest_of_file(Path(target)),
        is_whole=not (config.getoption("--dut-clause") or config.getoption("--dut-case")),
        verdicts={row.clause.id: row.verdict for row in by_clause(cases)},
    )
    before = runs.read_runs(runs.beside(page))
    written, failure = [page, runs.beside(page)], None
    failed = next((one for one in terminal.stats.get("failed", []) if hasattr(one, "busproto_transcript")), None)
    if failed is not None:
        name, data = failed.nodeid.rpartition("::")[2], failed.busproto_transcript
        capture = page.with_name(f"{page.name.removesuffix('.html')}.first-failure.pcapng")
        write_capture(capture, packets_in(data), data["baud"], f"{target}: {name}")
        written.append(capture)
        case = next(case for case in cases if case.name == name and case.verdict == "failed")
        failure = Failure(case, spoken_in(data), capture.name, _repeating(config, name))
    gcov = config.stash.get(_GCOV, None)
    covered = gcov.covered if gcov is not None else None
    write_whole(page, as_html(cases, run, before, failure, covered, neighbours))
    runs.keep_run(runs.beside(page), before, run)
    return written


def _repeating(config: pytest.Config, case: str) -> str:
    """The command that runs a case again as it was run."""
    words = ["pytest", f"--dut={config.getoption('--dut')}", f"--dut-seed={config.stash[_SEED]}"]
    for name, usual in (("uid", None), ("baud", 115_200), ("latency-ms", None), ("side", None), ("soak", None)):
        value = config.getoption(f"--dut-{name}")
        if value != usual:
            words.append(f"--dut-{name}={value}")
    words += ["--all-clear"] if config.getoption("--all-clear") else []
    return shlex.join([*words, f"--dut-case={case}"])
