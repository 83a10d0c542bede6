/* Answers about settings and about the device itself, see bp_answers.c. */
#ifndef BP_ANSWERS_H
#define BP_ANSWERS_H

#include "bp_port.h"
#include "bp_wire.h"

void bp_refuse(bp_message *reply, uint8_t code, int32_t low, int32_t high);
void bp_answer_read(const bp_settings *working, const bp_settings *stored, const bp_read *read, bp_message *reply);
/* These return 1 where working memory was changed. */
int bp_answer_write(bp_settings *working, const bp_write *write, bp_message *reply);
int bp_answer_undo(bp_settings *working, const bp_settings *stored, const bp_undo *undo, bp_message *reply);
void bp_answer_describe(const bp_identity *identity, uint16_t generation, bp_message *reply);
void bp_answer_describe_parameter(uint8_t index, bp_message *reply);

#endif
