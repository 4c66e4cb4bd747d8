"""Starts told while it sounds: each stroke, each tone amid other sound, each once."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from listen_helpers import online, rung, sung, tone

from callresp.errors import UserError
from callresp.listen.online import Event, Listener, NoteEnd, NoteOnset, PhraseEnd, VoiceChange
from callresp.listen.profile import Profile
from callresp.scene.recipe import load_recipe, vary
from callresp.scene.render import render

RATE_HZ = 48000
Events = list[tuple[float, Event]]


def told(events: Events) -> list[tuple[float, NoteOnset]]:
    """The starts alone."""
    return [(at_s, event) for at_s, event in events if isinstance(event, NoteOnset)]


@settings(max_examples=12, deadline=None)
@given(gap_ms=st.integers(40, 160), swell_db=st.floats(-0.5, 0.5), seed=st.integers(0, 99))
def test_every_stroke_of_a_roll_is_told_once(gap_ms: int, swell_db: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    at_s = 0.6 + 0.001 * gap_ms * np.arange(12)
    wave = 0.001 * rng.standard_normal(round((at_s[-1] + 0.5) * RATE_HZ))
    length = round(0.035 * RATE_HZ)
    fading = np.exp(-np.arange(length) / (0.006 * RATE_HZ))
    for k, moment in enumerate(at_s):
        first = round(moment * RATE_HZ)
        stroke = 0.1 * 10 ** (0.05 * swell_db * k) * fading * rng.standard_normal(length)
        wave[first : first + length] += stroke
    starts = told(online(wave))
    assert len(starts) == len(at_s)
    for (out_s, start), moment in zip(starts, at_s, strict=True):
        assert abs(start.onset_s - moment) < 0.01
        assert out_s - moment < 0.015


def test_a_tone_amid_a_harsh_sound_is_told_before_it_has_shown_itself_apart() -> None:
    rng = np.random.default_rng(5)
    wave = 1e-4 * rng.standard_normal(2 * RATE_HZ)
    spectrum = np.fft.rfft(rng.standard_normal(round(0.3 * RATE_HZ)))
    hz = np.fft.rfftfreq(round(0.3 * RATE_HZ), 1 / RATE_HZ)
    spectrum[(hz < 5000) | (hz > 11000)] = 0
    edge = np.linspace(0, 1, round(0.005 * RATE_HZ))
    for first_s, part in (
        (1.0, 0.05 * np.fft.irfft(spectrum)),
        (1.1, tone(2000, 0.15, RATE_HZ, 0.05)),
    ):
        part[: len(edge)] *= edge
        part[-len(edge) :] *= edge[::-1]
        first = round(first_s * RATE_HZ)
        wave[first : first + len(part)] += part
    events = online(wave)
    ((out_s, start),) = [one for one in told(events) if one[1].pitch_hz]
    assert abs(start.onset_s - 1.1) < 0.01
    assert out_s - 1.1 < 0.02
    ends = [event for _, event in events if isinstance(event, NoteEnd) and event.key == start.key]
    assert len(ends) == 1
    assert ends[0].note is not None
    assert ends[0].note.pitch_hz is not None
    assert abs(ends[0].note.pitch_hz - 2000) < 20


@pytest.mark.parametrize("high_hz", [6700, 7000])
def test_a_sweep_faster_than_a_partial_can_be_followed_is_told_in_time(high_hz: float) -> None:
    rng = np.random.default_rng(5)
    at_s = 0.6 + 0.1007 * np.arange(12)
    wave = 0.002 * rng.standard_normal(round(2.2 * RATE_HZ))
    share = np.linspace(0, 1, round(0.026 * RATE_HZ), endpoint=False)
    phase = 2 * np.pi * np.cumsum(high_hz * (3550 / high_hz) ** share) / RATE_HZ
    for moment in at_s:
        first = round(moment * RATE_HZ)
        wave[first : first + len(share)] += 0.03 * np.sin(phase) * np.sin(np.pi * share) ** 0.7
    events = online(wave)
    starts = told(events)
    for moment in at_s:
        out_s = min(out_s for out_s, start in starts if abs(start.onset_s - moment) < 0.01)
        assert out_s - moment < 0.0225
    assert len(starts) <= len(at_s) + 2
    ended = [event.key for _, event in events if isinstance(event, NoteEnd)]
    assert all(ended.count(start.key) == 1 for _, start in starts)


@settings(max_examples=6, deadline=None)
@given(size=st.integers(32, 9000))
def test_blocks_of_any_size_give_the_same_starts_and_ends(size: int) -> None:
    assert outcome(online(CHORUS, size)) == outcome(online(CHORUS))


CHORUS = render(vary(load_recipe("neighbours"), seconds=6)).samples


def outcome(events: Events) -> list[tuple[float, float, float | None]]:
    """Of every start its onset, its pitch (0 for none), and the onset of its note."""
    ends = {event.key: event.note for _, event in events if isinstance(event, NoteEnd)}
    starts = [event for _, event in told(events)]
    return sorted(
        (start.onset_s, start.pitch_hz or 0.0, note.onset_s if (note := ends[start.key]) else None)
        for start in starts
    )


@pytest.mark.parametrize("seed", range(4))
def test_what_a_place_rings_on_with_is_no_start(seed: int) -> None:
    direct = np.zeros(3 * RATE_HZ)
    sung(direct, 1.0, 620.0, 650.0, 0.2, 0.3, RATE_HZ)
    hiss = 0.0005 * np.random.default_rng(seed).standard_normal(len(direct))
    events = online(direct + rung(direct, 10.0, RATE_HZ, seed) + hiss)
    ((out_s, start),) = told(events)
    assert abs(start.onset_s - 1.0) < 0.01
    assert out_s < 1.02


def test_a_gap_in_the_stream_says_nothing_of_the_floor() -> None:
    noise = 0.01 * np.random.default_rng(6).standard_normal(8 * RATE_HZ)
    assert len(told(online(np.concatenate([np.zeros(3 * RATE_HZ), noise])))) <= 2
    noise[3 * RATE_HZ : 6 * RATE_HZ] = 0.0
    assert len(told(online(noise))) <= 2


def test_after_a_restart_times_are_on_the_callers_clock_and_numbers_go_on() -> None:
    wave = CHORUS[: 4 * RATE_HZ].astype(np.float32)
    listener = Listener(RATE_HZ)
    first = [*listener.push(wave), *listener.finish()]
    listener.restart(100.0)
    again = [*listener.push(wave), *listener.finish()]
    numbers = [event.key for event in (*first, *again) if isinstance(event, NoteOnset)]
    assert len(set(numbers)) == len(numbers)
    notes, later = (
        [event.note for event in events if isinstance(event, NoteEnd) and event.note]
        for events in (first, again)
    )
    assert notes
    assert [note.id for note in (*notes, *later)] == list(range(2 * len(notes)))
    for before, after in zip(notes, later, strict=True):
        assert after.onset_s == pytest.approx(before.onset_s + 100.0)
        assert after.offset_s == pytest.approx(before.offset_s + 100.0)
        assert [at_s for at_s, _ in after.track] == pytest.approx(
            [at_s + 100.0 for at_s, _ in before.track]
        )
    starts, restarts = (
        [event.onset_s for event in events if isinstance(event, NoteOnset)]
        for events in (first, again)
    )
    assert restarts == pytest.approx([onset_s + 100.0 for onset_s in starts])


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_samples_that_are_no_numbers_are_silence(bad: float) -> None:
    wave = 0.001 * np.random.default_rng(7).standard_normal(2 * RATE_HZ)
    wave[RATE_HZ] = bad
    silent = np.where(np.isfinite(wave), wave, 0.0)
    assert online(wave) == online(silent)


def test_a_band_that_the_rate_does_not_hold_is_refused() -> None:
    with pytest.raises(UserError, match=r"band_low_hz.*can't be heard at 8000 Hz"):
        Listener(8000, Profile(band_low_hz=5000.0, band_high_hz=9000.0))


@pytest.mark.parametrize("answered", [0, 1, 2])
def test_only_what_nobody_answered_is_renamed_and_phrases_as_a_whole(answered: int) -> None:
    """Every phrase is answered, none, or every second one, at the moment that its end is told."""
    scene = render(vary(load_recipe("duet"), seconds=40, seed=31))
    listener = Listener(scene.sample_rate_hz)
    wave = scene.samples.astype(np.float32)
    voices: dict[int, str] = {}
    settled: dict[int, str] = {}
    runs: list[tuple[int, ...]] = []
    later = 0
    for start in range(0, len(wave) + 256, 256):
        block = wave[start : start + 256]
        for event in listener.push(block) if len(block) else listener.finish():
            if isinstance(event, NoteEnd) and event.note is not None:
                voices[event.note.id] = event.note.voice
            elif isinstance(event, VoiceChange):
                assert event.note not in settled
                later += any(event.note in run for run in runs)
                voices[event.note] = event.voice
            elif isinstance(event, PhraseEnd):
                runs.append(event.notes)
                if answered and len(runs) % answered == 0:
                    listener.settle(event.notes)
                    settled |= {n: voices[n] for n in event.notes}
    assert all(voices[n] == voice for n, voice in settled.items())
    assert all(len({voices[n] for n in run}) == 1 for run in runs)
    assert (later > 0) == (answered != 1)
