/* The host inside: greets, keeps the heartbeat, sends commands as far as there is room. */
#include "plan_player.h"

#include <string.h>

enum { HELLO = 0x01, TIME_REQUEST = 0x02, STRIKE = 0x10, HOLD = 0x11, TURN = 0x12, LIGHT = 0x13 };

static void put(uint8_t *p, uint32_t value, int bytes) {
    for (int n = 0; n < bytes; n++) {
        p[n] = (uint8_t)(value >> (8 * n));
    }
}

/* A message as it would come from the line; what half a frame noise has left is ended first. */
static void say(cr_player *p, uint8_t *payload, uint16_t count) {
    uint8_t out[CR_FRAME];
    uint16_t crc = cr_crc(payload, count);
    payload[count] = (uint8_t)(crc >> 8);
    payload[count + 1] = (uint8_t)crc;
    uint16_t length = cr_cobs_encode(payload, (uint16_t)(count + 2), out);
    cr_byte(p->board, 0);
    for (uint16_t n = 0; n < length; n++) {
        cr_byte(p->board, out[n]);
    }
    cr_byte(p->board, 0);
}

static void greet(cr_player *p) {
    uint8_t payload[8] = {HELLO, CR_VERSION};
    put(payload + 2, CR_PLAYER_SESSION, 2);
    say(p, payload, 4);
}

/* Whether the core took it: where its queue is full it does not, and it is sent again. */
static bool taken(cr_player *p, const cr_plan_row *c, uint32_t at) {
    uint8_t payload[20] = {c->kind, (uint8_t)p->next, c->channel};
    uint16_t count = 8;
    put(payload + 3, at, 4);
    if (c->kind == STRIKE) {
        put(payload + 7, c->length, 2);
        count = 9;
    } else if (c->kind == LIGHT) {
        payload[7] = c->duty;
    } else {
        put(payload + 7, c->length, 4);
        put(payload + 11, c->kind == HOLD ? c->pull : c->speed, 2);
        payload[13] = c->duty;
        count = c->kind == HOLD ? 14 : 13;
    }
    say(p, payload, count);
    return p->board->expected == (uint8_t)(p->next + 1);
}

void cr_player_init(cr_player *p, const cr_plan *plan, cr_board *board, uint32_t now) {
    memset(p, 0, sizeof *p);
    p->plan = plan;
    p->board = board;
    p->last = now;
}

void cr_player_light(cr_player *p, uint32_t lux) {
    bool lit = lux >= p->plan->lux;
    p->lit_since = lit && p->lit ? p->lit_since : p->ticks;
    p->lit = lit;
}

static bool due(const cr_player *p) {
    if (p->ticks < p->plan->after_ticks || (p->board->faults & CR_RESTING)) {
        return false;
    }
    return p->plan->lux == 0 || (p->lit && p->ticks - p->lit_since >= CR_PLAYER_DAWN_TICKS);
}

static void play(cr_player *p) {
    if (p->board->session != CR_PLAYER_SESSION) {
        p->state = CR_PLAYER_YIELDED;
        return;
    }
    if (p->ticks >= p->beat) {
        uint8_t payload[16] = {TIME_REQUEST};
        p->beat = p->ticks + CR_PLAYER_BEAT_TICKS;
        put(payload + 1, p->last, 4);
        say(p, payload, 5);
    }
    while (p->next < p->plan->count) {
        const cr_plan_row *c = &p->plan->row[p->next];
        uint64_t at = p->first + c->at;
        if (at > p->ticks + CR_PLAYER_AHEAD_TICKS ||
            !taken(p, c, p->last + (uint32_t)(at - p->ticks))) {
            return;
        }
        p->next++;
    }
    if (p->ticks > p->first + p->plan->end + CR_PLAYER_LEAD_TICKS) {
        p->state = CR_PLAYER_ENDED;
    }
}

void cr_player_poll(cr_player *p, uint32_t now) {
    p->ticks += (uint32_t)(now - p->last);
    p->last = now;
    if (p->board->session != 0 && p->board->session != CR_PLAYER_SESSION) {
        p->state = CR_PLAYER_YIELDED;
    } else if (p->state == CR_PLAYER_WAITS && due(p)) {
        p->state = CR_PLAYER_PLAYS;
        p->first = p->ticks + CR_PLAYER_LEAD_TICKS;
        greet(p);
    }
    if (p->state == CR_PLAYER_PLAYS) {
        play(p);
    }
}
