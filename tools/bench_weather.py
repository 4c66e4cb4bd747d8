"""What is heard and answered in recorded rain or surf, and whether song still is there.

    python tools/bench_weather.py rain/*.ogg --song finch.flac --song thrush.wav

Give recordings of weather alone, of at least a second each, and others of one bird each; none is
ours to ship. Clips are played in a loop for `LOOP_S` each, one after another, as if the machine was
carried from place to place; and each for itself, from when the noise floor has settled. Songs are
mixed in every `EVERY_S`, 20 and 6 dB above the weather about them (mean power). The peers are the
same profile with ``crackle_db = 0``, and the same rule set with ``manners.crackle = "answer"``. A
song's notes are those heard without the weather; within 20 ms of its onset a note is found again.

Clips that were coded with loss hold blocks of noise where the codec cut the band off, which no
microphone hears: `--high-hz` listens below. Drops near by and breaking waves remain.
"""

from __future__ import annotations

import functools
from pathlib import Path

import click
import librosa
import msgspec
import numpy as np
import numpy.typing as npt
from bench_table import Table, run

import callresp
from callresp.io.score import HeardScore, phrases
from callresp.listen.profile import Profile
from callresp.reply.rules import RuleSet

RATE_HZ = 44_100
LOOP_S = 15.0
SETTLED_S = 10.0
FADE_S = 0.05
EVERY_S = 20.0
SONG_S = 8.0
OVER_DB = (20.0, 6.0)
SAME_S = 0.02

Samples = npt.NDArray[np.float32]


def joined(one: Samples, other: Samples) -> Samples:
    """One sound after another, faded into it."""
    fade = np.linspace(0, 1, int(FADE_S * RATE_HZ), dtype=np.float32)
    seam = one[-len(fade) :] * (1 - fade) + other[: len(fade)] * fade
    return np.concatenate([one[: -len(fade)], seam, other[len(fade) :]])


def looped(clip: Samples) -> Samples:
    """A clip again and again until it has lasted `LOOP_S`."""
    sound = clip
    while len(sound) < LOOP_S * RATE_HZ:
        sound = joined(sound, clip)
    return sound


def mixed(weather: Samples, songs: list[Samples], over_db: float) -> tuple[Samples, list[float]]:
    """The weather with a song every `EVERY_S`, and when each begins."""
    out, starts_s = weather.copy(), np.arange(EVERY_S / 2, len(weather) / RATE_HZ - SONG_S, EVERY_S)
    for number, start_s in enumerate(starts_s):
        song = songs[number % len(songs)]
        place = slice(int(start_s * RATE_HZ), int(start_s * RATE_HZ) + len(song))
        level = np.sqrt(np.mean(weather[place] ** 2) / np.mean(song**2))
        out[place] += song * level * 10 ** (over_db / 20)
    return out / max(1.0, float(np.abs(out).max())), list(starts_s)


def heard_again(
    heard: HeardScore, starts_s: list[float], songs_s: list[list[float]]
) -> tuple[int, int, int]:
    """Notes of songs that are found, how many there are, and notes outside the songs."""
    onsets_s = np.array([note.onset_s for note in heard.notes])
    true_s = [
        start_s + onset_s
        for number, start_s in enumerate(starts_s)
        for onset_s in songs_s[number % len(songs_s)]
    ]
    found = sum(bool(np.any(np.abs(onsets_s - at_s) < SAME_S)) for at_s in true_s)
    inside = np.zeros(len(onsets_s), bool)
    for start_s in starts_s:
        inside |= (onsets_s >= start_s - SAME_S) & (onsets_s < start_s + SONG_S)
    return found, len(true_s), int(np.sum(~inside))


def row(heard: HeardScore, starts_s: list[float], rules: RuleSet, palette: str) -> tuple[str, ...]:
    """Of songs and of other phrases, how many are answered."""
    answered = {
        note.heard_phrase for note in callresp.answer(heard, rules=rules, palette=palette).notes
    }
    spans = {one.id: (one.onset_s, one.offset_s) for one in phrases(heard.notes)}
    within = {
        start_s: {n for n, (a, b) in spans.items() if a < start_s + SONG_S and b > start_s}
        for start_s in starts_s
    }
    others = set(spans).difference(*within.values())
    songs = sum(bool(numbers & answered) for numbers in within.values())
    return f"{songs} of {len(starts_s)}", f"{len(others & answered)} of {len(others)}"


@click.command(help=__doc__, context_settings={"help_option_names": ["-h", "--help"]})
@click.argument("weather", nargs=-1, required=True, type=click.Path(exists=True, path_type=Path))
@click.option("--song", "songs", multiple=True, type=click.Path(exists=True, path_type=Path))
@click.option("--rules", "names", multiple=True, default=("answer", "shadow"), show_default=True)
@click.option("--palette", default="fettle", show_default=True)
@click.option("--high-hz", default=Profile().band_high_hz, show_default=True)
def bench(
    weather: tuple[Path, ...],
    songs: tuple[Path, ...],
    names: tuple[str, ...],
    palette: str,
    high_hz: float,
) -> None:
    """Print what is heard and answered, with crackle left alone and as it was without."""
    default = Profile(band_high_hz=high_hz)
    profiles = {
        "crackle_db 0": msgspec.structs.replace(default, crackle_db=0.0),
        "default": default,
    }
    clips = [librosa.load(path, sr=RATE_HZ)[0] for path in weather]
    place = functools.reduce(joined, map(looped, clips))
    sung = [librosa.load(path, sr=RATE_HZ, duration=SONG_S)[0] for path in songs]
    sounds = [("none", place, list[float]())]
    if sung:
        sounds += [(f"{over_db:g} dB over it", *mixed(place, sung, over_db)) for over_db in OVER_DB]
    songs_s = [
        [
            note.onset_s
            for note in callresp.transcribe(one, sample_rate_hz=RATE_HZ, profile=default).notes
        ]
        for one in sung
    ]
    minutes = len(place) / RATE_HZ / 60
    notes = Table(
        f"Notes in {minutes:.1f} min of weather",
        ("songs", "heard", "notes of songs found", "other notes"),
    )
    table = Table(
        f"Answered in {minutes:.1f} min of weather",
        ("rules", "songs", "heard", "crackle", "songs answered", "other phrases answered"),
    )
    for listener, profile in profiles.items():
        alone = [
            callresp.transcribe(looped(clip), sample_rate_hz=RATE_HZ, profile=profile)
            for clip in clips
        ]
        settled = [note.onset_s > SETTLED_S for heard in alone for note in heard.notes]
        hours = sum(heard.header.duration_s - SETTLED_S for heard in alone) / 3600
        notes.add(f"none, settled, {60 * hours:.1f} min", listener, "0 of 0", sum(settled))
    for told, sound, starts_s in sounds:
        for listener, profile in profiles.items():
            heard = callresp.transcribe(sound, sample_rate_hz=RATE_HZ, profile=profile)
            found, true, others = heard_again(heard, starts_s, songs_s)
            notes.add(told, listener, f"{found} of {true}", others)
            for name in names:
                rules = callresp.load_rules(name)
                for crackle in ("answer", "leave"):
                    manners = msgspec.structs.replace(rules.manners, crackle=crackle)
                    chosen = msgspec.structs.replace(rules, manners=manners)
                    answered = row(heard, starts_s, chosen, palette)
                    table.add(name, told, listener, crackle, *answered)
    click.echo(notes.text())
    click.echo(table.text())


if __name__ == "__main__":
    run(bench)
