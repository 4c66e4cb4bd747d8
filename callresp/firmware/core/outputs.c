/* What is on, until when; what is refused. Runs in the timer's time. */
#include "outputs.h"

/* What a coil or a motor does is shown by a lamp in a dry run: all in turn over all lamps. */
static uint8_t lamp_of(const cr_board *b, uint8_t output) {
    return (uint8_t)(output % b->config.lights);
}

static void show(cr_board *b, uint8_t light) {
    uint8_t level = b->light[light];
    for (uint8_t n = 0; b->config.dry_run && n < b->config.coils + b->config.motors; n++) {
        bool on = n < b->config.coils ? b->coil[n].on : b->motor[n - b->config.coils].on;
        level = on && lamp_of(b, n) == light ? 255 : level;
    }
    b->hal.set_light(light, level);
}

/* The rise that `duty` would hold a coil at: its loss falls as its copper, now `rise_nk` over
 * the air, warms, by 0.393 % a kelvin from 20 degrees (IEC 60028). */
static int64_t goal_nk(const cr_board *b, uint8_t n, int64_t rise_nk, uint8_t duty) {
    int64_t over_20_mk = b->config.ambient_mc + rise_nk / 1000000 - 20000;
    int64_t resistance = 1000000 + 393 * over_20_mk / 100;
    int64_t part = (int64_t)b->config.coil[n].goal_mk * 1000000 * duty / 255;
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
static int64_t rise_after_nk(const cr_board *b, uint8_t n, int64_t rise_nk, uint32_t ticks,
                             uint8_t duty) {
    uint32_t tau = b->config.coil[n].tau_ticks;
    uint64_t wanted = (uint64_t)ticks * 100 / tau + 1;
    uint32_t steps = duty == 0 ? 1 : wanted > 32 ? 32 : (uint32_t)wanted;
    for (uint32_t left = ticks; left > 0; steps--) {
        uint32_t step = (left + steps - 1) / steps;
        int64_t below_nk = goal_nk(b, n, rise_nk, duty) - rise_nk;
        rise_nk += below_nk / 1024 * share_q28(((int64_t)step << 28) / tau) / (1 << 18);
        left -= step;
    }
    return rise_nk;
}

/* Brings a coil's rise up to now. */
static void settle(cr_board *b, uint8_t n) {
    cr_coil *coil = &b->coil[n];
    if (b->config.coil[n].present) {
        coil->rise_nk = rise_after_nk(b, n, coil->rise_nk, b->now - coil->rise_at, coil->duty);
    }
    coil->rise_at = b->now;
}

static bool too_warm(cr_board *b, uint8_t n, const cr_command *c) {
    int64_t most_nk = (int64_t)b->config.coil[n].limit_mk * 1000000;
    uint32_t pull = c->pull < c->length ? c->pull : c->length;
    settle(b, n);
    int64_t pulled_nk = rise_after_nk(b, n, b->coil[n].rise_nk, pull, 255);
    return pulled_nk > most_nk ||
           rise_after_nk(b, n, pulled_nk, c->length - pull, c->duty) > most_nk;
}

static void coil_duty(cr_board *b, uint8_t n, uint8_t duty) {
    settle(b, n);
    b->coil[n].duty = duty;
    b->hal.set_coil(n, b->config.dry_run ? 0 : duty);
    if (b->config.dry_run && b->config.lights > 0) {
        show(b, lamp_of(b, n));
    }
}

static void motor_duty(cr_board *b, uint8_t n, uint8_t duty) {
    b->motor[n].duty = duty;
    b->hal.set_motor(n, b->config.dry_run ? 0 : duty);
    if (b->config.dry_run && b->config.lights > 0) {
        show(b, lamp_of(b, (uint8_t)(b->config.coils + n)));
    }
}

static void load_off(cr_board *b) {
    b->sagging = true;
    b->load_off = b->now;
}

void cr_coil_off(cr_board *b, uint8_t n) {
    if (b->coil[n].on) {
        load_off(b);
    }
    b->coil[n].on = false;
    coil_duty(b, n, 0);
}

void cr_motor_off(cr_board *b, uint8_t n) {
    if (b->motor[n].on) {
        b->motor[n].slowing = true;
        b->motor[n].slowing_until = b->now + b->config.motor[n].rest_ticks;
        load_off(b);
    }
    b->motor[n].on = false;
    motor_duty(b, n, 0);
}

/* The status light tells that there is power, until it is told to be dark. */
void cr_lights_start(cr_board *b) {
    for (uint8_t n = 0; n < b->config.lights; n++) {
        b->light[n] = n == 0 ? 255 : 0;
        show(b, n);
    }
}

static uint8_t light_set(cr_board *b, const cr_command *c) {
    if (c->channel >= b->config.lights) {
        return CR_NO_CHANNEL;
    }
    b->light[c->channel] = c->duty;
    show(b, c->channel);
    return CR_EXECUTED;
}

static uint32_t motor_ua(const cr_board *b, uint8_t n) {
    bool starts = !cr_passed(b->now, b->motor[n].start_until);
    return starts ? b->config.motor[n].start_microamps : b->config.motor[n].microamps;
}

/* Whether supply and driver give `more` beside what is on; a motor has no driver's number. */
static bool enough_current(const cr_board *b, uint32_t more, uint8_t driver) {
    uint64_t total = more, group = more;
    for (uint8_t n = 0; n < b->config.coils; n++) {
        uint32_t microamps = b->coil[n].on ? b->coil[n].microamps : 0;
        total += microamps;
        group += b->config.coil[n].driver == driver ? microamps : 0;
    }
    for (uint8_t n = 0; n < b->config.motors; n++) {
        total += b->motor[n].on ? motor_ua(b, n) : 0;
    }
    bool of_group = driver >= CR_DRIVERS || group <= b->config.driver_ua[driver];
    return of_group && total <= b->config.limit_ua;
}

/* Forgets on-times that ended a cycle ago: no later cycle reaches back to them. */
static void forget(cr_board *b, uint8_t n) {
    cr_coil *coil = &b->coil[n];
    uint32_t since = b->now - b->config.coil[n].cycle_ticks;
    while (coil->span_count > 0) {
        const cr_span *oldest = &coil->span[coil->span_first];
        if (!cr_passed(since, oldest->start + oldest->length)) {
            return;
        }
        coil->span_first = (uint16_t)((coil->span_first + 1) % CR_SPANS);
        coil->span_count--;
    }
}

/* Whether `length` from now keeps the coil's share of the cycle that ends with it. */
static bool within_duty(cr_board *b, uint8_t n, uint32_t length) {
    const cr_coil_limits *limits = &b->config.coil[n];
    const cr_coil *coil = &b->coil[n];
    uint32_t since = b->now + length - limits->cycle_ticks;
    uint64_t used = length < limits->cycle_ticks ? length : limits->cycle_ticks;
    for (uint16_t m = 0; m < coil->span_count; m++) {
        const cr_span *span = &coil->span[(coil->span_first + m) % CR_SPANS];
        uint32_t end = span->start + span->length;
        if (!cr_passed(since, end)) {
            used += cr_passed(since, span->start) ? end - since : span->length;
        }
    }
    return used <= limits->duty_ticks;
}

/* Remembers an on-time; where there is no place, the oldest two become one, counted late. */
static void remember(cr_coil *coil, uint32_t start, uint32_t length) {
    if (coil->span_count == CR_SPANS) {
        cr_span *oldest = &coil->span[coil->span_first];
        cr_span *next = &coil->span[(coil->span_first + 1) % CR_SPANS];
        next->start -= oldest->length;
        next->length += oldest->length;
        coil->span_first = (uint16_t)((coil->span_first + 1) % CR_SPANS);
        coil->span_count--;
    }
    coil->span[(coil->span_first + coil->span_count) % CR_SPANS] = (cr_span){start, length};
    coil->span_count++;
}

static uint8_t coil_on(cr_board *b, const cr_command *c) {
    if (c->channel >= b->config.coils || !b->config.coil[c->channel].present) {
        return CR_NO_CHANNEL;
    }
    cr_coil *coil = &b->coil[c->channel];
    const cr_coil_limits *limits = &b->config.coil[c->channel];
    uint32_t held = (uint32_t)((uint64_t)limits->microamps * c->duty / 255);
    uint32_t first = c->pull == 0 ? held : limits->microamps;
    if (c->length == 0 || c->length > limits->on_max || coil->on ||
        too_warm(b, c->channel, c) || !within_duty(b, c->channel, c->length) ||
        !enough_current(b, first, limits->driver)) {
        return CR_OVER_LIMIT;
    }
    coil->on = true;
    remember(coil, b->now, c->length);
    coil->until = b->now + c->length;
    coil->holding = c->pull < c->length;
    coil->pull_until = b->now + c->pull;
    coil->hold_duty = c->duty;
    coil->microamps = first;
    coil_duty(b, c->channel, c->pull == 0 ? c->duty : 255);
    return CR_EXECUTED;
}

static uint8_t motor_on(cr_board *b, const cr_command *c) {
    if (c->channel >= b->config.motors || !b->config.motor[c->channel].present) {
        return CR_NO_CHANNEL;
    }
    cr_motor *motor = &b->motor[c->channel];
    const cr_motor_limits *limits = &b->config.motor[c->channel];
    bool joins = motor->slowing && !cr_passed(b->now, motor->slowing_until);
    uint32_t since = joins ? b->now - motor->spell_start : 0;
    if (c->length == 0 || c->length > limits->run_max || since > limits->run_max - c->length ||
        motor->on ||
        c->speed < limits->slowest || c->speed > limits->fastest ||
        !enough_current(b, limits->start_microamps, CR_DRIVERS)) {
        return CR_OVER_LIMIT;
    }
    motor->on = true;
    motor->spell_start = joins ? motor->spell_start : b->now;
    motor->until = b->now + c->length;
    motor->start_until = b->now + limits->start_ticks;
    motor->wanted = c->speed;
    motor->integral = 0;
    motor->last_counts = b->hal.counts(c->channel);
    return CR_EXECUTED;
}

uint8_t cr_execute(cr_board *b, const cr_command *c) {
    if (c->kind == CR_LIGHT) {
        return light_set(b, c);
    }
    if (b->faults & (CR_LOW_VOLTAGE | CR_STOPPED)) {
        return CR_OVER_LIMIT;
    }
    return c->kind == CR_TURN ? motor_on(b, c) : coil_on(b, c);
}

void cr_end_due(cr_board *b) {
    for (uint8_t n = 0; n < b->config.coils; n++) {
        cr_coil *coil = &b->coil[n];
        if (!coil->on) {
            continue;
        }
        if (cr_passed(b->now, coil->until)) {
            cr_coil_off(b, n);
        } else if (coil->holding && cr_passed(b->now, coil->pull_until)) {
            coil->holding = false;
            uint64_t full = b->config.coil[n].microamps;
            coil->microamps = (uint32_t)(full * coil->hold_duty / 255);
            coil_duty(b, n, coil->hold_duty);
        }
    }
    for (uint8_t n = 0; n < b->config.motors; n++) {
        if (b->motor[n].on && cr_passed(b->now, b->motor[n].until)) {
            cr_motor_off(b, n);
        }
    }
}

/* Every 10 ms: heat, and what may be forgotten. A coil past its limit by a kelvin, which
 * only a fault of the hardware can bring about, is switched off. */
void cr_heat_slot(cr_board *b) {
    for (uint8_t n = 0; n < b->config.coils; n++) {
        cr_coil *coil = &b->coil[n];
        const cr_coil_limits *limits = &b->config.coil[n];
        if (!limits->present) {
            continue;
        }
        settle(b, n);
        forget(b, n); /* before the clock wraps around to them */
        if (coil->on && coil->rise_nk / 1000000 > limits->limit_mk + 1000) {
            cr_coil_off(b, n);
            b->faults |= CR_HOT;
        }
    }
}

/* Temperature of the warmest coil, as reckoned. */
int16_t cr_hottest_c(const cr_board *b) {
    int64_t most_nk = 0;
    for (uint8_t n = 0; n < b->config.coils; n++) {
        most_nk = b->coil[n].rise_nk > most_nk ? b->coil[n].rise_nk : most_nk;
    }
    return (int16_t)((b->config.ambient_mc + most_nk / 1000000) / 1000);
}

/* Speed by encoder counts: proportional and integral, in whole numbers. */
void cr_motor_loop(cr_board *b) {
    for (uint8_t n = 0; n < b->config.motors; n++) {
        cr_motor *motor = &b->motor[n];
        if (!motor->on) {
            /* Once at rest it stays so, however often the clock wraps. */
            motor->slowing = motor->slowing && !cr_passed(b->now, motor->slowing_until);
            continue;
        }
        uint16_t counts = b->hal.counts(n);
        int32_t turned = (uint16_t)(counts - motor->last_counts);
        motor->last_counts = counts;
        int32_t per_rev = b->config.motor[n].counts_per_rev;
        /* In hundredths of a count: at 0.8 turns a second a whole one is 12 % of the speed. */
        int32_t wanted = (int32_t)((int64_t)motor->wanted * per_rev * CR_LOOP_TICKS / 10000);
        int32_t error = wanted - 100 * turned;
        motor->integral += error;
        if (motor->integral > 102000) {
            motor->integral = 102000;
        } else if (motor->integral < -102000) {
            motor->integral = -102000;
        }
        int32_t duty = (4 * error + motor->integral / 4) / 100;
        motor_duty(b, n, (uint8_t)(duty < 0 ? 0 : duty > 255 ? 255 : duty));
    }
}
