"""One thing that does not fit in a plan: what kind it is, where it stands, how it is said."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from busproto.plan.load import Plan, Role
from busproto.toml_source import Path, Source, path_text
from busproto.wire.parameters import BY_NAME, RawValue

MOST_NAMED: Final = 4
"""A finding about more functions names the first only."""
KINDS: Final[Mapping[str, str]] = {
    "address-twice": "two functions of the airframe have one address",
    "address-shared": "two functions of the map have one address: no airframe can have both",
    "bus-too-slow": "a cycle does not hold what is to be sent in it",
    "channel-twice": "two functions have one channel but are in no gang together",
    "end-cuts-travel": "an end limit lies within the planned travel",
    "firmware-unlisted": "the map does not list this firmware for the model",
    "gang-channels": "members of one gang follow different demands",
    "gang-timing": "members of one gang differ in how fast they follow, or give up",
    "gang-uneven": "members of one gang differ in what lets one work more than the others",
    "gang-unlike": "members of one gang differ in what decides where, or how hard, they stand",
    "line-idle": "nothing holds the idle line far enough from a start bit",
    "line-load": "more hangs on the line than a driver has to drive",
    "line-ends": "the line does not have a termination at each of its two ends",
    "loss-time-out-short": "the loss action begins between good demands, or when few are lost",
    "model-unknown": "the map has no such model: rating and firmware cannot be checked",
    "model-unstated": "no model is stated: rating and firmware cannot be checked",
    "neutral-cuts-travel": "the neutral pushes travel against an end limit or stop",
    "neutral-far": "the neutral is far from zero",
    "own-outside": "the actuator does not take what is planned for a parameter of its own",
    "own-unchecked": "a parameter that only the actuator has: its limits are not known here",
    "parameter-not-there": "the actuator has no parameter that is planned for it",
    "preset-outside": "the preset of the loss action cannot be reached",
    "stops-cut-travel": "the planned travel does not fit between the mechanical stops",
    "rating-impossible": "a rating gives more power than it takes",
    "rating-implausible": "torque, speed and current of a rating do not fit together",
    "rig-fight": "the actuators of a surface pull against each other",
    "rig-supply": "a lead or the pack is too weak for what hangs on it",
    "rig-surface": "a surface has too little margin, or its linkage does not give what is wanted",
    "rig-unknown": "a surface cannot be calculated: something is not stated, or makes no sense",
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
        functions: the functions it is about; empty for a gang or the whole airframe.
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
        """File and line, or the file alone where no line is known."""
        return f"{self.file}:{self.line}" if self.line else self.file

    @property
    def what(self) -> str:
        """Key, the functions it is about unless the key names them, and text."""
        quoted = [f"'{function}'" for function in self.functions]
        if len(quoted) > MOST_NAMED:
            quoted[MOST_NAMED - 1 :] = [f"and {len(quoted) - MOST_NAMED + 1} more"]
        names = f" ({', '.join(quoted)})" if quoted and self.path[1:2] != self.functions else ""
        return f"{self.key}{names}: {self.text}"


@dataclass(frozen=True, slots=True)
class Row:
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
        return make(kind, source, path, text, is_error=is_error, functions=(self.function,))


def row_of(plan: Plan, role: Role) -> Row:
    own = ("function", role.function)
    said_at = said_in((plan.airframe, own), (plan.fleet, own), (plan.fleet, ()))
    return Row(role.function, role.settings, said_at, mechanical_travel_deg(plan, role))


def mechanical_travel_deg(plan: Plan, role: Role) -> float | None:
    model = plan.models.get(role.model or "")
    return None if model is None else model.mechanical_travel


def said_in(*tables: tuple[Source, Path]) -> Callable[[str], tuple[Source, Path]]:
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


def raw_of(given: Mapping[str, Any]) -> dict[str, RawValue]:
    return {name: BY_NAME[name].from_value(value) for name, value in given.items()}


def make(
    kind: str, source: Source, path: Path, text: str, *, is_error: bool = True, functions: tuple[str, ...] = ()
) -> Finding:
    assert kind in KINDS
    return Finding(kind, is_error, source.name, path, source.line_of(path), text, functions)
