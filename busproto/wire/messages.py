"""Every operation of the bus: what the host asks and what an actuator answers.

Each class says once, in its fields, how its payload stands on the wire (`construct`), what each field means and in
which unit. Numbers are little endian. The class docstring is the text of the format page. A reply begins with an
outcome byte, 0 for done; anything else makes it a `Refused`. Only the answer to a roll call has none, to be short.
"""

from __future__ import annotations

import enum
from typing import Final

from construct import Bytes, GreedyBytes, GreedyRange, Int8ul, Int16sl, Int16ul, Int32sl

from busproto.wire.frame import MAX_ADDRESS, MAX_PAYLOAD_BYTES, MIN_ADDRESS, UID_BYTES, UNADDRESSED
from busproto.wire.layout import Coded, Counted, Label, Limits
from busproto.wire.message import Message, on_wire, refusal, reply, request

MAX_CHANNELS: Final = 32
NO_DEMAND: Final = -32768
"""Stands in a demand list for a channel that nothing is asked of."""
MAX_DEMAND: Final = 10_000
"""A demand of 100 % of the travel to one side."""
MAX_WINDOW_SLOTS: Final = 1024
MAX_MARKS_PER_CALL: Final = 53
MAX_MARKS_PER_PART: Final = 53
NOBODY_UID: Final = bytes(UID_BYTES)
"""A uid that no actuator has; in a hush it stands for everyone."""
ADDRESS_MAP_BYTES: Final = 30
MAX_READ: Final = 40
MAX_VALUES_BYTES: Final = MAX_PAYLOAD_BYTES - 1
MAX_LINK_TEST_BYTES: Final = 64


class Outcome(enum.IntEnum):
    """First byte of a reply: done, or why not. A refused request changes nothing."""

    DONE = 0
    UNKNOWN_OPERATION = 1
    UNKNOWN_PARAMETER = 2
    OUT_OF_RANGE = 3
    BAD_REQUEST = 4
    NOT_ADDRESSED = 5
    NOT_ENGAGED = 6
    STORE_FAILED = 7
    FAULT_STANDS = 8


OUTCOME_TEXTS: Final[dict[Outcome, str]] = {
    Outcome.DONE: "done",
    Outcome.UNKNOWN_OPERATION: "it does not know this operation",
    Outcome.UNKNOWN_PARAMETER: "it does not have this parameter",
    Outcome.OUT_OF_RANGE: "the value is outside its range",
    Outcome.BAD_REQUEST: "the request is not as it belongs",
    Outcome.NOT_ADDRESSED: "it has no address of its own yet, so it stays limp",
    Outcome.NOT_ENGAGED: "it is limp; engage it first",
    Outcome.STORE_FAILED: "its memory could not be written; the old settings still stand",
    Outcome.FAULT_STANDS: "a fault stands (see its report); remove the cause first",
}


class State(enum.IntEnum):
    """What an actuator's drive is doing."""

    LIMP = 0
    EASING = 1
    FOLLOWING = 2
    LOST_LIMP = 3
    LOST_HOLD = 4
    LOST_PRESET = 5
    RELEASED = 6
    FAULTED = 7


STATE_TEXTS: Final[dict[State, str]] = {
    State.LIMP: "limp, no demand yet since power-up",
    State.EASING: "soft start, on its way to the demand",
    State.FOLLOWING: "following the demand",
    State.LOST_LIMP: "demand lost: limp",
    State.LOST_HOLD: "demand lost: holding",
    State.LOST_PRESET: "demand lost: at or on its way to the preset position",
    State.RELEASED: "told to go limp; only engage or a restart ends that",
    State.FAULTED: "limp because of a fault",
}

LIMP_STATES: Final = frozenset({State.LIMP, State.LOST_LIMP, State.RELEASED, State.FAULTED})
"""States in which the arm can be moved by hand."""


class Fault(enum.IntFlag):
    """Fault bits of a report. More than one may be set."""

    OVER_TEMPERATURE = 1
    OVERLOAD = 2
    UNDER_VOLTAGE = 4
    SETTINGS_LOST = 8
    DEMAND_LOST = 16


FAULT_TEXTS: Final[dict[Fault, str]] = {
    Fault.OVER_TEMPERATURE: "hotter than its limit",
    Fault.OVERLOAD: "loaded beyond its limit",
    Fault.UNDER_VOLTAGE: "supply below its limit",
    Fault.SETTINGS_LOST: "no whole copy of the stored settings was found; factory settings are in use",
    Fault.DEMAND_LOST: "the demand stopped coming since power-up",
}


class Memory(enum.IntEnum):
    """The three sets of parameters in an actuator."""

    WORKING = 0
    STORED = 1
    FACTORY = 2


# --- discovery -------------------------------------------------------------------------------------------------


@request(0x01, "roll call", audience="one or all")
class RollCall(Message):
    """Opens a window of countdown slots for every actuator not yet enrolled in this epoch.

    Each draws its slot from the hash of its uid and the salt, counts idle mini-slots only, and answers with its uid
    when it reaches zero. The marks enrol actuators: one that answered the call before this in the same epoch, and
    finds its mark under that call's salt in the list, is enrolled and keeps silent in this epoch from now on.
    Sent to one address, only actuators at that address take part: that is how a clash is told from noise.
    Zero slots open no window: the call only enrols.
    """

    epoch: int = on_wire(Int16ul, "random number of this discovery; enrolment holds within it only")
    salt: int = on_wire(Int8ul, "fresh in each call, so that a collision is not repeated")
    slots: int = on_wire(Limits(Int16ul, 0, MAX_WINDOW_SLOTS), "number of slots in the window")
    marks: tuple[int, ...] = on_wire(
        Counted(GreedyRange(Int16ul), 0, MAX_MARKS_PER_CALL), "marks of the actuators now enrolled"
    )


@reply(0x01, outcome=False)
class Present(Message):
    """The uid of one actuator. Its address is the frame's source. No outcome byte, to be short."""

    uid: bytes = on_wire(Bytes(UID_BYTES), "factory-unique, printed in wire order")


@request(0x02, "book", audience="all")
class Book(Message):
    """Lists the mark of every enrolled actuator, so that each can check that it is in the book, and nobody else is.

    A book is sent as one or more parts without pause for answers; after the last part (first + marks = total)
    every powered actuator answers once, with a single byte that is no frame. One that found its mark sends
    80h + the low seven bits of its hash when its countdown, begun at its place in the book, reaches zero. Every
    other one that heard all parts, whatever it believes about itself, counts as not enrolled from now on and speaks
    up: a byte 01h..7Fh in one of the four slots behind the last place.
    """

    epoch: int = on_wire(Int16ul, "as in the roll calls")
    salt: int = on_wire(Int8ul, "fresh in each pass; marks and answers are made with it")
    first: int = on_wire(Int8ul, "place of this part's first mark, from 0")
    total: int = on_wire(Limits(Int8ul, 0, MAX_ADDRESS), "number of marks in the whole book")
    marks: tuple[int, ...] = on_wire(Counted(GreedyRange(Int16ul), 0, MAX_MARKS_PER_PART), "one for each place")


@request(0x03, "address book", audience="all")
class AddressBook(Message):
    """The book keyed by address: proves that every powered actuator has an address of the map, and its own.

    Answered as the book: an actuator whose address is marked answers at the rank of that address among all
    marked ones; everyone else, also one that has no address yet, speaks up behind.
    """

    epoch: int = on_wire(Int16ul, "as in the roll calls")
    salt: int = on_wire(Int8ul, "fresh in each pass; the answers are made with it")
    addresses: bytes = on_wire(
        Bytes(ADDRESS_MAP_BYTES), "one bit for each address, address 1 is bit 0 of the first byte"
    )


@request(0x04, "hush", audience="all")
class Hush(Message):
    """Makes one actuator, or everyone (uid of zeros), count as enrolled in this epoch. Nobody answers."""

    epoch: int = on_wire(Int16ul, "the epoch to keep silent in")
    uid: bytes = on_wire(Bytes(UID_BYTES), "whom it is for; eight zero bytes for everyone")


@request(0x05, "match", audience="all")
class Match(Message):
    """Asks those whose uid begins with a prefix, and who are not enrolled in this epoch, to answer, all at once.

    Each begins `first slot` after the query, whoever else does. For the classic ways of searching, which need it;
    roll call and book do without.
    """

    epoch: int = on_wire(Int16ul, "as in the roll calls")
    bits: int = on_wire(Limits(Int8ul, 0, 64), "length of the prefix; the first bit is the high one of byte 0")
    brief: int = on_wire(Limits(Int8ul, 0, 1), "1: answer with a single byte 80h..FFh that is no frame")
    prefix: bytes = on_wire(Bytes(UID_BYTES), "the prefix, filled up with anything")


@reply(0x05, outcome=False)
class Matched(Message):
    """The uid of one actuator, as in a roll call."""

    uid: bytes = on_wire(Bytes(UID_BYTES), "factory-unique")


@request(0x06, "slotted call", audience="all")
class SlottedCall(Message):
    """A roll call with slots of fixed length: nobody senses the line, whoever draws the same slot collides."""

    epoch: int = on_wire(Int16ul, "as in the roll calls")
    salt: int = on_wire(Int8ul, "fresh in each call")
    slots: int = on_wire(Limits(Int16ul, 1, MAX_WINDOW_SLOTS), "number of slots")
    slot_us: int = on_wire(Int16ul, "length of a slot: an answer at the line's rate, jitter and clock error", unit="us")


@reply(0x06, outcome=False)
class Called(Message):
    """The uid of one actuator, as in a roll call."""

    uid: bytes = on_wire(Bytes(UID_BYTES), "factory-unique")


# --- address ---------------------------------------------------------------------------------------------------


@request(0x10, "assign", audience="all")
class Assign(Message):
    """Gives the actuator with this uid an address, at once in working and stored memory. Only that one answers.

    It goes limp as after power-up. F0h takes its address away. The parameters are not touched.
    """

    uid: bytes = on_wire(Bytes(UID_BYTES), "whom it is for")
    address: int = on_wire(Limits(Int8ul, MIN_ADDRESS, UNADDRESSED), "new address, 01h..EFh, or F0h for none")


@reply(0x10)
class Assigned(Message):
    """The address is stored. The frame's source is the new address."""

    uid: bytes = on_wire(Bytes(UID_BYTES), "whose address was changed")
    address: int = on_wire(Limits(Int8ul, MIN_ADDRESS, UNADDRESSED), "the address as stored")


# --- description and parameters --------------------------------------------------------------------------------


@request(0x20, "describe")
class Describe(Message):
    """Asks an actuator what it is."""


@reply(0x20)
class Description(Message):
    """What an actuator is: model, firmware, rating."""

    uid: bytes = on_wire(Bytes(UID_BYTES), "factory-unique")
    model: str = on_wire(Label(16), "model name")
    firmware_major: int = on_wire(Int8ul, "firmware version before the point")
    firmware_minor: int = on_wire(Int8ul, "firmware version after the point")
    supply_min_mv: int = on_wire(Int16ul, "lowest rated supply", unit="mV")
    supply_max_mv: int = on_wire(Int16ul, "highest rated supply", unit="mV")
    stall_torque_mnm: int = on_wire(Int16ul, "stall torque at the highest rated supply", unit="mN m")
    stall_current_ma: int = on_wire(Int16ul, "stall current at the highest rated supply", unit="mA")
    no_load_speed_deg_s: int = on_wire(Int16ul, "no-load speed at the highest rated supply", unit="deg/s")
    mechanical_travel_cdeg: int = on_wire(Int16ul, "between the mechanical stops", unit="0.01 deg")
    parameter_count: int = on_wire(Int8ul, "number of parameters it has")
    generation: int = on_wire(Int16ul, "counts the writes of its stored memory")


@request(0x21, "describe parameter")
class DescribeParameter(Message):
    """Asks for one row of an actuator's own parameter list."""

    index: int = on_wire(Int8ul, "row, from 0")


@reply(0x21)
class ParameterDescription(Message):
    """One parameter as this actuator has it; limits are raw counts."""

    number: int = on_wire(Int8ul, "number of the parameter, as in read and write")
    size: int = on_wire(Int8ul, "bytes of its value; of one point where it is a table")
    points: int = on_wire(Int8ul, "most points of a table; 0 where it is a single value")
    low: int = on_wire(Int32sl, "least raw value")
    high: int = on_wire(Int32sl, "greatest raw value")
    default: int = on_wire(Int32sl, "raw factory value (0 for a table, which is empty)")
    name: str = on_wire(Label(20), "name")
    unit: str = on_wire(Label(10), "unit of one raw count")


@request(0x30, "read")
class Read(Message):
    """Asks for parameters out of one of the three memories. A table must be the last in the list."""

    memory: Memory = on_wire(Coded(Int8ul, Memory), "which set")
    numbers: bytes = on_wire(Counted(GreedyBytes, 1, MAX_READ), "the parameters' numbers, one byte each")


@reply(0x30)
class Values(Message):
    """The values, one after the other in the order asked for."""

    values: bytes = on_wire(
        Counted(GreedyBytes, 0, MAX_VALUES_BYTES), "raw values, little endian, each as long as its parameter"
    )


@request(0x31, "write")
class Write(Message):
    """Sets one parameter in working memory. Out of range changes nothing; the refusal tells the range."""

    number: int = on_wire(Int8ul, "the parameter's number")
    value: bytes = on_wire(Counted(GreedyBytes, 0, 66), "raw value, little endian")


@reply(0x31)
class Written(Message):
    """The value as it now stands in working memory."""

    number: int = on_wire(Int8ul, "the parameter's number")
    value: bytes = on_wire(Counted(GreedyBytes, 0, 66), "raw value, little endian")


@request(0x32, "commit")
class Commit(Message):
    """Writes working memory to stored memory: the older of two copies first, so that a power cut at any byte
    leaves the old or the new set whole.
    """


@reply(0x32)
class Committed(Message):
    """The new set is whole in stored memory."""

    generation: int = on_wire(Int16ul, "counts the writes of stored memory")


@request(0x33, "undo")
class Undo(Message):
    """Sets working memory back to what is stored, or to factory. Stored memory and the address stay as they are."""

    memory: Memory = on_wire(Coded(Int8ul, Memory), "1 stored or 2 factory")


@reply(0x33)
class Undone(Message):
    """Working memory now equals that set."""

    memory: Memory = on_wire(Coded(Int8ul, Memory), "the set it was taken from")


# --- motion ----------------------------------------------------------------------------------------------------


@request(0x40, "demand all", audience="all")
class DemandAll(Message):
    """The demand of all channels in one frame. Channel 1 comes first. Nobody answers.

    A demand is a share of the travel from its middle, -100 % to +100 %. An actuator follows its own channel; the
    list may end before it, or hold -32768 at it: then nothing is demanded of it.
    """

    demands: tuple[int, ...] = on_wire(
        Counted(GreedyRange(Limits(Int16sl, -MAX_DEMAND, MAX_DEMAND, also=NO_DEMAND)), 1, MAX_CHANNELS),
        "one for each channel",
        unit="0.01 %",
    )


@request(0x41, "demand")
class Demand(Message):
    """The demand of one actuator, whatever its channel. It counts as a valid demand for the loss time-out too."""

    demand: int = on_wire(Limits(Int16sl, -MAX_DEMAND, MAX_DEMAND), "share of the travel", unit="0.01 %")


@reply(0x41)
class Moving(Message):
    """The demand is taken."""

    state: State = on_wire(Coded(Int8ul, State), "what the drive does now")
    position_cdeg: int = on_wire(Int16sl, "where the arm is now", unit="0.01 deg")


@request(0x42, "release", audience="one or all")
class Release(Message):
    """Go limp now and stay so, whatever is demanded, until engage or a restart. Sent to all, nobody answers."""


@reply(0x42)
class Released(Message):
    """It is limp."""

    state: State = on_wire(Coded(Int8ul, State), "what the drive does now")


@request(0x43, "engage", audience="one or all")
class Engage(Message):
    """Take hold where the arm is now and be ready for demands. Without any, the loss time-out runs from here."""


@reply(0x43)
class Engaged(Message):
    """It holds the arm where it was."""

    state: State = on_wire(Coded(Int8ul, State), "what the drive does now")


@request(0x44, "report")
class Report(Message):
    """Asks for position, load and health."""


@reply(0x44)
class Status(Message):
    """Position, load and health of one actuator."""

    state: State = on_wire(Coded(Int8ul, State), "what the drive does")
    faults: int = on_wire(Int8ul, "fault bits")
    position_cdeg: int = on_wire(Int16sl, "where the arm is", unit="0.01 deg")
    demand_cdeg: int = on_wire(Int16sl, "where it is driven to; where the arm is while limp", unit="0.01 deg")
    current_ma: int = on_wire(Int16ul, "current of motor and electronics", unit="mA")
    supply_mv: int = on_wire(Int16ul, "supply at the actuator", unit="mV")
    temperature_cdeg: int = on_wire(Int16sl, "inside", unit="0.01 degC")
    demand_age_ms: int = on_wire(Int16ul, "since the last valid demand; 65535 for longer or never", unit="ms")
    good_frames: int = on_wire(Int16ul, "requests received with a good check, whomever they are for; counts round")
    bad_frames: int = on_wire(Int16ul, "frames received with a bad check, counts round")
    is_showing: int = on_wire(Limits(Int8ul, 0, 1), "1 while it makes itself known")


@request(0x45, "show yourself")
class ShowYourself(Message):
    """Make yourself known: engaged, by a small motion to and fro; limp, only by a flag in the report."""

    duration_ds: int = on_wire(Limits(Int8ul, 0, 100), "for how long; 0 ends it", unit="0.1 s")


@reply(0x45)
class Showing(Message):
    """It does so now."""

    moves: int = on_wire(Limits(Int8ul, 0, 1), "1 where the arm moves, 0 where only the flag is set")


@request(0x46, "report round", audience="all")
class ReportRound(Message):
    """Lets every actuator in a row of addresses report in turn, without being asked one by one.

    Each answers when its countdown, begun at its place in the row, reaches zero (see Discovery); who is missing costs a
    slot, and where very many in a row are, answers may collide. Demands may come along, as in demand all: so 32 demands
    and 32 reports fit into 10 ms at 1 MBd, which 32 requests and answers do not.
    """

    first: int = on_wire(Limits(Int8ul, MIN_ADDRESS, MAX_ADDRESS), "first address of the row")
    count: int = on_wire(Limits(Int8ul, 1, MAX_ADDRESS), "number of addresses in the row")
    demands: tuple[int, ...] = on_wire(
        Counted(GreedyRange(Limits(Int16sl, -MAX_DEMAND, MAX_DEMAND, also=NO_DEMAND)), 0, MAX_CHANNELS),
        "one for each channel, as in demand all; none for a report only",
        unit="0.01 %",
    )


@reply(0x46, outcome=False)
class BriefStatus(Message):
    """Where the arm is and how hard it works, at the moment of sending. No outcome byte, to be short."""

    state: State = on_wire(Coded(Int8ul, State), "what the drive does")
    position_cdeg: int = on_wire(Int16sl, "where the arm is", unit="0.01 deg")
    current_cma: int = on_wire(Int8ul, "current of motor and electronics; 255 for more", unit="20 mA")


# --- link ------------------------------------------------------------------------------------------------------


@request(0x50, "link test")
class LinkTest(Message):
    """Asks for the same bytes back."""

    data: bytes = on_wire(Counted(GreedyBytes, 0, MAX_LINK_TEST_BYTES), "any bytes")


@reply(0x50)
class LinkTested(Message):
    """The bytes as they were received."""

    data: bytes = on_wire(Counted(GreedyBytes, 0, MAX_LINK_TEST_BYTES), "the same bytes")


@request(0x51, "restart", audience="one or all")
class Restart(Message):
    """Start again as after power-up: limp, working memory from stored. A write of stored memory that is under way goes
    on to its end. Sent to all, nobody answers."""


@reply(0x51)
class Restarting(Message):
    """It restarts after this reply."""


@refusal
class Refused(Message):
    """Any request may be answered by this in place of its own reply: the outcome byte is not 0. Nothing changed."""

    code: Outcome = on_wire(Coded(Limits(Int8ul, 1, max(Outcome)), Outcome), "why")
    low: int = on_wire(Int32sl, "least value allowed, where the code is 3")
    high: int = on_wire(Int32sl, "greatest value allowed, where the code is 3")
