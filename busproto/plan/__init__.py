"""From one map for the whole fleet to an airframe that is checked, recorded and can be restored.

`files` and `load` read what is wanted; `seating` keeps which actuator is which. What compares, applies, proves and
records stands in a module each.
"""

__all__ = [
    "applying",
    "audit",
    "bus_load",
    "card",
    "card_html",
    "card_qr",
    "card_svg",
    "changes",
    "check",
    "claim",
    "crew",
    "differences",
    "direction",
    "examples",
    "files",
    "finding",
    "gang_check",
    "gang_match",
    "hardware",
    "journal",
    "load",
    "match",
    "match_checks",
    "record",
    "recording",
    "replace",
    "results",
    "rigging",
    "seating",
    "supply_check",
    "sweep",
    "table_fit",
    "trial",
]
