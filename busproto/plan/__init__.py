"""From one map for the whole fleet to an airframe that is checked, recorded and can be restored.

`files` and `load` read the plan; `assignment` keeps which actuator is which. Comparing, applying, proving and recording
are in modules of their own.
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
