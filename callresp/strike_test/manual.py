"""Strikes made by hand, without a plan: found, and grouped by how they sound.

The first fifth of a second after every onset gives a spectrum in 24ths of an
octave, less what sounded before; spectra are joined by average linkage while they
are similar enough (cosine). Strikers are usually struck several times in a row,
so neighbouring strokes count as a little more alike. With a palette, groups take
the name of the striker whose pitch they have.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import msgspec
import numpy as np
import numpy.typing as npt

from callresp.errors import UserError
from callresp.palette.model import Coil, ForcePoint, Palette, Partial, Striker
from callresp.plan.model import Plan, PlanHeader
from callresp.reply.mapping import cents
from callresp.strike_test import interference, onsets, per_striker, results
from callresp.strike_test.align import Alignment
from callresp.strike_test.capture import Capture
from callresp.strike_test.results import Finding, StrikerResult, StrikeTestResult
from callresp.strike_test.strokes import HeardStroke, Take

Values = npt.NDArray[np.float64]

APART_S = 0.12
ALIKE_CUT = 0.45
FEWEST = 2
_LOOK_S = 0.2
_RISE = 0.35


def measure(
    capture: Capture,
    palette: Palette | None,
    asked_level_db: float,
    progress: Callable[[float, str], None] = lambda share, note: None,
) -> StrikeTestResult:
    """Measure strikers from strokes by hand.

    Parameters
    ----------
    capture
        The recording: each striker struck some times, left to ring.
    palette
        To name strikers by their pitch; `None` numbers them.
    asked_level_db
        Added to levels re full scale to have dB SPL at 1 m.

    Raises
    ------
    UserError
        No stroke that comes twice is in it.
    """
    progress(0.05, "onsets")
    found = onsets.find(capture.samples, capture.rate_hz, rise=_RISE, apart_s=APART_S)
    at_s = _placed(capture, found.times_s)
    if len(at_s) < FEWEST:
        raise UserError(
            "no strokes can be heard in it", where=capture.name, remedy="record nearer or louder"
        )
    groups = grouped(capture, at_s)
    kept = [g for g in groups if len(g) >= FEWEST]
    if not kept:
        raise UserError(
            "no sound comes twice in it",
            where=capture.name,
            remedy="strike each striker three times or more, and let it ring",
        )
    strikers: list[StrikerResult] = []
    clock = Alignment(0.0, 0.0, {}, 1.0)
    scale = per_striker.Scale(asked_level_db, 0.0)
    no_commands = Plan(header=PlanHeader(), commands=())
    for number, group in enumerate(kept):
        progress(0.1 + 0.85 * number / len(kept), f"striker {number + 1}")
        own = _strokes(capture, at_s, group)
        sound = per_striker.listen(capture, own, None)
        if not sound.modes:
            continue
        stand_in = _stand_in(f"striker {number + 1}", number, sound.kind)
        one = per_striker.measure(capture, sound, stand_in, no_commands, clock, scale)
        strikers.append(_without_commands(one))
    if not strikers:
        raise UserError(
            "nothing in it rings as a struck sound does",
            where=capture.name,
            remedy="strike each striker three times or more, and let it ring",
        )
    named, findings = _named(strikers, palette)
    findings += _findings(capture, at_s, groups)
    pairs = results.compare(named)
    return StrikeTestResult(
        recording=capture.name,
        duration_s=capture.duration_s,
        sample_rate_hz=capture.rate_hz,
        by_hand=True,
        offset_s=0.0,
        clock_skew_ppm=0.0,
        latency_from="nothing: struck by hand",
        level_from="full scale",
        noise_db=-200.0,
        strikers=tuple(named),
        likeness=pairs,
        findings=tuple(findings),
    )


def _placed(capture: Capture, times_s: Values) -> Values:
    """Onsets placed exactly; those that the picker can't place are dropped."""
    placed = []
    for number, at_s in enumerate(times_s):
        gap_s = at_s - times_s[number - 1] if number else at_s
        learn_s = float(min(0.08, max(gap_s - 0.03, 0.004)))
        got = onsets.pick(capture.samples, capture.rate_hz, float(at_s), 0.02, 0.03, learn_s)
        if got is not None and got.rise_db > 6:
            placed.append(got.at_s)
    return np.array(placed)


def spectra(capture: Capture, at_s: Values) -> Values:
    """What each stroke added, in 24ths of an octave: rows of norm 1, ``(strokes, bands)``."""
    rate_hz = capture.rate_hz
    count = round(_LOOK_S * rate_hz)
    window = np.hanning(count)
    hertz = np.fft.rfftfreq(count, 1 / rate_hz)
    edges = np.geomspace(120, min(14000, 0.45 * rate_hz), 1 + round(24 * np.log2(14000 / 120)))
    bins = np.searchsorted(hertz, edges)
    rows = []
    for at in at_s:
        first = round((at + 0.004) * rate_hz)
        powers = []
        for start in (first, first - count - round(0.008 * rate_hz)):
            part = np.zeros(count)
            got = capture.samples[max(start, 0) : max(start, 0) + count]
            part[: len(got)] = got
            powers.append(np.abs(np.fft.rfft(part * window)) ** 2)
        added = np.maximum(powers[0] - 1.5 * powers[1], 0.0)
        total = np.r_[0.0, np.cumsum(added)]
        band = (total[np.maximum(bins[1:], bins[:-1] + 1)] - total[bins[:-1]]) ** 0.3
        rows.append(band / max(float(np.linalg.norm(band)), 1e-12))
    return np.array(rows)


def grouped(capture: Capture, at_s: Values) -> list[list[int]]:
    """Indices of strokes by striker, in order of each striker's first stroke."""
    from scipy.cluster import hierarchy
    from scipy.spatial import distance

    rows = spectra(capture, at_s)
    if len(rows) == 1:
        return [[0]]
    apart = 1 - np.clip(rows @ rows.T, -1, 1)
    order = np.abs(np.subtract.outer(np.arange(len(rows)), np.arange(len(rows))))
    apart = apart + 0.03 * np.minimum(order, 3) / 3
    np.fill_diagonal(apart, 0.0)
    tree = hierarchy.linkage(distance.squareform(apart, checks=False), "average")
    labels = hierarchy.fcluster(tree, ALIKE_CUT, "distance")
    groups: dict[int, list[int]] = {}
    for number, label in enumerate(labels):
        groups.setdefault(int(label), []).append(number)
    return list(groups.values())


def _strokes(capture: Capture, at_s: Values, group: Sequence[int]) -> list[HeardStroke]:
    """A group as strokes: all free, each until the next onset."""
    found = []
    for place, number in enumerate(group):
        at = float(at_s[number])
        after = float(at_s[number + 1]) - at if number + 1 < len(at_s) else capture.duration_s - at
        before = at - float(at_s[group[place - 1]]) if place else math.inf
        take = Take(
            at_s=at,
            striker=0,
            pulse_ms=1.0,
            state="free",
            gap_s=before,
            room_s=after,
            quiet_s=after,
            damped_in_s=math.inf,
        )
        near = np.abs(capture.clipped_s - at - 0.04) < 0.042
        found.append(HeardStroke(take, at, at, 20.0, None, spoke=True, clipped=bool(near.any())))
    return found


def _stand_in(name: str, number: int, kind: str) -> Striker:
    """A placeholder striker for one of which only the sound is known."""
    known = kind if kind in ("tube", "bar", "bell", "plate", "block", "box") else "bar"
    return Striker(
        name=name,
        kind=known,  # type: ignore[arg-type]
        coil=Coil(channel=min(number, 63), resistance_ohm=8.0, on_max_ms=10.0),
        latency_ms=10.0,
        restrike_ms=100.0,
        force=(ForcePoint(pulse_ms=5.0, level_db=70.0),),
        partials=(Partial(ratio=1.0),),
        pitch_hz=1000.0,
    )


def _without_commands(one: StrikerResult) -> StrikerResult:
    """Without the figures that only commands can give."""
    return msgspec.structs.replace(
        one,
        latency_ms=None,
        latency_spread_ms=None,
        restrike_ms=None,
        repeats=(),
        shortest_tried_ms=None,
        force=(),
    )


def _named(
    strikers: Sequence[StrikerResult], palette: Palette | None
) -> tuple[list[StrikerResult], list[Finding]]:
    """Name strikers by pitch from the palette, and compare the order of strokes with its order."""
    if palette is None:
        return list(strikers), []
    pairs = []
    for number, one in enumerate(strikers):
        heard_hz = one.pitch_hz.value if one.pitch_hz else one.base_hz
        for index, known in enumerate(palette.striker):
            if (one.pitch_hz is None) == (known.pitch_hz is None):
                pairs.append((abs(cents(known.reference_hz, heard_hz)), number, index))
    named: dict[int, int] = {}
    for off, number, index in sorted(pairs):
        if number not in named and index not in named.values() and off < 200:
            named[number] = index
    found = []
    result = []
    for number, one in enumerate(strikers):
        if number in named:
            known = palette.striker[named[number]]
            one = msgspec.structs.replace(
                one, name=known.name, channel=known.coil.channel, kind=known.kind
            )
        else:
            text = f"{one.name} has no counterpart in the palette"
            found.append(Finding(kind="unknown", striker=one.name, text=text))
        result.append(one)
    order = [named[n] for n in range(len(strikers)) if n in named]
    if order != sorted(order):
        names = ", ".join(palette.striker[i].name for i in order)
        text = f"struck in another order than the palette's: {names}"
        found.append(Finding(kind="order", text=text, grave=False))
    for index, known in enumerate(palette.striker):
        if index not in named.values():
            text = f"{known.name} was not heard"
            found.append(Finding(kind="silent", striker=known.name, text=text))
    return result, found


def _findings(capture: Capture, at_s: Values, groups: Sequence[Sequence[int]]) -> list[Finding]:
    found = [Finding(kind="recording", text=text, grave=False) for text in capture.warnings]
    for group in groups:
        if len(group) < FEWEST:
            found.append(
                Finding(
                    kind="foreign",
                    at_s=round(float(at_s[group[0]]), 3),
                    text="a sound that comes only once: left out",
                    grave=False,
                )
            )
    return found + interference.wind(capture, at_s)
