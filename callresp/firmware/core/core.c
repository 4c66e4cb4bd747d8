/* The board's conversation: frames in, commands queued, outcomes out. */
#include "core.h"

#include <string.h>

#include "outputs.h"

enum { HELLO = 0x01, TIME_REQUEST = 0x02, CANCEL = 0x03, STOP = 0x04 };
enum { HELLO_ACK = 0x81, TIME_REPLY = 0x82, ACKNOWLEDGE = 0x83, DONE = 0x84, STATUS = 0x85 };

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

static void send_payload(cr_board *b, uint8_t *payload, uint16_t count) {
    uint8_t out[CR_FRAME + 8];
    uint16_t crc = cr_crc(payload, count);
    payload[count] = (uint8_t)(crc >> 8);
    payload[count + 1] = (uint8_t)crc;
    uint16_t length = cr_cobs_encode(payload, (uint16_t)(count + 2), out);
    out[length++] = 0;
    b->hal.send(out, length);
}

static void acknowledge(cr_board *b) {
    b->owes = false;
    b->last_receipt = b->now;
    uint8_t p[16] = {ACKNOWLEDGE, b->expected};
    put32(p + 2, b->beyond);
    p[6] = (uint8_t)(b->config.queue - b->waiting);
    send_payload(b, p, 7);
}

static void event(cr_board *b, uint8_t sequence, uint8_t outcome) {
    uint8_t next = (uint8_t)((b->event_in + 1) % CR_EVENTS);
    if (next == b->event_out) {
        return; /* the host learns by its own reckoning: outcome unknown */
    }
    b->event[b->event_in] = (cr_event){sequence, outcome, b->now};
    b->event_in = next;
}

static void cancel_all(cr_board *b) {
    for (uint8_t n = 0; n < b->waiting; n++) {
        event(b, b->queue[n].sequence, CR_CANCELLED);
    }
    b->waiting = 0;
}

void cr_release(cr_board *b) {
    for (uint8_t n = 0; n < b->config.coils; n++) {
        if (b->coil[n].on) {
            cr_coil_off(b, n);
        }
    }
    for (uint8_t n = 0; n < b->config.motors; n++) {
        if (b->motor[n].on) {
            cr_motor_off(b, n);
        }
    }
}

void cr_init(cr_board *b, const cr_config *config, const cr_hal *hal, uint32_t now,
             uint16_t restarts) {
    memset(b, 0, sizeof *b);
    b->config = *config;
    b->hal = *hal;
    b->now = b->heard = b->last_slot = b->last_loop = b->last_status = now;
    b->last_supply = b->last_rested = now;
    b->last_receipt = now - CR_RECEIPT_TICKS;
    b->millivolts = b->hal.millivolts();
    b->silent = true;
    b->restarts = restarts;
    /* Safe start: whatever the pins did during reset, all is off from here. */
    for (uint8_t n = 0; n < b->config.coils; n++) {
        b->coil[n].rise_at = now;
        cr_coil_off(b, n);
    }
    for (uint8_t n = 0; n < b->config.motors; n++) {
        cr_motor_off(b, n);
    }
    cr_lights_start(b);
}

static void insert(cr_board *b, const cr_command *c) {
    uint8_t place = b->waiting++;
    while (place > 0 && !cr_passed(c->at, b->queue[place - 1].at)) {
        b->queue[place] = b->queue[place - 1];
        place--;
    }
    b->queue[place] = *c;
}

/* Marks a sequence number as taken; what is complete from `expected` on moves it. */
static void receipt(cr_board *b, uint8_t ahead) {
    if (ahead > 0) {
        b->beyond |= 1u << (ahead - 1);
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
    if (fresh && (late || b->waiting < b->config.queue)) {
        receipt(b, ahead);
        if (late) {
            b->refused++;
            event(b, c->sequence, CR_LATE);
        } else {
            insert(b, c);
        }
    }
    b->owes = true;
}

static void hello_ack(cr_board *b, const uint8_t *p) {
    uint16_t session = get16(p + 2);
    /* One who speaks another version is answered, so that he can say so, but not obeyed. */
    uint16_t obeyed = p[1] == CR_VERSION ? session : 0;
    if (obeyed != b->session || obeyed == 0) {
        cr_release(b); /* another session's commands must not sound in this one */
        b->waiting = 0;
        b->session = obeyed;
        b->expected = 0;
        b->beyond = 0;
    }
    uint8_t out[20] = {HELLO_ACK, CR_VERSION};
    put16(out + 2, session);
    out[4] = CR_FIRMWARE;
    out[5] = b->config.coils;
    out[6] = b->config.motors;
    out[7] = b->config.queue;
    put16(out + 8, b->config.silence_ms);
    put16(out + 10, b->restarts);
    out[12] = b->config.lights;
    out[13] = b->config.dry_run ? 1 : 0;
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
    uint8_t out[20] = {STATUS};
    put16(out + 1, b->millivolts);
    out[3] = (uint8_t)b->hal.temperature();
    put16(out + 4, (uint16_t)cr_hottest_c(b));
    put16(out + 6, b->executed);
    put16(out + 8, b->refused);
    out[10] = b->faults;
    send_payload(b, out, 11);
}

static bool parse_timed(const uint8_t *p, int count, cr_command *c) {
    *c = (cr_command){.kind = p[0], .sequence = p[1], .channel = p[2], .at = get32(p + 3)};
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
        cancel_all(b);
        acknowledge(b);
    } else if (p[0] == STOP && count == 2) {
        cr_release(b);
        cancel_all(b);
        acknowledge(b);
        status(b);
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
        b->hal.lock();
        if (hear(b, plain, count - 2)) {
            b->heard = b->now;
            b->silent = false;
        }
        b->hal.unlock();
    } else if (any) {
        b->faults |= CR_DAMAGED;
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

void cr_tick(cr_board *b, uint32_t now) {
    b->now = now;
    cr_end_due(b);
    if (!b->silent && cr_passed(now, b->heard + (uint32_t)b->config.silence_ms * 10u)) {
        b->silent = true;
        b->faults |= CR_SILENCE;
        cr_release(b);
        cancel_all(b);
    }
    while (b->waiting > 0 && cr_passed(now, b->queue[0].at)) {
        cr_command c = b->queue[0];
        b->waiting--;
        memmove(b->queue, b->queue + 1, b->waiting * sizeof c);
        uint8_t outcome = cr_execute(b, &c);
        *(outcome == CR_EXECUTED ? &b->executed : &b->refused) += 1;
        event(b, c.sequence, outcome);
    }
    if (cr_passed(now, b->last_slot + CR_SLOT_TICKS)) {
        b->last_slot = now;
        cr_heat_slot(b);
    }
    if (cr_passed(now, b->last_loop + CR_LOOP_TICKS)) {
        b->last_loop = now;
        cr_motor_loop(b);
    }
}

void cr_press_stop(cr_board *b) {
    b->hal.lock();
    b->faults |= CR_STOPPED;
    cr_release(b);
    cancel_all(b);
    b->hal.unlock();
    status(b);
}

void cr_sense_rain(cr_board *b, bool rains) {
    if (rains != ((b->faults & CR_RAIN) != 0)) {
        b->hal.lock();
        b->faults ^= CR_RAIN;
        b->hal.unlock();
    }
}

static bool loaded(const cr_board *b) {
    bool on = false;
    for (uint8_t n = 0; n < b->config.coils; n++) {
        on = on || b->coil[n].on;
    }
    for (uint8_t n = 0; n < b->config.motors; n++) {
        on = on || b->motor[n].on;
    }
    return on;
}

/* A reading counts while nothing draws the supply down; under a load that lasts, any does. */
static bool reading_counts(cr_board *b) {
    b->sagging = b->sagging && !cr_passed(b->now, b->load_off + CR_SAG_TICKS);
    if (!loaded(b) && !b->sagging) {
        b->last_rested = b->now;
        return true;
    }
    return cr_passed(b->now, b->last_rested + CR_BLIND_TICKS);
}

/* A flat battery is spared: all is released, and nothing more is switched on until it has been
 * good again for a while, with some to spare. */
static void watch_supply(cr_board *b) {
    if (!cr_passed(b->now, b->last_supply + CR_SUPPLY_TICKS)) {
        return;
    }
    b->last_supply = b->now;
    if (!reading_counts(b)) {
        return;
    }
    b->millivolts = b->hal.millivolts();
    bool low = b->millivolts < b->config.cutoff_mv;
    bool good = b->millivolts >= (uint32_t)b->config.cutoff_mv + b->config.cutoff_mv / 32u;
    bool faulty = (b->faults & CR_LOW_VOLTAGE) != 0;
    b->low_since = low && b->low ? b->low_since : b->now;
    b->good_since = faulty && good && b->good ? b->good_since : b->now;
    b->low = low;
    b->good = good;
    if (!faulty && low && cr_passed(b->now, b->low_since + CR_LOW_TICKS)) {
        b->hal.lock();
        b->faults |= CR_LOW_VOLTAGE;
        cr_release(b);
        cancel_all(b);
        b->hal.unlock();
        status(b);
    } else if (faulty && cr_passed(b->now, b->good_since + CR_GOOD_TICKS)) {
        b->hal.lock();
        b->faults &= (uint8_t)~CR_LOW_VOLTAGE;
        b->hal.unlock();
        status(b);
    }
}

void cr_poll(cr_board *b) {
    while (b->event_out != b->event_in) {
        cr_event e = b->event[b->event_out];
        b->event_out = (uint8_t)((b->event_out + 1) % CR_EVENTS);
        uint8_t p[16] = {DONE, e.sequence};
        put32(p + 2, e.at);
        p[6] = e.outcome;
        send_payload(b, p, 7);
        b->owes = true; /* places in the queue are free again */
    }
    if (cr_passed(b->now, b->last_receipt + CR_RECEIPT_TICKS)) {
        if (b->owes) {
            b->hal.lock();
            acknowledge(b);
            b->hal.unlock();
        } else {
            /* Never longer ago than it need be: after 2^31 ticks it would lie ahead. */
            b->last_receipt = b->now - CR_RECEIPT_TICKS;
        }
    }
    watch_supply(b);
    if (cr_passed(b->now, b->last_status + CR_STATUS_TICKS)) {
        b->last_status = b->now;
        status(b);
    }
}
