"""``callresp rhythm``: the rhythm of every phrase in a heard score."""

from __future__ import annotations

from pathlib import Path

from callresp.commands import ui
from callresp.io.score import Phrase, phrases
from callresp.io.score_files import read_heard
from callresp.io.wording import counted
from callresp.rhythm import Rhythm, phrase_rhythms, voice_pulse


def run(heard: Path, voice: str | None, as_json: bool) -> None:
    """Tell the rhythm of every phrase: pace, pulse, trills, hurrying and slowing."""
    score = read_heard(heard, ui.look)
    found = phrase_rhythms(p for p in phrases(score.notes) if voice is None or p.voice == voice)
    if not found:
        ui.warn(f"{heard}: no notes" + (f" of voice {voice}" if voice else ""))
        raise SystemExit(1)
    for phrase, rhythm in found:
        if as_json:
            ui.emit(row_of(phrase, rhythm))
        else:
            ui.say(describe(phrase, rhythm))
    if as_json:
        return
    for name in sorted({phrase.voice for phrase, _ in found}):
        pulse = voice_pulse([rhythm for phrase, rhythm in found if phrase.voice == name])
        if pulse is not None:
            ui.say(
                f"voice {name}: pulse of {1000 * pulse.period_s:.0f} ms"
                f" ({pulse.rate_hz:.1f} a second), strength {pulse.strength:.2f}"
            )


def row_of(phrase: Phrase, rhythm: Rhythm) -> dict[str, object]:
    """The rhythm of a phrase as plain values for machines."""
    return {
        "phrase": phrase.id,
        "voice": phrase.voice,
        "onset_s": phrase.onset_s,
        "notes": rhythm.onsets,
        "median_interval_s": rhythm.median_s,
        "npvi": rhythm.npvi,
        "pulse_s": rhythm.pulse.period_s if rhythm.pulse else None,
        "pulse_phase_s": rhythm.pulse.phase_s if rhythm.pulse else None,
        "pulse_strength": rhythm.pulse.strength if rhythm.pulse else 0.0,
        "trills": [
            {"first": trill.first, "last": trill.last, "rate_hz": trill.rate_hz}
            for trill in rhythm.trills
        ],
        "pace": rhythm.pace,
        "change": rhythm.change,
    }


def describe(phrase: Phrase, rhythm: Rhythm) -> str:
    """The rhythm of a phrase in a line for a person."""
    text = f"{phrase.onset_s:9.2f} s  voice {phrase.voice}  {counted(rhythm.onsets, 'note'):>9}"
    if rhythm.median_s is not None:
        text += f", every {1000 * rhythm.median_s:.0f} ms"
    if rhythm.pulse is not None:
        pulse = rhythm.pulse
        text += f", pulse {1000 * pulse.period_s:.1f} ms (strength {pulse.strength:.2f})"
    for trill in rhythm.trills:
        text += f", trill of {trill.last - trill.first + 1} at {trill.rate_hz:.1f} a second"
    if rhythm.change:
        text += f", {rhythm.change} (to {rhythm.pace:.1f} times its pace)"
    return text
