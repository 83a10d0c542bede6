"""Scenario files: the shipped ones, what is refused and how it is said, limits, events, drawn uids and addresses."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from busproto.sim.bus import VirtualBus
from busproto.sim.errors import LimitError, ScenarioError, SimError
from busproto.sim.scene import scenario
from busproto.wire import messages as m
from busproto.wire.frame import UNADDRESSED
from busproto.wire.parameters import BY_NAME
from tests.sim.helpers import MS, Bench, S, Tap, roll_calls, said

NAMES = ["bench-four", "full-line", "hauler", "motor-glider", "rudder-gang", "taxi", "tow-plane", "twins"]
PARAMETER_NAMES = ", ".join(BY_NAME)


def text(*, top: str = "", model: str = "[model.m]", actuator: str = "", more: str = "") -> str:
    """A scenario of one actuator 'a' of model 'm', with these lines put in."""
    return f"""
        title = "any"
        {top}
        {model}
        [[actuator]]
        label = "a"
        model = "m"
        {actuator}
        {more}
    """


def second(lines: str = "", *, label: str = "b") -> str:
    return f'[[actuator]]\nlabel = "{label}"\nmodel = "m"\n{lines}\n'


def event(lines: str) -> str:
    return f"[[event]]\n{lines}\n"


def wanted(lines: str) -> str:
    return f"[[wanted]]\n{lines}\n"


def recorded(bus: VirtualBus) -> Bench:
    made = Bench(bus)
    bus.line.listen(Tap(bus.line, made.receptions))
    return made


def built(source: str, seed: int = 0) -> Bench:
    return recorded(scenario.parse(source).build(seed))


def refused(source: str) -> ScenarioError:
    with pytest.raises(ScenarioError) as caught:
        scenario.parse(source)
    return caught.value


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
        bus.labelled("nobody")


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


# --- what is refused -------------------------------------------------------------------------------------------

NAN = "settings = { travel = nan }"
PROBLEMS: list[tuple[str, str, str]] = [
    ("empty", "", "'title' is missing; 'model' is missing; 'actuator' is missing"),
    ("no models", 'title = "t"\n[[actuator]]\nlabel="a"\nmodel="m"', "'model' is missing"),
    ("no actuators", 'title = "t"\n[model.m]', "'actuator' is missing"),
    ("no actuator", 'title = "t"\nactuator = []\n[model.m]', "line 2: actuator: number of entries must be >= 1"),
    ("no title", text().replace('"any"', '""'), "line 2: title: length must be >= 1"),
    ("long title", text().replace("any", 41 * "x"), "line 2: title: length must be <= 40"),
    ("title no text", text().replace('"any"', "3"), "line 2: title: a text is wanted here, not a whole number"),
    (
        "unknown key",
        text(top="colour = 3"),
        "line 3: colour: there is no such key here; there are: "
        "title, about, supply, pack, line, limits, model, actuator, event, surface, wanted, hand, receiver",
    ),
    ("supply below", text(top="supply = -1.0"), "line 3: supply: must be >= 0.0"),
    ("supply nan", text(top="supply = nan"), "line 3: supply: must be >= 0.0"),
    ("supply text", text(top='supply = "7 V"'), "line 3: supply: a number is wanted here, not a text"),
    ("slow line", text(more="[line]\nbaud = 300"), "line 10: line.baud: must be >= 9600"),
    ("fast line", text(more="[line]\nbaud = 5_000_000"), "line 10: line.baud: must be <= 4000000"),
    ("echo", text(more="[line]\necho = 1"), "line 10: line.echo: true or false is wanted here, not a whole number"),
    ("line no table", text(top="line = 3"), "line 3: line: a table is wanted here"),
    (
        "line key",
        text(more="[line]\nparity = true"),
        "line 10: line.parity: there is no such key here; there are: "
        "kind, baud, echo, clock-error, start-jitter-us, oversampling",
    ),
    ("nodes", text(more="[limits]\nnodes = 240"), "line 10: limits.nodes: must be <= 239"),
    ("no nodes", text(more="[limits]\nnodes = 0"), "line 10: limits.nodes: must be >= 1"),
    ("frames", text(more="[limits]\nframes = 0"), "line 10: limits.frames: must be >= 1"),
    ("seconds", text(more="[limits]\nseconds = 0"), "line 10: limits.seconds: must be > 0.0"),
    ("too many", text(more=second() + "[limits]\nnodes = 1"), "line 5: actuator: 2 of them, limits.nodes allows 1"),
    ("model no table", text(model="model = 3"), "line 4: model: a table is wanted here, not a whole number"),
    ("model entry", text(model="[model]\nm = 3"), "line 5: model.m: a table is wanted here"),
    (
        "model key",
        text(model="[model.m]\nweight = 3"),
        "line 5: model.m.weight: there is no such key here; there are: "
        "name, firmware, supply, stall-torque, stall-current, no-load-speed, mechanical-travel, "
        "time-constant, acceleration, friction, backlash, added-inertia, sensor-curve, sensor-noise, "
        "heat-resistance, heat-time",
    ),
    (
        "firmware",
        text(model='[model.m]\nfirmware = "two"'),
        "line 5: model.m.firmware: two numbers with a point are wanted, such as '2.4'",
    ),
    ("supply of one", text(model="[model.m]\nsupply = [5.0]"), "line 5: model.m.supply: 2 entries are wanted, not 1"),
    ("supply range", text(model="[model.m]\nsupply = [0.5, 8.0]"), "line 5: model.m.supply[0]: must be >= 1.0"),
    ("supply turned", text(model="[model.m]\nsupply = [8.4, 4.8]"), "line 5: model.m.supply: 8.4 is not below 4.8"),
    ("much torque", text(model="[model.m]\nstall-torque = 60.1"), "line 5: model.m.stall-torque: must be <= 60.0"),
    ("current", text(model="[model.m]\nstall-current = 60_001"), "line 5: model.m.stall-current: must be <= 60000"),
    ("no current", text(model="[model.m]\nstall-current = 0"), "line 5: model.m.stall-current: must be >= 100"),
    ("torque", text(model="[model.m]\nstall-torque = 0"), "line 5: model.m.stall-torque: must be > 0.0"),
    ("speed", text(model="[model.m]\nno-load-speed = 2001"), "line 5: model.m.no-load-speed: must be <= 2000"),
    ("stops", text(model="[model.m]\nmechanical-travel = 361"), "line 5: model.m.mechanical-travel: must be <= 360.0"),
    (
        "long model",
        text(model="[model.m]\n[model.abcdefghijklmnopq]"),
        "line 5: model.abcdefghijklmnopq: a model name is at most 16 printable ASCII letters",
    ),
    (
        "odd model",
        text(model='[model.m]\n[model."größe"]'),
        'line 5: model."größe": a model name is at most 16 printable ASCII letters',
    ),
    ("nameless model", text(model='[model.m]\n[model.""]'), 'line 5: model."": length must be >= 1'),
    ("no label", text().replace('label = "a"', ""), "line 5: actuator[0]: 'label' is missing"),
    ("empty label", text().replace('"a"', '""'), "line 6: actuator[0].label: length must be >= 1"),
    ("label twice", text(more=second(label="a")), "line 10: actuator[1].label: 'a' is used twice"),
    (
        "no model",
        text().replace('model = "m"', 'model = "x"'),
        "line 7: actuator[0].model: 'x' is not among the models (m)",
    ),
    (
        "actuator key",
        text(actuator="colour = 3"),
        "line 8: actuator[0].colour: there is no such key here; there are: "
        "label, model, uid, copy-of, address, arm-at, baud, device, lead, lacks, own, settings",
    ),
    (
        "an escape",
        text().replace('label = "a"', 'label = "\\u001b[31m"'),
        "line 6: actuator[0].label: a text without control characters is wanted",
    ),
    ("short uid", text(actuator='uid = "12ab"'), "line 8: actuator[0].uid: 16 digits 0-9 a-f are wanted"),
    ("large uid", text(actuator='uid = "00000000000000AB"'), "line 8: actuator[0].uid: 16 digits 0-9 a-f are wanted"),
    (
        "uid of nobody",
        text(actuator='uid = "0000000000000000"'),
        "line 8: actuator[0].uid: a uid of zeros is reserved: it means all actuators",
    ),
    (
        "uid twice",
        text(actuator='uid = "00000000000000ab"', more=second('uid = "00000000000000ab"')),
        "line 12: actuator[1].uid: 00000000000000ab is already that of 'a' (copy-of makes a twin)",
    ),
    (
        "copy of nobody",
        text(more=second('copy-of = "c"')),
        "line 12: actuator[1].copy-of: no actuator 'c' stands before this one",
    ),
    (
        "copy of itself",
        text(actuator='copy-of = "a"'),
        "line 8: actuator[0].copy-of: no actuator 'a' stands before this one",
    ),
    (
        "copy with a uid",
        text(more=second('copy-of = "a"\nuid = "00000000000000ab"')),
        "line 9: actuator[1]: uid and copy-of exclude each other",
    ),
    ("address 0", text(actuator="address = 0"), "line 8: actuator[0].address: must be >= 1"),
    ("address 240", text(actuator="address = 240"), "line 8: actuator[0].address: must be <= 239"),
    (
        "address",
        text(actuator='address = "any"'),
        "line 8: actuator[0].address: 1..239 or 'unknown' is wanted here, not 'any'",
    ),
    ("arm", text(actuator="arm-at = 181"), "line 8: actuator[0].arm-at: must be <= 180.0"),
    ("arm nan", text(actuator="arm-at = nan"), "line 8: actuator[0].arm-at: must be >= -180.0"),
    (
        "arm at stop",
        text(actuator="arm-at = -101"),
        "line 8: actuator[0].arm-at: -101 is beyond the stops of 'm' (-100..100)",
    ),
    (
        "parameter",
        text(actuator="settings = { speed = 3 }"),
        f"line 8: actuator[0].settings: there is no parameter 'speed'; there are: {PARAMETER_NAMES}",
    ),
    (
        "range",
        text(actuator="settings = { travel = 181 }"),
        "line 8: actuator[0].settings: travel: 181.00 deg is outside 10.00..180.00 deg",
    ),
    ("value nan", text(actuator=NAN), "line 8: actuator[0].settings: travel: nan is not 10.00..180.00 deg"),
    (
        "choice",
        text(actuator='settings = { loss-action = "stop" }'),
        "line 8: actuator[0].settings: loss-action: 'stop' is not limp, hold, preset",
    ),
    (
        "table",
        text(actuator="settings = { correction = [1.0] }"),
        "line 8: actuator[0].settings: correction: 1 points; none or 2..33 are allowed",
    ),
    (
        "table nan",
        text(actuator="settings = { correction = [nan, 1.0] }"),
        "line 8: actuator[0].settings: correction: nan is not -10.00..10.00 deg",
    ),
    (
        "table turns back",
        text(actuator="settings = { travel = 10, correction = [0, 6, 0] }"),
        "line 8: actuator[0].settings: correction: from point 1 to 2 it changes by 6.00 deg, and they lie 5.00 deg "
        "apart on the travel of 10.00 deg: more demand would move the arm back. This table needs a travel of 12.00 deg "
        "or more; measure it again, or set another travel",
    ),
    (
        "settings",
        text(actuator="settings = 3"),
        "line 8: actuator[0].settings: a table is wanted here, not a whole number",
    ),
    ("actuator no table", 'title = "t"\nactuator = [3]\n[model.m]', "line 2: actuator[0]: a table is wanted here"),
    (
        "actuator no list",
        'title = "t"\nactuator = 3\n[model.m]',
        "line 2: actuator: a list is wanted here, not a whole number",
    ),
    ("event no table", text(top="event = [3]"), "line 3: event[0]: a table is wanted here, not a whole number"),
    ("late", text(more=event('what = "supply"\nat = 86_401\nvolts = 5')), "line 11: event[0].at: must be <= 86400.0"),
    (
        "no what",
        text(more=event("at = 1.0")),
        "line 9: event[0].what: "
        "one of adapter, airspeed, babble, brown-out, burst, deaf, doubled, hand, late, mute, no-echo, noise, "
        "stuck-low, supply, unplug is wanted",
    ),
    (
        "what",
        text(more=event('what = "fire"\nat = 1.0')),
        "line 10: event[0].what: "
        "one of adapter, airspeed, babble, brown-out, burst, deaf, doubled, hand, late, mute, no-echo, noise, "
        "stuck-low, supply, unplug is wanted, not 'fire'",
    ),
    ("no at", text(more=event('what = "supply"\nvolts = 5.0')), "line 9: event[0]: 'at' is missing"),
    ("at", text(more=event('what = "supply"\nat = -1\nvolts = 5.0')), "line 11: event[0].at: must be >= 0.0"),
    ("volts", text(more=event('what = "supply"\nat = 1\nvolts = 99')), "line 12: event[0].volts: must be <= 60.0"),
    ("rate", text(more=event('what = "noise"\nat = 1\nrate = 1.1')), "line 12: event[0].rate: must be <= 1.0"),
    (
        "event key",
        text(more=event('what = "noise"\nat = 1\nrate = 0.5\nvolts = 3')),
        "line 13: event[0].volts: there is no such key here; there are: what, at, rate, ears, actuator, until",
    ),
    (
        "event of nobody",
        text(more=event('what = "mute"\nat = 1\nactuator = "z"')),
        "line 12: event[0].actuator: there is no 'z'",
    ),
    (
        "to",
        text(more=event('what = "hand"\nat = 1\nactuator = "a"\nto = 200')),
        "line 13: event[0].to: must be <= 180.0",
    ),
    (
        "until",
        text(more=event('what = "unplug"\nat = 2.5\nuntil = 2.5\nactuator = "a"')),
        "line 12: event[0].until: 2.5 is not after 2.5",
    ),
    (
        "wanted nobody",
        text(more=wanted('actuator = "z"\nfunction = "f"\naddress = 1\nchannel = 1')),
        "line 10: wanted[0].actuator: there is no 'z'",
    ),
    (
        "wanted channel",
        text(more=wanted('actuator = "a"\nfunction = "f"\naddress = 1\nchannel = 33')),
        "line 13: wanted[0].channel: must be <= 32",
    ),
    (
        "wanted place",
        text(more=wanted('actuator = "a"\nfunction = "f"\naddress = 1\nchannel = 3\nplace = 4')),
        "line 14: wanted[0].place: must be <= 3",
    ),
    (
        "wanted address twice",
        text(
            more=second()
            + wanted('actuator = "a"\nfunction = "f"\naddress = 9\nchannel = 1')
            + wanted('actuator = "b"\nfunction = "g"\naddress = 9\nchannel = 1')
        ),
        "line 21: wanted[1].address: 9 stands in wanted[0] too",
    ),
]


@pytest.mark.parametrize(("source", "problem"), [row[1:] for row in PROBLEMS], ids=[row[0] for row in PROBLEMS])
def test_what_is_wrong_is_said_with_its_place_and_what_is_allowed(source: str, problem: str) -> None:
    assert "; ".join(refused(source).problems) == problem


LEAST = """
title = "t"
supply = 0
[line]
baud = 9600
[limits]
nodes = 1
frames = 1
seconds = 0.001
[model.m]
firmware = "0.0"
supply = [1.0, 1.5]
stall-torque = 0.001
stall-current = 100
no-load-speed = 1
mechanical-travel = 10
[[actuator]]
label = "a"
model = "m"
uid = "0000000000000001"
address = 1
arm-at = -5
[[event]]
what = "noise"
at = 0
until = 0.001
rate = 0
[[event]]
what = "supply"
at = 0
volts = 0
[[wanted]]
actuator = "a"
function = "f"
address = 1
channel = 1
"""
MOST = f"""
title = "{40 * "t"}"
supply = 60
[line]
baud = 4_000_000
[limits]
nodes = 239
frames = 1_000_000_000
seconds = 31_536_000
[model.abcdefghijklmnop]
firmware = "99.99"
supply = [59.9, 60]
stall-torque = 60
stall-current = 60_000
no-load-speed = 2000
mechanical-travel = 360
[[actuator]]
label = "{40 * "a"}"
model = "abcdefghijklmnop"
uid = "ffffffffffffffff"
address = 239
arm-at = 180
[[event]]
what = "hand"
at = 86_400
actuator = "{40 * "a"}"
to = -180
over = 86_400
[[event]]
what = "noise"
at = 0
rate = 1
[[wanted]]
actuator = "{40 * "a"}"
function = "{40 * "f"}"
address = 239
channel = 32
gang = 32
place = 3
"""


@pytest.mark.parametrize("source", [LEAST, MOST], ids=["least", "most"])
def test_the_limits_themselves_are_allowed(source: str) -> None:
    made = built(source)
    (one,) = made.bus.actuators
    model = one.model
    assert (one.address, one.arm.position_deg, made.bus.supply_mv, made.bus.line.baud) == (
        (1, -5.0, 0, 9600) if source is LEAST else (239, 180.0, 60_000, 4_000_000)
    )
    assert (model.firmware, model.supply_mv, model.stall_torque_mnm, model.stall_current_ma) == (
        ((0, 0), (1000, 1500), 1, 100) if source is LEAST else ((99, 99), (59_900, 60_000), 60_000, 60_000)
    )


def test_the_greatest_ratings_fit_into_a_description_and_a_report() -> None:
    model = """[model.m]
        supply = [1, 60]
        stall-torque = 60
        stall-current = 60_000
        no-load-speed = 2000
        mechanical-travel = 360"""
    made = built(text(top="supply = 60", model=model, actuator="address = 5\narm-at = 180"))
    described = made.ask(m.Description, m.Describe(), 5)
    assert (described.supply_max_mv, described.stall_torque_mnm, described.stall_current_ma) == (60_000, 60_000, 60_000)
    assert (described.no_load_speed_deg_s, described.mechanical_travel_cdeg) == (2000, 36_000)
    status = made.status(5)
    assert (status.position_cdeg, status.supply_mv) == (18_000, 60_000)


@pytest.mark.parametrize("source", ["title =", "title = any", "[model\n", 'title = "a"\ntitle = "b"'])
def test_what_is_no_toml_is_said_to_be_none(source: str) -> None:
    (problem,) = refused(source).problems
    assert re.fullmatch(r"(line \d+: )?not valid TOML: .+", problem)
    assert "line " in problem or "end of document" in problem


def test_all_that_has_the_wrong_shape_is_said_at_once() -> None:
    source = text(
        top="supply = 99",
        model='[model.m]\nfirmware = "x"\n[model.n]\nstall-torque = -1',
        actuator="address = 0",
        more=second("colour = 3")
        + event('what = "fire"\nat = 1')
        + wanted('actuator = "a"\nfunction = "f"\naddress = 1\nchannel = 0')
        + "[line]\nbaud = 1\n[limits]\nnodes = 0\n",
    )
    assert refused(source).problems == (
        "line 3: supply: must be <= 60.0",
        "line 5: model.m.firmware: two numbers with a point are wanted, such as '2.4'",
        "line 7: model.n.stall-torque: must be > 0.0",
        "line 11: actuator[0].address: must be >= 1",
        "line 15: actuator[1].colour: there is no such key here; there are: "
        "label, model, uid, copy-of, address, arm-at, baud, device, lead, lacks, own, settings",
        "line 17: event[0].what: one of adapter, airspeed, babble, brown-out, burst, deaf, doubled, hand, late, mute, "
        "no-echo, noise, stuck-low, supply, unplug is wanted, not 'fire'",
        "line 23: wanted[0].channel: must be >= 1",
        "line 25: line.baud: must be >= 9600",
        "line 27: limits.nodes: must be >= 1",
    )


def test_all_that_makes_no_sense_is_said_at_once() -> None:
    source = text(
        model="[model.m]\nsupply = [8.0, 5.0]",
        actuator='settings = { travel = 1, dead-band = 99, direction = "up" }',
        more=second('copy-of = "z"', label="a")
        + second().replace('"m"', '"x"')
        + event('what = "mute"\nat = 3\nuntil = 2\nactuator = "q"')
        + wanted('actuator = "a"\nfunction = "f"\naddress = 9\nchannel = 1')
        + wanted('actuator = "a"\nfunction = "f"\naddress = 9\nchannel = 1'),
    )
    assert said(refused(source).problems) == [
        "actuator[0].settings: travel: 1.00 deg is outside 10.00..180.00 deg",
        "actuator[0].settings: dead-band: 99.00 deg is outside 0.00..5.00 deg",
        "actuator[0].settings: direction: 'up' is not normal, reversed",
        "actuator[1].label: 'a' is used twice",
        "actuator[1].copy-of: no actuator 'z' stands before this one",
        "actuator[2].model: 'x' is not among the models (m)",
        "model.m.supply: 8 is not below 5",
        "event[0].actuator: there is no 'q'",
        "event[0].until: 2 is not after 3",
        "wanted[1].actuator: a stands in wanted[0] too",
        "wanted[1].function: f stands in wanted[0] too",
        "wanted[1].address: 9 stands in wanted[0] too",
    ]


# --- limits ----------------------------------------------------------------------------------------------------


def test_the_limit_of_frames() -> None:
    made = built(text(more="[limits]\nframes = 3"))
    for _ in range(3):
        made.demand(0)
    with pytest.raises(LimitError) as caught:
        made.demand(0)
    assert str(caught.value) == "the virtual bus stopped: more than 3 frames (limits.frames in the scenario)"


def test_the_limit_of_time() -> None:
    made = built(text(more="[limits]\nseconds = 1.5"))
    made.run_until(1500 * MS)
    with pytest.raises(LimitError) as caught:
        made.run(1)
    assert str(caught.value) == "the virtual bus stopped: more than 1.5 seconds (limits.seconds in the scenario)"


def test_as_many_actuators_as_allowed_are_fine() -> None:
    made = built(text(more=second() + "[limits]\nnodes = 2"))
    assert [one.label for one in made.bus.actuators] == ["a", "b"]


# --- events ----------------------------------------------------------------------------------------------------


def test_unplugged_at_a_moment_and_plugged_in_again() -> None:
    made = built(text(more=event('what = "unplug"\nat = 1.25\nuntil = 2\nactuator = "a"')))
    one = made.bus.labelled("a")
    powered = []
    for time_ns in (1250 * MS - 1, 1250 * MS, 2 * S - 1, 2 * S):
        made.run_until(time_ns)
        powered.append(one.is_powered)
    assert powered == [True, False, False, True]


def test_unplugged_for_good() -> None:
    made = built(text(more=event('what = "unplug"\nat = 1\nactuator = "a"')))
    made.run_until(1000 * S)
    assert not made.bus.labelled("a").is_powered


def test_mute_for_a_while() -> None:
    made = built(text(actuator="address = 5", more=event('what = "mute"\nat = 1\nuntil = 2\nactuator = "a"')))
    answers = []
    for time_ms in (900, 1000, 1900, 2000):
        made.run_until(time_ms * MS)
        answers.append(len(made.ask_all(m.Report(), 5)))
    assert answers == [1, 0, 0, 1]


def test_mute_for_good() -> None:
    made = built(text(actuator="address = 5", more=event('what = "mute"\nat = 1\nactuator = "a"')))
    made.run_until(1000 * S)
    assert made.ask_all(m.Report(), 5) == []


def test_noise_for_a_while_and_the_same_for_the_same_seed() -> None:
    source = text(more=event('what = "noise"\nat = 1\nuntil = 2\nrate = 0.9'))
    heard = []
    for seed in (1, 1, 2):
        made = built(source, seed)
        for time_ms in (990, 1000, 1990, 2000):
            made.run_until(time_ms * MS)
            made.send_bytes(bytes(8))
        heard.append([data for _, data in made.trace])
    assert heard[0] == heard[1]
    assert heard[0] != heard[2]
    assert [data == bytes(8) for data in heard[0]] == [True, False, False, True]


def test_two_noises_at_once_add_up_and_end_apart() -> None:
    """Each spares a byte with probability 1/2, both together with 1/4: 1 - 0.5**0.1 and 1 - 0.25**0.1 of all bits.

    30,000 bits (three listeners): 2010 and 3884 expected, standard deviations 43 and 58; six of them are allowed.
    """
    source = text(
        more=event('what = "noise"\nat = 0\nuntil = 2\nrate = 0.5')
        + event('what = "noise"\nat = 0\nuntil = 1\nrate = 0.5')
    )
    made = built(source)
    flips = []
    for time_ms in (0, 1000, 2000):
        made.run_until(time_ms * MS)
        made.bus.line.flip_record = []
        made.send_bytes(bytes(1000))
        flips.append(len(made.bus.line.flip_record))
    assert abs(flips[0] - 3884) <= 350
    assert abs(flips[1] - 2010) <= 260
    assert flips[2] == 0


def test_the_supply_changes() -> None:
    made = built(text(actuator="address = 5", more=event('what = "supply"\nat = 1\nvolts = 5.55')))
    volts = []
    for time_ms in (900, 1000):
        made.run_until(time_ms * MS)
        volts.append(made.status(5).supply_mv)
    assert volts == [7400, 5550]


def test_a_hand_moves_a_limp_arm() -> None:
    hand = event('what = "hand"\nat = 1\nactuator = "a"\nto = 20\nover = 0.4')
    made = built(text(actuator="arm-at = 10", more=hand))
    one = made.bus.labelled("a")
    positions = []
    for time_ms in (1000, 1200, 1400, 1600):
        made.run_until(time_ms * MS)
        one.arm.move_to(made.now_ns)
        positions.append(round(one.arm.position_deg, 9))
    assert positions == [10.0, 15.0, 20.0, 20.0]


def test_a_hand_at_an_arm_that_is_held_has_no_effect() -> None:
    hand = event('what = "hand"\nat = 1\nactuator = "a"\nto = 20')
    made = built(text(actuator='address = 5\nsettings = { loss-action = "hold" }', more=hand))
    made.ask(m.Engaged, m.Engage(), 5)
    made.run_until(2 * S)
    assert made.status(5).position_cdeg == 0


def test_events_of_one_moment_happen_in_the_order_of_the_file() -> None:
    rows = "".join(event(f'what = "supply"\nat = 1\nvolts = {volts}') for volts in (5, 6, 7))
    made = built(text(more=rows))
    made.run_until(1 * S)
    assert made.bus.supply_mv == 7000


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
