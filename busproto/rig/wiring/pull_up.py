"""The one-wire line as a load: which pull-up resistor lets it rise in time and still be pulled down.

A wired-AND line falls because a driver pulls it and rises because a resistor pulls it: with the capacitance of wire and
inputs that takes time. Resistances in Ohm, capacitances in F, times in s. Not modelled: reflections, leakage, drivers
with a resistance of their own.

Source of both limits: UM10204, the I2C-bus specification, section 7.1 (equations 1 and 2). There the rise from 30 % to
70 % of the supply counts, 0.8473 R C; a serial receiver sees the whole way from 0 to its threshold: that counts here.
"""

from __future__ import annotations

import math
from typing import Final

from busproto.errors import InputError
from busproto.rig.checks import positive, within

THRESHOLD_SHARE: Final = 0.7
"""Of the supply: below it an input may still read low (V_IH = 0.7 V_DD, as UM10204 section 7.1 has it)."""
LOW_V: Final = 0.4
"""Highest level of a line that is pulled low (V_OL of UM10204, from memory)."""
RISE_BITS: Final = 0.1
"""Share of a bit that the rise may take. A choice: half a bit is lost to the middle of the bit, the rest belongs to
clocks that disagree and to the receiver's own sampling."""


def rise_s(pull_up_ohm: float, capacitance_f: float, share: float = THRESHOLD_SHARE) -> float:
    """Time from 0 V to `share` (0..0.99) of the supply. Raises InputError where the others are not above 0."""
    time_constant = positive("the pull-up", pull_up_ohm, "Ohm") * positive("the capacitance", capacitance_f, "F")
    return -time_constant * math.log1p(-within("the share of the supply", share, 0.0, 0.99))


def greatest_pull_up_ohm(baud: float, capacitance_f: float, bits: float = RISE_BITS) -> float:
    """The greatest resistor with which the line has risen within `bits` (above 0) of a bit. Raises InputError."""
    room_s = positive("the share of a bit", bits) / positive("the line rate", baud, "Bd")
    return room_s / rise_s(1.0, capacitance_f)


def least_pull_up_ohm(supply_v: float, sink_a: float, low_v: float = LOW_V) -> float:
    """The least resistor against which a driver that sinks `sink_a`, A above 0, still pulls the line to `low_v`.

    Raises:
        InputError: the supply is not above `low_v`, or a value is not above 0.
    """
    if positive("the supply", supply_v, "V") <= positive("the low level", low_v, "V"):
        raise InputError(f"a line on {supply_v:g} V cannot be told from one that is pulled to {low_v:g} V")
    return (supply_v - low_v) / positive("the driver's current", sink_a, "A")
