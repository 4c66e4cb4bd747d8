/* Sleep between sessions: when the chip may, for how long, and how the core goes on after it.
 *
 * Two ways lead there: a host says so, for a time; or no host has been there for ten minutes, and
 * it sleeps until it is called. Both end as a start does: silent, all off, waiting to be greeted.
 * What coils have had is kept, and cools by the time that was slept.
 */
#include "outputs.h"

enum { TICKS_PER_S = 10000 };

/* The session is over at once, so that nothing can be waiting when it sleeps. */
uint32_t cr_tell_sleep(cr_board *b, uint32_t seconds, uint16_t after_s) {
    seconds = seconds < CR_SLEEP_MOST_S ? seconds : CR_SLEEP_MOST_S;
    if (seconds == 0 || !b->hal->sleeps) {
        return 0;
    }
    b->hal->lock();
    b->dropping = true;
    cr_release(b);
    b->silent = true; /* no fault: it was said */
    b->hal->unlock();
    cr_drop(b);
    b->session = 0;
    b->told_to_sleep = true;
    b->awake_until = b->now;
    b->sleep_at = b->now + (uint32_t)after_s * TICKS_PER_S;
    b->wake_at = b->sleep_at + seconds * TICKS_PER_S;
    return seconds;
}

static bool idle(const cr_board *b) {
    return b->silent && b->coils_on == 0 && b->motors_on == 0 && b->waiting == 0 && b->ended == 0 &&
           !b->dropping;
}

/* Keeps its times from lying so far back that they would seem to come. */
void cr_watch_sleep(cr_board *b) {
    uint32_t now = b->now;
    if (!idle(b)) {
        b->idle_since = now;
    } else if (cr_passed(now, b->idle_since + CR_IDLE_TICKS)) {
        b->idle_since = now - CR_IDLE_TICKS;
    }
    if (cr_passed(now, b->awake_until)) {
        b->awake_until = now;
    }
    if (b->told_to_sleep && cr_passed(now, b->wake_at)) {
        b->told_to_sleep = false;
        b->idle_since = now; /* ten minutes for a host that starts with it */
    }
}

uint32_t cr_may_sleep(cr_board *b) {
    uint32_t now = b->now;
    if (!b->hal->sleeps || !idle(b) || !cr_passed(now, b->awake_until)) {
        return 0;
    }
    if (b->told_to_sleep) {
        return cr_passed(now, b->sleep_at) && !cr_passed(now, b->wake_at) ? b->wake_at - now : 0;
    }
    return cr_passed(now, b->idle_since + CR_IDLE_TICKS) ? CR_SLEEP_MOST_S * TICKS_PER_S : 0;
}

void cr_slept(cr_board *b, uint32_t now, bool woken) {
    b->hal->lock();
    b->now = now;
    cr_rest_motors(b);
    b->hal->unlock();
    cr_rest_supply(b);
    cr_settle_all(b);
    b->last_settle = b->last_sensed = now;
    b->last_receipt = now - CR_RECEIPT_TICKS;
    b->last_status = now - CR_STATUS_TICKS; /* it says at once that it is back */
    b->awake_until = woken ? now + CR_ROUSED_TICKS : now;
    b->frame_count = 0;
    b->overlong = false;
    cr_watch_sleep(b);
}
