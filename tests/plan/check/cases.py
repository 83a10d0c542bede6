"""Plans of which one thing does not fit, and what is found in each."""

# ruff: noqa: E501 (whole lines of output)

from __future__ import annotations

from dataclasses import dataclass

SPLINE = (
    "it should be near zero: move the arm on the spline first (a spline of N teeth moves it by 360/N deg a tooth), "
    "then use the neutral for the rest"
)


@dataclass(frozen=True)
class Case:
    """A plan that fits but for what is changed in it, and what is found then: (kind, is it an error, whole line)."""

    found: tuple[tuple[str, bool, str], ...]
    airframe: tuple[tuple[str, str], ...] = ()
    fleet: tuple[tuple[str, str], ...] = ()
    settings: str = "under-voltage = 5.0"
    bus: str = ""


def error(kind: str, line: str) -> tuple[str, bool, str]:
    return kind, True, line


def advice(kind: str, line: str) -> tuple[str, bool, str]:
    return kind, False, line


def of_aileron(settings: str) -> tuple[tuple[str, str], ...]:
    """The airframe's aileron with these settings, on line 12."""
    return (("[function.aileron]", f"[function.aileron]\nsettings = {{ {settings} }}"),)


def of_rudder(one: str, other: str) -> tuple[tuple[str, str], ...]:
    """Both members of the rudder with these settings; the first ones need a line of their own."""
    named = (("rudder-a", one), ("rudder-b", other))
    return tuple(
        (f"[function.{name}]", f"[function.{name}]\nsettings = {{ {settings} }}")
        for name, settings in named
        if settings
    )


RATED = (("mechanical-travel = 180", "mechanical-travel = 180\nstall-torque = 2.5\nstall-current = 3200"),)
"""Rated for 2.5 N m and 3.2 A: with 60 % stiffness each is a spring of 1.5 N m/deg, up to its stall torque."""

STALL = "'rudder-a' would pull with up to 2.50 N m at the arm, and all of them draw 6.4 A, by their ratings"

UNKNOWN = "how hard is not known: the fleet map does not tell stall-torque and stall-current of each"

CASES = {
    "nothing": Case(found=()),
    "one address twice": Case(
        fleet=(("address = 31", "address = 10"),),
        found=(error("address-twice", "fleet.toml:19: function.rudder-b.address: 10 is that of 'aileron' already, and "
                     "this airframe has both"),),
    ),
    "one channel twice": Case(
        fleet=(("channel = 2", "channel = 1"),),
        found=(error("channel-twice", "fleet.toml:14: function.aileron.channel: 1 is that of 'throttle' already, and no "
                     "gang joins them: both would follow one demand"),),
    ),
    "one channel in a gang and outside": Case(
        fleet=(("channel = 2", "channel = 4"),),
        found=(
            error("channel-twice", "fleet.toml:17: function.rudder-a.channel: 4 is that of 'aileron' already, and no gang "
                  "joins them: both would follow one demand"),
            error("channel-twice", "fleet.toml:20: function.rudder-b.channel: 4 is that of 'aileron' already, and no gang "
                  "joins them: both would follow one demand"),
        ),
    ),
    "two channels in a gang": Case(
        fleet=(("address = 31\nchannel = 4", "address = 31\nchannel = 5"),),
        found=(advice("gang-channels", "one.toml:17: gang.rudder: its members follow different demands: 'rudder-a' channel "
                      "4, 'rudder-b' channel 5; give them one channel in the fleet map unless that is meant"),),
    ),
    "two models and firmwares in a gang": Case(
        airframe=(('[function.rudder-a]\nmodel = "small"', '[function.rudder-a]\nmodel = "small"\nfirmware = "1.0"'),
                  ('[function.rudder-b]\nmodel = "small"', '[function.rudder-b]\nmodel = "other"\nfirmware = "1.1"')),
        fleet=(("[model.small]", "[model.other]\nsupply = [4, 9]\n[model.small]"),),
        found=(
            error("gang-unlike", "one.toml:19: gang.rudder: its members differ in model: 'rudder-a' small (one.toml:14), "
                  "'rudder-b' other (one.toml:17); on one surface they would fight"),
            error("gang-unlike", "one.toml:19: gang.rudder: its members differ in firmware: 'rudder-a' 1.0 (one.toml:15), "
                  "'rudder-b' 1.1 (one.toml:18); on one surface they would fight"),
        ),
    ),
    "a firmware in a gang that is not stated": Case(
        airframe=(('[function.rudder-a]\nmodel = "small"', '[function.rudder-a]\nmodel = "small"\nfirmware = "1.0"'),),
        found=(),
    ),
    "two ways to move in a gang, of unknown strength": Case(
        airframe=of_rudder("", "travel = 100, loss-action = 'hold', loss-time-out = 900"),
        found=(
            error("gang-unlike", "one.toml:18: gang.rudder: its members differ in travel: 'rudder-a' 120.00 deg (from the "
                  f"factory), 'rudder-b' 100.00 deg (one.toml:16); on one surface they would fight; {UNKNOWN}"),
            error("gang-unlike", "one.toml:18: gang.rudder: its members differ in loss-action: 'rudder-a' limp (from the "
                  "factory), 'rudder-b' hold (one.toml:16); when the demand is lost they would not do the same; the ones "
                  "that go limp leave the load to the others"),
            error("gang-timing", "one.toml:18: gang.rudder: its members differ in loss-time-out: 'rudder-a' 500 ms (from "
                  "the factory), 'rudder-b' 900 ms (one.toml:16); when the demand is lost one acts before the other"),
        ),
    ),
    "presets that fight in a gang": Case(
        airframe=of_rudder("loss-action = 'preset', preset = -10", "loss-action = 'preset', preset = 20"),
        fleet=RATED,
        found=(error("gang-unlike", "one.toml:19: gang.rudder: its members differ in preset: 'rudder-a' -10.00 deg "
                     "(one.toml:14), 'rudder-b' +20.00 deg (one.toml:17); when the demand is lost they would fight: "
                     f"{STALL}"),),
    ),
    "presets a little apart, where no drive is used up": Case(
        airframe=of_rudder("loss-action = 'preset', preset = 1", "loss-action = 'preset', preset = 2"),
        fleet=RATED,
        found=(error("gang-unlike", "one.toml:19: gang.rudder: its members differ in preset: 'rudder-a' +1.00 deg "
                     "(one.toml:14), 'rudder-b' +2.00 deg (one.toml:17); when the demand is lost they would fight: "
                     "'rudder-a' would pull with up to 0.75 N m at the arm, and all of them draw 1.9 A, by their "
                     "ratings"),),
    ),
    "presets of mirrors that agree, seen from their neutrals": Case(
        airframe=of_rudder("loss-action = 'preset', preset = -20",
                           "loss-action = 'preset', preset = 22, direction = 'reversed', neutral = 2"),
        found=(),
    ),
    "one number as the preset of two mirrors": Case(
        airframe=of_rudder("loss-action = 'preset', preset = 20",
                           "loss-action = 'preset', preset = 20, direction = 'reversed'"),
        fleet=RATED,
        found=(error("gang-unlike", "one.toml:19: gang.rudder: its members differ in preset: 'rudder-a' +20.00 deg "
                     "(one.toml:14), 'rudder-b' -20.00 deg (one.toml:17); when the demand is lost they would fight: "
                     f"{STALL}"),),
    ),
    "one holds, the other goes to its preset": Case(
        airframe=of_rudder("loss-action = 'hold'", "loss-action = 'preset', preset = 5"),
        fleet=RATED,
        found=(error("gang-unlike", "one.toml:19: gang.rudder: its members differ in loss-action: 'rudder-a' hold "
                     "(one.toml:14), 'rudder-b' preset (one.toml:17); when the demand is lost they would not do the same: "
                     f"{STALL}"),),
    ),
    "one goes to the preset before the other": Case(
        airframe=of_rudder("loss-action = 'preset', preset = 5",
                           "loss-action = 'preset', preset = 5, loss-time-out = 900"),
        fleet=RATED,
        found=(error("gang-timing", "one.toml:19: gang.rudder: its members differ in loss-time-out: 'rudder-a' 500 ms (from "
                     "the factory), 'rudder-b' 900 ms (one.toml:17); when the demand is lost one acts before the other: "
                     f"{STALL}"),),
    ),
    "ends of mirrors that agree": Case(
        airframe=of_rudder("end-high = 50", "end-low = -50, direction = 'reversed'"),
        found=(error("end-cuts-travel", ""), error("end-cuts-travel", "")),
    ),
    "ends that agree as numbers only": Case(
        airframe=of_rudder("end-high = 50", "end-high = 50, direction = 'reversed'"),
        fleet=RATED,
        found=(
            error("end-cuts-travel", ""),
            error("end-cuts-travel", ""),
            error("gang-unlike", "one.toml:19: gang.rudder: its members differ in end-low, end-high: 'rudder-a' stops at "
                  "-60.00 and +50.00 deg (one.toml:14), 'rudder-b' stops at -50.00 and +60.00 deg (one.toml:17); at the end "
                  f"of the sweep they would fight: {STALL}"),
        ),
    ),
    "ends outside of the travel decide nothing": Case(airframe=of_rudder("end-high = 70", "end-high = 80"), found=()),
    "how hard and how fast in a gang": Case(
        airframe=of_rudder("", "stiffness = 30, dead-band = 0.4, minimum-drive = 9, damping = 50, over-temperature = 70, "
                           "slew-limit = 299, soft-start = 990"),
        fleet=RATED,
        found=(
            error("gang-timing", "one.toml:18: gang.rudder: its members differ in slew-limit: 'rudder-a' 300.0 deg/s (from "
                  "the factory), 'rudder-b' 299.0 deg/s (one.toml:16); in a fast move one runs ahead of the other: "
                  "'rudder-a' would pull with up to 0.20 N m at the arm, and all of them draw 0.5 A, by their ratings"),
            error("gang-timing", "one.toml:18: gang.rudder: its members differ in soft-start: 'rudder-a' 1000 ms (from the "
                  "factory), 'rudder-b' 990 ms (one.toml:16); when they take hold one runs ahead of the other: 'rudder-b' "
                  "would pull with up to 0.75 N m at the arm, and all of them draw 1.9 A, by their ratings"),
            error("gang-unlike", "one.toml:18: gang.rudder: its members differ in stiffness: 'rudder-a' 60 % (from the "
                  "factory), 'rudder-b' 30 % (one.toml:16); the stiffer one carries more of the load"),
            error("gang-unlike", "one.toml:18: gang.rudder: its members differ in dead-band: 'rudder-a' 0.10 deg (from the "
                  "factory), 'rudder-b' 0.40 deg (one.toml:16); within the difference the one with the smallest holds alone"),
            advice("gang-uneven", "one.toml:18: gang.rudder: its members differ in minimum-drive: 'rudder-a' 5 % (from the "
                   "factory), 'rudder-b' 9 % (one.toml:16); the one with more is the first to push"),
            advice("gang-uneven", "one.toml:18: gang.rudder: its members differ in damping: 'rudder-a' 30 % (from the "
                   "factory), 'rudder-b' 50 % (one.toml:16); in a fast move one is held back more than the other"),
            advice("gang-uneven", "one.toml:18: gang.rudder: its members differ in over-temperature: 'rudder-a' 85 degC (from "
                   "the factory), 'rudder-b' 70 degC (one.toml:16); the one with the lowest goes limp first, and the others "
                   "carry its load"),
        ),
    ),
    "a rating that gives more than it takes": Case(
        fleet=(("mechanical-travel = 180", "stall-torque = 25\nstall-current = 3200\nno-load-speed = '0.16 s/60 deg'"),),
        found=(error("rating-impossible", "fleet.toml:8: model.small.stall-torque: 25 N m times 375 deg/s is 164 W, 8.4 V "
                     "times 3.2 A is 26.9 W: at half its speed it would give 40.9 W, more than it takes when it draws its "
                     "stall current; look at the units of torque and speed"),),
    ),
    "a rating that no plain motor has": Case(
        fleet=(("mechanical-travel = 180", "stall-torque = '60 kgf cm'\nstall-current = 3200\nno-load-speed = 375"),),
        found=(advice("rating-implausible", "fleet.toml:8: model.small.stall-torque: 5.88 N m times 375 deg/s is 38.5 W, "
                      "8.4 V times 3.2 A is 26.9 W: a DC motor gives at most as much torque times speed as it takes volts "
                      "times amps; only a drive that limits its current when it stalls has more. Look at the units"),),
    ),
    "a rating with the unit mistaken": Case(
        fleet=(("mechanical-travel = 180", "stall-torque = '2.5 kgf cm'\nstall-current = 3200\nno-load-speed = 360"),),
        found=(advice("rating-implausible", "fleet.toml:8: model.small.stall-torque: 0.245 N m times 360 deg/s is 1.54 W, "
                      "8.4 V times 3.2 A is 26.9 W: only 6% of what goes in; look at the units of torque and speed"),),
    ),
    "a plausible rating": Case(
        fleet=(("mechanical-travel = 180", "stall-torque = '25 kgf cm'\nstall-current = 3200\nno-load-speed = 360"),),
        found=(),
    ),
    "too much on the line, and one end open": Case(
        bus="[line]\nunit-load = 4.0\nother-loads = 20\nterminations = [120.0]",
        found=(
            error("line-load", "one.toml:9: line.unit-load: 4 actuators of 4 unit load each and 20 more are 36; a driver has "
                  "to drive 32: at most 3 such actuators"),
            advice("line-idle", "one.toml:8: line: no bias is stated: nothing holds an idle line but the receivers' own "
                   "threshold, which their maker has to promise. Two resistors of up to 1059 Ohm on 5 V would hold it at "
                   "200 mV"),
            advice("line-ends", "one.toml:11: line.terminations: 1 termination is stated; a line has one at each of its two "
                   "ends"),
        ),
    ),
    "a bias that is too weak": Case(  # 183.19 mV: 5 V over 2 x 680 Ohm and 51.724 Ohm; 200 mV by TIA/EIA-485-A
        bus="[line]\nunit-load = 4.0\nother-loads = 16\nterminations = [120.0, 120.0]\nbias = 680",
        found=(error("line-idle", "one.toml:12: line.bias: two resistors of 680 Ohm on 5 V hold the idle line of 51.7 Ohm at "
                     "183.2 mV; a receiver may take less than 200 mV for a start bit: 621 Ohm or less"),),
    ),
    "a line that fits": Case(
        bus="[line]\nunit-load = 4.0\nother-loads = 16\nterminations = [120.0, 120.0]\nbias = 560", found=()
    ),
    "a time-out shorter than the time between two demands": Case(
        bus="demands-per-second = 10",
        airframe=(*of_aileron("loss-time-out = 90"),
                  ("[function.throttle]", "[function.throttle]\nsettings = { loss-time-out = 250 }")),
        found=(
            error("loss-time-out-short", "one.toml:13: function.aileron.settings.loss-time-out: 90 ms is shorter than the 100 "
                  "ms between two demands: the loss action would begin again and again"),
            advice("loss-time-out-short", "one.toml:10: function.throttle.settings.loss-time-out: 250 ms is less than 3 times "
                   "the 100 ms between two demands: a few that are lost in a row let the loss action begin"),
        ),
    ),
    "a pack by its cells alone": Case(
        airframe=(("[supply]\nfull = 8.4\nempty = 6.4\n", "[pack]\nchemistry = 'lipo-hv'\ncells = 2\n"),),
        found=(error("supply-above-rating", "one.toml:6: pack.cells ('throttle', 'aileron', 'rudder-a', 'rudder-b'): a full "
                     "pack of 8.70 V is above the rating: 'small' is rated for 4.80..8.40 V"),),
    ),
    "a preset beyond an end": Case(
        airframe=of_aileron('loss-action = "preset", preset = -70, end-low = -60'),
        found=(error("preset-outside", "one.toml:12: function.aileron.settings.preset: -70.00 deg is outside "
                     "-60.00..90.00 deg, where the arm is stopped: when the demand is lost it would stand elsewhere"),),
    ),
    "a preset beyond a stop": Case(
        airframe=of_aileron('loss-action = "preset", preset = 80, travel = 100'),
        fleet=(("mechanical-travel = 180", "mechanical-travel = 150"),),
        found=(error("preset-outside", "one.toml:12: function.aileron.settings.preset: 80.00 deg is outside "
                     "-75.00..75.00 deg, where the arm is stopped: when the demand is lost it would stand elsewhere"),),
    ),
    "a preset that is not used": Case(airframe=of_aileron("preset = -70, end-low = -60"), found=()),
    "a preset of all, from the map": Case(
        settings='under-voltage = 5.0\nloss-action = "preset"\npreset = 70\nend-high = 65',
        found=(error("preset-outside", "fleet.toml:6: settings.preset ('throttle', 'aileron', 'rudder-a', 'rudder-b'): "
                     "70.00 deg is outside -90.00..65.00 deg, where the arm is stopped: when the demand is lost it would "
                     "stand elsewhere"),),
    ),
    "a neutral far from zero": Case(
        airframe=of_aileron("neutral = 2.01"),
        found=(advice("neutral-far", "one.toml:12: function.aileron.settings.neutral: 2.01 deg takes 2.01 deg of the room at "
                      f"demand +100 %; the planned travel still fits, but {SPLINE}"),),
    ),
    "the same, reversed": Case(
        airframe=of_aileron('neutral = 2.01, direction = "reversed"'),
        found=(advice("neutral-far", "one.toml:12: function.aileron.settings.neutral: 2.01 deg takes 2.01 deg of the room at "
                      f"demand -100 %; the planned travel still fits, but {SPLINE}"),),
    ),
    "a neutral near zero": Case(airframe=of_aileron("neutral = -2.0"), found=()),
    "a neutral that costs travel": Case(
        airframe=of_aileron("neutral = -8, end-low = -63, end-high = 63"),
        found=(error("neutral-cuts-travel", "one.toml:12: function.aileron.settings.neutral: -8.00 deg puts 5.00 of the "
                     f"60.00 deg to demand -100 % out of reach; 55.00 deg to each side are left; {SPLINE}"),),
    ),
    "a small one that does": Case(
        airframe=of_aileron("neutral = 1, travel = 180"),
        found=(error("neutral-cuts-travel", "one.toml:12: function.aileron.settings.neutral: 1.00 deg puts 1.00 of the "
                     "90.00 deg to demand +100 % out of reach; 89.00 deg to each side are left"),),
    ),
    "ends that cost travel, and a neutral that costs more": Case(
        airframe=of_aileron("neutral = 5, end-low = -40, end-high = 50"),
        found=(
            error("end-cuts-travel", "one.toml:12: function.aileron.settings.end-low: -40.00 deg cuts 20.00 deg of the 60.00 "
                  "deg to demand -100 %: open it, or plan less travel"),
            error("end-cuts-travel", "one.toml:12: function.aileron.settings.end-high: 50.00 deg cuts 10.00 deg of the 60.00 "
                  "deg to demand +100 %: open it, or plan less travel"),
            error("neutral-cuts-travel", "one.toml:12: function.aileron.settings.neutral: 5.00 deg puts 15.00 of the 60.00 "
                  "deg to demand +100 % out of reach, 5.00 deg more than a neutral of zero; 45.00 deg to each side are "
                  f"left; {SPLINE}"),
        ),
    ),
    "a reversed end that costs travel": Case(
        airframe=of_aileron('end-low = -40, direction = "reversed"'),
        found=(error("end-cuts-travel", "one.toml:12: function.aileron.settings.end-low: -40.00 deg cuts 20.00 deg of the "
                     "60.00 deg to demand +100 %: open it, or plan less travel"),),
    ),
    "more travel than the stops allow": Case(
        fleet=(("mechanical-travel = 180", "mechanical-travel = 110"),),
        found=(error("stops-cut-travel", "one.toml:9: function ('throttle', 'aileron', 'rudder-a', 'rudder-b'): travel "
                     "(from the factory) 120.00 deg does not fit between the mechanical stops, which are 110 deg apart"),),
    ),
    "a model that is not stated": Case(
        airframe=(('[function.aileron]\nmodel = "small"', "[function.aileron]"),
                  ('[function.throttle]\nmodel = "small"', "[function.throttle]")),
        found=(advice("model-unstated", "one.toml:9: function ('throttle', 'aileron'): no model is stated, so rating and "
                      "firmware cannot be checked"),),
    ),
    "a model that the fleet map lacks": Case(
        airframe=(('[function.aileron]\nmodel = "small"', '[function.aileron]\nmodel = "odd"'),),
        found=(advice("model-unknown", "one.toml:12: function.aileron.model: the fleet map has no model 'odd', so its "
                      "rating cannot be checked; it has: small"),),
    ),
    "a firmware that is not listed": Case(
        airframe=(('[function.aileron]\nmodel = "small"', '[function.aileron]\nmodel = "small"\nfirmware = "0.9"'),),
        found=(error("firmware-unlisted", "one.toml:13: function.aileron.firmware: 0.9 is not among those the fleet map "
                     "lists for 'small': 1.0, 1.1"),),
    ),
    "a firmware where none is listed": Case(
        airframe=(('[function.aileron]\nmodel = "small"', '[function.aileron]\nmodel = "small"\nfirmware = "0.9"'),),
        fleet=(('firmware = ["1.0", "1.1"]', ""),),
        found=(),
    ),
    "a pack above the rating": Case(
        airframe=(("full = 8.4", "full = 8.7"),),
        found=(error("supply-above-rating", "one.toml:5: supply.full ('throttle', 'aileron', 'rudder-a', 'rudder-b'): a "
                     "full pack of 8.70 V is above the rating: 'small' is rated for 4.80..8.40 V"),),
    ),
    "a pack that falls below the rating": Case(
        airframe=(("empty = 6.4", "empty = 4.7"),),
        settings="under-voltage = 4.6",
        found=(advice("supply-below-rating", "one.toml:6: supply.empty ('throttle', 'aileron', 'rudder-a', 'rudder-b'): an "
                      "empty pack of 4.70 V is below the rating: 'small' is rated for 4.80..8.40 V"),),
    ),
    "a pack below the rating": Case(
        airframe=(("full = 8.4", "full = 4.7"), ("empty = 6.4", "")),
        settings="under-voltage = 4.0",
        found=(error("supply-below-rating", "one.toml:5: supply.full ('throttle', 'aileron', 'rudder-a', 'rudder-b'): even "
                     "a full pack of 4.70 V is below the rating: 'small' is rated for 4.80..8.40 V"),),
    ),
    "a pack that is not stated": Case(
        airframe=(("[supply]\nfull = 8.4\nempty = 6.4\n", ""),),
        found=(advice("supply-unstated", "one.toml: : there is no [supply] and no [pack], so the rating of the actuators "
                      "cannot be checked"),),
    ),
    "voltages exchanged": Case(
        airframe=(("full = 8.4\nempty = 6.4", "full = 6.4\nempty = 8.4"),),
        fleet=(("supply = [4.8, 8.4]", "supply = [8.4, 4.8]"),),
        found=(
            error("supply-exchanged", "one.toml:6: supply.empty: 8.40 V is above the full pack of 6.40 V"),
            error("supply-exchanged", "fleet.toml:6: model.small.supply: the lower voltage stands first: 4.80, 8.40"),
        ),
    ),
    "a low supply that would always be reported": Case(
        airframe=of_aileron("under-voltage = 8.5"),
        found=(error("under-voltage-above-pack", "one.toml:12: function.aileron.settings.under-voltage: 8.500 V is above a "
                     "full pack of 8.40 V: a low supply would always be reported"),),
    ),
    "a low supply that is reported early": Case(
        airframe=of_aileron("under-voltage = 6.5"),
        found=(advice("under-voltage-early", "one.toml:12: function.aileron.settings.under-voltage: 6.500 V is above an "
                      "empty pack of 6.40 V: reported before the pack is used up"),),
    ),
    "a low supply at the very limit of the pack": Case(
        airframe=of_aileron("under-voltage = 8.4"),
        found=(advice("under-voltage-early", ""),),
    ),
    "a low supply where the pack ends": Case(airframe=of_aileron("under-voltage = 6.4"), found=()),
    "a low supply that is never reported": Case(
        settings="",
        airframe=of_aileron("under-voltage = 0"),
        found=(
            advice("under-voltage-unstated", "one.toml:9: function ('throttle', 'rudder-a', 'rudder-b'): "),
            advice("under-voltage-unstated", "one.toml:12: function.aileron.settings.under-voltage: "),
        ),
    ),
    "too much for the bus": Case(
        bus="baud = 9600\ndemands-per-second = 50",
        found=(error("bus-too-slow", "one.toml:7: bus: the demands of 4 channels take 22.9 ms of a cycle of 20.0 ms (115 %) "
                     "at 9600 Bd; at most 2 channels would fit; each of these would do: baud = 115200, "
                     "demands-per-second = 43"),),
    ),
    "too many reports for the bus": Case(
        bus="demands-per-second = 100\nreports = true",
        found=(error("bus-too-slow", "one.toml:7: bus: the demands of 4 channels and a report of each of 4 actuators take "
                     "11.0 ms of a cycle of 10.0 ms (110 %) at 115200 Bd; at most 4 actuators at neighbouring addresses would "
                     "fit; each of these would do: baud = 230400, demands-per-second = 90, reports = false"),),
    ),
    # --- at the last number that fits, and one step beyond it ---
    "a time-out as long as the time between two demands": Case(
        bus="demands-per-second = 10", airframe=of_aileron("loss-time-out = 100"),
        found=(advice("loss-time-out-short", ""),),
    ),
    "a time-out of three demands": Case(
        bus="demands-per-second = 10", airframe=of_aileron("loss-time-out = 300"), found=(),
    ),
    "a time-out of nearly three demands": Case(
        bus="demands-per-second = 10", airframe=of_aileron("loss-time-out = 299"),
        found=(advice("loss-time-out-short", ""),),
    ),
    "a pack just above the rating": Case(airframe=(("full = 8.4", "full = 8.41"),), found=(error("supply-above-rating", ""),)),
    "a pack that ends with the rating": Case(
        airframe=(("empty = 6.4", "empty = 4.8"),), settings="under-voltage = 4.8", found=(),
    ),
    "a pack that ends just below the rating": Case(
        airframe=(("empty = 6.4", "empty = 4.79"),), settings="under-voltage = 4.79",
        found=(advice("supply-below-rating", ""),),
    ),
    "a full pack that just has the rating": Case(
        airframe=(("full = 8.4", "full = 4.8"), ("empty = 6.4", "")), settings="under-voltage = 4.0", found=(),
    ),
    "a pack and a rating of one voltage": Case(
        airframe=(("empty = 6.4", "empty = 8.4"),), fleet=(("supply = [4.8, 8.4]", "supply = [8.4, 8.4]"),), found=(),
    ),
    "a preset at an end": Case(
        airframe=of_aileron('loss-action = "preset", preset = -60, end-low = -60'), found=(),
    ),
    "a preset at the other end": Case(
        airframe=of_aileron('loss-action = "preset", preset = 60, end-high = 60'), found=(),
    ),
    "a preset at a stop": Case(
        airframe=of_aileron('loss-action = "preset", preset = 75, travel = 100'),
        fleet=(("mechanical-travel = 180", "mechanical-travel = 150"),), found=(),
    ),
    "a preset one step beyond a stop": Case(
        airframe=of_aileron('loss-action = "preset", preset = -75.01, travel = 100'),
        fleet=(("mechanical-travel = 180", "mechanical-travel = 150"),), found=(error("preset-outside", ""),),
    ),
    "ends just as far as the travel": Case(airframe=of_aileron("end-low = -60, end-high = 60"), found=()),
    "an end one step nearer": Case(airframe=of_aileron("end-high = 59.99"), found=(error("end-cuts-travel", ""),)),
    "stops just as far as the travel": Case(fleet=(("mechanical-travel = 180", "mechanical-travel = 120"),), found=()),
    "stops a step nearer": Case(
        fleet=(("mechanical-travel = 180", "mechanical-travel = 119.99"),), found=(error("stops-cut-travel", ""),),
    ),
    "one of a gang that stops earlier at its lower end alone": Case(
        airframe=of_rudder("end-low = -50", ""), found=(error("end-cuts-travel", ""), error("gang-unlike", "")),
    ),
    "one of a gang that stops earlier at its upper end alone": Case(
        airframe=of_rudder("", "end-high = 50"), found=(error("end-cuts-travel", ""), error("gang-unlike", "")),
    ),
    "two of a gang one step apart": Case(
        airframe=of_rudder("end-low = -59.98", "end-low = -59.99"),
        found=(error("end-cuts-travel", ""), error("end-cuts-travel", ""), error("gang-unlike", "")),
    ),
}  # fmt: skip
