"""What the commands share: port options, the open link, output, progress, the cautions."""

from __future__ import annotations

import contextlib
import math
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

import click

from busproto import lasting
from busproto.cautions import CAUTIONS, DISCLAIMER
from busproto.cli import exit_codes
from busproto.cli.completion import complete_port
from busproto.errors import BusError, FileError, InputError, PortClosedError
from busproto.opening import MAX_LATENCY_MS, SIM_SCHEME, check_url
from busproto.ops.link import Link
from busproto.ops.moving.letting_go import Holding, LetGo
from busproto.ops.reports import state_word
from busproto.ops.steps import Progress
from busproto.shown import json_text
from busproto.transport import Transport, open_transport
from busproto.transport.serial_port import MAX_BAUD, MIN_BAUD
from busproto.wire.frame import DEFAULT_BAUD

if TYPE_CHECKING:
    from rich.console import Console

F = TypeVar("F", bound=Callable[..., Any])


class NotCleared(Exception):
    """The cautions, or a question before a lasting change, were not answered with yes."""

    def __init__(self, why: str, otherwise: str = "nothing was moved") -> None:
        super().__init__(f"{why}; {otherwise}")
        self.why = why


class FloatRange(click.FloatRange):
    """A number within limits. Click alone lets "nan" pass, which is neither above nor below any limit."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The number, or a usage error."""
        number = super().convert(value, param, ctx)
        if math.isnan(number):
            self.fail(f"{value!r} is not a number", param, ctx)
        return number


@dataclass
class PortOptions:
    """What was given on the command line about the port."""

    url: str
    baud: int
    latency_ms: float | None
    capture: str | None = None


def port_options(function: F) -> F:
    """Options of every command that talks to a bus; they arrive as `port: PortOptions`."""

    def put_together(
        *args: Any, port_url: str, baud: int, latency_ms: float | None, capture: str | None, **kwargs: Any
    ) -> Any:
        return function(*args, port=PortOptions(port_url, baud, latency_ms, capture), **kwargs)

    put_together.__doc__ = function.__doc__
    wrapped: Any = put_together
    wrapped.__click_params__ = getattr(function, "__click_params__", [])
    for option in (
        click.option(
            "--capture",
            type=click.Path(dir_okay=False),
            metavar="FILE",
            help="Keep what goes over the port in a new file (pcapng); 'busproto decode' reads it.",
        ),
        click.option(
            "--latency-ms",
            type=FloatRange(0, MAX_LATENCY_MS),
            help="How long the adapter may keep bytes back (default: 20 on a real port, 0 on sim://).",
        ),
        click.option(
            "--baud",
            type=click.IntRange(MIN_BAUD, MAX_BAUD),
            default=DEFAULT_BAUD,
            show_default=True,
            help="Line rate in bits per second.",
        ),
        click.option(
            "--port",
            "port_url",
            required=True,
            envvar="BUSPROTO_PORT",
            show_envvar=True,
            shell_complete=complete_port,
            metavar="URL",
            help="Device name, or a URL such as socket://HOST:PORT or sim://SCENARIO?seed=N.",
        ),
    ):
        wrapped = option(wrapped)
    result: F = wrapped
    return result


def native_option(function: F) -> F:
    """The option that lets a scenario name libraries that are run; it arrives as `native`."""
    return click.option(
        "--native-code",
        "native",
        is_flag=True,
        help="Run the shared libraries that the scenario names; they get all your rights.",
    )(function)


def json_option(function: F) -> F:
    """The option --json; it arrives as `as_json`."""
    return click.option("--json", "as_json", is_flag=True, help="Print the result as JSON, with stable keys.")(function)


def clear_option(function: F) -> F:
    """The option --clear; it arrives as `clear`."""
    return click.option(
        "--clear", is_flag=True, help="The cautions have been read and all is clear: do not ask before moving."
    )(function)


@contextlib.contextmanager
def open_link(port: PortOptions) -> Iterator[Link]:
    """The link on a port, with progress on stderr while it is a terminal."""
    check_url(port.url)
    latency_ns = None if port.latency_ms is None else round(port.latency_ms * 1e6)
    transport = open_transport(port.url, port.baud, latency_ns=latency_ns)
    with (
        recorded(transport, port.capture) as used,
        ProgressLine() as progress,
        Link(used, on_progress=progress.show) as link,
    ):
        try:
            yield link
        except (BusError, KeyboardInterrupt) as error:
            # a port that closed tells it itself; a refusal is told with all that was done where the command ends
            if link.done and not isinstance(error, (PortClosedError, InputError)):
                error.add_note(f"done until then: {', '.join(link.done)}")
            raise


@contextlib.contextmanager
def recorded(transport: Transport, file: str | None) -> Iterator[Transport]:
    """The port, or the port and a file that keeps what goes over it; a file that got not all of it is told of.

    Raises:
        FileError: the file is there already, or cannot be made; nothing was sent, and the port is closed.
    """
    if file is None:
        yield transport
        return
    from pathlib import Path

    from busproto.capture.recorder import RecordingTransport

    try:
        used = RecordingTransport(transport, Path(file), origin_ns=origin_ns(transport))
    except FileError:
        transport.close()
        raise
    try:
        yield used
    finally:
        used.close()
        if used.writer.failure:
            lasting.note_unkept(f"'{file}' does not hold everything: {used.writer.failure}")


def origin_ns(transport: Transport) -> int:
    """What a port's clock lacks to the time since 1970, ns; 0 where its time is virtual."""
    import time

    return 0 if transport.url.startswith(SIM_SCHEME) else time.time_ns() - transport.now_ns()


class ProgressLine:
    """Progress of long work, on stderr, only at a terminal and while there is some."""

    shown: ProgressLine | None = None
    """The one that is on the screen now; a question takes it away first."""

    def __init__(self) -> None:
        self._bar: Any = None
        self._task: Any = None

    def __enter__(self) -> ProgressLine:
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def stop(self) -> None:
        """Take the line away; the next step brings it back."""
        if self._bar is not None:
            self._bar.stop()
            self._bar = None
            ProgressLine.shown = None

    def show(self, step: Progress) -> None:
        """Show how far an operation is, as a bar on stderr; nothing where stderr is no terminal."""
        if not sys.stderr.isatty():
            return
        if self._bar is None:
            self._start()
        self._bar.update(self._task, description=step.task, completed=step.at, total=step.of)

    def _start(self) -> None:
        from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeElapsedColumn
        from rich.progress import Progress as RichProgress

        from busproto.cli.output import CleanConsole

        columns = (TextColumn("{task.description}"), BarColumn(24), MofNCompleteColumn(), TimeElapsedColumn())
        self._bar = RichProgress(*columns, console=CleanConsole(stderr=True), transient=True)
        self._task = self._bar.add_task("")
        self._bar.start()
        ProgressLine.shown = self


def clear_progress() -> None:
    """Take the progress line away before something else is printed."""
    if ProgressLine.shown is not None:
        ProgressLine.shown.stop()


def console() -> Console:
    """Where a result goes: coloured on a terminal only, as wide as the terminal or 100 columns."""
    from busproto.cli.output import CleanConsole

    return CleanConsole()


def code_of(seen: LetGo, code: int) -> int:
    """The exit code of a command that let go: 1 wherever an actuator was not seen limp, else `code`."""
    return code if seen.is_limp else exit_codes.FAILED


def print_let_go(seen: LetGo) -> None:
    """What was seen when all were let go, as a line of the result."""
    from rich.markup import escape

    colour = "green" if seen.is_limp else "red"
    console().print(f"[{colour}]{escape(seen.text)}[/{colour}]", soft_wrap=True)


def engaged_json(holding: Sequence[Holding]) -> list[dict[str, Any]]:
    """Those that are not limp, as data; the value of the key "engaged"."""
    return [{"address": one.address, "state": state_word(one.state)} for one in holding]


def print_engaged(holding: Sequence[Holding]) -> None:
    """A line where any actuator is engaged or holds."""
    if holding:
        those = ", ".join(f"address {one.address} ({state_word(one.state)})" for one in holding)
        text = f"Not limp: {those}. 'busproto move ADDRESS limp' lets one go."
        console().print(f"[yellow]{text}[/yellow]", soft_wrap=True)


def print_json(body: dict[str, Any]) -> None:
    """Print a result to stdout as JSON, indented by two blanks."""
    click.echo(json_text(body, indent=2))


def print_cautions() -> None:
    """The cautions, on stderr, so that a result on stdout stays clean."""
    click.echo("Before anything moves:", err=True)
    for caution in CAUTIONS:
        click.echo(f"  - {caution}", err=True)
    click.echo(DISCLAIMER, err=True)


def require_clearance(clear: bool, what: str) -> None:
    """Show the cautions and ask, unless `--clear` has answered.

    Raises:
        NotCleared: the answer was no, or there is no terminal to ask at.
    """
    clear_progress()
    print_cautions()
    if clear:
        return
    if not sys.stdin.isatty():
        raise NotCleared("the cautions cannot be answered without a terminal (--clear answers them beforehand)")
    question = f"All clear for {what}? [y/N]"
    with contextlib.redirect_stdout(sys.stderr):  # some versions of click let a blank of the question go to stdout
        is_clear = click.confirm(question, default=False, show_default=False, prompt_suffix=" ", err=True)
    if not is_clear:
        raise NotCleared("the cautions were not answered with yes")


def uid_text(uid: bytes) -> str:
    """A uid as it is printed and typed."""
    return uid.hex()


def address_value(address: int) -> int | None:
    """An address for JSON: None where there is none yet."""
    from busproto.wire.frame import UNADDRESSED

    return None if address == UNADDRESSED else address


def address_text(address: int) -> str:
    """An address for a table: decimal and hexadecimal."""
    return "none" if address_value(address) is None else f"{address} ({address:02X})"
