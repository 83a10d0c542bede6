"""``busproto match`` on the command line: cautions first, figures kept beside the airframe and shown on the card."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from busproto.cautions import CAUTIONS
from tests.cli.helpers import Bench, CommandLine, make_bench
from tests.plan.airframes import EXAMPLE


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    for file in (EXAMPLE.parent / "rudder").iterdir():
        shutil.copy(file, tmp_path / file.name)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("BUSPROTO_PORT", "sim://rudder-gang")
    bench = make_bench(monkeypatch, "rudder-gang", seed=1)
    bench.bus.kernel.run_until(0)
    return bench


def test_matched_kept_and_shown_on_the_card(cli: CommandLine, bench: Bench) -> None:
    done = cli("match rudder.toml rudder --clear --stations 17 --looks 2 --plot rudder.svg")
    assert done.code == 0, done.transcript()
    assert all(caution in done.err for caution in CAUTIONS)
    assert "The tables are stored." in done.out
    assert "o before, x after" in done.out
    assert Path("rudder.svg").read_bytes().startswith(b"<?xml")
    kept = json.loads(Path("rudder.match.json").read_text("utf-8"))["gangs"]["rudder"]
    assert kept["after"]["greatest_deg"] < 0.2 * kept["before"]["greatest_deg"]
    assert [one["function"] for one in kept["members"]] == ["rudder, middle", "rudder, lower"]
    assert cli("save --airframe rudder.toml").code == 0
    assert cli("card --airframe rudder.toml --svg card.svg").code == 0
    for page in ("rudder.card.html", "card.svg"):
        text = Path(page).read_text("utf-8").replace("\N{NO-BREAK SPACE}", " ")
        assert f"{kept['members'][0]['greatest_after_deg']:.2f} deg" in " ".join(text.split())
    # another table than was found then: the figures are not its any more
    assert cli("set 31 correction=none --store").code == 0
    assert cli("save --airframe rudder.toml").code == 0
    assert cli("card --airframe rudder.toml").code == 0
    assert "match again" in Path("rudder.card.html").read_text("utf-8").replace("\N{NO-BREAK SPACE}", " ")


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


def test_a_file_of_figures_that_cannot_be_read_is_kept_aside(cli: CommandLine, bench: Bench) -> None:
    Path("rudder.match.json").write_text("{torn", "utf-8")
    assert cli("match rudder.toml rudder --clear --stations 12 --looks 1").code == 0
    assert Path("rudder.match.json.unreadable").read_text("utf-8") == "{torn"
