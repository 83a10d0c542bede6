"""How warm an actuator is: losses in its winding, one heat capacity, one resistance to the air around it.

The loss is I^2 R with the winding's resistance taken from rated supply and stall current, and with the current that
flows in it: what the torque takes, that for speeding up and braking included. Between two changes, and with the mean of
I^2 over each phase of a course, the temperature is an exponential, so it does not depend on how often it is read. Not
modelled: the electronics' own loss, the winding being hotter than the case, copper's resistance rising with temperature
(0.4 % per K: at 85 degC the loss is a quarter more), moving air.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Protocol

AMBIENT_DEGC: Final = 22.0
CUT_BACK_K: Final = 10.0
"""Distance below the temperature limit, K, at which an actuator begins to cut back its drive."""
CUT_BACK_TO: Final = 0.5
"""Fraction of the drive that is left at the limit."""


class Way(Protocol):
    """A winding current that changes over time, up to an end that may still move later."""

    @property
    def end_ns(self) -> int:
        """When it ends, ns."""

    def is_over(self, now_ns: int) -> bool:
        """Whether it has ended at `now_ns`; cheaper than `end_ns`."""

    def parts(self, from_ns: int, until_ns: int) -> Iterable[tuple[float, float]]:
        """The current between two moments, in parts: duration, s, and root mean square current, mA."""


@dataclass(slots=True)
class Heat:
    """Temperature model of one actuator.

    Attributes:
        ohm: resistance of the winding, Ohm.
        k_per_w: thermal resistance to the air, K/W.
        time_s: time constant, s.
        ambient_degc: temperature of the air around it, degC.
    """

    ohm: float
    k_per_w: float
    time_s: float
    ambient_degc: float = AMBIENT_DEGC
    _degc: float = AMBIENT_DEGC
    _from_ns: int = 0
    _while: Way | None = None
    _then_ma: float = 0.0

    def start(self, now_ns: int, degc: float | None = None) -> None:
        """Start without current, at air temperature or at `degc`."""
        self._degc = self.ambient_degc if degc is None else degc
        self._from_ns = now_ns
        self._then_ma = 0.0
        self._while = None

    def draws(self, now_ns: int, then_ma: float, during: Way | None = None) -> None:
        """From now on the winding takes the current of `during` until that ends, then `then_ma`."""
        self._degc = self.degc(now_ns)
        self._from_ns, self._while, self._then_ma = now_ns, during, then_ma

    def warm(self, now_ns: int, degc: float) -> None:
        """Set the temperature to `degc`, as heating or cooling from outside would; the current stays as it is."""
        self.draws(now_ns, self._then_ma, self._while)
        self._degc = degc

    def ends_at_degc(self, ma: float) -> float:
        """Final temperature at a constant current of `ma`."""
        return self.ambient_degc + self.k_per_w * self.ohm * (ma / 1000) ** 2

    def degc(self, now_ns: int) -> float:
        """Temperature at `now_ns`, which must not lie before the last change of the current."""
        degc, middle_ns = self._degc, self._from_ns
        if self._while is not None and now_ns > middle_ns:
            begin_ns = middle_ns
            middle_ns = max(self._while.end_ns, middle_ns) if self._while.is_over(now_ns) else now_ns
            for lasting_s, ma in self._while.parts(begin_ns, middle_ns):
                degc = self._after(degc, ma, lasting_s)
        return self._after(degc, self._then_ma, (now_ns - middle_ns) / 1e9)

    def _after(self, degc: float, ma: float, lasting_s: float) -> float:
        if lasting_s <= 0:
            return degc
        return degc - (self.ends_at_degc(ma) - degc) * math.expm1(-lasting_s / self.time_s)


def cut_back(degc: float, limit_degc: float) -> float:
    """Fraction of the drive that is left at that temperature, 0.5..1."""
    over = (degc - limit_degc + CUT_BACK_K) / CUT_BACK_K
    return 1.0 - (1.0 - CUT_BACK_TO) * min(1.0, max(0.0, over))
