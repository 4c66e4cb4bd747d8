"""Layout of the listener's state: fixed-size arrays that the kernels read and write.

Goal
----
The compiled kernels keep nothing to themselves. All that the listener knows
from one frame to the next stands here, so that its memory is flat, frames can
be taken one at a time or by the hundred, and `callresp.listen.diagnostics` can
read why a note was taken or left out.

Conventions
-----------
- Frames count from the start of the stream; frame i is centred on sample i·hop.
  The newest `RING` frames are kept: frame i in row ``i & (RING - 1)``.
- Frequencies (``freq``, ``f0``) are in bins, fractions allowed. Powers are
  squared magnitudes re a full-scale sine, levels are dB of the same.
- The state, the settings and the output are structured arrays of one row, since
  numba hands one row on as one pointer, but every array by itself as seven
  numbers at each call; that once took half of the kernels' time.
- Kernels name these rows ``state``, ``setup`` and ``out``, and the arrays that
  have one column a bin or a band ``spec``.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from callresp.errors import UserError
from callresp.listen.notes import FEATURES, NOTE, TRACK
from callresp.listen.profile import Profile
from callresp.listen.stft import Framer

RING = 4096
BAND_BINS = 4  # bins of a band
MARGIN_BINS = 12  # kept beyond either end of the band: masking looks 8 bins away
MOST_BANDS = 2048  # more than any profile has
MOST_POINTS = 1 << 17  # of tracks
MOST_TRACKS = 384
MOST_GROUPS = 48
MOST_PEAKS = 64  # in a frame
MOST_PENDING = 96
MOST_REJECTED = 1024
MOST_PITCH_POINTS = 48  # of a note
MOST_NOTES_OUT = 640
MOST_PITCH_POINTS_OUT = 1 << 16
CRACKLE_CELLS = 64  # a power of two
# A sine's power summed over the bins of its Hann window, over that of its peak bin.
HANN_SUM = 1.5

# Noise of a converter of n bits: 6.02 n + 1.76 dB below a full-scale sine, 4.8 dB more with
# triangular dither; in each of some 250 bins, times 1.5 by the Hann window, 22.2 dB less.
BITS = 16
BIT_DB = 6.02
LEAST_BIN_DB = -19.2

MASKING_DB_S = 40.0  # by which forward masking fades
KNOCK_MS = 4.0  # shortest broadband sound that is a note
NOTE_DB = 2.0  # over what makes a peak, that a note's highest level must reach
PATIENCE_S = 0.3  # for which a finished note waits for its neighbours


class Setup(NamedTuple):
    """What is fixed before the first frame: a profile in frames and bins."""

    bins: int
    low: int  # first and last bin of the band that is listened to
    high: int
    kept_from: int  # bins whose power is kept: the band and a margin
    kept_to: int
    bin_hz: float
    frames_per_s: float
    peak_ratio: float  # power over the noise floor that makes a peak
    note_db: float  # over the noise floor that makes a note
    bands: int
    rise_lag: int  # frames looked back for a rise
    rise_ratio: float  # of powers
    rising_bands: int  # that make a broadband onset
    link_bins: float  # by which a track's next point may miss its expected frequency
    first_link_bins: float  # the same for its second point
    masking_keep: float  # share of the masking power kept from frame to frame
    shortest: float  # frames
    shortest_knock: float
    longest: float
    split_db: float
    split_noisy_db: float
    split_ratio: float
    split_noisy_ratio: float
    least_tonality: float
    faint_beside_loud_db: float
    crackle_db: float
    patience: float  # frames
    converter: np.float32  # power of its noise in a bin
    step_db: float  # level of a sine of its least step
    lossy: bool  # whether it was coded with loss

    def as_row(self) -> npt.NDArray[np.void]:
        """One row of one array, as the kernels take it."""
        fields = [(name, np.asarray(value).dtype) for name, value in self._asdict().items()]
        return np.array([tuple(self)], np.dtype(fields))


# Partial tracks, living and ended, each of a group or of none: not taken by a group yet, a free
# slot, or part of a sound that lasted so long that it now counts as noise floor.
UNGROUPED, FREE, OF_FLOOR = -1, -2, -3
PARTIAL = np.dtype(
    [
        ("freq", np.float64),
        ("slope", np.float64),  # bins a frame
        ("power", np.float64),
        ("roughness", np.float64),  # running mean of how far points missed, bins
        ("born", np.int64),
        ("last", np.int64),  # frame of its newest point
        ("count", np.int64),  # points
        ("head", np.int64),  # row of its newest point
        ("group", np.int64),
        # Of the fast sweep that it continues: points of the earlier pieces (-1 for a piece that
        # has been continued), frame in which the first began, bins a frame from the last to here.
        ("sweep_points", np.int64),
        ("sweep_born", np.int64),
        ("sweep_slope", np.float64),
        ("reported", np.int64),  # 1 + the number under which its onset was reported; 0: none
        ("alive", np.int64),
    ]
)

# Points of the tracks in a ring, each with the row of the one before it, or -1.
POINT = np.dtype(
    [("frame", np.int64), ("before", np.int64), ("freq", np.float32), ("level_db", np.float32)]
)

# Notes in the making.
TONAL, UNDECIDED, NOISY = range(3)
NOT_YET, REPORTED, COVERED = range(3)
GROUP = np.dtype(
    [
        ("live", np.int64),
        ("number", np.int64),
        ("reported", np.int64),  # its onset: NOT_YET, REPORTED, or COVERED by that of another
        ("loudest", np.float64),  # power of its loudest partial, and how rough that is, bins
        ("roughness", np.float64),
        ("kind", np.int64),  # TONAL, UNDECIDED (a broadband onset too young to tell) or NOISY
        ("broadband", np.int64),  # 1 where it began with a broadband onset
        ("onset", np.int64),  # frames of its onset, its latest sound, the latest sound in its
        ("last", np.int64),  # own bands, its latest broadband onset and its latest attack
        ("last_in_bands", np.int64),
        ("renewed", np.int64),
        ("attack", np.int64),
        ("f0", np.float64),  # 0 for none
        ("power", np.float64),  # in this frame, and in the one before
        ("power_before", np.float64),
        ("peak", np.float64),  # highest power since it last rose out of a dip, lowest since then
        ("dip", np.float64),
        ("crest", np.float64),  # the same since its latest attack (see onsets)
        ("trough", np.float64),
        ("fit_above", np.float64),  # sums for the least-squares fit of f0
        ("fit_below", np.float64),
        ("owned", np.uint8, (MOST_BANDS,)),  # which bands are its own
    ],
    align=True,
)

# A note that has ended and waits until its neighbours are known.
EMPTY, WAITING, GIVEN_OUT = range(3)  # the last is kept a while for its neighbours' sake
PENDING = np.dtype(
    [
        ("status", np.int64),
        ("due", np.int64),  # frame at which it is given out
        ("broadband", np.int64),
        ("fragments", np.int64),  # that it was put together from
        ("group", np.int64),  # number
        ("equivalent_ms", np.float64),  # area of its amplitude over its peak
        ("peak_db", np.float64),
        ("asked_db", np.float64),  # SNR that it must reach amid crackle, or 0
        ("points", np.int64),
        ("at_s", np.float64, (MOST_PITCH_POINTS,)),
        ("pitch_hz", np.float64, (MOST_PITCH_POINTS,)),
        ("point_db", np.float32, (MOST_PITCH_POINTS,)),
    ],
    align=True,
)

# What was weighed and is no note, and why.
SHORT, FAINT, GUST, MASKED, TWIN, WITHIN, TAIL, BORROWED, CONSTANT, RESIDUE, CRACKLE = range(1, 12)
REJECTED = np.dtype(
    [
        ("onset", np.float64),  # frames
        ("offset", np.float64),
        ("low", np.float64),  # bins
        ("high", np.float64),
        ("snr_db", np.float64),
        ("asked_db", np.float64),  # the SNR that would have made it a note
        ("reason", np.int64),
    ]
)

# Sounds that began in a stretch of time, by how far they stand over the floor: see crackle.
CELL = np.dtype(
    [
        ("number", np.int64),  # of stretches since the stream began
        ("fainter", np.int64),
        ("faint", np.int64),
        ("louder", np.int64),
        ("loud", np.int64),
        ("covered", np.int64),  # 1 where a call sounds
    ]
)

STATE = np.dtype(
    [
        ("frame", np.int64),  # that comes next
        ("sounding_frames", np.int64),  # frames so far that were not digital silence
        ("silent_frames", np.int64),  # of digital silence, up to this frame without a break
        ("unbroken_frames", np.int64),  # of the latest sound without digital silence in it
        # Of sound, since it last went on for longer than a note may without digital silence; a
        # great number until it first does.
        ("broken_frames", np.int64),
        ("out_of_nothing", np.int64),  # 1 while sound comes out of digital silence, without noise
        ("opening_spread_db", np.float64),  # of the noise, see noise_floor; 0: not known
        ("last_broadband", np.int64),  # frame of the latest broadband onset
        ("point_count", np.int64),  # so far
        ("group_count", np.int64),  # numbers given to groups and to early onsets so far
        ("rejected_count", np.int64),  # so far
        ("next_due", np.int64),  # earliest frame at which a pending note is due
        ("first_free", np.int64),  # no slot of a track before it is free
        ("living_count", np.int64),
        ("open_count", np.int64),
        ("tracks", PARTIAL, (MOST_TRACKS,)),
        ("living", np.int64, (MOST_TRACKS,)),  # slots of the living tracks
        ("points", POINT, (MOST_POINTS,)),
        ("groups", GROUP, (MOST_GROUPS,)),
        ("open", np.int64, (MOST_GROUPS,)),  # slots of the open groups
        ("rising", np.int32, (RING,)),  # bands that rose in each frame
        ("pending", PENDING, (MOST_PENDING,)),
        ("pending_notes", NOTE, (MOST_PENDING,)),  # the same slots
        ("pending_features", FEATURES, (MOST_PENDING,)),
        ("crackle", CELL, (CRACKLE_CELLS,)),
        ("rejected", REJECTED, (MOST_REJECTED,)),  # the newest, in a ring
    ],
    align=True,
)

# An onset that is reported at once; frequencies 0 where it has no pitch yet.
ONSET = np.dtype(
    [
        ("frame", np.int64),
        ("group", np.int64),  # number
        # -1; else this is no onset: what was reported under this number belongs to `group`.
        ("moved_from", np.int64),
        ("freq", np.float64),
        ("low", np.float64),
        ("high", np.float64),
        ("level_db", np.float64),
    ]
)

OUTPUT = np.dtype(
    [
        ("note_count", np.int64),
        ("point_count", np.int64),
        ("onset_count", np.int64),
        ("notes", NOTE, (MOST_NOTES_OUT,)),
        ("features", FEATURES, (MOST_NOTES_OUT,)),
        ("groups", np.int64, (MOST_NOTES_OUT,)),  # the number of each note's group
        ("track", TRACK, (MOST_PITCH_POINTS_OUT,)),
        ("onsets", ONSET, (MOST_NOTES_OUT,)),
    ],
    align=True,
)


class SpectralState(NamedTuple):
    """The arrays that have one column a bin or a band.

    They stand apart from the row of everything else: a kernel is compiled for the
    shapes within a row, but for any shape of an array by itself, so one compiled
    form serves every sample rate and profile.
    """

    quantile: npt.NDArray[np.float32]  # (bins,): see noise_floor
    floor: npt.NDArray[np.float32]  # (bins,): mean power of the noise
    threshold: npt.NDArray[np.float32]  # (bins,): power that makes a peak
    inverse_floor: npt.NDArray[np.float64]  # (bands,): one over the floor's power
    masking: npt.NDArray[np.float32]  # (bins,): power lately heard, fading
    power: npt.NDArray[np.float32]  # (RING, bins)
    band_snr: npt.NDArray[np.float32]  # (RING, bands): power over the floor's, not below 1


def setup_for(framer: Framer, profile: Profile, patience_s: float, bits: int, lossy: bool) -> Setup:
    """Turn a profile's units into frames and bins.

    `bits` are those of the samples that the sound was recorded with; `lossy` says
    whether a codec has left something out since.

    Raises
    ------
    UserError
        Where the sample rate does not hold the profile's band.
    """
    per_s, bin_hz = framer.frames_per_s, framer.bin_hz
    low = max(2, round(profile.band_low_hz / bin_hz))
    high = min(framer.bins - 3, round(profile.band_high_hz / bin_hz))
    if high - low + 1 < BAND_BINS:
        raise UserError(
            f"a band from {profile.band_low_hz:g} Hz can't be heard at {framer.rate_hz} Hz",
            where=f"profile {profile.name}, band_low_hz",
            remedy="listen lower, or record at a higher rate",
        )
    return Setup(
        bins=framer.bins,
        low=low,
        high=high,
        kept_from=max(0, low - MARGIN_BINS),
        kept_to=min(framer.bins, high + MARGIN_BINS + 1),
        bin_hz=bin_hz,
        frames_per_s=per_s,
        peak_ratio=10 ** (0.1 * profile.floor_db),
        note_db=profile.floor_db + NOTE_DB,
        bands=(high - low + 1) // BAND_BINS,
        rise_lag=4,
        rise_ratio=10**0.6,
        rising_bands=5,
        link_bins=1.6,
        first_link_bins=3.2,
        masking_keep=10 ** (-0.1 * MASKING_DB_S / per_s),
        shortest=profile.shortest_note_ms / 1000 * per_s,
        shortest_knock=min(profile.shortest_note_ms, KNOCK_MS) / 1000 * per_s,
        longest=profile.longest_note_s * per_s,
        split_db=profile.split_db,
        split_noisy_db=profile.split_db + 9.0,
        split_ratio=10 ** (0.1 * profile.split_db),
        split_noisy_ratio=10 ** (0.1 * profile.split_db + 0.9),
        least_tonality=profile.least_tonality,
        faint_beside_loud_db=profile.faint_beside_loud_db,
        crackle_db=profile.crackle_db,
        patience=patience_s * per_s,
        converter=np.float32(10 ** (0.1 * (LEAST_BIN_DB - BIT_DB * bits))),
        step_db=BIT_DB - BIT_DB * bits,
        lossy=lossy,
    )


def new_state() -> npt.NDArray[Any]:
    """The one row of `STATE` of a listener that has heard nothing yet."""
    row = np.zeros(1, STATE)
    state = row[0]
    state["tracks"]["group"] = FREE
    state["points"]["frame"] = state["points"]["before"] = -1
    state["last_broadband"] = -1000
    state["broken_frames"] = 1 << 40
    state["crackle"]["number"] = -1
    return row


def new_spectral_state(setup: Setup) -> SpectralState:
    """The same for the arrays of bins and bands."""
    f4 = np.float32
    return SpectralState(
        quantile=np.full(setup.bins, 1e-12, f4),
        floor=np.full(setup.bins, 1e-12, f4),
        threshold=np.full(setup.bins, 1e-12, f4),
        inverse_floor=np.full(setup.bands, 1e12),
        masking=np.zeros(setup.bins, f4),
        power=np.zeros((RING, setup.bins), f4),
        band_snr=np.ones((RING, setup.bands), f4),
    )
