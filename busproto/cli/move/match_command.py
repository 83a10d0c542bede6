"""``busproto match``."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click

from busproto.atomic_files import check_writable, kept
from busproto.cautions import DISCLAIMER
from busproto.cli import exit_codes
from busproto.cli.common import (
    FloatRange,
    PortOptions,
    clear_option,
    clear_progress,
    code_of,
    console,
    json_option,
    open_link,
    port_options,
    print_json,
    print_let_go,
    require_clearance,
)
from busproto.cli.plots import require_plots, save_picture
from busproto.ops.moving.letting_go import LetGo
from busproto.ops.survey import actuators_of, survey
from busproto.plan.airframe.audit import audit
from busproto.plan.airframe.results import (
    check_result_place,
    gang_named,
    match_body,
    members_to_match,
    table_sentences,
    write_match,
)
from busproto.plan.assignment import load_assignment
from busproto.plan.calibration.gang_match import MATCH_ENDING
from busproto.plan.calibration.match import Figures, Matched, match
from busproto.plan.calibration.match_checks import raw_table
from busproto.plan.load import load
from busproto.plan.trials.trial import Subject

ROWS_OF_PLOT = 9
COLUMNS_OF_PLOT = 61


@click.command(
    epilog="""\b
Examples:
  busproto match hauler.toml rudder --port /dev/ttyUSB0
  busproto match hauler.toml rudder --port /dev/ttyUSB0 --clear --plot rudder.svg
\b
JSON, and in the file hauler.match.json beside the airframe file under the gang's
name: "date", "lead", "lead_uid", "stored", "reasons" (why it was refused), "table_state" ("stored",
"as before" or "not known", as read back), "not_read_back" (function: why), "figures_before"
and "figures_after" (null, or greatest_deg, idle_current_ma, peak_idle_current_ma, fight_torque_nm: an
estimate from the current), "members" (function, uid, and as far as it came:
table_deg, reason, noise_deg, greatest_before_deg, greatest_after_deg, rms_before_deg,
rms_after_deg), "earlier" (where it was refused: the last one that was stored).
In JSON also "let_go": what was seen at the end, see 'busproto move --help'.
Exit code 3: refused; the tables are as they were, and that was read back. Exit code
1: refused, and it could not be read back what the tables are; or an actuator was not
seen limp at the end."""
)
@click.argument("airframe")
@click.argument("gang")
@click.option("--stations", type=click.IntRange(12, 101), default=33, show_default=True, help="Places of the sweep.")
@click.option("--looks", type=click.IntRange(1, 50), default=3, show_default=True, help="Readings at each place.")
@click.option(
    "--reach",
    "reach_percent",
    type=FloatRange(50, 95),
    default=90,
    show_default=True,
    help="How far to both sides, in % of the travel; the surface's own stops must lie 5 % further out.",
)
@click.option("--plot", "plot_file", metavar="FILE", help="Also a picture of the mismatch, SVG or PNG (needs 'plot').")
@clear_option
@port_options
@json_option
def command(
    airframe: str,
    gang: str,
    stations: int,
    looks: int,
    reach_percent: float,
    plot_file: str | None,
    clear: bool,
    port: PortOptions,
    as_json: bool,
) -> int:
    """Make the actuators of GANG move alike, so that they do not fight: measure, correct, prove.

    One after another leads the surface through its travel while the others are limp and carried along; from what
    they report each gets a correction table, which is stored where it is better. Refused where a member is not
    carried along (a rod that is off, a wrong spare), where no table fits, or where one would make it worse. The
    surface moves over nearly all of its travel. Ends limp, also on Ctrl-C; then the tables are as they were.
    """
    plan = load(airframe)
    wanted = gang_named(plan, gang)
    check_result_place(plan, MATCH_ENDING)
    if plot_file is not None:
        require_plots(plot_file)
        check_writable(Path(plot_file))
    with open_link(port) as link:
        seen = link.run(survey())
        found = audit(plan, load_assignment(plan), seen)
        subjects = members_to_match(wanted, found)
        require_clearance(clear, f"matching the {gang}: its surface moves over nearly all of its travel")
        actuators = actuators_of(seen)
        result = link.run(
            match(subjects, stations=stations, looks=looks, reach=reach_percent / 100, actuators=actuators)
        )
    limp = result.let_go
    body = match_body(subjects, result)
    kept(lambda: write_match(plan, wanted, body))
    if plot_file is not None:
        kept(lambda: _plot(plot_file, gang, subjects, result))
    if as_json:
        print_json({"airframe": plan.title, "gang": gang, **body, "let_go": limp.as_json()})
    else:
        _print(gang, subjects, result, limp)
    if result.unknown:
        return exit_codes.FAILED
    return code_of(limp, exit_codes.DONE if result.stored else exit_codes.NOT_AS_WANTED)


def _print(gang: str, subjects: Sequence[Subject], result: Matched, limp: LetGo) -> None:
    from rich.markup import escape
    from rich.table import Table

    clear_progress()
    out = console()
    lead, *others = subjects
    before, after = result.before, result.after
    out.print(f"{escape(gang)}: {escape(lead.role.function)} leads.")
    if before is not None:
        table = Table("", "before", *(["after"] if after else []), box=None)
        both = [before, after] if after else [before]
        for subject in others:
            at = subject.address
            greatest = [f"{one.greatest_deg[at]:.3f} deg" for one in both]
            table.add_row(f"{escape(subject.role.function)}: greatest mismatch", *greatest)
            table.add_row("  rms", *(f"{one.rms_deg[at]:.3f} deg" for one in both))
        torques = [f"{one.torque_nm:.3f} N m" for one in both]
        table.add_row("fight torque, estimated from the current", *torques)
        table.add_row("current of all, standing still", *(f"{one.idle_ma:.0f} mA" for one in both))
        out.print(table)
    if before is not None and after is not None:
        for subject in others:
            fit = result.fits[subject.address]
            none = "" if raw_table(fit) else " (it needs none)"
            out.print(f"{escape(subject.role.function)}: {escape(fit.reason)}{none}")
        out.print(terminal_plot(before, after))
    for reason in result.refused:
        out.print(f"[red]Refused:[/red] {escape(reason)}.")
    for sentence in table_sentences(result):
        out.print(f"[{'green' if result.stored else 'red'}]{escape(sentence)}[/]")
    print_let_go(limp)
    out.print(DISCLAIMER)


def terminal_plot(before: Figures, after: Figures) -> str:
    """Mismatch over the travel, in letters: o before, x after; the worst member at each place."""
    top = max(before.worst_deg, after.worst_deg, 0.01)
    grid = [[" "] * COLUMNS_OF_PLOT for _ in range(ROWS_OF_PLOT)]
    middle = ROWS_OF_PLOT // 2
    grid[middle] = ["-"] * COLUMNS_OF_PLOT
    for mark, figures in (("o", before), ("x", after)):
        for points in figures.curve.values():
            for fraction, error_deg in points:
                column = round((min(1.0, max(-1.0, fraction)) + 1) / 2 * (COLUMNS_OF_PLOT - 1))
                row = round(middle - error_deg / top * middle)
                grid[row][column] = mark
    labels = {0: f"{top:+.2f} deg", middle: "0", ROWS_OF_PLOT - 1: f"{-top:+.2f} deg"}
    lines = [f"{labels.get(number, ''):>11} |{''.join(row)}" for number, row in enumerate(grid)]
    return "\n".join([*lines, f"{'':>11} -100 %{'demand':^{COLUMNS_OF_PLOT - 13}}+100 %", f"{'':>12}o before, x after"])


def _plot(file: str, gang: str, subjects: Sequence[Subject], result: Matched) -> None:
    """A picture of the mismatch. Raises InputError where the file cannot be written."""
    from matplotlib.figure import Figure

    if result.before is None or result.after is None:
        clear_progress()
        click.echo(f"'{file}' was not made: it was refused before there was a curve", err=True)
        return
    figure = Figure(figsize=(8, 4.5), layout="constrained")
    axes = figure.subplots()
    for number, subject in enumerate(subjects[1:]):
        for figures, style, word in ((result.before, "--", "before"), (result.after, "-", "after")):
            fractions, errors = zip(*figures.curve[subject.address], strict=True)
            axes.plot(
                [100 * fraction for fraction in fractions],
                errors,
                style,
                color=f"C{number}",
                label=f"{subject.role.function}, {word}",
            )
    axes.axhline(0, color="0.5", linewidth=0.8)
    axes.set(xlabel="demand, %", ylabel="mismatch, deg", title=f"{gang}: mismatch to {subjects[0].role.function}")
    axes.grid(alpha=0.3)
    axes.legend()
    save_picture(figure, file)
