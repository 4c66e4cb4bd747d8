"""Several singers at once, and what a place gives back of one: sounds made up for it.

What is true of each sound is known exactly, since it is made here.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from listen_helpers import RATE_HZ, Wave, recorded

from callresp.listen import hear
from callresp.score import Note
from callresp.sound import open_recording


def _quiet(seconds: float) -> Wave:
    return 0.0005 * np.random.default_rng(3).standard_normal(round(seconds * RATE_HZ))


def _sung(
    wave: Wave, at_s: float, start_hz: float, end_hz: float, seconds: float, size: float
) -> None:
    """Add a whistle that goes from one pitch to another, with edges of 6 ms."""
    count = round(seconds * RATE_HZ)
    course = np.linspace(start_hz, end_hz, count)
    edge = np.minimum(1.0, np.minimum(np.arange(count), np.arange(count)[::-1]) / (0.006 * RATE_HZ))
    first = round(at_s * RATE_HZ)
    wave[first : first + count] += size * edge * np.sin(2 * np.pi * np.cumsum(course) / RATE_HZ)


def _heard(folder: Path, wave: Wave) -> tuple[Note, ...]:
    return tuple(hear(open_recording(recorded(folder, wave))).notes)


def _at(notes: tuple[Note, ...], onset_s: float, pitch_hz: float) -> list[Note]:
    return [
        note
        for note in notes
        if abs(note.onset_s - onset_s) < 0.02
        and note.pitch_hz
        and abs(1200 * np.log2(note.pitch_hz / pitch_hz)) < 50
    ]


@pytest.mark.parametrize("late_s", [0.0, 0.06])
def test_a_sweep_across_a_stack_of_harmonics_is_another_singers(
    late_s: float, tmp_path: Path
) -> None:
    wave = _quiet(4.0)
    for order in range(1, 7):
        _sung(wave, 2.0, 1200.0 * order, 1230.0 * order, 0.25, 0.1 / order)
    _sung(wave, 2.0 + late_s, 5700.0, 4300.0, 0.1, 0.1)
    notes = _heard(tmp_path, wave)
    assert _at(notes, 2.0, 1215.0)
    assert _at(notes, 2.0 + late_s, 5000.0)


@pytest.mark.parametrize("below_db", [12.0, 16.0])
def test_what_a_place_gives_back_is_neither_a_note_nor_part_of_one(
    below_db: float, tmp_path: Path
) -> None:
    wave = _quiet(4.0)
    _sung(wave, 2.0, 620.0, 650.0, 0.2, 0.3)
    ring_s = np.arange(round(0.5 * RATE_HZ)) / RATE_HZ
    ring = np.random.default_rng(9).standard_normal(len(ring_s)) * 10 ** (-3 * ring_s / 0.5)
    ring[: round(0.03 * RATE_HZ)] *= np.linspace(0, 1, round(0.03 * RATE_HZ))
    direct = wave - _quiet(4.0)
    echo = np.convolve(direct, ring)[: len(wave)]
    echo *= np.sqrt(np.mean(direct**2) / np.mean(echo**2)) * 10 ** (-below_db / 20)
    (note,) = _heard(tmp_path, wave + echo)
    assert note.onset_s == pytest.approx(2.0, abs=0.01)
    assert note.offset_s == pytest.approx(2.2, abs=0.05)
