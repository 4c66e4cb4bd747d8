"""Residue: what windows, codecs and converters leave beside and below louder sound.

Goal
----
The sharp edges of a tone show as faint peaks hundreds of hertz away, and a lossy
codec lets noise through in blocks beside loud sound. Each stands far over a noise
floor that is low at other times, and none is a sound of the place.

Conventions
-----------
- The splatter of a tone with edges of some milliseconds lies `SKIRT` below it at
  `SKIRT_HZ` from it, falling by 12 dB an octave.
- A codec's residue lies `FAR` below what sounds within a block of it; `BROAD_FAR`
  is enough for a sound of many bands, and where the noise floor is that of a
  converter, so that a codec or an editor has cut the noise away.
- No note is fainter than the least step of 16 bits (a sine of one step has a level
  of -90.3 dB), nor than `LEAST_GATED_DB` where the noise has been cut away.

The figures are our own: tones with edges of 2 ms, and calls over pink noise
through Vorbis and MP3 (`tools/bench_onsets.py`).
"""

from __future__ import annotations

from typing import Any

from callresp.listen.kernels import envelope
from callresp.listen.kernels._jit import inner
from callresp.listen.kernels.layout import CONVERTER, RING

SKIRT = 10**-2.6
SKIRT_HZ = 600.0
SKIRT_FRAMES = 6
FAR = 10**-6.0
BROAD_FAR = 10**-4.2
GATED = 1.3  # times a converter's noise
BLOCK_FRAMES = 18  # of 2.7 ms: codecs work in blocks of up to 2048 samples
LEAST_DB = -90.0
LEAST_GATED_DB = -85.0


@inner
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
    if level_db < (LEAST_GATED_DB if gated else LEAST_DB):
        return True
    far = BROAD_FAR if gated or freq == 0.0 else FAR
    power = 10.0 ** (0.1 * level_db)
    skirt = SKIRT_HZ / setup.bin_hz
    earliest = max(0, frame - BLOCK_FRAMES, state.frame - RING + 2)
    for other in range(earliest, min(state.frame, frame + BLOCK_FRAMES) + 1):
        row = spec.power[other & (RING - 1)]
        near = freq > 0.0 and abs(other - frame) <= SKIRT_FRAMES
        for k in range(setup.low, setup.high):
            if row[k] * far > power:
                return True
            if near and row[k] * SKIRT > power:
                away = abs(k - freq) / skirt
                if away > 1.0 and row[k] * SKIRT > power * away * away * away * away:
                    return True
    return False


@inner
def _is_gated(owned: Any, freq: float, spec: Any, setup: Any) -> bool:
    """Whether the noise in some bands, or else at a frequency, is no more than a converter's."""
    bins = envelope.owned_bins(owned, setup)
    if bins.size == 0:
        return bool(spec.floor[int(freq + 0.5)] <= GATED * CONVERTER)
    total = 0.0
    for k in bins:
        total += spec.floor[k]
    return bool(total <= GATED * CONVERTER * bins.size)
