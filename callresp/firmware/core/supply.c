/* The battery: a flat one is told from one that sags under a stroke. */
#include "outputs.h"

/* A reading counts while nothing draws the supply down; under a load that lasts, any does. */
static bool reading_counts(cr_board *b, uint32_t now) {
    b->hal->lock();
    b->sagging = b->sagging && !cr_passed(now, b->load_off + CR_SAG_TICKS);
    bool rested = b->coils_on == 0 && b->motors_on == 0 && !b->sagging;
    b->hal->unlock();
    if (rested) {
        b->last_rested = now;
        return true;
    }
    return cr_passed(now, b->last_rested + CR_BLIND_TICKS);
}

void cr_rest_supply(cr_board *b) {
    b->last_supply = b->last_rested = b->low_since = b->good_since = b->now;
    b->sagging = b->low = b->good = false;
}

/* A flat battery is spared: all is released, and nothing more is switched on until it has been
 * good again for a while, with some to spare. */
bool cr_watch_supply(cr_board *b) {
    uint32_t now = b->now;
    if (!cr_passed(now, b->last_supply + CR_SUPPLY_TICKS)) {
        return false;
    }
    b->last_supply = now;
    if (!reading_counts(b, now)) {
        return false;
    }
    b->millivolts = b->hal->millivolts();
    bool low = b->millivolts < b->config->cutoff_mv;
    bool good = b->millivolts >= (uint32_t)b->config->cutoff_mv + b->config->cutoff_mv / 32u;
    bool faulty = (b->faults & CR_LOW_VOLTAGE) != 0;
    b->low_since = low && b->low ? b->low_since : now;
    b->good_since = faulty && good && b->good ? b->good_since : now;
    b->low = low;
    b->good = good;
    if (!faulty && low && cr_passed(now, b->low_since + CR_LOW_TICKS)) {
        b->hal->lock();
        b->faults |= CR_LOW_VOLTAGE;
        cr_release(b);
        b->dropping = true;
        b->hal->unlock();
        cr_keep_battery(b);
        return true;
    }
    if (faulty && cr_passed(now, b->good_since + CR_GOOD_TICKS)) {
        b->hal->lock();
        b->faults &= (uint8_t)~CR_LOW_VOLTAGE;
        b->hal->unlock();
        cr_keep_battery(b);
        return true;
    }
    return false;
}
