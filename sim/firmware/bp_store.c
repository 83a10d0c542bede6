/* Stored memory: two copies, each with a generation and a check, written a byte at a time, the check last.
 *
 * A write goes to the page that is not in use: power lost at any moment leaves the old copy or the new one whole. A
 * copy is valid if its check holds and every value in it is allowed. Record: generation (2), address (1), every single
 * value in the order of the table, then each table with the number of its points before it, CRC (3). */
#include "bp_store.h"

#include "bp_clock.h"

#include <string.h>

#define BP_CHECK_BYTES 3U
#define BP_HEAD_BYTES 3U

static size_t bp_store_pack(uint8_t *record, uint16_t generation, uint8_t address, const bp_settings *settings)
{
    size_t at = BP_HEAD_BYTES, row, size;
    uint32_t crc;

    bp_put_u16(record, generation);
    record[2] = address;
    for (row = 0; row < BP_PARAMETERS; row++) {
        if (bp_parameters[row].points == 0) {
            at += bp_settings_get(settings, bp_parameters[row].number, record + at);
        }
    }
    for (row = 0; row < BP_PARAMETERS; row++) {
        if (bp_parameters[row].points != 0) {
            size = bp_settings_get(settings, bp_parameters[row].number, record + at + 1);
            record[at] = (uint8_t)(size / bp_parameters[row].size);
            at += 1 + size;
        }
    }
    crc = bp_crc24_end(bp_crc24_add(BP_CRC_START, record, at));
    record[at] = (uint8_t)(crc & 0xFFU);
    record[at + 1] = (uint8_t)(crc >> 8 & 0xFFU);
    record[at + 2] = (uint8_t)(crc >> 16 & 0xFFU);
    return at + BP_CHECK_BYTES;
}

/* The copy in a record; 0 where it is not whole. */
static int bp_store_unpack(const uint8_t *record, uint16_t *generation, uint8_t *address, bp_settings *settings)
{
    size_t at = BP_HEAD_BYTES, row, size;
    uint32_t crc;

    bp_settings_factory(settings);
    for (row = 0; row < BP_PARAMETERS; row++) {
        if (bp_parameters[row].points == 0) {
            if (bp_settings_put(settings, bp_parameters[row].number, record + at, bp_parameters[row].size) != BP_OK) {
                return 0;
            }
            at += bp_parameters[row].size;
        }
    }
    for (row = 0; row < BP_PARAMETERS; row++) {
        if (bp_parameters[row].points != 0) {
            size = (size_t)record[at] * bp_parameters[row].size;
            at += 1;
            if (at + size + BP_CHECK_BYTES > BP_RECORD_ROOM
                || bp_settings_put(settings, bp_parameters[row].number, record + at, size) != BP_OK) {
                return 0;
            }
            at += size;
        }
    }
    if (!bp_settings_agree(settings)) {
        return 0;
    }
    crc = bp_crc24_end(bp_crc24_add(BP_CRC_START, record, at));
    *generation = bp_get_u16(record);
    *address = record[2];
    return record[at] == (crc & 0xFFU) && record[at + 1] == (crc >> 8 & 0xFFU)
           && record[at + 2] == (crc >> 16 & 0xFFU) && record[2] >= BP_MIN_ADDRESS && record[2] <= BP_UNADDRESSED;
}

void bp_store_load(bp_store *store, const bp_hardware *hardware)
{
    bp_settings settings;
    uint16_t generation;
    uint8_t page, address;

    memset(store, 0, sizeof *store);
    store->page = BP_NO_PAGE;
    store->address = BP_UNADDRESSED;
    bp_settings_factory(&store->settings);
    for (page = 0; page < BP_PAGES; page++) {
        hardware->page_read(hardware->context, page, 0, store->record, BP_RECORD_ROOM);
        if (!bp_store_unpack(store->record, &generation, &address, &settings)) {
            continue;
        }
        /* generations wrap around: a copy is newer if its number is less than half the range ahead */
        if (store->page == BP_NO_PAGE || (uint16_t)(generation - store->generation) < 0x8000U) {
            store->page = page;
            store->generation = generation;
            store->address = address;
            store->settings = settings;
        }
    }
    store->is_lost = store->page == BP_NO_PAGE;
}

void bp_store_begin(bp_store *store, const bp_hardware *hardware, uint8_t address, const bp_settings *settings,
                    uint32_t now_us)
{
    uint16_t generation = (uint16_t)(store->page == BP_NO_PAGE ? 1U : store->generation + 1U);

    memset(store->record, 0xFF, sizeof store->record);
    store->length = (uint16_t)bp_store_pack(store->record, generation, address, settings);
    store->writes_page = store->page == 0 ? 1 : 0;
    store->next = 0;
    store->is_writing = 1;
    store->due_us = now_us + hardware->page_erase(hardware->context, store->writes_page);
}

int bp_store_step(bp_store *store, const bp_hardware *hardware, uint32_t now_us)
{
    uint8_t cells[BP_RECORD_ROOM];
    bp_settings settings;
    uint16_t generation;
    uint8_t address;

    if (!store->is_writing || !BP_REACHED(now_us, store->due_us)) {
        return 0;
    }
    if (store->next < store->length) {
        store->due_us = now_us
                        + hardware->page_program(hardware->context, store->writes_page, store->next,
                                                 store->record[store->next]);
        store->next++;
        return 0;
    }
    store->is_writing = 0;
    hardware->page_read(hardware->context, store->writes_page, 0, cells, BP_RECORD_ROOM);
    if (memcmp(cells, store->record, store->length) != 0
        || !bp_store_unpack(cells, &generation, &address, &settings)) { /* from the factory any address may come */
        return -1;
    }
    store->page = store->writes_page;
    store->generation = generation;
    store->address = address;
    store->settings = settings;
    return 1;
}

int bp_device_provision(const bp_hardware *hardware, uint8_t address, const uint8_t *values, size_t length)
{
    bp_store store;
    size_t at = 0;
    int came = 0;

    memset(&store, 0, sizeof store);
    store.page = BP_NO_PAGE;
    bp_settings_factory(&store.settings);
    while (at + 2 <= length && at + 2 + values[at + 1] <= length) {
        if (bp_settings_put(&store.settings, values[at], values + at + 2, values[at + 1]) != BP_OK) {
            return 0;
        }
        at += 2U + values[at + 1];
    }
    if (!bp_settings_agree(&store.settings)) {
        return 0;
    }
    bp_store_begin(&store, hardware, address, &store.settings, 0);
    while (store.is_writing) {
        came = bp_store_step(&store, hardware, store.due_us);
    }
    return came == 1 && at == length;
}

int bp_device_renumber(const bp_hardware *hardware, uint16_t generation)
{
    bp_store store;
    uint8_t copies;
    int came = 0;

    bp_store_load(&store, hardware);
    if (store.page == BP_NO_PAGE) {
        return 0;
    }
    store.generation = (uint16_t)(generation - BP_PAGES);
    for (copies = 0; copies < BP_PAGES; copies++) {
        bp_store_begin(&store, hardware, store.address, &store.settings, 0);
        came = 0;
        while (store.is_writing) {
            came = bp_store_step(&store, hardware, store.due_us);
        }
        if (came != 1) {
            return 0;
        }
    }
    return 1;
}
