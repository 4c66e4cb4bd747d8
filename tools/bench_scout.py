#!/usr/bin/env python3
"""Measure whether a wanted sound is found, beside a plain template matcher in one run.

\b
    python tools/bench_scout.py --bird DIR --birds DIR
    python tools/bench_scout.py --use tuning --part presence --birds DIR

\b
--bird DIR    every recording in it is of one caller
--birds DIR   each sub-folder, and each recording in it, is a caller of its own

\b
Parts (all, if none is named):
    presence   area under ROC (scikit-learn) by row, ours and template matchers':
               normalised correlation of mel spectrograms over the whole clip, of
               powers as they are (the plain one), in dB, over each band's median,
               and over each band's floor; how far ahead of the plain one and of
               the best; and whether confidence keeps its word (reliability)
    false      'present' in stretches of other callers, and in weather
    roadside   seconds from a started microphone until it says 'here': a call
               every 10 s at 5 dB
    speed      times real time on one core, and what the peak of memory grows by
               from one length to the next

Callers named in tools/singer_cases.py as tuned on are left out of the scoring
set, and the other way round.
"""

from __future__ import annotations

import resource
import time
from collections.abc import Sequence
from pathlib import Path

import click
import numpy as np
import numpy.typing as npt
import scipy.signal
from bench_table import run
from scout_cases import RATE_HZ, ROWS, Caller, Case, Wave, callers, cases, others
from sklearn.metrics import brier_score_loss, roc_auc_score

from callresp.commands.ui import say
from callresp.io.audio import Waveform
from callresp.scene.recipe import load_recipe
from callresp.scene.render import render
from callresp.scout.examples import make_example
from callresp.scout.odds import Wanted, wanted
from callresp.scout.presence import scan
from callresp.scout.roadside import Roadside
from callresp.scout.strangers import pink_noise

Values = npt.NDArray[np.float64]
PARTS = ("presence", "false", "roadside", "speed")
FOLDER = click.Path(path_type=Path, exists=True, file_okay=False)


def mel(samples: Wave) -> Values:
    """Powers in mel bands, shape ``(bands, frames)``."""
    import librosa

    return np.asarray(
        librosa.feature.melspectrogram(
            y=samples, sr=RATE_HZ, n_fft=1024, hop_length=320, n_mels=64, fmin=200, fmax=12_000
        ),
        dtype=np.float64,
    )


def as_they_are(powers: Values, example: bool) -> Values:
    """The plain template matcher."""
    return powers


def in_db(powers: Values, example: bool) -> Values:
    """A template matcher without any care for noise."""
    return np.asarray(10 * np.log10(powers + 1e-12))


def over_median(powers: Values, example: bool) -> Values:
    """In dB over each band's median (of an example: over its quiet fifth), not below it."""
    levels = in_db(powers, example)
    own = np.quantile(levels, 0.2 if example else 0.5, axis=1, keepdims=True)
    return np.asarray(np.maximum(levels - own, 0))


def over_floor(powers: Values, example: bool) -> Values:
    """log(1 + power / floor), each band over its own floor: the strongest that we found.

    On callers that are tuned on, per-channel energy normalisation and less each band's
    mean in dB were behind it.
    """
    floor = np.quantile(powers, 0.1 if example else 0.25, axis=1, keepdims=True)
    return np.asarray(
        np.log1p(powers / np.maximum(floor, powers.max() * (1e-4 if example else 1e-9)))
    )


TEMPLATES = {
    "powers": as_they_are, "dB": in_db, "over median": over_median, "over floor": over_floor,
}  # fmt: skip


def template_score(example: Values, recording: Values) -> float:
    """The highest normalised correlation of a template over a whole recording."""
    template = example[:, : recording.shape[1]]
    template = template - template.mean()
    template /= np.linalg.norm(template)
    wide = template.shape[1]
    match = scipy.signal.fftconvolve(recording, template[::-1, ::-1], mode="valid")[0]
    sums = np.cumsum(np.r_[0.0, recording.sum(axis=0)])
    squares = np.cumsum(np.r_[0.0, (recording**2).sum(axis=0)])
    inside = sums[wide:] - sums[:-wide]
    spread = squares[wide:] - squares[:-wide] - inside**2 / template.size
    return float((match / np.sqrt(np.maximum(spread, 1e-9))).max())


def sought(clip: Wave) -> Wanted:
    """An example as the command makes it."""
    return wanted(make_example(clip, RATE_HZ))


def on_presence(known: Sequence[Caller], each: int, seed: int) -> None:
    """Area under ROC by row, beside the template matcher's; and reliability."""
    clips, made = cases(known, each, seed)
    examples, templates = [sought(clip) for clip in clips], [mel(clip) for clip in clips]
    scores = {
        "ours": [
            scan(Waveform(case.recording, RATE_HZ), [examples[case.example]]).confidence
            for case in made
        ]
    }
    powers = [mel(case.recording) for case in made]
    for name, shown in TEMPLATES.items():
        known_by = [shown(one, True) for one in templates]
        scores[name] = [
            template_score(known_by[case.example], shown(one, False))
            for case, one in zip(made, powers, strict=True)
        ]
    kinds = len({caller.kind for caller in known})
    say(f"{len(known)} callers of {kinds} kinds, {len(made)} cases; templates are mel"
        " spectrograms\narea under ROC  "
        + "".join(f"{name:>13}" for name in scores)
        + "  ahead of powers, of the best  cases")  # fmt: skip
    for row in ROWS:
        own = [n for n, case in enumerate(made) if case.row == row]
        here = [made[n].here for n in own]
        if len(set(here)) == 2:
            areas = [roc_auc_score(here, [of[n] for n in own]) for of in scores.values()]
            plain, best = areas[0] - areas[1], areas[0] - max(areas[1:])
            say(f"  {row:13}" + "".join(f"{area:13.3f}" for area in areas)
                + f"  {plain:+9.3f}{best:+14.3f}  {len(own):5}")  # fmt: skip
    _reliability(made, np.array(scores["ours"]))


def _reliability(made: Sequence[Case], confidence: Values) -> None:
    """How often it was there, by confidence, as if half of all recordings held it."""
    here = np.array([case.here for case in made])
    weight = np.where(here, 0.5 / here.sum(), 0.5 / (~here).sum())
    gap = 0.0
    say("confidence   said  there  cases")
    for low in np.arange(0.0, 1.0, 0.1):
        own = (confidence >= low) & (confidence < low + 0.1 + (low > 0.85))
        if own.any():
            said, there = (np.average(of[own], weights=weight[own]) for of in (confidence, here))
            gap += abs(said - there) * weight[own].sum()
            say(f"  {low:.1f} to {low + 0.1:.1f}  {said:5.2f}  {there:5.2f}  {own.sum():5}")
    brier = brier_score_loss(here, confidence, sample_weight=weight)
    say(f"mean gap between said and there {gap:.3f}; Brier score {brier:.3f}")


def on_false(known: Sequence[Caller], minutes: float, seed: int) -> None:
    """False 'present' in other callers and in weather."""
    weather = render(load_recipe("score-weather"), seconds=60 * minutes)
    birds = storms = calls = 0
    for number, caller in enumerate(known):
        example = [sought(caller.examples[0])]
        among = scan(Waveform(others(known, caller.kind, minutes, seed + number), RATE_HZ), example)
        storm = scan(Waveform(weather.samples, weather.sample_rate_hz), example)
        birds, storms = birds + among.present, storms + storm.present
        calls += len(among.calls) + len(storm.calls)
    hours = len(known) * minutes / 60
    say(f"false 'present': {birds} in {hours:.1f} h of other callers, {storms} in {hours:.1f} h of"
        f" weather, in stretches of {minutes:g} min; {calls} false calls")  # fmt: skip


def on_roadside(known: Sequence[Caller], seed: int) -> None:
    """Seconds until it says 'here'."""
    delays = []
    rng = np.random.default_rng(seed)
    for number, caller in enumerate(known):
        example = sought(caller.examples[0])
        call = caller.examples[-1]
        sound = pink_noise(60 * RATE_HZ, RATE_HZ, seed + number)
        for at_s in np.arange(rng.uniform(0, 10), 56, 10):
            at = int(at_s * RATE_HZ)
            part = call[: len(sound) - at]
            sound[at : at + len(part)] += part * np.float32(10 ** (5 / 20))
        roadside = Roadside([example], RATE_HZ)
        heard = [one.at_s for at in range(0, len(sound), 1600)
                 for one in roadside.push(sound[at : at + 1600]) if one.here]  # fmt: skip
        delays.append(heard[0] if heard else np.inf)
    found = np.isfinite(delays)
    say(f"roadside: median {np.median(delays):.1f} s, worst {max(np.array(delays)[found]):.1f} s;"
        f" {(~found).sum()} of {len(delays)} callers not found in a minute")  # fmt: skip


def on_speed(known: Sequence[Caller], minutes: float, seed: int) -> None:
    """Times real time by the processor's own clock, at two lengths."""
    example = [sought(known[0].examples[0])]
    for share in (0.2, 1.0):
        sound = others(known, known[0].kind, share * minutes, seed)
        began, before = time.process_time(), _peak_mb()
        scan(Waveform(sound, RATE_HZ), example)
        taken = time.process_time() - began
        say(f"speed: {60 * share * minutes / taken:.0f} x real time over {share * minutes:g} min,"
            f" peak of memory +{_peak_mb() - before:.0f} MB")  # fmt: skip


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


@click.command(name="bench_scout", help=__doc__)
@click.option("--bird", "one", type=FOLDER, multiple=True)
@click.option("--birds", "many", type=FOLDER, multiple=True)
@click.option("--use", type=click.Choice(["scoring", "tuning"]), default="scoring")
@click.option("--part", "parts", type=click.Choice(PARTS), multiple=True)
@click.option("--each", default=3, show_default=True, help="Cases of a caller in a row.")
@click.option("--minutes", default=10.0, show_default=True, help="Of long stretches.")
@click.option("--seed", default=1, show_default=True)
def main(
    one: tuple[Path, ...], many: tuple[Path, ...], use: str, parts: tuple[str, ...],
    each: int, minutes: float, seed: int,
) -> None:  # fmt: skip
    """Run the parts that are asked for."""
    known = callers(one, many, use)
    if len({caller.kind for caller in known}) < 2:
        raise click.UsageError("give recordings of two kinds of callers or more")
    for part in parts or PARTS:
        if part == "presence":
            on_presence(known, each, seed)
        elif part == "roadside":
            on_roadside(known, seed)
        else:
            (on_false if part == "false" else on_speed)(known, minutes, seed)


if __name__ == "__main__":
    run(main)
