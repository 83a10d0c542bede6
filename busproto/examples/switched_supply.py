"""A side channel for real hardware: the RTS line of a second serial adapter switches an actuator's supply.

    python -m busproto.examples.switched_supply /dev/ttyUSB1 127.0.0.1:7001
    pytest --dut=/dev/ttyUSB0 --dut-side=127.0.0.1:7001 --all-clear

RTS drives a transistor or relay in the positive lead of one actuator; --inverted where it conducts while RTS is off. So
the harness can take the power away in the middle of a write. It follows four words of `busproto.sim.side_channel`:
able, who, plug, unplug. Cases that need times on the line are not checked. With the switch open nothing may feed the
actuator through its signal lead: use a resistor or an open drain there.
"""

from __future__ import annotations

import argparse
import json
import socketserver
import sys
from collections.abc import Sequence
from typing import Any, Final, Protocol

from busproto.endpoints import parse_endpoint
from busproto.errors import BusError

LABEL: Final = "behind the switch"
WORDS: Final = ("able", "who", "plug", "unplug")


class Lead(Protocol):
    """The line that switches: pyserial's port has it, and so has any substitute."""

    rts: bool


class Switch:
    """The words, followed with one output."""

    def __init__(self, lead: Lead, *, inverted: bool = False) -> None:
        """Switch power on; `inverted`: there is power while the lead's RTS is off."""
        self._lead = lead
        self._inverted = inverted
        self._set(True)

    def _set(self, is_powered: bool) -> None:
        self.is_powered = is_powered
        self._lead.rts = is_powered != self._inverted

    def answer(self, line: str) -> str:
        """The line of JSON that answers a line of words."""
        word = line.strip().partition(" ")[0]
        told: dict[str, Any] = {"done": word}
        if word == "able":
            told["words"] = list(WORDS)
        elif word == "who":
            told["actuators"] = [{"label": LABEL, "is_powered": self.is_powered}]
        elif word in {"plug", "unplug"}:
            self._set(word == "plug")
        else:
            told = {"refused": f"'{word}' is no command; the commands are: {', '.join(WORDS)}"}
        return json.dumps(told)


def served(switch: Switch, host: str, port: int) -> socketserver.TCPServer:
    """A server for one program at a time; `serve_forever` runs it. Raises OSError: it cannot listen there."""

    class Handler(socketserver.StreamRequestHandler):
        def handle(self) -> None:
            for line in self.rfile:
                self.wfile.write(switch.answer(line.decode("utf-8", "replace")).encode() + b"\n")

    return socketserver.TCPServer((host, port), Handler)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run until it is interrupted; then the supply is on."""
    import serial

    parser = argparse.ArgumentParser(prog="python -m busproto.examples.switched_supply", description=__doc__)
    parser.add_argument("device", help="the second adapter")
    parser.add_argument("at", metavar="HOST:PORT", help="where the harness finds it")
    parser.add_argument("--inverted", action="store_true", help="the switch conducts while RTS is off")
    given = parser.parse_args(arguments)
    try:
        host, port = parse_endpoint("HOST:PORT", given.at, 7001, open_to_network=False)
        lead = serial.serial_for_url(given.device)
        switch = Switch(lead, inverted=given.inverted)
        with served(switch, host, port) as server:
            sys.stderr.write(f"side: {host}:{server.server_address[1]}; Ctrl-C ends it.\n")
            server.serve_forever()
    except KeyboardInterrupt:
        switch.answer("plug")
    except (BusError, OSError) as error:
        sys.stderr.write(f"switched_supply: {error}\n")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
