"""``callresp explain``: why a stretch was heard as it was."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from callresp.commands import ui
from callresp.io.audio import open_recording
from callresp.io.wording import counted
from callresp.listen.profile import load_profile

if TYPE_CHECKING:
    from callresp.listen.diagnostics import Evidence
    from callresp.listen.voices.assign import VoiceReasons

SPAN_S = 4.0


def run(
    recording: Path,
    from_s: float,
    to_s: float | None,
    profile: str | None,
    channel: int | None,
    output: Path | None,
    as_json: bool,
) -> None:
    """Draw what the listener went by in one stretch: why a call was missed or split."""
    source = open_recording(recording, channel)
    if output is None and not as_json:
        output = recording.with_suffix(".explain.png")
    if output is not None:
        ui.target(output, recording, profile, writes="picture")
    settings = load_profile(profile)
    to_s = from_s + SPAN_S if to_s is None else to_s
    if from_s < source.duration_s < to_s:
        to_s = source.duration_s
    from callresp.listen.diagnostics import collect_evidence
    from callresp.listen.explanation import as_values, singers_of
    from callresp.listen.notes import voice_name
    from callresp.listen.offline import note_table
    from callresp.plots.diagnostics import draw_diagnostics

    with ui.progress(f"hearing {recording.name} again") as advance:
        found = collect_evidence(source, settings, from_s, to_s)
        # Who sang what is told from the whole recording.
        table, _ = note_table(source, settings, advance)
    sung = singers_of(found.notes, table, settings)
    if output is not None:
        title = f"{recording.name}, {from_s:g} to {round(to_s, 2):g} s"
        band_hz = settings.band_low_hz, settings.band_high_hz
        voices = {n: voice_name(one.voice) for n, one in sung.items()}
        singers = map(voice_name, table.notes["voice"].tolist())
        draw_diagnostics(output, found, title, band_hz, voices, singers)
    for warning in source.warnings:
        ui.look(f"{recording}: {warning}")
    if as_json:
        ui.emit(as_values(found, sung))
        return
    print_summary(found)
    print_singers(found, sung)
    ui.say(f"drew {output}")


def print_singers(found: Evidence, sung: dict[int, VoiceReasons]) -> None:
    """Tell who sang each note, and rather than whom."""
    from callresp.listen.explanation import TERMS, singer_values

    if not sung:
        return
    ui.say("who sang them (nats for this singer, and not the likeliest other):")
    for n, note in enumerate(found.notes):
        line = f"  {n + 1:>3}  {note['onset_s']:.3f} s: "
        if n not in sung:
            ui.say(line + "heard otherwise in the whole recording")
            continue
        values = singer_values(sung[n])
        line += f"voice {values['voice']}"
        if values["against"]:
            other = values["against"][0]
            nats, instead = other["nats"], other["instead"]
            terms = ", ".join(f"{term} {other[term]:+.1f}" for term in TERMS if other[term])
            if nats >= 0:
                line += f", by {nats:.1f} rather than {instead} ({terms})"
            else:
                by_itself = f"by itself {instead} is likelier by {-nats:.1f}"
                line += f", with its piece of song; {by_itself} ({terms})"
        ui.say(line)


def print_summary(found: Evidence) -> None:
    """Tell a person, row by row."""
    from callresp.listen.explanation import as_values
    from callresp.plots.diagnostics import letter, lettered

    ui.say(f"{counted(len(found.notes), 'note')}:")
    for n, note in enumerate(as_values(found)["notes"], 1):
        pitch = "no pitch" if note["pitch_hz"] is None else f"{note['pitch_hz']:.0f} Hz"
        remark = f"; {note['remark']}" if note["remark"] else ""
        ui.say(
            f"  {n:>3}  {note['onset_s']:.3f} to {note['offset_s']:.3f} s, {pitch},"
            f" {note['snr_db']:.0f} dB over the floor, tonality {note['tonality']:.2f}{remark}"
        )
    if found.full_s:
        first, last = f"{found.full_s[0]:.1f}", f"{found.full_s[-1]:.1f}"
        when = f"about {first} s" if first == last else f"{first} to {last} s, at times"
        ui.say(
            f"{when}: more partials sound than can be followed; those that begin then are heard"
            " by their bands alone"
        )
    if not found.left_out:
        ui.say("nothing was left out")
        return
    ui.say(f"{len(found.left_out)} left out:")
    named = lettered(found)
    if len(named) < len(found.left_out):
        ui.say(f"  (the {len(named)} strongest are told here, all by --json)")
    for n in named:
        one = found.left_out[n]
        setting = f"; setting: {one.setting}" if one.setting else ""
        ui.say(
            f"  {letter(n):>3}  {one.onset_s:.3f} to {one.offset_s:.3f} s, {one.low_hz:.0f} to"
            f" {one.high_hz:.0f} Hz: {one.why}{setting}"
        )
