"""``busproto move``."""

from __future__ import annotations

import click

from busproto.cli import exit_codes
from busproto.cli.common import (
    FloatRange,
    PortOptions,
    clear_option,
    code_of,
    json_option,
    open_link,
    port_options,
    print_json,
    require_clearance,
)
from busproto.cli.look.show_command import status_json
from busproto.ops.addressing import parse_address
from busproto.ops.moving.demand_units import check_target, fraction_to_pulse_us, parse_target, standing_deg
from busproto.ops.moving.letting_go import OnLine, let_go
from busproto.ops.moving.motion import move, report
from busproto.ops.parameter_access import describe, read_all
from busproto.wire.messages import STATE_TEXTS
from busproto.wire.parameters import parameter_named

LIMP = "limp"


@click.command(
    context_settings={"ignore_unknown_options": True},  # so that -12.5deg is a target
    epilog="""\b
Examples:
  busproto move 5 centre --port /dev/ttyUSB0
  busproto move 5 25% --hold 3 --port /dev/ttyUSB0
  busproto move 5 1700us --clear --port /dev/ttyUSB0
  busproto move 5 -12.5deg --port /dev/ttyUSB0
  busproto move 5 limp --port /dev/ttyUSB0
\b
JSON: "address", "target" (demand_percent, wanted_deg, pulse_us; null for limp), "arrived",
"peak_current_ma", "report_before", "report_held" (reports: at the beginning, and at the target),
"let_go" (what was seen after the last release: "all_seen_limp", addresses "limp",
"holding" with address and state, "not_seen", "shared", "without_address_count").
Exit code 1: it was not seen limp at the end. Exit code 3: it did not arrive. Exit
code 4: the cautions were not answered with yes.""",
)
@click.argument("address")
@click.argument("target")
@click.option(
    "--hold",
    "hold_s",
    type=FloatRange(0.1, 600),
    default=1.5,
    show_default=True,
    help="For how long to demand it, in s.",
)
@clear_option
@port_options
@json_option
def command(address: str, target: str, hold_s: float, clear: bool, port: PortOptions, as_json: bool) -> int:
    """Move the actuator at ADDRESS to TARGET: centre, 25% of travel, 12.5deg, 1700us, or limp.

    The arm starts softly from where it is. When the time is over, or on Ctrl-C, it is let go limp.
    """
    at = parse_address(address)
    if target.strip().lower() == LIMP:
        return _let_go(at, port, as_json)
    check_target(target)  # a typing mistake is found before the port is opened
    with open_link(port) as link:
        about = link.run(describe(at))
        settings = link.run(read_all(at))
        action = parameter_named("loss-action").text(settings["loss-action"])
        fraction = parse_target(target, settings)
        degrees = standing_deg(fraction, settings, about.mechanical_travel_cdeg)
        pulse_us = fraction_to_pulse_us(fraction)
        require_clearance(clear, f"moving the actuator at address {at} to {degrees:.2f} deg")
        result = link.run(move(at, fraction, round(hold_s * 1e9), loss_action=action))
    assert result.let_go is not None
    if as_json:
        print_json(
            {
                "address": at,
                "target": {
                    "demand_percent": fraction * 100,
                    "wanted_deg": round(degrees, 4),
                    "pulse_us": round(pulse_us, 3),
                },
                "arrived": result.arrived,
                "peak_current_ma": result.peak_current_ma,
                "report_before": status_json(result.before),
                "report_held": status_json(result.after),
                "let_go": result.let_go.as_json(),
            }
        )
    else:
        word = "arrived" if result.arrived else "did NOT arrive, is"
        click.echo(
            f"address {at}: {word} at {result.after.position_cdeg / 100:.2f} deg, demand {fraction * 100:.2f} % "
            f"({degrees:.2f} deg, {pulse_us:.1f} us), peak {result.peak_current_ma} mA. {result.let_go.text}"
        )
    return code_of(result.let_go, exit_codes.DONE if result.arrived else exit_codes.NOT_AS_WANTED)


def _let_go(address: int, port: PortOptions, as_json: bool) -> int:
    """Limp needs no caution: it is what every caution wants."""
    with open_link(port) as link:
        before = link.run(report(address))
        seen = link.run(let_go((OnLine(address),), to_all=False))
        after = link.run(report(address))
    if as_json:
        print_json(
            {
                "address": address,
                "target": None,
                "arrived": seen.is_limp,
                "peak_current_ma": after.current_ma,
                "report_before": status_json(before),
                "report_held": status_json(after),
                "let_go": seen.as_json(),
            }
        )
    else:
        click.echo(f"address {address}: {STATE_TEXTS[after.state]}. {seen.text}")
    return code_of(seen, exit_codes.DONE)
