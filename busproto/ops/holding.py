"""Settings as read from an actuator, by name. Asking for a missing one raises an error that names the actuator."""

from __future__ import annotations

from collections.abc import Mapping

from busproto.errors import LacksParameterError
from busproto.wire.messages import Description
from busproto.wire.parameter_list import STANDARD, ParameterList
from busproto.wire.parameters import BY_NAME, RawValue


class Held(dict[str, RawValue]):
    """Raw settings by name, in the order of the actuator's list.

    Attributes:
        address: the actuator's address, 1..239.
        parameters: the actuator's parameter list.

    Raises:
        LacksParameterError: ``held[name]`` where the actuator has none of that name. `get` gives None.
    """

    def __init__(self, address: int, values: Mapping[str, RawValue], parameters: ParameterList = STANDARD) -> None:
        super().__init__(values)
        self.address = address
        self.parameters = parameters

    def __missing__(self, name: str) -> RawValue:
        if name not in BY_NAME and name not in self.parameters.rows:
            raise KeyError(name)
        raise LacksParameterError(self.address, name)


def require_parameter(known: ParameterList, address: int, name: str) -> None:
    """Check that the actuator at an address does not lack a parameter of the table. `known` is its list.

    Raises:
        LacksParameterError: it does.
    """
    if name in known.lacks:
        raise LacksParameterError(address, name)


class Lists:
    """Parameter lists that differ from the table, as read in one run.

    Actuators of one model, firmware and number of parameters are taken to have the same list, so it is read once. An
    actuator whose answers do not fit that list is asked for its own."""

    def __init__(self) -> None:
        self._known: dict[tuple[str, int, int, int], ParameterList] = {}

    def of(self, description: Description) -> ParameterList | None:
        """The list of an actuator of this description; None where none that differs from the table was read."""
        return self._known.get(_kind(description))

    def keep(self, description: Description, parameters: ParameterList) -> None:
        """Keep a list for actuators of this description."""
        if parameters is not STANDARD:
            self._known[_kind(description)] = parameters


def _kind(description: Description) -> tuple[str, int, int, int]:
    version = description.firmware_major, description.firmware_minor
    return (description.model, *version, description.parameter_count)
