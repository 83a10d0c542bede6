"""Every parameter of its own list: range, refusal, the three memories; conversations against a plain model."""

from __future__ import annotations

from hypothesis import HealthCheck, given, settings

from busproto.conformance import strategies
from busproto.conformance.clauses import clause
from busproto.conformance.dut import Dut, not_checked
from busproto.conformance.model import Model
from busproto.wire import messages as m
from busproto.wire.codec import message_of
from busproto.wire.message import Message
from busproto.wire.parameters import PARAMETERS


def raw_bytes(row: m.ParameterDescription, value: int) -> bytes | None:
    """The value as it stands on the wire; None where it does not fit."""
    try:
        return value.to_bytes(row.size, "little", signed=PARAMETERS[row.number].format.islower())
    except OverflowError:
        return None


def read(dut: Dut, row: m.ParameterDescription, memory: m.Memory = m.Memory.WORKING) -> bytes:
    return dut.ask(m.Read(memory, bytes([row.number])), m.Values).values


@clause("op.31", "op.30", "parameters", "does.write")
def test_every_value_at_the_ends_of_its_range_is_taken(dut: Dut) -> None:
    for row in dut.rows.values():
        for value in (row.low, row.high, row.low + 1, row.high - 1):
            raw = raw_bytes(row, value)
            assert raw is not None
            data = raw * 2 if row.points else raw
            answer = dut.ask(m.Write(row.number, data), m.Written)
            assert (answer.number, answer.value) == (row.number, data), row.name
            assert read(dut, row) == data, row.name


@clause("op.31", "refusal.range", "does.unchanged", "parameters")
def test_every_value_just_outside_is_refused_with_the_range_and_changes_nothing(dut: Dut) -> None:
    tried = 0
    for row in dut.rows.values():
        before = read(dut, row)
        for value in (row.low - 1, row.high + 1, row.low - 200, row.high + 200):
            raw = raw_bytes(row, value)
            if raw is None:
                continue
            answer = dut.refused(m.Write(row.number, raw * 2 if row.points else raw), m.Outcome.OUT_OF_RANGE)
            assert (answer.low, answer.high) == (row.low, row.high), row.name
            assert read(dut, row) == before, f"{row.name}: a refused {value} was kept"
            tried += 1
    assert tried


@clause("op.31", "does.refuse", "does.unchanged")
def test_a_value_of_another_length_is_refused(dut: Dut) -> None:
    for row in dut.rows.values():
        before = read(dut, row)
        lengths = [size for size in (0, 1, 2, 3, 4, 5) if size % row.size or (not row.points and size != row.size)]
        for size in lengths:
            dut.refused(m.Write(row.number, bytes(size)), m.Outcome.BAD_REQUEST)
        assert read(dut, row) == before, row.name


@clause("op.31", "parameters")
def test_a_table_takes_none_or_two_and_up_to_its_most(dut: Dut) -> None:
    tables = [row for row in dut.rows.values() if row.points]
    if not tables:
        not_checked("it has no table")
    for row in tables:
        for count in (2, row.points, 0):
            data = bytes(row.size * count)
            dut.ask(m.Write(row.number, data), m.Written)
            assert read(dut, row) == data
        dut.refused(m.Write(row.number, bytes(row.size)), m.Outcome.OUT_OF_RANGE)
        if (row.points + 1) * row.size <= 66:
            dut.refused(m.Write(row.number, bytes((row.points + 1) * row.size)), m.Outcome.OUT_OF_RANGE)


@clause("op.21", "op.30", "parameters")
def test_factory_values_are_those_of_its_list(dut: Dut) -> None:
    for row in dut.rows.values():
        wanted = b"" if row.points else raw_bytes(row, row.default)
        assert read(dut, row, m.Memory.FACTORY) == wanted, row.name


@clause("does.write", "op.31")
def test_a_write_changes_working_memory_only_and_one_parameter_only(dut: Dut) -> None:
    before = {memory: dut.get_all(memory) for memory in m.Memory}
    dut.put({"neutral": 250})
    assert dut.get_all() == {**before[m.Memory.WORKING], "neutral": 250}
    for memory in (m.Memory.STORED, m.Memory.FACTORY):
        assert dut.get_all(memory) == before[memory], memory.name


@clause("does.undo", "op.33")
def test_undo_takes_stored_or_factory(dut: Dut) -> None:
    dut.put({"neutral": 250, "loss-time-out": 700})
    dut.ask(m.Commit(), m.Committed, slow=True)
    dut.put({"neutral": -250, "loss-time-out": 900})
    assert dut.ask(m.Undo(m.Memory.STORED), m.Undone).memory is m.Memory.STORED
    assert (dut.get("neutral"), dut.get("loss-time-out")) == (250, 700)
    assert dut.ask(m.Undo(m.Memory.FACTORY), m.Undone).memory is m.Memory.FACTORY
    assert dut.get_all() == dut.get_all(m.Memory.FACTORY)
    assert dut.get("neutral", m.Memory.STORED) == 250
    dut.alive()


@clause("does.undo", "op.33", "refusal.range")
def test_undo_from_working_is_refused(dut: Dut) -> None:
    dut.put({"neutral": 250})
    answer = dut.refused(m.Undo(m.Memory.WORKING), m.Outcome.OUT_OF_RANGE)
    assert (answer.low, answer.high) == (m.Memory.STORED, m.Memory.FACTORY)
    assert dut.get("neutral") == 250


@clause("does.commit", "does.generation", "op.32", "op.20")
def test_a_commit_stores_and_counts(dut: Dut) -> None:
    before = dut.ask(m.Describe(), m.Description).generation
    dut.put({"neutral": 250})
    answer = dut.ask(m.Commit(), m.Committed, slow=True)
    assert answer.generation == (before + 1) & 0xFFFF
    assert dut.ask(m.Describe(), m.Description).generation == answer.generation
    assert dut.get("neutral", m.Memory.STORED) == 250
    dut.restart()
    assert dut.get("neutral") == 250


def agree(dut: Dut, model: Model, message: Message) -> None:
    """Check that the actuator's answer is that of the model."""
    wanted = model.answer(message)
    answer = message_of(dut.ask_frame(message))
    if isinstance(wanted, type):
        assert isinstance(answer, wanted), f"{message} was answered by {answer}"
    else:
        assert answer == wanted, f"{message} was answered by {answer}, not {wanted}"


def model_of(dut: Dut) -> Model:
    """The plain model, beside an actuator with factory settings."""
    if any(row.number not in PARAMETERS for row in dut.rows.values()):
        not_checked("it has parameters that the page does not know")
    return Model(dut.rows)


@clause("op.30", "op.31", "op.33", "refusal", "does.unchanged")
@settings(
    max_examples=15,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(messages=strategies.conversations())
def test_conversations_are_answered_as_by_the_model(dut: Dut, messages: list[Message]) -> None:
    dut.ask(m.Undo(m.Memory.FACTORY), m.Undone)
    model = model_of(dut)
    for message in messages:
        agree(dut, model, message)
