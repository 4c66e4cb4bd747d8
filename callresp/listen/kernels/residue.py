"""Residue: what windows, codecs and converters leave beside and below louder sound.

Goal
----
The sharp edges of a tone show as faint peaks hundreds of hertz away, and a lossy
codec lets noise through in blocks beside loud sound. Each stands far over a noise
floor that is low at other times, and none is a sound of the place.

Conventions
-----------
- The splatter of a tone with edges of some milliseconds lies `SKIRT` below it at
  `SKIRT_HZ` from it, falling by 12 dB an octave. A sound of many bands is splatter
  where all of it lies no higher, for as long as it sounds.
- A codec's residue lies `FAR` below what sounds within a block of it; `BROAD_FAR`
  is enough for a sound of many bands, and where the noise floor is that of a
  converter, so that a codec or an editor has cut the noise away. There, and in all
  that was coded with loss, what lies `LONG_FAR` below anything within `LONG_FRAMES` is
  noise that the codec let through again.
- No note is fainter than the least step of the converter (a sine of one step of 16
  bits has a level of -90.3 dB), nor than `GATED_STEPS_DB` over it where the noise has
  been cut away.

The figures are our own: tones with edges of 2 ms, and calls over pink noise
through Vorbis and MP3 (`tools/bench_onsets.py`).
"""

from __future__ import annotations

from typing import Any

import numpy as np

from callresp.listen.kernels import envelope
from callresp.listen.kernels._jit import inner, noalloc
from callresp.listen.kernels.cfar import GATED
from callresp.listen.kernels.layout import RING

SKIRT = 10**-2.6
SKIRT_HZ = 600.0
SKIRT_FRAMES = 6
FAR = 10**-6.0
BROAD_FAR = 10**-4.2
BLOCK_FRAMES = 18  # of 2.7 ms: codecs work in blocks of up to 2048 samples
LONG_FAR = 10**-6.2
LONG_FRAMES = 375
LONG_STEP = 4
TONE_BINS = 4  # to either side that a tone fills by itself
GATED_STEPS_DB = 5.0


@noalloc
def is_residue(
    level_db: float, freq: float, owned: Any, frame: int, state: Any, spec: Any, setup: Any
) -> bool:
    """Whether a sound is residue, by its highest level.

    Parameters
    ----------
    level_db
        Its highest level, reached in `frame`.
    freq
        Of a tone, bins; 0 for a sound of many bands.
    owned
        Which bands are its own.
    """
    gated = _is_gated(owned, freq, spec, setup)
    if level_db < setup.step_db + (GATED_STEPS_DB if gated else 0.0):
        return True
    far = BROAD_FAR if gated or freq == 0.0 else FAR
    power = 10.0 ** (0.1 * level_db)
    if (gated or setup.lossy) and _is_far_below(power, frame, state, spec, setup):
        return True
    skirt = SKIRT_HZ / setup.bin_hz
    earliest = max(0, frame - BLOCK_FRAMES, state.frame - RING + 2)
    for other in range(earliest, min(state.frame, frame + BLOCK_FRAMES) + 1):
        row = spec.power[other & (RING - 1)]
        near = freq > 0.0 and abs(other - frame) <= SKIRT_FRAMES
        if not _any_over(row[setup.low : setup.high], SKIRT if near else far, power):
            continue
        for k in range(setup.low, setup.high):
            if row[k] * far > power:
                return True
            if near and row[k] * SKIRT > power:
                away = abs(k - freq) / skirt
                if away > 1.0 and row[k] * SKIRT > power * away * away * away * away:
                    return True
    return False


@noalloc
def _any_over(row: Any, share: float, power: float) -> bool:
    """Whether a share of any bin's power is over `power`: no branches, so vectorised."""
    over = 0
    for k in range(row.size):
        over += row[k] * share > power
    return over > 0


@noalloc
def _is_far_below(power: float, frame: int, state: Any, spec: Any, setup: Any) -> bool:
    """Whether a power lies `LONG_FAR` below any bin within `LONG_FRAMES` of a frame."""
    earliest = max(0, frame - LONG_FRAMES, state.frame - RING + 2)
    for other in range(earliest, min(state.frame, frame + LONG_FRAMES) + 1, LONG_STEP):
        row = spec.power[other & (RING - 1)]
        if _any_over(row[setup.low : setup.high], LONG_FAR, power):
            return True
    return False


@inner
def is_splatter(
    level_db: Any, least_db: float, owned: Any, first: int, state: Any, spec: Any, setup: Any
) -> bool:
    """Whether a sound of many bands is the splatter of a tone, all of it that is over a level.

    `level_db` is its envelope from frame `first` on.
    """
    bins = envelope.owned_bins(owned, setup)
    share = np.zeros(setup.high - setup.low + 1)  # of a tone's splatter, so many bins away
    for k in range(TONE_BINS + 1, share.size):
        away = k / (SKIRT_HZ / setup.bin_hz)
        share[k] = min(1.0, 1.0 / (away * away * away * away))
    known = np.full(level_db.size + 2 * SKIRT_FRAMES, -1.0)  # by frame; -1 for not asked yet
    for at in range(level_db.size):
        power = 10.0 ** (0.1 * level_db[at])
        if level_db[at] < least_db:
            continue
        splatter = 0.0
        frame = first + at
        earliest = max(0, frame - SKIRT_FRAMES, state.frame - RING + 2)
        for other in range(earliest, min(state.frame, frame + SKIRT_FRAMES) + 1):
            n = other - first + SKIRT_FRAMES
            if known[n] < 0.0:
                known[n] = _splatter(bins, share, spec.power[other & (RING - 1)], setup)
            splatter = max(splatter, known[n])
        if splatter < power:
            return False
    return True


@noalloc
def _splatter(bins: Any, share: Any, row: Any, setup: Any) -> float:
    """Power that the splatter of the loudest tone of a frame may have in some bins."""
    tone = setup.low
    for k in range(setup.low, setup.high):
        if row[k] > row[tone]:
            tone = k
    total = 0.0
    for k in bins:
        total += share[abs(k - tone)]
    return total * row[tone] * SKIRT


@inner
def _is_gated(owned: Any, freq: float, spec: Any, setup: Any) -> bool:
    """Whether the noise in some bands, or else at a frequency, is no more than a converter's."""
    bins = envelope.owned_bins(owned, setup)
    if bins.size == 0:
        return bool(spec.floor[int(freq + 0.5)] <= GATED * setup.converter)
    total = 0.0
    for k in bins:
        total += spec.floor[k]
    return bool(total <= GATED * setup.converter * bins.size)
