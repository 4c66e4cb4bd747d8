/* Relative on-time in constant memory, never reckoned as less than it is.
 *
 * An on-time is kept by its start, in units of 2^shift ticks rounded up, and its length: seen
 * from later it never ends earlier than it did. When there is no place for another, the two
 * neighbours that are shortest together become one that ends where the later one does: until
 * that end has left the cycle all of it counts. So what is counted in excess is never more than
 * a unit and one merged pair; with as many places as a cycle can have on-times, only the unit.
 */
#include "outputs.h"

/* A cycle has fewer than 2^14 to 2^15 units: their numbers, in 16 bits, can't be mistaken. */
enum { UNITS = 32768 };

static cr_span *span_at(cr_duty *d, uint16_t number) {
    return &d->span[(uint16_t)(d->first + number) % CR_SPANS];
}

static const cr_span *seen_at(const cr_duty *d, uint16_t number) {
    return &d->span[(uint16_t)(d->first + number) % CR_SPANS];
}

static uint16_t unit_of(const cr_duty *d, uint32_t tick) {
    uint32_t up = ((uint32_t)1 << d->shift) - 1u;
    return (uint16_t)((tick + up) >> d->shift);
}

static uint32_t start_of(const cr_duty *d, const cr_span *span) {
    uint32_t newest = (d->newest_end >> d->shift) + 1u;
    uint16_t before = (uint16_t)(newest - span->start);
    return (newest - before) << d->shift;
}

void cr_duty_init(cr_duty *d, uint32_t cycle_ticks, uint32_t now) {
    d->shift = 0;
    while (cycle_ticks >> d->shift >= UNITS) {
        d->shift++;
    }
    d->first = d->count = 0;
    d->old_ticks = 0;
    d->newest_end = d->old_end = now;
}

/* What was before a restart: `used` ticks, the last of them at `end`. All of them count
 * until `end` has left the cycle. */
void cr_duty_recall(cr_duty *d, uint32_t used, uint32_t end) {
    d->old_ticks = used;
    d->newest_end = d->old_end = end;
}

/* Forgets what ended a cycle before `now`: no later cycle reaches back to it. Call it often
 * enough that the clock does not turn half round meanwhile. */
void cr_duty_forget(cr_duty *d, uint32_t cycle_ticks, uint32_t now) {
    if (cr_passed(now, d->newest_end + cycle_ticks + ((uint32_t)2 << d->shift))) {
        d->count = 0;
        d->old_ticks = 0;
        d->newest_end = d->old_end = now - cycle_ticks;
        return;
    }
    uint32_t since = now - cycle_ticks;
    while (d->count > 0 && cr_passed(since, start_of(d, span_at(d, 0)) + span_at(d, 0)->length)) {
        d->first = (uint16_t)((d->first + 1) % CR_SPANS);
        d->count--;
    }
    if (cr_passed(since, d->old_end)) {
        d->old_ticks = 0;
        d->old_end = since;
    }
}

/* The ticks of all on-times since a time, or somewhat more. */
uint32_t cr_duty_used(const cr_duty *d, uint32_t since) {
    uint32_t used = d->old_ticks > 0 && !cr_passed(since, d->old_end) ? d->old_ticks : 0;
    for (uint16_t n = 0; n < d->count; n++) {
        const cr_span *span = seen_at(d, n);
        uint32_t start = start_of(d, span), end = start + span->length;
        if (!cr_passed(since, end)) {
            used += cr_passed(since, start) ? end - since : span->length;
        }
    }
    return used;
}

/* Makes a place: merges two neighbours, or gives up telling the oldest one's start. */
static void make_room(cr_duty *d) {
    uint32_t least = 65536;
    uint16_t at = 0;
    for (uint16_t n = 0; n + 1 < d->count; n++) {
        uint32_t both = (uint32_t)span_at(d, n)->length + span_at(d, (uint16_t)(n + 1))->length;
        if (both < least) {
            least = both;
            at = n;
        }
    }
    if (least == 65536) {
        d->old_ticks += span_at(d, 0)->length;
        d->old_end = start_of(d, span_at(d, 0)) + span_at(d, 0)->length;
        at = 0;
    } else {
        cr_span *later = span_at(d, (uint16_t)(at + 1));
        uint32_t start = start_of(d, later) - span_at(d, at)->length;
        later->start = unit_of(d, start);
        later->length = (uint16_t)least;
    }
    for (uint16_t n = at; n > 0; n--) {
        *span_at(d, n) = *span_at(d, (uint16_t)(n - 1));
    }
    d->first = (uint16_t)((d->first + 1) % CR_SPANS);
    d->count--;
}

static void add(cr_duty *d, uint32_t start, uint16_t length) {
    if (d->count == CR_SPANS) {
        make_room(d);
    }
    cr_span *span = span_at(d, d->count);
    span->start = unit_of(d, start);
    span->length = length;
    d->count++;
}

/* Cuts off what no later cycle reaches: so no start is older than the units can tell. */
static void trim(cr_duty *d, uint32_t since) {
    cr_span *oldest = span_at(d, 0);
    if (d->count > 0 && !cr_passed(start_of(d, oldest), since)) {
        oldest->length = (uint16_t)(start_of(d, oldest) + oldest->length - since);
        oldest->start = unit_of(d, since);
    }
}

/* Remembers an on-time that is over; on-times come in order. */
void cr_duty_remember(cr_duty *d, uint32_t cycle_ticks, uint32_t start, uint32_t length) {
    cr_duty_forget(d, cycle_ticks, start + length);
    trim(d, start + length - cycle_ticks);
    if (length > cycle_ticks) {
        start += length - cycle_ticks;
        length = cycle_ticks;
    }
    /* Starts are told from the newest end: it moves, they don't. */
    d->newest_end = start + length;
    for (; length > 65535; length -= 65535, start += 65535) {
        add(d, start, 65535);
    }
    add(d, start, (uint16_t)length);
}
