"""callresp: hear a place, answer it on real strikers.

The whole job from Python::

    import callresp

    heard = callresp.transcribe("dawn.wav")
    reply = callresp.answer(heard, rules="answer", palette="fettle")
    plan = callresp.make_plan(reply)
    sound = callresp.render(plan, chorus="dawn.wav")

Each value checks itself when it is made and can be looked into: notes with
onset, pitch, level and voice; replies with the heard note and the rule that
each came from; plans with what the machine's limits changed. A mistake in what
is given raises `UserError`, told in one line.

Nothing is loaded before it is used, so that importing this takes no time.
"""

from __future__ import annotations

from callresp.errors import UserError

# Not from `typing`: what is loaded here, Ctrl-C breaks off before the command can say so.
TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    import numpy as np
    import numpy.typing as npt

    from callresp.io.audio import Recording, Waveform
    from callresp.io.score import HeardHeader, HeardScore, Note, ReplyHeader, ReplyNote, ReplyScore
    from callresp.listen.online import Listener, NoteEnd, NoteOnset
    from callresp.listen.profile import Profile, load_profile
    from callresp.palette.files import load_palette
    from callresp.palette.model import Palette
    from callresp.plan.checked_plan import CheckedPlan
    from callresp.reply.rules import RuleSet, load_rules

__version__ = "0.19.0"

# Where what is not made here comes from, once it is asked for.
_FROM = {
    "CheckedPlan": "callresp.plan.checked_plan",
    "HeardHeader": "callresp.io.score",
    "HeardScore": "callresp.io.score",
    "Listener": "callresp.listen.online",
    "Note": "callresp.io.score",
    "NoteEnd": "callresp.listen.online",
    "NoteOnset": "callresp.listen.online",
    "Palette": "callresp.palette.model",
    "Profile": "callresp.listen.profile",
    "ReplyHeader": "callresp.io.score",
    "ReplyNote": "callresp.io.score",
    "ReplyScore": "callresp.io.score",
    "RuleSet": "callresp.reply.rules",
    "Waveform": "callresp.io.audio",
    "load_palette": "callresp.palette.files",
    "load_profile": "callresp.listen.profile",
    "load_rules": "callresp.reply.rules",
}

__all__ = [
    "CheckedPlan",
    "HeardHeader",
    "HeardScore",
    "Listener",
    "Note",
    "NoteEnd",
    "NoteOnset",
    "Palette",
    "Profile",
    "ReplyHeader",
    "ReplyNote",
    "ReplyScore",
    "RuleSet",
    "UserError",
    "Waveform",
    "__version__",
    "answer",
    "load_palette",
    "load_profile",
    "load_rules",
    "make_plan",
    "render",
    "transcribe",
]


def __getattr__(name: str) -> object:
    """Load what is asked for."""
    if name not in _FROM:
        raise AttributeError(f"module 'callresp' has no attribute '{name}'")
    import importlib

    return getattr(importlib.import_module(_FROM[name]), name)


def __dir__() -> list[str]:
    return __all__


def _expect(value: object, kind: type, argument: str, maker: str) -> None:
    """Refuse another stage's value, or none."""
    if not isinstance(value, kind):
        raise UserError(
            f"a {type(value).__name__} where a {kind.__name__} is needed",
            argument=argument,
            remedy=f"give what {maker} returns",
        )


def transcribe(
    sound: str | Path | npt.NDArray[np.floating] | Recording,
    *,
    sample_rate_hz: int | None = None,
    profile: str | Path | Profile | None = None,
    detector: str = "native",
    channel: int | None = None,
    start: str | None = None,
    progress: Callable[[float], None] | None = None,
) -> HeardScore:
    """Hear a recording: every note with onset, offset, pitch, level and voice.

    Parameters
    ----------
    sound
        A sound file (WAV, FLAC, OGG, MP3 and whatever libsndfile reads), or
        samples: floats of shape ``(n,)`` or ``(n, channels)``, full scale ±1.
    sample_rate_hz
        Samples a second, 8,000 to 192,000; for samples, and only for them.
    profile
        What to listen for: a shipped profile's name, a TOML file, or a
        `Profile`; the general one by default.
    detector
        ``"native"``, or the name of a second opinion.
    channel
        Listen to this channel only (from 1); by default to the mean of all.
    start
        When the recording began (ISO 8601); else taken from the file's name.
    progress
        Called with the share done, 0 to 1.

    Returns
    -------
    HeardScore
        Notes in order of onset, in seconds from the start.

    Raises
    ------
    UserError
        When the sound can't be read, or there is no such profile or detector.

    Examples
    --------
    Three whistles of 3 kHz, 0.1 s long, in a quiet place:

    >>> import callresp
    >>> import numpy as np
    >>> time_s = np.arange(4 * 48_000) / 48_000
    >>> whistles = 0.1 * np.sin(2 * np.pi * 3000 * time_s) * (time_s % 1.2 > 1.1)
    >>> place = 0.001 * np.random.default_rng(0).standard_normal(len(time_s))
    >>> heard = callresp.transcribe(whistles + place, sample_rate_hz=48_000)
    >>> [(round(note.onset_s, 1), round(note.pitch_hz, -1)) for note in heard.notes]
    [(1.1, 3000.0), (2.3, 3000.0), (3.5, 3000.0)]
    """
    from pathlib import Path

    import msgspec

    from callresp.io.audio import Recording, Waveform, open_recording
    from callresp.io.starttime import start_of
    from callresp.listen import offline
    from callresp.listen.profile import Profile, load_profile

    if isinstance(sound, Recording):
        recording = sound if channel is None else sound.only(channel)
    elif isinstance(sound, str | Path):
        recording = open_recording(sound, channel)
    elif sample_rate_hz is None:
        raise UserError(
            "samples without their rate", argument="sample_rate_hz", remedy="give samples a second"
        )
    else:
        recording = Waveform(sound, sample_rate_hz, channel)
    if sample_rate_hz not in (None, recording.sample_rate_hz):
        raise UserError(
            f"has {recording.sample_rate_hz} samples a second, not {sample_rate_hz}",
            where=str(recording.path),
            remedy="leave sample_rate_hz out for a file",
        )
    if not isinstance(profile, Profile):
        profile = load_profile(profile)
    heard = offline.transcribe(recording, profile, detector, progress)
    began = start_of(recording.path, start)
    if began is not None:
        header = msgspec.structs.replace(heard.header, start=began.isoformat())
        heard = msgspec.structs.replace(heard, header=header)
    return heard


def answer(
    heard: HeardScore,
    *,
    rules: str | Path | RuleSet = "answer",
    palette: str | Path | Palette = "fettle",
    seed: int | None = None,
) -> ReplyScore:
    """Answer what was heard, phrase by phrase, by the rules, on the palette's strikers.

    Parameters
    ----------
    heard
        From `transcribe`.
    rules
        A shipped rule set's name, a TOML file, or a `RuleSet`.
    palette
        A shipped palette's name, a TOML file, or a `Palette`.
    seed
        Of the choices that rules leave open; the rule set's own by default.

    Returns
    -------
    ReplyScore
        Notes in order of onset, each with the heard note and the rule that it
        came from, and the phrases left unanswered, each with the reason.

    Raises
    ------
    UserError
        When rules or palette can't be read; names file, line and key. When `heard` is none.

    Examples
    --------
    One call of 900 Hz, and what answers it:

    >>> import callresp
    >>> call = callresp.Note(
    ...     id=0, onset_s=1.0, offset_s=1.2, pitch_hz=900.0, level_db=-20.0, voice="A"
    ... )
    >>> heard = callresp.HeardScore(header=callresp.HeardHeader(duration_s=9.0), notes=(call,))
    >>> reply = callresp.answer(heard, rules="answer", palette="fettle")
    >>> [(note.instrument, note.heard) for note in reply.notes]
    [('tube 1', 0)]
    """
    import msgspec

    from callresp.io.score import HeardScore
    from callresp.palette.files import load_palette
    from callresp.palette.model import Palette
    from callresp.reply import replier
    from callresp.reply.rules import RuleSet, load_rules

    _expect(heard, HeardScore, "heard", "transcribe")
    machine = palette if isinstance(palette, Palette) else load_palette(palette)
    rule_set = rules if isinstance(rules, RuleSet) else load_rules(rules)
    reply = replier.answer(heard, machine, rule_set, seed)
    name = machine.name if isinstance(palette, Palette) else str(palette)
    header = msgspec.structs.replace(reply.header, palette=name)
    return msgspec.structs.replace(reply, header=header)


def make_plan(
    reply: ReplyScore,
    *,
    palette: str | Path | Palette | None = None,
    progress: Callable[[float], None] | None = None,
) -> CheckedPlan:
    """Hold a reply against the machine: timed commands that keep every limit.

    Parameters
    ----------
    reply
        From `answer`.
    palette
        As for `answer`; by default the one that the reply was made for.
    progress
        Called with the share done, 0 to 1.

    Returns
    -------
    CheckedPlan
        Its ``plan.commands`` are strikes, damper holds and turns, each with its
        own end; ``plan.changes`` lists what the limits forced. Only such a plan
        can be sent to a board.

    Raises
    ------
    UserError
        When the palette can't be read, or `reply` is none.

    Examples
    --------
    >>> import callresp
    >>> stroke = callresp.ReplyNote(
    ...     id=0, onset_s=1.0, offset_s=None, instrument="tube 1", force=0.5, phrase=0,
    ...     heard=None, heard_phrase=0, rule="by hand",
    ... )
    >>> header = callresp.ReplyHeader(palette="fettle")
    >>> reply = callresp.ReplyScore(header=header, notes=(stroke,))
    >>> plan = callresp.make_plan(reply).plan
    >>> [(type(command).__name__, command.instrument) for command in plan.commands]
    [('Hold', 'tube 1'), ('Strike', 'tube 1')]
    """
    from callresp.io.score import ReplyScore
    from callresp.palette.files import load_palette
    from callresp.palette.model import Palette
    from callresp.plan import planner

    _expect(reply, ReplyScore, "reply", "answer")
    if not isinstance(palette, Palette):
        palette = load_palette(palette or reply.header.palette or "fettle")
    return planner.make_plan(reply, palette, progress)


def render(
    plan: CheckedPlan,
    *,
    chorus: str | Path | Recording | None = None,
    seed: int = 0,
) -> Waveform:
    """Render what a plan would sound like, beside the chorus that it answers.

    Parameters
    ----------
    plan
        From `make_plan`.
    chorus
        The recording: a sound file, or a `Waveform`; `None` for the machine alone.
    seed
        Of the noises of strokes and shakers.

    Returns
    -------
    Waveform
        ``samples`` of shape ``(n, 1)``, float32, full scale ±1, at the
        chorus's sample rate (else 48 kHz), as heard at the distance that the
        palette states; ``write("mix.wav")`` writes it. Start with the volume low.

    Raises
    ------
    UserError
        When the chorus can't be read or is none, or there is nothing to render.

    Examples
    --------
    >>> import callresp
    >>> stroke = callresp.ReplyNote(
    ...     id=0, onset_s=1.0, offset_s=None, instrument="tube 1", force=0.5, phrase=0,
    ...     heard=None, heard_phrase=0, rule="by hand",
    ... )
    >>> header = callresp.ReplyHeader(palette="fettle")
    >>> reply = callresp.ReplyScore(header=header, notes=(stroke,))
    >>> sound = callresp.render(callresp.make_plan(reply))
    >>> sound.sample_rate_hz, sound.samples.shape[1], sound.duration_s > 2.0
    (48000, 1, True)
    """
    from pathlib import Path

    from callresp.io.audio import Recording
    from callresp.plan.checked_plan import CheckedPlan
    from callresp.synthesis.mixing import mixed

    _expect(plan, CheckedPlan, "plan", "make_plan")
    if not isinstance(seed, int) or seed < 0:
        raise UserError(f"{seed} is no seed", argument="seed", remedy="give a whole number from 0")
    if not isinstance(chorus, str | Path | None):
        _expect(chorus, Recording, "chorus", "callresp.Waveform")
    return mixed(chorus, plan.plan, plan.palette, seed=seed)
