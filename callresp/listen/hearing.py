"""Hear a recording with the native detector or a named second opinion."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from callresp.listen.profile import Profile
from callresp.score import HeardHeader, HeardScore, Note


def hear(
    recording: Any,
    profile: Profile | None = None,
    detector: str = "native",
    progress: Callable[[float], None] | None = None,
) -> HeardScore:
    """Hear a recording: every note with onset, offset, pitch, level and voice.

    Parameters
    ----------
    recording : callresp.sound.Recording
        Any sample rate from 8 to 192 kHz; it is read by blocks.
    profile
        What to listen for; `None` for the general profile.
    detector
        ``"native"``, or the name of a second opinion (callresp.listen.opinions).
    progress
        Called with the share done, 0 to 1.

    Returns
    -------
    HeardScore
        Notes in order of onset, in seconds from the start of the recording.

    Raises
    ------
    UserError
        When the detector is not known, or the recording can't be read.

    Examples
    --------
    >>> from callresp.sound import open_recording
    >>> heard = hear(open_recording("dawn.wav"))  # doctest: +SKIP
    """
    header, notes = hear_long(recording, profile, detector, progress)
    return HeardScore(header=header, notes=tuple(notes))


def hear_long(
    recording: Any,
    profile: Profile | None = None,
    detector: str = "native",
    progress: Callable[[float], None] | None = None,
) -> tuple[HeardHeader, Sequence[Note]]:
    """As `hear`, for recordings of a day: each note is made when it is asked for."""
    profile = profile or Profile()
    if detector != "native":
        from callresp.listen.opinions import hear_opinion

        score = hear_opinion(recording, profile, detector, progress)
        return score.header, score.notes
    from callresp.listen.native import NoteRows, hear_table

    table, duration_s = hear_table(recording, profile, progress)
    header = HeardHeader(
        recording=recording.path.name,
        duration_s=duration_s,
        sample_rate_hz=recording.sample_rate_hz,
        detector="native",
        profile=profile.name,
        warnings=tuple(recording.warnings),
    )
    return header, NoteRows(table)
