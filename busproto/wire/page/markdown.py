"""The format page in Markdown."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Callable, Sequence
from typing import Any, Final

from busproto.wire import frame, messages
from busproto.wire.codes import State
from busproto.wire.page import diagram
from busproto.wire.page.actuator_rules import PROMISES
from busproto.wire.page.data import SECTIONS, numbered, specification
from busproto.wire.page.fields import parameter_data
from busproto.wire.page.refusals import ROWS
from busproto.wire.page.rules import ACTUATOR, CORE, TEACHING, Rule
from busproto.wire.page.transitions import EVENTS
from busproto.wire.page.vectors import EPOCH, LIST_SALT, SLOTS
from busproto.wire.parameters import PARAMETERS
from busproto.wire.timing import TIMES

_CONVENTIONS: Final = f"""\
## Conventions

- MUST, MUST NOT, SHOULD, SHOULD NOT and MAY are those of RFC 2119. A rule in the present tense is a MUST.
- The *host* sends requests. An *actuator* is a device that answers them. A *burst* is frames without a gap.
- Each clause has a number and an id. The id is stable and never used again; `pytest --dut` names clauses by it. The
  suite has a case for each clause, but for those marked [host] or [line], which it cannot see at an actuator.
- *Why* and *informative* mark text that is no rule.
- The *{CORE}* is mandatory. The *{TEACHING}* extension is optional; its clauses are marked [{TEACHING}].
- Numbers are little endian. Hex numbers are written 0x1F. Bytes as they stand on the wire, and operations, are two hex
  digits without 0x.
- *At random* means: from a source of chance on the device, drawn anew each time. *From the hash* means: by H, see
  Discovery; equal inputs give equal results.
- The fields of a payload stand without gaps in the order of their table. No number of elements is sent: a list, or
  bytes, at the end of a payload take what is left of `payload_length`. Text is printable ASCII.
- Times of actuators are by their own clock (line.clock). us is a microsecond.

| term | meaning |
| --- | --- |
| digest | 16 bits from the hash of a uid: a short id for one salt and epoch |
| epoch | the number of one search; what an actuator remembers of discovery holds within it |
| acknowledged | acknowledged by the host in this epoch; an acknowledged actuator answers no roll call |
| list, member list | the digests, or the addresses, of all actuators that the host knows: a membership list |
| position | the position of a digest or an address in a list, or of an address in a report round, from 0 |
| unlisted actuator | an actuator that is not in the list |
| backoff | back-off by idle slots: an answer begins when its count of idle slots reaches zero |
| soft start | the time after the drive took hold in which its speed is limited further (state soft-starting) |
| set-point, target | the set-point moves to the target, where demand or preset lead, and the arm follows it |
| limp | de-energised: the drive is off and the arm can be moved by hand |
| engaged, held, driven | the drive is on |
| hot, cool | above `over-temperature`, or not (does.heat) |
"""


_WIDTH: Final = 118
_LIST_ITEM: Final = re.compile(r"\s*([-+*>#=]|\d+[.)])(\s|$)")


def markdown() -> str:
    """The format page as Markdown, which `FORMAT.md` holds."""
    spec = specification()
    lines = [
        f"# The bus format, frame version {frame.FRAME_VERSION}",
        "",
        "Printed by `busproto spec` from the definitions that the code runs on; `busproto spec --json` gives the same",
        "as data. With this page alone a codec, a host and an actuator can be written that pass the suite.",
        "",
        _CONVENTIONS,
    ]
    for section in SECTIONS:
        before, behind = _AROUND.get(section.heading, (_nothing, _nothing))
        rules = [(number, rule) for number, heading, rule in numbered() if heading == section.heading]
        if section.heading == "States":
            lines += [*_operations(spec), *_code_table(spec, "Outcomes", "outcomes", "code")]
        lines += [f"## {section.heading}", ""]
        if section.intro:
            lines += [*paragraph(section.intro), ""]
        lines += before(spec)
        for number, rule in rules:
            lines += _rule(number, rule)
        lines += ["", *behind(spec)]
    return "\n".join([*lines, *_vectors(spec), *_examples(spec)]).rstrip() + "\n"


def _rule(number: str, rule: Rule) -> list[str]:
    marks = "".join(f" [{one}]" for one in (rule.keeper, rule.part) if one not in {ACTUATOR, CORE})
    why = wrapped(f"*Why:* {rule.why}", "  ") if rule.why else []
    return [*wrapped(f"- **{number} `{rule.id}`**{marks} {rule.text}"), *why]


def wrapped(text: str, first: str = "") -> list[str]:
    """A text in lines of the page; none begins like an item of a list."""
    for width in range(_WIDTH, _WIDTH - 30, -1):
        lines = textwrap.wrap(
            text, width, initial_indent=first, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False
        )
        if not any(_LIST_ITEM.match(line) for line in lines[1:]):
            return lines
    return [first + text]


def paragraph(text: str) -> list[str]:
    """Words that are no rule, in lines of the page."""
    return textwrap.wrap(text, _WIDTH, break_long_words=False, break_on_hyphens=False)


def _nothing(spec: dict[str, Any]) -> list[str]:
    return []


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    """A Markdown table and an empty line."""
    lines = ["| " + " | ".join(head) + " |", "|" + " --- |" * len(head)]
    lines += ["| " + " | ".join(cell.replace("|", "\\|") for cell in row) + " |" for row in rows]
    return [*lines, ""]


def _frame_tables(spec: dict[str, Any]) -> list[str]:
    body = [(f"`{row['name']}`", row["kind"], row["meaning"]) for row in spec["frame"]["body"]]
    model = spec["frame"]["crc"]
    words = {
        key: str(value).lower() if isinstance(value, bool) else str(value) if key == "width" else f"0x{value:06X}"
        for key, value in model.items()
    }
    return [
        *table(("body", "as", "meaning"), body),
        *table(("address", "meaning"), [(row["address"], row["meaning"]) for row in spec["frame"]["addresses"]]),
        'crc24 by the usual model; `check` is the CRC of the nine ASCII bytes "123456789":',
        "",
        *table(tuple(words), [tuple(words.values())]),
    ]


def _times(spec: dict[str, Any]) -> list[str]:
    rows = [(f"`{one.name}`", f"{one.ns / 1000:g}", one.meaning, one.bounds, one.keeper) for one in TIMES]
    clock = spec["clock_tolerance_ppm"] / 10_000
    return [
        "## Times",
        "",
        *paragraph(
            f"Nominal values, independent of the line rate. On the line each is right to {clock:g} %, the clock of the "
            "actuator (line.clock), in addition to the bounds given here. Times that are parameters stand in "
            "Parameters: `soft-start`, `loss-time-out`, `reply-delay`."
        ),
        "",
        *table(("time", "us", "meaning", "bounds", "kept by"), rows),
    ]


def _refusals(spec: dict[str, Any]) -> list[str]:
    rows = [
        (
            str(number),
            ", ".join(f"{one:02X}" for one in row.operations) or "any",
            row.condition,
            f"{int(row.code)} {row.code.name.lower().replace('_', ' ')}",
        )
        for number, row in enumerate(ROWS, 1)
    ]
    busy = next(number for number, row in enumerate(ROWS, 1) if row.key == "busy")
    bare = ", ".join(
        f"{row['number']:02X}" for row in spec["operations"] if row["reply"] and not row["reply_begins_with_outcome"]
    )
    return [
        "### Refusals",
        "",
        *paragraph(
            f"Never refused, as the reply has no outcome byte (does.bare): {bare}. An assign is refused, though it "
            f"goes to all, if it names the uid of this actuator and row {busy} holds; else it is dropped."
        ),
        "",
        *table(("", "operation", "condition", "code"), rows),
    ]


def _diagram(spec: dict[str, Any]) -> list[str]:
    return [
        "### A roll call in time",
        "",
        *paragraph(diagram.LEGEND),
        "",
        "```",
        *diagram.lines(),
        "```",
        "",
    ]


def _state_changes(spec: dict[str, Any]) -> list[str]:
    head = ("event", *(f"{int(state)} {state.name.lower().replace('_', ' ')}" for state in State))
    rows = [(event.text, *(event.cell(state) for state in State)) for event in EVENTS]
    return [
        "### State changes",
        "",
        *paragraph(
            "The columns are the state before, the cells the state behind, by its code; 'code' is that of a refusal. "
            "Hot and cool are those of does.heat. Without an address demand and engage to it alone are refused with "
            "code 5, and demand-all and engage to all do nothing. A demand that was sent to all and is not heeded "
            "does nothing at all: it does not end a time-out either. While the drive is on and the actuator is hot, "
            "the look at the temperature may come before any other event."
        ),
        "",
        *table(head, rows),
        "### The position loop",
        "",
        *paragraph(
            "How an arm comes to its target is left to the maker, within does.slew and the soft start. These words of "
            "the parameter table promise this and no more (parameters.loop):"
        ),
        "",
        *table(("what", "what it means at least"), [(f"`{name}`", text) for name, text in PROMISES]),
    ]


def _field_table(message: dict[str, Any]) -> list[str]:
    if not message["fields"]:
        return ["No payload.", ""]
    rows = [
        (f"`{field['name']}`", field["kind"], field["range"], field["unit"], field["meaning"])
        for field in message["fields"]
    ]
    return table(("field", "as", "range", "unit", "meaning"), rows)


def _operations(spec: dict[str, Any]) -> list[str]:
    lines = ["## Operations", "", "The id of each operation's clause is `op.` and its number, such as `op.44`.", ""]
    for row in spec["operations"]:
        digest = "" if row["part"] == CORE else f" [{row['part']}]"
        lines += [
            f"### {row['number']:02X} {row['name']} (to {row['to']})",
            "",
            *paragraph(f"`{row['clause']}`{digest} {row['request']['text']}"),
            "",
            *_field_table(row["request"]),
        ]
        if row["reply"]:
            begins = " Behind an outcome byte of 0:" if row["reply_begins_with_outcome"] else " No outcome byte."
            lines += [f"Reply. {row['reply']['text']}{begins if row['reply']['fields'] else ''}", ""]
            lines += _field_table(row["reply"]) if row["reply"]["fields"] else ["Only the outcome byte, 0.", ""]
        else:
            lines += ["No reply frame.", ""]
    return [*lines, "### Refusal", "", spec["refusal"]["text"], "", *_field_table(spec["refusal"])]


def _code_table(spec: dict[str, Any], title: str, key: str, first: str) -> list[str]:
    rows = [(str(row[first]), row["name"], row["meaning"]) for row in spec[key]]
    heading = [f"## {title}", ""] if title else []
    return [*heading, *table((first, "name", "meaning"), rows)]


def _states(spec: dict[str, Any]) -> list[str]:
    limp = ", ".join(str(int(state)) for state in sorted(messages.LIMP_STATES))
    return [*_code_table(spec, "", "states", "code"), f"Limp, with the drive off, are the states {limp}.", ""]


def _faults(spec: dict[str, Any]) -> list[str]:
    return _code_table(spec, "", "faults", "bit")


def _parameters(spec: dict[str, Any]) -> list[str]:
    rows = [
        (
            str(row.number),
            f"`{row.name}`",
            parameter_data(row)["kind"],
            row.unit,
            str(row.counts_per_unit),
            row.range_text().removesuffix(f" {row.unit}"),
            row.text(row.default).removesuffix(f" {row.unit}"),
            row.doc,
        )
        for row in PARAMETERS.values()
    ]
    return table(("no.", "name", "as", "unit", "counts per unit", "range", "default", "meaning"), rows)


def _vectors(spec: dict[str, Any]) -> list[str]:
    hashes = [
        (
            row["uid"],
            f"0x{row['epoch']:04X}",
            f"0x{row['salt']:02X}",
            f"0x{row['hash']:08X}",
            str(row["slot"]),
            f"0x{row['digest']:04X}",
            f"0x{row['list_byte']:02X}",
            f"0x{row['unlisted_byte']:02X}",
        )
        for row in spec["hash_vectors"]
    ]
    orders = [
        (
            row["request"],
            row["uid"],
            str(row["slots"][0]) if len(row["slots"]) == 1 else f"one of {row['slots'][0]}..{row['slots'][-1]}",
            f"{row['earliest_ns'] / 1000:g}..{row['latest_ns'] / 1000:g}",
            "a frame" if row["byte"] is None else f"0x{row['byte']:02X}",
        )
        for row in spec["order_vectors"]
    ]
    return [
        "## Vectors",
        "",
        f"From the hash. With epoch 0 and salt 0 the digest is the tag of replies. Slots are of {SLOTS}.",
        "",
        *table(("uid", "epoch", "salt", "H", "slot", "digest", "list byte", "unlisted actuator byte"), hashes),
        *paragraph(
            f"Answers to the list, the address list (epoch 0x{EPOCH:04X}, salt 0x{LIST_SALT:02X}) and the report "
            "round of the Examples, each by itself on a line that stays idle: first start bit in us from the last "
            "stop bit of the request. The first uid has the address 5, the second 3, the third none."
        ),
        "",
        *table(("request", "uid", "slot", "starts, us", "answer"), orders),
    ]


def _examples(spec: dict[str, Any]) -> list[str]:
    lines = ["## Examples", ""]
    for row in spec["examples"]:
        lines += [f"{row['title']}:", "", "```"]
        lines += [f"{name:<8} {_spaced(row[name])}" for name in ("body", "encoded", "check", "wire")]
        lines += [f"(header {_spaced(row['header'])}; crc24 {row['crc24']}, {row['zero_bits']} zero bits)", "```", ""]
    return lines


def _spaced(text: str) -> str:
    return " ".join(text[at : at + 2] for at in range(0, len(text), 2))


_AROUND: Final[dict[str, tuple[Callable[[dict[str, Any]], list[str]], Callable[[dict[str, Any]], list[str]]]]] = {
    "Frame": (_frame_tables, _times),
    "What an actuator does": (_nothing, _refusals),
    "Discovery": (_nothing, _diagram),
    "Motion": (_nothing, _state_changes),
    "States": (_states, _nothing),
    "Faults": (_faults, _nothing),
    "Parameters": (_parameters, _nothing),
}
"""What is printed before and behind the rules of a section."""
