"""Which request is refused when, and with which code; the suite has a case for each row."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from busproto.wire import messages as m
from busproto.wire.codes import Outcome


@dataclass(frozen=True, slots=True)
class Row:
    """One condition; rows that stand higher are looked at first.

    Attributes:
        key: short and stable, for the suite.
        operations: what it concerns; empty for any request.
        condition: in words.
        code: of the refusal.
    """

    key: str
    operations: tuple[int, ...]
    condition: str
    code: Outcome


_DEMAND, _ENGAGE = m.Demand.OPERATION, m.Engage.OPERATION

ROWS: Final = (
    Row("unknown", (), "the actuator does not know the operation", Outcome.UNKNOWN_OPERATION),
    Row("malformed", (), "the payload is malformed, or a field is outside the range of its table", Outcome.BAD_REQUEST),
    Row("only for all", (), "the operation is only for all, and was sent to one address", Outcome.BAD_REQUEST),
    Row("row", (m.DescribeParameter.OPERATION,), "`index` is not below `parameter_count`", Outcome.UNKNOWN_PARAMETER),
    Row("table last", (m.Read.OPERATION,), "a table stands before the end of the list", Outcome.BAD_REQUEST),
    Row("read what", (m.Read.OPERATION,), "a number that the actuator does not have", Outcome.UNKNOWN_PARAMETER),
    Row(
        "read much",
        (m.Read.OPERATION,),
        f"the values have more than {m.MAX_VALUES_BYTES} bytes together",
        Outcome.BAD_REQUEST,
    ),
    Row("write what", (m.Write.OPERATION,), "a number that the actuator does not have", Outcome.UNKNOWN_PARAMETER),
    Row(
        "write length",
        (m.Write.OPERATION,),
        "`value` is not one value, or for a table not a whole number of points",
        Outcome.BAD_REQUEST,
    ),
    Row(
        "write range",
        (m.Write.OPERATION,),
        "a value outside its range, a table of one point or of too many",
        Outcome.OUT_OF_RANGE,
    ),
    Row(
        "write monotone",
        (m.Write.OPERATION,),
        "`correction` and `travel` would not fit each other (does.monotone)",
        Outcome.OUT_OF_RANGE,
    ),
    Row(
        "undo working",
        (m.Undo.OPERATION,),
        "`memory` is 0, working (low 1, high 2)",
        Outcome.OUT_OF_RANGE,
    ),
    Row(
        "busy",
        (m.Commit.OPERATION, m.Assign.OPERATION),
        "stored memory is being written, or cannot be written",
        Outcome.STORE_FAILED,
    ),
    Row("no address", (_DEMAND, _ENGAGE), "the actuator has no address of its own", Outcome.NOT_ADDRESSED),
    Row("hot", (_DEMAND, _ENGAGE), "the actuator is hot", Outcome.FAULT_STANDS),
    Row("released", (_DEMAND,), "the state is released", Outcome.NOT_ENGAGED),
)
