"""State of the actuators on the line for the pages: one tile each, updated by every report on the line."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from busproto.errors import DecodeError, LacksParameterError
from busproto.ops.discovery.search import Roster
from busproto.ops.holding import Held
from busproto.ops.moving.demand_units import fraction_to_degrees
from busproto.ops.moving.letting_go import OnLine
from busproto.ops.moving.motion import fault_texts
from busproto.ops.moving.watching import SILENT, SILENT_AFTER
from busproto.ops.reports import state_word
from busproto.ops.survey import Snapshot, firmware_text
from busproto.wire import Frame, message_of
from busproto.wire.frame import UNADDRESSED
from busproto.wire.messages import STATE_TEXTS, BriefStatus, Fault, Moving, State, Status
from busproto.wire.parameters import BY_NAME, PARAMETERS, RawValue

MA_PER_COUNT: Final = 20
MOST_GAP: Final = 8
"""Largest gap between addresses within one row of reports."""
MOST_ROW: Final = 40


@dataclass
class Tile:
    """One actuator.

    Attributes:
        uid: 8 bytes.
        address: 1..239, 240 while it has none.
        function: in the airframe; "" where not known.
        shared_by: number of actuators at its address; 1 for it alone.
        snapshot: its settings and its report as last read; None before.
        state: state of its drive, None before the first report.
        position_cdeg, demand_cdeg: 0.01 deg.
        current_ma: mA.
        status: its last whole report.
        asked, missed: number of requests, and of those without a valid answer.
        missed_in_a_row: the same since the last valid answer.
    """

    uid: bytes
    address: int
    function: str = ""
    shared_by: int = 1
    snapshot: Snapshot | None = None
    settings: dict[str, RawValue] = field(default_factory=dict)
    state: State | None = None
    position_cdeg: int = 0
    demand_cdeg: int | None = None
    current_ma: int = 0
    status: Status | None = None
    asked: int = 0
    missed: int = 0
    missed_in_a_row: int = 0

    @property
    def can_be_asked(self) -> bool:
        """Whether it has an address of its own."""
        return self.address != UNADDRESSED and self.shared_by == 1

    @property
    def is_silent(self) -> bool:
        """Whether it missed several requests in a row."""
        return self.missed_in_a_row >= SILENT_AFTER

    @property
    def word(self) -> str:
        """Its state as one word."""
        if self.shared_by > 1:
            return "shared"
        if self.address == UNADDRESSED:
            return "no-address"
        if self.is_silent:
            return SILENT
        return "unknown" if self.state is None else state_word(self.state)

    @property
    def channel(self) -> int:
        """Channel that it follows, 1..32; 0 for none or not known."""
        raw = self.settings.get("channel", 0)
        return raw if isinstance(raw, int) else 0

    def answered(self) -> None:
        """Count a request that got a valid answer."""
        self.asked += 1
        self.missed_in_a_row = 0

    def did_not_answer(self) -> None:
        """Count a request without an answer."""
        self.asked += 1
        self.missed += 1
        self.missed_in_a_row += 1


WORDS: Final[Mapping[str, str]] = {
    **{state_word(state): text for state, text in STATE_TEXTS.items()},
    SILENT: "it does not answer",
    "shared": "several actuators answer at this address",
    "no-address": "it has no address yet",
    "unknown": "no report from it yet",
}
"""What each state word means."""


class Board:
    """The actuators on the line."""

    def __init__(self) -> None:
        self.tiles: dict[bytes, Tile] = {}
        self._at: dict[int, Tile] = {}

    def clear(self) -> None:
        """Forget all actuators and where they are."""
        self.tiles.clear()
        self._at.clear()

    def take_roster(self, roster: Roster, functions: Mapping[bytes, str]) -> None:
        """Show the actuators of a roster; for actuators known before, the data is kept."""
        clashes = roster.clashes
        old, self.tiles = self.tiles, {}
        for one in roster.found:
            tile = old.get(one.uid) or Tile(one.uid, one.address)
            if tile.address != one.address:
                tile = Tile(one.uid, one.address)
            tile.shared_by = len(clashes.get(one.address, (one.uid,)))
            tile.function = functions.get(one.uid, "")
            self.tiles[one.uid] = tile
        self._index()

    def _index(self) -> None:
        self._at = {tile.address: tile for tile in self.tiles.values() if tile.can_be_asked}

    def name(self, functions: Mapping[bytes, str]) -> None:
        """Set the function of each actuator, by uid."""
        for tile in self.tiles.values():
            tile.function = functions.get(tile.uid, "")

    def at(self, address: int) -> Tile | None:
        """The actuator at an address, if it is alone there; else None."""
        return self._at.get(address)

    @property
    def alone(self) -> list[Tile]:
        """Actuators that can be asked, by address."""
        return [self._at[address] for address in sorted(self._at)]

    def actuators(self) -> list[OnLine] | None:
        """The actuators known to be on the line, to be released; None where nothing is known."""
        loss = BY_NAME["loss-action"]
        return [
            OnLine(tile.address, tile.uid, loss.text(tile.settings[loss.name]) if loss.name in tile.settings else "")
            for tile in self.tiles.values()
        ] or None

    def on_channel(self, channel: int) -> list[Tile]:
        """Actuators that follow a channel, as far as their settings were read."""
        return [tile for tile in self.alone if tile.channel == channel]

    def read(self, snapshot: Snapshot) -> None:
        """Take the settings and the report of one actuator, just read."""
        tile = self.tiles.get(snapshot.uid)
        if tile is not None:
            tile.snapshot = snapshot
            tile.settings = Held(snapshot.address, snapshot.working, snapshot.parameters)
            self.heard(tile, snapshot.status)

    def rows(self) -> list[tuple[int, int]]:
        """(first address, how many) of rows of reports that reach each actuator and no shared address."""
        shared = {tile.address for tile in self.tiles.values() if tile.shared_by > 1}
        rows: list[tuple[int, int]] = []
        first = last = 0
        for address in sorted(self._at):
            between = range(last + 1, address)
            is_far = address - last > MOST_GAP or address - first >= MOST_ROW or not shared.isdisjoint(between)
            if first and is_far:
                rows.append((first, last - first + 1))
                first = 0
            first, last = first or address, address
        if first:
            rows.append((first, last - first + 1))
        return rows

    def frame(self, frame: Frame) -> None:
        """Update the sender of a reply by the state that the reply reports."""
        tile = self._at.get(frame.source)
        if tile is None:
            return
        try:
            message = message_of(frame)
        except DecodeError:
            return
        self.heard(tile, message)

    def heard(self, tile: Tile, message: object) -> None:
        """Update a tile by a message with its state."""
        if isinstance(message, BriefStatus):
            tile.state, tile.position_cdeg = message.state, message.position_cdeg
            tile.current_ma = message.current_cma * MA_PER_COUNT
        elif isinstance(message, Status):
            tile.status = message
            tile.state, tile.position_cdeg = message.state, message.position_cdeg
            tile.current_ma, tile.demand_cdeg = message.current_ma, message.demand_cdeg
        elif isinstance(message, Moving):
            tile.state, tile.position_cdeg = message.state, message.position_cdeg
        else:
            return
        tile.missed_in_a_row = 0

    # --- as data ------------------------------------------------------------------------------------------------

    def moving_json(self) -> list[list[Any]]:
        """Fast values, one row for each actuator: uid, word, position 0.01 deg, mA, demand 0.01 deg or None."""
        return [
            [tile.uid.hex(), tile.word, tile.position_cdeg, tile.current_ma, tile.demand_cdeg]
            for tile in self.tiles.values()
        ]

    def tiles_json(self) -> list[dict[str, Any]]:
        """All slow values of all actuators."""
        return [tile_json(tile) for tile in sorted(self.tiles.values(), key=lambda one: (one.address, one.uid))]


def health_json(tile: Tile) -> dict[str, Any]:
    """Slow values of one actuator."""
    status = tile.status
    body: dict[str, Any] = {"uid": tile.uid.hex(), "asked_count": tile.asked, "missed_count": tile.missed}
    if status is not None:
        body |= {
            "supply_mv": status.supply_mv,
            "temperature_cdeg": status.temperature_cdeg,
            "faults": fault_texts(status.faults & ~Fault.DEMAND_LOST),
            "had_lost": bool(status.faults & Fault.DEMAND_LOST),  # history, until a restart
            "good_frame_count": status.good_frames,
            "bad_frame_count": status.bad_frames,
        }
    return body


def tile_json(tile: Tile) -> dict[str, Any]:
    """One tile without its fast values."""
    body: dict[str, Any] = {
        **health_json(tile),
        "address": None if tile.address == UNADDRESSED else tile.address,
        "function": tile.function,
        "shared_by": tile.shared_by,
        "channel": tile.channel,
        "gang": tile.settings.get("gang", 0),
    }
    if tile.snapshot is not None:
        about = tile.snapshot.description
        half = about.mechanical_travel_cdeg / 200
        body |= {
            "model": about.model,
            "firmware": firmware_text(about),
            "rating_mv": [about.supply_min_mv, about.supply_max_mv],
            "scale_deg": [-half, half],
            "settings": dict(_settings_texts(tile.snapshot)),
            **_way_json(tile.settings),
        }
    return body


def _way_json(settings: Mapping[str, RawValue]) -> dict[str, Any]:
    """The angles between which it moves; empty for an actuator that lacks a parameter for them."""
    try:
        # reversed, the positive end is the lower one
        ends = sorted(fraction_to_degrees(fraction, settings) for fraction in (-1.0, 1.0))
        return {"travel_deg": ends, "neutral_deg": fraction_to_degrees(0.0, settings)}
    except LacksParameterError:
        return {}


def _settings_texts(snapshot: Snapshot) -> Iterator[tuple[str, dict[str, Any]]]:
    for name, raw in snapshot.working.items():
        row = snapshot.parameters.rows[name]
        yield name, {"text": row.text(raw), "stored_value": row.text(snapshot.stored[name])}


def parameters_json() -> list[dict[str, Any]]:
    """The table of parameters, for the form."""
    return [
        {
            "name": row.name,
            "unit": row.unit,
            "range": row.range_text(),
            "choices": list(row.choices),
            "doc": row.doc,
            "moves": row.moves,
            "is_table": bool(row.points),
        }
        for row in PARAMETERS.values()
    ]
