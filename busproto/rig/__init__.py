"""Rigging: what linkage, air, drive, gang and supply leave of an actuator at its surface. Pure calculation.

`linkage` the four-bar linkage, `hinge` air and hinge moment, `drive` the actuator under load, `choice` travel and arm
length, `gang` several on one surface, `supply` wires and packs, `line` the differential line as a load, `units` the
trade's units, `actuator` one actuator, `tables` what an airframe file says about a surface; `motion`, `power` and
`report` put it together for a surface and an airframe. Nothing here knows a port, a file or a clock, and nothing needs
more than the standard library (`tables` and what reads them need msgspec). Every public function has a caller in the
product: a test of the house looks.

What comes out is an estimate for choosing parts and for the bench. It is no clearance for flight.
"""

__all__ = [
    "actuator",
    "checks",
    "choice",
    "drive",
    "gang",
    "hinge",
    "linkage",
    "motion",
    "power",
    "report",
    "supply",
    "tables",
    "units",
    "wiring",
]
