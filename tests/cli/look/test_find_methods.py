"""`busproto find --method`: the classic ways find, say what they cannot do, and never claim to be complete."""

from __future__ import annotations

import pytest

from busproto.cli import exit_codes
from busproto.ops.discovery.methods import METHODS
from busproto.wire.messages import PrefixQuery, Report, ReportRound, SlottedCall, Suppress
from tests.cli.helpers import HARMLESS, Bench, CommandLine, make_bench

NOT_OF_THE_SEARCH = (Suppress, Report, ReportRound)
"""What is no query, and the look behind it at who is engaged."""
CLASSIC = [name for name, method in METHODS.items() if method.cannot]


def words(text: str) -> str:
    """The text without its line breaks and paddings."""
    return " ".join(text.split())


def test_backoff_is_the_default_and_the_only_one_that_proves() -> None:
    assert next(iter(METHODS)) == "backoff"
    assert set(METHODS) - set(CLASSIC) == {"backoff"}
    assert set(CLASSIC) >= {"poll", "tree-2", "tree-4", "slots", "bits"}


@pytest.mark.parametrize("name", METHODS)
def test_help_says_how_each_works(name: str, cli: CommandLine) -> None:
    result = cli("find", "--help")
    assert result.code == 0
    assert words(f"{name} {METHODS[name].text}") in words(result.out)


def test_the_list_needs_no_port(cli: CommandLine) -> None:
    result = cli("find", "--list-methods")
    assert (result.code, result.err) == (0, "")
    columns = words(result.out)
    for name, method in METHODS.items():
        assert name in columns
        assert method.text.split()[0] in columns
    assert "(it proves its list)" in columns


@pytest.mark.parametrize("arguments", ["--list-methods --json", "--json --list-methods"])
def test_the_list_as_json(arguments: str, cli: CommandLine) -> None:
    result = cli(f"find {arguments}")
    assert (result.code, result.err) == (0, "")
    assert result.json == {
        "methods": [
            {"name": name, "how": method.text, "cannot": method.cannot, "proves": name == "backoff"}
            for name, method in METHODS.items()
        ],
        "default": "backoff",
    }


@pytest.mark.parametrize("name", [name for name in CLASSIC if name != "poll"])
def test_a_classic_method_lists_all_and_says_what_it_cannot(name: str, cli: CommandLine, bench: Bench) -> None:
    before = bench.settings()
    result = cli(f"find --port sim://bench-four --seed 1 --method {name}")
    assert (result.code, result.err) == (exit_codes.NOT_AS_WANTED, "")
    for actuator in bench.bus.actuators:
        assert actuator.uid.hex() in result.out
    assert "4 actuators found, NOT PROVEN complete: " + METHODS[name].cannot in words(result.out)
    assert (
        f"{name}: {len([one for one in bench.requests if not isinstance(one, NOT_OF_THE_SEARCH)])} queries in "
        in result.out
    )
    assert bench.settings() == before
    assert all(isinstance(request, (*HARMLESS, Suppress, PrefixQuery, SlottedCall)) for request in bench.requests)


def test_polling_sees_only_who_is_alone_at_an_address(cli: CommandLine, bench: Bench) -> None:
    result = cli("find --port sim://bench-four --method poll --json")
    assert (result.code, result.err) == (exit_codes.NOT_AS_WANTED, "")
    assert result.json["proven"] is False
    assert result.json["reason"] == METHODS["poll"].cannot
    addresses = [one.address for one in bench.bus.actuators]
    alone = {one.uid.hex() for one in bench.bus.actuators if addresses.count(one.address) == 1 and one.address < 240}
    assert {one["uid"] for one in result.json["actuators"]} == alone
    assert len(alone) < len(addresses)


@pytest.mark.parametrize("name", METHODS)
def test_the_json_keys_are_the_same_for_each(name: str, cli: CommandLine, monkeypatch: pytest.MonkeyPatch) -> None:
    make_bench(monkeypatch)
    usual = cli("find --port sim://bench-four --json").json
    make_bench(monkeypatch)
    result = cli(f"find --port sim://bench-four --json --method {name}")
    assert list(result.json) == list(usual)
    assert result.json["method"] == name
    assert usual["method"] == "backoff"
    assert result.json["proven"] is (name == "backoff")


def test_the_method_by_name_is_the_default(cli: CommandLine, monkeypatch: pytest.MonkeyPatch) -> None:
    make_bench(monkeypatch)
    usual = cli("find --port sim://bench-four --seed 7")
    make_bench(monkeypatch)
    named = cli("find --port sim://bench-four --seed 7 --method backoff")
    assert (named.code, named.out) == (usual.code, usual.out)


@pytest.mark.parametrize("option", ["--expect 4", "--wanted-error 1e-6"])
def test_what_a_classic_method_does_not_know_is_refused(option: str, cli: CommandLine, bench: Bench) -> None:
    result = cli(f"find --port sim://bench-four --method tree-2 {option}")
    assert result.code == exit_codes.USAGE
    assert "tree-2" in result.error_line
    assert bench.requests == []


def test_an_unknown_method_is_refused_with_the_names(cli: CommandLine, bench: Bench) -> None:
    result = cli("find --port sim://bench-four --method guess")
    assert result.code == exit_codes.USAGE
    assert all(name in result.error_line for name in METHODS)
    assert bench.requests == []
