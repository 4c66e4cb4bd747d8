"""The causal core: frames in, notes out.

One kernel is the only door from Python, since each door is compiled apart.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from callresp.listen import floor as floors
from callresp.listen import groups as grouping
from callresp.listen import partials, wide
from callresp.listen.compiled import inner, kernel
from callresp.listen.finish import finish_group
from callresp.listen.tidy import give_out
from callresp.listen.state import FRAME, GROUPS, HEARD, MOST_PEAKS, RING

HEAR, WARM_UP, LAST = range(3)


@kernel
def run(spectra: Any, task: int, state: Any, setup: Any, out: Any) -> None:
    """Take frames in order.

    `HEAR` hears them and writes the notes that end to `out`; `WARM_UP` learns
    the floor alone; `LAST` hears them and then ends every note.
    """
    peaks = np.empty((MOST_PEAKS, 4))
    taken = np.empty(MOST_PEAKS, np.int64)
    level = np.empty(setup.bands)
    risen = np.empty(setup.bands, np.uint8)
    clock, groups = state.clock, state.groups
    for i in range(spectra.shape[0]):
        frame = clock[FRAME]
        power = state.power[frame % RING]
        for k in range(power.size):
            power[k] = spectra[i, k].real ** 2 + spectra[i, k].imag ** 2
        _follow_floor(frame, power, state)
        if task == WARM_UP:
            continue
        over = state.band_db[frame % RING]
        wide.band_levels(power, state.floor, setup, over, level)
        rising = wide.rises(frame, state.band_db, level, setup, risen)
        state.rising[frame % RING] = rising
        grouping.take_wide_onset(frame, rising, risen, setup, state, out.starts)
        grouping.keep_wide(frame, risen, over, level, setup, groups)
        count = partials.find_peaks(power, state.floor, state.memory, setup, peaks)
        partials.remember(power, state.memory, setup.memory_keep)
        partials.link(frame, peaks, count, taken, setup, state)
        partials.keep_points(frame, peaks, count, taken, state)
        grouping.tell_fresh(frame, level, over, state.tracks, groups)
        grouping.follow_bases(frame, state)
        grouping.place_partials(frame, setup, state, out.starts)
        grouping.follow_levels(frame, setup, state, out.starts)
        _close(frame, grouping.HANG, state, setup)
        give_out(frame, state, setup, out)
        clock[FRAME] = frame + 1
    if task == LAST:
        clock[FRAME] -= 1
        _close(clock[FRAME], -1, state, setup)
        give_out(1 << 62, state, setup, out)
        clock[FRAME] += 1


@inner
def _follow_floor(frame: int, power: Any, state: Any) -> None:
    heard = state.clock[HEARD]
    if heard == 0:
        for k in range(power.size):
            state.quantile[k] = power[k] * np.float32(0.3) + np.float32(1e-20)
    floors.follow(power, state.quantile, floors.step_db(heard))
    if heard % 4 == 0:
        floors.spread(state.quantile, state.floor)
    state.clock[HEARD] = heard + 1


@inner
def _close(frame: int, hang: int, state: Any, setup: Any) -> None:
    """Finish the groups that have been silent for more than `hang` frames, or gone on too long."""
    for g in range(GROUPS):
        group = state.groups[g]
        if group.live and (frame - group.last > hang or frame - group.onset > setup.longest):
            finish_group(g, state, setup)
