"""The command line. One file per command; each is imported only when it is called.

Exit codes stand in `busproto.cli.exit_codes`; bad input never shows a traceback, a bug does.
"""

from __future__ import annotations

import contextlib
import importlib
import re
import sys
from collections.abc import Sequence
from typing import Any, Final

import click
from click.shell_completion import CompletionItem

from busproto import lasting
from busproto._version import version_text
from busproto.cli import exit_codes
from busproto.errors import BusError, InputError
from busproto.interrupts import INTERRUPTS
from busproto.shown import clean_output, json_text

__all__ = [
    "COMMANDS",
    "GROUPS",
    "complete",
    "group",
    "run",
]

GROUPS: Final = {
    "Look; nothing changes and nothing moves": {
        "ports": "List the ports of this machine and the shipped scenarios.",
        "find": "Find every actuator, also several at one address, and prove that none is missing.",
        "show": "Show what actuators are, how they are set and how they are.",
        "watch": "Watch what actuators do while another host demands.",
    },
    "Change one actuator": {
        "address": "Give an actuator its address, by uid, and read it back.",
        "set": "Set parameters of one actuator, read them back, store or undo them.",
    },
    "Move; asks first, ends limp": {
        "move": "Move one actuator, or let it go limp.",
        "hand": "Steer one actuator, or a channel, by the keys.",
        "serve": "Open the bench as a page in the browser: actuators as they move, tasks, the line bit by bit.",
    },
    "Plan: from a box of actuators to an airframe": {
        "plan": "Write, check and explain the plan of an airframe.",
        "rig": "Calculate margin, resolution, arm and travel of every surface; needs no bus.",
        "audit": "Compare what is on the line with the plan.",
        "claim": "Learn which actuator is which, by moving each surface by hand.",
        "apply": "Bring every actuator to its address and settings of the plan.",
        "match": "Make the actuators of one surface move alike, so that they do not fight.",
        "trial": "Prove an airframe by moving it and taking the signal away.",
        "save": "Keep addresses, settings, model and rating of all actuators in one file.",
        "restore": "Bring the actuators back to a record.",
        "compare": "Tell what differs between two records, or a record and the bus.",
        "replace": "Put a new actuator in the place of a lost one.",
        "card": "Make the commissioning sheet, for phone and print.",
    },
    "Virtual bus; nothing real moves": {
        "demo": "Do the whole job once, on a virtual airframe behind a pseudo-terminal.",
        "bus": "Run a virtual bus on a pseudo-terminal or a TCP port.",
        "wave": "Write the waveform of a search on a virtual bus, for a waveform viewer.",
    },
    "Files: captures, and code for other tools": {
        "decode": "Show what a capture holds: packets, messages, fields, errors.",
        "stats": "Count a capture: load of the line, reply times, retries, errors.",
        "replay": "Play a capture back, as the host or as the bus, and show the first difference.",
        "spec": "Print the bus format, or write its codec in C and decoders for other tools.",
    },
    "Learn": {
        "handbook": "Read the handbook that comes with the program; no network is needed.",
        "lesson": "Show how addressed buses behave, on the virtual bus, with a question at the end.",
    },
}
"""Every command with its line, by the job that it is for."""
COMMANDS: Final = {name: text for commands in GROUPS.values() for name, text in commands.items()}

_ROOMS: Final = {
    "look": "ports find show watch",
    "change": "address set audit claim apply",
    "move": "move hand match trial",
    "records": "save restore compare replace card",
    "plan": "plan rig",
    "bus": "bus demo lesson serve wave",
    "files": "decode stats replay spec handbook",
}
MODULE_OF: Final = {
    name: f"busproto.cli.{room}.{name}_command" for room, names in _ROOMS.items() for name in names.split()
}
"""In which module each command stands."""

EPILOG: Final = "\n".join(
    [
        "\b",
        "Examples:",
        "  busproto demo",
        "  busproto find --port /dev/ttyUSB0",
        "  busproto find --port sim://tow-plane?seed=1 --json",
        "",
        "\b",
        "Exit codes ('busproto handbook commands' tells more):",
        *(f"  {code:<4} {text}" for code, text in exit_codes.TEXTS.items()),
    ]
)


class _Commands(click.Group):
    """A group that imports a command only when it is called, and lists them by job; the list costs nothing."""

    def list_commands(self, context: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, context: click.Context, name: str) -> click.Command | None:
        if name not in COMMANDS:
            return None
        command: click.Command = importlib.import_module(MODULE_OF[name]).command
        return _with_paragraphs(command)

    def shell_complete(self, context: click.Context, incomplete: str) -> list[CompletionItem]:
        """Commands that begin so. Click alone would import every one of them for a line of its help."""
        commands = [CompletionItem(name, help=text) for name, text in COMMANDS.items() if name.startswith(incomplete)]
        return [*commands, *click.Command.shell_complete(self, context, incomplete)]

    def format_commands(self, context: click.Context, formatter: click.HelpFormatter) -> None:
        for job, commands in GROUPS.items():
            with formatter.section(job):
                formatter.write_dl(list(commands.items()))


def _with_paragraphs(command: click.Command) -> click.Command:
    """Click keeps the lines of a paragraph that begins with a backspace; without a blank line before, it prints one."""
    command.epilog = re.sub("(?<!\n)\n\b\n", "\n\n\b\n", command.epilog or "") or None
    for inner in command.commands.values() if isinstance(command, click.Group) else ():
        _with_paragraphs(inner)
    return command


def _print_version(context: click.Context, _: click.Parameter, wanted: bool) -> None:
    if wanted and not context.resilient_parsing:
        click.echo(version_text())
        context.exit()


@click.group(
    cls=_Commands,
    epilog=EPILOG,
    context_settings={"help_option_names": ["-h", "--help"]},
    invoke_without_command=True,
    subcommand_metavar="COMMAND [ARGS]...",
)
@click.option(
    "--version",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_print_version,
    help="Print the version, and whether the CRC runs compiled.",
)
@click.pass_context
def group(context: click.Context) -> None:
    """Addressed actuators on a half-duplex serial bus: find them, address them, set them, prove them.

    On a real port and on a virtual bus alike.
    """
    if context.invoked_subcommand is None:
        click.echo(context.get_help(), err=True)
        context.exit(exit_codes.USAGE)


def complete() -> int:
    """Answer a shell that asks what could come next; returns the exit code. It reads names, nothing goes to a terminal.

    Click writes bytes then, which `clean_output` does not take; what is offered is cleaned where it is offered.
    """
    try:
        group.main(args=[], prog_name="busproto")
    except SystemExit as stop:
        return stop.code if isinstance(stop.code, int) else exit_codes.FAILED
    return exit_codes.DONE


def run(arguments: Sequence[str]) -> int:
    """Run one command line; returns the exit code. Bad input never shows a traceback, a bug does.

    A refusal that comes when something has been done already is a failure, and tells what was done.
    """
    with clean_output(), lasting.account() as account, INTERRUPTS.using(_say):
        code = _run(arguments, account)
        for text in account.unkept:
            click.echo(f"busproto: {text}", err=True)
    return exit_codes.FAILED if account.unkept and code in {exit_codes.DONE, exit_codes.NOT_AS_WANTED} else code


def _run(arguments: Sequence[str], account: lasting.Account) -> int:
    from busproto.cli.common import NotCleared

    as_json = "--json" in arguments
    stdout = sys.stdout
    try:
        result = group.main(args=list(arguments), prog_name="busproto", standalone_mode=False)
        return result if isinstance(result, int) else 0
    except click.exceptions.Exit as stop:
        return stop.exit_code
    except click.UsageError as error:
        hint = f" (see '{error.ctx.command_path} --help')" if error.ctx else ""
        text = error.format_message().rstrip(".") + hint
        return _refused(text, "UsageError", exit_codes.USAGE, as_json, account, error)
    except NotCleared as error:
        if account.told:
            return _refused(error.why, "NotCleared", exit_codes.NOT_CLEARED, as_json, account, error)
        return _failed(_text(error), "NotCleared", exit_codes.NOT_CLEARED, as_json, error)
    except (click.Abort, KeyboardInterrupt) as error:
        cause = error.__cause__ or error
        return _failed(_text(cause, "interrupted"), "Interrupted", exit_codes.INTERRUPTED, as_json, cause)
    except InputError as error:
        return _refused(_text(error), "InputError", exit_codes.USAGE, as_json, account, error)
    except BusError as error:
        return _failed(_text(error), type(error).__name__, exit_codes.FAILED, as_json, error)
    except SystemExit as stop:
        # the reader of our output has gone; click then puts another stdout in place, rich raises this from the cause;
        # that is no error of ours, and nothing is left to say
        if sys.stdout is stdout and not isinstance(stop.__context__, BrokenPipeError):
            raise
        return exit_codes.DONE
    except Exception as error:
        if isinstance(error, OSError) and INTERRUPTS.is_ending:
            return exit_codes.INTERRUPTED  # the terminal that was closed takes no more words
        code = _sim_exit_code(error)
        if code is None:
            raise
        return _refused(_text(error), type(error).__name__, code, as_json, account, error)


def _say(text: str) -> None:
    """A line while it ends; a terminal that was closed takes none."""
    from busproto.cli.common import clear_progress

    with contextlib.suppress(OSError):
        clear_progress()
        click.echo(f"\nbusproto: {text}", err=True)


def _refused(text: str, kind: str, code: int, as_json: bool, account: lasting.Account, error: BaseException) -> int:
    """A refusal: nothing was changed, or else it is a failure, told with what was done."""
    if account.told and code != exit_codes.FAILED:
        text, code = f"{text}; done until then: {account.told}", exit_codes.FAILED
    return _failed(text, kind, code, as_json, error)


def _text(error: BaseException, text: str | None = None) -> str:
    """What the error says, with the notes that were added to it on its way."""
    return "; ".join([str(error) if text is None else text, *getattr(error, "__notes__", ())])


def _sim_exit_code(error: Exception) -> int | None:
    """The exit code for an error of the simulator, None for any other; it is not imported for this."""
    module = sys.modules.get("busproto.sim.errors")
    if module is None or not isinstance(error, module.SimError):
        return None
    return exit_codes.USAGE if isinstance(error, module.ScenarioError) else exit_codes.FAILED


def _failed(text: str, kind: str, code: int, as_json: bool, error: BaseException) -> int:
    """Say it. Where an actuator was not seen limp behind it, that comes first: the exit code is 1 whatever it was."""
    let_go = getattr(error, "let_go", None)  # see `busproto.ops.moving.letting_go`
    if let_go is not None and not let_go.is_limp:
        code = exit_codes.FAILED
    click.echo(f"busproto: {' '.join(text.split())}", err=True)
    if as_json:
        body: dict[str, Any] = {"error": {"kind": kind, "text": text, "exit_code": code}}
        if let_go is not None:
            body["let_go"] = let_go.as_json()
        click.echo(json_text(body, indent=2))
    return code
