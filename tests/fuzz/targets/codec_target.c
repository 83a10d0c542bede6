/* The generated codec under the fuzzer: its receiver, frames, messages, parameter table and hash.
 *
 * An input is a list of actions. Frames and encoded bodies get their right check bytes here, so that what lies behind
 * the check is reached. Every frame and every refusal is held against the slow reading in oracle.h. */
#include "oracle.h"

#define OWN_ADDRESS 5U

typedef struct stream {
    bp_receiver receiver;
    uint8_t chunk[256];
    size_t size;
    uint32_t good, bad;
} stream;

/* A message out of a frame, and back into an equal one. */
static void message_of(const bp_frame *frame)
{
    bp_message message, other;
    bp_frame again = *frame;
    const bp_operation *operation = bp_operation_of(frame->operation);
    bp_result result;

    memset(&message, 0xA5, sizeof message);
    memset(&other, 0x5A, sizeof other);
    result = bp_unpack_message(&message, frame);
    MUST(result == bp_unpack_message(&other, frame), "a message depends on what was in memory");
    if (result != BP_OK) {
        MUST(result == BP_UNKNOWN || result == BP_BAD_CONTENT, "a message is refused by %d", result);
        MUST(result == BP_UNKNOWN || operation != NULL || frame->is_reply, "content of an unknown operation");
        return;
    }
    MUST(message.kind == other.kind, "the kind of a message depends on what was in memory");
    memset(again.payload, 0xEE, sizeof again.payload);
    again.payload_length = 0xEE;
    MUST(bp_pack_message(&message, &again) == BP_OK, "message %d cannot be packed again", message.kind);
    MUST(same_frame(frame, &again), "message %d is another when packed again", message.kind);
    again.payload_length = 0xEE;
    MUST(bp_pack_message(&other, &again) == BP_OK && same_frame(frame, &again),
         "message %d is packed with what was in memory", message.kind);
}

static void feed(stream *s, uint8_t byte)
{
    bp_frame heard, wanted, decoded;
    uint8_t wire[BP_MAX_WIRE_BYTES];
    bp_result why;
    bp_event event;
    size_t size = s->size;

    memset(&heard, 0xA5, sizeof heard);
    event = bp_receiver_byte(&s->receiver, byte, &heard);
    if (byte != 0) {
        MUST(event == BP_NOTHING, "a byte inside of a piece ended it");
        if (s->size < sizeof s->chunk) {
            s->chunk[s->size++] = byte;
        }
        return;
    }
    s->size = 0;
    if (size == 0) {
        MUST(event == BP_NOTHING, "an empty piece is something");
        return;
    }
    why = slow_frame(s->chunk, size, &wanted);
    memset(&decoded, 0x5A, sizeof decoded);
    MUST(bp_decode_chunk(&decoded, s->chunk, size) == why, "a piece is %d by the page, not so when decoded whole", why);
    s->good += why == BP_OK;
    s->bad += why != BP_OK;
    MUST(s->receiver.good == s->good && s->receiver.bad == s->bad, "the counters are off");
    if (why != BP_OK) {
        MUST(event == BP_BAD_PIECE && s->receiver.why == why, "a piece is %d by the page, event %d, why %d", why, event,
             s->receiver.why);
        return;
    }
    MUST(event == BP_FRAME, "a good frame was not found");
    MUST(same_frame(&heard, &wanted) && same_frame(&decoded, &wanted), "a frame was read as another");
    MUST(bp_encode_frame(&heard, wire) == size + 2, "a frame is as long as another when encoded again");
    MUST(wire[0] == 0 && memcmp(wire + 1, s->chunk, size) == 0 && wire[size + 1] == 0, "not the same bytes again");
    message_of(&heard);
}

static void feed_all(stream *s, const uint8_t *data, size_t size)
{
    size_t at;

    for (at = 0; at < size; at++) {
        feed(s, data[at]);
    }
}

/* Any bytes as what is between the delimiters, with the right check behind. */
static void feed_encoded(stream *s, fuzz_input *in)
{
    uint8_t encoded[160], wire[180];
    size_t at, size = take_bytes(in, encoded, take(in) % 140U);

    for (at = 0; at < size; at++) {
        encoded[at] = encoded[at] ? encoded[at] : 1;
    }
    feed_all(s, wire, slow_seal(encoded, size, wire));
}

static void feed_body(stream *s, fuzz_input *in)
{
    uint8_t body[130], encoded[140], wire[160];
    size_t size = take_bytes(in, body, take(in) % 130U);

    feed_all(s, wire, slow_seal(encoded, slow_remove(body, size, encoded), wire));
}

/* A frame, whole or with one bit of it turned. */
static void feed_frame(stream *s, fuzz_input *in, int is_hit)
{
    uint8_t wire[BP_MAX_WIRE_BYTES], slow[160];
    uint16_t hit = is_hit ? take_two(in) : 0;
    bp_frame frame;
    size_t size;

    take_frame(in, &frame, OWN_ADDRESS);
    size = bp_encode_frame(&frame, wire);
    MUST(size == slow_wire(&frame, slow) && memcmp(wire, slow, size) == 0,
         "a frame is encoded otherwise than the page has it");
    if (is_hit) {
        wire[hit / 8U % size] ^= (uint8_t)(1U << hit % 8U);
    }
    feed_all(s, wire, size);
}

/* Anything as a message: refused, or packed into what is read as the same. */
static void pack_anything(fuzz_input *in)
{
    bp_message message;
    bp_frame frame, again;
    bp_message back;

    memset(&message, 0, sizeof message);
    memset(&frame, 0, sizeof frame);
    message.kind = (bp_kind)(take(in) % 44U);
    frame.operation = take(in);
    frame.is_reply = frame.operation >> 7;
    frame.operation &= 0x7F;
    take_bytes(in, (uint8_t *)&message.as, take(in) % (sizeof message.as + 1));
    if (bp_pack_message(&message, &frame) != BP_OK) {
        return;
    }
    MUST(frame.payload_length <= BP_MAX_PAYLOAD_BYTES, "message %d is too long", message.kind);
    again = frame;
    if (bp_unpack_message(&back, &frame) == BP_OK && back.kind == message.kind) {
        MUST(bp_pack_message(&back, &again) == BP_OK && same_frame(&frame, &again), "message %d changes", message.kind);
    }
}

/* Anything as a frame: refused where the page has no such, and then nothing is written. */
static void encode_anything(fuzz_input *in)
{
    bp_frame frame, back;
    uint8_t wire[BP_MAX_WIRE_BYTES];
    size_t size;
    int may;

    memset(&frame, 0, sizeof frame);
    take_bytes(in, (uint8_t *)&frame, take(in) % (sizeof frame + 1));
    frame.is_reply &= 1;
    frame.tag = frame.is_reply ? frame.tag : 0;
    may = frame.payload_length <= 112 && (frame.destination <= 0xF0 || frame.destination == 0xFF)
          && frame.source <= 0xF0;
    size = bp_encode_frame(&frame, wire);
    MUST((size != 0) == may, "a frame was %s", may ? "refused" : "encoded that may not be");
    if (may) {
        MUST(slow_frame(wire + 1, size - 2, &back) == BP_OK && same_frame(&frame, &back),
             "a frame is encoded as another");
    }
}

static void put(bp_settings *settings, uint8_t number, const uint8_t *value, size_t size)
{
    uint8_t back[BP_LONGEST_VALUE_BYTES], at;
    bp_settings before = *settings;
    bp_result wanted = wanted_of_put(number, value, size), got = bp_settings_put(settings, number, value, size);

    MUST(got == wanted, "parameter %d gives %d, the table says %d", number, got, wanted);
    check_settings(settings, "given");
    MUST(bp_settings_least(settings, BP_PARAMETER_TRAVEL)
             == slow_least_travel(settings->correction, settings->correction_count),
         "another least travel than the page has");
    MUST(bp_settings_agree(settings) == (settings->travel >= bp_settings_least(settings, BP_PARAMETER_TRAVEL)),
         "a set is %s that is not", bp_settings_agree(settings) ? "called good" : "refused");
    if (got != BP_OK) {
        MUST(same_settings(&before, settings), "a refused value of parameter %d is kept", number);
        return;
    }
    MUST(bp_settings_get(settings, number, back) == size && memcmp(back, value, size) == 0,
         "parameter %d is another", number);
    for (at = 0; at < BP_PARAMETERS; at++) {
        uint8_t other[BP_LONGEST_VALUE_BYTES];

        if (bp_parameters[at].number != number) {
            size = bp_settings_get(&before, bp_parameters[at].number, other);
            MUST(bp_settings_get(settings, bp_parameters[at].number, back) == size && memcmp(back, other, size) == 0,
                 "parameter %d changes another", number);
        }
    }
}

/* Any number with any bytes (below 64); one row (below 192) or every row with a value at its edge or between. */
static void put_parameter(bp_settings *settings, fuzz_input *in)
{
    uint8_t value[80], number = take(in), how = take(in);
    size_t at;

    if (number < 64) {
        at = take_bytes(in, value, how % sizeof value);
        put(settings, number, value, at);
        return;
    }
    for (at = 0; at < BP_PARAMETERS; at++) {
        if (number >= 192 || number % BP_PARAMETERS == at) {
            put(settings, bp_parameters[at].number, value, take_value(in, &bp_parameters[at], how, value));
        }
    }
}

static void hash(fuzz_input *in)
{
    uint8_t uid[8] = {0}, salt = take(in);
    uint16_t epoch = take_two(in), slots = take_two(in);
    uint32_t h;

    take_bytes(in, uid, sizeof uid);
    h = slow_hash(uid, salt, epoch);
    MUST(bp_uid_hash(uid, epoch, salt) == h, "another hash than the page has");
    MUST(bp_slot_of(h, slots) == (uint16_t)((h & 0xFFFF) * (uint64_t)slots >> 16), "another slot");
    MUST(bp_digest_of(h) == h >> 16 && bp_list_answer(h) == (0x80 | (h & 0x7F)), "another digest or answer");
    MUST(bp_unlisted_answer(h) == ((h & 0x7F) ? (h & 0x7F) : 1), "another answer of an unlisted actuator");
    MUST(bp_device_tag(uid) == slow_hash(uid, 0, 0) >> 16, "another tag");
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    fuzz_input in = {data, size, 0};
    stream *s = malloc(sizeof *s); /* of its own, so that a byte beyond its end is seen */
    bp_settings settings;
    uint8_t raw[256];

    memset(s, 0xA5, sizeof *s);
    s->size = 0;
    s->good = s->bad = 0;
    bp_receiver_start(&s->receiver);
    bp_settings_factory(&settings);
    check_settings(&settings, "factory");
    while (in.at < in.size) {
        switch (take(&in) & 15) {
        case 0:
            feed_all(s, raw, take_bytes(&in, raw, take(&in)));
            break;
        case 1:
            feed_frame(s, &in, 0);
            break;
        case 2:
            feed_frame(s, &in, 1);
            break;
        case 3:
            feed_body(s, &in);
            break;
        case 4:
            feed_encoded(s, &in);
            break;
        case 5:
            pack_anything(&in);
            break;
        case 6:
            encode_anything(&in);
            break;
        case 7:
            put_parameter(&settings, &in);
            break;
        case 8:
            hash(&in);
            break;
        default:
            feed(s, 0);
            break;
        }
    }
    free(s);
    return 0;
}
