/* Two copies of the settings, the older one written in the background: does.copies, does.generation. */
#include "device.h"

#include <string.h>

static int copy_is_whole(const bp_hardware *hardware, uint8_t page, struct settings *set, uint8_t *address,
                         uint16_t *generation)
{
    uint8_t image[PAGE_SIZE];

    hardware->page_read(hardware->context, page, 0, image, sizeof image);
    return settings_of(image, set, address, generation);
}

/* The newest whole copy; returns its page, or -1. The generation wraps around, so its difference counts. */
static int newest_copy(const bp_hardware *hardware, struct settings *set, uint8_t *address, uint16_t *generation)
{
    struct settings other;
    uint8_t other_address;
    uint16_t other_generation;
    int has_first = copy_is_whole(hardware, 0, set, address, generation);
    int has_second = copy_is_whole(hardware, 1, &other, &other_address, &other_generation);

    if (has_second && (!has_first || (uint16_t)(other_generation - *generation) < 0x8000U)) {
        *set = other;
        *address = other_address;
        *generation = other_generation;
        return 1;
    }
    return has_first ? 0 : -1;
}

void storage_load(bp_device *device)
{
    struct storage *storage = &device->storage;
    int page = newest_copy(&device->hardware, &storage->set, &storage->address, &storage->generation);

    storage->has_copy = page >= 0;
    storage->page = page == 1;
    if (page < 0) {
        factory_settings(&storage->set);
        storage->address = NO_ADDRESS;
        storage->generation = 0;
    }
    device->settings_lost = page < 0;
}

void storage_write(bp_device *device, const struct settings *set, uint8_t address, uint8_t is_assign)
{
    struct storage *storage = &device->storage;

    storage->new_set = *set;
    storage->new_address = address;
    storage->is_assign = is_assign;
    image_of(storage->image, set, address, (uint16_t)(storage->generation + 1U));
    storage->step = WRITE_ERASE;
    storage->place = 0;
    storage->due = device->now;
    storage_run(device);
}

static void end_write(bp_device *device)
{
    struct storage *storage = &device->storage;
    uint8_t written[PAGE_SIZE], page = storage->page ^ 1U;

    device->hardware.page_read(device->hardware.context, page, 0, written, sizeof written);
    storage->step = WRITE_IDLE;
    storage->due = NEVER;
    if (memcmp(written, storage->image, PAGE_SIZE) != 0) {
        write_has_ended(device, 0);
        return;
    }
    storage->has_copy = 1;
    storage->page = page;
    storage->generation = (uint16_t)(storage->generation + 1U);
    storage->address = storage->new_address;
    storage->set = storage->new_set;
    write_has_ended(device, 1);
}

/* Go on with the write as far as the memory allows. The check is at the end of the page, so it is written last. A byte
 * that stays erased needs no programming. */
void storage_run(bp_device *device)
{
    struct storage *storage = &device->storage;
    const bp_hardware *hardware = &device->hardware;
    uint8_t page = storage->page ^ 1U;

    while (storage->step != WRITE_IDLE && storage->due <= device->now) {
        if (storage->step == WRITE_ERASE) {
            storage->step = WRITE_BYTES;
            storage->due = device->now + hardware->page_erase(hardware->context, page);
            continue;
        }
        while (storage->place < PAGE_SIZE && storage->image[storage->place] == 0xFFU) {
            storage->place++;
        }
        if (storage->place < PAGE_SIZE) {
            storage->due = device->now + hardware->page_program(hardware->context, page, storage->place,
                                                   storage->image[storage->place]);
            storage->place++;
        } else {
            end_write(device);
        }
    }
}

static int put_copy(const bp_hardware *hardware, uint8_t page, const uint8_t *image)
{
    uint8_t written[PAGE_SIZE];

    (void)hardware->page_erase(hardware->context, page);
    for (uint8_t place = 0; place < PAGE_SIZE; place++) {
        if (image[place] != 0xFFU) {
            (void)hardware->page_program(hardware->context, page, place, image[place]);
        }
    }
    hardware->page_read(hardware->context, page, 0, written, sizeof written);
    return memcmp(written, image, PAGE_SIZE) == 0;
}

int bp_device_provision(const bp_hardware *hardware, uint8_t address, const uint8_t *values, size_t length)
{
    struct settings set;
    uint8_t image[PAGE_SIZE], empty[PAGE_SIZE];
    int32_t low, high, travel;
    size_t at = 0;

    if (address < 1U || address > NO_ADDRESS) {
        return 0;
    }
    factory_settings(&set);
    /* Table and travel may come in either order and have to fit each other at the end. */
    travel = set.value[TRAVEL];
    set.value[TRAVEL] = INT32_MAX;
    while (at < length) {
        const struct parameter *row = parameter_of(values[at]);
        uint8_t size;
        if (row == NULL || length - at < 2U) {
            return 0;
        }
        size = values[at + 1U];
        if (size > length - at - 2U) {
            return 0;
        }
        if (row->number == TRAVEL) {
            if (size != 2U) {
                return 0;
            }
            travel = u16_at(values + at + 2U);
        } else if (set_value(&set, row, values + at + 2U, size, &low, &high) != DONE) {
            return 0;
        }
        at += 2U + size;
    }
    put_u16(image, (uint32_t)travel);
    if (set_value(&set, parameter_of(TRAVEL), image, 2, &low, &high) != DONE) {
        return 0;
    }
    image_of(image, &set, address, 1);
    memset(empty, 0xFF, sizeof empty);
    return put_copy(hardware, 1, empty) && put_copy(hardware, 0, image);
}

int bp_device_renumber(const bp_hardware *hardware, uint16_t generation)
{
    struct settings set;
    uint8_t address, image[PAGE_SIZE], before[PAGE_SIZE];
    uint16_t old;
    int page = newest_copy(hardware, &set, &address, &old);

    if (page < 0) {
        return 0;
    }
    image_of(image, &set, address, generation);
    image_of(before, &set, address, (uint16_t)(generation - 1U));
    return put_copy(hardware, page == 0, before) && put_copy(hardware, page == 1, image);
}
