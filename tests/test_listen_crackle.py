"""Rain and surf at the listener: what the floor itself scatters is no note, calls among it are.

Of 38 clips of rain and sea waves of the data set ESC-10 (K. J. Piczak, Proc. ACM Multimedia
2015, 1015-1018) in which anything crackles, half bring seven sounds a second or more that stand
10.5 dB over the floor; there are as many fewer by 3 dB as an exponential of 1.4 dB has (lower
quartile 1.0, upper 2.8).
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from listen_helpers import heard, online, sung
from test_listen_rules import RATE_HZ, harsh, put, quiet

from callresp.io.audio import open_recording
from callresp.listen.diagnostics import collect_evidence
from callresp.listen.notes import Rows
from callresp.listen.online import NoteEnd, NoteOnset
from callresp.listen.profile import Profile

Wave = npt.NDArray[np.float64]
PER_S, SCATTER_DB, LEAST_DB = 7.0, 2.5, 9.0
LOW_HZ, HIGH_HZ = 1500.0, 9000.0
# RMS of the noise of `quiet` between these.
NOISE = 3e-4 * np.sqrt((HIGH_HZ - LOW_HZ) / (RATE_HZ / 2))
SECONDS = 24.0
EVER = Profile(crackle_db=0.0)


def drop(wave: Wave, at_s: float, over_db: float, seed: int, length_s: float = 0.008) -> None:
    """A burst of noise so far over the noise about it."""
    put(wave, at_s, NOISE * 10 ** (over_db / 20) * harsh(seed, LOW_HZ, HIGH_HZ, length_s))


def drops(wave: Wave, times_s: Iterable[float], over_db: float, seed: int, length_s: float) -> None:
    """The same at each of these times, each of other noise."""
    for n, at_s in enumerate(times_s):
        drop(wave, at_s, over_db, seed + n, length_s)


def rain(seconds: float = SECONDS, per_s: float = PER_S, least_db: float = LEAST_DB) -> Wave:
    """Drops at random, exponentially fewer the louder they are."""
    rng = np.random.default_rng(3)
    wave = quiet(seconds)
    for n, at_s in enumerate(rng.uniform(0, seconds - 0.1, rng.poisson(per_s * seconds))):
        drop(wave, at_s, least_db + rng.exponential(SCATTER_DB), n)
    return wave


def near(notes: Rows, at_s: float) -> bool:
    return bool(np.any(np.abs(notes["onset_s"] - at_s) < 0.02))


def test_rain_gives_few_notes_once_it_has_shown_itself(tmp_path: Path) -> None:
    wave = rain()
    assert len(heard(wave, tmp_path, EVER)) >= 20
    assert (heard(wave, tmp_path)["onset_s"] > 3.0).sum() <= 2


@pytest.mark.parametrize("per_s", [0.3, 0.6])
def test_a_drop_now_and_then_is_a_note(per_s: float, tmp_path: Path) -> None:
    wave = rain(60.0, per_s, 16.0)
    assert len(heard(wave, tmp_path)) == len(heard(wave, tmp_path, EVER)) >= 8


def test_calls_in_the_rain_are_heard_and_drops_are_not(tmp_path: Path) -> None:
    """Whistles hardly louder than drops, knocks far louder, harsh calls that last."""
    wave = rain()
    whistles_s, knocks_s, rasps_s = (8.0, 8.4, 8.8), (14.0, 17.0), (20.0, 21.0, 22.0)
    for at_s in whistles_s:
        sung(wave, at_s, 3000.0, 3400.0, 0.1, 5e-4, RATE_HZ)
    for n, at_s in enumerate(knocks_s):
        drop(wave, at_s, 26.0, 1000 + n)
    drops(wave, rasps_s, 18.0, 2000, 0.12)
    notes = heard(wave, tmp_path)
    assert all(near(notes, at_s) for at_s in (*whistles_s, *knocks_s, *rasps_s))
    calls = len(whistles_s) + len(knocks_s) + len(rasps_s)
    assert (notes["onset_s"] > 3.0).sum() <= calls + 3


def test_a_pitch_in_the_rain_counts_where_it_lasts_or_comes_again_clearly(tmp_path: Path) -> None:
    """What has one by chance: brief bursts of noise in a narrow band, and one clear tone alone."""
    wave, chance_s = rain(), np.arange(8.0, 20.0, 0.5)
    for n, at_s in enumerate(chance_s):
        put(wave, at_s, 2e-4 * harsh(5000 + n, 2925.0, 3075.0, 0.03))
    by_chance = heard(wave, tmp_path, EVER)
    pitched = (by_chance["pitch_hz"] > 0) & (by_chance["tonality"] < 0.78)
    by_chance = by_chance[pitched & (by_chance["onset_s"] > 8.0)]
    assert len(by_chance) >= 2
    assert not any(near(heard(wave, tmp_path), note["onset_s"]) for note in by_chance)
    tones = {19.0: (3400.0, 0.03), 20.5: (4000.0, 0.03), 20.7: (4040.0, 0.03), 22.5: (3400.0, 0.08)}
    for at_s, (freq_hz, length_s) in tones.items():
        sung(wave, at_s, freq_hz, freq_hz, length_s, 4e-4, RATE_HZ, 0.003)
    assert all(near(heard(wave, tmp_path, EVER), at_s) for at_s in tones)
    notes = heard(wave, tmp_path)
    assert [near(notes, at_s) for at_s in tones] == [False, True, True, True]


@pytest.mark.parametrize("over_db", [6.0, 7.0])
def test_a_faint_drop_makes_no_note_of_a_tone_that_is_none(over_db: float, tmp_path: Path) -> None:
    """Tones about as loud as a note must be, with and without a drop in the middle of each."""
    tones = quiet(26.0)
    begin_s = np.arange(2.0, 25.0, 1.1)
    for at_s in begin_s:
        sung(tones, at_s, 3000.0, 3000.0, 0.1, 1.35e-4, RATE_HZ, 0.01)
    alone = len(heard(tones, tmp_path, EVER))
    drops(tones, begin_s + 0.05, over_db, 400, 0.012)
    assert 3 <= len(heard(tones, tmp_path, EVER)) <= alone <= len(begin_s) / 2


def test_a_trill_hardly_louder_than_drops_is_heard(tmp_path: Path) -> None:
    """Harsh, at 24 notes a second."""
    wave, trill_s = rain(), 12.0 + np.arange(30) / 24
    drops(wave, trill_s, 14.5, 6000, 0.02)
    ever = sum(near(heard(wave, tmp_path, EVER), at_s) for at_s in trill_s)
    assert ever >= 15
    assert sum(near(heard(wave, tmp_path), at_s) for at_s in trill_s) >= 0.35 * ever


def test_a_breaking_wave_is_no_call(tmp_path: Path) -> None:
    """As long as a harsh call, but no louder than the drops about it."""
    wave = rain()
    waves_s = (8.0, 11.0, 14.0, 17.0)
    drops(wave, waves_s, 13.5, 3000, 0.15)
    assert sum(near(heard(wave, tmp_path, EVER), at_s) for at_s in waves_s) >= 3
    assert not any(near(heard(wave, tmp_path), at_s) for at_s in waves_s)


@pytest.mark.parametrize("over_db", [12.5, 13.0, 14.0, 16.0, 19.0, 26.0])
def test_who_taps_by_the_dozen_is_heard_at_any_level(over_db: float, tmp_path: Path) -> None:
    """A woodpecker, a cricket, a dripping roof: alike, so not the tail of anything fainter."""
    wave = quiet(SECONDS)
    drops(wave, np.arange(1.0, SECONDS - 1.0, 0.25), over_db, 0, 0.02)
    assert len(heard(wave, tmp_path)) == len(heard(wave, tmp_path, EVER)) >= 80


def test_clicks_of_all_strengths_are_no_crackle_where_loud_ones_are_too_many(
    tmp_path: Path,
) -> None:
    """A cage or a hand: many faint clicks, and as many far louder than those foretell."""
    rng = np.random.default_rng(5)
    wave = quiet(SECONDS)
    for n, at_s in enumerate(np.arange(1.0, SECONDS - 1.0, 0.22)):
        drop(wave, at_s + rng.uniform(0, 0.1), 22.0 if n % 3 == 0 else rng.uniform(11, 13.5), n)
    assert len(heard(wave, tmp_path)) == len(heard(wave, tmp_path, EVER))


def test_what_sounds_beside_calls_says_nothing_of_the_floor(tmp_path: Path) -> None:
    """A song with faint clicks between its notes; then a knock that is hardly louder."""
    rng = np.random.default_rng(7)
    wave = quiet(SECONDS)
    for n, at_s in enumerate(np.arange(2.0, 12.0, 0.3)):
        sung(wave, at_s, 3000.0, 3400.0, 0.12, 0.02, RATE_HZ)
        drop(wave, at_s + 0.2, LEAST_DB + rng.exponential(SCATTER_DB), n)
    drop(wave, 13.0, 16.0, 4000, 0.02)
    assert near(heard(wave, tmp_path), 13.0)


def test_who_taps_in_the_rain_is_heard_where_it_taps_lightly(tmp_path: Path) -> None:
    """A woodpecker 10 dB over the drops: more loud sounds than those foretell, so not the rain."""
    light_s = np.arange(6.3, 9.6, 0.5)
    wave = rain(10.0)
    drops(wave, light_s, 17.0, 7000, 0.02)
    assert not any(near(heard(wave, tmp_path), at_s) for at_s in light_s)
    drops(wave, np.arange(2.0, 9.5, 0.5), 22.0, 8000, 0.02)
    notes = heard(wave, tmp_path)
    assert sum(near(notes, at_s) for at_s in light_s) >= len(light_s) - 1


def test_a_harsh_end_of_a_call_is_heard_in_the_rain(tmp_path: Path) -> None:
    """Whistle and click, as a bird's: alone, the click is one more drop."""
    clicks_s = np.arange(4.3, 9.0, 1.0)
    wave = rain(10.0)
    drops(wave, clicks_s, 15.0, 9000, 0.02)
    assert not any(near(heard(wave, tmp_path), at_s) for at_s in clicks_s)
    for at_s in clicks_s:
        sung(wave, at_s - 0.3, 3000.0, 3300.0, 0.2, 4e-4, RATE_HZ)
    assert all(near(heard(wave, tmp_path), at_s) for at_s in clicks_s)


def told_s(wave: Wave, profile: Profile | None = None) -> npt.NDArray[np.float64]:
    """When the notes begin that are told online, seconds; each of them is ended."""
    events = [event for _, event in online(wave, profile=profile)]
    onsets_s = {one.key: one.onset_s for one in events if isinstance(one, NoteOnset)}
    assert set(onsets_s) <= {one.key for one in events if isinstance(one, NoteEnd)}
    return np.array(list(onsets_s.values()))


def test_online_no_drop_is_reported_and_calls_are() -> None:
    wave = rain()
    calls_s = (8.0, 8.4, 8.8, 20.0)
    for at_s in calls_s[:3]:
        sung(wave, at_s, 3000.0, 3400.0, 0.1, 5e-4, RATE_HZ)
    drop(wave, calls_s[3], 26.0, 1000)
    told, ever = (onsets_s[onsets_s > 7.9] for onsets_s in (told_s(wave), told_s(wave, EVER)))
    for at_s in calls_s:
        assert np.abs(told - at_s).min() < 0.06
    assert len(told) <= len(calls_s) + 8 < len(ever) / 4


@pytest.mark.parametrize(("size", "length_s", "amid_surf"), [(2e-4, 0.03, 0), (2.5e-4, 0.015, 1)])
def test_online_no_brief_tone_by_chance_is_reported(
    size: float, length_s: float, amid_surf: int
) -> None:
    """Bubbles ring, in the rain and while a wave runs out: each would break a reply off."""
    wave, tones_s = rain(10.0), np.arange(4.0, 9.6, 0.5)
    for n, at_s in enumerate(tones_s):
        put(wave, at_s - 0.06, amid_surf * 5e-4 * harsh(100 + n, 6000.0, 9000.0, 0.15))
        put(wave, at_s, size * harsh(5000 + n, 2925.0, 3075.0, length_s))
    told, ever = (
        sum(bool(np.any(np.abs(onsets_s - at_s) < 0.03)) for at_s in tones_s)
        for onsets_s in (told_s(wave), told_s(wave, EVER))
    )
    assert told <= 2 < 6 <= ever


def test_online_and_offline_leave_out_the_same(tmp_path: Path) -> None:
    wave = rain()
    online_s = [e.note.onset_s for _, e in online(wave, 999) if isinstance(e, NoteEnd) and e.note]
    offline_s = heard(wave, tmp_path)["onset_s"]
    assert [round(s, 3) for s in online_s if s > 8.0] == [
        round(float(s), 3) for s in offline_s if s > 8.0
    ]


def test_it_is_explained_by_its_setting(tmp_path: Path) -> None:
    heard(rain(), tmp_path)
    evidence = collect_evidence(open_recording(tmp_path / "heard.wav"), Profile(), 10.0, 20.0)
    told = [one for one in evidence.left_out if one.setting == "crackle_db"]
    assert len(told) >= 5
    for one in told:
        asked_db = float(one.why.partition("must reach ")[2].partition(" dB")[0])
        assert one.snr_db < asked_db <= 20.0
