"""The waveform of a run as a VCD file (value change dump, IEEE 1364), for any waveform viewer.

One signal for each driver, one for the line, one for the level that the host's receiver saw. Times are ns.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, Final, TextIO

from busproto.sim.bus import VirtualBus
from busproto.sim.errors import SimError
from busproto.sim.line.hearing import Transmission
from busproto.sim.line.waveform import inverted_between

Change = tuple[int, int]


class MissingLibraryError(SimError):
    """The VCD library is an extra."""

    def __init__(self) -> None:
        super().__init__("writing a waveform needs the library pyvcd: pip install 'busproto[wave]'")


def begin_recording(bus: VirtualBus) -> None:
    """Record every transmission on the line from now on."""
    bus.line.record = []
    bus.line.flip_record = []


def overlapping(transmissions: Sequence[Transmission]) -> Iterator[list[Transmission]]:
    """The transmissions in groups that overlap in time."""
    group: list[Transmission] = []
    until_ns = -1
    for one in sorted(transmissions, key=lambda sent: sent.start_ns):
        if group and one.start_ns >= until_ns:
            yield group
            group = []
        group.append(one)
        until_ns = max(until_ns, one.end_ns) if len(group) > 1 else one.end_ns
    if group:
        yield group


def line_edges(bus: VirtualBus) -> list[int]:
    """The edges of the line over the whole recording."""
    edges: list[int] = []
    for group in overlapping(bus.line.record or ()):
        for edge in bus.line.waveform_of(group):
            if edges and edges[-1] == edge:
                edges.pop()  # back to back: up and down at one moment is no edge
            else:
                edges.append(edge)
    return edges


def host_edges(bus: VirtualBus) -> list[int]:
    """The level at the host's receiver: the line with bits flipped by noise; the host's own bytes only with echo."""
    sent = bus.line.record or ()
    if bus.host.echo:
        edges = line_edges(bus)
    else:
        others = [one for one in sent if one.sender is not bus.host]
        edges = sorted(edge for group in overlapping(others) for edge in bus.line.waveform_of(group))
    for ear, begin, end in bus.line.flip_record or ():
        if ear is bus.host.ears[0]:
            edges = inverted_between(edges, begin, end)
    return edges


def signals(bus: VirtualBus) -> dict[str, list[int]]:
    """Edges of every signal, by name."""
    drivers: dict[str, list[int]] = {"host drives": []}
    labels = {id(bus.host): "host drives"}
    for actuator in bus.actuators:
        labels[id(actuator)] = actuator.label
        drivers[actuator.label] = []
    for one in bus.line.record or ():
        unnamed = getattr(one.sender, "label", f"fault {len(labels) - len(bus.actuators)}")
        name = labels.setdefault(id(one.sender), unnamed)
        edges = drivers.setdefault(name, [])
        for edge in one.edges:
            if edges and edges[-1] == edge:
                edges.pop()
            else:
                edges.append(edge)
    return {**drivers, "line": line_edges(bus), "host sees": host_edges(bus)}


MARK: Final = "virtual bus, by busproto wave"
"""First line of every waveform file that busproto writes."""


def write_vcd(bus: VirtualBus, out: TextIO) -> int:
    """Write the recording; returns the number of level changes.

    Raises:
        MissingLibraryError: the VCD library is not installed.
    """
    try:
        from vcd import VCDWriter
    except ImportError as error:
        raise MissingLibraryError from error
    changes: list[tuple[int, int, str, int]] = []
    named = signals(bus)
    for order, (name, edges) in enumerate(named.items()):
        changes += [(edge, order, name, at % 2) for at, edge in enumerate(edges)]
    changes.sort()
    with VCDWriter(out, timescale="1 ns", date="", comment=MARK) as writer:
        variables: dict[str, Any] = {
            name: writer.register_var("bus", _identifier(name), "wire", size=1, init=1) for name in named
        }
        for moment, _, name, level in changes:
            writer.change(variables[name], moment, level)
        # a driver may still be sending: its edges lie ahead
        writer.close(max([bus.kernel.now_ns, *(moment for moment, *_ in changes)]))
    return len(changes)


def _identifier(name: str) -> str:
    """A signal name that every viewer takes."""
    return "".join(letter if letter.isalnum() else "_" for letter in name)
