/* The world around one device under the fuzzer: clock, line, stored memory, arm. Everything that the firmware does to
 * its hardware is judged here or handed to the judge; nothing here depends on real time. */
#ifndef FUZZ_WORLD_H
#define FUZZ_WORLD_H

#include "bp_clock.h"
#include "bp_device.h"
#include "oracle.h"

#define PAGE_BYTES 256U
#define ERASE_US 20000U
#define PROGRAM_US 30U
#define NEVER UINT64_MAX

/* What may be said, and when; the moments count from the beginning and do not go round. */
typedef struct window {
    uint8_t is_open;
    uint8_t is_byte; /* a single byte that is no frame */
    uint8_t waits; /* for stored memory */
    uint8_t must; /* silence is wrong */
    uint8_t senses; /* only on an idle line */
    uint8_t refusal; /* it has to be one */
    uint8_t salt;
    uint8_t to, sequence, operation;
    uint8_t byte; /* which */
    uint64_t asked_us, from_us, until_us;
} window;

/* Where it stands in a search, as the page has it. */
typedef struct roll {
    uint8_t has_epoch, is_acknowledged, has_answered, answered_salt;
    uint16_t epoch;
    uint8_t has_member_list, member_list_salt, member_list_total, heard_all, has_place;
    uint16_t member_list_epoch, member_list_next, place;
} roll;

typedef struct world {
    bp_hardware hardware;
    bp_identity identity;
    bp_device *device; /* of its own, so that a byte beyond its end is seen */
    uint8_t is_powered;
    uint64_t now_us;
    uint32_t clock_offset_us;
    uint64_t wake_us, cut_us, sent_us;
    uint32_t byte_us;
    uint32_t noise;
    uint8_t host_talks, is_sending, is_on_wire, is_busy, idle_is_first;
    /* stored memory */
    uint8_t pages[2][PAGE_BYTES], torn[PAGE_BYTES];
    uint8_t torn_page;
    uint64_t rests_us[2]; /* until when a page must be left alone */
    uint32_t writes, cut_at, worn_at;
    uint8_t was_worn, began_to_store, may_store;
    /* arm */
    uint8_t is_on, may_take_hold;
    int16_t permille;
    int64_t position_udeg, stop_udeg;
    uint64_t moved_us, hot_since_us;
    uint16_t supply_mv, current_ma;
    int16_t temperature_cdeg;
    /* what it must remember */
    bp_settings stored, candidate, before;
    uint8_t stored_address, candidate_address, candidate_assigns, stored_page;
    uint8_t is_stored, is_storing, restarts, look;
    uint64_t store_until_us;
    /* what it may say */
    window reply, slot;
    uint8_t chunk[PAGE_BYTES];
    uint16_t heard;
    /* what it may do */
    uint8_t is_released, state_before;
    int16_t demand;
    uint64_t fed_us;
    uint32_t longest_ms, shortest_ms;
    roll roll;
} world;

/* --- the judge, see judge.h --- */
static void judge_transmission(world *w, const uint8_t *data, size_t length);
static void judge_heard(world *w, uint8_t byte);
static void judge_after_tick(world *w);
static void judge_start(world *w);
static void judge_silence(world *w);

static uint32_t clock_of(const world *w)
{
    return (uint32_t)w->now_us + w->clock_offset_us;
}

/* --- hardware ---------------------------------------------------------------------------------------------- */

static uint32_t any_bits(void *context)
{
    world *w = context;

    w->noise = w->noise * UINT32_C(1664525) + UINT32_C(1013904223);
    return w->noise ^ w->noise >> 16;
}

static void transmit(void *context, const uint8_t *data, size_t length)
{
    world *w = context;

    MUST(w->is_powered, "it sends without power");
    MUST(!w->is_sending, "it sends while it sends");
    MUST(length >= 1 && length <= BP_MAX_WIRE_BYTES, "it sends %zu bytes", length);
    judge_transmission(w, data, length);
    w->is_sending = w->is_on_wire = 1;
    w->sent_us = w->now_us + length * w->byte_us;
}

static void touch(world *w, uint8_t page, uint16_t place, size_t length)
{
    MUST(page < 2 && place + length <= BP_RECORD_ROOM, "page %d, place %d: not in stored memory", page, place);
    MUST(!w->is_powered || w->now_us >= w->rests_us[page], "page %d is touched while it must be left alone", page);
    (void)w;
}

static void write_page(world *w, uint8_t page, uint32_t takes_us)
{
    MUST(w->may_store, "stored memory is written though no request asked for it");
    MUST(!w->is_stored || page != w->stored_page, "the copy in use is written over");
    w->torn_page = page;
    memcpy(w->torn, w->pages[page], PAGE_BYTES);
    w->rests_us[page] = w->now_us + takes_us;
}

static uint32_t page_erase(void *context, uint8_t page)
{
    world *w = context;

    touch(w, page, 0, 0);
    write_page(w, page, ERASE_US);
    memset(w->pages[page], 0xFF, PAGE_BYTES);
    w->began_to_store = 1;
    w->was_worn = 0;
    return ERASE_US;
}

static uint32_t page_program(void *context, uint8_t page, uint16_t place, uint8_t byte)
{
    world *w = context;

    touch(w, page, place, 1);
    write_page(w, page, PROGRAM_US);
    MUST(w->pages[page][place] == 0xFF, "a byte is programmed twice");
    if (w->writes == w->worn_at && byte != 0xFF) {
        w->was_worn = 1; /* this cell does not take it any more */
    } else {
        w->pages[page][place] &= byte;
    }
    if (w->writes == w->cut_at) {
        w->cut_us = w->now_us + PROGRAM_US / 2;
    }
    w->writes++;
    return PROGRAM_US;
}

static void page_read(void *context, uint8_t page, uint16_t place, uint8_t *data, size_t length)
{
    world *w = context;

    touch(w, page, place, length);
    memcpy(data, w->pages[page] + place, length);
}

static void move(world *w)
{
    int64_t since_us = (int64_t)(w->now_us - w->moved_us);

    w->moved_us = w->now_us;
    if (w->is_on) { /* 400 deg/s at full drive */
        w->position_udeg += since_us * w->permille * 4 / 10;
    }
    if (w->position_udeg > w->stop_udeg) {
        w->position_udeg = w->stop_udeg;
    }
    if (w->position_udeg < -w->stop_udeg) {
        w->position_udeg = -w->stop_udeg;
    }
}

static void drive(void *context, uint8_t is_on, int16_t permille)
{
    world *w = context;

    MUST(permille >= -1000 && permille <= 1000, "the bridge is given %d of 1000", permille);
    MUST(is_on || permille == 0, "the bridge is off, and given %d", permille);
    MUST(!is_on || w->is_on || w->may_take_hold, "it takes hold though neither demanded nor engaged");
    move(w);
    w->hot_since_us = w->is_on ? w->hot_since_us : w->now_us;
    w->is_on = is_on != 0;
    w->permille = permille;
}

static int32_t position_mdeg(void *context)
{
    world *w = context;

    move(w);
    return (int32_t)(w->position_udeg / 1000);
}

static uint16_t current_ma(void *context)
{
    world *w = context;
    int32_t driven = w->permille < 0 ? -w->permille : w->permille;

    return (uint16_t)(w->current_ma ? w->current_ma : 10 + driven * 2);
}

static uint16_t supply_mv(void *context)
{
    return ((world *)context)->supply_mv;
}

static int16_t temperature_cdeg(void *context)
{
    return ((world *)context)->temperature_cdeg;
}

/* --- power and time ----------------------------------------------------------------------------------------- */

static void tick(world *w)
{
    uint32_t ahead;

    if (!w->is_powered) {
        return;
    }
    ahead = bp_device_tick(w->device, clock_of(w)) - clock_of(w);
    MUST(ahead <= BP_LONGEST_SLEEP_US, "it wants to be called %u us ahead", ahead);
    w->wake_us = w->now_us + (ahead ? ahead : 1);
    judge_after_tick(w);
}

/* The line as it is now, where it has changed. */
static void edge(world *w)
{
    uint8_t is_busy = w->host_talks || w->is_on_wire;

    if (is_busy == w->is_busy) {
        return;
    }
    w->is_busy = is_busy;
    if ((is_busy || w->now_us > w->slot.asked_us) && w->slot.senses) {
        w->slot.must = 0; /* how a broken backoff goes on is not calculated here */
        w->slot.until_us = NEVER;
    }
    if (w->is_powered) {
        bp_device_line(w->device, is_busy, clock_of(w));
        tick(w);
    }
}

static void power_off(world *w)
{
    size_t at;

    if (!w->is_powered) {
        return;
    }
    move(w);
    if (w->now_us < w->rests_us[w->torn_page]) { /* what was being written has come through in part */
        for (at = 0; at < PAGE_BYTES; at++) {
            uint8_t mask = (uint8_t)any_bits(w);
            uint8_t *cell = &w->pages[w->torn_page][at];

            *cell = (uint8_t)((w->torn[at] & mask) | (*cell & ~mask));
        }
    }
    w->rests_us[0] = w->rests_us[1] = 0;
    w->is_powered = w->is_on = w->is_sending = w->is_on_wire = 0;
    w->permille = 0;
    w->wake_us = w->cut_us = w->sent_us = NEVER;
    w->reply.is_open = w->slot.is_open = 0;
    edge(w);
}

static void power_on(world *w)
{
    if (w->is_powered) {
        return;
    }
    w->is_powered = 1;
    memset(w->device, 0xA5, sizeof *w->device);
    bp_device_start(w->device, &w->hardware, &w->identity, clock_of(w));
    judge_start(w);
    if (w->is_busy) {
        bp_device_line(w->device, 1, clock_of(w));
    }
    tick(w);
}

/* What was due while it was sending is due behind it. */
static void put_off(world *w, window *it)
{
    if (it->is_open && it->until_us < w->now_us) {
        it->until_us = w->now_us;
    }
}

/* Its last stop bit has left. Which is told first, an idle line or that all was sent, depends on the board. */
static void leave(world *w)
{
    w->sent_us = NEVER;
    w->is_on_wire = 0;
    put_off(w, &w->reply);
    put_off(w, &w->slot);
    if (w->idle_is_first) {
        edge(w);
    }
    w->is_sending = 0;
    bp_device_sent(w->device, clock_of(w));
    if (w->restarts) {
        judge_start(w);
    }
    tick(w);
    edge(w);
}

/* Time passes; what is due in it happens at its moment. */
static void pass(world *w, uint64_t us)
{
    uint64_t until = w->now_us + us;

    for (;;) {
        uint64_t next = w->wake_us < w->sent_us ? w->wake_us : w->sent_us;

        next = next < w->cut_us ? next : w->cut_us;
        if (next > until) {
            w->now_us = until;
            judge_silence(w);
            return;
        }
        w->now_us = next > w->now_us ? next : w->now_us;
        if (w->now_us >= w->cut_us) {
            power_off(w);
        } else if (w->now_us >= w->sent_us) {
            leave(w);
        } else {
            tick(w);
        }
        edge(w);
    }
}

/* Bytes of the host, or of whoever else is on the line, without a gap. */
static void say(world *w, const uint8_t *data, size_t length)
{
    size_t at;

    if (length == 0) {
        return;
    }
    w->host_talks = 1;
    edge(w);
    for (at = 0; at < length; at++) {
        pass(w, w->byte_us);
        if (w->is_powered) {
            judge_heard(w, data[at]);
            tick(w);
            edge(w);
        }
    }
    w->host_talks = 0;
    edge(w);
}

#endif
