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

from typing import Any, NamedTuple

import numpy as np

from callresp.listen.frames import Framer
from callresp.listen.profile import Profile

TONAL, FRESH, HARSH = range(3)

RING = 4096
POINTS = 1 << 17
TRACKS = 384
GROUPS = 48
MOST_PEAKS = 64
OUT_NOTES = 512
OUT_POINTS = 1 << 16

# Names for the places in State.clock.
(
    FRAME,
    NEXT_POINT,
    NEXT_GROUP,
    LAST_WIDE,
    LIVING,
    HEARD,
    SILENT,
    NOTES,
    NOTE_POINTS,
    STARTS,
) = range(10)


class Setup(NamedTuple):
    """Everything that is fixed before the first frame."""

    bins: int
    low: int  # first and last bin listened to
    high: int
    bin_hz: float
    frames_per_s: float
    over: float  # power over the floor that makes a peak
    strong: float  # power over the floor that makes a note in two frames
    band_bins: int
    bands: int
    lag: int  # frames looked back for a rise
    rise_db: float
    wide_bands: int  # rising bands that make a wide onset
    link_bins: float  # farthest step of a track in one frame
    memory_keep: float  # share of a bin's memory kept from frame to frame
    shortest: float  # frames
    longest: float
    split_db: float
    part_db: float  # the same for harsh sounds
    least_tonality: float
    faint_db: float


class Tracks(NamedTuple):
    """Partial tracks, living and ended; a slot is free where `group` is -2."""

    place: Any  # bins
    step: Any  # bins a frame
    level: Any  # dB
    peak: Any  # highest level
    gain: Any  # summed dB over the threshold
    born: Any
    last: Any
    count: Any
    alive: Any
    rough: Any  # running mean of how far each point lay from where it was expected, bins
    group: Any  # -2 free, -1 not yet in a group
    head: Any  # newest point
    living: Any  # slots of the living tracks, the first clock[LIVING] of them


class Points(NamedTuple):
    """Points of tracks, each with the one before it, in a ring."""

    frame: Any
    place: Any
    level: Any
    before: Any


class Groups(NamedTuple):
    """Notes in the making."""

    live: Any
    number: Any
    onset: Any
    last: Any
    kind: Any  # TONAL, FRESH (a wide onset not yet told) or HARSH
    own: Any  # (GROUPS, bands): bands that it owns
    base: Any  # its fundamental, bins; 0 for none
    peak: Any  # highest level since its last attack, dB
    dip: Any  # lowest since that peak
    now: Any  # level in this frame
    wide: Any  # 1 where it began with a wide onset
    fresh: Any  # frame of its latest wide onset
    attack: Any  # frame of its latest attack
    awake: Any  # last frame in which its own bands sounded


class Rings(NamedTuple):
    """The newest frames."""

    power: Any  # (RING, bins)
    band_db: Any  # (RING, bands): level over the floor, not below 0
    rise: Any  # (RING,): summed rise of the bands that rise
    width: Any  # (RING,): how many rise


class Out(NamedTuple):
    """What a run of frames gave: notes, their points, and note starts."""

    notes: Any
    features: Any
    track: Any
    starts: Any  # (n, 3): frame, group number, bin


class State(NamedTuple):
    """All of it."""

    clock: Any
    quantile: Any
    floor: Any
    memory: Any  # power lately heard in each bin, fading: masks tails and echoes
    tracks: Tracks
    points: Points
    groups: Groups
    rings: Rings


def setup_for(framer: Framer, profile: Profile) -> Setup:
    """Turn a profile's units into frames and bins."""
    per_s, bin_hz = framer.frames_per_s, framer.bin_hz
    low = max(2, round(profile.band_low_hz / bin_hz))
    high = min(framer.bins - 3, round(profile.band_high_hz / bin_hz))
    band_bins = 4
    over = 10 ** (0.1 * profile.floor_db)
    return Setup(
        bins=framer.bins,
        low=low,
        high=high,
        bin_hz=bin_hz,
        frames_per_s=per_s,
        over=over,
        strong=over * 4.0,
        band_bins=band_bins,
        bands=max(1, (high - low + 1) // band_bins),
        lag=4,
        rise_db=6.0,
        wide_bands=5,
        link_bins=1.6,
        memory_keep=10 ** (-0.1 * 40.0 / per_s),
        shortest=profile.shortest_note_ms / 1000 * per_s,
        longest=profile.longest_note_s * per_s,
        split_db=profile.split_db,
        part_db=profile.split_db + 9.0,
        least_tonality=profile.least_tonality,
        faint_db=profile.faint_beside_loud_db,
    )


def new_state(setup: Setup) -> State:
    """A listener that has heard nothing yet."""
    f4, i4, i8 = np.float32, np.int32, np.int64
    tracks = Tracks(
        *(np.zeros(TRACKS, np.float64) for _ in range(5)),
        *(np.zeros(TRACKS, i8) for _ in range(4)),
        np.zeros(TRACKS, np.float64),
        np.full(TRACKS, -2, i4),
        np.full(TRACKS, -1, i8),
        np.zeros(TRACKS, i8),
    )
    points = Points(
        np.full(POINTS, -1, i8), np.zeros(POINTS, f4), np.zeros(POINTS, f4), np.full(POINTS, -1, i8)
    )
    groups = Groups(
        *(np.zeros(GROUPS, i8) for _ in range(5)),
        np.zeros((GROUPS, setup.bands), np.uint8),
        np.zeros(GROUPS),
        *(np.full(GROUPS, -200.0) for _ in range(3)),
        *(np.zeros(GROUPS, i8) for _ in range(4)),
    )
    rings = Rings(
        np.zeros((RING, setup.bins), f4),
        np.zeros((RING, setup.bands), f4),
        np.zeros(RING, f4),
        np.zeros(RING, i4),
    )
    clock = np.zeros(10, i8)
    clock[LAST_WIDE] = -1000
    quantile = np.full(setup.bins, 1e-12, f4)
    return State(clock, quantile, quantile.copy(), np.zeros(setup.bins, f4), tracks, points, groups, rings)


def new_out() -> Out:
    """Room for what a run of frames gives."""
    from callresp.listen.model import FEATURES, NOTE, TRACK

    return Out(
        np.zeros(OUT_NOTES, NOTE),
        np.zeros(OUT_NOTES, FEATURES),
        np.zeros(OUT_POINTS, TRACK),
        np.zeros((OUT_NOTES, 3), np.int64),
    )
