"""Rule sets: TOML files that say which phrases are answered, how, and when.

Goal
----
A small, typed language that is plain to tune: settings with units and allowed
ranges, no code. A rule set has manners (when the machine may speak), and rules
(what it says); the rules whose conditions a phrase meets take turns by weight.
Each field says what it means and how that sounds (`callresp.io.setting_guide`).
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from callresp.io.files import read_text
from callresp.io.resources import find
from callresp.io.setting_guide import told
from callresp.io.settings import SettingsFile, convert

Treatment = Literal[
    "echo",
    "contour",
    "invert",
    "retrograde",
    "head",
    "tail",
    "thin",
    "ornament",
    "augment",
    "diminish",
    "ostinato",
]
PitchMapping = Literal["nearest", "folded", "rank", "contour", "fitted", "table"]
Rhythm = Literal["kept", "stretched", "pulse"]
Damping = Literal["as heard", "short", "ring", "short to long", "long to short"]
Dynamics = Literal["as heard", "even", "fade", "swell"]
GiveWay = Literal["everyone", "caller", "nobody"]
SingsOn = Literal["beneath", "wait"]
OfCrackle = Literal["leave", "answer"]
EchoUse = Literal["none", "once", "repeating", "pulse", "clear"]

Share = Annotated[float, Meta(ge=0.0, le=1.0)]
Seconds = Annotated[float, Meta(ge=0.0, le=3600.0)]
Hertz = Annotated[float, Meta(ge=0.0, le=24000.0)]
Notes = Annotated[int, Meta(ge=1, le=1000)]
Name = Annotated[str, Meta(min_length=1, max_length=40)]
Clock = Annotated[str, Meta(pattern="^([01][0-9]|2[0-3]):[0-5][0-9]$", title="'00:00' to '23:59'")]


class Table(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A table of a rule file."""


class Manners(Table, frozen=True):
    """When the machine may speak."""

    wait_s: Annotated[
        tuple[Seconds, Seconds],
        told(
            "How long after a phrase's end a reply may begin, drawn between the two",
            "[0.6, 1.5]",
            "a breath before each answer; near 0 it cuts in",
        ),
    ] = (0.25, 0.7)
    patience_s: Annotated[
        Seconds,
        told(
            "How much longer it waits for silence before it gives the reply up",
            "0.5",
            "only prompt answers; a long one brings late answers in a busy chorus",
        ),
    ] = 2.5
    give_way: Annotated[
        GiveWay,
        told(
            "Whose singing it waits for, and leaves off for",
            '"caller"',
            "it minds the singer that it answers and plays over all others",
        ),
    ] = "everyone"
    sings_on: Annotated[
        SingsOn,
        told(
            "Whether it sounds beneath a singer that hardly rests, or waits",
            '"wait"',
            "a lark that sings for minutes is left in peace, and others while it sings",
        ),
    ] = "beneath"
    crackle: Annotated[
        OfCrackle,
        told(
            "Whether it leaves alone what rain, surf and leaves bring by the dozen a minute: sounds"
            " that are brief or harsh, and without a rhythm",
            '"answer"',
            "it answers single drops and waves, and far, faint calls in plenty too",
        ),
    ] = "leave"
    leave_off: Annotated[
        bool,
        told(
            "Whether a reply breaks off when one that it gives way to begins",
            "false",
            "replies are played to their end, over whoever begins",
        ),
    ] = True
    reaction_s: Annotated[
        float,
        Meta(ge=0.02, le=2.0),
        told(
            "How soon after such an onset it has broken off",
            "0.2",
            "a stroke or two still falls after a bird begins",
        ),
    ] = 0.08
    share_max: Annotated[
        float,
        Meta(gt=0.0, le=1.0),
        told(
            "The most of any minute that it sounds",
            "0.15",
            "sparse: a reply that would go beyond it is left out whole",
            unit="share of a minute",
        ),
    ] = 0.3
    rest_s: Annotated[
        Seconds,
        told(
            "Silence after a reply of its own",
            "4.0",
            "single answers with gaps, however much is sung",
        ),
    ] = 1.0
    quiet_share: Annotated[
        float,
        Meta(ge=0.0, le=0.95),
        told(
            "The last part of each hour in which it answers nothing",
            "0.25",
            "the last quarter of every hour belongs to the birds",
            unit="share of an hour",
        ),
    ] = 0.1
    quiet_after_s: Annotated[
        float,
        Meta(ge=10.0, le=86400.0),
        told(
            "A pause without any call after which a singer counts as come back",
            "600.0",
            "after ten silent minutes it lets the first singer settle",
        ),
    ] = 1200.0
    return_s: Annotated[
        Seconds,
        told(
            "How long it then only listens",
            "120.0",
            "two minutes of song unanswered after a long silence",
        ),
    ] = 60.0


class When(Table, frozen=True):
    """Conditions on a phrase; all that are given must hold."""

    voices: Annotated[
        tuple[str, ...],
        told(
            "Only phrases of these voices, by the names that transcribe gives; empty means all",
            '["A", "C"]',
            "two singers are answered, the others never",
        ),
    ] = ()
    notes: Annotated[
        tuple[Notes, Notes],
        told(
            "How many notes the phrase has, least and most",
            "[3, 8]",
            "single calls and long songs go unanswered",
            unit="notes",
        ),
    ] = (1, 1000)
    length_s: Annotated[
        tuple[Seconds, Seconds],
        told(
            "How long the phrase is, from first onset to last end",
            "[0.5, 3.0]",
            "neither chips nor long songs are answered",
        ),
    ] = (0.0, 3600.0)
    pitch_hz: Annotated[
        tuple[Hertz, Hertz] | None,
        told(
            "The median pitch of its notes; a phrase without pitch is not met",
            "[2000, 6000]",
            "low coos and high hisses pass",
        ),
    ] = None
    tonality: Annotated[
        tuple[Share, Share],
        told(
            "The mean tonality of its notes: 0 is noise, 1 a pure tone",
            "[0.0, 0.2]",
            "only buzzes, rasps and knocks are answered",
        ),
    ] = (0.0, 1.0)
    per_s: Annotated[
        tuple[float, float],
        told(
            "How fast its onsets follow one another",
            "[8.0, 40.0]",
            "only trills are answered",
            unit="notes per s",
        ),
    ] = (0.0, 1000.0)
    level_db: Annotated[
        tuple[float, float],
        told(
            "The level of its loudest note",
            "[-40.0, 0.0]",
            "only near and loud singers are answered",
            unit="dB re full scale",
        ),
    ] = (-200.0, 20.0)
    since_reply_s: Annotated[
        Seconds,
        told(
            "At least so long since the machine's last reply",
            "20.0",
            "this rule speaks up only after a pause of the machine's",
        ),
    ] = 0.0
    novelty: Annotated[
        tuple[Share, Share],
        told(
            "How unlike it is to all that its singer sang before: 0 is known, 1 new",
            "[0.5, 1.0]",
            "a repeated song falls silent to it, a new one is answered",
        ),
    ] = (0.0, 1.0)
    clock: Annotated[
        tuple[Clock, Clock] | None,
        told(
            "Times of day, first and last, over midnight too; not met where the time is unknown",
            '["04:30", "07:00"]',
            "it plays at dawn only",
            unit="h:min",
        ),
    ] = None


class Pitched(Table, frozen=True):
    """A row of a table of pitches: what lies in the range goes to the striker."""

    from_hz: Annotated[
        Hertz,
        told("The lowest pitch of the row", "2000", "lower notes are another row's, or left out"),
    ]
    to_hz: Annotated[
        Hertz,
        told("The highest pitch of the row", "4000", "higher notes are another row's, or left out"),
    ]
    striker: Annotated[
        Name,
        told(
            'Who plays what lies in the row: a name of the palette\'s, or a wish such as "lowest"',
            '"lowest"',
            "every note of the range falls on this one striker",
        ),
    ]


class Rule(Table, frozen=True):
    """What to answer.

    `strikers`, `unpitched` and `turner` name instruments, or say what they are,
    such as "lowest 2" or "any block" (callresp.reply.selection).
    """

    name: Annotated[
        Name,
        told(
            "The rule's name in logs, reports and explanations",
            '"turn it over"',
            "nothing changes; it is how you find the rule again",
        ),
    ]
    when: Annotated[
        When,
        told(
            "Conditions on a phrase; all that are given must hold",
            "{ notes = [3, 8], tonality = [0.3, 1.0] }",
            "other phrases go to other rules, or unanswered",
        ),
    ] = When()
    weight: Annotated[
        float,
        Meta(ge=0.0, le=1000.0),
        told(
            "How often it is drawn among the rules that fit; 0 is never",
            "0.5",
            "heard half as often as a rule of weight 1",
        ),
    ] = 1.0
    treatments: Annotated[
        tuple[Treatment, ...],
        told(
            "What is done to the phrase, one after another in this order",
            '["retrograde", "head"]',
            "the last notes of a call come back, last first",
        ),
    ] = ("echo",)
    pitch: Annotated[
        PitchMapping,
        told(
            "How heard pitches find strikers; \"table\" needs rows in 'table'",
            '"contour"',
            "the line's ups and downs, on whatever strikers there are",
        ),
    ] = "nearest"
    rhythm: Annotated[
        Rhythm,
        told(
            "As heard, slowed to what the strikers can repeat, or moved onto the pulse",
            '"stretched"',
            "a quick trill comes back whole, but slower",
        ),
    ] = "kept"
    stretch: Annotated[
        float,
        Meta(ge=0.1, le=10.0),
        told(
            "Scales the rhythm: 2 is twice as slow", "2.0", "a slow, spacious answer", unit="times"
        ),
    ] = 1.0
    at_most: Annotated[
        Notes,
        told(
            "The most notes of a reply; later ones are left out",
            "5",
            "short answers, even to long songs",
            unit="notes",
        ),
    ] = 12
    transpose_cents: Annotated[
        float,
        Meta(ge=-4800.0, le=4800.0),
        told(
            "Added to each heard pitch before a striker is chosen",
            "-1200.0",
            "an octave lower, where strikers are there",
        ),
    ] = 0.0
    dynamics: Annotated[
        Dynamics,
        told(
            "As loud as heard, even, or growing softer or louder through the reply",
            '"fade"',
            "a reply that dies away",
        ),
    ] = "as heard"
    softer_db: Annotated[
        float,
        Meta(ge=-40.0, le=40.0),
        told("Taken off the heard level; below 0 it is louder", "6.0", "a softer touch throughout"),
    ] = 0.0
    range_db: Annotated[
        float,
        Meta(ge=3.0, le=80.0),
        told(
            "The range of heard levels over which force runs from 0 to 1",
            "15.0",
            "strong contrast between loud and soft notes",
        ),
    ] = 30.0
    damping: Annotated[
        Damping,
        told(
            "How long notes ring before the damper falls",
            '"short"',
            "dry, clipped strokes on what has a damper",
        ),
    ] = "as heard"
    strikers: Annotated[
        tuple[str, ...],
        told(
            "Which strikers may play, by name or by wish; empty means all",
            '["lowest 2", "any block"]',
            "only these are heard",
        ),
    ] = ()
    unpitched: Annotated[
        tuple[str, ...],
        told(
            "Which strikers play sounds without pitch; empty means those without pitch",
            '["any block"]',
            "clicks and buzzes come back on wood",
        ),
    ] = ()
    turner: Annotated[
        str,
        told(
            "A turner that runs along with the reply, by name or wish; empty means none",
            '"any shaker"',
            "a rustle under the strokes",
        ),
    ] = ""
    turner_force: Annotated[
        Share,
        told(
            "How fast it turns, at least",
            "0.7",
            "a brisk rustle rather than a slow one",
            unit="share of full speed",
        ),
    ] = 0.4
    turner_follows: Annotated[
        Literal["nothing", "calls", "place"],
        told(
            "What makes it turn faster: nothing, dense calls, or wind and water of the place",
            '"calls"',
            "the rustle thickens as the chorus does",
        ),
    ] = "nothing"
    table: Annotated[
        tuple[Pitched, ...],
        told(
            'Rows of pitch ranges and who plays each, for pitch = "table"; the rest is left out',
            '[{ from_hz = 200, to_hz = 1500, striker = "lowest" }]',
            "you decide which striker each register wakes",
        ),
    ] = ()
    spread_cents: Annotated[
        float,
        Meta(ge=0.0, le=600.0),
        told(
            "Of strikers so near to the best, the least worked is taken; not if fitted or by table",
            "100.0",
            "repeated notes wander among neighbours; at 0 always the best",
        ),
    ] = 25.0
    varies: Annotated[
        bool,
        told(
            "Whether it stands back after it has answered, while another rule fits",
            "false",
            "it may answer twice running, in the same manner",
        ),
    ] = True
    echo: Annotated[
        EchoUse,
        told(
            "What it does with the place's echo: strikes at it, keeps its pulse, or keeps clear",
            '"once"',
            "each stroke is struck again, softly, just as its echo comes back",
        ),
    ] = "none"
    echo_softer_db: Annotated[
        float,
        Meta(ge=0.0, le=40.0),
        told(
            "How much softer than the echo a stroke is that joins it, each time",
            "6.0",
            "joined strokes lie under their echoes rather than on them",
        ),
    ] = 0.0
    echo_most: Annotated[
        int,
        Meta(ge=1, le=20),
        told(
            "How often a repeating echo is joined, while it is heard",
            "2",
            "the echo is taken up twice, then left to the wall",
            unit="times",
        ),
    ] = 4
    echo_s: Annotated[
        float,
        Meta(ge=0.0, le=10.0),
        told(
            "The echo's delay where no place was asked; at 0 the rule then keeps silent",
            "0.58",
            "as before a wall at a hundred metres, also where there is none",
        ),
    ] = 0.0
    fatigue: Annotated[
        float,
        Meta(gt=0.0, le=1.0),
        told(
            "Scales its weight for each reply of the last five minutes; what is lost is silence",
            "0.8",
            "eager at first, then answers thin out",
        ),
    ] = msgspec.field(default=1.0, name="tires")


class RuleSet(Table, frozen=True):
    """A whole rule file."""

    name: Annotated[
        Name,
        told(
            "The set's name in logs, reports and file names",
            '"evening"',
            "nothing changes; it is how you find the set again",
        ),
    ]
    description: Annotated[
        str,
        Meta(min_length=1, max_length=200),
        told(
            "What the set does, in a line",
            '"Soft and sparse, for the evening"',
            "nothing changes; it is listed with the set",
        ),
    ]
    rule: Annotated[
        tuple[Rule, ...],
        Meta(min_length=1),
        told(
            "The rules: those that fit a phrase take turns by weight",
            '[{ name = "back", treatments = ["retrograde"] }]',
            "more rules that fit are more variety",
        ),
    ]
    manners: Annotated[
        Manners,
        told(
            "When the machine may speak",
            "{ rest_s = 3.0, share_max = 0.15 }",
            "a machine that mostly listens",
        ),
    ] = Manners()
    seed: Annotated[
        int,
        Meta(ge=0),
        told(
            "Starts the random draws: the same seed and calls give the same replies",
            "7",
            "other waits and turns of the same rules",
        ),
    ] = 1


def load_rules(name: str | Path) -> RuleSet:
    """Read a rule set: a TOML file, or the name of a shipped one.

    Raises
    ------
    UserError
        With file, line, key and what is allowed there.
    """
    path = find("rules", str(name))
    return rules_from_text(read_text(path), str(path))


def rules_from_text(text: str, name: str) -> RuleSet:
    """A rule set from the text of a rule file, which errors call `name`.

    Raises
    ------
    UserError
        With line, key and what is allowed there.
    """
    source = SettingsFile(text, name)
    rules = convert(source, RuleSet)
    _check_ranges(rules, source)
    return rules


def _check_ranges(rules: RuleSet, source: SettingsFile) -> None:
    if rules.manners.wait_s[0] > rules.manners.wait_s[1]:
        raise source.fault_at(("manners", "wait_s"), "runs from high to low", "put the lower first")
    for number, rule in enumerate(rules.rule):
        for key in ("notes", "length_s", "pitch_hz", "tonality", "per_s", "level_db", "novelty"):
            span = getattr(rule.when, key)
            if span is not None and span[0] > span[1]:
                place = ("rule", number, "when", key)
                raise source.fault_at(place, "runs from high to low", "put the lower first")
        if rule.pitch == "table" and not rule.table:
            raise source.fault_at(
                ("rule", number, "pitch"), "there is no table", "add rows to 'table'"
            )
