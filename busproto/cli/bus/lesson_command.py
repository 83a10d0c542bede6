"""``busproto lesson``: short lessons on the virtual bus, drawn with letters and blocks."""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Final

import click

from busproto.cli import exit_codes
from busproto.cli.common import console, json_option, print_json
from busproto.cli.completion import complete_lesson
from busproto.errors import InputError

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

    from busproto.lessons.scene import Plot, Question, Scene, Scope, Step, Table, Verdict

WIDTH: Final = 78
NAME_WIDTH: Final = 12
MOST_COLUMNS: Final = 4
PLOT_ROWS: Final = 15
PLOT_COLUMNS: Final = 64
PLOT_GRID: Final = 20
"""A plot begins and ends at a multiple of this, so that its middle is a whole number."""
BEAT_S: Final = 0.4
"""How long each step of a search stays on a terminal."""
HIGH, LOW = "█", "▁"
PLAIN_HIGH, PLAIN_LOW = "#", "_"
MAX_SEED: Final = 2**31 - 1


@click.command(
    epilog="""\b
Examples:
  busproto lesson --list
  busproto lesson and
  busproto lesson loss --seed 7
  busproto lesson and --answer 5c
\b
Each lesson runs on a virtual bus: nothing real is asked, and nothing real moves. On a terminal the
question at its end waits for your answer (Enter alone passes); in a script --answer gives it.
\b
JSON: "name", "title", "seed", "scenes" (title, text, scope, table, plot, steps, after; a step of
a search tells its course in numbers, and its node where it walks a tree), "question" (text,
how), and with --answer "verdict" (right, given, truth, reason).
With --list: "lessons" (name, title).
Exit code 3: the answer is wrong."""
)
@click.argument("name", required=False, shell_complete=complete_lesson)
@click.option("--list", "as_list", is_flag=True, help="List the lessons.")
@click.option(
    "--seed",
    type=click.IntRange(0, MAX_SEED),
    default=1,
    show_default=True,
    help="Of the virtual bus: another one gives other actuators, bits and questions.",
)
@click.option("--answer", metavar="TEXT", help="Your answer to the question of this lesson and seed.")
@json_option
def command(name: str | None, as_list: bool, seed: int, answer: str | None, as_json: bool) -> int:
    """Show how addressed buses behave: lesson NAME, a few scenes and a question; without NAME, the list."""
    from busproto import lessons

    if name is None or as_list:
        if answer is not None:
            raise InputError("--answer belongs to a lesson: say which one")
        _list(lessons.listing(), as_json)
        return exit_codes.DONE
    lesson = lessons.lesson_named(name)
    question = lesson.question(seed)
    if answer is not None:
        question.read(answer)  # what is no answer is refused before anything is shown
    if as_json:
        body = lessons.as_json(name, seed)
        verdict = None if answer is None else question.check(answer)
        if verdict is not None:
            body["verdict"] = {
                "right": verdict.right,
                "given": verdict.given,
                "truth": verdict.truth,
                "reason": verdict.reason,
            }
        print_json(body)
        return _exit_code(verdict)
    out = console()
    _print(out, f"[bold]{_safe(lesson.title)}[/bold]")
    _print(out, f"[dim]Lesson '{lesson.name}' on a virtual bus, seed {seed}. Nothing real moves.[/dim]")
    for scene in lesson.scenes(seed):
        _show(out, scene)
    return _exit_code(_put(out, question, answer, name, seed))


def _exit_code(verdict: Verdict | None) -> int:
    return exit_codes.DONE if verdict is None or verdict.right else exit_codes.NOT_AS_WANTED


def _list(rows: Sequence[dict[str, str]], as_json: bool) -> None:
    if as_json:
        print_json({"lessons": list(rows)})
        return
    width = max(len(row["name"]) for row in rows)
    for row in rows:
        click.echo(f"{row['name']:{width}}  {row['title']}")
    click.echo("\nbusproto lesson NAME shows one; they are best taken in this order.")


# --- the question -----------------------------------------------------------------------------------------------


def _put(out: Console, question: Question, answer: str | None, name: str, seed: int) -> Verdict | None:
    """Ask, at a terminal; None where there was no answer."""
    _head(out, "Question")
    _print(out, _safe(question.text))
    if answer is None and not (sys.stdin.isatty() and sys.stdout.isatty()):
        option = "" if seed == 1 else f" --seed {seed}"
        _print(out, f"Answer with {_safe(question.form.how)}:\n  busproto lesson {name}{option} --answer TEXT")
        return None
    verdict = _asked(question) if answer is None else question.check(answer)
    if verdict is None:
        _print(out, "Not answered.")
        return None
    word = "[green]Right[/green]" if verdict.right else "[red]Wrong[/red]"
    truth = "" if verdict.right else f" It is {_safe(verdict.truth)}."
    _print(out, f"{word}: {_safe(verdict.given)}.{truth} The virtual bus, run just now: {_safe(verdict.reason)}.")
    return verdict


def _asked(question: Question) -> Verdict | None:
    """Ask on the terminal until there is an answer; None for Enter alone."""
    while True:
        text = str(click.prompt(f"Your answer ({question.form.how})", default="", show_default=False)).strip()
        if not text:
            return None
        try:
            return question.check(text)
        except InputError as error:
            click.echo(str(error))


# --- scenes -----------------------------------------------------------------------------------------------------


def _safe(text: str) -> str:
    from rich.markup import escape

    return escape(text)


def _print(out: Console, text: str) -> None:
    """A paragraph, broken between words so that 80 columns hold it."""
    out.print(text, width=min(out.width, WIDTH))


def _head(out: Console, title: str) -> None:
    out.print()
    out.print(f"[bold cyan]{_safe(title)}[/bold cyan]")


def _show(out: Console, scene: Scene) -> None:
    _head(out, scene.title)
    for paragraph in scene.text:
        _print(out, _safe(paragraph))
    if scene.scope is not None:
        out.print()
        for line in scope_lines(scene.scope, out.encoding):
            out.print(line, markup=False, no_wrap=True, crop=False)
    if scene.steps:
        out.print()
        _play(out, scene.steps)
    if scene.plot is not None:
        out.print()
        for line in plot_lines(scene.plot):
            out.print(line, markup=False, no_wrap=True, crop=False)
    if scene.table is not None:
        out.print()
        out.print(_table(scene.table), width=min(out.width, WIDTH))
    if scene.after:
        out.print()
    for paragraph in scene.after:
        _print(out, _safe(paragraph))


def _table(table: Table) -> RenderableType:
    from rich.table import Table as RichTable

    drawn = RichTable(*map(_safe, table.heads), box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for row in table.rows:
        drawn.add_row(*map(_safe, row))
    return drawn


def _play(out: Console, steps: Sequence[Step]) -> None:
    """The steps of a search: one after the other with its board on a terminal, else a line each."""
    from rich.console import Group
    from rich.live import Live
    from rich.text import Text

    if not sys.stdout.isatty():
        for step in steps:
            _print(out, _safe(step.text))
        return
    with Live(console=out, auto_refresh=False, transient=True) as live:
        for step in steps:
            live.console.print(_safe(step.text), width=min(out.width, WIDTH))
            live.update(Group(Text(""), _table(step.board), Text(step.note)), refresh=True)
            time.sleep(BEAT_S)


def scope_lines(scope: Scope, encoding: str) -> Iterator[str]:
    """Waves as blocks, one to four columns a bit; a full block is high, a low line is low."""
    high, low = (HIGH, LOW) if encoding.lower().startswith("utf") else (PLAIN_HIGH, PLAIN_LOW)
    per_bit = max(1, min(MOST_COLUMNS, (WIDTH - NAME_WIDTH) // scope.bits))
    if scope.ruler:
        ruler = "".join(letter.center(per_bit) for letter in scope.ruler)
        yield f"{'':{NAME_WIDTH}}{ruler.rstrip()}"
    for wave in scope.waves:
        cells = []
        for cell in range(scope.bits * per_bit):
            moment = scope.from_ns + (cell + 0.5) * scope.bit_ns / per_bit
            cells.append(low if sum(edge <= moment for edge in wave.edges) % 2 else high)
        yield f"{wave.name:{NAME_WIDTH}}{''.join(cells)}"
    yield f"{'':{NAME_WIDTH}}{high} high (1)   {low} low (0)"


def plot_lines(plot: Plot) -> Iterator[str]:
    """Curves as letters on a grid, the first letter of each name; * where several are; marks below."""
    points = [point for curve in plot.curves for point in curve.points]
    left, right = min(x for x, _ in points), max(x for x, _ in points)
    bottom = math.floor(min(y for _, y in points) / PLOT_GRID) * PLOT_GRID
    top = math.ceil(max(y for _, y in points) / PLOT_GRID) * PLOT_GRID
    grid = [[" "] * PLOT_COLUMNS for _ in range(PLOT_ROWS)]

    def column(x: float) -> int:
        return round((x - left) / ((right - left) or 1) * (PLOT_COLUMNS - 1))

    def row(y: float) -> int:
        return round((top - y) / ((top - bottom) or 1) * (PLOT_ROWS - 1))

    for x, _ in plot.marks:
        for line in grid:
            line[column(x)] = ":"
    letters = letters_of(plot)
    for letter, curve in zip(letters, plot.curves, strict=True):
        for x, y in curve.points:
            cell = grid[row(y)][column(x)]
            grid[row(y)][column(x)] = letter if cell in {" ", ":", letter} else "*"
    labelled = {0, PLOT_ROWS // 2, PLOT_ROWS - 1}
    for number, line in enumerate(grid):
        value = top - (top - bottom) * number / (PLOT_ROWS - 1)
        label = f"{value:.0f}" if number in labelled else ""
        yield f"{label:>6} |{''.join(line)}".rstrip()
    yield f"{'':6} +{'-' * PLOT_COLUMNS}"
    ends = f"{left:.0f}", f"{right:.0f} {plot.unit_x}"
    yield f"{'':8}{ends[0]}{ends[1]:>{PLOT_COLUMNS - len(ends[0])}}"
    keys = "   ".join(f"{letter} {curve.name}" for letter, curve in zip(letters, plot.curves, strict=True))
    yield f"{'':8}{keys}   * several      (up: {plot.unit_y})"
    if plot.marks:
        yield ""
        for x, text in sorted(plot.marks):
            yield f"{'':8}: at {x:.0f} {plot.unit_x}: {text}"


def letters_of(plot: Plot) -> list[str]:
    """A letter for each curve: the first one of its name."""
    return [curve.name[0].upper() for curve in plot.curves]
