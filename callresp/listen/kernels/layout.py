"""What the listener keeps between two frames: plain arrays of fixed size.

Goal
----
The compiled kernels keep nothing to themselves. All that the listener knows
between frames stands here, so that memory is flat, a frame can be taken alone
or by the hundred, and `callresp explain` can read the evidence.

Conventions
-----------
Frames count from the start of the recording, frame i centred on i hops.
Places in the spectrum are in bins (fractions allowed), powers are squared
magnitudes re a full-scale sine, levels dB of those. Rings hold the newest
`RING` frames: frame i stands in row ``i % RING``.
"""

from __future__ import annotations

from functools import partial
from typing import Any, NamedTuple

import numpy as np

from callresp.errors import UserError
from callresp.listen.notes import FEATURES, NOTE, TRACK
from callresp.listen.profile import Profile
from callresp.listen.stft import Framer

TONAL, FRESH, HARSH = range(3)

RING = 4096
BAND_BINS = 4  # bins of a band
MARGIN_BINS = 12  # kept to either side of what is listened to: masking looks 8 bins away
MOST_BANDS = 2048  # more than any profile has
POINTS = 1 << 17
TRACKS = 384
GROUPS = 48
MOST_PEAKS = 64
WAITING_ROOM = 96
WINDOW_SUM = 1.5  # a tone's power over the bins of a Hann window, over its peak bin's
MEMORY_DB_S = 40.0  # by which a bin's memory fades
MOST_POINTS = 48  # of a pitch track
OUT_NOTES = 512
OUT_POINTS = 1 << 16
KNOCK_MS = 4.0
CLEARLY_DB = 2.0  # over what makes a peak, that a note's highest level must reach
MOST_LEFT = 1024
PATIENCE_S = 0.3  # that a finished note waits for its neighbours

# Names for the places in State.clock.
(
    FRAME,
    NEXT_POINT,
    NEXT_GROUP,
    LAST_WIDE,
    LIVING,
    HEARD,
    NOTES,
    NOTE_POINTS,
    STARTS,
    OPEN,
    NEXT_DUE,
    LEFT_OUT,
) = range(12)


class Setup(NamedTuple):
    """Everything that is fixed before the first frame."""

    bins: int
    low: int  # first and last bin listened to
    high: int
    kept_from: int  # bins whose power is kept: those, and a margin that some look into
    kept_to: int
    bin_hz: float
    frames_per_s: float
    over: float  # power over the floor that makes a peak
    clearly_db: float  # over the floor that makes a note
    bands: int
    lag: int  # frames looked back for a rise
    rise: float  # ratio of powers
    wide_bands: int  # rising bands that make a wide onset
    link_bins: float  # farthest from where a track is expected that it goes on
    first_link_bins: float  # the same for its second point
    memory_keep: float  # share of a bin's memory kept from frame to frame
    shortest: float  # frames
    knock: float  # the same for what begins in many bands at once
    longest: float
    split_db: float
    part_db: float  # the same for harsh sounds
    split: float  # both as ratios of power
    part: float
    least_tonality: float
    faint_db: float
    patience: float  # frames that a finished note waits for its neighbours


# Partial tracks, living and ended. In place of a group: none yet, a free slot, and a sound so
# long that it is of the floor.
ALONE, FREE, OF_FLOOR = -1, -2, -3
TRACK_STATE = np.dtype(
    [
        ("place", np.float64),  # bins
        ("step", np.float64),  # bins a frame
        ("power", np.float64),
        ("rough", np.float64),  # running mean of how far points lay from where expected, bins
        ("born", np.int64),
        ("last", np.int64),
        ("count", np.int64),
        ("head", np.int64),  # newest point
        ("group", np.int64),
        ("pieces", np.int64),  # points of a sweep that broke off before it, frame in which that
        ("since", np.int64),  # began, and bins a frame from there to here
        ("slope", np.float64),
        ("told", np.int64),  # 1 + the number under which its start was told, 0 for none
        ("alive", np.int64),
    ]
)

# Points of tracks, each with the one before it, in a ring.
POINT = np.dtype(
    [("frame", np.int64), ("before", np.int64), ("place", np.float32), ("level", np.float32)]
)


# The start of a note; places in bins, 0 where it has no pitch yet.
START = np.dtype(
    [
        ("frame", np.int64),
        ("number", np.int64),  # of its group
        ("before", np.int64),  # no start, if not -1: what was told by this number is of the group
        ("place", np.float64),
        ("low", np.float64),
        ("high", np.float64),
        ("level_db", np.float64),
    ]
)

# What was left out, and why; the newest MOST_LEFT are kept for whoever asks.
SHORT, FAINT, GUST, BESIDE, TWIN, INSIDE, TAIL, BORROWED = range(1, 9)
LEFT = np.dtype(
    [
        ("onset", np.float64),  # frames
        ("offset", np.float64),
        ("low", np.float64),  # bins
        ("high", np.float64),
        ("snr_db", np.float64),
        ("reason", np.int64),
    ]
)


# A finished note that waits until its neighbours are known.
WAITING = np.dtype(
    [
        ("used", np.int64),  # 0 free, 1 waits, 2 given out and kept for its neighbours' sake
        ("due", np.int64),  # frame at which it is given out
        ("wide", np.int64),
        ("pieces", np.int64),  # that it was put together from
        ("number", np.int64),  # of its group
        ("solid_ms", np.float64),  # area of its amplitude over its peak
        ("peak_db", np.float64),
        ("points", np.int64),
        ("at_s", np.float64, (MOST_POINTS,)),
        ("pitch_hz", np.float64, (MOST_POINTS,)),
        ("point_db", np.float32, (MOST_POINTS,)),
    ],
    align=True,
)


# Notes in the making.
GROUP = np.dtype(
    [
        ("live", np.int64),
        ("number", np.int64),
        ("told", np.int64),  # 1 once its start was announced
        ("kind", np.int64),  # TONAL, FRESH (a wide onset not yet told) or HARSH
        ("wide", np.int64),  # 1 where it began with a wide onset
        ("onset", np.int64),  # frames of its onset, of its latest sound, of the latest
        ("last", np.int64),  # sound in its own bands, of its latest wide onset and attack
        ("awake", np.int64),
        ("fresh", np.int64),
        ("attack", np.int64),
        ("base", np.float64),  # its fundamental, bins; 0 for none
        ("peak", np.float64),  # highest power since its latest attack
        ("dip", np.float64),  # lowest since that peak
        ("now", np.float64),  # power in this frame, and in the one before
        ("before", np.float64),
        ("crest", np.float64),  # highest power since its latest attack, lowest since that
        ("trough", np.float64),
        ("above", np.float64),  # sums for the fit of the fundamental
        ("below", np.float64),
        ("own", np.uint8, (MOST_BANDS,)),  # bands that it owns
    ],
    align=True,
)


class Out(NamedTuple):
    """What a run of frames gave: notes, their points, and note starts."""

    notes: Any
    features: Any
    track: Any
    numbers: Any  # each note's group
    starts: Any  # rows of START
    whole: Any  # all of them in one row, for the kernels


class Sound(NamedTuple):
    """What has as many columns as the recording's rate and the profile give it bins and bands.

    It is apart from the row of all else because a kernel is compiled for the shapes in a
    row, but for any shape of an array by itself: one form serves every rate.
    """

    quantile: Any
    floor: Any
    limit: Any  # the power that makes a peak
    calm: Any  # a band's power is divided by the floor's by multiplying it with this
    memory: Any  # power lately heard in each bin, fading: masks tails and echoes
    power: Any  # ring, (RING, bins)
    over: Any  # ring, (RING, bands): power over the floor's, not below 1


class State(NamedTuple):
    """All of it."""

    clock: Any
    tracks: Any  # (TRACKS,) rows of TRACK_STATE
    living: Any  # slots of the living tracks, the first clock[LIVING] of them
    points: Any  # (POINTS,) rows of POINT
    groups: Any  # (GROUPS,)
    open: Any  # slots of the open groups, the first clock[OPEN] of them
    rising: Any  # ring, (RING,): bands that rise
    waiting: Any  # (WAITING_ROOM,) rows of WAITING
    waiting_notes: Any  # the same, rows of NOTE
    waiting_features: Any  # the same, rows of FEATURES
    left: Any  # ring, (MOST_LEFT,) rows of LEFT; clock[LEFT_OUT] counts all
    sound: Sound
    whole: Any  # all but the sound in one row, for the kernels


def setup_for(framer: Framer, profile: Profile, patience_s: float = PATIENCE_S) -> Setup:
    """Turn a profile's units into frames and bins."""
    per_s, bin_hz = framer.frames_per_s, framer.bin_hz
    low = max(2, round(profile.band_low_hz / bin_hz))
    high = min(framer.bins - 3, round(profile.band_high_hz / bin_hz))
    if high - low + 1 < BAND_BINS:
        raise UserError(
            f"a band from {profile.band_low_hz:g} Hz can't be heard at {framer.rate_hz} Hz",
            where=f"profile {profile.name}, band_low_hz",
            remedy="listen lower, or record at a higher rate",
        )
    over = 10 ** (0.1 * profile.floor_db)
    return Setup(
        bins=framer.bins,
        low=low,
        high=high,
        kept_from=max(0, low - MARGIN_BINS),
        kept_to=min(framer.bins, high + MARGIN_BINS + 1),
        bin_hz=bin_hz,
        frames_per_s=per_s,
        over=over,
        clearly_db=profile.floor_db + CLEARLY_DB,
        bands=(high - low + 1) // BAND_BINS,
        lag=4,
        rise=10**0.6,
        wide_bands=5,
        link_bins=1.6,
        first_link_bins=3.2,
        memory_keep=10 ** (-0.1 * MEMORY_DB_S / per_s),
        shortest=profile.shortest_note_ms / 1000 * per_s,
        knock=min(profile.shortest_note_ms, KNOCK_MS) / 1000 * per_s,
        longest=profile.longest_note_s * per_s,
        split_db=profile.split_db,
        part_db=profile.split_db + 9.0,
        split=10 ** (0.1 * profile.split_db),
        part=10 ** (0.1 * profile.split_db + 0.9),
        least_tonality=profile.least_tonality,
        faint_db=profile.faint_beside_loud_db,
        patience=patience_s * per_s,
    )


def new_state(setup: Setup) -> State:
    """A listener that has heard nothing yet."""
    f4 = np.float32
    sound = Sound(
        quantile=np.full(setup.bins, 1e-12, f4),
        floor=np.full(setup.bins, 1e-12, f4),
        limit=np.full(setup.bins, 1e-12, f4),
        calm=np.full(setup.bands, 1e12),
        memory=np.zeros(setup.bins, f4),
        power=np.zeros((RING, setup.bins), f4),
        over=np.ones((RING, setup.bands), f4),
    )
    state: State = _within(
        partial(State, sound=sound),
        clock=(np.int64, 12),
        tracks=(TRACK_STATE, TRACKS),
        living=(np.int64, TRACKS),
        points=(POINT, POINTS),
        groups=(GROUP, GROUPS),
        open=(np.int64, GROUPS),
        rising=(np.int32, RING),
        waiting=(WAITING, WAITING_ROOM),
        waiting_notes=(NOTE, WAITING_ROOM),
        waiting_features=(FEATURES, WAITING_ROOM),
        left=(LEFT, MOST_LEFT),
    )
    state.tracks["group"] = FREE
    state.points["frame"] = state.points["before"] = -1
    state.clock[LAST_WIDE] = -1000
    return state


def new_out() -> Out:
    """Room for what a run of frames gives."""
    out: Out = _within(
        Out,
        notes=(NOTE, OUT_NOTES),
        features=(FEATURES, OUT_NOTES),
        track=(TRACK, OUT_POINTS),
        numbers=(np.int64, OUT_NOTES),
        starts=(START, OUT_NOTES),
    )
    return out


def as_row(setup: Setup) -> Any:
    """The set-up as the kernels take it: one row of one array."""
    values = setup._asdict()
    kinds = [(name, np.asarray(value).dtype, np.shape(value)) for name, value in values.items()]
    return np.array([tuple(setup)], np.dtype(kinds))


def _within(made: Any, **parts: Any) -> Any:
    """Lay arrays out in one row, `whole`, of which each is a view.

    A compiled kernel hands every array on as seven numbers, at each call of another
    kernel; a row goes as one. Copying them took half of the kernels' time.
    """
    row = np.dtype([(name, *kind) for name, kind in parts.items()], align=True)
    whole = np.zeros(1, row)
    return made(whole=whole, **{name: whole[name][0] for name in parts})
