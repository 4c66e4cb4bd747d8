"""Note formation: from a closed group to its notes.

A closed group is laid out frame by frame (`envelope`), its partials are put into
stacks of one singer each (`harmonic_grouping`), and every stack is split into
notes (`segmentation`), which are judged here: how far each stands over the noise
floor and its surroundings, and how long it lasts. What passes goes to the pending
notes, with its pitch (`f0`) and features (`features`); what nearly passed is kept
with the reason, for `callresp.listen.diagnostics`.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from callresp.listen.kernels import (
    cfar,
    crackle,
    envelope,
    f0,
    features,
    fragments,
    harmonic_grouping,
    masking,
    partials,
    residue,
    segmentation,
)
from callresp.listen.kernels._jit import inner, noalloc
from callresp.listen.kernels.layout import (
    BORROWED,
    CONSTANT,
    EMPTY,
    FAINT,
    GIVEN_OUT,
    GUST,
    HANN_SUM,
    MOST_PENDING,
    MOST_PITCH_POINTS,
    OF_FLOOR,
    RESIDUE,
    RING,
    SHORT,
    TONAL,
    UNGROUPED,
    WAITING,
)

SHARP_DB = 3.0  # over a note's least SNR: a knock that may be short
# A sound in many bands need only stand so many spreads of their noise over the floor, if that is
# less than is asked of a tone, but not by more than CALM_DB.
SPREADS = 6.0
CALM_DB = 4.0
BEGINNING = 4  # frames: what sounds by then has sounded since the first sample
SHORTEST_OF_SEVERAL = 0.6  # of the shortest note, where the level dips between it and others
# Partials that a gust doesn't raise by chance: so many, for so many frames and so much of the note.
STACK = 3
STACK_POINTS = 12
STACK_SHARE = 0.6
NEARLY_DB = 2.0  # below a note's least SNR: worth saying why it is none
TONAL_POINTS = 4  # of a partial that counts as tonal
TONAL_ROUGHNESS = 0.6  # bins, at which a partial counts exp(-1) as tonal
LEAST_TONAL = 0.3
LEAST_PITCH_HZ = 200.0
SINE_SUM_DB = 10.0 * math.log10(HANN_SUM)
REST_SHARE = 0.05  # of the power of the tones in it, that a noisy call has beside them
# A lowest partial that is no fundamental belongs to another singer more often than not.
DEEPEST = 1
# A tone belongs to a noisy call where they share so much of the tone's and of the call's time.
SHARED_OF_TONE = 0.7
SHARED_OF_CALL = 0.6
NOISY_DIP_S = 0.014  # that the level of a noisy sound dips between two notes, at least
TONE_DIP_S = 0.0107  # the same of a tone: a sweep beats with its own echo
# Frames before a broadband onset that hold none of it, and by which a tone may rise into one.
BEFORE_BROADBAND = 4
RISE_INTO = 8
AFTER_CALL = 4  # frames after which no window holds anything of a call


class Part(NamedTuple):
    """What of a group was one singer's.

    Attributes
    ----------
    owned
        Which bands are its own.
    broadband
        1 where it began with a broadband onset.
    partials
        Its own.
    without
        Partials that sound in its bands and are not its own.
    """

    owned: Any
    broadband: int
    partials: envelope.Partials
    without: envelope.Partials


class Outline(NamedTuple):
    """Its envelope."""

    level: Any  # dB by frame
    floor_db: float
    notes: Any  # frames at which it falls into notes, both ends included


@inner
def finish_group(g: int, state: Any, spec: Any, setup: Any) -> None:
    """Put the notes of group `g` among the pending ones, and free its partials."""
    group = state.groups[g]
    tracks = state.tracks
    slots = envelope.members(g, tracks)
    first = max(group.onset - envelope.LEAD, 0, state.frame - RING + 2)
    frames = int(min(group.last + envelope.TRAIL, state.frame) - first + 1)
    too_long = state.frame - group.onset > setup.longest
    constant = too_long and group.onset <= BEGINNING
    if frames > 2:
        laid_out = envelope.lay_out(slots, first, frames, tracks, state.points)
        _finish_stacks(group, constant, first, laid_out, state, spec, setup)
    rest = OF_FLOOR if too_long else UNGROUPED
    for i in range(slots.size):
        if tracks[slots[i]].alive:
            tracks[slots[i]].group = rest
        else:
            partials.free(slots[i], state)
    group.live = 0


@inner
def _finish_stacks(
    group: Any,
    constant: bool,
    first: int,
    partials: envelope.Partials,
    state: Any,
    spec: Any,
    setup: Any,
) -> None:
    """Split what several singers sang into stacks, and form the notes of each."""
    # Arrays of one memory layout throughout, or numba compiles all that follows twice.
    owned = group.owned.copy()
    clear = np.ones(partials.start.size, np.uint8)
    if group.broadband:
        after = max(0, group.last_in_bands - first + AFTER_CALL)
        clear = harmonic_grouping.clear_tones(partials, first, after, spec.power, setup)
    if group.kind != TONAL:
        _unmark_own_tones(owned, first, partials, clear, spec, setup)
        tones = envelope.chosen(partials, np.flatnonzero(clear))
        rest = envelope.chosen(partials, np.flatnonzero(clear == 0))
        if tones.start.size == 0 or _has_rest(owned, first, tones, spec, setup):
            _form_notes(group, constant, Part(owned, 1, rest, tones), first, state, spec, setup)
        if tones.start.size == 0:
            return
        partials, clear = tones, clear[np.flatnonzero(clear)]
    stack, stacks = harmonic_grouping.split_stacks(partials, clear)
    sizes = np.bincount(stack)
    no_bands, no_partials = np.zeros_like(owned), envelope.chosen(partials, stack[:0])
    for n in range(stacks):
        own = envelope.chosen(partials, np.flatnonzero(stack == n))
        rich = sizes[n] > 2 or (stacks == 1 and group.kind == TONAL)
        broadband = 1 if group.broadband and rich and sizes[n] == sizes.max() else 0
        part = Part(no_bands, broadband, own, no_partials)
        _form_notes(group, constant, part, first, state, spec, setup)


@inner
def _unmark_own_tones(
    owned: Any, first: int, partials: envelope.Partials, clear: Any, spec: Any, setup: Any
) -> None:
    """Unmark in `clear` the tones that last as long as the noisy call they lie in: its own."""
    tones = np.flatnonzero(clear)
    if tones.size == 0:
        return
    rest = envelope.chosen(partials, np.flatnonzero(clear == 0))
    part = Part(owned, 1, rest, envelope.chosen(partials, tones))
    level, floor_db, notes = _outline(part, first, spec, setup)
    for n in range(notes.size - 1):
        start, end, _, top = segmentation.bounds(
            level, notes[n], notes[n + 1], floor_db, setup.frames_per_s
        )
        if level[top] - floor_db < setup.note_db:
            continue
        for i in tones:
            points = envelope.points(partials, int(i), 0, partials.frames)
            shared = min(partials.end[i], end) - max(partials.start[i], start)
            if shared > SHARED_OF_TONE * points and shared > SHARED_OF_CALL * (end - start):
                clear[i] = 0


@inner
def _has_rest(owned: Any, first: int, tones: envelope.Partials, spec: Any, setup: Any) -> bool:
    """Whether a noisy group is more than the tones in it: beside them, or before and after."""
    no_partials = envelope.chosen(tones, tones.start[:0])
    total, noise = envelope.envelope(owned, no_partials, tones, first, spec, setup)
    rest = 0.0
    alone = 0
    ratio = 10.0 ** (0.1 * setup.note_db)
    sounds = _sounding(tones)
    for at in range(total.size):
        rest += max(0.0, total[at] - noise[at])
        # Partials in frames whose windows overlap this one's sound in it, too.
        a, b = max(0, at - BEFORE_BROADBAND), at + BEFORE_BROADBAND + 1
        if total[at] > ratio * noise[at] and not sounds[a:b].any():
            alone += 1
    if alone > setup.shortest:
        return True
    tonal = 0.0
    for i in range(tones.start.size):
        for at in range(tones.start[i], tones.end[i] + 1):
            if not math.isnan(tones.freq[tones.at[i] + at]):
                tonal += HANN_SUM * 10.0 ** (0.1 * tones.level_db[tones.at[i] + at])
    return rest > REST_SHARE * tonal


@inner
def _sounding(partials: envelope.Partials) -> Any:
    """In which frames any partial sounds."""
    sounds = np.zeros(partials.frames, np.bool_)
    for i in range(partials.start.size):
        for at in range(partials.start[i], partials.end[i] + 1):
            sounds[at] |= not math.isnan(partials.freq[partials.at[i] + at])
    return sounds


@inner
def _outline(part: Part, first: int, spec: Any, setup: Any) -> Outline:
    total, noise = envelope.envelope(part.owned, part.partials, part.without, first, spec, setup)
    level, floor_db = segmentation.in_db(total, noise)
    near = int(segmentation.NEAR_S * setup.frames_per_s)
    if part.broadband:
        wide = int(NOISY_DIP_S * setup.frames_per_s)
        lowered = segmentation.lower_silence(level, floor_db)
        tonal = not part.owned.any()
        notes = segmentation.split(lowered, setup.split_noisy_db, wide, near, tonal)
    else:
        wide = int(TONE_DIP_S * setup.frames_per_s)
        notes = segmentation.split(level, setup.split_db, wide, near, True)
    return Outline(level, floor_db, notes)


@inner
def _form_notes(
    group: Any, constant: bool, part: Part, first: int, state: Any, spec: Any, setup: Any
) -> None:
    """Put the notes of one part of a group among the pending ones.

    `constant` says that it has sounded since the stream began, for longer than a
    note may.
    """
    outline = _outline(part, first, spec, setup)
    level, floor_db, notes = outline
    # The flanks that a window adds to a lone note are cut off one beside another.
    shortest = setup.shortest if notes.size == 2 else SHORTEST_OF_SEVERAL * setup.shortest
    for n in range(notes.size - 1):
        begin, offset, onset, top = segmentation.bounds(
            level, notes[n], notes[n + 1], floor_db, setup.frames_per_s
        )
        if first + offset < group.onset:
            # What sounded in its bands before it began is another's.
            continue
        snr_db = level[top] - floor_db
        asked_db = float(setup.note_db)
        if part.broadband and snr_db < asked_db:
            snr_db, asked_db = _in_calm(part, snr_db, first, first + top, state, spec, setup)
        shown = begin, offset, top
        reason = _why_none(part, snr_db, asked_db, shortest, first, shown, spec, setup)
        if reason == 0 and constant:
            reason = CONSTANT
        if reason == 0:
            tonal = not part.owned.any()
            freq = _loudest_freq(part.partials, notes[n], notes[n + 1]) if tonal else 0.0
            if residue.is_residue(level[top], freq, part.owned, first + top, state, spec, setup):
                reason = RESIDUE
            elif not tonal:
                heard_db = level[int(begin) : int(offset) + 1]
                least_db = floor_db + asked_db - CALM_DB
                at = first + int(begin)
                if residue.is_splatter(heard_db, least_db, part.owned, at, state, spec, setup):
                    reason = RESIDUE
        if reason == 0 and _is_borrowed(part, outline, first, begin, offset, state, setup):
            reason = BORROWED
        if reason == 0:
            end = segmentation.release(level, offset, notes[n + 1], floor_db, setup.frames_per_s)
            span = begin, onset, offset, end
            _add_pending(group.number, part, outline, first, span, state, spec, setup)
        elif snr_db > asked_db - NEARLY_DB:
            _reject(reason, part, (snr_db, asked_db), first, onset, offset, state, setup)


@inner
def _in_calm(
    part: Part, snr_db: float, first: int, top: int, state: Any, spec: Any, setup: Any
) -> tuple[float, float]:
    """The SNR of a faint part in many bands, and what is asked of it.

    Less is asked where the noise in them hardly wavers, and every bin counts alike
    then: a hiss stands out of most, while the noise may lie mainly in a few.
    """
    note_db = float(setup.note_db)
    bins = envelope.owned_bins(part.owned, setup)
    if bins.size == 0:
        return snr_db, note_db
    even_db = 10.0 * math.log10(max(1e-3, cfar.even_snr(bins, top, spec) - 1.0))
    if max(snr_db, even_db) < note_db - CALM_DB:
        return snr_db, note_db
    spread_db = cfar.noise_spread_db(bins, first, state, spec, setup)
    return max(snr_db, even_db), max(note_db - CALM_DB, min(note_db, SPREADS * spread_db))


@noalloc
def _loudest_freq(partials: envelope.Partials, start: int, end: int) -> float:
    """Frequency of the loudest point of the partials in frames [start, end); 0 for none."""
    loudest = -1e9
    freq = 0.0
    for i in range(partials.start.size):
        for at in range(max(partials.start[i], start), min(end, partials.end[i] + 1)):
            p = partials.at[i] + at
            if not math.isnan(partials.freq[p]) and partials.level_db[p] > loudest:
                loudest = partials.level_db[p]
                freq = partials.freq[p]
    return float(freq)


@noalloc
def _why_none(
    part: Part,
    snr_db: float,
    asked_db: float,
    shortest: float,
    first: int,
    shown: tuple[float, float, int],
    spec: Any,
    setup: Any,
) -> int:
    """Why a stretch of an envelope is no note, or 0: from and to where, and where it is highest."""
    onset, offset, top = shown
    if snr_db < asked_db:
        return FAINT
    if offset - onset < shortest:
        # A sharp knock may be shorter.
        sharp = snr_db >= setup.note_db + SHARP_DB and offset - onset >= setup.shortest_knock
        if not (part.broadband and sharp):
            return SHORT
    a, b = max(0, int(onset)), min(part.partials.frames, int(offset) + 1)
    if part.broadband or _is_stack(part.partials, a, b):
        return 0
    freq = _loudest_freq(part.partials, a, b)
    gust_db = cfar.excess_db(first + a - cfar.BEFORE, first + b, freq, spec, setup)
    drop_db = cfar.excess_db(first + top - 1, first + min(top + 1, b), freq, spec, setup)
    return GUST if snr_db - max(gust_db, drop_db) < setup.note_db else 0


@noalloc
def _is_stack(partials: envelope.Partials, start: int, end: int) -> bool:
    """Whether several partials sound for most of frames [start, end): no chance peaks of noise."""
    lasting = 0
    least = max(STACK_POINTS, STACK_SHARE * (end - start))
    for i in range(partials.start.size):
        lasting += envelope.points(partials, i, start, end) > least
    return bool(lasting >= STACK)


@noalloc
def _is_borrowed(
    part: Part, outline: Outline, first: int, onset: float, offset: float, state: Any, setup: Any
) -> bool:
    """Whether a tone stands clear only from a broadband onset on: by power not its own."""
    if part.broadband:
        return False
    level = outline.level
    least = outline.floor_db + setup.note_db
    start = int(onset)
    for at in range(start, min(int(offset) + 1, level.size)):
        broadband = state.rising[(first + at) & (RING - 1)] >= setup.rising_bands
        if broadband and at - start > RISE_INTO:
            return True
        before = at - BEFORE_BROADBAND
        if before >= 0 and level[before] >= least and before >= start:
            return False
    return False


@inner
def _reject(
    reason: int,
    part: Part,
    snr_and_asked_db: tuple[float, float],
    first: int,
    onset: float,
    offset: float,
    state: Any,
    setup: Any,
) -> None:
    bounds = np.array([1e9, 0.0])
    _widen_to_points(part.partials, int(onset), int(offset), bounds)
    envelope.widen_to_bands(part.owned, setup, bounds)
    if bounds[1] > 0.0:
        snr_db, asked_db = snr_and_asked_db
        span = first + onset, first + offset
        if reason in (SHORT, FAINT):
            crackle.count(span[0], span[1], snr_db, False, state, setup)
        masking.reject(reason, span[0], span[1], bounds[0], bounds[1], snr_db, asked_db, state)


@noalloc
def _free_slot(state: Any) -> int:
    """A slot for a pending note, or -1."""
    for n in range(MOST_PENDING):
        if state.pending[n].status == EMPTY:
            return n
    for n in range(MOST_PENDING):
        if state.pending[n].status == GIVEN_OUT:
            return n
    return -1


@inner
def _add_pending(
    number: int,
    part: Part,
    outline: Outline,
    first: int,
    span: tuple[float, float, float, float],
    state: Any,
    spec: Any,
    setup: Any,
) -> None:
    """Add one note of group `number` to the pending ones.

    `span` is where the envelope shows it to begin, its onset, its offset and the end of its
    release. Its features are measured from the first to the third; its reported end is that
    of the release.
    """
    n = _free_slot(state)
    if n < 0:
        return
    level, floor_db = outline.level, outline.floor_db
    begin, onset, offset, release = span
    a = int(math.ceil(begin))
    b = max(a + 1, min(level.size, int(offset) + 1))
    end = max(b, min(level.size, int(release) + 1))
    count, mean, power, roughness = f0.summarise(part.partials, a, b)
    use = np.zeros(mean.size, np.uint8)
    tonality = _tonality(count, power, roughness, use)
    base = f0.fundamental(mean, power, use, LEAST_PITCH_HZ / setup.bin_hz, DEEPEST)
    pitch = np.full(end - a, np.nan)
    note = state.pending_notes[n]
    pending = state.pending[n]
    pending.points = 0
    if base > 0.0 and tonality >= setup.least_tonality:
        pitch = f0.follow_pitch(base, part.partials, mean, use, a, end)
        pending.points = _keep_track(first + a, pitch, level[a:end], setup, pending)
    bounds = np.empty(2)
    _bounds(part, count, mean, setup, bounds)
    row = state.pending_features[n]
    features.describe(mean, power, pitch, level[a:end], bounds, setup, row)
    features.coarse_spectrogram(first + a, first + end, spec, setup, row)
    total, most, area = _sums(level[a:b])
    note.onset_s = (first + onset) / setup.frames_per_s
    note.offset_s = (first + release) / setup.frames_per_s
    note.pitch_hz = f0.median(pitch) * setup.bin_hz
    note.level_db = 10.0 * math.log10(total / (b - a)) - SINE_SUM_DB
    note.snr_db = 10.0 * math.log10(most) - floor_db
    note.low_hz = bounds[0] * setup.bin_hz
    note.high_hz = bounds[1] * setup.bin_hz
    note.tonality = tonality
    pending.status = WAITING
    pending.due = state.frame + int(setup.patience)
    state.next_due = min(state.next_due, pending.due)
    pending.broadband = part.broadband
    pending.fragments = 1
    pending.group = number
    call = note.pitch_hz > 0.0 and crackle.lasts(release - onset, setup)
    pending.asked_db = crackle.asked_db(first + onset, first + release, state, setup)
    crackle.count(first + onset, first + release, note.snr_db, call, state, setup)
    pending.equivalent_ms = 1000.0 * area / math.sqrt(most) / setup.frames_per_s
    pending.peak_db = 10.0 * math.log10(most) - SINE_SUM_DB
    fragments.merge_into_waiting(n, state, setup)


@noalloc
def _sums(level: Any) -> tuple[float, float, float]:
    """Energy of an envelope, its highest power, and the area of its amplitude."""
    total = 0.0
    most = 0.0
    area = 0.0
    for level_db in level:
        here = 10.0 ** (0.1 * level_db)
        total += here
        most = max(most, here)
        area += math.sqrt(here)
    return total, most, area


@noalloc
def _tonality(count: Any, power: Any, roughness: Any, use: Any) -> float:
    """Share of the partials' power in smooth ones, which are marked in `use`."""
    tonal = 0.0
    total = 1e-30
    for i in range(count.size):
        total += power[i]
        if count[i] >= TONAL_POINTS:
            share = math.exp(-((roughness[i] / TONAL_ROUGHNESS) ** 2))
            if share > LEAST_TONAL:
                use[i] = 1
                tonal += power[i] * share
    return min(1.0, tonal / total)


@inner
def _bounds(part: Part, count: Any, mean: Any, setup: Any, bounds: Any) -> None:
    """The band that holds the note: lowest and highest bin, into `bounds`."""
    bounds[0] = 1e9
    bounds[1] = 0.0
    for i in range(mean.size):
        if count[i]:
            bounds[0] = min(bounds[0], mean[i])
            bounds[1] = max(bounds[1], mean[i])
    envelope.widen_to_bands(part.owned, setup, bounds)
    if bounds[1] == 0.0:
        # No partial lasted into the note itself: take where they sounded about it.
        _widen_to_points(part.partials, 0, part.partials.frames, bounds)


@noalloc
def _widen_to_points(partials: envelope.Partials, first: int, last: int, bounds: Any) -> None:
    """Widen `bounds`, lowest and highest bin, to all points of partials in frames [first, last]."""
    for i in range(partials.start.size):
        for at in range(max(first, partials.start[i]), min(last, partials.end[i]) + 1):
            freq = partials.freq[partials.at[i] + at]
            if not math.isnan(freq):
                bounds[0] = min(bounds[0], freq)
                bounds[1] = max(bounds[1], freq)


@noalloc
def _keep_track(frame: int, pitch: Any, level: Any, setup: Any, pending: Any) -> int:
    """Keep the points of the track that lines between others would miss; returns how many."""
    kept = 0
    at = 0
    while at < pitch.size and math.isnan(pitch[at]):
        at += 1
    while at < pitch.size and kept < MOST_PITCH_POINTS:
        pending.at_s[kept] = (frame + at) / setup.frames_per_s
        pending.pitch_hz[kept] = pitch[at] * setup.bin_hz
        pending.point_db[kept] = level[at] - SINE_SUM_DB
        kept += 1
        at = f0.straight_until(pitch, at)
    return kept
