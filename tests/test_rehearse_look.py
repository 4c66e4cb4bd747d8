"""Colours that stay apart for every kind of sight, in grey, and on paper."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import numpy.typing as npt
import pytest

from callresp.plots.style import (
    ANSWER,
    BACKGROUND,
    CALL,
    CHANGED,
    DARK,
    MUTED,
    OTHER_VOICES,
    VOICE_COLOURS,
    format_time,
    grey_scale,
    nice_step,
    pitch_name,
    voice_colours,
)

Triple = npt.NDArray[np.float64]

# Machado, Oliveira & Fernandes, "A Physiologically-based Model for Simulation of Color Vision
# Deficiency", IEEE TVCG 15(6), 2009: matrices for severity 1.0, on linear RGB.
SIGHT: dict[str, Triple] = {
    "usual": np.eye(3),
    "protan": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "deutan": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
    "tritan": np.array(
        [
            [1.255528, -0.076749, -0.178779],
            [-0.078411, 0.930809, 0.147602],
            [0.004733, 0.691367, 0.303900],
        ]
    ),
}
# IEC 61966-2-1 (sRGB): linear RGB to CIE XYZ, D65.
TO_XYZ = np.array(
    [
        [0.4124564, 0.3575761, 0.1804375],
        [0.2126729, 0.7151522, 0.0721750],
        [0.0193339, 0.1191920, 0.9503041],
    ]
)
WHITE = np.array([0.95047, 1.0, 1.08883])


def linear(ink: str) -> Triple:
    """sRGB to linear light (IEC 61966-2-1)."""
    value = np.array([int(ink[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def lab(light: Triple) -> Triple:
    """Linear RGB to CIELAB."""
    xyz = np.clip(light, 0, 1) @ TO_XYZ.T / WHITE
    f = np.where(xyz > 216 / 24389, np.cbrt(xyz), (24389 / 27 * xyz + 16) / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def contrast(one: str, other: str) -> float:
    """Contrast ratio after WCAG 2.1."""
    bright, dark = sorted((float(linear(c) @ TO_XYZ[1]) for c in (one, other)), reverse=True)
    return (bright + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("kind", list(SIGHT))
def test_voice_inks_stay_apart_for_all_sight(kind: str) -> None:
    seen = {ink: lab(linear(ink) @ SIGHT[kind].T) for ink in VOICE_COLOURS}
    nearest = min(float(np.linalg.norm(seen[a] - seen[b])) for a, b in combinations(seen, 2))
    # A difference of about 2.3 is just noticeable in CIELAB (from memory): nearly nine times it.
    assert nearest > 20


@pytest.mark.parametrize("kind", list(SIGHT))
def test_call_and_answer_stay_apart(kind: str) -> None:
    seen = [lab(linear(ink) @ SIGHT[kind].T) for ink in (CALL, ANSWER)]
    assert float(np.linalg.norm(seen[0] - seen[1])) > 30


@pytest.mark.parametrize("ink", [*VOICE_COLOURS, OTHER_VOICES, CHANGED, MUTED, DARK])
def test_inks_are_seen_on_the_paper(ink: str) -> None:
    # WCAG 2.1, 1.4.11: 3 : 1 for graphical objects; 1.4.3: 4.5 : 1 for small text.
    assert contrast(ink, BACKGROUND) >= (4.5 if ink in (MUTED, DARK) else 3.0)


def test_the_wash_darkens_steadily() -> None:
    shades = grey_scale()(np.linspace(0, 1, 64))[:, :3]
    light = [
        lab(np.where(s <= 0.04045, s / 12.92, ((s + 0.055) / 1.055) ** 2.4))[0] for s in shades
    ]
    assert np.all(np.diff(light) < 0)
    assert light[0] - light[-1] > 50


def test_the_busiest_voices_have_inks_of_their_own() -> None:
    voices = [name for i, name in enumerate("ABCDEFGH") for _ in range(10 - i)]
    inks = voice_colours(voices)
    assert list(inks) == list("ABCDEFGH")
    assert len({inks[name] for name in "ABCDEF"}) == 6
    assert inks["G"] == inks["H"] == OTHER_VOICES


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0, "0:00"), (59.7, "1:00"), (3599, "59:59"), (3661, "1:01:01"), (-5, "-0:05")],
)
def test_clock(seconds: float, text: str) -> None:
    assert format_time(seconds) == text


def test_pitch_names() -> None:
    assert pitch_name(440.0) == "A4"
    assert pitch_name(261.6256) == "C4"
    assert pitch_name(466.1638 * 2 ** (10 / 1200)) == "B♭4 +10"


def test_steps_suit_the_span() -> None:
    assert nice_step(60, 12) == 5
    assert nice_step(86400, 12) == 7200
