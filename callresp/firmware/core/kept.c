/* What no restart may forget: how warm each coil is and what it has had of its cycle, how long a
 * motor must rest, whether the battery is flat.
 *
 * It lies in retained RAM, which no start clears (".noinit"), and is written before anything may
 * begin: whatever a reset interrupts, what is kept is never less than what was. Each row stands by
 * itself: its values, a mark (a CRC of the palette's limits, plus the row's number) and a checksum
 * over both. One whose mark or checksum is wrong (power was off, a reset fell into its writing, a
 * bit has flipped, other limits) counts as the worst that can have been: a coil at its limit that
 * has just had all of its cycle, a motor that has just jammed.
 *
 * No clock goes on through every kind of restart, so none is asked: the time off counts as none.
 */
#include <string.h>

#include "outputs.h"

enum { BATTERY = 0, COILS = 1, MOTORS = COILS + CR_COILS, HOTTEST_MK = 20000000 };
enum { RISE_MK, USED, AGE, ASSUMED_MK }; /* a coil's values; RESTS is a motor's, FLAT the battery's */
enum { RESTS = 0, FLAT = 0 };
static const uint32_t OPEN = 0xFFFFFFFFu; /* the age of an on-time that may still go on */

static uint32_t crc32_of(uint32_t crc, const void *data, uint32_t count) {
    const uint8_t *byte = (const uint8_t *)data;
    for (crc = ~crc; count > 0; count--) {
        crc ^= *byte++;
        for (int bit = 0; bit < 8; bit++) {
            crc = crc >> 1 ^ (0xEDB88320u & (0u - (crc & 1u)));
        }
    }
    return ~crc;
}

/* CRC of the limits, begun with the firmware's number: another one may mean its rows otherwise. */
static uint32_t mark_of(const cr_config *config) {
    return crc32_of(CR_FIRMWARE, config, sizeof *config);
}

static uint32_t check_of(const cr_kept_row *row) {
    return crc32_of(0, row, sizeof *row - sizeof row->check);
}

static void write(cr_kept *kept, uint32_t mark, uint32_t place, const uint32_t *value) {
    cr_kept_row *row = &kept->row[place];
    memcpy(row->value, value, sizeof row->value);
    row->mark = mark + place;
    row->check = check_of(row);
}

/* The row's values; none where its mark or checksum is wrong. */
static const uint32_t *whole(const cr_kept *kept, uint32_t mark, uint32_t place) {
    const cr_kept_row *row = &kept->row[place];
    return row->mark == mark + place && row->check == check_of(row) ? row->value : 0;
}

/* In millikelvin, rounded up. */
static uint32_t mk_up(int64_t nk) { return (uint32_t)((nk + 999999) / 1000000); }

static uint32_t least(uint32_t one, uint32_t other) { return one < other ? one : other; }

/* Keeps what coil `n` will have had when a stroke of `length` that reaches `peak_nk` is over. No
 * other stroke of it may begin in the meantime. */
void cr_keep_stroke(cr_board *b, uint8_t n, int64_t peak_nk, uint32_t length) {
    const cr_coil *coil = &b->coil[n];
    bool goes_on = coil->booked != coil->begun;
    uint32_t used = cr_duty_used(&coil->duty, b->now - b->config->coil[n].cycle_ticks) + length;
    used += goes_on ? coil->until - coil->from : 0;
    uint32_t rise_mk = mk_up(peak_nk > coil->rise_nk ? peak_nk : coil->rise_nk);
    if (goes_on && b->kept->row[COILS + n].value[RISE_MK] > rise_mk) {
        rise_mk = b->kept->row[COILS + n].value[RISE_MK]; /* the peak of the stroke that goes on */
    }
    const uint32_t value[CR_KEPT] = {rise_mk, used, OPEN, mk_up(coil->assumed_nk)};
    write(b->kept, b->kept_mark, COILS + n, value);
}

/* Keeps what coil `n` has had, when it is off and no stroke of it is due. First its permit is taken
 * back: or the interrupt might begin one that was judged, and that this row no longer counts. */
void cr_keep_coil(cr_board *b, uint8_t n) {
    cr_coil *coil = &b->coil[n];
    b->hal->lock();
    bool still = !cr_coil_is_on(b, n) && coil->booked == coil->begun &&
                 cr_passed(b->now, coil->permitted_until);
    if (still) {
        coil->permit++;
        coil->permitted_until = b->now;
    }
    b->hal->unlock();
    if (still) {
        uint32_t cycle = b->config->coil[n].cycle_ticks, now = b->now;
        const uint32_t value[CR_KEPT] = {mk_up(coil->rise_nk),
                                         cr_duty_used(&coil->duty, now - cycle),
                                         least(now - coil->duty.newest_end, cycle),
                                         mk_up(coil->assumed_nk)};
        write(b->kept, b->kept_mark, COILS + n, value);
    }
}

void cr_keep_motor(cr_board *b, uint8_t n, uint32_t rests) {
    const uint32_t value[CR_KEPT] = {rests};
    write(b->kept, b->kept_mark, MOTORS + n, value);
}

void cr_keep_battery(cr_board *b) {
    const uint32_t value[CR_KEPT] = {(b->faults & CR_LOW_VOLTAGE) != 0};
    write(b->kept, b->kept_mark, BATTERY, value);
}

/* Returns for how long from now on the coil can't be switched on at all. */
static uint32_t recall_coil(cr_board *b, uint8_t n, uint32_t hung) {
    const cr_coil_limits *limits = &b->config->coil[n];
    cr_coil *coil = &b->coil[n];
    if (!limits->present) {
        return 0;
    }
    const uint32_t *value = whole(b->kept, b->kept_mark, COILS + n);
    uint32_t rise_mk = value ? value[RISE_MK] : (uint32_t)limits->limit_mk;
    uint32_t used = value ? value[USED] : limits->duty_ticks, age = value ? value[AGE] : OPEN;
    coil->rise_nk = (int64_t)least(rise_mk, HOTTEST_MK) * 1000000;
    coil->assumed_nk = (int64_t)least(value ? value[ASSUMED_MK] : rise_mk, HOTTEST_MK) * 1000000;
    if (age == OPEN) {
        /* It may have been on until the watchdog let go of it. */
        used += hung;
        coil->rise_nk = cr_rise_after_nk(b, n, coil->rise_nk, hung, 255);
        age = 0;
    }
    age = least(age, limits->cycle_ticks);
    cr_duty_recall(&coil->duty, least(used, limits->cycle_ticks), b->now - age);
    coil->permitted_until = b->now;
    bool all = limits->duty_ticks < limits->cycle_ticks && used >= limits->duty_ticks;
    return all ? limits->cycle_ticks - age : 0;
}

static void recall_motor(cr_board *b, uint8_t n) {
    cr_motor *motor = &b->motor[n];
    uint32_t worst = cr_longest_rest(b, n);
    const uint32_t *value = whole(b->kept, b->kept_mark, MOTORS + n);
    uint32_t rests = value ? least(value[RESTS], worst) : worst;
    motor->resting = rests > 0;
    motor->rest_until = b->now + rests;
    motor->permitted_until = b->now;
    cr_keep_motor(b, n, rests);
}

/* Takes up what was before this start. `hung` is for how long an output may have been on beyond
 * its end, where the watchdog ended it. */
void cr_recall(cr_board *b, cr_kept *kept, uint32_t hung) {
    b->kept = kept;
    b->kept_mark = mark_of(b->config);
    b->rested_at = b->now;
    for (uint8_t n = 0; n < b->config->coils; n++) {
        uint32_t until = b->now + recall_coil(b, n, hung);
        if (cr_passed(until, b->rested_at)) {
            b->rested_at = until;
        }
        cr_keep_coil(b, n);
    }
    for (uint8_t n = 0; n < b->config->motors; n++) {
        recall_motor(b, n);
    }
    const uint32_t *battery = whole(kept, b->kept_mark, BATTERY);
    if (battery && battery[FLAT]) {
        b->faults |= CR_LOW_VOLTAGE;
    }
    if (b->rested_at != b->now) {
        b->faults |= CR_RESTING;
    }
    cr_keep_battery(b);
}

/* True when coils that could not be switched on can be, again. */
bool cr_watch_rest(cr_board *b) {
    if (!(b->faults & CR_RESTING) || !cr_passed(b->now, b->rested_at)) {
        return false;
    }
    b->hal->lock();
    b->faults &= (uint8_t)~CR_RESTING;
    b->hal->unlock();
    return true;
}

void cr_kept_rested(cr_kept *kept, const cr_config *config) {
    const uint32_t nothing[CR_KEPT] = {0};
    for (uint32_t place = 0; place < MOTORS + CR_MOTORS; place++) {
        write(kept, mark_of(config), place, nothing);
    }
}
