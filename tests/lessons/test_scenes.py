"""Scenes: plain data, the same for the same seed, and true: what they show is held against outside calculation."""

from __future__ import annotations

import ast
import json
import re
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

import pytest
from cobs import cobs

from busproto import lessons
from busproto.lessons import LESSONS, as_json
from busproto.wire import decode_frame, message_of
from busproto.wire.messages import Demand
from tests.independent import codec as by_the_page

SEEDS: Final = (1, 2, 3, 10)
EVERY: Final = [(name, seed) for name in LESSONS for seed in SEEDS]
CLOCKS: Final = {"time", "datetime", "asyncio", "threading", "os", "socket", "select"}


def scenes_of(name: str, seed: int) -> dict[str, dict[str, Any]]:
    """The scenes of a lesson by their titles."""
    scenes = {scene["title"]: scene for scene in as_json(name, seed)["scenes"]}
    assert len(scenes) >= 2
    return scenes


def column(scene: dict[str, Any], head: str) -> list[str]:
    at = scene["table"]["heads"].index(head)
    return [row[at] for row in scene["table"]["rows"]]


def row_of(scene: dict[str, Any], first: str) -> list[str]:
    (found,) = (row for row in scene["table"]["rows"] if row[0].startswith(first))
    return list(found[1:])


def number_in(pattern: str, texts: list[str]) -> float:
    found = re.search(pattern, " ".join(texts))
    assert found, texts
    return float(found.group(1))


# --- every lesson -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("name", "seed"), EVERY)
def test_a_lesson_is_plain_data_and_the_same_for_the_same_seed(name: str, seed: int) -> None:
    body = as_json(name, seed)
    assert json.loads(json.dumps(body)) == body == as_json(name, seed)
    assert set(body) == {"name", "title", "seed", "scenes", "question"}
    assert set(body["question"]) == {"text", "how"}, "the answer is not given away"


@pytest.mark.parametrize("name", LESSONS)
def test_another_seed_shows_another_bus(name: str) -> None:
    assert as_json(name, 1)["scenes"] != as_json(name, 2)["scenes"]


@pytest.mark.parametrize(("name", "seed"), EVERY)
def test_scenes_can_be_drawn(name: str, seed: int) -> None:
    for scene in as_json(name, seed)["scenes"]:
        assert scene["title"]
        assert scene["text"] or scene.get("after") or scene.get("steps")
        for table in (scene.get("table"), *(step["board"] for step in scene.get("steps", ()))):
            assert table is None or all(len(row) == len(table["heads"]) for row in table["rows"])
        scope = scene.get("scope")
        if scope:
            assert len(scope["ruler"]) <= scope["bits"] <= 66
            for wave in scope["waves"]:
                assert all(before < after for before, after in pairwise(wave["edges"])), wave["name"]
        for curve in scene.get("plot", {}).get("curves", ()):
            assert len(curve["points"]) > 50
            assert all(before[0] < after[0] for before, after in pairwise(curve["points"]))
        for paragraph in (*scene["text"], *scene.get("after", ())):
            assert "  " not in paragraph
            assert paragraph.strip() == paragraph


def test_the_list_names_all_in_order() -> None:
    rows = lessons.listing()
    assert [row["name"] for row in rows] == list(LESSONS)
    assert list(LESSONS) == ["frame", "alike", "and", "tree", "slots", "backoff", "stuck", "baud", "loss"]


def test_no_lesson_knows_the_time_of_day() -> None:
    folder = Path(lessons.__file__).parent
    for file in folder.glob("*.py"):
        for node in ast.walk(ast.parse(file.read_text("utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            assert not CLOCKS & {one.split(".")[0] for one in names}, file.name


# --- frame ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", SEEDS)
def test_the_bytes_of_the_frame_are_those_of_the_request(seed: int) -> None:
    scenes = scenes_of("frame", seed)
    fields = scenes["Its bytes, field by field"]
    wire = bytes.fromhex("".join(column(fields, "byte")))
    assert column(fields, "at") == [str(at) for at in range(len(wire))]
    intro = scenes["A request on the line"]["text"]
    assert wire.hex(" ") in intro
    frame = decode_frame(wire)
    message = message_of(frame)
    assert isinstance(message, Demand)
    assert frame.destination == number_in(r"at address (\d+)", intro)
    assert message.demand == 100 * number_in(r"go to ([+-]\d+) %", intro)
    # check bytes and zero-byte removal once more, by code that knows nothing of ours
    encoded, check = wire[1:-6], wire[-6:-1]
    assert check == by_the_page.check_of(encoded)
    body = cobs.decode(encoded)
    for at, (sent, plain) in enumerate(zip(encoded[1:], body, strict=True)):
        is_told = f"a zero, sent as {sent:02x}" in fields["table"]["rows"][at + 2][3]
        assert is_told == (sent != plain)
    shown = scenes["The check: 35 bits in 5 bytes"]
    assert row_of(shown, "CRC") == [f"{by_the_page.crc24(encoded):06x}"] * 2
    assert row_of(shown, "zero bits") == [str(by_the_page.zero_bits(encoded))] * 2


@pytest.mark.parametrize("seed", SEEDS)
def test_nearly_every_flipped_bit_costs_the_frame(seed: int) -> None:
    after = scenes_of("frame", seed)["Every bit that could flip"]["after"]
    total, dropped = number_in(r"all (\d+) of them", after), number_in(r"(\d+) times the frame was dropped", after)
    kept = [line for line in after if line.startswith("- ")]
    assert total == 160
    assert total - dropped == len(kept) == 2
    assert all("stop bit of byte 1" in line for line in kept), "only the last two stop bits carry nothing"
    assert not any("the receiver saw" in line for line in kept)


@pytest.mark.parametrize("seed", SEEDS)
def test_one_flipped_bit_changes_one_bit(seed: int) -> None:
    scene = scenes_of("frame", seed)["One bit flips"]
    sent, received = (int(byte, 16) for byte in column(scene, "byte"))
    assert sent ^ received == number_in(r"worth (\d+)", scene["text"])
    assert "dropped" in scene["after"][0]


# --- alike, and -------------------------------------------------------------------------------------------------


def bytes_in(scene: dict[str, Any], who: str) -> bytes:
    return bytes.fromhex(row_of(scene, who)[0])


@pytest.mark.parametrize("seed", SEEDS)
def test_twins_in_step_look_like_one(seed: int) -> None:
    scenes = scenes_of("alike", seed)
    scene = scenes["Two at one address, with one and the same answer"]
    assert bytes_in(scene, "A") == bytes_in(scene, "B") == bytes_in(scene, "host")
    assert decode_frame(bytes_in(scene, "host")).is_reply
    a, b, line = (wave["edges"] for wave in scene["scope"]["waves"])
    assert a == b == line
    assert "one good answer" in scene["after"][1]


@pytest.mark.parametrize("seed", SEEDS)
def test_tags_make_answers_differ_and_the_host_notice(seed: int) -> None:
    scene = scenes_of("alike", seed)["The cure: a tag in every answer"]
    a, b, got = (bytes_in(scene, who) for who in ("A", "B", "host"))
    first, second = decode_frame(a), decode_frame(b)
    assert first.tag != second.tag
    assert (first.source, first.payload) == (second.source, second.payload)
    assert got == bytes(x & y for x, y in zip(a, b, strict=True)), "the line is low where either pulls it low"
    assert number_in(r"that differs is byte (\d+)", scene["text"]) == next(at for at in range(len(a)) if a[at] != b[at])
    assert "no good answer" in scene["after"][0]
    low = [low_at(wave["edges"], scene["scope"]) for wave in scene["scope"]["waves"]]
    assert low[2] == low[0] | low[1]
    assert low[0] != low[1]


def low_at(edges: list[int], scope: dict[str, Any]) -> set[int]:
    """The bits of a picture in whose middle a wave is low."""
    middles = [(bit, scope["from_ns"] + (bit + 0.5) * scope["bit_ns"]) for bit in range(scope["bits"])]
    return {bit for bit, moment in middles if sum(edge <= moment for edge in edges) % 2}


@pytest.mark.parametrize("seed", SEEDS)
def test_twins_with_a_quartz_are_mistaken_for_one_now_and_then(seed: int) -> None:
    scene = scenes_of("alike", seed)["Are they ever seen?"]
    for head in scene["table"]["heads"][1:]:
        assert sum(map(int, column(scene, head))) == 40
    like_one = int(row_of(scene, "one good answer")[1])
    assert 1 <= like_one < 40


@pytest.mark.parametrize("seed", SEEDS)
def test_two_answers_in_step_have_more_zeros_than_they_state(seed: int) -> None:
    scenes = scenes_of("and", seed)
    scene = scenes["Why two answers in step never make a good one"]
    (a, a_stated), (b, b_stated), (got, got_stated) = (
        [int(cell) for cell in row[1:]] for row in scene["table"]["rows"]
    )
    assert (a, b) == (a_stated, b_stated)
    assert got > max(a, b)
    assert got_stated <= min(a, b)
    assert column(scenes["Not by luck"], "good frames") == ["0"] * 3
    assert all(int(count) >= 199 for count in column(scenes["Not by luck"], "pairs"))


@pytest.mark.parametrize("seed", SEEDS)
def test_two_bytes_on_one_edge_are_anded(seed: int) -> None:
    scene = scenes_of("and", seed)["Two bytes at the same time"]
    a, b, got = (int(byte, 16) for byte in column(scene, "byte"))
    assert got == a & b
    assert got not in {a, b}


def test_the_byte_that_an_independent_decoder_sees() -> None:
    """55 and 33 (hex) at once: sigrok-cli reads 11 from the AND of both waveforms."""
    assert lessons.overlap._received_of_both(0x55, 0x33) == 0x11


@pytest.mark.parametrize("seed", SEEDS)
def test_out_of_step_no_receiver_finds_a_frame(seed: int) -> None:
    scene = scenes_of("and", seed)["Two answers out of step"]
    assert [row[0] for row in scene["table"]["rows"]] == ["A sends", "B sends", "host gets", "8 looks", "16 looks"]
    assert number_in(r"any of them found: (\d+)", scene["after"]) == 0
    assert bytes_in(scene, "host") not in {bytes_in(scene, "A"), bytes_in(scene, "B")}


# --- searches ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", SEEDS)
def test_the_tree_is_walked_query_by_query(seed: int) -> None:
    scenes = scenes_of("tree", seed)
    steps = scenes["The search"]["steps"]
    broken = sum("split" in step["text"] for step in steps)
    found = sum("found" in step["text"] for step in steps)
    count = number_in(r"^(\d+) actuators", scenes["Ask for the beginning of a uid"]["text"])
    assert found == count == len(steps[-1]["board"]["rows"])
    assert all(by.startswith("query ") for by in (row[2] for row in steps[-1]["board"]["rows"]))
    table = scenes["How many queries that takes"]
    assert [int(cell) for cell in (row_of(table, "this")[0], row_of(table, "theory, just")[0])] == [len(steps)] * 2
    assert len(steps) == 1 + 2 * broken
    bits = {row[1].replace(" ", "") for row in steps[-1]["board"]["rows"]}
    for step in steps[1:]:
        asked = re.search(r"begins ([01]+)\?", step["text"])
        assert asked
        below = sum(one.startswith(asked.group(1)[:16]) for one in bits)
        assert ("silence" in step["text"]) == (below == 0)
        assert ("split" in step["text"]) == (below > 1)
        assert step["node"]["prefix"] == asked.group(1)
        assert step["node"]["came"] == {0: "none", 1: "one"}.get(below, "broken")
    assert steps[0]["node"] == {"prefix": "", "came": "broken", "name": ""}
    for number, step in enumerate(steps, 1):
        seen = sum(f"query {one}" == row[2] for one in range(1, number + 1) for row in step["board"]["rows"])
        assert (step["course"]["found"], step["course"]["among"]) == (seen, count)
        assert f"theory expects {step['course']['expected_queries']:.1f} in all" in step["note"]


@pytest.mark.parametrize("seed", SEEDS)
def test_slots_are_heard_where_one_is_alone(seed: int) -> None:
    scenes = scenes_of("slots", seed)
    search = scenes["The search"]
    heard: set[str] = set()
    all_letters = {letter for row in search["steps"][0]["board"]["rows"] for letter in row[1].split()}
    for step in search["steps"]:
        slots = [(row[1].split(), row[2]) for row in step["board"]["rows"]]
        assert {letter for letters, _ in slots for letter in letters} == all_letters - heard
        for letters, what in slots:
            assert what == ("heard" if len(letters) == 1 else "broken")
        before = len(heard)
        heard |= {letters[0] for letters, what in slots if what == "heard"}
        assert (step["course"]["found"], step["course"]["among"]) == (len(heard), len(all_letters))
        assert f"theory expects {step['course']['expected_found'] - before:.1f}" in step["note"]
    assert heard == all_letters
    table = scenes["How many a round finds"]
    theory, mean = float(row_of(table, "theory")[0]), float(row_of(table, "mean")[0])
    count = len(all_letters)
    assert theory == pytest.approx(count * (15 / 16) ** (count - 1), abs=0.005)
    # one round has a standard deviation of about 2; four standard errors of 40 rounds
    assert abs(mean - theory) < 1.3


@pytest.mark.parametrize("seed", SEEDS)
def test_backoff_finds_and_proves_every_actuator(seed: int) -> None:
    scenes = scenes_of("backoff", seed)
    count = number_in(r"^(\d+) actuators", scenes["Count down while the line is idle"]["text"])
    search = scenes["The search, and the proof"]
    texts = [step["text"] for step in search["steps"]]
    assert sum("is heard" in text for text in texts) == count
    for number, step in enumerate(search["steps"], 1):
        assert step["course"]["found"] == sum("is heard" in text for text in texts[:number])
        assert step["course"]["among"] == count
        assert (step["course"]["expected_found"] is None) == ("theory expects" not in step["note"])
    assert f"{count:.0f} actuators found and proven complete" in search["after"][0]
    first_call = texts[1 : next(at for at, text in enumerate(texts) if at and "slot " not in text)]
    slots = [int(re.findall(r"slot +(\d+)", text)[0]) for text in first_call]
    assert slots == sorted(slots), "the smallest number comes first"
    race = scenes["The same actuators, three ways"]
    assert column(race, "found") == [f"{count:.0f} of {count:.0f}"] * 3
    assert column(race, "proven") == ["no", "no", "yes"]
    table = scenes["How many actuators a call finds"]
    assert float(row_of(table, "mean")[0]) >= float(row_of(table, "theory")[0])


# --- faults, loss -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", SEEDS)
def test_a_stuck_line_gives_one_byte_and_then_nothing(seed: int) -> None:
    scenes = scenes_of("stuck", seed)
    seen = scenes["What the host sees of it"]
    assert column(seen, "bytes that came")[1:4] == ["00", "none", "none"]
    assert row_of(seen, "the line goes low")[1] == "1 byte, 1 framing error"
    kin = scenes["Told apart by the echo"]
    assert column(kin, "echo") == ["yes", "yes", "no"]
    assert [int(count) > 0 for count in column(kin, "bytes back")] == [True, False, False]


@pytest.mark.parametrize("seed", SEEDS)
def test_a_wrong_rate_gives_framing_errors_and_no_frame(seed: int) -> None:
    scenes = scenes_of("baud", seed)
    there = scenes["An actuator that counts at another rate"]
    assert int(row_of(there, "the actuator sees")[1]) > 0
    assert "nothing came back, the echo is whole" in there["after"][0]
    other = scenes["Receiving at another rate"]
    assert bytes_in(other, "sent") != bytes_in(other, "received")
    assert "no good frame" in other["after"][0]
    limits = scenes["How wrong may a rate be?"]
    for side in ("slow", "fast"):
        # half a bit in nine and a half: the last tenth of a percent below it
        assert number_in(rf"([\d.]+) % {side}", limits["after"]) == pytest.approx(5.2)
    for curve in limits["plot"]["curves"]:
        assert all(right == 100 for off, right in curve["points"] if off < 50 / 9.5)
        assert all(right < 100 for off, right in curve["points"] if off > 50 / 9.5)


@pytest.mark.parametrize("seed", SEEDS)
def test_each_does_what_it_was_set_to_when_the_signal_goes(seed: int) -> None:
    scenes = scenes_of("loss", seed)
    meaning = row_of(scenes["Three surfaces in the wind"], "3")
    preset_deg = number_in(r"drive to (-\d+) deg", meaning)
    scene = scenes["The signal is taken away"]
    lost_ms = scene["plot"]["marks"][0][0]
    curves = {curve["name"]: curve["points"] for curve in scene["plot"]["curves"]}
    for name in ("limp", "hold", "preset"):
        time_out, seen, end = (float(cell.split()[0]) for cell in row_of(scene, name))
        assert 0 <= seen - time_out <= 25, "asked every 20 ms, and a report takes a few"
        assert end == pytest.approx(curves[name][-1][1], abs=0.05)
        kept = [deg for at, deg in curves[name] if lost_ms + 60 < at < lost_ms + time_out]
        assert max(kept) - min(kept) < 1.0, "until its time-out it stays where it was demanded to"
    before = next(deg for at, deg in curves["hold"] if at > lost_ms + 60)
    assert curves["hold"][-1][1] == pytest.approx(before, abs=0.5)
    assert abs(curves["limp"][-1][1]) < 5, "the air has taken it to the middle"
    assert curves["preset"][-1][1] == pytest.approx(preset_deg, abs=1.5)
