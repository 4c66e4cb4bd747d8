/* What is on, until when: all that happens in the interrupt.
 *
 * Nothing here reckons for long: no division, no loop over more than the outputs. What needs
 * more (heat, relative on-time) was judged by the main loop before a command's time came.
 */
#include "outputs.h"

/* What a coil or a motor does is shown by a lamp in a dry run: all in turn over all lamps. */
static void lamp(cr_board *b, uint8_t output, bool on) {
    uint8_t light = output;
    while (light >= b->config->lights) {
        light = (uint8_t)(light - b->config->lights);
    }
    b->lamps[light] = (uint8_t)(b->lamps[light] + (on ? 1 : -1));
    b->hal->set_light(light, b->lamps[light] > 0 ? 255 : b->light[light]);
}

static void set_coil(cr_board *b, uint8_t n, uint8_t duty) {
    b->hal->set_coil(n, b->config->dry_run ? 0 : duty);
}

static void loads_more(cr_board *b, uint8_t driver, uint32_t microamps) {
    b->total_ua += microamps;
    if (driver < CR_DRIVERS) {
        b->driver_ua[driver] += microamps;
    }
}

static void loads_less(cr_board *b, uint8_t driver, uint32_t microamps) {
    b->total_ua -= microamps;
    if (driver < CR_DRIVERS) {
        b->driver_ua[driver] -= microamps;
    }
}

void cr_coil_off(cr_board *b, uint8_t n) {
    cr_coil *coil = &b->coil[n];
    set_coil(b, n, 0);
    if (!cr_coil_is_on(b, n)) {
        return;
    }
    b->coils_on &= ~((uint32_t)1 << n);
    coil->until = b->now; /* what it had in the end: its heat is reckoned from it */
    loads_less(b, b->config->coil[n].driver, coil->microamps);
    b->sagging = true;
    b->load_off = b->now;
    if (b->config->dry_run && b->config->lights > 0) {
        lamp(b, n, false);
    }
}

void cr_motor_off(cr_board *b, uint8_t n) {
    cr_motor *motor = &b->motor[n];
    bool was_on = cr_motor_is_on(b, n);
    b->motors_on &= (uint8_t)~(1u << n);
    motor->duty = 0;
    b->hal->set_motor(n, 0);
    if (!was_on) {
        return;
    }
    motor->slowing = true;
    motor->slowing_until = b->now + b->config->motor[n].rest_ticks;
    loads_less(b, CR_DRIVERS, motor->microamps);
    b->sagging = true;
    b->load_off = b->now;
    if (b->config->dry_run && b->config->lights > 0) {
        lamp(b, (uint8_t)(b->config->coils + n), false);
    }
}

void cr_release(cr_board *b) {
    for (uint8_t n = 0; b->coils_on >> n; n++) {
        if (cr_coil_is_on(b, n)) {
            cr_coil_off(b, n);
        }
    }
    for (uint8_t n = 0; b->motors_on >> n; n++) {
        if (cr_motor_is_on(b, n)) {
            cr_motor_off(b, n);
        }
    }
}

/* Whatever the pins did during reset, all is off from here; the status light tells that there
 * is power, until it is told to be dark. */
void cr_start_dark(cr_board *b) {
    for (uint8_t n = 0; n < b->config->coils; n++) {
        cr_coil_off(b, n);
    }
    for (uint8_t n = 0; n < b->config->motors; n++) {
        cr_motor_off(b, n);
    }
    for (uint8_t n = 0; n < b->config->lights; n++) {
        b->light[n] = n == 0 ? 255 : 0;
        b->hal->set_light(n, b->light[n]);
    }
}

static uint8_t light_set(cr_board *b, const cr_command *c) {
    if (c->channel >= b->config->lights) {
        return CR_NO_CHANNEL;
    }
    b->light[c->channel] = c->duty;
    b->hal->set_light(c->channel, b->lamps[c->channel] > 0 ? 255 : c->duty);
    return CR_EXECUTED;
}

/* Whether supply and driver give `more` beside what is on; a motor has no driver's number. */
static bool enough_current(const cr_board *b, uint32_t more, uint8_t driver) {
    bool of_group = driver >= CR_DRIVERS || b->driver_ua[driver] + more <= b->config->driver_ua[driver];
    return of_group && b->total_ua + more <= b->config->limit_ua;
}

static uint8_t coil_on(cr_board *b, const cr_command *c) {
    if (c->channel >= b->config->coils || !b->config->coil[c->channel].present) {
        return CR_NO_CHANNEL;
    }
    cr_coil *coil = &b->coil[c->channel];
    const cr_coil_limits *limits = &b->config->coil[c->channel];
    uint32_t first = c->pull == 0 ? c->held_ua : limits->microamps;
    if (c->verdict != CR_FIT || c->length == 0 || c->length > limits->on_max ||
        cr_coil_is_on(b, c->channel) || !enough_current(b, first, limits->driver)) {
        return CR_OVER_LIMIT;
    }
    coil->begun++;
    coil->permit++;
    coil->from = b->now;
    coil->until = b->now + c->length;
    coil->holding = c->pull < c->length;
    coil->pull_until = b->now + (c->pull < c->length ? c->pull : c->length);
    coil->hold_duty = c->duty;
    coil->held_ua = c->held_ua;
    coil->microamps = first;
    b->coils_on |= (uint32_t)1 << c->channel;
    loads_more(b, limits->driver, first);
    set_coil(b, c->channel, c->pull == 0 ? c->duty : 255);
    if (b->config->dry_run && b->config->lights > 0) {
        lamp(b, c->channel, true);
    }
    return CR_EXECUTED;
}

static uint8_t motor_on(cr_board *b, const cr_command *c) {
    if (c->channel >= b->config->motors || !b->config->motor[c->channel].present) {
        return CR_NO_CHANNEL;
    }
    cr_motor *motor = &b->motor[c->channel];
    const cr_motor_limits *limits = &b->config->motor[c->channel];
    bool joins = motor->slowing && !cr_passed(b->now, motor->slowing_until);
    uint32_t since = joins ? b->now - motor->spell_start : 0;
    if (c->length == 0 || c->length > limits->run_max || since > limits->run_max - c->length ||
        motor->resting || cr_motor_is_on(b, c->channel) || c->speed < limits->slowest ||
        c->speed > limits->fastest || !enough_current(b, limits->start_microamps, CR_DRIVERS)) {
        return CR_OVER_LIMIT;
    }
    motor->begun++;
    motor->spell_start = joins ? motor->spell_start : b->now;
    motor->until = b->now + c->length;
    motor->starting = true;
    motor->start_until = b->now + limits->start_ticks;
    motor->microamps = limits->start_microamps;
    motor->wanted = c->speed;
    b->motors_on |= (uint8_t)(1u << c->channel);
    loads_more(b, CR_DRIVERS, motor->microamps);
    if (b->config->dry_run && b->config->lights > 0) {
        lamp(b, (uint8_t)(b->config->coils + c->channel), true);
    }
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

/* Returns how many outputs more may be switched in this tick. */
static uint8_t end_coils(cr_board *b, uint8_t left) {
    uint32_t now = b->now, on = b->coils_on;
    for (uint8_t n = 0; on != 0 && left > 0; n++, on >>= 1) {
        if ((on & 1u) == 0) {
            continue;
        }
        cr_coil *coil = &b->coil[n];
        if (cr_passed(now, coil->until)) {
            cr_coil_off(b, n);
            left--;
        } else if (coil->holding && cr_passed(now, coil->pull_until)) {
            coil->holding = false;
            left--;
            loads_less(b, b->config->coil[n].driver, coil->microamps - coil->held_ua);
            coil->microamps = coil->held_ua;
            set_coil(b, n, coil->hold_duty);
        }
    }
    return left;
}

static void end_motors(cr_board *b, uint8_t left) {
    uint8_t on = b->motors_on;
    for (uint8_t n = 0; on != 0 && left > 0; n++, on = (uint8_t)(on >> 1)) {
        cr_motor *motor = &b->motor[n];
        if ((on & 1u) == 0) {
            continue;
        }
        if (cr_passed(b->now, motor->until)) {
            cr_motor_off(b, n);
            left--;
        } else if (motor->starting && cr_passed(b->now, motor->start_until)) {
            motor->starting = false;
            loads_less(b, CR_DRIVERS, motor->microamps - b->config->motor[n].microamps);
            motor->microamps = b->config->motor[n].microamps;
        }
    }
}

/* Whether a command may be executed as it was judged: an on-time that has begun since then
 * makes a coil warmer than it was thought to be, and one that is over must be in the books
 * before the next, or it would be forgotten. What is on is busy: that needs no judgement.
 * What may begin is kept over a restart; where that was taken back, it may no more. */
static bool judged(const cr_board *b, const cr_command *c) {
    if (c->kind == CR_TURN && c->channel < b->config->motors) {
        return c->verdict != CR_UNJUDGED && !cr_passed(b->now, b->motor[c->channel].permitted_until);
    }
    if ((c->kind != CR_STRIKE && c->kind != CR_HOLD) || c->channel >= b->config->coils ||
        !b->config->coil[c->channel].present || cr_coil_is_on(b, c->channel)) {
        return true;
    }
    const cr_coil *coil = &b->coil[c->channel];
    return c->verdict != CR_UNJUDGED && c->permit == coil->permit && coil->booked == coil->begun;
}

static void start_due(cr_board *b) {
    for (uint8_t n = 0; n < CR_STARTS && b->waiting > 0 && !b->dropping; n++) {
        cr_command *c = cr_waiting(b, 0);
        if (!cr_passed(b->now, c->at)) {
            return;
        }
        if (judged(b, c)) {
            c->outcome = cr_execute(b, c);
        } else if (cr_passed(b->now, c->at + CR_GRACE_TICKS + 1)) {
            c->outcome = CR_LATE;
        } else {
            return; /* the main loop will have judged it in a moment */
        }
        c->at = b->now;
        if (c->outcome == CR_EXECUTED) {
            b->executed++;
        } else {
            b->refused++;
        }
        b->waiting--;
        b->ended++;
    }
}

/* All that is on is over now: it goes off in this tick and the next few. */
static void end_all(cr_board *b) {
    uint32_t coils = b->coils_on;
    uint8_t motors = b->motors_on;
    for (cr_coil *coil = b->coil; coils != 0; coil++, coils >>= 1) {
        coil->until = (coils & 1u) ? b->now : coil->until;
    }
    for (cr_motor *motor = b->motor; motors != 0; motor++, motors = (uint8_t)(motors >> 1)) {
        motor->until = (motors & 1u) ? b->now : motor->until;
    }
}

void cr_tick(cr_board *b, uint32_t now) {
    b->now = now;
    /* Also when the main loop hangs: it is what hears the host. */
    if (!b->silent && cr_passed(now, b->heard + b->silence_ticks)) {
        b->silent = true;
        b->faults |= CR_SILENCE;
        b->dropping = true;
        end_all(b);
    }
    end_motors(b, end_coils(b, CR_ENDS));
    start_due(b);
}
