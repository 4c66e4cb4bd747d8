"""One pass over some frames: their power in, onsets and finished notes out.

The steps of a frame, in order:

1. The noise floor (`noise_floor`).
2. Broadband onsets, and the groups that they open (`broadband_onsets`, `grouping`).
3. Peaks, joined into partial tracks (`partials`), which go to groups (`grouping`).
4. Onsets of what stands clear of the noise floor, reported at once (`onsets`,
   `early_onsets`).
5. Groups that have fallen silent are closed and split into notes (`note_formation`), which
   wait until their neighbours are known and are then given out (`masking`).

`power_of` and `analyse` alone are called from Python: a wrapper for Python takes long to compile.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from callresp.listen.kernels import (
    broadband_onsets,
    early_onsets,
    grouping,
    masking,
    noise_floor,
    note_formation,
    onsets,
    partials,
)
from callresp.listen.kernels._jit import inner, kernel, noalloc
from callresp.listen.kernels.layout import MOST_PEAKS, MOST_TRACKS, RING

DIGITAL_SILENCE = 1e-18  # power of a bin; no recorder's noise is as low
FLOOR_EVERY = 4  # frames
# Frames, where digital silence breaks the sound and the floor has settled: looking for tones in
# the floor as often as every fourth frame took a third more time on gated calls.
BROKEN_FLOOR_EVERY = 128
# After the longest note, before what has sounded since the first sample, or since digital silence,
# counts as noise: until its group has been closed.
OPENING_FRAMES = 16
# A stretch of sound between digital silences became the floor itself if its strongest band has a
# mean SNR (a ratio of powers) between these, and no band's quarters differ by more than UNEVEN
# times; frames at its ends, which the window blurs, are left out.
EDGE_FRAMES = 6
AT_FLOOR = 1.2
OUT_OF_FLOOR = 30.0
UNEVEN = 10.0


class Buffers(NamedTuple):
    """Room for what is found in one frame."""

    peaks: Any  # (4, MOST_PEAKS): see partials.find_peaks
    joined: Any  # (MOST_PEAKS,): the track of each peak
    expected: Any  # (2, MOST_TRACKS): see partials.link
    marks: Any  # (bins listened to,): local maxima
    band_power: Any  # (bands,)
    rises: Any  # (bands,): whether each rises
    which: Any  # (bands,): room for the numbers of those that do


@kernel
def power_of(spectra: Any, kept_from: int, kept_to: int) -> Any:
    """Of spectra, shape ``(frames, bins)``, the power in the bins that are kept, float32."""
    power = np.empty((spectra.shape[0], kept_to - kept_from), np.float32)
    for i in range(power.shape[0]):
        _square(spectra[i, kept_from:kept_to], power[i])
    return power


@noalloc
def _square(spectrum: Any, power: Any) -> None:
    for k in range(power.size):
        power[k] = spectrum[k].real * spectrum[k].real + spectrum[k].imag * spectrum[k].imag


@kernel
def analyse(powers: Any, last: bool, states: Any, spec: Any, setups: Any, outs: Any) -> None:
    """Take frames in order.

    Parameters
    ----------
    powers
        Shape ``(frames, bins kept)``.
    last
        Whether the stream ends with them: then every open note is ended.
    states, setups, outs
        Arrays of one row (`layout.STATE`, `layout.Setup.as_row`, `layout.OUTPUT`). What is
        found is added to the output.
    spec : layout.SpectralState
    """
    state, setup, out = states[0], setups[0], outs[0]
    buffers = Buffers(
        np.empty((4, MOST_PEAKS)),
        np.empty(MOST_PEAKS, np.int64),
        np.empty((2, MOST_TRACKS)),
        partials.new_marks(setup),
        np.empty(setup.bands),
        np.empty(setup.bands, np.uint8),
        np.empty(setup.bands, np.int64),
    )
    for i in range(powers.shape[0]):
        _take(powers[i], buffers, state, spec, setup, out)
    if last:
        state.frame -= 1
        _close_groups(state.frame, -1, state, spec, setup)
        masking.give_out(1 << 62, state, setup, out)
        state.frame += 1


@noalloc
def _take(taken: Any, buffers: Buffers, state: Any, spec: Any, setup: Any, out: Any) -> None:
    power = spec.power[state.frame & (RING - 1)]
    # By an index from 0, or the loop is not vectorised.
    kept = power[setup.kept_from : setup.kept_to]
    for k in range(taken.size):
        kept[k] = taken[k]
    _follow_floor(power, state, spec, setup)
    _analyse_frame(power, buffers, state, spec, setup, out)
    state.frame += 1


@noalloc
def _is_silent(power: Any) -> bool:
    for k in range(power.size):  # noqa: SIM110  (numba compiles no generators here)
        if power[k] > DIGITAL_SILENCE:
            return False
    return True


@noalloc
def _follow_floor(power: Any, state: Any, spec: Any, setup: Any) -> None:
    a, b = setup.kept_from, setup.kept_to
    opening = setup.longest + OPENING_FRAMES
    if _is_silent(power[a:b]):
        # A gap in the stream says nothing about the place.
        _take_silence(opening, state, spec, setup)
        return
    if state.silent_frames > 0:
        state.silent_frames = state.unbroken_frames = 0
    # Where nothing lasts longer than a note from one silence to the next, it may all be song.
    if state.unbroken_frames >= opening:
        state.broken_frames = 0
        if state.out_of_nothing:
            state.out_of_nothing = state.sounding_frames = 0
    else:
        state.broken_frames += 1
    state.unbroken_frames += 1
    if state.out_of_nothing:
        return
    if state.sounding_frames == 0:
        for k in range(a, b):
            spec.quantile[k] = power[k] * np.float32(0.3) + np.float32(1e-20)
    step_db = noise_floor.step_db(state.sounding_frames)
    noise_floor.follow(power[a:b], spec.quantile[a:b], step_db)
    broken = state.broken_frames > opening
    settled = broken and state.frame >= opening and step_db == noise_floor.STEP_DB
    if state.sounding_frames % (BROKEN_FLOOR_EVERY if settled else FLOOR_EVERY) == 0:
        if broken:
            _update_opening_floor(spec.quantile[a:b], spec.floor[a:b], setup.converter)
        else:
            noise_floor.update(spec.quantile[a:b], spec.floor[a:b], setup.converter)
        _take_floor(spec, setup)
    state.sounding_frames += 1


@noalloc
def _take_silence(opening: float, state: Any, spec: Any, setup: Any) -> None:
    state.silent_frames += 1
    if 0 < state.unbroken_frames <= 4 * state.silent_frames:
        if state.broken_frames > opening and _is_floor(state, spec, setup):
            # Where only a call sounds and then silence, no noise is known but the converter's.
            state.out_of_nothing = 1
            spec.floor[:] = setup.converter
            _take_floor(spec, setup)
        state.unbroken_frames = 0


@noalloc
def _take_floor(spec: Any, setup: Any) -> None:
    a, b = setup.kept_from, setup.kept_to
    partials.set_threshold(spec.floor[a:b], setup.peak_ratio, spec.threshold[a:b])
    broadband_onsets.invert_floor(spec.floor[setup.low :], spec.inverse_floor)


@noalloc
def _is_floor(state: Any, spec: Any, setup: Any) -> bool:
    """Whether the sound before this silence was even noise that became the floor itself.

    Told by the mean SNR of every band in each quarter of it, without its edges.
    """
    quarter = (state.unbroken_frames - 2 * EDGE_FRAMES) // 4
    if quarter < EDGE_FRAMES:
        return False
    start = state.frame + 1 - state.silent_frames - state.unbroken_frames + EDGE_FRAMES
    highest = 0.0
    for band in range(setup.bands):
        low, high = 1e30, 0.0
        for part in range(4):
            total = 0.0
            for at in range(start + part * quarter, start + (part + 1) * quarter):
                total += spec.band_snr[at & (RING - 1), band]
            low, high = min(low, total), max(high, total)
        if high > UNEVEN * low:
            return False
        highest = max(highest, high)
    return AT_FLOOR * quarter < highest < OUT_OF_FLOOR * quarter


@inner
def _update_opening_floor(quantile: Any, floor: Any, least: Any) -> None:
    noise_floor.update(noise_floor.without_lines(quantile), floor, least)


@noalloc
def _analyse_frame(
    power: Any, buffers: Buffers, state: Any, spec: Any, setup: Any, out: Any
) -> None:
    frame = state.frame
    a, b = setup.kept_from, setup.kept_to
    peaks, joined, expected, marks, band_power, rises, which = buffers
    band_snr = spec.band_snr[frame & (RING - 1)]
    broadband_onsets.band_powers(power[setup.low :], spec.inverse_floor, band_snr, band_power)
    rising = broadband_onsets.mark_rises(frame, spec.band_snr, band_power, setup, rises, which)
    state.rising[frame & (RING - 1)] = rising
    grouping.take_broadband_onset(frame, rising, rises, state, setup, out)
    grouping.follow_broadband(frame, rises, band_snr, band_power, state)
    count = partials.find_peaks(power, spec.threshold, spec.masking, setup, marks, peaks)
    partials.update_masking(power[a:b], spec.masking[a:b], setup.masking_keep)
    partials.link(frame, peaks, count, joined, expected, state, setup)
    partials.add_points(frame, peaks, count, joined, state)
    grouping.classify(frame, band_power, band_snr, state)
    grouping.follow_f0(frame, state)
    grouping.assign_partials(frame, state, setup)
    grouping.follow_power(frame, state, setup, out)
    early_onsets.report(frame, state, spec, setup, out)
    onsets.report(frame, band_snr, band_power, state, spec, setup, out)
    _close_groups(frame, grouping.HANG, state, spec, setup)
    masking.give_out(frame, state, setup, out)


@noalloc
def _close_groups(frame: int, hang: int, state: Any, spec: Any, setup: Any) -> None:
    """Finish the groups that were silent for more than `hang` frames, or have lasted too long."""
    closed = 0
    for n in range(state.open_count):
        group = state.groups[state.open[n]]
        if frame - group.last > hang or frame - group.onset > setup.longest:
            note_formation.finish_group(state.open[n], state, spec, setup)
            closed += 1
    if closed:
        grouping.forget_closed(state)
