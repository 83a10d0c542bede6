"""What the tests of a report share: the example's tables with lines changed, and parts of what comes of them."""

from __future__ import annotations

from busproto.rig.actuator import Actuator
from busproto.rig.power import PowerResult
from busproto.rig.report import AirframeResult, SurfaceResult
from busproto.rig.tables import EXAMPLE, RigTables
from busproto.toml_source import read

STRONG = Actuator(
    stall_nm=2.5,
    supply_v=(4.8, 8.4),
    travel_deg=120.0,
    stall_ma=4000.0,
    no_load_deg_s=400.0,
    dead_band_deg=0.1,
    sensor_deg=0.0879,
    slew_deg_s=300.0,
)

ACTUATORS = dict.fromkeys(("aileron-left", "rudder-top", "rudder-bottom"), STRONG)


def tables(text: str = EXAMPLE) -> RigTables:
    source, problems = read(text, "tow.toml")
    assert source is not None
    found, problems = source.checked(RigTables)
    assert problems == []
    assert found is not None
    return found


def changed(*pairs: tuple[str, str]) -> RigTables:
    text = EXAMPLE
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new, 1)
    return tables(text)


def aileron(result: AirframeResult) -> SurfaceResult:
    return result.surfaces[0]


def power(result: AirframeResult) -> PowerResult:
    assert result.power is not None
    return result.power


def rudder(result: AirframeResult) -> SurfaceResult:
    return result.surfaces[1]
