"""The slips in C, on small texts; and which mutants are drawn."""

from __future__ import annotations

import pytest

pytest.importorskip("tree_sitter_c")

from tests.conformance.machine.faults import BY_HAND, GENERATED, INTERFACE, Texts, sampled
from tests.conformance.machine.operators import slips
from tests.conformance.machine.shapes import Kind, Shapes, in_view, parsed
from tests.mutation.operators import Mutant

HEADER = """
#ifndef TOY_H
#define TOY_H
#define LIMIT 7U /* why */
#define REACHED(now, due) ((uint32_t)((now) - (due)) < UINT32_C(0x80))
enum state { LIMP = 0, LED = 1, LOST = 2 };
typedef struct part { uint8_t low, high; uint16_t wide; uint8_t list[4]; uint8_t other[4]; } part;
struct toy { part one; union { part a; uint8_t b; } as; struct toy *next; uint8_t number; };
uint16_t used(const struct toy *toy, uint8_t by);
#endif
"""
SOURCE = """
#include "toy.h"
static int32_t done(const struct toy *toy, int32_t by, int32_t from)
{
    int32_t sum = 0;
    uint8_t at;

    for (at = 0; at < 3; at++) {
        sum += toy->one.low << 2;
    }
    if (!toy->number && by != from) {
        return -1;
    }
    if (toy->as.a.list[1] >= LIMIT) {
        used(toy, (uint16_t)(by + 5000));
        sum = done(toy->next, by, from);
        return;
    } else {
        at = LED;
    }
    return sum;
}
"""
SHAPES = Shapes.of([HEADER, SOURCE])


def made(source: str, shapes: Shapes = SHAPES) -> set[tuple[str, str, str]]:
    """(kind, line before, line after) of every mutant."""
    rows: list[Mutant | None] = [one.applied(source, "toy.c") for one in slips(source, shapes)]
    return {(one.what, one.before, one.after) for one in rows if one is not None}


@pytest.mark.parametrize(
    ("what", "before", "after"),
    [
        ("relation", "for (at = 0; at < 3; at++) {", "for (at = 0; at <= 3; at++) {"),
        ("relation", "for (at = 0; at < 3; at++) {", "for (at = 0; at >= 3; at++) {"),
        ("constant", "for (at = 0; at < 3; at++) {", "for (at = 0; at < 2; at++) {"),
        ("constant", "for (at = 0; at < 3; at++) {", "for (at = 1; at < 3; at++) {"),
        ("negated condition", "for (at = 0; at < 3; at++) {", "for (at = 0; !(at < 3); at++) {"),
        ("arithmetic", "sum += toy->one.low << 2;", "sum -= toy->one.low << 2;"),
        ("bits", "sum += toy->one.low << 2;", "sum += toy->one.low >> 2;"),
        ("other field", "sum += toy->one.low << 2;", "sum += toy->one.high << 2;"),
        ("dropped statement", "sum += toy->one.low << 2;", ";"),
        ("and, or", "if (!toy->number && by != from) {", "if (!toy->number || by != from) {"),
        ("removed not", "if (!toy->number && by != from) {", "if (toy->number && by != from) {"),
        ("negated condition", "if (!toy->number && by != from) {", "if (!(!toy->number && by != from)) {"),
        ("dropped statement", "if (!toy->number && by != from) { return -1; }", ";"),
        ("constant", "return -1;", "return 1;"),
        ("other field", "if (toy->as.a.list[1] >= LIMIT) {", "if (toy->as.a.other[1] >= LIMIT) {"),
        ("constant", "used(toy, (uint16_t)(by + 5000));", "used(toy, (uint16_t)(by + 2500));"),
        ("width", "used(toy, (uint16_t)(by + 5000));", "used(toy, (uint8_t)(by + 5000));"),
        ("swapped arguments", "used(toy, (uint16_t)(by + 5000));", "used((uint16_t)(by + 5000), toy);"),
        ("swapped arguments", "sum = done(toy->next, by, from);", "sum = done(toy->next, from, by);"),
        ("width", "int32_t sum = 0;", "int16_t sum = 0;"),
        ("dropped statement", "return;", ";"),
        ("other value", "at = LED;", "at = LOST;"),
        ("returned constant", "return sum;", "return 0;"),
        ("returned constant", "return sum;", "return 1;"),
    ],
)
def test_each_kind_of_slip(what: str, before: str, after: str) -> None:
    assert (what, before, after) in made(SOURCE)


def test_what_is_no_doing_is_left_alone() -> None:
    for what, before, after in made(SOURCE):
        assert "#include" not in before
        assert "static int32_t done(" not in before, f"{what}: {after}"
        assert "at--" not in after, "a loop without an end tells nothing"
    changed = {before for _, before, _ in made(SOURCE)}
    assert "if (toy->as.a.list[1] >= LIMIT) {" in changed
    assert not any("toy->as.b" in after or "toy->wide" in after for _, _, after in made(SOURCE))


def test_a_number_behind_a_name_and_in_a_macro_is_touched_and_so_is_a_member() -> None:
    rows = made(HEADER)
    assert ("constant", "#define LIMIT 7U /* why */", "#define LIMIT 8U /* why */") in rows
    assert ("constant", "#define LIMIT 7U /* why */", "#define LIMIT 6U /* why */") in rows
    macro = "#define REACHED(now, due) ((uint32_t)((now) - (due)) < UINT32_C(0x80))"
    assert ("relation", macro, macro.replace("<", "<=")) in rows
    assert ("constant", macro, macro.replace("0x80", "0x7F")) in rows
    assert ("arithmetic", macro, macro.replace("-", "+")) in rows
    assert ("width", macro, macro.replace("(uint32_t)", "(uint16_t)")) in rows
    assert (
        "constant",
        "enum state { LIMP = 0, LED = 1, LOST = 2 };",
        "enum state { LIMP = 0, LED = 1, LOST = 3 };",
    ) in rows
    assert not any("TOY_H" in before or "[" in before.replace("[4]", "") for _, before, _ in rows)
    assert not any(before.startswith("uint16_t used") for _, before, _ in rows), "caller and function see one width"
    assert {after.count("[4]") for _, before, after in rows if "list[4]" in before} == {2}


def test_a_slip_is_at_its_line_and_changes_nothing_else() -> None:
    for slip in slips(SOURCE, SHAPES):
        one = slip.applied(SOURCE, "toy.c")
        assert one is not None
        lines, others = SOURCE.splitlines(), one.source.splitlines()
        assert one.source.startswith("\n".join(lines[: one.line - 1]))
        assert lines[one.line - 1] not in others or len(lines) != len(others) or lines[one.line - 1].strip() == "}"
        assert one.before.startswith(lines[one.line - 1].strip())


def test_the_type_of_an_expression_is_found_through_members_pointers_and_unions() -> None:
    function = next(node for node in parsed(SOURCE).children if node.type == "function_definition")
    names = in_view(function)
    assert names["toy"] == Kind("toy", "*")
    assert names["at"] == Kind("uint8_t")

    def kind(text: str) -> str:
        return SHAPES.kind_of(parsed(f"int x = {text};").named_children[0].named_children[1].named_children[1], names)

    assert kind("toy->as.a") == "part"
    assert kind("toy->next->as.b") == "uint8_t"
    assert kind("(*toy).one.list[2]") == "uint8_t"
    assert kind("toy->one.nothing") == kind("other->one") == ""
    assert SHAPES.alike("part", "low") == ["high"]
    assert SHAPES.alike("part", "wide") == SHAPES.alike("nothing", "low") == []
    assert SHAPES.beside("LED") == ["LIMP", "LOST"]


# --- the draw --------------------------------------------------------------------------------------------------


def test_mutants_are_drawn_of_both_kinds_of_text_and_the_same_by_the_same_seed() -> None:
    texts = Texts.of_the_firmware()
    one, again = sampled(texts, 60, 4, 0.25), sampled(texts, 60, 4, 0.25)
    assert [row.name for row in one] == [row.name for row in again]
    assert sum(row.path.startswith(GENERATED) for row in one) == 15
    assert sum(row.path.startswith(BY_HAND) for row in one) == 45
    assert len({row.what for row in one}) > 5
    assert not any(row.path.endswith(INTERFACE) for row in one)
    for row in one:
        mutated = texts.with_mutant(row)
        assert [name for name, text in mutated.items() if text != texts.by_name[name]] == [row.path.split("/")[-1]]


def test_of_the_codec_only_what_an_actuator_runs_is_touched() -> None:
    texts = Texts.of_the_firmware()
    source = texts.by_name["bp_messages.c"]
    touched = "\n".join(
        source[start - 4000 : start] for name, start, _ in texts.places(generated=True) if "mess" in name
    )
    assert "bp_pack_present(" in touched
    places = [start for name, start, _ in texts.places(generated=True) if name == "bp_messages.c"]
    for function, is_touched in (
        ("bp_result bp_pack_roll_call(", False),
        ("bp_result bp_unpack_roll_call(", True),
        ("bp_result bp_pack_present(", True),
        ("bp_result bp_unpack_present(", False),
        ("bp_result bp_unpack_message(", True),
    ):
        start = source.index(function)
        end = source.index("\n}\n", start)
        assert any(start < place < end for place in places) == is_touched, function
