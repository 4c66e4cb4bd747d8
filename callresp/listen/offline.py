"""Transcribe a recording, with our own listener or with another detector."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor

import numpy as np

from callresp.io.audio import COMPUTING, Progress, Recording, Samples
from callresp.io.score import HeardHeader, HeardScore, Note
from callresp.listen.detectors.registry import NATIVE, detect_notes, find_detector
from callresp.listen.note_stream import FLOOR_S, NoteStream, Power, StreamOutput
from callresp.listen.notes import FEATURES, NOTE, TRACK, NoteRows, NoteTable
from callresp.listen.profile import Profile
from callresp.listen.voices.assign import assign_voices, singer_settings
from callresp.listen.voices.phrases import close_phrases

# Parts of the sound, of 256 frames or less, that are followed at a time. Where both threads share
# a core each finds less of its own in the cache at every change: four at a time cost up to a
# tenth of the processor time more.
AT_ONCE = 16


def transcribe(
    recording: Recording,
    profile: Profile | None = None,
    detector: str = NATIVE,
    progress: Progress | None = None,
) -> HeardScore:
    """Transcribe a recording: every note with onset, offset, pitch, level and voice.

    Parameters
    ----------
    recording
        Any sample rate from 8 to 192 kHz; it is read block by block.
    profile
        What to listen for; `None` for the general profile.
    detector
        ``"native"``, or the name of another detector
        (`callresp.listen.detectors.registry`).
    progress
        Called with the share done, 0 to 1.

    Returns
    -------
    HeardScore
        Notes in order of onset, in seconds from the start of the recording.

    Raises
    ------
    UserError
        When the detector is not known, the recording can't be read, or its sample
        rate does not hold the profile's band.

    Examples
    --------
    >>> from callresp.io.audio import open_recording
    >>> heard = transcribe(open_recording("dawn.wav"))  # doctest: +SKIP
    """
    header, notes = transcribe_lazily(recording, profile, detector, progress)
    return HeardScore(header=header, notes=tuple(notes))


def transcribe_lazily(
    recording: Recording,
    profile: Profile | None = None,
    detector: str = NATIVE,
    progress: Progress | None = None,
) -> tuple[HeardHeader, Sequence[Note]]:
    """As `transcribe`, for recordings of a day: each note is made when it is asked for.

    Parameters
    ----------
    recording
        What to hear.
    profile
        How; by default the shipped one.
    detector
        Which one finds the notes.
    progress
        Called with the share done, 0 to 1.

    Returns
    -------
    header, notes
        As those of a heard score.

    Raises
    ------
    UserError
        When the recording can't be read, or the detector is not there.
    """
    profile = profile or Profile()
    notes: Sequence[Note]
    if detector == NATIVE:
        table, duration_s = note_table(recording, profile, progress)
        notes, licence = NoteRows(table), None
    else:
        notes = detect_notes(detector, recording, profile, progress)
        duration_s, licence = recording.duration_s, find_detector(detector).licence
    licences = () if licence is None else (f"detector '{detector}': {licence}",)
    header = HeardHeader(
        recording=recording.path.name,
        duration_s=duration_s,
        sample_rate_hz=recording.sample_rate_hz,
        detector=detector,
        profile=profile.name,
        rest_s=profile.rest_s,
        longest_phrase_s=profile.longest_phrase_s,
        warnings=(*recording.warnings, *licences),
    )
    return header, notes


def note_table(
    recording: Recording, profile: Profile, progress: Progress | None = None
) -> tuple[NoteTable, float]:
    """The notes of a recording as a table, and its true length in seconds.

    Parameters
    ----------
    recording
        What to hear.
    profile
        How.
    progress
        Called with the share done, 0 to 1.

    Returns
    -------
    table, duration_s
        In order of onset; as many seconds as there was sound.

    Raises
    ------
    UserError
        When the recording can't be read.
    """
    table, duration_s = unassigned_notes(recording, profile, progress)
    notes = assign_voices(table.notes, table.features, singer_settings(profile))
    notes = close_phrases(notes, profile.rest_s, profile.longest_phrase_s)
    return NoteTable(notes, table.features, table.track), duration_s


def unassigned_notes(
    recording: Recording, profile: Profile, progress: Progress | None = None
) -> tuple[NoteTable, float]:
    """As `note_table`, which says what it takes and refuses, without singers and phrases.

    Some blocks are followed in a thread of its own while the next are read and transformed.
    """
    stream = NoteStream(
        recording.sample_rate_hz, profile, bits=recording.bits, lossy=recording.lossy
    )
    stream.learn_floor(_opening(recording))
    # Kernels are compiled, if need be, in the thread that hears Ctrl-C.
    stream.followed([np.zeros((0, 0), np.float32)])
    gathered = _GrowingTable()
    following: Future[list[StreamOutput]] = Future()
    following.set_result([])
    ahead: list[Power] = []
    taken = 0
    with ThreadPoolExecutor(1, COMPUTING) as beside:
        for block in recording.blocks():
            ahead += stream.transformed(block)
            if len(ahead) >= AT_ONCE:
                gathered.add(following.result())
                following, ahead = beside.submit(stream.followed, ahead), []
            taken += len(block)
            if progress is not None:
                progress(min(1.0, taken / max(1, recording.frames)))
        ahead += stream.transformed(np.zeros(0, np.float32), last=True)
        gathered.add(following.result())
    gathered.add(stream.followed(ahead, last=True))
    return gathered.in_order(), taken / recording.sample_rate_hz


def _opening(recording: Recording) -> Iterator[Samples]:
    left = int(FLOOR_S * recording.sample_rate_hz)
    for block in recording.blocks():
        yield block[:left]
        left -= len(block)
        if left <= 0:
            return


class _GrowingTable:
    """Tables put end to end as they come, without ever holding them twice."""

    def __init__(self) -> None:
        self._notes, self._features, self._track = bytearray(), bytearray(), bytearray()

    def add(self, outputs: Iterable[StreamOutput]) -> None:
        for table in (out.notes for out in outputs if len(out.notes)):
            table.notes["first"] += len(self._track) // TRACK.itemsize
            self._notes += table.notes.tobytes()
            self._features += table.features.tobytes()
            self._track += table.track.tobytes()

    def in_order(self) -> NoteTable:
        """One table, in order of onset."""
        notes = np.frombuffer(self._notes, NOTE)
        features = np.frombuffer(self._features, FEATURES)
        order = np.argsort(notes["onset_s"], kind="stable")
        return NoteTable(notes[order], features[order], np.frombuffer(self._track, TRACK))
