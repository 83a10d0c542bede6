"""Rules of requests and replies, of address and stored memory, and of motion."""

from __future__ import annotations

from typing import Final

from busproto.wire.page.rules import Rule, Section, us
from busproto.wire.timing import HEAT_LOOK_NS, MIN_TURNAROUND_NS, START_JITTER_NS, STORE_NS

REQUEST_SECTION: Final = Section(
    "What an actuator does",
    (
        Rule(
            "does.asked",
            "An actuator sends only in answer to a request: one to its address alone, an assign that names its uid, a "
            "roll call, a list, an address list, a report round, and those of an extension that it offers. It MUST NOT "
            "reply to any other broadcast, to requests for other addresses, or to replies.",
        ),
        Rule("does.turnaround", f"No answer begins earlier than `min turnaround` ({us(MIN_TURNAROUND_NS)})."),
        Rule(
            "does.reply",
            "The first start bit of a reply comes t after the last stop bit of its request, `reply-delay` <= t <= "
            f"`reply-delay` + `start jitter` ({us(START_JITTER_NS)}). A reply does not sense the line and does not "
            "count down. `reply-delay` is the value in working memory once the request is done.",
        ),
        Rule(
            "does.store",
            "For commit and assign t counts from the end of the write of stored memory, which MUST take at most "
            f"`store` ({us(STORE_NS)}). The reply tells that the new set is whole. While it writes, an actuator takes "
            "in requests and replies to them.",
        ),
        Rule(
            "does.latest",
            "A reply that has not begun gives way to the reply to a later request. Answers of discovery and of a "
            "report round are no such replies: a reply that waits for stored memory is sent beside them. An answer of "
            "discovery or of a report round that has not begun is not sent once a later valid request to its address "
            "or to all was heard, also one that is refused or dropped in silence.",
        ),
        Rule("does.drop", "A piece that is no frame is dropped in silence and changes nothing but `bad_frames`."),
        Rule(
            "does.refuse",
            "A valid request with an unknown operation, or with a malformed payload, is refused if, and only if, it "
            "was sent to the address of the actuator alone. A payload is malformed where its length or the number of "
            "its elements does not fit, or a field is outside the range of its table. Sent to all, such a request is "
            "dropped in silence. An operation that is only for all counts as malformed when it is sent to one "
            "address, and one that is only for one when it is sent to all.",
        ),
        Rule(
            "does.bare",
            "An operation whose reply has no outcome byte is never refused: where it would be, it is dropped in "
            "silence.",
        ),
        Rule("does.unchanged", "A refusal changes nothing but the counters, and the heat fault below."),
        Rule(
            "refusal.order",
            "The conditions of the table 'Refusals' are looked at from top to bottom; the first that holds gives the "
            "code.",
        ),
        Rule(
            "refusal.extension",
            "An actuator without the teaching extension refuses 04, 05 and 06 with code 1, as it does not know them. "
            "One that has it refuses 04, sent to its address alone, with code 4, as it is for all, and is silent to 05 "
            "and 06 sent to its address alone. So a host learns by one suppress to one address what the actuator "
            "offers. "
            "(A refusal has 9 bytes of payload, a reply to 05 or 06 has 8.)",
        ),
        Rule(
            "refusal",
            "A refusal begins with an outcome byte that is not 0, in place of the reply. `low` and `high` are 0 "
            "unless "
            "the code is 3.",
        ),
        Rule(
            "refusal.range",
            "With code 3, `low` and `high` are the least and the greatest raw value allowed; for a table, those of one "
            "point.",
        ),
    ),
)

MEMORY_SECTION: Final = Section(
    "Address and memory",
    (
        Rule(
            "does.uid",
            "The uid has 8 bytes. It is fixed in the factory, unlike that of any other actuator, and never all zeros.",
        ),
        Rule(
            "does.write",
            "Write changes one parameter in working memory only, and acts at once. Working memory is lost at a "
            "restart.",
        ),
        Rule(
            "does.commit",
            "Commit copies the set in working memory, and the address, to stored memory. After power-up and restart "
            "working memory and address are those stored.",
        ),
        Rule("does.undo", "Undo copies the stored or the factory set to working memory, and acts at once."),
        Rule(
            "does.copies",
            "Stored memory has two copies, each with a check. A write goes to the copy that is not in use, its check "
            "last: power lost at any moment leaves the old set or the new one whole. A copy counts only where its "
            "check is right and every value in it is allowed.",
        ),
        Rule(
            "does.lost",
            "Where no copy is whole at power-up, the actuator has factory settings, no address and the fault bit "
            "'settings lost', until a start that finds a whole copy.",
        ),
        Rule(
            "does.assign",
            "Assign writes the address to stored memory, beside the settings stored there (factory settings where no "
            "copy is whole), and then uses it; the drive goes limp. Parameters in working memory stay as they are. "
            "The time-out and the age of the demand are forgotten.",
            "An address that is half given is worse than settings that wait for a commit.",
        ),
        Rule(
            "does.generation",
            "`generation` counts the writes of stored memory, by commit and by assign, modulo 65536. It is 0 while no "
            "copy is whole; the first write makes it 1.",
        ),
    ),
)

MOTION_SECTION: Final = Section(
    "Motion",
    (
        Rule(
            "does.limp",
            "Limp: the drive is off and the arm can be moved by hand. So it is after power-up, and always without an "
            "address.",
        ),
        Rule(
            "does.motion",
            "The drive takes hold only by a demand or by engage, which holds the arm where it is. Show yourself moves "
            "an arm that is held.",
        ),
        Rule(
            "does.channel",
            "An actuator follows the demand of its `channel` in demand-all and report round. Channel 0, a list that "
            "ends before its channel, and -32768 at it, demand nothing of it.",
        ),
        Rule(
            "does.engages",
            "A demand in any state but 1 and 2 (soft-starting, following) begins a soft start from where the arm "
            "is, where "
            "the table 'State changes' allows it.",
        ),
        Rule(
            "does.soft-start",
            "A soft start lasts `soft-start` from the moment the drive took hold, and the state is 1 "
            "(soft-starting) for so "
            "long, wherever the arm is. A write of `soft-start` changes the end of one that still runs, and does not "
            "begin anew one that is over. Engage begins a new one always.",
        ),
        Rule(
            "does.angle",
            "Demand d (-1..+1) drives the arm to neutral + direction x d x travel / 2 + correction(d), with direction "
            "+1 or -1.",
        ),
        Rule(
            "does.ends",
            "The target of a demand is limited to end-low..end-high. Engage holds the arm where it is, beyond an end "
            "too. The arm is not driven beyond a mechanical stop.",
        ),
        Rule(
            "does.slew",
            "The set-point moves to the target at no more than `slew-limit`. Without load and with the supply that "
            "this speed needs, the arm keeps up with it.",
        ),
        Rule(
            "does.correction",
            "The correction is linear between points spread evenly over d = -1..+1; the first stands at -1. It does "
            "not depend on `direction`. Without points it is 0.",
        ),
        Rule(
            "does.monotone",
            "Between two neighbours the correction changes by at most their distance on the travel, `travel` / (points "
            "- 1). A write of `correction` or `travel` that breaks this is out of range. The `low` told for `travel` "
            "is then what the table in working memory needs: its greatest change between neighbours x (points - 1).",
            "So the angle never turns back while the demand rises, in either direction.",
        ),
        Rule(
            "does.settings",
            "A write or undo that changes where the present demand, or the preset, leads moves a held arm there. It "
            "moves no arm that engage holds where it took it.",
        ),
        Rule(
            "does.loss",
            "In the states 1 and 2 (soft-starting, following), `loss-time-out` without a valid demand begins the loss "
            "action: limp, hold (stay driven to the last demand, or where engage took hold) or preset (drive to "
            "`preset`, within the ends). The time runs from the last valid demand to this actuator or its channel, or "
            "from engage. The fault bit 'demand lost' is set from then on until a restart.",
        ),
        Rule("does.again", "A valid demand after a loss is followed again, by a soft start."),
        Rule(
            "does.release", "After release the arm stays limp whatever is demanded, until engage, assign or a restart."
        ),
        Rule(
            "does.heat",
            "The actuator is hot while its temperature is above `over-temperature`. While its drive is on it looks at "
            f"least every `heat look` ({us(HEAT_LOOK_NS)}), and where it is hot it goes limp, with the state faulted. "
            "The fault bit is set as long as it is hot. A report, a demand or engage to it alone that finds it cool "
            "ends the state faulted first: the report already says limp.",
        ),
        Rule(
            "does.age",
            "`demand_age_ms` counts from the last valid demand to this actuator or its channel; engage is none. It is "
            "65535 for longer ages, and where none came since power-up, restart or assign.",
        ),
        Rule(
            "does.shows",
            "Show yourself sets `is_showing` for its duration; a later one replaces it, and 0 ends it. A held arm "
            "swings about its target meanwhile, by 0.5 to 20 deg in all, within the ends, and returns.",
        ),
    ),
)

CODE_RULES: Final = {
    "States": Rule(
        "states",
        "`state` is that right after the request was done; in a report round, that at the moment of sending. "
        "State 0 is also that behind an assign and behind a heat fault that is over; an assign ends state 6 too.",
    ),
    "Faults": Rule(
        "faults",
        "Each bit is set while its condition holds, but for 'settings lost' (until a start that finds a whole copy) "
        "and 'demand lost' (until power-up or restart).",
    ),
    "Parameters": Rule(
        "parameters",
        "An actuator MAY have fewer parameters than the table, and a narrower range of each. Number, name, size, unit "
        "and most points MUST be those of the table. A table has no points, or 2 to its most. Raw value = value in the "
        "unit x counts per unit, a whole number; a named choice is its position among the choices, from 0. The `unit` "
        "that operation 21 tells is that of one raw count: 1 / counts per unit, a blank, and the unit, such as "
        "'0.01 deg' or '1 ms'; it is empty where the table has none. A raw value is signed where its `low` is below "
        "0.",
    ),
}
PARAMETER_RULES: Final = (
    Rule(
        "parameters.soft-start",
        "During a soft start the speed of the set-point is at most `slew-limit` x (time since the drive took hold / "
        "`soft-start`).",
    ),
    Rule(
        "parameters.reply-delay",
        "A `reply-delay` that is written holds from the reply to that write on.",
    ),
    Rule(
        "parameters.under-voltage",
        "The fault bit 'under voltage' is set while `supply_mv` is below `under-voltage`, and changes nothing else.",
    ),
    Rule(
        "parameters.loop",
        "What the table 'The position loop' says that a word means at least, an actuator MUST keep.",
    ),
)

PROMISES: Final = (
    (
        "stiffness",
        "100 is the stiffest loop that the maker allows; the drive per degree of error rises with it, up to full "
        "drive, and is in the sense of the error. How much is not defined.",
    ),
    (
        "damping",
        "more takes more speed out of the loop: an arm that moves gets less drive along its motion, one at rest as "
        "much as before. How much is not defined.",
    ),
    (
        "minimum-drive",
        "share of full drive that is added in the sense of the error outside `dead-band`. It MAY fade in over the last "
        "0.1 deg.",
    ),
    (
        "dead-band",
        "an arm at rest within it of its set-point gets no drive. A device MAY take the resolution of its sensor for "
        "its least value.",
    ),
    (
        "overload-limit",
        "the share is that of the rated stall torque, measured or taken from the motor's share of the rated stall "
        "current, right to 3 %. A device MAY report only what lasts longer than 0.2 s; what lasts or is over for 0.5 s "
        "is told. Overload changes nothing but its fault bit, and is never reported while limp.",
    ),
    (
        "accuracy",
        "with factory values and no load, an arm rests within 1.5 deg of its target (the suite takes no more for at "
        "rest), and temperature is right to 10 degC.",
    ),
)
"""What parameters.loop demands of the position loop: no more than this is promised."""
