/* Who is there: answers to roll calls, books, and the classic queries; the countdown that keeps them apart. */
#include "bp_attendance.h"

#include "bp_clock.h"

#include <string.h>

/* The clock counts whole microseconds, so a moment is known to one; a start is put off by that much more. */
#define BP_CLOCK_US 1U
#define BP_UP_US(ns) (((ns) + UINT32_C(999)) / UINT32_C(1000))

uint8_t bp_jitter_us(const bp_hardware *hardware, uint8_t most_us)
{
    return (uint8_t)(hardware->any_bits(hardware->context) % (most_us + UINT32_C(1)));
}

void bp_attendance_start(const bp_presence *who)
{
    memset(who->attendance, 0, sizeof *who->attendance);
    memset(who->turn, 0, sizeof *who->turn);
}

static void bp_enter(bp_attendance *attendance, uint16_t epoch)
{
    if (!attendance->has_epoch || attendance->epoch != epoch) {
        attendance->has_epoch = 1;
        attendance->epoch = epoch;
        attendance->is_enrolled = 0;
        attendance->has_answered = 0;
    }
}

/* --- the countdown ----------------------------------------------------------------------------------------- */

static void bp_turn_aim(bp_turn *turn)
{
    turn->due_us = turn->counting_from_us + (uint32_t)turn->left * turn->slot_us + turn->lead_us + turn->jitter_us;
}

static void bp_count_down(const bp_presence *who, uint8_t operation, uint16_t slots, uint8_t is_in_order, uint32_t now_us)
{
    bp_turn *turn = who->turn;
    uint32_t lead_ns = is_in_order ? BP_PLACE_LEAD_NS : BP_START_LEAD_NS;
    uint32_t slot_ns = is_in_order ? BP_PLACE_NS : BP_MINI_SLOT_NS;

    turn->wait = BP_WAIT_COUNTS;
    turn->operation = operation;
    turn->left = slots;
    turn->slot_us = (uint8_t)(slot_ns / UINT32_C(1000));
    turn->lead_us = (uint8_t)(BP_UP_US(lead_ns) + BP_CLOCK_US);
    /* what the lead was rounded up by comes off the jitter, so that it ends as early as it would have */
    turn->most_jitter_us = (uint8_t)((lead_ns + BP_START_JITTER_NS) / UINT32_C(1000) - turn->lead_us);
    turn->jitter_us = bp_jitter_us(who->hardware, turn->most_jitter_us);
    turn->counting_from_us = now_us + BP_FIRST_SLOT_US;
    bp_turn_aim(turn);
}

#ifndef BP_WITHOUT_TEACHING
static void bp_speak_at(const bp_presence *who, uint8_t operation, uint32_t due_us)
{
    bp_turn *turn = who->turn;

    turn->wait = BP_WAIT_TIMED;
    turn->operation = operation;
    turn->due_us = due_us + BP_CLOCK_US + bp_jitter_us(who->hardware, BP_START_JITTER_US - 2U * BP_CLOCK_US);
}
#endif

void bp_turn_line(const bp_presence *who, uint8_t is_busy, uint32_t time_us)
{
    bp_turn *turn = who->turn;
    uint32_t passed;

    if (turn->wait != BP_WAIT_COUNTS || !BP_REACHED(time_us, turn->counting_from_us)) {
        return;
    }
    if (is_busy) { /* whole slots count, the broken one begins anew */
        passed = (time_us - turn->counting_from_us) / turn->slot_us;
        turn->left = (uint16_t)(passed < turn->left ? turn->left - passed : 0);
    } else { /* at least one whole slot before the end */
        turn->counting_from_us = time_us;
        if (turn->left == 0) {
            turn->left = 1;
        }
        turn->jitter_us = bp_jitter_us(who->hardware, turn->most_jitter_us);
        bp_turn_aim(turn);
    }
}

int bp_turn_take(const bp_presence *who, uint8_t is_line_busy, uint32_t now_us, bp_message *message)
{
    bp_turn *turn = who->turn;

    if (turn->wait == BP_WAIT_NOT || !BP_REACHED(now_us, turn->due_us)) {
        return BP_SAY_NOTHING;
    }
    if (turn->wait == BP_WAIT_COUNTS && is_line_busy) {
        return BP_SAY_NOTHING;
    }
    turn->wait = BP_WAIT_NOT;
    switch (turn->operation) {
    case BP_OPERATION_ROLL_CALL:
        who->attendance->has_answered = 1;
        who->attendance->answered_salt = turn->salt;
        message->kind = BP_KIND_PRESENT;
        memcpy(message->as.present.uid, who->uid, BP_UID_BYTES);
        return BP_SAY_MESSAGE;
    case BP_OPERATION_MATCH:
        message->kind = BP_KIND_MATCHED;
        memcpy(message->as.matched.uid, who->uid, BP_UID_BYTES);
        return BP_SAY_MESSAGE;
    case BP_OPERATION_SLOTTED_CALL:
        message->kind = BP_KIND_CALLED;
        memcpy(message->as.called.uid, who->uid, BP_UID_BYTES);
        return BP_SAY_MESSAGE;
    case BP_OPERATION_REPORT_ROUND:
        return BP_SAY_STATUS;
    default:
        return BP_SAY_BYTE;
    }
}

/* --- calls and books --------------------------------------------------------------------------------------- */

static void bp_roll_call_heard(const bp_presence *who, const bp_roll_call *call, uint32_t now_us)
{
    bp_attendance *attendance = who->attendance;
    const uint8_t *uid = who->uid;
    size_t at;

    bp_enter(attendance, call->epoch);
    if (attendance->has_answered) {
        uint16_t mark = bp_mark_of(bp_uid_hash(uid, call->epoch, attendance->answered_salt));

        for (at = 0; at < call->marks_count; at++) {
            if (call->marks[at] == mark) {
                attendance->is_enrolled = 1;
            }
        }
    }
    if (call->slots == 0) {
        return;
    }
    attendance->has_answered = 0;
    if (!attendance->is_enrolled) {
        who->turn->salt = call->salt;
        bp_count_down(who, BP_OPERATION_ROLL_CALL,
                      bp_slot_of(bp_uid_hash(uid, call->epoch, call->salt), call->slots), 0, now_us);
    }
}

static void bp_answer_book(const bp_presence *who, uint8_t is_in, uint16_t place, uint16_t total, uint32_t value,
                           uint32_t now_us)
{
    who->attendance->is_enrolled = is_in;
    if (is_in) {
        who->turn->byte = bp_book_answer(value);
        bp_count_down(who, 0, place, 1, now_us);
    } else {
        uint16_t behind = (uint16_t)(who->hardware->any_bits(who->hardware->context) % BP_STRANGER_SLOTS);

        who->turn->byte = bp_stranger_answer(value);
        bp_count_down(who, 0, (uint16_t)(total + behind), 1, now_us);
    }
}

static void bp_book_heard(const bp_presence *who, const bp_book *book, uint32_t now_us)
{
    bp_attendance *attendance = who->attendance;
    uint32_t value = bp_uid_hash(who->uid, book->epoch, book->salt);
    size_t at;

    if (book->first == 0 || !attendance->has_book || attendance->book_epoch != book->epoch
        || attendance->book_salt != book->salt || attendance->book_total != book->total) {
        attendance->has_book = 1;
        attendance->book_epoch = book->epoch;
        attendance->book_salt = book->salt;
        attendance->book_total = book->total;
        attendance->book_is_whole = book->first == 0;
        attendance->book_has_place = 0;
    } else if (attendance->book_next != book->first) {
        attendance->book_is_whole = 0;
    }
    attendance->book_next = (uint16_t)(book->first + book->marks_count);
    for (at = book->marks_count; at > 0; at--) {
        if (book->marks[at - 1] == bp_mark_of(value)) {
            attendance->book_has_place = 1;
            attendance->book_place = (uint8_t)(book->first + at - 1);
        }
    }
    if (attendance->book_next < book->total) {
        return;
    }
    bp_enter(attendance, book->epoch);
    if (attendance->book_has_place || attendance->book_is_whole) {
        bp_answer_book(who, attendance->book_has_place, attendance->book_place, book->total, value, now_us);
    }
}

static void bp_address_book_heard(const bp_presence *who, const bp_address_book *book, uint32_t now_us)
{
    uint16_t address, rank = 0, total = 0;
    uint8_t is_in = 0;

    bp_enter(who->attendance, book->epoch);
    for (address = BP_MIN_ADDRESS; address <= BP_ADDRESS_MAP_BYTES * 8U; address++) {
        if ((book->addresses[(address - 1U) / 8U] >> ((address - 1U) % 8U) & 1) != 0) {
            if (address == who->address && address <= BP_MAX_ADDRESS) {
                is_in = 1;
                rank = total;
            }
            total++;
        }
    }
    bp_answer_book(who, is_in, rank, total, bp_uid_hash(who->uid, book->epoch, book->salt), now_us);
}

#ifndef BP_WITHOUT_TEACHING
static void bp_hush_heard(const bp_presence *who, const bp_hush *hush)
{
    static const uint8_t everyone[BP_UID_BYTES] = {0};

    if (memcmp(hush->uid, who->uid, BP_UID_BYTES) == 0
        || memcmp(hush->uid, everyone, BP_UID_BYTES) == 0) {
        bp_enter(who->attendance, hush->epoch);
        who->attendance->is_enrolled = 1;
    }
}

static void bp_match_heard(const bp_presence *who, const bp_match *match, uint32_t now_us)
{
    uint8_t bit;

    bp_enter(who->attendance, match->epoch);
    if (who->attendance->is_enrolled) {
        return;
    }
    for (bit = 0; bit < match->bits; bit++) {
        if (((match->prefix[bit / 8] ^ who->uid[bit / 8]) & (0x80 >> bit % 8)) != 0) {
            return;
        }
    }
    who->turn->byte = bp_book_answer(bp_uid_hash(who->uid, match->epoch, match->bits));
    bp_speak_at(who, match->brief ? 0 : BP_OPERATION_MATCH, now_us + BP_FIRST_SLOT_US);
}

static void bp_slotted_call_heard(const bp_presence *who, const bp_slotted_call *call, uint32_t now_us)
{
    uint32_t value = bp_uid_hash(who->uid, call->epoch, call->salt);

    bp_enter(who->attendance, call->epoch);
    if (!who->attendance->is_enrolled) {
        bp_speak_at(who, BP_OPERATION_SLOTTED_CALL,
                    now_us + BP_FIRST_SLOT_US + (uint32_t)bp_slot_of(value, call->slots) * call->slot_us);
    }
}
#endif

int bp_attendance_heard(const bp_presence *who, const bp_message *message, uint8_t sequence, uint32_t now_us)
{
    who->turn->sequence = sequence;
    switch (message->kind) {
    case BP_KIND_ROLL_CALL:
        bp_roll_call_heard(who, &message->as.roll_call, now_us);
        return 1;
    case BP_KIND_BOOK:
        bp_book_heard(who, &message->as.book, now_us);
        return 1;
    case BP_KIND_ADDRESS_BOOK:
        bp_address_book_heard(who, &message->as.address_book, now_us);
        return 1;
#ifndef BP_WITHOUT_TEACHING
    case BP_KIND_HUSH:
        bp_hush_heard(who, &message->as.hush);
        return 1;
    case BP_KIND_MATCH:
        bp_match_heard(who, &message->as.match, now_us);
        return 1;
    case BP_KIND_SLOTTED_CALL:
        bp_slotted_call_heard(who, &message->as.slotted_call, now_us);
        return 1;
#endif
    default:
        return 0;
    }
}

void bp_attendance_round(const bp_presence *who, const bp_report_round *round, uint8_t sequence, uint32_t now_us)
{
    if (who->address == BP_UNADDRESSED || who->address < round->first
        || who->address - round->first >= round->count) {
        return;
    }
    who->turn->sequence = sequence;
    bp_count_down(who, BP_OPERATION_REPORT_ROUND, (uint16_t)(who->address - round->first), 1, now_us);
}
