"""The causal core: frames in, notes out.

One kernel is the only door from Python, since each door is compiled apart.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from callresp.listen.kernels import (
    broadband_onsets,
    grouping,
    masking,
    note_starts,
    onsets,
    partials,
)
from callresp.listen.kernels import grouping as joining
from callresp.listen.kernels import noise_floor as floors
from callresp.listen.kernels._jit import bare, kernel
from callresp.listen.kernels.layout import FRAME, HEARD, MOST_PEAKS, OPEN, RING
from callresp.listen.kernels.note_formation import finish_group

HEAR, WARM_UP, LAST = range(3)
SILENT = 1e-18  # power of a bin; no recorder is as quiet


class Room(NamedTuple):
    """Room for what is found in one frame."""

    peaks: Any
    taken: Any  # the track of each peak
    marks: Any
    total: Any  # power of each band
    risen: Any  # whether it rises


@kernel
def run(spectra: Any, task: int, states: Any, sound: Any, setups: Any, outs: Any) -> None:
    """Take frames in order; state, set-up and room for the outcome are arrays of one row.

    `HEAR` hears them and writes the notes that end to `outs`; `WARM_UP` learns
    the floor alone; `LAST` hears them and then ends every note.
    """
    state, setup, out = states[0], setups[0], outs[0]
    room = Room(
        np.empty((MOST_PEAKS, 4)),
        np.empty(MOST_PEAKS, np.int64),
        partials.room_for_marks(setup),
        np.empty(setup.bands),
        np.empty(setup.bands, np.uint8),
    )
    for i in range(spectra.shape[0]):
        _take(spectra[i], task, room, state, sound, setup, out)
    clock = state.clock
    if task == LAST:
        clock[FRAME] -= 1
        _close(clock[FRAME], -1, state, sound, setup)
        masking.give_out(1 << 62, state, setup, out)
        clock[FRAME] += 1


@bare
def _take(
    spectrum: Any, task: int, room: Room, state: Any, sound: Any, setup: Any, out: Any
) -> None:
    """Take one frame."""
    clock = state.clock
    frame = clock[FRAME]
    a, b = setup.kept_from, setup.kept_to
    power = sound.power[frame & (RING - 1)]
    _square(spectrum[a:b], power[a:b])
    _follow_floor(power, clock, sound, setup)
    if task == WARM_UP:
        return
    peaks, taken, total, risen = room.peaks, room.taken, room.total, room.risen
    over = sound.over[frame & (RING - 1)]
    broadband_onsets.band_powers(power[setup.low :], sound.calm, over, total)
    rising = broadband_onsets.rises(frame, sound.over, total, setup, risen)
    state.rising[frame & (RING - 1)] = rising
    grouping.take_wide_onset(frame, rising, risen, setup, state, out.starts)
    grouping.keep_wide(frame, risen, over, total, state)
    count = partials.find_peaks(power, sound.limit, sound.memory, setup, room.marks, peaks)
    partials.remember(power[a:b], sound.memory[a:b], setup.memory_keep)
    partials.link(frame, peaks, count, taken, setup, state)
    partials.keep_points(frame, peaks, count, taken, state)
    grouping.tell_fresh(frame, total, over, state)
    grouping.follow_bases(frame, state)
    joining.place_partials(frame, setup, state)
    grouping.follow_levels(frame, setup, state, out.starts)
    onsets.tell_early(frame, state, sound, setup, out.starts)
    note_starts.tell_starts(frame, over, total, state, sound, setup, out.starts)
    _close(frame, grouping.HANG, state, sound, setup)
    masking.give_out(frame, state, setup, out)
    clock[FRAME] = frame + 1


@bare
def _square(spectrum: Any, power: Any) -> None:
    for k in range(power.size):
        power[k] = spectrum[k].real * spectrum[k].real + spectrum[k].imag * spectrum[k].imag


@bare
def _sounds(power: Any) -> bool:
    for k in range(power.size):  # noqa: SIM110  (a generator is more than a kernel takes)
        if power[k] > SILENT:
            return True
    return False


@bare
def _follow_floor(power: Any, clock: Any, sound: Any, setup: Any) -> None:
    heard = clock[HEARD]
    a, b = setup.kept_from, setup.kept_to
    if not _sounds(power[a:b]):
        # A gap in the stream says nothing of the place.
        return
    if heard == 0:
        for k in range(a, b):
            sound.quantile[k] = power[k] * np.float32(0.3) + np.float32(1e-20)
    floors.follow(power[a:b], sound.quantile[a:b], floors.step_db(heard))
    if heard % 4 == 0:
        floors.spread(sound.quantile[a:b], sound.floor[a:b])
        partials.set_limit(sound.floor[a:b], setup.over, sound.limit[a:b])
        broadband_onsets.set_calm(sound.floor[setup.low :], sound.calm)
    clock[HEARD] = heard + 1


@bare
def _close(frame: int, hang: int, state: Any, sound: Any, setup: Any) -> None:
    """Finish the groups that have been silent for more than `hang` frames, or gone on too long."""
    closed = 0
    for n in range(state.clock[OPEN]):
        group = state.groups[state.open[n]]
        if frame - group.last > hang or frame - group.onset > setup.longest:
            finish_group(state.open[n], state, sound, setup)
            closed += 1
    if closed:
        grouping.forget_closed(state)
