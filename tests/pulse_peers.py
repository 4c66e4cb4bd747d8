"""Other methods for the pulse, to hold ours against: madmom's comb filters, librosa's tempogram.

Both were made for music at 40 to 250 beats a minute and look at a curve of
onset strength, not at onsets. We make that curve from the onsets, so that they
judge the same notes as `callresp.rhythm`, and let them search as wide as birds
range.

References
----------
Böck, Krebs & Widmer, "Accurate tempo estimation based on recurrent neural
networks and resonating comb filters", ISMIR 2015. Grosche, Müller & Kurth,
"Cyclic tempogram", ICASSP 2010 (librosa's tempo is by autocorrelation).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from callresp.listen.detectors.madmom import madmom

FPS = 500  # frames a second of the onset curve
SHORTEST_S = 0.03
LONGEST_S = 2.0

Curve = npt.NDArray[np.float32]


def onset_curve(onsets_s: npt.ArrayLike) -> Curve:
    """Onset strength made from onsets: a Hann bump of 20 ms at each."""
    onsets = np.asarray(onsets_s, np.float64)
    if len(onsets) == 0:
        return np.zeros(0, np.float32)
    at = (onsets - onsets[0]) * FPS
    curve = np.zeros(int(at[-1]) + FPS // 2, np.float32)
    whole = np.floor(at).astype(np.int64)
    np.add.at(curve, whole, (1 - (at - whole)).astype(np.float32))
    np.add.at(curve, whole + 1, (at - whole).astype(np.float32))
    bump = np.hanning(FPS // 50 + 3)[1:-1].astype(np.float32)
    return np.convolve(curve, bump, "same").astype(np.float32)


def comb_period_s(onsets_s: npt.ArrayLike) -> float | None:
    """The pulse's period by madmom's bank of resonating comb filters, or `None`.

    Raises
    ------
    UserError
        Where madmom can't be had.
    """
    tempo = madmom("features.tempo")
    curve = onset_curve(onsets_s)
    if len(curve) == 0:
        return None
    # Its delays must be shorter than the curve.
    longest = min(int(LONGEST_S * FPS), len(curve) - 1)
    shortest = int(SHORTEST_S * FPS)
    if longest <= shortest:
        return None
    histogram = tempo.interval_histogram_comb(
        curve.astype(np.float64), 0.79, min_tau=shortest, max_tau=longest
    )
    return float(tempo.dominant_interval(histogram, smooth=9)) / FPS


def tempogram_period_s(onsets_s: npt.ArrayLike) -> float | None:
    """The pulse's period by librosa's tempo, without its prior for music, or `None`."""
    import librosa

    curve = onset_curve(onsets_s)
    if len(curve) == 0 or not curve.any():
        return None
    slowest = min(LONGEST_S, len(curve) / FPS)
    rate = librosa.feature.tempo(
        onset_envelope=curve,
        sr=FPS,
        hop_length=1,
        ac_size=slowest,
        max_tempo=60 / SHORTEST_S,
        start_bpm=240.0,
        std_bpm=4.0,
    )
    return 60 / float(rate[0]) if rate[0] > 0 else None
