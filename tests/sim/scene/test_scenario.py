"""Scenario files: the shipped ones, how they are loaded, drawn uids and addresses."""

from __future__ import annotations

from pathlib import Path

import pytest

from busproto.sim.errors import ScenarioError, SimError
from busproto.sim.scene import scenario
from busproto.wire import messages as m
from busproto.wire.frame import UNADDRESSED
from busproto.wire.parameters import BY_NAME
from tests.sim.helpers import MS, roll_calls, said
from tests.sim.scene.helpers import built, recorded, refused, second, text, wanted

NAMES = ["bench-four", "full-line", "hauler", "motor-glider", "rudder-gang", "taxi", "tow-plane", "twins"]


# --- shipped ---------------------------------------------------------------------------------------------------


def test_the_shipped_scenarios_are_these() -> None:
    assert scenario.names() == NAMES


def played(name: str, seed: int) -> list[tuple[int, bytes]]:
    """Everything that is heard on the bus of a shipped scenario during some roll calls, an assign and reports."""
    made = recorded(scenario.load(name).build(seed))
    uids = [uid for window in roll_calls(made, epoch=99, slots=64, windows=3) for uid in window]
    for address, uid in enumerate(uids[:4], start=101):
        made.ask_all(m.Assign(uid, address))
        made.ask_all(m.Report(), address)
    for address in (1, 3, 5, 7):
        made.ask_all(m.Describe(), address)
    return made.trace


@pytest.mark.parametrize("name", NAMES)
def test_the_same_seed_gives_the_same_trace_and_another_one_another(name: str) -> None:
    first, again, other = played(name, 1), played(name, 1), played(name, 2)
    assert first == again
    assert first != other
    assert len(first) > 10


@pytest.mark.parametrize(
    ("name", "title", "actuators", "baud", "echo", "supply_mv"),
    [
        ("bench-four", "Four actuators on the bench", 4, 115_200, True, 6600),
        ("full-line", "A full line of thirty-two", 32, 1_000_000, False, 7400),
        ("tow-plane", "Tow plane, fresh out of the box", 11, 115_200, True, 7400),
        ("twins", "Two actuators with one uid", 3, 115_200, True, 7400),
    ],
)
def test_a_shipped_scenario_is_built_as_it_says(
    name: str, title: str, actuators: int, baud: int, echo: bool, supply_mv: int
) -> None:
    loaded = scenario.load(name)
    bus = loaded.build(5)
    assert loaded.title == title
    assert (len(bus.actuators), bus.line.baud, bus.host.baud, bus.host.echo) == (actuators, baud, baud, echo)
    assert bus.supply_mv == supply_mv


def test_an_actuator_is_as_its_table_says() -> None:
    bus = scenario.load("bench-four").build()
    one = bus.labelled("addressed")
    assert (one.uid.hex(), one.address, one.arm.position_deg, one.arm.stop_deg) == ("b0a7000000000101", 3, 4.0, 100.0)
    changed = {name: raw for name, raw in one.settings.stored().items() if raw != BY_NAME[name].default}
    assert changed == {"channel": 3, "neutral": 150, "loss-action": 1}
    assert one.settings.working == one.settings.stored()
    model = one.model
    assert (model.name, model.firmware, model.supply_mv) == ("bench 25", (2, 4), (4800, 8400))
    assert (model.stall_torque_mnm, model.stall_current_ma, model.no_load_speed_deg_s) == (2500, 3200, 375)
    assert bus.labelled("fresh").address == UNADDRESSED
    with pytest.raises(KeyError):
        bus.labelled("unknown")


def test_the_rate_can_be_chosen_when_it_is_built() -> None:
    assert scenario.load("bench-four").build(baud=250_000).line.baud == 250_000


def test_the_wanted_places_of_the_tow_plane() -> None:
    rows = scenario.load("tow-plane").wanted
    assert [(row.function, row.address, row.channel, row.gang, row.place) for row in rows[4:8]] == [
        ("elevator, left", 20, 6, 2, 1),
        ("elevator, right", 21, 7, 2, 2),
        ("rudder, upper", 30, 8, 1, 1),
        ("rudder, lower", 31, 8, 1, 2),
    ]


def test_a_minimal_scenario_takes_the_defaults() -> None:
    bus = scenario.parse(text()).build()
    assert (bus.line.baud, bus.host.echo, bus.supply_mv) == (115_200, True, 7400)
    one = bus.labelled("a")
    assert (one.address, one.arm.position_deg, one.model.name, one.model.firmware) == (UNADDRESSED, 0.0, "m", (1, 0))


# --- loading ---------------------------------------------------------------------------------------------------


def test_a_scenario_is_loaded_from_a_file(tmp_path: Path) -> None:
    path = tmp_path / "my own.toml"
    path.write_text(text(top='supply = 6.0\nabout = "é"'), "utf-8")
    loaded = scenario.load(str(path))
    assert (loaded.title, loaded.source, loaded.build().supply_mv) == ("any", str(path), 6000)


@pytest.mark.parametrize("name", ["nothing", "", "tow-plane.toml", "bench-four/", "a\x00b"])
def test_a_name_that_is_not_there(name: str) -> None:
    with pytest.raises(ScenarioError) as caught:
        scenario.load(name)
    assert str(caught.value) == (
        f"scenario '{name}': no such file, and none is shipped by that name ({', '.join(NAMES)})"
    )


def test_a_file_that_is_no_text(tmp_path: Path) -> None:
    path = tmp_path / "noise.toml"
    path.write_bytes(b"title = '\xff\xfe'")
    with pytest.raises(ScenarioError, match=r"cannot be read: it is not UTF-8 text .byte 9."):
        scenario.load(str(path))


def test_a_name_too_long_for_a_file(tmp_path: Path) -> None:
    with pytest.raises(ScenarioError, match=r"cannot be read: .*too long"):
        scenario.load(str(tmp_path / ("x" * 5000)))


def test_the_error_is_a_value_error_and_a_sim_error_with_its_parts() -> None:
    error = refused(text(top="supply = 61"))
    assert isinstance(error, ValueError)
    assert isinstance(error, SimError)
    assert (error.source, error.problems) == ("text", ("line 3: supply: must be <= 60.0",))
    assert str(error) == "scenario 'text': line 3: supply: must be <= 60.0"


# --- drawn uids and addresses ----------------------------------------------------------------------------------


UNKNOWN = 'address = "unknown"'


def test_uids_that_are_not_stated_are_drawn_by_the_seed() -> None:
    loaded = scenario.load("full-line")
    drawn = [loaded.uids(seed) for seed in (1, 1, 2)]
    assert drawn[0] == drawn[1]
    assert set(drawn[0].values()).isdisjoint(drawn[2].values())
    assert len(set(drawn[0].values())) == 32
    assert {one.label: one.uid for one in loaded.build(1).actuators} == drawn[0]


def test_another_actuator_does_not_change_the_uid_of_this_one() -> None:
    alone, more = scenario.parse(text()), scenario.parse(text(more=second()))
    assert alone.uids(3)["a"] == more.uids(3)["a"]


def test_an_unknown_address_is_drawn_by_the_seed_and_clashes_with_nothing() -> None:
    used = wanted('actuator = "a"\nfunction = "f"\naddress = 77\nchannel = 1')
    loaded = scenario.parse(text(actuator=UNKNOWN, more=second("address = 5") + second(UNKNOWN, label="c") + used))
    drawn = []
    for seed in range(60):
        addresses = {one.label: one.address for one in loaded.build(seed).actuators}
        assert addresses == {one.label: one.address for one in loaded.build(seed).actuators}
        assert addresses["b"] == 5
        drawn.append((addresses["a"], addresses["c"]))
    assert all(first != other and {first, other}.isdisjoint({5, 77}) for first, other in drawn)
    assert all(1 <= address <= 239 for pair in drawn for address in pair)
    assert len({address for pair in drawn for address in pair}) > 60


def test_where_few_are_free_the_unknown_ones_get_these() -> None:
    """237 addresses stand in the file; 100 and 200 are left."""
    rows = "".join(second(f"address = {n}", label=f"n{n}") for n in range(2, 240) if n not in {100, 200})
    source = text(actuator="address = 1", more=rows + second(UNKNOWN) + second(UNKNOWN, label="c"))
    for seed in range(5):
        bus = scenario.parse(source + "\n[limits]\nnodes = 239\n").build(seed)
        assert sorted(bus.labelled(label).address for label in ("b", "c")) == [100, 200]


def test_where_too_few_are_free_it_says_so() -> None:
    """120 unknown ones, 120 other addresses wanted: 119 are left."""
    rows = "".join(second(UNKNOWN, label=f"n{n}") for n in range(1, 120))
    places = [("a", 1), *((f"n{n}", n + 1) for n in range(1, 120))]
    planned = "".join(
        wanted(f'actuator = "{label}"\nfunction = "f {label}"\naddress = {address}\nchannel = 1')
        for label, address in places
    )
    error = refused(text(actuator=UNKNOWN, more=rows + planned + "[limits]\nnodes = 239\n"))
    assert said(error.problems) == ["actuator: 120 addresses are to be drawn, but only 119 are free"]


def test_a_copy_has_the_uid_of_the_first_also_where_that_is_drawn() -> None:
    rows = second('copy-of = "a"\naddress = 5') + second('copy-of = "b"', label="c") + second(label="d")
    made = built(text(more=rows), seed=4)
    uid = made.bus.labelled("a").uid
    assert [made.bus.labelled(label).uid == uid for label in "bcd"] == [True, True, False]
    assert [one.address for one in made.bus.actuators] == [UNADDRESSED, 5, UNADDRESSED, UNADDRESSED]


def test_twins_start_at_different_moments_all_the_same() -> None:
    """Each has its own jitter: over some calls they are not always within one bit."""
    made = recorded(scenario.load("twins").build(1))
    made.bus.labelled("single").power_off()
    gaps_ns = []
    for salt in range(20):
        ended_ns = made.send(m.RollCall(7, salt, 16, ()))
        made.run(100 * MS)
        starts = [start_ns for start_ns, _ in made.starts_after(ended_ns)]
        assert len(starts) == 2
        gaps_ns.append(starts[1] - starts[0])
    assert max(gaps_ns) > 8_681 > min(gaps_ns)
