/* The board's conversation, in the main loop: frames in, commands queued, outcomes out. */
#include "core.h"

#include <string.h>

#include "outputs.h"

enum { HELLO = 0x01, TIME_REQUEST = 0x02, CANCEL = 0x03, STOP = 0x04, SLEEP_FOR = 0x05 };
enum { HELLO_ACK = 0x81, TIME_REPLY = 0x82, ACKNOWLEDGE = 0x83, DONE = 0x84, STATUS = 0x85 };
enum { SLEEPING = 0x86, SENSED = 0x87 };

static uint16_t get16(const uint8_t *p) { return (uint16_t)(p[0] | p[1] << 8); }

static uint32_t get32(const uint8_t *p) {
    return (uint32_t)get16(p) | (uint32_t)get16(p + 2) << 16;
}

static void put16(uint8_t *p, uint16_t v) {
    p[0] = (uint8_t)v;
    p[1] = (uint8_t)(v >> 8);
}

static void put32(uint8_t *p, uint32_t v) {
    put16(p, (uint16_t)v);
    put16(p + 2, (uint16_t)(v >> 16));
}

/* False where the line is full just now: whoever owes something tries again at the next poll. */
static bool has_room(const cr_board *b) { return b->hal->room() >= CR_LONGEST_SENT; }

static void send_payload(cr_board *b, uint8_t *payload, uint16_t count) {
    uint8_t out[CR_FRAME + 8];
    if (!has_room(b)) {
        return;
    }
    uint16_t crc = cr_crc(payload, count);
    payload[count] = (uint8_t)(crc >> 8);
    payload[count + 1] = (uint8_t)crc;
    uint16_t length = cr_cobs_encode(payload, (uint16_t)(count + 2), out);
    out[length++] = 0;
    b->hal->send(out, length);
}

static void acknowledge(cr_board *b) {
    b->owes = false;
    b->last_receipt = b->now;
    uint8_t p[16] = {ACKNOWLEDGE, b->expected};
    put32(p + 2, b->beyond);
    p[6] = (uint8_t)(b->config->queue - b->waiting - b->ended);
    send_payload(b, p, 7);
}

static void done(cr_board *b, uint8_t sequence, uint32_t at, uint8_t outcome) {
    uint8_t p[16] = {DONE, sequence};
    put32(p + 2, at);
    p[6] = outcome;
    send_payload(b, p, 7);
}

/* What waits is no longer to be played. The interrupt starts nothing while `dropping`; the
 * outcomes are told as those of commands that were played. */
static void drop_waiting(cr_board *b) {
    if (!b->dropping) {
        return;
    }
    uint8_t first = b->ended, count = b->waiting;
    for (uint8_t n = 0; n < count; n++) {
        cr_command *c = &b->queue[b->order[cr_place(cr_place(b->out, first), n)]];
        c->outcome = CR_CANCELLED;
        c->at = b->now;
    }
    b->hal->lock();
    b->ended = (uint8_t)(b->ended + count);
    b->waiting = 0;
    b->dropping = false;
    b->hal->unlock();
}

void cr_drop(cr_board *b) {
    b->dropping = true;
    drop_waiting(b);
}

void cr_init(cr_board *b, const cr_config *config, const cr_hal *hal, cr_kept *kept, uint32_t now,
             uint16_t restarts, uint32_t hung) {
    memset(b, 0, sizeof *b);
    b->config = config;
    b->hal = hal;
    b->now = b->heard = b->last_settle = b->last_loop = b->last_status = now;
    b->last_supply = b->last_rested = b->idle_since = b->awake_until = b->last_sensed = now;
    b->last_receipt = now - CR_RECEIPT_TICKS;
    b->silence_ticks = (uint32_t)config->silence_ms * 10u;
    b->millivolts = hal->millivolts();
    b->silent = true;
    b->restarts = restarts;
    for (uint8_t n = 0; n < CR_QUEUE; n++) {
        b->order[n] = n;
    }
    cr_heat_init(b, now);
    cr_start_dark(b);
    cr_recall(b, kept, hung);
}

/* Puts a command where its time has it, behind those of the same time. order[] is a ring of
 * all places: those that are neither ended nor waiting are free. */
static void insert(cr_board *b, const cr_command *c) {
    uint8_t busy = (uint8_t)(b->ended + b->waiting);
    uint8_t slot = b->order[cr_place(b->out, busy)];
    b->queue[slot] = *c;
    b->hal->lock();
    uint8_t head = cr_place(b->out, b->ended), place = b->waiting;
    while (place > 0) {
        uint8_t before = b->order[cr_place(head, (uint8_t)(place - 1))];
        if (cr_passed(c->at, b->queue[before].at)) {
            break;
        }
        b->order[cr_place(head, place)] = before;
        place--;
    }
    b->order[cr_place(head, place)] = slot;
    b->waiting++;
    b->hal->unlock();
}

/* Marks a sequence number as taken; what is complete from `expected` on moves it. */
static void receipt(cr_board *b, uint8_t ahead) {
    if (ahead > 0) {
        b->beyond |= (uint32_t)1 << (ahead - 1);
        return;
    }
    bool more = true;
    while (more) {
        b->expected++;
        more = b->beyond & 1u;
        b->beyond >>= 1;
    }
}

static void take(cr_board *b, cr_command *c) {
    if (b->session == 0) {
        return; /* just started: the host must say hello first */
    }
    uint8_t ahead = (uint8_t)(c->sequence - b->expected);
    bool fresh = ahead < CR_WINDOW && !(ahead > 0 && (b->beyond >> (ahead - 1) & 1u));
    bool late = cr_passed(b->now, c->at + CR_GRACE_TICKS + 1);
    bool free = b->ended + b->waiting < b->config->queue;
    if (fresh && late && has_room(b)) {
        receipt(b, ahead);
        b->hal->lock();
        b->refused++;
        b->hal->unlock();
        done(b, c->sequence, b->now, CR_LATE);
    } else if (fresh && !late && free) {
        receipt(b, ahead);
        insert(b, c);
    }
    b->owes = true;
}

static void hello_ack(cr_board *b, const uint8_t *p) {
    uint16_t session = get16(p + 2);
    b->told_to_sleep = false; /* somebody is there */
    b->owes_status = b->owes_status || (b->faults & CR_RESTING) != 0; /* before a plan begins */
    b->last_sensed = b->now - CR_SENSED_TICKS; /* and is told at once what the sensors read */
    /* One who speaks another version is answered, so that he can say so, but not obeyed. */
    uint16_t obeyed = p[1] == CR_VERSION ? session : 0;
    if (obeyed != b->session || obeyed == 0) {
        b->hal->lock();
        cr_release(b); /* another session's commands must not sound in this one */
        b->waiting = b->ended = 0;
        b->dropping = false;
        b->hal->unlock();
        b->session = obeyed;
        b->expected = 0;
        b->beyond = 0;
    }
    uint8_t out[20] = {HELLO_ACK, CR_VERSION};
    put16(out + 2, session);
    out[4] = CR_FIRMWARE;
    out[5] = b->config->coils;
    out[6] = b->config->motors;
    out[7] = b->config->queue;
    put16(out + 8, b->config->silence_ms);
    put16(out + 10, b->restarts);
    out[12] = b->config->lights;
    out[13] = b->config->dry_run ? 1 : 0;
    send_payload(b, out, 14);
}

static void time_reply(cr_board *b, const uint8_t *p) {
    uint8_t out[20] = {TIME_REPLY};
    put32(out + 1, get32(p + 1));
    put32(out + 5, b->now);
    put16(out + 9, b->session);
    send_payload(b, out, 11);
}

static void status(cr_board *b) {
    b->owes_status = !has_room(b);
    uint8_t out[20] = {STATUS};
    put16(out + 1, b->millivolts);
    out[3] = (uint8_t)b->hal->temperature();
    put16(out + 4, (uint16_t)cr_hottest_c(b));
    put16(out + 6, b->executed);
    put16(out + 8, b->refused);
    out[10] = b->faults;
    send_payload(b, out, 11);
}

static void sleep_for(cr_board *b, const uint8_t *p) {
    if (b->session == 0 && !b->told_to_sleep) {
        return; /* by one who has greeted, or says it again */
    }
    uint16_t after_s = get16(p + 5);
    after_s = after_s < CR_SLEEP_AFTER_MOST_S ? after_s : CR_SLEEP_AFTER_MOST_S;
    uint8_t out[16] = {SLEEPING};
    put32(out + 1, cr_tell_sleep(b, get32(p + 1), after_s));
    put16(out + 5, after_s);
    send_payload(b, out, 7);
}

static void tell_sensed(cr_board *b) {
    b->last_sensed = b->now;
    uint8_t out[16] = {SENSED};
    put32(out + 1, b->sensed.lux);
    put16(out + 5, (uint16_t)b->sensed.air_centi_c);
    out[7] = b->sensed.humidity_pct;
    out[8] = b->sensed.rain;
    send_payload(b, out, 9);
}

static bool parse_timed(const uint8_t *p, int count, cr_command *c) {
    memset(c, 0, sizeof *c);
    c->kind = p[0];
    c->sequence = p[1];
    c->channel = p[2];
    c->at = get32(p + 3);
    if (p[0] == CR_STRIKE && count == 9) {
        /* Hundredths of a millisecond to ticks, down: what is allowed as asked stays allowed. */
        uint16_t asked = get16(p + 7);
        c->length = asked > 0 && asked < 10 ? 1 : asked / 10u;
        c->pull = (uint16_t)c->length;
        c->duty = 255;
        return true;
    }
    if (p[0] == CR_HOLD && count == 14) {
        c->length = get32(p + 7);
        c->pull = get16(p + 11);
        c->duty = p[13];
        return true;
    }
    if (p[0] == CR_TURN && count == 13) {
        c->length = get32(p + 7);
        c->speed = get16(p + 11);
        return true;
    }
    if (p[0] == CR_LIGHT && count == 8) {
        c->duty = p[7];
        return true;
    }
    return false;
}

static bool hear(cr_board *b, const uint8_t *p, int count) {
    cr_command c;
    if (p[0] == HELLO && count == 4) {
        hello_ack(b, p);
    } else if (p[0] == TIME_REQUEST && count == 5) {
        time_reply(b, p);
    } else if (p[0] == CANCEL && count == 2) {
        cr_drop(b);
        acknowledge(b);
    } else if (p[0] == STOP && count == 2) {
        b->hal->lock();
        b->dropping = true;
        cr_release(b);
        b->hal->unlock();
        drop_waiting(b);
        acknowledge(b);
        status(b);
    } else if (p[0] == SLEEP_FOR && count == 7) {
        sleep_for(b, p);
    } else if (count >= 8 && parse_timed(p, count, &c)) {
        take(b, &c);
    } else {
        return false;
    }
    return true;
}

static void frame_done(cr_board *b) {
    uint8_t plain[CR_FRAME];
    int count = b->overlong ? -1 : cr_cobs_decode(b->frame, b->frame_count, plain);
    bool any = b->frame_count > 0 || b->overlong;
    b->frame_count = 0;
    b->overlong = false;
    if (count >= 3 && cr_crc(plain, (uint16_t)(count - 2)) ==
                          (uint16_t)(plain[count - 2] << 8 | plain[count - 1])) {
        drop_waiting(b); /* what comes now comes after a silence, and is not of it */
        if (hear(b, plain, count - 2)) {
            b->heard = b->now;
            b->silent = b->told_to_sleep; /* its session is over */
        }
    } else if (any) {
        b->hal->lock();
        b->faults |= CR_DAMAGED;
        b->hal->unlock();
    }
}

void cr_byte(cr_board *b, uint8_t byte) {
    if (byte == 0) {
        frame_done(b);
    } else if (b->frame_count < CR_FRAME) {
        b->frame[b->frame_count++] = byte;
    } else {
        b->overlong = true;
    }
}

void cr_press_stop(cr_board *b) {
    b->hal->lock();
    b->faults |= CR_STOPPED;
    b->dropping = true;
    cr_release(b);
    b->hal->unlock();
    drop_waiting(b);
    status(b);
}

void cr_sense_rain(cr_board *b, bool rains) {
    if (rains != ((b->faults & CR_RAIN) != 0)) {
        b->hal->lock();
        b->faults ^= CR_RAIN;
        b->hal->unlock();
    }
}

void cr_sense(cr_board *b, const cr_sensed *sensed) {
    b->sensed = *sensed;
    b->has_sensed = true;
}

/* Tells the outcomes that there are; each frees its place. */
static void report(cr_board *b) {
    while (b->ended > 0 && has_room(b)) {
        const cr_command *c = &b->queue[b->order[b->out]];
        done(b, c->sequence, c->at, c->outcome);
        b->hal->lock();
        b->out = cr_place(b->out, 1);
        b->ended--;
        b->hal->unlock();
        b->owes = true; /* places in the queue are free again */
    }
}

void cr_poll(cr_board *b) {
    drop_waiting(b);
    cr_judge(b);
    report(b);
    if (cr_passed(b->now, b->last_receipt + CR_RECEIPT_TICKS)) {
        if (!b->owes) {
            /* Never longer ago than it need be: after 2^31 ticks it would lie ahead. */
            b->last_receipt = b->now - CR_RECEIPT_TICKS;
        } else if (has_room(b)) {
            acknowledge(b);
        }
    }
    if (cr_passed(b->now, b->last_settle + CR_SETTLE_TICKS)) {
        b->last_settle = b->now;
        cr_settle_next(b);
    }
    bool told = cr_watch_supply(b);
    drop_waiting(b);
    told = cr_motor_loops(b) || told;
    told = cr_watch_rest(b) || told;
    /* Before the status: who asks for that has then heard what the sensors read. */
    if (b->has_sensed && has_room(b) && cr_passed(b->now, b->last_sensed + CR_SENSED_TICKS)) {
        tell_sensed(b);
    }
    bool due = cr_passed(b->now, b->last_status + CR_STATUS_TICKS);
    if (due) {
        b->last_status = b->now;
    }
    if (due || told || b->owes_status) {
        status(b);
    }
    cr_watch_sleep(b);
}
