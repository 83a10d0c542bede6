"""Every number that the page gives as an example, reproduced by a codec that was written from the page."""

from __future__ import annotations

import ast
import re
import sys
from pathlib import Path

import pytest

from tests.independent import codec, messages
from tests.independent.codec import ALL, HOST, UNADDRESSED, Frame, Hash, frame_of, hash_of, pieces_of
from tests.independent.line import IN_ORDER, IN_ROLL_CALL, TIMES_US
from tests.independent.messages import NO_DEMAND, Memory, Op, Parameter, Report, RoundReport, State
from tests.independent.page import PAGE, Example, examples, section, table

EPOCH = 0x5A17
LIST_SALT = 0x91
FIRST = bytes.fromhex("b0a7000000000102")
SECOND = bytes.fromhex("b0a7000000000103")
THIRD = bytes.fromhex("70a90000c4d21ee5")
HOST_FILES = sorted(path for path in Path(__file__).parent.glob("*.py") if not path.name.startswith("test_"))


@pytest.mark.parametrize("file", HOST_FILES, ids=lambda path: path.name)
def test_the_host_imports_nothing_but_the_standard_library_and_itself(file: Path) -> None:
    for node in ast.walk(ast.parse(file.read_text("utf-8"))):
        names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
        names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
        for name in names:
            assert name.split(".")[0] in sys.stdlib_module_names or name.startswith("tests.independent")


def test_the_check_value_of_the_crc() -> None:
    (row,) = table(section("Frame"), "width")
    assert codec.crc24(b"123456789") == int(row["check"], 16)
    assert int(row["poly"], 16) == codec.POLYNOMIAL


def test_the_times_are_those_of_the_page() -> None:
    assert {row["time"]: float(row["us"]) for row in table(section("Times"), "time")} == TIMES_US


def test_operations_outcomes_and_states_are_those_of_the_page() -> None:
    titles = dict(re.findall(r"\n### ([0-9a-f]{2}) ([a-z _]+) \(to", section("Operations")))
    assert {op: titles[f"{op:02x}"].upper().replace(" ", "_") for op in Op} == {op: op.name for op in Op}
    states = {int(row["code"]): row["name"].upper().replace(" ", "_") for row in table(section("States"), "code")}
    assert {int(state): state.name for state in State} == states
    limp = re.search(r"\nLimp, with the drive off, are the states ([0-9, ]+)\.", section("States"))
    assert limp is not None
    assert [int(state) for state in State if state.is_limp] == [int(code) for code in limp[1].split(", ")]


@pytest.mark.parametrize("row", table(section("Vectors"), "uid"), ids=lambda row: f"{row['uid']}-{row['salt']}")
def test_what_comes_from_the_hash(row: dict[str, str]) -> None:
    made = hash_of(bytes.fromhex(row["uid"]), int(row["salt"], 16), int(row["epoch"], 16))
    assert made == Hash(int(row["H"], 16))
    assert made.slot(64) == int(row["slot"])
    assert made.digest == int(row["digest"], 16)
    assert made.list_byte == int(row["list byte"], 16)
    assert made.unlisted_byte == int(row["unlisted actuator byte"], 16)


# --- frames ---


@pytest.mark.parametrize("example", examples(), ids=lambda example: example.title[:40])
def test_a_frame_is_made_and_read_as_the_page_has_it(example: Example) -> None:
    assert codec.stuffed(example.body) == example.encoded
    assert codec.unstuffed(example.encoded) == example.body
    assert codec.crc24(example.encoded) == example.crc24
    assert codec.zero_bits(example.encoded) == example.zero_bits
    assert codec.check_of(example.encoded) == example.check
    (piece,) = pieces_of(example.wire)
    frame = frame_of(piece)
    assert frame is not None
    assert frame.body == example.body
    assert frame.wire == example.wire
    assert example.body.removeprefix(example.header) == frame.payload


def tagged(uid: bytes, source: int, sequence: int, operation: int, payload: bytes) -> Frame:
    return Frame(HOST, source, sequence, operation, payload, codec.tag_of(uid))


LISTED_ADDRESSES = (3, 5)
LIST_DIGESTS = [hash_of(uid, LIST_SALT, EPOCH).digest for uid in (FIRST, SECOND)]
MEANT = {
    "asks the actuator at address 5 for a report": Frame(5, HOST, 7, Op.REPORT),
    "A roll call with 64 slots": Frame(ALL, HOST, 1, Op.ROLL_CALL, messages.roll_call(EPOCH, 0x3C, 64)),
    "answers it with its uid": tagged(FIRST, UNADDRESSED, 1, Op.ROLL_CALL, FIRST),
    "sets parameter 17": Frame(5, HOST, 9, Op.WRITE, b"\x11" + (15).to_bytes(2, "little")),
    "The refusal": tagged(FIRST, 5, 9, Op.WRITE, messages.REFUSED.pack(3, 20, 10000)),
    "Demand: channel 1": Frame(ALL, HOST, 2, Op.DEMAND_ALL, messages.demands((2500, NO_DEMAND, -10000))),
    "A list (member list)": Frame(
        ALL, HOST, 4, Op.MEMBER_LIST, messages.member_list(EPOCH, LIST_SALT, LIST_DIGESTS)[0]
    ),
    "An address list": Frame(ALL, HOST, 5, Op.ADDRESS_LIST, messages.address_list(EPOCH, LIST_SALT, LISTED_ADDRESSES)),
    "A report round": Frame(ALL, HOST, 3, Op.REPORT_ROUND, messages.report_round(3, 3)),
}


@pytest.mark.parametrize("words", MEANT)
def test_a_message_is_the_frame_that_the_page_says_it_is(words: str) -> None:
    (example,) = (one for one in examples() if words in one.title)
    assert MEANT[words].body == example.body


def payload_behind(words: str) -> bytes:
    (example,) = (one for one in examples() if words in one.title)
    return example.body[codec.TAGGED_HEADER :]


def test_reports_say_what_the_page_says_they_say() -> None:
    payload = payload_behind("Its reply: following, at 12.30 deg, 7.4 V")
    assert payload[0] == 0
    report = Report.of(payload[1:])
    assert (report.state, report.position_cdeg, report.supply_mv) == (State.FOLLOWING, 1230, 7400)
    answer = RoundReport.of(payload_behind("The answer of address 5"))
    assert answer == RoundReport(State.FOLLOWING, -450, 60)


def test_every_example_of_the_page_is_used() -> None:
    used = (*MEANT, "Its reply: following", "The answer of address 5")
    assert [one.title for one in examples() if not any(words in one.title for words in used)] == []
    assert len(examples()) == len(used)


# --- answers that are no frames, and when they begin ---

POSITIONS = {
    "list": ({FIRST: 0, SECOND: 1}, IN_ORDER),
    "address list": ({SECOND: 0, FIRST: 1}, IN_ORDER),
    "report round": ({FIRST: 2, SECOND: 0}, IN_ORDER),
}


@pytest.mark.parametrize(
    "row", table(section("Vectors"), "request"), ids=lambda row: f"{row['request']}-{row['uid'][-3:]}"
)
def test_when_and_with_what_each_answers(row: dict[str, str]) -> None:
    positions, slots = POSITIONS[row["request"]]
    uid = bytes.fromhex(row["uid"])
    low, high = (float(us) for us in row["starts, us"].split(".."))
    hashed = hash_of(uid, LIST_SALT, EPOCH)
    if uid in positions:
        assert int(row["slot"]) == positions[uid]
        assert slots.starts_us(positions[uid]) == (low, high)
    else:
        assert row["slot"] == f"one of {len(positions)}..{len(positions) + 3}"
        assert slots.starts_us(len(positions))[0] == low
        assert slots.starts_us(len(positions) + 3)[1] == high
    if row["answer"] != "a frame":
        assert int(row["answer"], 16) == (hashed.list_byte if uid in positions else hashed.unlisted_byte)


def back_off(slot_of: dict[str, int], answer_us: float) -> dict[str, tuple[float, float]]:
    """Start and end of each answer of a roll call, clocks exact and without jitter, by the rules find.backoff on."""
    left, at, spoke = dict(slot_of), float(TIMES_US["first slot"]), {}
    while left:
        nearest = min(left.values())
        start = at + nearest * IN_ROLL_CALL.slot_us + IN_ROLL_CALL.lead_us
        sending = [uid for uid, slot in left.items() if slot == nearest]
        spoke.update(dict.fromkeys(sending, (start, start + answer_us)))
        at = start + answer_us
        left = {uid: slot - nearest for uid, slot in left.items() if slot > nearest}
    return spoke


def test_the_roll_call_in_time() -> None:
    drawn = section("Discovery").partition("### A roll call in time")[2]
    rows = re.findall(r"\n([0-9a-f]{16}) +(\d+) +([\d.]+) +([\d.]+)(?=\n)", drawn)
    slot_of = {uid: hash_of(bytes.fromhex(uid), 0x05, EPOCH).slot(16) for uid, *_ in rows}
    assert slot_of == {uid: int(slot) for uid, slot, *_ in rows}
    answer = tagged(FIRST, 1, 1, Op.ROLL_CALL, FIRST).wire
    spoke = back_off(slot_of, len(answer) * 10 / 115200 * 1e6)
    assert len(rows) == 3
    for uid, _, start, end in rows:
        assert spoke[uid] == pytest.approx((float(start), float(end)), abs=0.05)


# --- what is no frame ---


@pytest.mark.parametrize("bit", range(12 * 8))
def test_a_frame_with_one_bit_turned_is_dropped(bit: int) -> None:
    piece = bytearray(Frame(5, HOST, 7, Op.REPORT).wire[1:-1])
    piece[bit // 8] ^= 1 << bit % 8
    assert frame_of(bytes(piece)) is None


def test_a_parameter_is_as_long_as_its_row_says() -> None:
    row = Parameter(5, 2, 0, -3000, 3000, 0, "neutral", "deg")
    assert row.raw(-1) == b"\xff\xff"
    assert row.values(b"\xff\xff") == (-1,)
    table_row = Parameter(22, 2, 33, -1000, 1000, 0, "correction", "deg")
    assert table_row.values(table_row.raw(5, -5, 7)) == (5, -5, 7)
    assert [int(memory) for memory in Memory] == [0, 1, 2]


# --- the page as a text that can be followed ---

CLAUSES = set(re.findall(r"^- \*\*\d+\.\d+ `([a-z_.-]+)`\*\*", PAGE.read_text("utf-8"), re.MULTILINE))
OPERATION_IDS = {f"op.{number}" for number in re.findall(r"^### ([0-9a-f]{2}) ", PAGE.read_text("utf-8"), re.MULTILINE)}


COMMANDS = {"busproto spec", "busproto spec --json", "pytest --dut"}


def test_each_clause_that_the_page_refers_to_is_on_it() -> None:
    kinds = "|".join(sorted({name.split(".")[0] for name in CLAUSES if "." in name}))
    cited = set(re.findall(rf"(?<![`\w.])((?:{kinds})\.[a-z_-]+[a-z])\b", PAGE.read_text("utf-8")))
    assert len(CLAUSES) >= 100
    assert cited - CLAUSES - OPERATION_IDS == set()


def test_each_name_that_a_rule_quotes_is_defined_on_the_page() -> None:
    """Times, parameters and fields stand in backticks; each must be the first cell of some row, or an operation's."""
    text = PAGE.read_text("utf-8")
    quoted = {name for name in re.findall(r"`([a-z][a-z_ -]+)`", text) if "." not in name}
    defined = set(re.findall(r"^\|(?: \d+ \|)? `([a-z][a-z_ -]+)` \|", text, re.MULTILINE))
    defined |= {name for row in table(section("Frame"), "width") for name in row}
    assert quoted - defined - CLAUSES - COMMANDS == set()


def test_no_row_of_a_table_is_broken() -> None:
    rows = [line for line in PAGE.read_text("utf-8").splitlines() if line.startswith("|")]
    assert len(rows) > 300
    assert [row for row in rows if not row.endswith("|")] == []
