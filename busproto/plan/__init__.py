"""From one map for the whole fleet to an airframe that is checked, recorded and can be restored.

`files` and `load` read what is wanted; `assignment` keeps which actuator is which. What compares, applies, proves and
records stands in a module each.
"""

__all__ = [
    "actuators",
    "airframe",
    "assignment",
    "calibration",
    "card",
    "changes",
    "check",
    "claim_words",
    "examples",
    "files",
    "finding",
    "fitting",
    "hardware",
    "journal",
    "load",
    "sweep",
    "trials",
]
