"""``busproto plan check``: what a person at the bench reads, whole outputs, and what a script gets."""

# ruff: noqa: E501 (whole lines of output)

from __future__ import annotations

from pathlib import Path

import pytest

from busproto.plan.finding import KINDS
from tests.cli.helpers import CommandLine
from tests.cli.plan.lines import as_lines
from tests.plan.texts import write_texts

# --- check -----------------------------------------------------------------------------------------------------

WRONG_FLEET = """\
fleet-map = 1
title = "All [wrong]"
[settings]
travel = 100
slew-limit = 250
[model.small]
supply = [4.8, 7.4]
firmware = ["1.0"]
mechanical-travel = 120
[model.turned]
supply = [8.4, 6.0]
[function.throttle]
address = 1
channel = 1
settings = { loss-action = "preset", preset = -61 }
[function."aileron, left"]
address = 10
channel = 2
[function."aileron, right"]
address = 10
channel = 2
settings = { direction = "reversed" }
[function.rudder-a]
address = 30
channel = 4
[function.rudder-b]
address = 31
channel = 5
settings = { loss-action = "hold", soft-start = 200 }
"""

WRONG_AIRFRAME = """\
airframe = 1
title = "Everything [wrong]"
fleet-map = "fleet.toml"

[supply]
full = 8.4
empty = 4.5

[bus]
baud = 19200
demands-per-second = 100
reports = true

[function.throttle]
model = "small"
[function."aileron, left"]
model = "small"
firmware = "0.9"
settings = { neutral = 14.0, under-voltage = 9.0 }
[function."aileron, right"]
model = "odd"
settings = { end-low = -30, neutral = -3 }
[function.rudder-a]
model = "turned"
settings = { travel = 130 }
[function.rudder-b]

[gang.rudder]
number = 1
members = ["rudder-a", "rudder-b"]
"""

WRONG_OUTPUT = """\
wrong.toml: airframe 'Everything [wrong]', on the fleet map 'All [wrong]' (fleet.toml)
  5 functions, 1 gang, pack 4.50 to 8.40 V
  gang 'rudder' follows channels 4, 5: 'rudder-a', 'rudder-b'
  bus at 19200 Bd: demands of 5 channels and 4 reports take 57.1 to 57.2 ms of a cycle of 10.0 ms, 572 %
  not even one would fit; a demand reaches the arms after 13.5 to 23.5 ms
  asking each for its whole report, one after the other, takes 131.2 ms
  the loss action begins 490 to 510 ms after the demands are lost
  What each arm reaches, in degrees; a step is 0.01 % of demand:
                                                                  left
                                        arm goes lost at lost at  both    one
function       addr. chan. neutral      from..to  -100 %  +100 % sides   step
throttle           1     1    0.00 -50.00..50.00       -       - 50.00 0.0050
aileron, left     10     2   14.00 -36.00..60.00       -    4.00 46.00 0.0050
aileron, right    10     2   -3.00 -30.00..47.00       -   23.00 27.00 0.0050
rudder-a          30     4    0.00 -65.00..65.00       -       - 65.00 0.0065
rudder-b          31     5    0.00 -50.00..50.00       -       - 50.00 0.0050

error   wrong.toml:6   supply.full ('throttle', 'aileron, left'): a full pack of 8.40 V is above the
                       rating: 'small' is rated for 4.80..7.40 V
error   wrong.toml:9   bus: the demands of 5 channels and a report of each of 4 actuators take 57.2
                       ms of a cycle of 10.0 ms (572 %) at 19200 Bd; not even one would fit; each of
                       these would do: baud = 230400, demands-per-second = 17
error   wrong.toml:18  function."aileron, left".firmware: 0.9 is not among those the fleet map lists
                       for 'small': 1.0
error   wrong.toml:19  function."aileron, left".settings.under-voltage: 9.000 V is above a full pack
                       of 8.40 V: a low supply would always be reported
error   wrong.toml:19  function."aileron, left".settings.neutral: 14.00 deg puts 4.00 of the 50.00
                       deg to demand +100 % out of reach; 46.00 deg to each side are left; it should
                       be near zero: move the arm on the spline first (a spline of N teeth moves it
                       by 360/N deg a tooth), then use the neutral for the rest
error   wrong.toml:22  function."aileron, right".settings.end-low: -30.00 deg cuts 20.00 deg of the
                       50.00 deg to demand +100 %: open it, or plan less travel
error   wrong.toml:22  function."aileron, right".settings.neutral: -3.00 deg puts 23.00 of the 50.00
                       deg to demand +100 % out of reach, 3.00 deg more than a neutral of zero;
                       27.00 deg to each side are left; it should be near zero: move the arm on the
                       spline first (a spline of N teeth moves it by 360/N deg a tooth), then use
                       the neutral for the rest
error   wrong.toml:28  gang.rudder: its members differ in travel: 'rudder-a' 130.00 deg
                       (wrong.toml:25), 'rudder-b' 100.00 deg (fleet.toml:4); on one surface they
                       would fight; how hard is not known: the fleet map does not tell stall-torque
                       and stall-current of each
error   wrong.toml:28  gang.rudder: its members differ in loss-action: 'rudder-a' limp (from the
                       factory), 'rudder-b' hold (fleet.toml:29); when the demand is lost they would
                       not do the same; the ones that go limp leave the load to the others
error   wrong.toml:28  gang.rudder: its members differ in soft-start: 'rudder-a' 1000 ms (from the
                       factory), 'rudder-b' 200 ms (fleet.toml:29); when they take hold one runs
                       ahead of the other; how hard is not known: the fleet map does not tell
                       stall-torque and stall-current of each
error   fleet.toml:11  model.turned.supply: the lower voltage stands first: 6.00, 8.40
error   fleet.toml:15  function.throttle.settings.preset: -61.00 deg is outside -60.00..60.00 deg,
                       where the arm is stopped: when the demand is lost it would stand elsewhere
error   fleet.toml:20  function."aileron, right".address: 10 is that of 'aileron, left' already, and
                       this airframe has both
error   fleet.toml:21  function."aileron, right".channel: 2 is that of 'aileron, left' already, and
                       no gang joins them: both would follow one demand
advice  wrong.toml:7   supply.empty ('throttle', 'aileron, left'): an empty pack of 4.50 V is below
                       the rating: 'small' is rated for 4.80..7.40 V
advice  wrong.toml:7   supply.empty ('rudder-a'): an empty pack of 4.50 V is below the rating:
                       'turned' is rated for 6.00..8.40 V
advice  wrong.toml:14  function ('rudder-b'): no model is stated, so rating and firmware cannot be
                       checked
advice  wrong.toml:14  function ('throttle', 'aileron, right', 'rudder-a', 'rudder-b'):
                       under-voltage is not stated, so a low supply is never reported: say the
                       voltage at which the maker's data let this actuator fail, there is no good
                       default
advice  wrong.toml:21  function."aileron, right".model: the fleet map has no model 'odd', so its
                       rating cannot be checked; it has: small, turned
advice  wrong.toml:28  gang.rudder: its members follow different demands: 'rudder-a' channel 4,
                       'rudder-b' channel 5; give them one channel in the fleet map unless that is
                       meant

14 errors to be mended, 6 pieces of advice.

"""


@pytest.fixture
def _wrong() -> None:
    Path("fleet.toml").write_text(WRONG_FLEET, "utf-8")
    Path("wrong.toml").write_text(WRONG_AIRFRAME, "utf-8")


@pytest.mark.usefixtures("_wrong")
def test_a_plan_with_everything_wrong_as_a_person_reads_it(cli: CommandLine) -> None:
    result = cli("plan check wrong.toml")
    assert (result.code, result.err) == (3, "")
    assert as_lines(result.out) == as_lines(WRONG_OUTPUT)


@pytest.mark.usefixtures("_wrong")
def test_a_plan_with_everything_wrong_as_a_script_reads_it(cli: CommandLine) -> None:
    result = cli("plan check wrong.toml --json")
    assert (result.code, result.err) == (3, "")
    body = result.json
    (file,) = body["checked"]
    findings = file.pop("findings")
    assert body["error_count"] == sum(one["severity"] == "error" for one in findings) > 0
    assert body["advice_count"] == sum(one["severity"] == "advice" for one in findings) > 0
    assert {one["kind"] for one in findings} <= set(KINDS)
    for one in findings:
        assert set(one) == {"kind", "severity", "file", "line", "key", "function_names", "text"}
        lines = Path(one["file"]).read_text("utf-8").splitlines()
        last = one["key"].rpartition(".")[2].strip('"')
        assert last in lines[one["line"] - 1] or last.rpartition(",")[2] in lines[one["line"] - 1], one
    assert findings[0] == {
        "kind": "supply-above-rating",
        "severity": "error",
        "file": "wrong.toml",
        "line": 6,
        "key": "supply.full",
        "function_names": ["throttle", "aileron, left"],
        "text": "a full pack of 8.40 V is above the rating: 'small' is rated for 4.80..7.40 V",
    }
    left = file["functions"][1]
    assert left.pop("sweep") == {
        "low_deg": -36.0,
        "high_deg": 60.0,
        "lost_at_minus_deg": 0.0,
        "lost_at_plus_deg": 4.0,
        "symmetric_deg": 46.0,
        "lost_share": 0.04,
        "step_deg": 0.005,
    }
    assert left == {
        "function": "aileron, left", "address": 10, "channel": 2, "gang": None, "place": 0, "model": "small", "firmware": "0.9",
    }  # fmt: skip
    bus = file.pop("bus")
    # by hand, ten bits a byte at 19.2 kBd: query of 26 bytes, first slot, thirty places of 45 us, four answers of 20 bytes
    # with a lead of 5 us each; and up to four times 30 us more
    assert bus.pop("busy_ms") == pytest.approx([57.0783, 57.1983], abs=1e-4)
    assert bus == {
        "baud": 19200,
        "demands_per_second": 100.0,
        "channel_count": 5,
        "actuator_count": 4,
        "cycle_ms": 10.0,
        "load_percent": 571.98,
        "fitting_count": 0,
        "latency_ms": [pytest.approx(13.541667), pytest.approx(23.541667)],
        "ask_each_ms": pytest.approx(5 * ((14 + 36) * 10 / 19.2 + 0.2), abs=1e-3),  # 14 bytes asked, 36 answered
    }
    del file["functions"]
    assert file == {
        "file": "wrong.toml",
        "kind": "airframe",
        "usable": True,
        "problems": [],
        "title": "Everything [wrong]",
        "fleet_map": "All [wrong]",
        "gangs": [{"gang": "rudder", "gang_number": 1, "function_names": ["rudder-a", "rudder-b"]}],
        "line_load": None,
        "models": [
            {
                "model": name,
                "stall_torque_written": None,
                "stall_torque_nm": None,
                "no_load_speed_written": None,
                "no_load_speed_deg_s": None,
            }
            for name in ("small", "turned")
        ],
    }


def test_a_rating_in_the_trades_units_is_shown_converted_and_the_line_told(cli: CommandLine) -> None:
    write_texts(
        Path(),
        settings="under-voltage = 5.0",
        bus="[line]\nunit-load = 0.125\nterminations = [120.0, 120.0]\nbias = 560.0",
    )
    fleet = Path("fleet.toml").read_text("utf-8")
    rating = "supply = [4.8, 8.4]\nstall-torque = '25 kgf cm'\nno-load-speed = '0.20 s/60 deg'\nstall-current = 3200"
    Path("fleet.toml").write_text(fleet.replace("supply = [4.8, 8.4]", rating), "utf-8")
    result = cli("plan check one.toml")
    assert result.code == 0
    lines = as_lines(result.out)
    assert "  model 'small': 25 kgf cm is 2.452 N m, 0.20 s/60 deg is 300 deg/s" in lines
    assert (
        "  line with 1.5 unit loads and 2 terminations: 59.6 Ohm between the wires, 56.5 Ohm for a driver with the bias;"
        in "\n".join(lines)
    )
    assert "idle at 252 mV" in result.out
    assert "  the loss action begins 480 to 520 ms after the demands are lost" in lines
    (file,) = cli("plan check one.toml --json").json["checked"]
    (model,) = file["models"]
    assert model == {
        "model": "small", "stall_torque_written": "25 kgf cm", "stall_torque_nm": 2.4516625, "no_load_speed_written": "0.20 s/60 deg",
        "no_load_speed_deg_s": 300.0,
    }  # fmt: skip
    ohm = 1 / (1.5 / 12000 + 2 / 120)
    assert file["line_load"]["pair_ohm"] == pytest.approx(ohm, abs=1e-3)
    assert file["line_load"]["driver_ohm"] == pytest.approx(1 / (1 / ohm + 1 / 1120), abs=1e-3)
    assert file["line_load"]["idle_v"] == pytest.approx(5 * ohm / (ohm + 1120), abs=1e-5)
    (fleet_file,) = cli("plan check fleet.toml --json").json["checked"]
    assert fleet_file["models"] == [model]
    assert "25 kgf cm is 2.452 N m" in cli("plan check fleet.toml").out


def test_advice_alone_is_no_failure(cli: CommandLine) -> None:
    write_texts(Path())
    result = cli("plan check one.toml")
    assert (result.code, result.err) == (0, "")
    assert as_lines(result.out)[-2:] == ["It fits together; 1 piece of advice.", ""]
    body = cli("plan check one.toml --json").json
    assert (body["error_count"], body["advice_count"]) == (0, 1)


FLEET_OUTPUT = """\
fleet.toml: fleet map 'All of them'
  5 functions, 1 model

function  address  channel  set differently from the rest
throttle  1 (01)   1
aileron   10 (0A)  2
rudder-a  30 (1E)  4
rudder-b  31 (1F)  4
flap      40 (28)  9

It fits together.

"""


def test_a_map_alone_can_be_checked(cli: CommandLine) -> None:
    write_texts(Path(), settings="under-voltage = 5.0")
    result = cli("plan check fleet.toml")
    assert (result.code, result.err) == (0, "")
    assert as_lines(result.out) == as_lines(FLEET_OUTPUT)
    (file,) = cli("plan check fleet.toml --json").json["checked"]
    assert (file["kind"], file["title"], file["findings"]) == ("fleet-map", "All of them", [])
    assert file["functions"][-1] == {"function": "flap", "address": 40, "channel": 9}


def test_a_file_that_cannot_be_used_is_told_line_by_line_and_the_others_are_checked(cli: CommandLine) -> None:
    write_texts(Path(), settings="under-voltage = 5.0")
    Path("bad.toml").write_text("airframe = 1\nfleet-map = 'fleet.toml'\ntitle = 3\n[function.[x]]\n", "utf-8")
    Path("worse.toml").write_text("airframe = 1\nfleet-map = 'none.toml'\ntitle = 3\n[function.a]\nx = 1\n", "utf-8")
    result = cli("plan check bad.toml one.toml worse.toml")
    assert result.code == 2
    assert result.error_line == "'bad.toml' cannot be used (1 problem); 'worse.toml' cannot be used (3 problems)"
    lines = as_lines(result.out)
    assert lines[:3] == [
        "bad.toml: cannot be used",
        "error  line 4: not valid TOML: Invalid initial character for a key part (column 11)",
        "",
    ]
    assert "It fits together." in lines
    assert lines[-6:] == [
        "worse.toml: cannot be used",
        "error  line 3: title: a text is wanted here, not a whole number",
        "error  line 5: function.a.x: there is no such key here; there are: model, firmware, settings, own,",
        "       lacks, throw, positive, lead",
        "error  line 2: fleet-map: the map 'none.toml' cannot be read: No such file or directory",
        "",
    ]
    body = cli("plan check bad.toml one.toml worse.toml --json")
    assert body.code == 2
    assert [(one["usable"], len(one["problems"])) for one in body.json["checked"]] == [
        (False, 1),
        (True, 0),
        (False, 3),
    ]
    assert body.json["checked"][0] == {
        "file": "bad.toml",
        "kind": None,
        "usable": False,
        "problems": ["line 4: not valid TOML: Invalid initial character for a key part (column 11)"],
    }


def test_errors_and_an_unusable_file_together_are_the_worse_of_both(cli: CommandLine) -> None:
    write_texts(Path(), bus="baud = 9600")
    assert cli("plan check one.toml").code == 3
    Path("bad.toml").write_text("=", "utf-8")
    assert cli("plan check one.toml bad.toml").code == 2


def test_check_changes_nothing(cli: CommandLine) -> None:
    write_texts(Path())
    before = {path.name: path.read_bytes() for path in Path().iterdir()}
    cli("plan check one.toml fleet.toml")
    assert {path.name: path.read_bytes() for path in Path().iterdir()} == before
