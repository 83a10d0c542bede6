"""Records: the fingerprint and its published vectors, the file there and back, what is said of torn and edited ones."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from pathlib import Path
from typing import Any, Final

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busproto.errors import FileError, InputError
from busproto.ops.survey import survey
from busproto.plan.airframe.record import (
    Entry,
    Rating,
    Record,
    Unread,
    canonical,
    goals_of,
    record_of,
    sha256_hex,
    short,
)
from busproto.plan.airframe.record_file import (
    load_record,
    parse_record,
    record_text,
    save_record,
)
from busproto.wire.frame import UNADDRESSED
from busproto.wire.parameters import BY_NAME, FACTORY, PARAMETERS, Parameter, RawValue, disagreement
from tests.ops.helpers import box, uid_of

RATING: Final = Rating(4800, 8400, 2500, 3200, 375, 20000)
MADE: Final = "2024-05-04T10:20:30+02:00"


def entry(number: int, address: int | None = None, function: str = "", **changes: Any) -> Entry:
    """One of a record; `changes` are fields, or settings with _ for -."""
    settings = dict(FACTORY)
    fields: dict[str, Any] = {}
    for name, value in changes.items():
        if name.replace("_", "-") in BY_NAME:
            settings[name.replace("_", "-")] = value
        else:
            fields[name] = value
    made = Entry(uid_of(number), address or number, function, "bench 25", "2.4", RATING, settings)
    return dataclasses.replace(made, **fields)


def record(*entries: Entry, **changes: Any) -> Record:
    """A proven record."""
    made = Record("Glider", "Glider", MADE, True, "", 1e-6, tuple(sorted(entries, key=lambda one: one.address)))
    return dataclasses.replace(made, **changes)


def raw_values(row: Parameter) -> st.SearchStrategy[RawValue]:
    """Any raw value of a parameter."""
    single = st.integers(row.low, row.high)
    if not row.points:
        return single
    return st.just(()) | st.lists(single, min_size=2, max_size=row.points).map(tuple)


def agreeing(values: dict[str, RawValue]) -> dict[str, RawValue]:
    """The same with a flatter correction table where it was too steep for the travel."""
    table = values["correction"]
    assert isinstance(table, tuple)
    flat = tuple(one // (2 * len(table)) for one in table)
    return {**values, "correction": flat} if disagreement(values) else values


ANY_SETTINGS: Final = st.fixed_dictionaries({row.name: raw_values(row) for row in PARAMETERS.values()}).map(agreeing)
WORDS: Final = st.text(st.characters(exclude_categories=["Cc", "Cs"]), max_size=40)


@st.composite
def any_records(draw: st.DrawFn) -> Record:
    """Any record that a bus could give."""
    addresses = draw(st.lists(st.integers(1, 239), max_size=3, unique=True))
    entries = [
        Entry(
            uid_of(number),
            address,
            draw(st.sampled_from(["", f"function {number}"])),
            draw(WORDS),
            f"{draw(st.integers(0, 255))}.{draw(st.integers(0, 255))}",
            Rating(*(draw(st.integers(0, 0xFFFF)) for _ in range(6))),
            draw(ANY_SETTINGS),
            tuple(draw(st.lists(st.sampled_from(sorted(BY_NAME)), unique=True, max_size=3))),
            draw(st.integers(0, 0xFFFF)),
        )
        for number, address in enumerate(sorted(addresses))
    ]
    unread = [Unread(uid_of(100 + n), at, draw(WORDS)) for n, at in enumerate(draw(st.lists(st.integers(1, 240))))]
    proven = draw(st.booleans())
    return Record(
        draw(WORDS),
        draw(WORDS),
        MADE,
        proven,
        "" if proven else draw(WORDS),
        draw(st.floats(0, 1)),
        tuple(entries),
        tuple(unread[:2]),
    )


# --- published values ---------------------------------------------------------------------------------------------


def test_the_sum_is_that_of_the_standard() -> None:
    """SHA-256("abc"): the example of FIPS 180-4."""
    assert sha256_hex(b"abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_canonical_json_is_that_of_the_rfc() -> None:
    """RFC 8785: keys sorted, numbers as ECMAScript prints them, text as UTF-8."""
    given_: dict[str, Any] = {"b": 1.0, "a": [1e21, 0.1, "\N{EURO SIGN}"]}
    assert canonical(given_) == '{"a":[1e+21,0.1,"\N{EURO SIGN}"],"b":1}'.encode()


def test_the_fingerprint_can_be_made_again_from_the_file_alone() -> None:
    """By the rule in the module's docstring, with the standard library: all numbers here are plain decimals."""
    made = record(entry(2, 7, neutral=-150, correction=(0, 12, -5)), entry(1, 9, under_voltage=5250))
    file = json.loads(
        record_text(made), parse_float=lambda text: int(text[:-2]) if text.endswith(".0") else float(text)
    )
    actuators = [
        {key: row[key] for key in ("uid", "address", "model", "firmware", "settings")} for row in file["actuators"]
    ]
    body = {"actuators": sorted(actuators, key=lambda row: str(row["uid"])), "unread": []}
    text = json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    assert hashlib.sha256(text.encode()).hexdigest() == made.fingerprint == file["fingerprint"]


# --- what counts --------------------------------------------------------------------------------------------------

BASE: Final = record(entry(1, 3, "aileron"), entry(2, 4, "rudder"))


@pytest.mark.parametrize(
    "other",
    [
        dataclasses.replace(BASE, title="another", airframe="another", made="2031-01-01T00:00:00+00:00"),
        dataclasses.replace(BASE, remaining_error=0.5),
        dataclasses.replace(BASE, entries=BASE.entries[::-1]),
        record(entry(1, 3, generation=9), entry(2, 4, unsaved=("neutral",))),
    ],
    ids=["titles and date", "error", "order", "functions, writes, working memory"],
)
def test_what_does_not_matter_does_not_count(other: Record) -> None:
    assert other.fingerprint == BASE.fingerprint


@pytest.mark.parametrize("name", sorted(BY_NAME))
def test_every_setting_counts_by_its_least_step(name: str) -> None:
    row = BY_NAME[name]
    raw = FACTORY[name]
    near: RawValue = (0, 1) if isinstance(raw, tuple) else raw - 1 if raw == row.high else raw + 1
    other = record(entry(1, 3, settings={**FACTORY, name: near}), entry(2, 4))
    assert other.fingerprint != BASE.fingerprint


@pytest.mark.parametrize(
    "other",
    [
        record(entry(1, 5), entry(2, 4)),
        record(entry(1, 4), entry(2, 3)),
        record(entry(9, 3), entry(2, 4)),
        record(entry(1, 3, model="bench 40"), entry(2, 4)),
        record(entry(1, 3, firmware="2.5"), entry(2, 4)),
        record(entry(1, 3)),
        dataclasses.replace(BASE, unread=(Unread(uid_of(7), 9, ""),)),
    ],
    ids=["address", "two changed over", "uid", "model", "firmware", "one fewer", "one not read"],
)
def test_who_and_where_count(other: Record) -> None:
    assert other.fingerprint != BASE.fingerprint


def test_the_short_form_is_the_first_twelve_digits() -> None:
    assert short(BASE.fingerprint).replace(" ", "") == BASE.fingerprint[:12]


# --- the file -------------------------------------------------------------------------------------------------------


@given(any_records())
def test_there_and_back(made: Record) -> None:
    back = parse_record(record_text(made), "x")
    assert back == made
    assert not back.edited
    assert back.fingerprint == made.fingerprint


TEXT: Final = record_text(BASE)


@given(st.integers(0, len(TEXT) - 2))
def test_a_torn_file_is_refused(length: int) -> None:
    with pytest.raises(FileError, match="not whole JSON"):
        parse_record(TEXT[:length], "torn.json")


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('"neutral": 0.0', '"neutral": 1.5', "fingerprint differs"),
        ('"address": 3', '"address": 5', "fingerprint differs"),
        ('"bench 25"', '"bench 40"', "fingerprint differs"),
        ('"title": "Glider"', '"title": "Tug"', "fingerprint holds"),
        ('"function": "aileron"', '"function": "flap"', "fingerprint holds"),
        ('"proven": true', '"proven": false', "fingerprint holds"),
        ('"supply-v": [4.8, 8.4]', '"supply-v": [4.8, 9.4]', "fingerprint holds"),
    ],
)
def test_an_edited_file_is_known(old: str, new: str, said: str) -> None:
    assert old in TEXT
    (text,) = parse_record(TEXT.replace(old, new, 1), "x").edited
    assert said in text


def test_other_spaces_and_another_order_of_keys_are_no_edit() -> None:
    assert not parse_record(json.dumps(json.loads(TEXT), sort_keys=True), "x").edited


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('"neutral": 0.0', '"neutral": 99', "aileron: neutral: 99.00 deg is outside -30.00..30.00 deg"),
        ('"neutral": 0.0', '"neutral": 0.001', "aileron: neutral: 0.001 is finer than its step"),
        ('"neutral": 0.0', '"neural": 0.0', "aileron: there is no parameter 'neural'"),
        ('"loss-action": "limp"', '"loss-action": "dance"', "aileron: loss-action: 'dance'"),
        ('"address": 3', '"address": 4', "address 4 is there twice"),
        (uid_of(1).hex(), uid_of(2).hex(), f"uid {uid_of(2).hex()} is there twice"),
        ('"function": "aileron"', '"function": "rudder"', "function rudder is there twice"),
        ('"address": 3', '"address": 240', r"\$.actuators\[0\].address"),
        ('"bus-record": 1', '"bus-record": 2', "bus-record"),
        ('"bus-record": 1', '"box-record": 1', "not a record"),
        ('"title": "Glider"', '"title": "Glider", "mood": 1', "mood"),
        ('"neutral": 0.0', '"neutral": NaN', "not whole JSON"),
        ('"correction": []', '"correction": [0, 10, -10, 0, 10, -10, 0, 10]', "move the arm back"),
    ],
)
def test_what_cannot_be_is_refused_with_its_place(old: str, new: str, said: str) -> None:
    assert old in TEXT
    with pytest.raises(FileError, match=said.replace("..", r"\.\.")):
        parse_record(TEXT.replace(old, new, 1), "x")


@given(st.binary(max_size=60) | st.recursive(st.none() | st.integers() | st.text(), st.lists).map(json.dumps))
def test_anything_else_is_refused(content: bytes | str) -> None:
    text = content if isinstance(content, str) else content.decode("latin-1")
    with pytest.raises(FileError):
        parse_record(text, "x")


def test_a_missing_file_is_the_users_matter(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        load_record(tmp_path / "none.json")


def test_nothing_is_lost_when_a_record_is_written_over(tmp_path: Path) -> None:
    path = tmp_path / "a.record.json"
    path.write_bytes(b"\xff not ours")
    (tmp_path / "a.record.2.json").write_text("taken", "utf-8")
    assert save_record(path, BASE) == tmp_path / "a.record.1.json"
    assert save_record(path, record(entry(1))) == tmp_path / "a.record.3.json"
    assert (tmp_path / "a.record.1.json").read_bytes() == b"\xff not ours"
    assert (tmp_path / "a.record.2.json").read_text("utf-8") == "taken"
    assert load_record(tmp_path / "a.record.3.json") == BASE
    assert load_record(path) == record(entry(1))


def test_the_first_record_keeps_nothing(tmp_path: Path) -> None:
    assert save_record(tmp_path / "a.json", BASE) is None
    assert [path.name for path in tmp_path.iterdir()] == ["a.json"]


# --- from a bus -----------------------------------------------------------------------------------------------------


def test_a_bus_is_recorded_with_everything_that_is_stored() -> None:
    subject = box()
    first = subject.add(1, 3, neutral=150, correction=(0, 20, -10))
    subject.add(2, 4, channel=4)
    first.settings.working["travel"] = 9000
    made = record_of(subject.run(survey()), title="t", made=MADE, functions={uid_of(2): "rudder"})
    assert made.flaws == []
    assert [(one.uid, one.address, one.function) for one in made.entries] == [
        (uid_of(1), 3, ""),
        (uid_of(2), 4, "rudder"),
    ]
    one = made.entries[0]
    assert one.settings == {**FACTORY, "neutral": 150, "correction": (0, 20, -10)}
    assert one.unsaved == ("travel",)
    assert (one.model, one.firmware) == ("bench 25", "2.4")
    assert one.rating == Rating(4800, 8400, 2500, 4000, 400, 20000)
    assert made.entries[1].unsaved == ()


def test_those_who_cannot_be_read_are_named() -> None:
    subject = box(3)
    subject.add(1, 3)
    subject.add(2, 7)
    subject.add(3, 7)
    subject.add(4)
    made = record_of(subject.run(survey()), title="t", made=MADE, functions={})
    assert [one.uid for one in made.entries] == [uid_of(1)]
    assert [(one.uid, one.address) for one in made.unread] == [
        (uid_of(2), 7),
        (uid_of(3), 7),
        (uid_of(4), UNADDRESSED),
    ]
    assert made.flaws == [
        f"address 7 is shared, so not read: {uid_of(2).hex()}, {uid_of(3).hex()}",
        f"without an address, so not read: {uid_of(4).hex()}",
    ]
    assert made.unread[0].why == f"it shares address 7 with {uid_of(3).hex()}"
    assert parse_record(record_text(made), "x") == made


def test_one_alone_at_its_address_that_could_not_be_read_is_named_with_the_reason() -> None:
    lone = Unread(uid_of(1), 3, "it did not answer")
    assert record(unread=(lone,)).flaws == [f"not read: {uid_of(1).hex()}: it did not answer"]


def test_a_search_that_is_not_proven_is_a_flaw() -> None:
    assert record(proven=False, reason="noise").flaws == ["the search was not proven complete: noise"]


def test_an_actuator_is_found_by_function_or_uid() -> None:
    assert BASE.entry("aileron") is BASE.entries[0]
    assert BASE.entry(uid_of(2).hex()) is BASE.entries[1]
    with pytest.raises(InputError, match="no function 'flap'; there are: aileron, rudder"):
        BASE.entry("flap")
    with pytest.raises(InputError, match="saved without the airframe file"):
        record(entry(1)).entry("")


def test_a_goal_for_each_with_all_its_settings() -> None:
    goals = goals_of(record(entry(1, 3, "aileron", neutral=5), entry(2, 4)))
    assert [(goal.uid, goal.name, goal.address) for goal in goals] == [
        (uid_of(1), "aileron", 3),
        (uid_of(2), "bench 25 at 4", 4),
    ]
    assert goals[0].settings == {**FACTORY, "neutral": 5}
