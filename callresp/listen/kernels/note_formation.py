"""From a closed group to its notes."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from callresp.listen.kernels import (
    cfar,
    envelope,
    fragments,
    harmonic_grouping,
    masking,
    segmentation,
)
from callresp.listen.kernels import f0 as tone
from callresp.listen.kernels._jit import inner
from callresp.listen.kernels.features import describe
from callresp.listen.kernels.layout import (
    ALONE,
    BORROWED,
    FAINT,
    FRAME,
    FREE,
    GUST,
    MOST_POINTS,
    NEXT_DUE,
    OF_FLOOR,
    RING,
    SHORT,
    TONAL,
    WAITING_ROOM,
    WINDOW_SUM,
)

SHARP_DB = 3.0  # over a note's least level: a knock that may be short
NEARLY_DB = 2.0  # below a note's least level: worth telling why it is none
SMOOTH = 0.6  # bins: roughness at which a partial counts a third as tonal
LEAST_PITCH_HZ = 200.0
SINE_SUM_DB = 10.0 * math.log10(WINDOW_SUM)
LEFT_SHARE = 0.05  # of the tones' power: what is left of a harsh sound is one
DEEPEST = 1  # a lowest partial that is no fundamental is another singer's, more often than not
SHARED = 0.7  # of a tone, and FILLS of a harsh call: what both sound for, if they are one
FILLS = 0.6
APART_S = 0.014  # that a dip of a harsh sound lasts at least
BEAT_S = 0.0107  # the same of a tone: a sweep beats with what the place gives back of it
EARLIER = 4  # frames before a wide onset that hold none of it
LEAD = 8  # frames by which a tone of its own may rise into one


@inner
def finish_group(g: int, state: Any, sound: Any, setup: Any) -> None:
    """Put the notes of group `g` into the waiting room and free its partials."""
    group = state.groups[g]
    tracks = state.tracks
    slots = envelope.members(g, tracks)
    first = max(group.onset - envelope.BEFORE, 0, state.clock[FRAME] - RING + 2)
    frames = int(min(group.last + envelope.AFTER, state.clock[FRAME]) - first + 1)
    if frames > 2:
        place, level = envelope.lay_out(slots, first, frames, tracks, state.points)
        _finish_stacks(group, first, place, level, state, sound, setup)
    still = OF_FLOOR if state.clock[FRAME] - group.onset > setup.longest else ALONE
    for i in range(slots.size):
        tracks[slots[i]].group = still if tracks[slots[i]].alive else FREE
    group.live = 0


@inner
def _finish_stacks(
    group: Any, first: int, place: Any, level: Any, state: Any, sound: Any, setup: Any
) -> None:
    """Part what several sang, and finish each."""
    nothing = place[:0]
    clear = np.ones(place.shape[0], np.uint8)
    if group.wide:
        clear = harmonic_grouping.clear_tones(place, level, first, sound.power, setup)
    tones = np.arange(place.shape[0])
    if group.kind != TONAL:
        _keep_own(group.own, first, place, clear, sound, setup)
        tones = np.flatnonzero(clear)
        rest = np.flatnonzero(clear == 0)
        but = place[tones]
        if tones.size == 0 or _much_is_left(group.own, first, but, level[tones], sound, setup):
            _finish_stack(
                group, group.own, 1, first, place[rest], level[rest], but, state, sound, setup
            )
        if tones.size == 0:
            return
    stack, stacks = harmonic_grouping.part(place[tones], level[tones], clear[tones])
    sizes = np.bincount(stack)
    none = np.zeros_like(group.own)
    for n in range(stacks):
        rows = tones[np.flatnonzero(stack == n)]
        rich = sizes[n] > 2 or (stacks == 1 and group.kind == TONAL)
        wide = 1 if group.wide and rich and sizes[n] == sizes.max() else 0
        _finish_stack(
            group, none, wide, first, place[rows], level[rows], nothing, state, sound, setup
        )


@inner
def _keep_own(own: Any, first: int, place: Any, clear: Any, sound: Any, setup: Any) -> None:
    """Take out of `clear` the tones that last as long as the harsh call they lie in: its own."""
    tones = np.flatnonzero(clear)
    if tones.size == 0:
        return
    rest = place[np.flatnonzero(clear == 0)]
    shape, base, parts = _outline(own, 1, first, rest, place[tones], sound, setup)
    for n in range(parts.size - 1):
        onset, offset, top = segmentation.cross(
            shape, parts[n], parts[n + 1], base, setup.frames_per_s
        )
        if shape[top] - base < setup.clearly_db:
            continue
        for i in tones:
            sounds = np.flatnonzero(~np.isnan(place[i]))
            shared = min(sounds[-1], offset) - max(sounds[0], onset)
            if shared > SHARED * sounds.size and shared > FILLS * (offset - onset):
                clear[i] = 0


@inner
def _outline(
    own: Any, wide: int, first: int, place: Any, but: Any, sound: Any, setup: Any
) -> tuple[Any, float, Any]:
    """The envelope of a stack in dB, the floor's level, and where the envelope falls apart."""
    total, noise = envelope.envelope(own, place, but, first, setup, sound.power, sound.floor)
    shape, base = segmentation.in_db(total, noise)
    near = int(segmentation.NEAR_S * setup.frames_per_s)
    if wide:
        apart = int(APART_S * setup.frames_per_s)
        return (
            shape,
            base,
            segmentation.dips(segmentation.sunken(shape, base), setup.part_db, apart, near),
        )
    apart = int(BEAT_S * setup.frames_per_s)
    return shape, base, segmentation.dips(shape, setup.split_db, apart, near)


@inner
def _much_is_left(own: Any, first: int, place: Any, level: Any, sound: Any, setup: Any) -> bool:
    """Whether a harsh group is more than the tones in it."""
    total, noise = envelope.envelope(own, place[:0], place, first, setup, sound.power, sound.floor)
    rest = 0.0
    for at in range(total.size):
        rest += max(0.0, total[at] - noise[at])
    tones = 0.0
    for i in range(level.shape[0]):
        for at in range(level.shape[1]):
            if not math.isnan(level[i, at]):
                tones += WINDOW_SUM * 10.0 ** (0.1 * level[i, at])
    return rest > LEFT_SHARE * tones


@inner
def _finish_stack(
    group: Any,
    own: Any,
    wide: int,
    first: int,
    place: Any,
    level: Any,
    but: Any,
    state: Any,
    sound: Any,
    setup: Any,
) -> None:
    """Put the notes of one stack of partials, and of its bands, into the waiting room."""
    shape, base, parts = _outline(own, wide, first, place, but, sound, setup)
    for n in range(parts.size - 1):
        onset, offset, top = segmentation.cross(
            shape, parts[n], parts[n + 1], base, setup.frames_per_s
        )
        over_db = shape[top] - base
        reason = _judge(wide, over_db, first, onset, offset, place, level, sound, setup)
        if reason == 0 and not wide and _borrows(shape, base, first, onset, offset, state, setup):
            reason = BORROWED
        if reason == 0:
            gone = segmentation.let_go(shape, offset, parts[n + 1], base, setup.frames_per_s)
            span = onset, offset, gone
            _admit(group, own, wide, first, span, shape, base, place, level, state, setup)
        elif over_db > setup.clearly_db - NEARLY_DB:
            _leave_out(reason, own, over_db, first, onset, offset, place, state, setup)


@inner
def _judge(
    wide: int,
    over_db: float,
    first: int,
    onset: float,
    offset: float,
    place: Any,
    level: Any,
    sound: Any,
    setup: Any,
) -> int:
    """0 for a note; else why it is none."""
    if over_db < setup.clearly_db:
        return FAINT
    if offset - onset < setup.shortest:
        # A knock may be as short as it likes, if it is a sharp one.
        sharp = over_db >= setup.clearly_db + SHARP_DB and offset - onset >= setup.knock
        if not (wide and sharp):
            return SHORT
    if wide:
        return 0
    a = max(0, int(onset))
    b = min(place.shape[1], int(offset) + 1)
    loudest = -1e9
    middle = 0.0
    for i in range(place.shape[0]):
        for at in range(a, b):
            if level[i, at] > loudest:
                loudest = level[i, at]
                middle = place[i, at]
    if over_db - cfar.gust_db(first + a, first + b, middle, sound.over, setup) < setup.clearly_db:
        return GUST
    return 0


@inner
def _borrows(
    shape: Any, base: float, first: int, onset: float, offset: float, state: Any, setup: Any
) -> bool:
    """Whether a tone stands clear only from a wide onset on: by what is not its own."""
    least = base + setup.clearly_db
    start = int(onset)
    for at in range(start, min(int(offset) + 1, shape.size)):
        if state.rising[(first + at) & (RING - 1)] >= setup.wide_bands and at - start > LEAD:
            return True
        if at >= EARLIER and shape[at - EARLIER] >= least and at - EARLIER >= start:
            return False
    return False


@inner
def _leave_out(
    reason: int,
    own: Any,
    over_db: float,
    first: int,
    onset: float,
    offset: float,
    place: Any,
    state: Any,
    setup: Any,
) -> None:
    """Keep what was no note, and why, for whoever asks."""
    bounds = np.array([1e9, 0.0])
    for i in range(place.shape[0]):
        for at in range(max(0, int(onset)), min(place.shape[1], int(offset) + 1)):
            if not math.isnan(place[i, at]):
                bounds[0] = min(bounds[0], place[i, at])
                bounds[1] = max(bounds[1], place[i, at])
    envelope.own_bounds(own, setup, bounds)
    if bounds[1] > 0.0:
        masking.note_down(
            reason, first + onset, first + offset, bounds[0], bounds[1], over_db, state
        )


@inner
def _room(state: Any) -> int:
    for n in range(WAITING_ROOM):
        if state.waiting[n].used == 0:
            return n
    for n in range(WAITING_ROOM):
        if state.waiting[n].used == 2:
            return n
    return -1


@inner
def _admit(
    group: Any,
    own: Any,
    wide: int,
    first: int,
    span: tuple[float, float, float],
    shape: Any,
    base: float,
    place: Any,
    level: Any,
    state: Any,
    setup: Any,
) -> None:
    """Write one note into the waiting room: what it is like up to where it is let go.

    `span` is its onset, where it is let go, and its offset.
    """
    n = _room(state)
    if n < 0:
        return
    onset, let_go, offset = span
    a = int(math.ceil(onset))
    b = max(a + 1, min(shape.size, int(let_go) + 1))
    end = max(b, min(shape.size, int(offset) + 1))
    count, mean, power, rough = tone.summarise(place, level, a, b)
    use = np.zeros(mean.size, np.uint8)
    tonality = _tonality(count, power, rough, use)
    f0 = tone.fundamental(mean, power, use, LEAST_PITCH_HZ / setup.bin_hz, DEEPEST)
    pitch = np.empty(end - a)
    pitch[:] = np.nan
    row = state.waiting_notes[n]
    extra = state.waiting[n]
    extra.points = 0
    if f0 > 0.0 and tonality >= setup.least_tonality:
        tone.follow_pitch(f0, place, level, mean, use, a, end, pitch)
        extra.points = _keep_track(first + a, pitch, shape[a:end], setup, extra)
    bounds = np.empty(2)
    _bounds(own, count, mean, place, setup, bounds)
    describe(f0, mean, power, use, pitch, shape[a:end], bounds, setup, state.waiting_features[n])
    sums = 0.0
    most = 0.0
    swell = 0.0
    for at in range(a, b):
        here = 10.0 ** (0.1 * shape[at])
        sums += here
        most = max(most, here)
        swell += math.sqrt(here)
    row.onset_s = (first + onset) / setup.frames_per_s
    row.offset_s = (first + offset) / setup.frames_per_s
    row.pitch_hz = tone.median(pitch) * setup.bin_hz
    row.level_db = 10.0 * math.log10(sums / (b - a)) - SINE_SUM_DB
    row.snr_db = 10.0 * math.log10(most) - base
    row.low_hz = bounds[0] * setup.bin_hz
    row.high_hz = bounds[1] * setup.bin_hz
    row.tonality = tonality
    extra.used = 1
    extra.due = state.clock[FRAME] + int(setup.patience)
    state.clock[NEXT_DUE] = min(state.clock[NEXT_DUE], extra.due)
    extra.wide = wide
    extra.pieces = 1
    extra.number = group.number
    extra.solid_ms = 1000.0 * swell / math.sqrt(most) / setup.frames_per_s
    extra.peak_db = 10.0 * math.log10(most) - SINE_SUM_DB
    fragments.take_in(n, state, setup)


@inner
def _tonality(count: Any, power: Any, rough: Any, use: Any) -> float:
    """Share of the partials' power in smooth ones, which are marked in `use`."""
    tonal = 0.0
    everything = 1e-30
    for i in range(count.size):
        everything += power[i]
        if count[i] >= 4:
            share = math.exp(-((rough[i] / SMOOTH) ** 2))
            if share > 0.3:
                use[i] = 1
                tonal += power[i] * share
    return min(1.0, tonal / everything)


@inner
def _bounds(own: Any, count: Any, mean: Any, place: Any, setup: Any, bounds: Any) -> None:
    """The band that holds the note, in bins."""
    bounds[0] = 1e9
    bounds[1] = 0.0
    for i in range(mean.size):
        if count[i]:
            bounds[0] = min(bounds[0], mean[i])
            bounds[1] = max(bounds[1], mean[i])
    envelope.own_bounds(own, setup, bounds)
    if bounds[1] == 0.0 and place.shape[0]:
        # No partial lasted into the note itself: take where its group sounded about it.
        bounds[0] = np.nanmin(place)
        bounds[1] = np.nanmax(place)


@inner
def _keep_track(frame: int, pitch: Any, level: Any, setup: Any, extra: Any) -> int:
    """Keep the points of the track that a line through the others would miss by 6 cents."""
    kept = 0
    start = 0
    while start < pitch.size and math.isnan(pitch[start]):
        start += 1
    while start < pitch.size and kept < MOST_POINTS:
        extra.at_s[kept] = (frame + start) / setup.frames_per_s
        extra.pitch_hz[kept] = pitch[start] * setup.bin_hz
        extra.point_db[kept] = level[start] - SINE_SUM_DB
        kept += 1
        start = tone.reach(pitch, start)
    return kept
