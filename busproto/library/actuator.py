"""One actuator of a bus, for a program that waits for each answer."""

from __future__ import annotations

from collections.abc import Callable, ItemsView, Iterator, Mapping, ValuesView
from typing import Any, TypeVar

from busproto.errors import InputError
from busproto.library.values import About, ActuatorReport, Moved, Value
from busproto.library.work import ActuatorKey, Work
from busproto.ops.moving.letting_go import LetGo
from busproto.ops.steps import Steps
from busproto.wire.parameter_list import ParameterList

T = TypeVar("T")
Run = Callable[[Steps[Any]], Any]


class Settings(Mapping[str, Value]):
    """The settings of one actuator by name, in units: a number, a word such as "reversed", or a list of numbers.

    The names are those of the parameters that the actuator has: of the table, and its own as `busproto show` prints
    them. Each access asks the actuator; no value is cached. A setting is written to working memory and read back; after
    a restart it is gone unless `store` was called. Some settings (neutral, travel, direction, ends, correction) move an
    engaged arm at once.

    Raises, everywhere:
        InputError: an unknown name, or a value of the wrong kind, outside its range or finer than its step; the text
            names setting, value, range and unit. Nothing was written.
        LacksParameterError: a parameter of the table that this actuator does not have.
        NodeRefusedError: the actuator's own limits are narrower.
        ReplyTimeoutError, AddressConflictError: the actuator does not answer, or several do.
    """

    def __init__(self, run: Run, work: Work, key: ActuatorKey) -> None:
        self._run, self._work, self._key = run, work, key

    def __getitem__(self, name: str) -> Value:
        value: Value = self._run(self._work.read(self._key, name))
        return value

    def __setitem__(self, name: str, value: object) -> None:
        self._run(self._work.set(self._key, name, value))

    def __delitem__(self, name: str) -> None:
        raise InputError(f"setting '{name}': a setting cannot be deleted; undo() puts back what was stored")

    def __iter__(self) -> Iterator[str]:
        return iter(self._parameters.rows)

    def __len__(self) -> int:
        return len(self._parameters.rows)

    def __contains__(self, name: object) -> bool:
        return isinstance(name, str) and name in self._parameters.rows

    @property
    def _parameters(self) -> ParameterList:
        """The actuator's parameter list; it is read once."""
        known: ParameterList = self._run(self._work.parameters(self._key))
        return known

    def items(self) -> ItemsView[str, Value]:
        """All names and values, read together."""
        return self.as_dict().items()

    def values(self) -> ValuesView[Value]:
        """All values, read together."""
        return self.as_dict().values()

    def __repr__(self) -> str:
        return f"<settings of {self._key}>"

    def as_dict(self, memory: str = "working") -> dict[str, Value]:
        """All settings of one memory. `memory`: "working", "stored" or "factory"."""
        values: dict[str, Value] = self._run(self._work.read_all(self._key, memory))
        return values

    def update(self, changes: Mapping[str, object]) -> dict[str, Value]:
        """Set several settings, in an order in which they are consistent at every step. If one is bad, none is written.

        Returns:
            The settings that were changed, with their values now. A setting that has the value already is not written.
        """
        changed: dict[str, Value] = self._run(self._work.update(self._key, changes))
        return changed

    def store(self) -> int:
        """Write all working settings to stored memory, and read back that both agree.

        Returns:
            How often its stored memory was written, modulo 65536.

        Raises:
            NodeRefusedError: the memory could not be written; the old settings are kept.
        """
        count: int = self._run(self._work.store(self._key))
        return count

    def undo(self, to: str = "stored") -> dict[str, Value]:
        """Set working memory back to "stored" or "factory"; stored memory is not touched. Returns the values then."""
        values: dict[str, Value] = self._run(self._work.undo(self._key, to))
        return values


class Actuator:
    """One actuator, named by its address or by its uid. Making this object sends nothing; each method asks the
    actuator.

    For a uid whose address is not known yet, a method first runs `find`. The uid is then read back once at that
    address, so no other actuator is taken for this one.

    Raises, everywhere:
        InputError: a value of the wrong kind or outside its range; nothing was sent for it.
        OperationError: the actuator was not found, has no address, does not answer, refuses, or shares its address.
        PortClosedError: the port went away, or was closed.
    """

    def __init__(self, run: Run, work: Work, key: ActuatorKey) -> None:
        self._run, self._work, self._key = run, work, key

    def __repr__(self) -> str:
        return f"<actuator, {self._key}>"

    @property
    def settings(self) -> Settings:
        """Its settings, as a mapping. Some settings move an engaged arm at once: see `busproto.CAUTIONS`."""
        return Settings(self._run, self._work, self._key)

    @property
    def address(self) -> int:
        """Its address, 1..239. Assigning to it calls `give_address`."""
        address: int = self._run(self._work.address(self._key))
        return address

    @address.setter
    def address(self, address: int) -> None:
        self.give_address(address)

    @property
    def uid(self) -> str:
        """Its uid, 16 hexadecimal digits; read from the actuator if it is not known."""
        return self.describe().uid if self._key.uid is None else self._key.uid.hex()

    def report(self) -> ActuatorReport:
        """Read its report, in units: position, state, load, faults. Changes nothing."""
        report: ActuatorReport = self._run(self._work.report(self._key))
        return report

    def describe(self) -> About:
        """Read its description: uid, model, firmware, rating. Changes nothing."""
        about: About = self._run(self._work.describe(self._key))
        return about

    def move(self, target: str | float, *, unit: str | None = None, hold_s: float = 1.0, stay: bool = False) -> Moved:
        """Move the arm, hold it there for a while, and release it. Returns when that is done.

        You are NOT asked before. Make sure: propeller off, airframe held, fingers clear, the pack within the
        actuator's rating (`busproto.CAUTIONS`). The arm starts softly from where it is.

        Args:
            target: "12.5deg", "40%" of the travel, "1700us", "centre"; or a number, with `unit`.
            unit: unit of a number: "deg", "%" or "us".
            hold_s: for how long the demand is sent, 0.1..600 s; twice as long if the arm does not arrive.
            stay: do not release it at the end. Without further demands its loss action follows. It is released at the
                end of the ``with`` block of the bus.

        Raises:
            InputError: not a target, or outside the travel; nothing moved.
            NodeRefusedError: the actuator has no address of its own, or a fault stands.
            NotLimpError: it was not seen limp at the end: take the pack off. `let_go` of the error holds what was seen.
        """
        moved: Moved = self._run(self._work.move(self._key, target, unit, hold_s, stay))
        return moved

    def limp(self) -> LetGo:
        """Release it and check that it reports limp. Only engaging or a restart ends that. What it carries may drop.

        Raises:
            NotLimpError: it was not seen limp within 5 s: take the pack off.
        """
        seen: LetGo = self._run(self._work.limp(self._key))
        return seen

    def show(self, seconds: float) -> bool:
        """Let it make itself known for 0..10 s: by a small motion if it is engaged, only by a flag in its report if
        limp.

        Returns:
            Whether its arm moves; see `busproto.CAUTIONS` before.
        """
        moves: bool = self._run(self._work.show(self._key, seconds))
        return moves

    def give_address(self, address: int | None, *, channel: int | None = None) -> None:
        """Give it an address by its uid, and read it back. It goes limp. This object then uses the new address.

        Args:
            address: 1..239, or None to take its address away.
            channel: 0..32, set and stored too; None leaves it.

        Raises:
            AddressConflictError: another actuator answers there; nothing was written.
            ReadBackError: another uid answers at the address.
            NotLimpError: it was not seen limp afterwards.
        """
        self._run(self._work.give_address(self._key, address, channel))
