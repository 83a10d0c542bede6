"""What is refused in a scenario file, how it is said, and that the limits themselves are allowed."""

from __future__ import annotations

import re

import pytest

from busproto.sim.errors import LimitError
from busproto.wire import messages as m
from busproto.wire.parameters import BY_NAME
from tests.sim.helpers import MS, said
from tests.sim.scene.helpers import built, event, refused, second, text, wanted

PARAMETER_NAMES = ", ".join(BY_NAME)


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
        "uid of no actuator",
        text(actuator='uid = "0000000000000000"'),
        "line 8: actuator[0].uid: a uid of zeros is reserved: it means all actuators",
    ),
    (
        "uid twice",
        text(actuator='uid = "00000000000000ab"', more=second('uid = "00000000000000ab"')),
        "line 12: actuator[1].uid: 00000000000000ab is already that of 'a' (copy-of makes a twin)",
    ),
    (
        "copy of an unknown label",
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
        "event of an unknown label",
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
        "wanted of an unknown label",
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
