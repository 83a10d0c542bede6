"""``busproto match`` on the command line: cautions first, figures kept beside the airframe and shown on the card."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path
from typing import Final

import pytest

from busproto.cautions import CAUTIONS
from busproto.wire.frame import BROADCAST_ADDRESS
from tests.cli.helpers import Bench, CommandLine, make_bench
from tests.plan.airframes import EXAMPLE
from tests.plan.calibration.helpers import MIDDLE, shipped

SPARE: Final = """
[[actuator]]
label = "spare"
model = "bench 40"
uid = "90d00000000000f0"
settings = { correction = [1.0, -1.0] }

[[event]]
what = "unplug"
at = 0.0
actuator = "spare"

[[surface]]
"""


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    for file in (EXAMPLE.parent / "rudder").iterdir():
        shutil.copy(file, tmp_path / file.name)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("BUSPROTO_PORT", "sim://rudder-gang")
    Path("with-spare.toml").write_text(shipped().replace("[[surface]]\n", SPARE), "utf-8")
    bench = make_bench(monkeypatch, "with-spare.toml", seed=1)
    bench.bus.kernel.run_until(0)
    return bench


def words(text: str) -> str:
    return " ".join(text.replace("\N{NO-BREAK SPACE}", " ").split())


def test_matched_kept_and_all_others_agree(cli: CommandLine, bench: Bench) -> None:
    """Before, after, and when another table is set by hand: audit, trial and card say the same."""
    assert cli("apply rudder.toml --yes --by-address").code == 0
    assert cli("save --airframe rudder.toml").code == 0
    for line in ("audit rudder.toml", "trial rudder.toml --part centre --clear", "card --airframe rudder.toml"):
        never = cli(line)
        assert never.code == 3
        assert "rudder: not matched" in words(never.out)
    done = cli("match rudder.toml rudder --clear --stations 17 --looks 2 --plot rudder.svg")
    assert done.code == 0, done.transcript()
    assert all(caution in done.err for caution in CAUTIONS)
    assert "The tables are stored, and were read back." in done.out
    assert "o before, x after" in done.out
    assert Path("rudder.svg").read_bytes().startswith(b"<?xml")
    kept = json.loads(Path("rudder.match.json").read_text("utf-8"))["gangs"]["rudder"]
    assert kept["figures_after"]["greatest_deg"] < 0.2 * kept["figures_before"]["greatest_deg"]
    assert [one["function"] for one in kept["members"]] == ["rudder, middle", "rudder, lower"]
    # what is printed is what is kept, figure by figure
    printed = re.findall(r"(\S+: greatest mismatch|rms)\s+([\d.]+) deg\s+([\d.]+) deg", done.out)
    figures = [tuple(map(float, row[1:])) for row in printed]
    assert figures == [
        (pytest.approx(one[f"{kind}_before_deg"], abs=6e-4), pytest.approx(one[f"{kind}_after_deg"], abs=6e-4))
        for one in kept["members"]
        for kind in ("greatest", "rms")
    ]
    for one in kept["members"]:
        assert 0 < one["rms_after_deg"] < one["greatest_after_deg"] < one["rms_before_deg"] < one["greatest_before_deg"]
    audited = cli("audit rudder.toml --json")
    assert (audited.code, audited.json["as_planned"], audited.json["unmatched"]) == (0, True, {})
    tried = cli("trial rudder.toml --clear")
    assert tried.code == 0, tried.transcript()
    assert cli("save --airframe rudder.toml").code == 0
    carded = cli("card --airframe rudder.toml --json")
    assert (carded.code, carded.json["passed_count"]) == (0, 3)
    assert f"{kept['members'][0]['greatest_after_deg']:.2f} deg" in words(Path("rudder.card.html").read_text("utf-8"))
    # another table than was found then: the figures are not its any more
    assert cli("set 31 correction=none --store").code == 0
    assert cli("save --airframe rudder.toml").code == 0
    why = "not matched since: the correction table of rudder, middle is another now"
    for line in ("audit rudder.toml", "trial rudder.toml --part centre --clear", "card --airframe rudder.toml"):
        since = cli(line)
        assert since.code == 3
        assert f"rudder: {why}" in words(since.out)
    assert why in words(Path("rudder.card.html").read_text("utf-8"))
    # another actuator: it has no table, though the old one had one and it brought one along
    bench.actuator("rudder, lower").power_off()
    spare = bench.actuator("spare")
    spare.power_on()
    done = cli('replace "rudder, lower" --airframe rudder.toml --yes')
    assert done.code == 0, done.transcript()
    assert "but no correction table" in words(done.out)
    assert "Match it anew before use" in done.out
    assert spare.settings.stored()["correction"] == ()
    assert cli(f"set 31 correction={','.join(map(str, kept['members'][0]['table_deg']))} --store").code == 0
    assert cli("save --airframe rudder.toml").code == 0
    for line in ("audit rudder.toml", "card --airframe rudder.toml"):
        since = cli(line)
        assert since.code == 3
        assert "rudder: not matched since: another actuator is in rudder, lower now" in words(since.out)


@pytest.fixture
def rod_off(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> Bench:
    """The same, where the middle one's rod is off."""
    text = shipped()
    assert MIDDLE in text
    Path("off.toml").write_text(text.replace(MIDDLE, ""), "utf-8")
    return make_bench(monkeypatch, "off.toml", seed=1)


def test_a_rod_that_is_off_is_refused_and_the_tables_are_read_back(cli: CommandLine, rod_off: Bench) -> None:
    assert cli("set 31 correction=0.2,0.1,-0.3 --store").code == 0
    kept = rod_off.settings()
    done = cli("match rudder.toml rudder --clear --stations 12 --looks 1 --plot rudder.svg")
    assert done.code == 3
    assert "Refused: rudder, middle was not carried along by rudder, upper: it went 0." in words(done.out)
    assert "Nothing was stored. The tables are as they were before; that was read back." in words(done.out)
    assert "stored, and" not in done.out
    assert not Path("rudder.svg").exists()
    assert "refused before there was a curve" in done.err
    assert rod_off.settings() == kept
    body = json.loads(Path("rudder.match.json").read_text("utf-8"))["gangs"]["rudder"]
    assert (body["stored"], body["table_state"], body["not_read_back"], body["figures_before"]) == (
        False,
        "as before",
        {},
        None,
    )
    audited = cli("audit rudder.toml")
    assert audited.code == 3
    assert "rudder: not matched: the last try was refused: rudder, middle was not carried along" in words(audited.out)


def test_tables_that_cannot_be_read_back_are_exit_code_1(cli: CommandLine, rod_off: Bench) -> None:
    """It falls silent when all was measured: what is asked of it by address then is about its table."""

    def look(_: int) -> None:
        if "Demand" in rod_off.changing and rod_off.frames[-1].destination == BROADCAST_ADDRESS:
            rod_off.actuator("rudder, middle").is_mute = True

    rod_off.before_write = look
    done = cli("match rudder.toml rudder --clear --stations 12 --looks 1")
    assert done.code == 1, done.transcript()
    assert "correction table of rudder, middle is as before is NOT KNOWN" in words(done.out)
    assert "read back." not in done.out


def test_nothing_moves_without_an_answer(cli: CommandLine, bench: Bench) -> None:
    done = cli("match rudder.toml rudder")
    assert done.code == 4
    assert bench.changing == []


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("match rudder.toml elevator", "has no gang 'elevator'; there are: rudder"),
        ("match none.toml rudder", "cannot be read"),
        ("match rudder.toml rudder --stations 3", "--stations"),
        ("match rudder.toml rudder --plot x.txt", "a name that ends in .svg"),
    ],
)
def test_bad_input_sends_nothing(cli: CommandLine, bench: Bench, line: str, says: str) -> None:
    done = cli(line)
    assert (done.code, done.out) == (2, "")
    assert says in done.error_line
    assert bench.frames == []


def test_a_member_that_is_missing_or_another_kind_is_refused(cli: CommandLine, bench: Bench) -> None:
    bench.actuator("rudder, lower").power_off()
    done = cli("match rudder.toml rudder --clear")
    assert done.code == 2
    assert "rudder, lower is missing" in done.error_line
    assert bench.changing == []


def test_a_file_of_figures_that_cannot_be_read_is_kept_aside(cli: CommandLine, rod_off: Bench) -> None:
    Path("rudder.match.json").write_text("{torn", "utf-8")
    assert cli("match rudder.toml rudder --clear --stations 12 --looks 1").code == 3
    assert Path("rudder.match.json.unreadable").read_text("utf-8") == "{torn"
