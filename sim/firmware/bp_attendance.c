/* Who is there: answers to roll calls, books, and the classic queries; the countdown that keeps them apart. */
#include "bp_device.h"

#include <string.h>

/* The clock counts whole microseconds, so a moment is known to one; a start is put off by that much more. */
#define BP_CLOCK_US 1U
#define BP_UP_US(ns) (((ns) + UINT32_C(999)) / UINT32_C(1000))

void bp_attendance_start(bp_device *device)
{
    memset(&device->attendance, 0, sizeof device->attendance);
    memset(&device->turn, 0, sizeof device->turn);
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

static void bp_count_down(bp_device *device, uint8_t operation, uint16_t slots, uint8_t is_in_order, uint32_t now_us)
{
    bp_turn *turn = &device->turn;
    uint32_t lead_ns = is_in_order ? BP_PLACE_LEAD_NS : BP_START_LEAD_NS;
    uint32_t slot_ns = is_in_order ? BP_PLACE_NS : BP_MINI_SLOT_NS;

    turn->wait = BP_WAIT_COUNTS;
    turn->operation = operation;
    turn->left = slots;
    turn->slot_us = (uint8_t)(slot_ns / UINT32_C(1000));
    turn->lead_us = (uint8_t)(BP_UP_US(lead_ns) + BP_CLOCK_US);
    /* what the lead was rounded up by comes off the jitter, so that it ends as early as it would have */
    turn->most_jitter_us = (uint8_t)((lead_ns + BP_START_JITTER_NS) / UINT32_C(1000) - turn->lead_us);
    turn->jitter_us = bp_device_jitter_us(device, turn->most_jitter_us);
    turn->counting_from_us = now_us + BP_FIRST_SLOT_US;
    bp_turn_aim(turn);
}

#ifndef BP_WITHOUT_TEACHING
static void bp_speak_at(bp_device *device, uint8_t operation, uint32_t due_us)
{
    bp_turn *turn = &device->turn;

    turn->wait = BP_WAIT_TIMED;
    turn->operation = operation;
    turn->due_us = due_us + BP_CLOCK_US + bp_device_jitter_us(device, BP_START_JITTER_US - 2U * BP_CLOCK_US);
}
#endif

void bp_turn_line(bp_device *device, uint8_t is_busy, uint32_t time_us)
{
    bp_turn *turn = &device->turn;
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
        turn->jitter_us = bp_device_jitter_us(device, turn->most_jitter_us);
        bp_turn_aim(turn);
    }
}

void bp_turn_tick(bp_device *device, uint32_t now_us)
{
    bp_turn *turn = &device->turn;
    bp_message message;
    uint8_t operation = turn->operation;

    if (turn->wait == BP_WAIT_NOT || device->is_sending || !BP_REACHED(now_us, turn->due_us)) {
        return;
    }
    if (turn->wait == BP_WAIT_COUNTS && device->is_line_busy) {
        return;
    }
    turn->wait = BP_WAIT_NOT;
    switch (operation) {
    case BP_OPERATION_ROLL_CALL:
        device->attendance.has_answered = 1;
        device->attendance.answered_salt = turn->salt;
        message.kind = BP_KIND_PRESENT;
        memcpy(message.as.present.uid, device->identity.uid, BP_UID_BYTES);
        break;
    case BP_OPERATION_MATCH:
        message.kind = BP_KIND_MATCHED;
        memcpy(message.as.matched.uid, device->identity.uid, BP_UID_BYTES);
        break;
    case BP_OPERATION_SLOTTED_CALL:
        message.kind = BP_KIND_CALLED;
        memcpy(message.as.called.uid, device->identity.uid, BP_UID_BYTES);
        break;
    case BP_OPERATION_REPORT_ROUND: {
        uint32_t share = (bp_motion_current_ma(device) + UINT32_C(10)) / UINT32_C(20);

        message.kind = BP_KIND_BRIEF_STATUS;
        message.as.brief_status.state = bp_motion_state(device, now_us);
        message.as.brief_status.position_cdeg = bp_motion_position_cdeg(device);
        message.as.brief_status.current_cma = (uint8_t)(share < 0xFFU ? share : 0xFFU);
        break;
    }
    default:
        bp_device_send_byte(device, turn->byte);
        return;
    }
    bp_device_send(device, &message, BP_HOST_ADDRESS, turn->sequence, operation);
}

/* --- calls and books --------------------------------------------------------------------------------------- */

static void bp_roll_call_heard(bp_device *device, const bp_roll_call *call, uint32_t now_us)
{
    bp_attendance *attendance = &device->attendance;
    const uint8_t *uid = device->identity.uid;
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
        device->turn.salt = call->salt;
        bp_count_down(device, BP_OPERATION_ROLL_CALL,
                      bp_slot_of(bp_uid_hash(uid, call->epoch, call->salt), call->slots), 0, now_us);
    }
}

static void bp_answer_book(bp_device *device, uint8_t is_in, uint16_t place, uint16_t total, uint32_t value,
                           uint32_t now_us)
{
    device->attendance.is_enrolled = is_in;
    if (is_in) {
        device->turn.byte = bp_book_answer(value);
        bp_count_down(device, 0, place, 1, now_us);
    } else {
        uint16_t behind = (uint16_t)(device->hardware.any_bits(device->hardware.context) % BP_STRANGER_SLOTS);

        device->turn.byte = bp_stranger_answer(value);
        bp_count_down(device, 0, (uint16_t)(total + behind), 1, now_us);
    }
}

static void bp_book_heard(bp_device *device, const bp_book *book, uint32_t now_us)
{
    bp_attendance *attendance = &device->attendance;
    uint32_t value = bp_uid_hash(device->identity.uid, book->epoch, book->salt);
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
        bp_answer_book(device, attendance->book_has_place, attendance->book_place, book->total, value, now_us);
    }
}

static void bp_address_book_heard(bp_device *device, const bp_address_book *book, uint32_t now_us)
{
    uint16_t address, rank = 0, total = 0;
    uint8_t is_in = 0;

    bp_enter(&device->attendance, book->epoch);
    for (address = BP_MIN_ADDRESS; address <= BP_ADDRESS_MAP_BYTES * 8U; address++) {
        if ((book->addresses[(address - 1U) / 8U] >> ((address - 1U) % 8U) & 1) != 0) {
            if (address == device->address && address <= BP_MAX_ADDRESS) {
                is_in = 1;
                rank = total;
            }
            total++;
        }
    }
    bp_answer_book(device, is_in, rank, total, bp_uid_hash(device->identity.uid, book->epoch, book->salt), now_us);
}

#ifndef BP_WITHOUT_TEACHING
static void bp_hush_heard(bp_device *device, const bp_hush *hush)
{
    static const uint8_t everyone[BP_UID_BYTES] = {0};

    if (memcmp(hush->uid, device->identity.uid, BP_UID_BYTES) == 0
        || memcmp(hush->uid, everyone, BP_UID_BYTES) == 0) {
        bp_enter(&device->attendance, hush->epoch);
        device->attendance.is_enrolled = 1;
    }
}

static void bp_match_heard(bp_device *device, const bp_match *match, uint32_t now_us)
{
    uint8_t bit;

    bp_enter(&device->attendance, match->epoch);
    if (device->attendance.is_enrolled) {
        return;
    }
    for (bit = 0; bit < match->bits; bit++) {
        if (((match->prefix[bit / 8] ^ device->identity.uid[bit / 8]) & (0x80 >> bit % 8)) != 0) {
            return;
        }
    }
    device->turn.byte = bp_book_answer(bp_uid_hash(device->identity.uid, match->epoch, match->bits));
    bp_speak_at(device, match->brief ? 0 : BP_OPERATION_MATCH, now_us + BP_FIRST_SLOT_US);
}

static void bp_slotted_call_heard(bp_device *device, const bp_slotted_call *call, uint32_t now_us)
{
    uint32_t value = bp_uid_hash(device->identity.uid, call->epoch, call->salt);

    bp_enter(&device->attendance, call->epoch);
    if (!device->attendance.is_enrolled) {
        bp_speak_at(device, BP_OPERATION_SLOTTED_CALL,
                    now_us + BP_FIRST_SLOT_US + (uint32_t)bp_slot_of(value, call->slots) * call->slot_us);
    }
}
#endif

int bp_attendance_heard(bp_device *device, const bp_message *message, uint8_t sequence, uint32_t now_us)
{
    device->turn.sequence = sequence;
    switch (message->kind) {
    case BP_KIND_ROLL_CALL:
        bp_roll_call_heard(device, &message->as.roll_call, now_us);
        return 1;
    case BP_KIND_BOOK:
        bp_book_heard(device, &message->as.book, now_us);
        return 1;
    case BP_KIND_ADDRESS_BOOK:
        bp_address_book_heard(device, &message->as.address_book, now_us);
        return 1;
#ifndef BP_WITHOUT_TEACHING
    case BP_KIND_HUSH:
        bp_hush_heard(device, &message->as.hush);
        return 1;
    case BP_KIND_MATCH:
        bp_match_heard(device, &message->as.match, now_us);
        return 1;
    case BP_KIND_SLOTTED_CALL:
        bp_slotted_call_heard(device, &message->as.slotted_call, now_us);
        return 1;
#endif
    default:
        return 0;
    }
}

void bp_attendance_round(bp_device *device, const bp_report_round *round, uint8_t sequence, uint32_t now_us)
{
    if (device->address == BP_UNADDRESSED || device->address < round->first
        || device->address - round->first >= round->count) {
        return;
    }
    device->turn.sequence = sequence;
    bp_count_down(device, BP_OPERATION_REPORT_ROUND, (uint16_t)(device->address - round->first), 1, now_us);
}
