/* Motors in the main loop: speed by encoder counts, and a motor that is jammed. */
#include "outputs.h"

enum { SLOWEST_LOOP_TICKS = 10000, DUTY_MOST = 102000 };

/* When a motor is looked at: so that it should have turned by some counts meanwhile. */
static uint32_t stall_ticks(const cr_board *b, uint8_t n) {
    uint32_t counts_per_100_s = (uint32_t)b->motor[n].wanted * b->config->motor[n].counts_per_rev;
    uint32_t least = counts_per_100_s == 0 ? CR_STALL_TICKS
                                           : (uint32_t)CR_STALL_COUNTS * 1000000u / counts_per_100_s;
    return least > CR_STALL_TICKS ? least : CR_STALL_TICKS;
}

static void begin(cr_board *b, uint8_t n, uint32_t now) {
    cr_motor *motor = &b->motor[n];
    motor->looped = motor->begun;
    motor->last_counts = b->hal->counts(n);
    motor->integral = 0;
    motor->moved = 0;
    motor->turned = false;
    motor->stall_from = now + b->config->motor[n].start_ticks;
}

/* For how long it must rest where a restart comes now: one that has not been seen to turn may be
 * jammed, and the next run of one that still turns would join this one. */
static void keep(cr_board *b, uint8_t n, uint32_t now) {
    cr_motor *motor = &b->motor[n];
    uint32_t rests = motor->resting ? motor->rest_until - now : 0;
    b->hal->lock();
    bool turns = cr_motor_is_on(b, n) || motor->slowing;
    bool permitted = !cr_passed(b->now, motor->permitted_until);
    motor->permitted_until = permitted ? motor->permitted_until : b->now;
    b->hal->unlock();
    uint32_t least = turns ? b->config->motor[n].rest_ticks : 0;
    if (permitted || (turns && !motor->turned)) {
        least = cr_longest_rest(b, n);
    }
    cr_keep_motor(b, n, rests > least ? rests : least);
}

/* Speed: proportional and integral, in whole numbers. */
static uint8_t duty_for(cr_board *b, uint8_t n, int32_t turned, uint32_t ticks) {
    cr_motor *motor = &b->motor[n];
    int32_t per_rev = b->config->motor[n].counts_per_rev;
    /* In hundredths of a count: at 0.8 turns a second a whole one is 12 % of the speed. */
    int32_t wanted = (int32_t)((int64_t)motor->wanted * per_rev * ticks / 10000);
    int32_t error = (int32_t)((int64_t)(wanted - 100 * turned) * CR_LOOP_TICKS / ticks);
    motor->integral += error;
    if (motor->integral > DUTY_MOST) {
        motor->integral = DUTY_MOST;
    } else if (motor->integral < -DUTY_MOST) {
        motor->integral = -DUTY_MOST;
    }
    int32_t duty = (4 * error + motor->integral / 4) / 100;
    return (uint8_t)(duty < 0 ? 0 : duty > 255 ? 255 : duty);
}

/* Whether a motor that has had time to turn has turned by less than a quarter of what it should. */
static bool stands_still(cr_board *b, uint8_t n, uint32_t now, bool *turned) {
    cr_motor *motor = &b->motor[n];
    uint32_t ticks = now - motor->stall_from;
    *turned = false;
    if (b->config->dry_run || !cr_passed(now, motor->stall_from) || ticks < stall_ticks(b, n)) {
        return false; /* in a dry run nothing turns */
    }
    uint64_t wanted = (uint64_t)motor->wanted * b->config->motor[n].counts_per_rev * ticks;
    bool still = (uint64_t)motor->moved * 4000000 < wanted;
    *turned = !still;
    motor->moved = 0;
    motor->stall_from = now;
    return still;
}

/* A motor that is told to turn and does not is switched off before it burns, and may try again
 * after a rest; when it has turned, it is as good as ever. */
static bool loop(cr_board *b, uint8_t n, uint32_t now, uint32_t ticks) {
    cr_motor *motor = &b->motor[n];
    motor->resting = motor->resting && !cr_passed(now, motor->rest_until);
    if (!cr_motor_is_on(b, n)) {
        b->hal->lock(); /* once at rest it stays so, however often the clock wraps */
        motor->slowing = motor->slowing && !cr_passed(b->now, motor->slowing_until);
        b->hal->unlock();
        return false;
    }
    if (motor->looped != motor->begun) {
        begin(b, n, now);
    }
    uint16_t counts = b->hal->counts(n);
    uint16_t turned = (uint16_t)(counts - motor->last_counts);
    motor->last_counts = counts;
    motor->moved += cr_passed(now, motor->stall_from) ? turned : 0;
    bool turns, told = false;
    bool still = stands_still(b, n, now, &turns);
    uint8_t duty = duty_for(b, n, turned, ticks);
    b->hal->lock();
    if (still) {
        cr_motor_off(b, n);
        b->faults |= CR_JAMMED;
    } else if (cr_motor_is_on(b, n)) {
        motor->duty = duty;
        b->hal->set_motor(n, b->config->dry_run ? 0 : duty);
    }
    b->hal->unlock();
    if (still) {
        motor->jammed = motor->resting = told = true;
        motor->rest_until = now + CR_JAM_TICKS;
    } else if (turns) {
        motor->turned = true;
        told = motor->jammed;
        motor->jammed = false;
    }
    return told;
}

void cr_rest_motors(cr_board *b) {
    for (uint8_t n = 0; n < b->config->motors; n++) {
        cr_motor *motor = &b->motor[n];
        motor->resting = motor->resting && !cr_passed(b->now, motor->rest_until);
        motor->slowing = motor->slowing && !cr_passed(b->now, motor->slowing_until);
    }
    b->last_loop = b->now;
}

bool cr_motor_loops(cr_board *b) {
    uint32_t now = b->now, ticks = now - b->last_loop;
    if (ticks < CR_LOOP_TICKS) {
        return false;
    }
    b->last_loop = now;
    bool told = false, jammed = false;
    for (uint8_t n = 0; n < b->config->motors; n++) {
        told = loop(b, n, now, ticks < SLOWEST_LOOP_TICKS ? ticks : SLOWEST_LOOP_TICKS) || told;
        keep(b, n, now);
        jammed = jammed || b->motor[n].jammed;
    }
    if (told && !jammed) {
        b->hal->lock();
        b->faults &= (uint8_t)~CR_JAMMED;
        b->hal->unlock();
    }
    return told;
}
