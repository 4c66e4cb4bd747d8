"""A file is read ahead while it is listened to: with the same notes, and nothing left behind."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator

import numpy as np
import pytest

from callresp.errors import UserError
from callresp.io.audio import Recording, Samples, Waveform
from callresp.listen import offline
from callresp.listen.note_stream import NoteStream, Power, StreamOutput
from callresp.listen.notes import NoteTable
from callresp.listen.offline import unassigned_notes
from callresp.listen.profile import Profile
from callresp.scene.recipe import load_recipe
from callresp.scene.render import render

RATE_HZ = 48000


@pytest.fixture(scope="module")
def song() -> Waveform:
    """Twelve seconds of two singers: nine blocks."""
    return Waveform(render(load_recipe("duet")).samples[: 12 * RATE_HZ], RATE_HZ)


@pytest.fixture(autouse=True)
def some_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Fewer than usual, so that a short song is handed over several times."""
    monkeypatch.setattr(offline, "AT_ONCE", 4)


def heard(recording: Recording) -> NoteTable:
    return unassigned_notes(recording, Profile())[0]


def in_turns(recording: Recording) -> NoteTable:
    """What one thread hears, block by block: the order that every block must come in."""
    stream = NoteStream(RATE_HZ, Profile(), bits=recording.bits)
    stream.learn_floor([np.concatenate(list(recording.blocks()))[: 4 * RATE_HZ]])
    found = [out for block in recording.blocks() for out in stream.push(block)]
    found += stream.push(np.zeros(0, np.float32), last=True)
    tables = [out.notes for out in found]
    first = np.cumsum([0, *(len(table.track) for table in tables[:-1])])
    for table, before in zip(tables, first, strict=True):
        table.notes["first"] += before
    notes = np.concatenate([table.notes for table in tables])
    order = np.argsort(notes["onset_s"], kind="stable")
    features = np.concatenate([table.features for table in tables])
    return NoteTable(notes[order], features[order], np.concatenate([t.track for t in tables]))


@pytest.mark.parametrize("slow", ["reading", "following"])
def test_notes_are_the_same_whichever_thread_is_the_slower(
    song: Waveform, slow: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    method = {"reading": "transformed", "following": "followed"}[slow]
    work: Callable[..., object] = getattr(NoteStream, method)

    def slowly(*words: object, **named: object) -> object:
        time.sleep(0.02)
        return work(*words, **named)

    expected = in_turns(song)
    assert len(expected) > 20
    monkeypatch.setattr(NoteStream, method, slowly)
    found = heard(song)
    for name in ("notes", "features", "track"):
        assert getattr(found, name).tobytes() == getattr(expected, name).tobytes()


def test_blocks_are_followed_in_a_thread_that_ends_with_them(
    song: Waveform, monkeypatch: pytest.MonkeyPatch
) -> None:
    threads = set()
    followed = NoteStream.followed

    def seen(stream: NoteStream, powers: list[Power], last: bool = False) -> list[StreamOutput]:
        threads.add(threading.current_thread())
        return followed(stream, powers, last)

    monkeypatch.setattr(NoteStream, "followed", seen)
    heard(song)
    (beside,) = threads - {threading.current_thread()}
    assert not beside.is_alive()


class _Broken(Waveform):
    """Sound that can't be read on after some blocks."""

    fault: BaseException

    def blocks(self, block: int = 65536) -> Iterator[Samples]:
        for n, part in enumerate(super().blocks(block)):
            if n == 5:
                raise self.fault
            yield part


@pytest.mark.parametrize("fault", [UserError("the stick was pulled out"), KeyboardInterrupt()])
def test_what_stops_the_reading_comes_to_the_caller(song: Waveform, fault: BaseException) -> None:
    broken = _Broken(song.samples, RATE_HZ)
    broken.fault = fault
    before = threading.active_count()
    with pytest.raises(type(fault)) as told:
        heard(broken)
    assert told.value is fault
    assert threading.active_count() == before


def test_what_stops_the_following_comes_to_the_caller(
    song: Waveform, monkeypatch: pytest.MonkeyPatch
) -> None:
    followed = NoteStream.followed
    calls = []

    def fails(stream: NoteStream, powers: list[Power], last: bool = False) -> list[StreamOutput]:
        calls.append(len(powers))
        if len(calls) == 4:
            raise MemoryError
        return followed(stream, powers, last)

    monkeypatch.setattr(NoteStream, "followed", fails)
    before = threading.active_count()
    with pytest.raises(MemoryError):
        heard(song)
    assert len(calls) == 4, "nothing is followed after it"
    assert threading.active_count() == before


def test_no_more_is_read_ahead_than_is_followed_at_a_time(
    song: Waveform, monkeypatch: pytest.MonkeyPatch
) -> None:
    parts = {"read": 0, "followed": 0, "most ahead": 0}
    transformed, followed = NoteStream.transformed, NoteStream.followed
    may_go_on = threading.Event()

    def counted(stream: NoteStream, block: Samples, last: bool = False) -> list[Power]:
        found = transformed(stream, block, last)
        parts["read"] += len(found)
        parts["most ahead"] = max(parts["most ahead"], parts["read"] - parts["followed"])
        if parts["read"] - parts["followed"] > offline.AT_ONCE:
            may_go_on.set()
        return found

    def late(stream: NoteStream, powers: list[Power], last: bool = False) -> list[StreamOutput]:
        # As late as can be: until the reader is ahead as far as it gets, or a while.
        may_go_on.wait(0.2)
        may_go_on.clear()
        found = followed(stream, powers, last)
        parts["followed"] += sum(map(len, powers)) > 0 and len(powers)
        return found

    monkeypatch.setattr(NoteStream, "transformed", counted)
    monkeypatch.setattr(NoteStream, "followed", late)
    assert len(heard(song)) > 20
    # Two parts a block here: what is followed, and as much again.
    assert offline.AT_ONCE < parts["most ahead"] <= 2 * offline.AT_ONCE
