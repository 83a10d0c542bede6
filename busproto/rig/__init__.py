"""Rigging: what linkage, air, drive, gang and supply leave of an actuator at its surface. Pure calculation.

`linkage` the four-bar linkage, `hinge` air and hinge moment, `drive` the actuator under load, `choice` travel and arm
length, `gang` several on one surface and correction tables, `supply` wires and packs, `tables` what an airframe file
says about a surface, `report` all of it for one surface. Nothing here knows a port, a file or a clock, and nothing
needs more than the standard library (`tables` and `report` need msgspec).

What comes out is an estimate for choosing parts and for the bench. It is no clearance for flight.
"""
