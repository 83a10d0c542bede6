"""Rules of discovery that an actuator keeps, and those of the teaching extension."""

from __future__ import annotations

from typing import Final

from busproto.wire.page.rules import HOST, TEACHING, Rule, Section, us
from busproto.wire.timing import (
    FIRST_SLOT_NS,
    MINI_SLOT_NS,
    ORDERED_SLOT_LEAD_NS,
    ORDERED_SLOT_NS,
    START_LEAD_NS,
    UNLISTED_SLOTS,
)

HASH_SECTION: Final = Section(
    "Discovery",
    (
        Rule(
            "find.hash",
            "H(uid, salt, epoch) has 32 bits; all sums are modulo 2^32. h = 0. For each byte of: the 8 bytes of the "
            "uid in wire order, the salt, the low byte of the epoch, its high byte: h += byte; h += h << 10; "
            "h ^= h >> 6. Then h += h << 3; h ^= h >> 11; h += h << 15. From h come: slot of M slots "
            "((h & 0xFFFF) x M) >> 16; digest h >> 16; list byte 0x80 + (h & 0x7F); unlisted actuator byte h & "
            "0x7F, or 0x01 "
            "where that is 0. Salt and epoch are those of the request that is answered.",
            "Jenkins' one-at-a-time hash, from memory. What must not matter comes first, as the last bytes are mixed "
            "least.",
        ),
        Rule(
            "find.first",
            f"The first slot begins `first slot` ({us(FIRST_SLOT_NS)}) after the last stop bit of the query. A query "
            "is the frame itself; for a member list in parts, its last part.",
        ),
        Rule(
            "find.backoff",
            "An actuator that is to answer sets its counter to its slot number. The counter falls by one at the end of "
            "each whole slot in which the line was idle throughout, from the first slot on. At zero the actuator waits "
            "the lead and a random part of `start jitter`, looks whether the line is idle, and sends. In a roll call "
            f"a slot is a `mini slot` ({us(MINI_SLOT_NS)}) and the lead is `start lead` ({us(START_LEAD_NS)}).",
            "The lead makes clocks that differ by up to 2 % agree on how many slots have passed. An empty slot costs "
            "one mini-slot, a taken one only the answer itself.",
        ),
        Rule(
            "find.sense",
            "A start bit stops the count at once; the slot that it breaks does not count. When the line is idle again, "
            "a whole slot begins at that moment, though none before the first slot, and the count goes on. A counter "
            "that stands at zero, also one that began there, is set to one then. The random part of `start jitter` is "
            "drawn anew for each idle period. What is not seen busy within "
            "`detect` is sent over.",
        ),
        Rule(
            "find.position",
            "Where answers come in order (lists, report round) a slot is an `ordered slot` "
            f"({us(ORDERED_SLOT_NS)}) and "
            "the lead is "
            f"`ordered slot lead` ({us(ORDERED_SLOT_LEAD_NS)}). All else is as in a roll call.",
            "Two clocks drift up to 10 us apart in the time to the first slot, and order would be lost.",
        ),
        Rule(
            "find.epoch",
            "An actuator remembers one epoch, and in it: whether it is acknowledged, and which call it answered "
            "last. A "
            "roll call that it takes in, an address list, the last part of a list and, where it has them, suppress "
            "that "
            "names it, prefix query and slotted call set the epoch. Where that is another epoch than before, it is not "
            "acknowledged and has answered no call, also when it was acknowledged in this epoch earlier. A restart "
            "forgets "
            "all.",
        ),
        Rule(
            "find.acknowledge",
            "The call that counts for digests is the last roll call with slots in this epoch; a slotted call is none. "
            "An actuator that began to answer it, and finds the digest of H(uid, salt of that call, epoch) among the "
            "digests of a later call, is acknowledged. Calls without slots acknowledge and leave the call that counts "
            "as it is. Each call with slots takes its place, after its own digests were looked at, also where the "
            "actuator does not answer it. An acknowledged actuator MUST NOT answer a roll call.",
        ),
        Rule(
            "find.list",
            "An actuator finds its position in a list by the digest of H(uid, salt, epoch). Its answer is the list "
            "byte, "
            "alone on the line, in the slot with the number of its position. An actuator that is not in the list sends "
            f"the unlisted actuator byte in one of the {UNLISTED_SLOTS} slots from number `total` on, chosen at "
            "random. The "
            "actuator that found its position is acknowledged from then on; the other is not, whatever was before. "
            "Both "
            "hold for an address list too.",
        ),
        Rule(
            "find.parts",
            "Parts of one list have equal epoch, salt and total. A part with first = 0, or with other values than the "
            "part before, begins a list anew. A list is whole where it began with first = 0 and each part began where "
            "the one before ended. The part with first + digests >= total is the last and is answered. An actuator "
            "whose digest stood in a part that it heard answers. One whose digest did not, answers as an unlisted "
            "actuator where the "
            "list was whole, and MUST say nothing and leave its acknowledgement as it is where it was not.",
            "It cannot know. If it spoke up, a line of 128 actuators at a byte error rate of 1e-3 would never fall "
            "silent.",
        ),
        Rule(
            "find.twice",
            "Where a digest stands twice in one part, its first position counts. Where it stands in two parts, that in "
            "the later one counts.",
        ),
        Rule(
            "find.jitter",
            "The start jitter differs from start to start by at least some microseconds.",
            "Two actuators with the same uid draw the same slots and send the same bytes; only their start jitter can "
            "reveal them.",
        ),
        Rule(
            "find.addresses",
            "In an address list bit (a - 1) % 8 of byte (a - 1) / 8 stands for address a. An actuator whose address is "
            "marked has the number of marked lower addresses as its position. Every other one, also one without an "
            "address, is an unlisted actuator. `total` is the number of bits that are set. Bit 7 of the last byte "
            "stands for "
            "240: it counts in the total, and no actuator is at it.",
        ),
        Rule(
            "find.proof",
            "Beside others that keep these rules, an actuator is found by a host that keeps those of 'What a host may "
            "conclude', and the list is proven.",
        ),
        Rule(
            "find.host-salts",
            "A host draws the epoch of each search at random, and a salt at random for each call and each list. It "
            "MUST choose the salt of a list so that no two listed actuators have the same digest: it draws others "
            "until "
            "that is so.",
            "With equal digests both take the first position, and one position stays silent: the pass is lost.",
            keeper=HOST,
        ),
        Rule(
            "find.host-lists",
            "A host MUST send the parts of a list in order and in one burst, MUST NOT send more digests than `total`, "
            "MUST NOT set bit 240 of an address list, and MUST NOT use total above 239. How an actuator answers a list "
            "that overruns its total is not defined.",
            keeper=HOST,
        ),
    ),
)

TEACHING_SECTION: Final = Section(
    "Teaching extension",
    (
        Rule(
            "teaching.answer",
            "Prefix query and slotted call are answered at a fixed time by the actuator's own clock, `start jitter` "
            "included, "
            "whatever is on the line then. The count of slots plays no part.",
            part=TEACHING,
        ),
        Rule(
            "teaching.brief",
            "A brief prefix query is answered by the list byte of H(uid, salt = `bits`, epoch).",
            part=TEACHING,
        ),
        Rule(
            "teaching.slot",
            "A slotted call is answered `first slot` + slot x `slot_us` after the last stop bit of the call. The slot "
            "is that of H(uid, salt, epoch).",
            part=TEACHING,
        ),
    ),
    "Suppress, prefix query and slotted call (04, 05, 06) serve the classic ways of searching, for teaching and "
    "comparison. No "
    "host needs them. An actuator offers all three or none (refusal.extension tells).",
)
