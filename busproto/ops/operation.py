"""A warning for an operation that is made and never run, as Python warns for a coroutine that is never awaited.

``move(30, 0.2)`` alone makes a generator and does nothing. Operations from `busproto.ops` are therefore wrapped; a
wrapper that is discarded before it was begun warns. Once begun (`begun`, ``yield from``) the generator runs without the
wrapper, and operations call each other without it, so it costs nothing per step.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Generator, Iterator
from functools import update_wrapper
from types import GeneratorType, TracebackType
from typing import Any, ParamSpec, TypeVar

from busproto.errors import InputError
from busproto.ops.steps import Step, Steps
from busproto.session.exchange import Heard

P = ParamSpec("P")
T = TypeVar("T")
T_co = TypeVar("T_co", covariant=True)


class Operation(Generator[Step, Heard | int | None, T_co]):
    """A `busproto.ops.steps.Steps` that warns (RuntimeWarning) where it is discarded unused."""

    __slots__ = ("_is_begun", "_name", "_steps")

    def __init__(self, name: str, steps: Steps[T_co]) -> None:
        self._name, self._steps, self._is_begun = name, steps, False

    def __iter__(self) -> Steps[T_co]:  # `yield from` then drives the generator itself
        self._is_begun = True
        return self._steps

    def __next__(self) -> Step:
        self._is_begun = True
        return next(self._steps)

    def send(self, value: Heard | int | None, /) -> Step:
        """As `collections.abc.Generator.send`."""
        self._is_begun = True
        return self._steps.send(value)

    def throw(
        self,
        kind: type[BaseException] | BaseException,
        value: BaseException | object = None,
        trace: TracebackType | None = None,
        /,
    ) -> Step:
        """As `collections.abc.Generator.throw`."""
        self._is_begun = True
        return self._steps.throw(kind if isinstance(kind, BaseException) else kind(value))

    def close(self) -> None:
        """As `collections.abc.Generator.close`."""
        self._is_begun = True
        self._steps.close()

    def __repr__(self) -> str:
        return f"<operation {self._name}, {'begun' if self._is_begun else 'not begun'}>"

    def __del__(self) -> None:
        if not self._is_begun:
            warnings.warn(
                f"operation '{self._name}' was made and never run, so nothing was sent: link.run({self._name}(...))",
                RuntimeWarning,
                stacklevel=2,
            )


def operation(make: Callable[P, Steps[T]]) -> Callable[P, Operation[T]]:
    """The same function, but its operations warn if they are never run."""

    def made(*args: P.args, **kwargs: P.kwargs) -> Operation[T]:
        return Operation(make.__name__, make(*args, **kwargs))

    return update_wrapper(made, make)


def begun(given: Any) -> Steps[Any]:
    """The generator of an operation that is about to be run.

    Raises:
        InputError: not an operation, or one that was run before.
    """
    steps = iter(given) if isinstance(given, Operation) else given
    if isinstance(steps, GeneratorType):
        if steps.gi_frame is None:
            raise InputError(f"operation '{steps.__name__}' has ended already: call the function anew to run it again")
        return steps
    if isinstance(steps, Generator):
        return steps
    raise InputError(_why_none(given))


def _why_none(given: Any) -> str:
    name = getattr(given, "__name__", type(given).__name__)
    if callable(given):
        return f"an operation is wanted: '{name}' is the function that makes one; call it, as in link.run({name}())"
    if isinstance(given, Iterator) or hasattr(given, "__await__"):
        return f"an operation is wanted, not what 'await' is for ({name})"
    return f"an operation is wanted, such as find() of busproto.ops, not {given!r}"
