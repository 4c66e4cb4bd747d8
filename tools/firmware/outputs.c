/* What is on, until when; what is refused. Runs in the timer's time. */
#include "outputs.h"

static uint32_t total_ma(const cr_board *b) {
    uint32_t total = 0;
    for (uint8_t n = 0; n < b->config.coils; n++) {
        total += b->coil[n].on ? b->coil[n].milliamps : 0;
    }
    for (uint8_t n = 0; n < b->config.motors; n++) {
        total += b->motor[n].on ? b->motor[n].milliamps : 0;
    }
    return total;
}

static void coil_duty(cr_board *b, uint8_t n, uint8_t duty) {
    b->coil[n].duty = duty;
    b->hal.set_coil(n, duty);
}

void cr_coil_off(cr_board *b, uint8_t n) {
    b->coil[n].on = false;
    coil_duty(b, n, 0);
}

void cr_motor_off(cr_board *b, uint8_t n) {
    b->motor[n].on = false;
    b->motor[n].duty = 0;
    b->hal.set_motor(n, 0);
}

/* The rise, in mK, that a coil would have after `length` ticks at `duty`. Cooling during
 * the pulse is left out, so this errs to the warm side. */
static int64_t rise_after_mk(const cr_board *b, uint8_t n, uint32_t length, uint8_t duty) {
    const cr_coil_limits *limits = &b->config.coil[n];
    int64_t added = (int64_t)limits->goal_mk * length / CR_SLOT_TICKS * duty / 255;
    int64_t most = (int64_t)limits->goal_mk * duty / 255;
    int64_t now_mk = b->coil[n].rise_uk / 1000;
    int64_t after = now_mk + added / limits->tau_slots;
    return after > most && most > now_mk ? most : after;
}

static bool too_warm(const cr_board *b, uint8_t n, const cr_command *c) {
    uint32_t pull = c->pull < c->length ? c->pull : c->length;
    int64_t mk = rise_after_mk(b, n, pull, 255) - b->coil[n].rise_uk / 1000;
    mk += rise_after_mk(b, n, c->length - pull, c->duty);
    return mk > b->config.coil[n].limit_mk;
}

/* On-time, in ticks, of the last cycle or a sixteenth less; forgets what is older. */
static uint32_t recent_on(cr_board *b, uint8_t n) {
    cr_coil *coil = &b->coil[n];
    uint32_t part = b->config.coil[n].cycle_ticks / CR_BUCKETS + 1;
    for (int left = CR_BUCKETS; cr_passed(b->now, coil->bucket_start + part); left--) {
        if (left == 0) {
            coil->bucket_start = b->now; /* all of it is older than a cycle */
            break;
        }
        coil->bucket_at = (uint8_t)((coil->bucket_at + 1) % CR_BUCKETS);
        coil->bucket[coil->bucket_at] = 0;
        coil->bucket_start += part;
    }
    uint32_t sum = 0;
    for (int m = 0; m < CR_BUCKETS; m++) {
        sum += coil->bucket[m];
    }
    return sum;
}

static uint8_t coil_on(cr_board *b, const cr_command *c) {
    if (c->channel >= b->config.coils || !b->config.coil[c->channel].present) {
        return CR_NO_CHANNEL;
    }
    cr_coil *coil = &b->coil[c->channel];
    const cr_coil_limits *limits = &b->config.coil[c->channel];
    bool bad_length = c->length == 0 || c->length > limits->on_max;
    if (bad_length || coil->on || too_warm(b, c->channel, c)) {
        return CR_OVER_LIMIT;
    }
    if (recent_on(b, c->channel) + c->length > limits->duty_ticks) {
        return CR_OVER_LIMIT;
    }
    uint32_t full = limits->milliamps;
    if (total_ma(b) + full > b->config.limit_ma) {
        return CR_OVER_LIMIT;
    }
    coil->on = true;
    coil->bucket[coil->bucket_at] += c->length;
    coil->until = b->now + c->length;
    coil->holding = c->pull < c->length;
    coil->pull_until = b->now + c->pull;
    coil->hold_duty = c->duty;
    coil->milliamps = full;
    coil_duty(b, c->channel, c->pull == 0 ? c->duty : 255);
    return CR_EXECUTED;
}

static uint8_t motor_on(cr_board *b, const cr_command *c) {
    if (c->channel >= b->config.motors || !b->config.motor[c->channel].present) {
        return CR_NO_CHANNEL;
    }
    cr_motor *motor = &b->motor[c->channel];
    const cr_motor_limits *limits = &b->config.motor[c->channel];
    bool bad = c->length == 0 || c->length > limits->run_max || motor->on ||
               c->speed < limits->slowest || c->speed > limits->fastest ||
               total_ma(b) + limits->milliamps > b->config.limit_ma;
    if (bad) {
        return CR_OVER_LIMIT;
    }
    motor->on = true;
    motor->until = b->now + c->length;
    motor->milliamps = limits->milliamps;
    motor->wanted = c->speed;
    motor->integral = 0;
    motor->last_counts = b->hal.counts(c->channel);
    return CR_EXECUTED;
}

uint8_t cr_execute(cr_board *b, const cr_command *c) {
    if (b->faults & CR_LOW_VOLTAGE) {
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
        coil->slot_on += coil->duty;
        if (cr_passed(b->now, coil->until)) {
            cr_coil_off(b, n);
        } else if (coil->holding && cr_passed(b->now, coil->pull_until)) {
            coil->holding = false;
            coil->milliamps = coil->milliamps * coil->hold_duty / 255;
            coil_duty(b, n, coil->hold_duty);
        }
    }
    for (uint8_t n = 0; n < b->config.motors; n++) {
        if (b->motor[n].on && cr_passed(b->now, b->motor[n].until)) {
            cr_motor_off(b, n);
        }
    }
}

/* First-order heating, a slot at a time, in microkelvin. A coil past its limit, which only
 * a fault of the hardware can bring about, is switched off. */
void cr_heat_slot(cr_board *b) {
    for (uint8_t n = 0; n < b->config.coils; n++) {
        cr_coil *coil = &b->coil[n];
        const cr_coil_limits *limits = &b->config.coil[n];
        if (!limits->present) {
            continue;
        }
        int64_t goal_uk = (int64_t)limits->goal_mk * 1000 * coil->slot_on / (CR_SLOT_TICKS * 255);
        coil->rise_uk += (goal_uk - coil->rise_uk) / limits->tau_slots;
        coil->slot_on = 0;
        if (coil->on && coil->rise_uk / 1000 > limits->limit_mk) {
            cr_coil_off(b, n);
            b->faults |= CR_HOT;
        }
    }
}

/* Speed by encoder counts: proportional and integral, in whole numbers. */
void cr_motor_loop(cr_board *b) {
    for (uint8_t n = 0; n < b->config.motors; n++) {
        cr_motor *motor = &b->motor[n];
        if (!motor->on) {
            continue;
        }
        uint16_t counts = b->hal.counts(n);
        int32_t turned = (uint16_t)(counts - motor->last_counts);
        motor->last_counts = counts;
        int32_t per_rev = b->config.motor[n].counts_per_rev;
        int32_t wanted = (int32_t)motor->wanted * per_rev / 100 * CR_LOOP_TICKS / 10000;
        int32_t error = wanted - turned;
        motor->integral += error;
        if (motor->integral > 1020) {
            motor->integral = 1020;
        } else if (motor->integral < -1020) {
            motor->integral = -1020;
        }
        int32_t duty = 4 * error + motor->integral / 4;
        duty = duty < 0 ? 0 : duty > 255 ? 255 : duty;
        motor->duty = (uint8_t)duty;
        b->hal.set_motor(n, motor->duty);
    }
}
