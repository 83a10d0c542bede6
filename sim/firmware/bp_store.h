/* Stored memory: two copies of address and settings, see bp_store.c. */
#ifndef BP_STORE_H
#define BP_STORE_H

#include "bp_port.h"
#include "bp_wire.h"

#define BP_RECORD_ROOM 128U
#define BP_PAGES 2U
#define BP_NO_PAGE 0xFFU

/* Stored memory. */
typedef struct bp_store {
    bp_settings settings; /* as stored; factory where no copy is whole */
    uint8_t address;
    uint16_t generation;
    uint8_t page; /* with the newest valid copy, BP_NO_PAGE for none */
    uint8_t is_lost; /* no copy was whole at power-up */
    uint8_t is_writing;
    uint8_t writes_page;
    uint16_t next; /* byte to be programmed */
    uint16_t length;
    uint32_t due_us;
    uint8_t record[BP_RECORD_ROOM];
} bp_store;

void bp_store_load(bp_store *store, const bp_hardware *hardware);
void bp_store_begin(bp_store *store, const bp_hardware *hardware, uint8_t address, const bp_settings *settings,
                    uint32_t now_us);
/* Write the next byte if it is due. Returns 0 while the write goes on, 1 when the copy is whole, -1 when it failed. */
int bp_store_step(bp_store *store, const bp_hardware *hardware, uint32_t now_us);

#endif
