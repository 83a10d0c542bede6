"""What was read of an actuator's settings, by name. Whoever asks it for one that is not there is told which actuator
lacks what."""

from __future__ import annotations

from collections.abc import Mapping

from busproto.errors import LacksParameterError
from busproto.wire.messages import Description
from busproto.wire.parameter_list import STANDARD, ParameterList
from busproto.wire.parameters import BY_NAME, RawValue


class Held(dict[str, RawValue]):
    """Raw settings by name, in the order of the actuator's list.

    Attributes:
        address: of the actuator.
        parameters: its list.

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


class Lists:
    """Lists that differ from the table, as they were read in one run: actuators of one model, firmware and count of
    parameters have one list, so that it is asked for once. One that then answers otherwise is asked for its own."""

    def __init__(self) -> None:
        self._known: dict[tuple[str, int, int, int], ParameterList] = {}

    def of(self, description: Description) -> ParameterList | None:
        """The list of such an actuator, None where it is not known to differ from the table."""
        return self._known.get(_kind(description))

    def keep(self, description: Description, parameters: ParameterList) -> None:
        """This is the list of such an actuator."""
        if parameters is not STANDARD:
            self._known[_kind(description)] = parameters


def _kind(description: Description) -> tuple[str, int, int, int]:
    version = description.firmware_major, description.firmware_minor
    return (description.model, *version, description.parameter_count)
