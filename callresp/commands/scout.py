"""``callresp scout``: is a wanted sound in recordings, or in the air now?"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click
import numpy as np

from callresp.commands import options, ui
from callresp.commands.listening import source_of
from callresp.errors import UserError
from callresp.io.audio import Waveform, open_recording
from callresp.io.starttime import start_of
from callresp.io.wording import counted, lasting
from callresp.live.sources import SoundInput
from callresp.scout.places import sound_files

if TYPE_CHECKING:
    from callresp.scout.odds import Wanted
    from callresp.scout.presence import Presence, Search
    from callresp.scout.roadside import News, Roadside

CAUTIONS = (
    "ask for the permits of the place, and whose land it is, before you go there or set anything"
    " down; play nothing back to find out; local law goes before anything said here"
)


@dataclass(frozen=True, slots=True)
class ScoutOptions:
    """The command's options, by their parameter names."""

    recordings: tuple[Path, ...]
    like: tuple[Path, ...]
    matches: Path | None
    device: str | None
    rate: int
    channels: int
    channel: int | None
    seconds: float | None
    start: str | None
    as_json: bool


def run(**words: object) -> None:
    """Say whether a sound is here, when, and how sure that is."""
    from callresp.scout.presence import search

    given = options.filled(ScoutOptions, words)
    if given.device is not None or given.recordings == (Path("-"),):
        listen(given)
        return
    if not given.recordings:
        raise UserError("no recording given", remedy="name sound files or folders of them")
    files = sound_files(given.recordings)
    if given.matches is not None:
        ui.folder(given.matches)
    sought = examples(given.like)
    found_any = False
    for path in files:
        start = start_of(path, given.start)
        try:
            source = open_recording(path, given.channel)
            with ui.progress(f"scouting {path.name}") as advance:
                found = search(
                    source, sought, place=path.parent.name or None, start=start, progress=advance
                )
        except UserError as fault:
            # One bad file is no reason to leave out the rest of a night.
            if len(files) == 1:
                raise
            ui.look(f"passed over: {fault}")
            continue
        for warning in source.warnings:
            ui.look(f"{path}: {warning}")
        found_any = found_any or found.presence.present
        if given.as_json:
            ui.emit(found.presence)
        else:
            print_found(found.presence, found.above_db)
        if given.matches is not None:
            keep_matches(given.matches, path, given.channel, found, sought, given.like)
    if not given.as_json and found_any:
        ui.warn(CAUTIONS)
    if not found_any:
        click.get_current_context().exit(1)


def listen(given: ScoutOptions) -> None:
    """Listen at the roadside until the sound ends, or is ended.

    Raises
    ------
    UserError
        When recordings are named, too, matches are to be kept, or there is no sound to listen to.
    """
    from datetime import datetime

    from callresp.scout.roadside import Roadside

    if given.device is not None and given.recordings:
        raise UserError(
            "recordings beside a microphone", argument="device", remedy="give one of the two"
        )
    if given.matches is not None:
        raise UserError(
            "not of sound that is heard as it comes",
            argument="matches",
            remedy="record it, and look through the recording",
        )
    sought = examples(given.like)
    name = "-" if given.device is None else "device"
    source = source_of(
        SoundInput(name, given.device or None, given.rate, given.channels, given.channel)
    )
    roadside = Roadside(sought, source.sample_rate_hz)
    start = given.start or datetime.now().astimezone().isoformat(timespec="seconds")
    ui.warn("listening; Ctrl-C ends it")
    try:
        for block in source.blocks():
            for part in [np.zeros(block.lost, np.float32)] if block.lost else []:
                tell(roadside, roadside.push(part), name, start, given.as_json)
            tell(roadside, roadside.push(block.samples), name, start, given.as_json)
            if given.seconds is not None and roadside.at_s >= given.seconds:
                break
    except KeyboardInterrupt:
        ui.warn("ended by Ctrl-C")
    finally:
        source.close()
    tell(roadside, roadside.finish(), name, start, given.as_json)
    found = roadside.so_far(name, start, None)
    ui.emit(found) if given.as_json else print_found(found, roadside.above_db)
    click.get_current_context().exit(0 if found.present else 1)


def tell(roadside: Roadside, news: Sequence[News], name: str, start: str, as_json: bool) -> None:
    """Tell what is new: a line for a person, or all that is known so far."""
    for one in news:
        if as_json:
            if one.here or one.minute:
                ui.emit(roadside.so_far(name, start, None))
            continue
        if one.here:
            ui.say(f"{one.at_s:6.0f} s  it is here (confidence {roadside.confidence:.2f})")
        for call in one.calls if roadside.present else ():
            ui.say(f"{call.onset_s:6.1f} s  call {len(roadside.calls)} ({call.score:.2f})")
        if one.minute and not roadside.present:
            ui.say(f"{one.at_s:6.0f} s  not heard so far (confidence {roadside.confidence:.2f})")
    if news:
        sys.stdout.flush()


def examples(like: Sequence[Path]) -> list[Wanted]:
    """The examples, each held against strangers.

    Raises
    ------
    UserError
        When none is given, or one can't be used.
    """
    from callresp.scout.examples import make_example, read_clip
    from callresp.scout.odds import wanted
    from callresp.scout.presence import two_sounds

    if not like:
        raise UserError(
            "no example of the wanted sound", argument="like", remedy="give a clip of it"
        )
    clips = [read_clip(path) for path in like]
    loaded = [
        make_example(*clip, path.name, where=str(path))
        for path, clip in zip(like, clips, strict=True)
    ]
    for one in loaded:
        if one.is_noise:
            ui.warn(
                f"{one.name}: hardly anything in it stands over its own noise: what is found may be"
                " chance; cut out one call, with a little quiet around it"
            )
    for clip, one in zip(clips, loaded, strict=True):
        if one.rest_s is not None and two_sounds(*clip, one.rest_s):
            ui.warn(
                f"{one.name}: what sounds before {one.rest_s:.1f} s and after it is not alike: if"
                " these are two callers, the fainter may be missed; give each as a clip of its own"
            )
    with ui.progress("learning the sound") as advance:
        found = []
        for number, example in enumerate(loaded, start=1):
            found.append(wanted(example))
            advance(number / len(loaded))
    return found


def print_found(found: Presence, above_db: Sequence[float]) -> None:
    """Tell a person what one recording holds; `above_db` of each call."""
    told = "here" if found.present else "not here"
    loud = f", {np.median(above_db):.0f} dB over the place" if found.calls else ""
    ui.say(f"{found.path}: {told}, confidence {found.confidence:.2f}, {_counted(found)}{loud}")
    for call, level_db in list(zip(found.calls, above_db, strict=False))[:5]:
        when = f"{call.onset_s:8.2f} to {call.offset_s:.2f} s"
        ui.say(f"  {when}   {call.score:.2f}   {level_db:3.0f} dB")
    if len(found.calls) > 5:
        ui.say(f"  and {len(found.calls) - 5} more; --json lists all")


def _counted(found: Presence) -> str:
    calls = len(found.calls)
    hourly = calls * 3600 / max(found.duration_s, 1.0)
    pace = f" ({hourly:.0f} an hour)" if calls and found.duration_s >= 300 else ""
    return f"{counted(calls, 'call')}{pace} in {lasting(found.duration_s)}"


def keep_matches(
    folder: Path,
    path: Path,
    channel: int | None,
    found: Search,
    sought: Sequence[Wanted],
    like: Sequence[Path],
) -> None:
    """Write the best matches of a recording, each as a picture and as a short sound."""
    from callresp.plots.match import draw_match
    from callresp.scout.matches import best_matches

    for number, match in enumerate(best_matches(open_recording(path, channel), found), 1):
        example, band_hz = (
            open_recording(like[match.example]),
            sought[match.example].example.band_hz,
        )
        stem = folder / f"{path.stem}.match-{number}"
        picture = ui.target(Path(f"{stem}.png"), path, *like, writes="picture")
        sound = ui.target(Path(f"{stem}.wav"), path, *like, writes="sound file")
        Waveform(match.samples, match.sample_rate_hz).write(sound)
        title = f"{path.name}, {match.call.onset_s:.1f} s"
        draw_match(picture, match, example, band_hz, title)
        ui.warn(f"wrote {picture} and {sound}")
