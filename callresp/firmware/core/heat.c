/* How warm a coil is, and whether it may be switched on: what takes long, in the main loop.
 *
 * A command is judged some milliseconds before its time, for its time: what the coil does until
 * then is known, since only the next on-time can change it, and that makes a judgement stale.
 */
#include "outputs.h"

/* An on-time as the interrupt left it, and when it was looked at. */
typedef struct {
    uint32_t now, from, pull_until, until;
    uint16_t permit;
    uint8_t begun, hold_duty;
    bool on;
} pulse;

/* With `anew` whatever was judged of this coil no longer counts, so that nothing of it begins. */
static pulse seen(cr_board *b, uint8_t n, bool anew) {
    pulse p;
    b->hal->lock();
    b->coil[n].permit = (uint16_t)(b->coil[n].permit + (anew ? 1u : 0u));
    p.permit = b->coil[n].permit;
    p.now = b->now;
    p.from = b->coil[n].from;
    p.until = b->coil[n].until;
    p.pull_until = b->coil[n].pull_until;
    p.begun = b->coil[n].begun;
    p.hold_duty = b->coil[n].hold_duty;
    p.on = cr_coil_is_on(b, n);
    b->hal->unlock();
    if (!cr_passed(p.until, p.pull_until)) {
        p.pull_until = p.until; /* released while it pulled */
    }
    return p;
}

/* The rise that `duty` would hold a coil at: its loss falls as its copper, now `rise_nk` over
 * the air, warms, by 0.393 % a kelvin from 20 degrees (IEC 60028). */
static int64_t goal_nk(const cr_board *b, uint8_t n, int64_t rise_nk, uint8_t duty) {
    int64_t over_20_mk = b->config->ambient_mc + rise_nk / 1000000 - 20000;
    int64_t resistance = 1000000 + 393 * over_20_mk / 100;
    int64_t part = (int64_t)b->config->coil[n].goal_mk * 1000000 * duty / 255;
    return part / resistance * 1000000 + part % resistance * 1000000 / resistance;
}

/* 1 - exp(-x) in 2^-28, for x in 2^-28: x / (1 + x/2 + x^2/12), good to 1 in 10,000 up to
 * x = 0.5, and on the cool side of nothing beyond. */
static int64_t share_q28(int64_t x) {
    int64_t one = 1 << 28;
    x = x > 4 * one ? 4 * one : x;
    return (x << 28) / (one + x / 2 + (x * x >> 28) / 12);
}

/* The rise after `ticks` at `duty`, in steps as short as a hundredth of the time constant, but
 * no more than 32 of them, each with the copper as it is at its start: coolest, so warmest. */
int64_t cr_rise_after_nk(const cr_board *b, uint8_t n, int64_t rise_nk, uint32_t ticks, uint8_t duty) {
    uint32_t tau = b->config->coil[n].tau_ticks;
    uint64_t wanted = (uint64_t)ticks * 100 / tau + 1;
    uint32_t steps = duty == 0 ? 1 : wanted > 32 ? 32 : (uint32_t)wanted;
    for (uint32_t left = ticks; left > 0; steps--) {
        uint32_t step = (left + steps - 1) / steps;
        int64_t below_nk = (duty == 0 ? 0 : goal_nk(b, n, rise_nk, duty)) - rise_nk;
        rise_nk += below_nk / 1024 * share_q28(((int64_t)step << 28) / tau) / (1 << 18);
        left -= step;
    }
    return rise_nk;
}

/* A coil that is followed through a stretch of time. */
typedef struct {
    const cr_board *board;
    uint8_t coil;
    int64_t rise_nk;
    uint32_t at;
} course;

static void go_on(course *c, uint32_t edge, uint32_t then, uint8_t duty) {
    uint32_t stop = cr_passed(edge, then) ? then : edge;
    if (stop != c->at && cr_passed(stop, c->at)) {
        c->rise_nk = cr_rise_after_nk(c->board, c->coil, c->rise_nk, stop - c->at, duty);
        c->at = stop;
    }
}

/* The rise at `then`, by what the coil did and does until then. */
static int64_t rise_at_nk(const cr_board *b, uint8_t n, const pulse *p, uint32_t then) {
    course c = {b, n, b->coil[n].rise_nk, b->coil[n].rise_at};
    if (p->begun != b->coil[n].booked) {
        go_on(&c, p->from, then, 0);
        go_on(&c, p->pull_until, then, 255);
        go_on(&c, p->until, then, p->hold_duty);
    }
    go_on(&c, then, then, 0);
    return c.rise_nk;
}

/* Brings heat and relative on-time up to the time of `p`. */
static void settle(cr_board *b, uint8_t n, const pulse *p) {
    cr_coil *coil = &b->coil[n];
    const cr_coil_limits *limits = &b->config->coil[n];
    if (!limits->present) {
        return;
    }
    if (coil->rise_nk != 0 || p->begun != coil->booked) {
        coil->rise_nk = rise_at_nk(b, n, p, p->now);
    }
    if (coil->assumed_nk != 0) {
        coil->assumed_nk = cr_rise_after_nk(b, n, coil->assumed_nk, p->now - coil->rise_at, 0);
    }
    coil->rise_at = p->now;
    cr_duty_forget(&coil->duty, limits->cycle_ticks, p->now);
    if (p->begun != coil->booked && !p->on) {
        coil->booked = p->begun;
        if (p->until != p->from) {
            cr_duty_remember(&coil->duty, limits->cycle_ticks, p->from, p->until - p->from);
        }
    }
}

static bool within_duty(const cr_board *b, uint8_t n, const pulse *p, uint32_t at, uint32_t length) {
    const cr_coil_limits *limits = &b->config->coil[n];
    if (limits->duty_ticks >= limits->cycle_ticks) {
        return true;
    }
    uint32_t since = at + length - limits->cycle_ticks;
    uint64_t used = length < limits->cycle_ticks ? length : limits->cycle_ticks;
    used += cr_duty_used(&b->coil[n].duty, since);
    if (p->on && !cr_passed(since, p->until)) {
        used += p->until - (cr_passed(since, p->from) ? since : p->from);
    }
    return used <= limits->duty_ticks;
}

/* The warmest that a command makes its coil. */
static int64_t peak_nk(const cr_board *b, uint8_t n, const pulse *p, const cr_command *c,
                       uint32_t at) {
    uint32_t pull = c->pull < c->length ? c->pull : c->length;
    int64_t pulled_nk = cr_rise_after_nk(b, n, rise_at_nk(b, n, p, at), pull, 255);
    int64_t held_nk = cr_rise_after_nk(b, n, pulled_nk, c->length - pull, c->duty);
    return pulled_nk > held_nk ? pulled_nk : held_nk;
}

static void judge(cr_board *b, cr_command *c) {
    uint8_t n = c->channel;
    const cr_coil_limits *limits = &b->config->coil[n];
    pulse p = seen(b, n, true);
    settle(b, n, &p);
    uint32_t at = cr_passed(p.now, c->at) ? p.now : c->at;
    bool fit = c->length > 0 && c->length <= limits->on_max && within_duty(b, n, &p, at, c->length);
    int64_t hot_nk = fit ? peak_nk(b, n, &p, c, at) : 0;
    fit = fit && hot_nk <= (int64_t)limits->limit_mk * 1000000;
    if (fit) {
        cr_keep_stroke(b, n, hot_nk, c->length); /* whole before it may begin */
    }
    uint32_t held_ua = (uint32_t)((uint64_t)limits->microamps * c->duty / 255);
    b->hal->lock();
    b->coil[n].permitted_until = at + CR_GRACE_TICKS;
    c->held_ua = held_ua;
    c->permit = p.permit;
    c->verdict = fit ? CR_FIT : CR_UNFIT;
    b->hal->unlock();
}

/* A run is kept as one that jams until it is seen to turn. */
static void judge_run(cr_board *b, cr_command *c) {
    cr_motor *motor = &b->motor[c->channel];
    cr_keep_motor(b, c->channel, cr_longest_rest(b, c->channel));
    b->hal->lock();
    motor->permitted_until = c->at + CR_GRACE_TICKS + 1;
    c->verdict = CR_FIT;
    b->hal->unlock();
}

/* The command that waits in this place and is due soon; or none. */
static cr_command *due_soon(cr_board *b, uint8_t number) {
    cr_command *c = 0;
    b->hal->lock();
    if (number < b->waiting) {
        c = cr_waiting(b, number);
        c = cr_passed(b->now + CR_JUDGE_TICKS, c->at) ? c : 0;
    }
    b->hal->unlock();
    return c;
}

/* Judges the next command of a coil that has not been, and no more: the line must not wait. */
void cr_judge(cr_board *b) {
    uint32_t of_coils = 0;
    cr_command *c;
    for (uint8_t number = 0; (c = due_soon(b, number)) != 0; number++) {
        if (c->kind == CR_TURN && c->channel < b->config->motors && c->verdict == CR_UNJUDGED) {
            judge_run(b, c);
            return;
        }
        bool of_coil = c->kind == CR_STRIKE || c->kind == CR_HOLD;
        if (!of_coil || c->channel >= b->config->coils || !b->config->coil[c->channel].present ||
            (of_coils >> c->channel & 1u)) {
            continue; /* what comes after another of its coil can't be judged before that */
        }
        of_coils |= (uint32_t)1 << c->channel;
        const cr_coil *coil = &b->coil[c->channel];
        if (c->verdict == CR_UNJUDGED || c->permit != coil->permit ||
            (coil->booked != coil->begun && !cr_coil_is_on(b, c->channel))) {
            judge(b, c);
            return;
        }
    }
}

void cr_heat_init(cr_board *b, uint32_t now) {
    for (uint8_t n = 0; n < b->config->coils; n++) {
        b->coil[n].rise_at = now;
        cr_duty_init(&b->coil[n].duty, b->config->coil[n].cycle_ticks, now);
    }
}

/* One coil after another is brought up to date. One that is past its limit by a kelvin, which
 * only a fault of the hardware can bring about, is switched off. */
void cr_settle_next(cr_board *b) {
    uint8_t n = b->next_coil;
    b->next_coil = (uint8_t)(n + 1 < b->config->coils ? n + 1 : 0);
    if (n >= b->config->coils) {
        return;
    }
    pulse p = seen(b, n, false);
    settle(b, n, &p);
    cr_keep_coil(b, n);
    if (p.on && b->coil[n].rise_nk / 1000000 > b->config->coil[n].limit_mk + 1000) {
        b->hal->lock();
        if (cr_coil_is_on(b, n)) {
            cr_coil_off(b, n);
        }
        b->faults |= CR_HOT;
        b->hal->unlock();
    }
}

/* All of them at once, after a sleep: nothing waits for the main loop then. */
void cr_settle_all(cr_board *b) {
    for (uint8_t n = 0; n < b->config->coils; n++) {
        pulse p = seen(b, n, false);
        settle(b, n, &p);
        cr_keep_coil(b, n);
    }
}

/* Temperature of the warmest coil, as reckoned from what is known of it. */
int16_t cr_hottest_c(const cr_board *b) {
    int64_t most_nk = 0;
    for (uint8_t n = 0; n < b->config->coils; n++) {
        int64_t known_nk = b->coil[n].rise_nk - b->coil[n].assumed_nk;
        most_nk = known_nk > most_nk ? known_nk : most_nk;
    }
    return (int16_t)((b->config->ambient_mc + most_nk / 1000000) / 1000);
}
