"""The causal core: frames in, notes out."""

from __future__ import annotations

from typing import Any

import numpy as np

from callresp.listen import floor as floors
from callresp.listen import groups as grouping
from callresp.listen import partials, wide
from callresp.listen.compiled import kernel
from callresp.listen.finish import finish_group
from callresp.listen.state import (
    FRAME,
    GROUPS,
    HEARD,
    MOST_PEAKS,
    RING,
)


@kernel
def warm_up(spectra: Any, state: Any) -> None:
    """Learn the floor from frames that will be heard again."""
    power = np.empty(spectra.shape[1], np.float32)
    for i in range(spectra.shape[0]):
        _power(spectra[i], power)
        if state.clock[HEARD] == 0:
            for k in range(power.size):
                state.quantile[k] = power[k] * np.float32(0.3) + np.float32(1e-20)
        floors.follow(power, state.quantile, floors.step_db(state.clock[HEARD]))
        state.clock[HEARD] += 1
    floors.spread(state.quantile, state.floor)


@kernel
def _power(spectrum: Any, power: Any) -> None:
    for k in range(power.size):
        power[k] = spectrum[k].real ** 2 + spectrum[k].imag ** 2


@kernel
def hear_frames(spectra: Any, state: Any, setup: Any, out: Any) -> None:
    """Take frames in order; notes that end are written to `out`."""
    peaks = np.empty((MOST_PEAKS, 4))
    taken = np.empty(MOST_PEAKS, np.int64)
    level = np.empty(setup.bands)
    risen = np.empty(setup.bands, np.uint8)
    for i in range(spectra.shape[0]):
        frame = state.clock[FRAME]
        power = state.rings.power[frame % RING]
        _power(spectra[i], power)
        if state.clock[HEARD] > 0:
            floors.follow(power, state.quantile, floors.step_db(state.clock[HEARD]))
            if frame % 4 == 0:
                floors.spread(state.quantile, state.floor)
            state.clock[HEARD] += 1
        _one(frame, power, peaks, taken, level, risen, state, setup, out)
        state.clock[FRAME] = frame + 1


@kernel
def _one(
    frame: int,
    power: Any,
    peaks: Any,
    taken: Any,
    level: Any,
    risen: Any,
    state: Any,
    setup: Any,
    out: Any,
) -> None:
    tracks, groups, clock = state.tracks, state.groups, state.clock
    over = state.rings.band_db[frame % RING]
    wide.band_levels(power, state.floor, setup, over, level)
    rising = wide.rises(frame, state.rings.band_db, level, setup, risen)
    state.rings.width[frame % RING] = rising
    g = grouping.take_wide_onset(frame, rising, risen, setup, tracks, groups, clock)
    if g >= 0:
        grouping.announce(g, frame, groups, clock, out.starts)
    grouping.keep_wide(frame, risen, over, level, setup, groups)
    count = partials.find_peaks(power, state.floor, state.memory, setup, peaks)
    partials.remember(power, state.memory, setup.memory_keep)
    partials.link(frame, peaks, count, tracks, setup, taken, clock)
    partials.keep_points(frame, peaks, count, taken, tracks, state.points, clock)
    grouping.tell_fresh(frame, level, over, setup, tracks, groups)
    grouping.follow_bases(frame, tracks, groups, clock)
    grouping.place_partials(frame, setup, tracks, groups, clock, out.starts)
    grouping.follow_levels(frame, setup, tracks, groups, clock, out.starts)
    for g in range(GROUPS):
        if groups.live[g] and (
            frame - groups.last[g] > grouping.HANG or frame - groups.onset[g] > setup.longest
        ):
            finish_group(g, state, setup, out)


@kernel
def close_all(state: Any, setup: Any, out: Any) -> None:
    """Finish every open group: the recording has ended."""
    state.clock[FRAME] -= 1
    for g in range(GROUPS):
        if state.groups.live[g]:
            finish_group(g, state, setup, out)
    state.clock[FRAME] += 1
