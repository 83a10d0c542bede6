"""The report by clause: text, and a page."""

from __future__ import annotations

from html.parser import HTMLParser

from busproto.conformance.results.page import as_html
from busproto.conformance.results.report import NOT_OFFERED, Case, as_text, by_clause, neighbours_text
from busproto.conformance.results.runs import Run

CASES = [
    Case("test_one", "passed", ("frame.check", "op.44")),
    Case("test_two[a]", "failed", ("frame.check",), "no answer to 00 <01>"),
    Case("test_three", "not checked", ("does.copies",), "power cannot be cut"),
]

RUN = Run("2024-05-04T11:00:00+02:00", "./lib<mine>.so", "busproto 1.0", 7)


def test_a_clause_fails_where_any_of_its_cases_does_and_passes_where_one_did() -> None:
    rows = {row.clause.id: row for row in by_clause(CASES)}
    assert {name: row.verdict for name, row in rows.items()} == {
        "frame.check": "failed",
        "op.44": "passed",
        "does.copies": "not checked",
    }
    assert rows["frame.check"].count("passed") == 1


def test_rows_stand_in_the_order_of_the_page() -> None:
    assert [row.clause.id for row in by_clause(CASES)] == ["frame.check", "does.copies", "op.44"]


def test_the_text_names_what_failed_and_why() -> None:
    assert as_text(CASES) == [
        "! frame.check  1 passed, 1 failed",
        "- does.copies  1 not checked",
        "  op.44        1 passed",
        "",
        "failed:",
        "  test_two[a] [frame.check]: no answer to 00 <01>",
        "",
        "not checked:",
        "  test_three [does.copies]: power cannot be cut",
        "",
        "clauses of the core: 1 passed, 1 failed, 1 not checked",
    ]


def test_core_and_extension_are_counted_apart() -> None:
    offered = [*CASES, Case("test_four", "passed", ("op.05", "teaching.brief"))]
    assert as_text(offered)[-2:] == [
        "clauses of the core: 1 passed, 1 failed, 1 not checked",
        "clauses of the extension 'teaching' (optional): 2 passed, 0 failed, 0 not checked",
    ]
    not_offered = [*CASES, Case("test_four", "not checked", ("op.05", "find.hash"), NOT_OFFERED)]
    page = as_html(offered, RUN)
    assert "<b>op.05</b> (optional)" in page
    assert "<b>frame.check</b> (optional)" not in page
    assert "clauses of the extension &#x27;teaching&#x27; (optional): 2 passed" in page
    assert as_text(not_offered)[-1] == "clauses of the extension 'teaching' (optional): not offered"


def test_the_page_holds_every_case_and_escapes_what_it_shows() -> None:
    page = as_html(CASES, RUN)
    words: list[str] = []

    class Reader(HTMLParser):
        def handle_data(self, data: str) -> None:
            words.append(data)

    Reader().feed(page)
    text = " ".join(words)
    assert "./lib<mine>.so" in text
    assert "test_two[a]: failed: no answer to 00 <01>" in text
    assert "src=" not in page
    assert "href=" not in page


def test_what_was_done_about_neighbours_is_told() -> None:
    assert neighbours_text(0) == ""
    assert neighbours_text(1).startswith("1 other actuator is on the line: acknowledged")
    assert neighbours_text(3).startswith("3 other actuators are on the line")
