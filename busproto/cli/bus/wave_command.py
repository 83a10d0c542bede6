"""``busproto wave``."""

from __future__ import annotations

import io
import random
from pathlib import Path

import click

from busproto.atomic_files import require_own, write_whole
from busproto.cli.common import FloatRange, json_option, native_option, print_json
from busproto.cli.completion import complete_scenario
from busproto.ops.discovery.search import find
from busproto.ops.link import Link

QUIET_NS = 1_000_000
"""Idle line before the first bit: decoders want to see some."""


@click.command(
    epilog="""\b
Examples:
  busproto wave bench-four --vcd search.vcd
  busproto wave my-fault.toml --idle --for 0.2 --vcd fault.vcd
\b
JSON: "file", "signals", "change_count", "duration_s" (virtual time), "overlap_count"."""
)
@click.argument("scenario", shell_complete=complete_scenario)
@click.option("--vcd", "file", required=True, type=click.Path(dir_okay=False), help="The file to write.")
@click.option(
    "--seed",
    type=click.IntRange(0, 2**63 - 1),
    default=0,
    show_default=True,
    help="The same seed gives the same waveform.",
)
@click.option("--idle", is_flag=True, help="Let no host speak: record what the scenario itself brings.")
@click.option("--for", "for_s", type=FloatRange(0.0001, 600), help="Go on for so many virtual seconds in all.")
@native_option
@json_option
def command(scenario: str, file: str, seed: int, idle: bool, for_s: float | None, native: bool, as_json: bool) -> None:
    """Write the waveform of a search on SCENARIO as VCD: every driver, the line, and what the host sees."""
    from busproto.sim.scene.scenario import load
    from busproto.sim.wave_out import MARK as VCD_MARK
    from busproto.sim.wave_out import begin_recording, signals, write_vcd

    path = Path(file)
    require_own(path, VCD_MARK, "a waveform")
    if idle and for_s is None:
        raise click.UsageError("--idle needs --for", click.get_current_context())
    bus = load(scenario, native=native).build(seed)
    begin_recording(bus)
    bus.kernel.run_until(QUIET_NS)
    if not idle:
        with Link(bus.host) as link:
            link.run(find(rng=random.Random(seed)))
    if for_s is not None:
        bus.kernel.run_until(round(for_s * 1e9))
    text = io.StringIO()
    changes = write_vcd(bus, text)
    write_whole(path, text.getvalue())
    body = {
        "file": file,
        "signals": list(signals(bus)),
        "change_count": changes,
        "duration_s": bus.kernel.now_ns / 1e9,
        "overlap_count": bus.line.overlaps,
    }
    if as_json:
        print_json(body)
    else:
        click.echo(
            f"{file}: {len(signals(bus))} signals, {changes} changes in {bus.kernel.now_ns / 1e6:.1f} ms of virtual "
            f"time, {bus.line.overlaps} overlaps"
        )
