"""What does not fit together in a plan, before any actuator is asked: everything at once, each with file, line and key.

Shapes, names and ranges have been looked at when the files were read (`busproto.plan.load`). Surfaces
are reckoned where the airframe describes them (`busproto.plan.rigging`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

from busproto.errors import InputError
from busproto.plan.bus_load import plan_load, ways_out
from busproto.plan.files import FleetFile, ModelTable
from busproto.plan.load import Gang, Plan, Seat
from busproto.plan.rigging import fight_problem, rigging_of
from busproto.plan.sweep import Sweep, sweep, sweep_of
from busproto.toml_source import Path, Source, path_text
from busproto.wire.parameters import BY_NAME, DIRECTION_REVERSED, FACTORY, LOSS_PRESET, RawValue

NEAR_ZERO_DEG: Final = 2.0
"""A neutral further from zero is said to be one that the spline should take (common practice, no source)."""
LEAST_LOSS_DEG: Final = 0.005
"""Half a count of an angle: less is what is left of decimal fractions in binary."""
MOST_NAMED: Final = 4
"""A finding about more functions names the first only."""
MUST_BE_ALIKE: Final = ("travel", "loss-action")
BETTER_ALIKE: Final = ("loss-time-out", "soft-start", "slew-limit")
ON_THE_SPLINE: Final = (
    "it should be near zero: move the arm on the spline first (a spline of N teeth moves it by 360/N deg a tooth), "
    "then use the neutral for the rest"
)

KINDS: Final[Mapping[str, str]] = {
    "address-twice": "two functions of the airframe have one address",
    "address-shared": "two functions of the map have one address: no airframe can have both",
    "bus-too-slow": "a cycle does not hold what is to be sent in it",
    "channel-twice": "two functions have one channel but are in no gang together",
    "end-cuts-travel": "an end limit lies within the planned travel",
    "firmware-unlisted": "the map does not list this firmware for the model",
    "gang-channels": "members of one gang follow different demands",
    "gang-timing": "members of one gang differ in how fast they follow, or give up",
    "gang-unlike": "members of one gang differ in model, firmware, travel or loss action",
    "model-unknown": "the map has no such model: rating and firmware cannot be checked",
    "model-unstated": "no model is stated: rating and firmware cannot be checked",
    "neutral-cuts-travel": "the neutral pushes travel against an end limit or stop",
    "neutral-far": "the neutral is far from zero",
    "preset-outside": "the preset of the loss action cannot be reached",
    "stops-cut-travel": "the planned travel does not fit between the mechanical stops",
    "rig-fight": "the actuators of a surface pull against each other",
    "rig-supply": "a lead or the pack is too weak for what hangs on it, or does not fit a rating",
    "rig-surface": "a surface has too little margin, or its linkage does not give what is wanted",
    "rig-unknown": "a surface cannot be reckoned: something is not stated, or makes no sense",
    "supply-above-rating": "the full pack is above the rated supply of a model",
    "supply-below-rating": "the pack is below the rated supply of a model",
    "supply-exchanged": "the lower of two voltages stands in the place of the higher",
    "supply-unstated": "the pack is not stated: no rating can be checked",
    "under-voltage-above-pack": "low supply would always be reported",
    "under-voltage-early": "low supply is reported before the pack is used up",
    "under-voltage-unstated": "low supply is never reported",
}
"""Every kind of finding, and what it means."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that does not fit together, or that could be better.

    Attributes:
        kind: a stable word, one of `KINDS`.
        is_error: it does not fit; otherwise it is advice.
        file: where it stands, as the airframe file names it.
        path: keys down to it.
        line: from 1; 0 where the file has no such place.
        text: what does not fit, with values.
        functions: whom it is about; empty where the gang or the whole airframe is meant.
    """

    kind: str
    is_error: bool
    file: str
    path: Path
    line: int
    text: str
    functions: tuple[str, ...] = ()

    def __str__(self) -> str:
        return f"{self.where}: {self.what}"

    @property
    def key(self) -> str:
        """The path as one would write it in TOML."""
        return path_text(self.path)

    @property
    def where(self) -> str:
        """File and line."""
        return f"{self.file}:{self.line}" if self.line else self.file

    @property
    def what(self) -> str:
        """Key, whom it is about where the key does not say it, and text."""
        quoted = [f"'{function}'" for function in self.functions]
        if len(quoted) > MOST_NAMED:
            quoted[MOST_NAMED - 1 :] = [f"and {len(quoted) - MOST_NAMED + 1} more"]
        who = f" ({', '.join(quoted)})" if quoted and self.path[1:2] != self.functions else ""
        return f"{self.key}{who}: {self.text}"


@dataclass(frozen=True, slots=True)
class _Row:
    """One function as it is looked at, on an airframe or in the map alone."""

    function: str
    settings: Mapping[str, RawValue]
    said_at: Callable[[str], tuple[Source, Path]]
    mechanical_travel_deg: float | None

    def raw(self, name: str) -> int:
        value = self.settings[name]
        assert isinstance(value, int)
        return value

    def finding(self, kind: str, name: str, text: str, *, is_error: bool = True) -> Finding:
        source, path = self.said_at(name)
        if path[-1:] != (name,):
            text = f"{name} (from the factory) {text}"
        return _finding(kind, source, path, text, is_error=is_error, functions=(self.function,))


def check(plan: Plan) -> list[Finding]:
    """All that does not fit together in a plan, and all advice: errors first, then in the order of the files."""
    rows = [_row_of(plan, seat) for seat in plan.seats.values()]
    found = [finding for part in _PARTS for finding in part(plan)]
    found += _model_findings(plan.models, plan.fleet)
    found += [finding for row in rows for part in _ROW_PARTS for finding in part(row)]
    return _in_order(found, plan.airframe.name)


def check_fleet(fleet: FleetFile, source: Source) -> list[Finding]:
    """The same for a fleet map alone, as far as that can be said without an airframe."""
    found = list(_model_findings(fleet.model, source))
    seen: dict[int, str] = {}
    for name, row in fleet.function.items():
        if row.address in seen:
            text = f"{row.address} is that of '{seen[row.address]}' too: no airframe can have both"
            found.append(_finding("address-shared", source, ("function", name, "address"), text, is_error=False))
        seen.setdefault(row.address, name)
        settings = {**FACTORY, **_raw(fleet.settings), **_raw(row.settings)}
        looked_at = _Row(name, settings, _said_in((source, ("function", name)), (source, ())), None)
        found += [finding for part in _ROW_PARTS for finding in part(looked_at)]
    return _in_order(found, source.name)


def seat_sweep(plan: Plan, seat: Seat) -> Sweep:
    """What neutral, travel, ends and mechanical stops leave of the sweep of one function."""
    return sweep_of(seat.settings, _mechanical_travel_deg(plan, seat))


# --- rows ------------------------------------------------------------------------------------------------------


def _row_of(plan: Plan, seat: Seat) -> _Row:
    own = ("function", seat.function)
    said_at = _said_in((plan.airframe, own), (plan.fleet, own), (plan.fleet, ()))
    return _Row(seat.function, seat.settings, said_at, _mechanical_travel_deg(plan, seat))


def _mechanical_travel_deg(plan: Plan, seat: Seat) -> float | None:
    model = plan.models.get(seat.model or "")
    return None if model is None else model.mechanical_travel


def _said_in(*tables: tuple[Source, Path]) -> Callable[[str], tuple[Source, Path]]:
    """Where a setting is said: in the first of these tables that has it; else it is the factory's for all functions."""

    def said_at(name: str) -> tuple[Source, Path]:
        for source, table in tables:
            here: Any = source.data
            for key in (*table, "settings"):
                here = here.get(key, {})
            if name in here:
                return source, (*table, "settings", name)
        return tables[0][0], ("function",)

    return said_at


def _raw(given: Mapping[str, Any]) -> dict[str, RawValue]:
    return {name: BY_NAME[name].from_value(value) for name, value in given.items()}


# --- one function ----------------------------------------------------------------------------------------------


def _travel_findings(row: _Row) -> Iterator[Finding]:
    travel_deg, low_deg, high_deg = (row.raw(name) / 100 for name in ("travel", "end-low", "end-high"))
    half_deg, stops_deg = travel_deg / 2, row.mechanical_travel_deg
    if stops_deg is not None and stops_deg < travel_deg - LEAST_LOSS_DEG:
        text = f"{travel_deg:.2f} deg does not fit between the mechanical stops, which are {stops_deg:g} deg apart"
        yield row.finding("stops-cut-travel", "travel", text)
    for name, end_deg, way_deg in (("end-low", low_deg, -low_deg), ("end-high", high_deg, high_deg)):
        lost_deg = half_deg - way_deg
        if lost_deg > LEAST_LOSS_DEG:
            side = "-" if (name == "end-low") != (row.raw("direction") == DIRECTION_REVERSED) else "+"
            yield row.finding(
                "end-cuts-travel",
                name,
                f"{end_deg:.2f} deg cuts {lost_deg:.2f} deg of the {half_deg:.2f} deg to demand {side}100 %: "
                "open it, or plan less travel",
            )


def _neutral_findings(row: _Row) -> Iterator[Finding]:
    travel_deg, low_deg, high_deg, neutral_deg = (
        row.raw(name) / 100 for name in ("travel", "end-low", "end-high", "neutral")
    )
    now = sweep_of(row.settings, row.mechanical_travel_deg)
    straight = sweep(
        0.0,
        travel_deg,
        low_deg,
        high_deg,
        is_reversed=row.raw("direction") == DIRECTION_REVERSED,
        mechanical_travel_deg=row.mechanical_travel_deg,
    )
    is_far = abs(neutral_deg) > NEAR_ZERO_DEG
    sides = (
        ("-100 %", now.lost_at_minus_deg, now.lost_at_minus_deg - straight.lost_at_minus_deg),
        ("+100 %", now.lost_at_plus_deg, now.lost_at_plus_deg - straight.lost_at_plus_deg),
    )
    side, lost_deg, more_deg = max(sides, key=lambda one: one[2])
    if more_deg > LEAST_LOSS_DEG:
        text = (
            f"{neutral_deg:.2f} deg puts {lost_deg:.2f} of the {travel_deg / 2:.2f} deg to demand {side} out of reach"
        )
        if lost_deg - more_deg > LEAST_LOSS_DEG:
            text += f", {more_deg:.2f} deg more than a neutral of zero"
        text += f"; {now.symmetric_deg:.2f} deg to each side are left"
        yield row.finding("neutral-cuts-travel", "neutral", f"{text}; {ON_THE_SPLINE}" if is_far else text)
    elif is_far:
        side = "+100 %" if (neutral_deg > 0) != (row.raw("direction") == DIRECTION_REVERSED) else "-100 %"
        text = (
            f"{neutral_deg:.2f} deg takes {abs(neutral_deg):.2f} deg of the room at demand {side}; the planned travel "
            f"still fits, but {ON_THE_SPLINE}"
        )
        yield row.finding("neutral-far", "neutral", text, is_error=False)


def _preset_findings(row: _Row) -> Iterator[Finding]:
    if row.raw("loss-action") != LOSS_PRESET:
        return
    low_deg, high_deg, preset_deg = (row.raw(name) / 100 for name in ("end-low", "end-high", "preset"))
    if row.mechanical_travel_deg is not None:
        low_deg = max(low_deg, -row.mechanical_travel_deg / 2)
        high_deg = min(high_deg, row.mechanical_travel_deg / 2)
    if not low_deg <= preset_deg <= high_deg:
        text = (
            f"{preset_deg:.2f} deg is outside {low_deg:.2f}..{high_deg:.2f} deg, where the arm is stopped: when the "
            "demand is lost it would stand elsewhere"
        )
        yield row.finding("preset-outside", "preset", text)


def _unstated_findings(row: _Row) -> Iterator[Finding]:
    if not row.raw("under-voltage"):
        source, path = row.said_at("under-voltage")
        text = (
            "under-voltage is not stated, so a low supply is never reported: say the voltage at which the maker's data "
            "let this actuator fail, there is no good default"
        )
        yield _finding("under-voltage-unstated", source, path, text, is_error=False, functions=(row.function,))


# --- the whole airframe ----------------------------------------------------------------------------------------


def _place_findings(plan: Plan) -> Iterator[Finding]:
    """One address, or one channel, of two functions."""
    addresses: dict[int, str] = {}
    channels: dict[int, list[Seat]] = {}
    for seat in plan.seats.values():
        here = ("function", seat.function)
        if seat.address in addresses:
            text = f"{seat.address} is that of '{addresses[seat.address]}' already, and this airframe has both"
            yield _finding("address-twice", plan.fleet, (*here, "address"), text, functions=(seat.function,))
        addresses.setdefault(seat.address, seat.function)
        strangers = [one for one in channels.get(seat.channel, ()) if not seat.gang or one.gang != seat.gang]
        if strangers:
            text = (
                f"{seat.channel} is that of '{strangers[0].function}' already, and no gang joins them: both would "
                "follow one demand"
            )
            yield _finding("channel-twice", plan.fleet, (*here, "channel"), text, functions=(seat.function,))
        channels.setdefault(seat.channel, []).append(seat)


def _gang_findings(plan: Plan) -> Iterator[Finding]:
    for gang in plan.gangs.values():
        seats = [plan.seats[member] for member in gang.members]
        if len({seat.channel for seat in seats}) > 1:
            text = (
                f"its members follow different demands: {_each(seats, lambda seat: f'channel {seat.channel}')}; "
                "give them one channel in the fleet map unless that is meant"
            )
            yield _gang_finding("gang-channels", plan, gang, text, is_error=False)
        texts = {name: _reader(name) for name in (*MUST_BE_ALIKE, *BETTER_ALIKE)}
        must_be: dict[str, Callable[[Seat], str]] = {
            "model": lambda seat: seat.model or "",
            "firmware": lambda seat: seat.firmware or "",
            **{name: texts[name] for name in MUST_BE_ALIKE},
        }
        for name, read in must_be.items():
            if len({read(seat) for seat in seats} - {""}) > 1:
                text = f"its members differ in {name}: {_each(seats, read)}; on one surface they would fight"
                yield _gang_finding("gang-unlike", plan, gang, text)
        for name in BETTER_ALIKE:
            if len({texts[name](seat) for seat in seats}) > 1:
                text = f"its members differ in {name}: {_each(seats, texts[name])}; then one runs ahead of the other"
                yield _gang_finding("gang-timing", plan, gang, text, is_error=False)


def _reader(name: str) -> Callable[[Seat], str]:
    return lambda seat: BY_NAME[name].text(seat.settings[name])


def _each(seats: Iterable[Seat], read: Callable[[Seat], str]) -> str:
    return ", ".join(f"'{seat.function}' {read(seat) or 'not stated'}" for seat in seats)


def _gang_finding(kind: str, plan: Plan, gang: Gang, text: str, *, is_error: bool = True) -> Finding:
    return _finding(kind, plan.airframe, ("gang", gang.name), text, is_error=is_error)


def _model_of_seat_findings(plan: Plan) -> Iterator[Finding]:
    for seat in plan.seats.values():
        here, who = ("function", seat.function), (seat.function,)
        if seat.model is None:
            text = "no model is stated, so rating and firmware cannot be checked"
            yield _finding("model-unstated", plan.airframe, ("function",), text, is_error=False, functions=who)
        elif seat.model not in plan.models:
            known = f"it has: {', '.join(plan.models)}" if plan.models else "it has none"
            text = f"the fleet map has no model '{seat.model}', so its rating cannot be checked; {known}"
            yield _finding("model-unknown", plan.airframe, (*here, "model"), text, is_error=False, functions=who)
        elif seat.firmware is not None:
            listed = plan.models[seat.model].firmware
            if listed and seat.firmware not in listed:
                text = f"{seat.firmware} is not among those the fleet map lists for '{seat.model}': {', '.join(listed)}"
                yield _finding("firmware-unlisted", plan.airframe, (*here, "firmware"), text, functions=who)


def _supply_findings(plan: Plan) -> Iterator[Finding]:
    if plan.full_mv is None:
        text = "there is no [supply], so the rating of the actuators cannot be checked"
        yield _finding("supply-unstated", plan.airframe, (), text, is_error=False)
        return
    full_v, empty_v = plan.full_mv / 1000, None if plan.empty_mv is None else plan.empty_mv / 1000
    full, empty = ("supply", "full"), ("supply", "empty")
    if empty_v is not None and empty_v > full_v:
        text = f"{empty_v:.2f} V is above the full pack of {full_v:.2f} V"
        yield _finding("supply-exchanged", plan.airframe, empty, text)
    for seat in plan.seats.values():
        who = (seat.function,)
        model = plan.models.get(seat.model or "")
        if model is not None:
            low_v, high_v = sorted(model.supply)
            rated = f"'{seat.model}' is rated for {low_v:.2f}..{high_v:.2f} V"
            if full_v > high_v:
                text = f"a full pack of {full_v:.2f} V is above the rating: {rated}"
                yield _finding("supply-above-rating", plan.airframe, full, text, functions=who)
            elif full_v < low_v:
                text = f"even a full pack of {full_v:.2f} V is below the rating: {rated}"
                yield _finding("supply-below-rating", plan.airframe, full, text, functions=who)
            if empty_v is not None and empty_v < low_v <= full_v:
                text = f"an empty pack of {empty_v:.2f} V is below the rating: {rated}"
                yield _finding("supply-below-rating", plan.airframe, empty, text, is_error=False, functions=who)
        row = _row_of(plan, seat)
        limit_v = row.raw("under-voltage") / 1000
        if limit_v > full_v:
            text = f"{limit_v:.3f} V is above a full pack of {full_v:.2f} V: a low supply would always be reported"
            yield row.finding("under-voltage-above-pack", "under-voltage", text)
        elif empty_v is not None and limit_v > empty_v:
            text = f"{limit_v:.3f} V is above an empty pack of {empty_v:.2f} V: reported before the pack is used up"
            yield row.finding("under-voltage-early", "under-voltage", text, is_error=False)


def _bus_findings(plan: Plan) -> Iterator[Finding]:
    load = plan_load(plan)
    if not load.is_too_slow:
        return
    what = f"the demands of {load.channels} channels"
    if load.actuators:
        what += f" and a report of each of {load.actuators} actuators"
    ways = ways_out(plan)
    out = f"; each of these would do: {', '.join(ways)}" if ways else ""
    things = "actuators at neighbouring addresses" if load.actuators else "channels"
    fits = f"at most {load.fits} {things} would fit" if load.fits else "not even one would fit"
    text = (
        f"{what} take {load.busy_ns[1] / 1e6:.1f} ms of a cycle of {load.cycle_ns / 1e6:.1f} ms "
        f"({load.percent:.0f} %) at {load.baud} Bd; {fits}{out}"
    )
    yield _finding("bus-too-slow", plan.airframe, ("bus",), text)


def _model_findings(models: Mapping[str, ModelTable], source: Source) -> Iterator[Finding]:
    for name, model in models.items():
        low_v, high_v = model.supply
        if low_v > high_v:
            text = f"the lower voltage stands first: {high_v:.2f}, {low_v:.2f}"
            yield _finding("supply-exchanged", source, ("model", name, "supply"), text)


def _rig_findings(plan: Plan) -> Iterator[Finding]:
    """Surfaces, leads and pack, as far as the airframe describes them."""
    try:
        found = rigging_of(plan)
    except InputError as error:
        yield _finding("rig-unknown", plan.airframe, ("surface",), str(error))
        return
    if found is None:
        return
    for problem in found.problems:
        yield _finding("rig-supply", plan.airframe, ("pack",), problem)
    for surface in found.surfaces:
        here = ("surface", surface.name)
        for problem in surface.problems:
            yield _finding("rig-surface", plan.airframe, here, problem)
        fight = fight_problem(surface, plan)
        if fight is not None:
            yield _finding("rig-fight", plan.airframe, (*here, "sharing"), fight)


_PARTS: Final[tuple[Callable[[Plan], Iterator[Finding]], ...]] = (
    _place_findings,
    _gang_findings,
    _model_of_seat_findings,
    _supply_findings,
    _bus_findings,
    _rig_findings,
)
_ROW_PARTS: Final[tuple[Callable[[_Row], Iterator[Finding]], ...]] = (
    _travel_findings,
    _neutral_findings,
    _preset_findings,
    _unstated_findings,
)


def _finding(
    kind: str, source: Source, path: Path, text: str, *, is_error: bool = True, functions: tuple[str, ...] = ()
) -> Finding:
    assert kind in KINDS
    return Finding(kind, is_error, source.name, path, source.line_of(path), text, functions)


def _in_order(found: Iterable[Finding], first_file: str) -> list[Finding]:
    """Those that say the same of several functions as one; errors first, then as they stand in the files."""
    merged: dict[Finding, tuple[str, ...]] = {}
    for finding in found:
        same = replace(finding, functions=())
        merged[same] = merged.get(same, ()) + finding.functions
    together = [replace(same, functions=functions) for same, functions in merged.items()]
    return sorted(together, key=lambda one: (not one.is_error, one.file != first_file, one.line))
