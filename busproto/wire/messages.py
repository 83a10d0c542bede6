"""Every operation of the bus: what the host asks and what an actuator answers.

Each class says once, in its fields, how its payload stands on the wire (`construct`), what each field means and in
which unit. Numbers are little endian. The class docstring is the text of the format page. A reply begins with an
outcome byte, 0 for done; anything else makes it a `Refused`. Answers of discovery and of a report round have none.
"""

from __future__ import annotations

from typing import Final

from construct import Bytes, GreedyBytes, GreedyRange, Int8ul, Int16sl, Int16ul, Int32sl

from busproto.wire.codes import FAULT_TEXTS as FAULT_TEXTS
from busproto.wire.codes import LIMP_STATES as LIMP_STATES
from busproto.wire.codes import OUTCOME_TEXTS as OUTCOME_TEXTS
from busproto.wire.codes import STATE_TEXTS as STATE_TEXTS
from busproto.wire.codes import Fault as Fault
from busproto.wire.codes import Memory as Memory
from busproto.wire.codes import Outcome as Outcome
from busproto.wire.codes import State as State
from busproto.wire.frame import MAX_ADDRESS, MAX_PAYLOAD_BYTES, MIN_ADDRESS, UID_BYTES, UNADDRESSED
from busproto.wire.layout import Coded, Counted, Label, Limits
from busproto.wire.message import Message, on_wire, refusal, reply, request

MAX_CHANNELS: Final = 32
NO_DEMAND: Final = -32768
"""Stands in a demand list for a channel that nothing is asked of."""
MAX_DEMAND: Final = 10_000
"""A demand of 100 % of the travel to one side."""
MAX_WINDOW_SLOTS: Final = 1024
MAX_DIGESTS_PER_CALL: Final = 53
MAX_DIGESTS_PER_PART: Final = 53
NULL_UID: Final = bytes(UID_BYTES)
"""A uid that no actuator has; in a suppress it stands for all actuators."""
ADDRESS_MAP_BYTES: Final = 30
MAX_READ: Final = 40
MAX_VALUES_BYTES: Final = MAX_PAYLOAD_BYTES - 1
MAX_LINK_TEST_BYTES: Final = 64


# --- discovery -------------------------------------------------------------------------------------------------


@request(0x01, "roll call", audience="one or all")
class RollCall(Message):
    """Opens a window of backoff slots for every actuator not yet acknowledged in this epoch.

    Its slot comes from the hash of its uid, salt and epoch (find.hash); it answers with its uid when its count of idle
    slots reaches zero (find.countdown). The digests acknowledge actuators that answered an earlier call (find.enrol).
    Sent to one address, only actuators at that address take part: that is how a clash is told from noise. Zero slots
    open no window: the call only acknowledges, and is not answered.
    """

    epoch: int = on_wire(Int16ul, "random number of this discovery; acknowledgement holds within it only")
    salt: int = on_wire(Int8ul, "fresh in each call, so that a collision is not repeated")
    slots: int = on_wire(Limits(Int16ul, 0, MAX_WINDOW_SLOTS), "number of slots in the window")
    digests: tuple[int, ...] = on_wire(
        Counted(GreedyRange(Int16ul), 0, MAX_DIGESTS_PER_CALL), "digests of the actuators now acknowledged"
    )


@reply(0x01, outcome=False)
class Present(Message):
    """The uid of one actuator. Its address is the frame's source."""

    uid: bytes = on_wire(Bytes(UID_BYTES), "factory-unique, printed in wire order")


@request(0x02, "member_list", audience="all")
class MemberList(Message):
    """Lists the digest of every acknowledged actuator, so that each can check whether it is in the list.

    A member list is a membership list, sent as one or more parts (find.parts) without pause for answers. Behind the
    last part each actuator answers once, with a single byte that is no frame: one that found its digest, in the slot of
    its position; any other one that heard all parts, in one of the slots behind the last position (find.list).
    """

    epoch: int = on_wire(Int16ul, "as in the roll calls")
    salt: int = on_wire(Int8ul, "fresh in each pass; digests and answers are made with it")
    first: int = on_wire(Int8ul, "position of this part's first digest, from 0")
    total: int = on_wire(Limits(Int8ul, 0, MAX_ADDRESS), "number of digests in the whole list")
    digests: tuple[int, ...] = on_wire(Counted(GreedyRange(Int16ul), 0, MAX_DIGESTS_PER_PART), "one for each position")


@request(0x03, "address list", audience="all")
class AddressMemberList(Message):
    """The list by address: shows whether each powered actuator has an address of the map, and its own.

    Answered as a member list: an actuator whose address is marked answers in the slot of its rank among all marked
    ones, any other one, also one without an address, in one of the slots behind (find.addresses).
    """

    epoch: int = on_wire(Int16ul, "as in the roll calls")
    salt: int = on_wire(Int8ul, "fresh in each pass; the answers are made with it")
    addresses: bytes = on_wire(
        Bytes(ADDRESS_MAP_BYTES), "one bit for each address, address 1 is bit 0 of the first byte"
    )


@request(0x04, "suppress", audience="all")
class Suppress(Message):
    """Makes one actuator, or all (uid of zeros), count as acknowledged in this epoch. There is no answer."""

    epoch: int = on_wire(Int16ul, "the epoch to keep silent in")
    uid: bytes = on_wire(Bytes(UID_BYTES), "the actuator; eight zero bytes for all")


@request(0x05, "match", audience="all")
class Match(Message):
    """Asks the actuators whose uid begins with a prefix, and that are not acknowledged in this epoch, to answer at
    once.

    Each begins `first slot` after the query, without looking at the line (teaching.answer).
    """

    epoch: int = on_wire(Int16ul, "as in the roll calls")
    bits: int = on_wire(Limits(Int8ul, 0, 64), "length of the prefix; the first bit is the high one of byte 0")
    brief: int = on_wire(Limits(Int8ul, 0, 1), "1: answer with a single byte that is no frame (teaching.brief)")
    prefix: bytes = on_wire(Bytes(UID_BYTES), "the prefix; the bits behind it may be anything")


@reply(0x05, outcome=False)
class Matched(Message):
    """The uid of one actuator, as in a roll call."""

    uid: bytes = on_wire(Bytes(UID_BYTES), "factory-unique")


@request(0x06, "slotted call", audience="all")
class SlottedCall(Message):
    """A roll call with slots of fixed length: actuators do not look at the line, those with one slot collide."""

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
    """Gives the actuator with this uid an address, at once in working and stored memory. Only that one replies.

    It goes limp as after power-up. Address 0xF0 takes its address away. The parameters are not touched.
    """

    uid: bytes = on_wire(Bytes(UID_BYTES), "the actuator")
    address: int = on_wire(Limits(Int8ul, MIN_ADDRESS, UNADDRESSED), "new address, 0x01..0xEF, or 0xF0 for none")


@reply(0x10)
class Assigned(Message):
    """The address is stored. The frame's source is the new address."""

    uid: bytes = on_wire(Bytes(UID_BYTES), "whose address was changed")
    address: int = on_wire(Limits(Int8ul, MIN_ADDRESS, UNADDRESSED), "the address as stored")


# --- description and parameters --------------------------------------------------------------------------------


@request(0x20, "describe")
class Describe(Message):
    """Asks for model, firmware and rating."""


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
    """The demand of all channels in one frame. Channel 1 comes first. There is no answer.

    A demand is a share of the travel from its middle, -100 % to +100 %. An actuator follows its own channel; the
    list may end before it, or hold -32768 at it: then nothing is demanded of it (does.channel).
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
    """Go limp now and stay so, whatever is demanded, until engage, assign or a restart. Sent to all, there is no "
    "reply."""


@reply(0x42)
class Released(Message):
    """It is limp."""

    state: State = on_wire(Coded(Int8ul, State), "what the drive does now")


@request(0x43, "engage", audience="one or all")
class Engage(Message):
    """Take hold where the arm is now and be ready for demands. Without any, the loss time-out runs from here. Sent to
    all, there is no reply."""


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
    good_frames: int = on_wire(Int16ul, "requests received in good frames, see frame.counts; counts round")
    bad_frames: int = on_wire(Int16ul, "pieces that were dropped, see frame.counts; counts round")
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

    Each answers in the slot of its position in the row, its address - `first` (find.place); a missing one costs a slot,
    and where very many in a row are missing, answers may collide. A row that ends behind 0xEF is allowed. Demands may
    come along, as in demand all; they act first. So 32 demands and 32 reports fit into 10 ms at 1 MBd.
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
    """Where the arm is and how hard it works, at the moment of sending."""

    state: State = on_wire(Coded(Int8ul, State), "what the drive does")
    position_cdeg: int = on_wire(Int16sl, "where the arm is", unit="0.01 deg")
    current_cma: int = on_wire(Int8ul, "current of motor and electronics, nearest count; 255 for more", unit="20 mA")


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
    on to its end. Sent to all, there is no reply."""


@reply(0x51)
class Restarting(Message):
    """It restarts after this reply."""


@refusal
class Refused(Message):
    """Any request may be answered by this in position of its own reply: the outcome byte is not 0. Nothing changed."""

    code: Outcome = on_wire(Coded(Limits(Int8ul, 1, max(Outcome)), Outcome), "why")
    low: int = on_wire(Int32sl, "least value allowed, where the code is 3")
    high: int = on_wire(Int32sl, "greatest value allowed, where the code is 3")
