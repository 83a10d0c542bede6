"""Compare the wanted settings of one actuator with its parameter list: which can be set, which it lacks or would
refuse. Calculation only.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final

from busproto.errors import EncodeError, InputError
from busproto.wire.parameter_list import ParameterList
from busproto.wire.parameters import BY_NAME, RawValue

NOT_THERE: Final = "not there"
NONE_OWN: Final[Mapping[str, object]] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Wanted:
    """What one actuator is to be set to.

    Attributes:
        settings: of the table, raw, by name.
        own: of the actuator's own parameters, in their units, by name.
        units: of these, where they are known: one that has another unit now is not set.
        stated: names of `settings` that a file states; None for all. Other settings have factory values, and may be
            lacking.
    """

    settings: Mapping[str, RawValue]
    own: Mapping[str, object] = field(default_factory=lambda: NONE_OWN)
    units: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    stated: Collection[str] | None = None


@dataclass(frozen=True, slots=True)
class Fitted:
    """The same for an actuator whose list is known.

    Attributes:
        settings: what can be set, raw, by name.
        lacking: names of what is wanted and not there.
        refused: by name, why it cannot be set, in words.
    """

    settings: Mapping[str, RawValue]
    lacking: tuple[str, ...] = ()
    refused: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))

    @property
    def texts(self) -> list[str]:
        """What cannot be set, in words."""
        there = [f"it has no parameter '{name}'" for name in self.lacking]
        return [*there, *self.refused.values()]


def fitted(wanted: Wanted, known: ParameterList) -> Fitted:
    """Split the wanted settings by what an actuator with this list can have."""
    settings: dict[str, RawValue] = {}
    lacking: list[str] = []
    refused: dict[str, str] = {}
    for name, raw in wanted.settings.items():
        if name in known.lacks:
            if wanted.stated is None or name in wanted.stated:
                lacking.append(name)
            continue
        try:
            known.rows[name].encode(raw)
        except EncodeError as error:
            refused[name] = f"{error}, which is all that this actuator takes"
            continue
        settings[name] = raw
    for name, given in wanted.own.items():
        row = None if name in BY_NAME else known.rows.get(name)
        if row is None:
            lacking.append(name)
        elif wanted.units.get(name, row.unit) != row.unit:
            refused[name] = (
                f"{name}: it is in {row.unit or 'plain numbers'} now, {given} {wanted.units[name]} is wanted"
            )
        else:
            try:
                settings[name] = row.from_value(given)
            except InputError as error:
                refused[name] = str(error)
    return Fitted(settings, tuple(lacking), refused)
