"""From one map for the whole fleet to an airframe that is checked, recorded and can be restored.

`files` and `load` read what is wanted; `seating` keeps which actuator is which. What compares, applies, proves and
records stands in a module each.
"""

__all__ = [
    "airframe",
    "calibration",
    "card",
    "changes",
    "check",
    "claim_words",
    "crew",
    "examples",
    "files",
    "finding",
    "fitting",
    "hardware",
    "journal",
    "load",
    "seating",
    "sweep",
    "trials",
]
