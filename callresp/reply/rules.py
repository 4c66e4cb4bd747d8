"""Rule sets: TOML files that say which phrases are answered, how, and when.

Goal
----
A small, typed language that is plain to tune: settings with units and allowed
ranges, no code. A rule set has manners (when the machine may speak), and rules
(what it says); the rules whose conditions a phrase meets take turns by weight.
"""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from callresp.io.resources import find
from callresp.io.settings import Source, load

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

Share = Annotated[float, Meta(ge=0.0, le=1.0)]
Seconds = Annotated[float, Meta(ge=0.0, le=3600.0)]
Hertz = Annotated[float, Meta(ge=0.0, le=24000.0)]
Notes = Annotated[int, Meta(ge=1, le=1000)]
Name = Annotated[str, Meta(min_length=1, max_length=40)]
Clock = Annotated[str, Meta(pattern="^([01][0-9]|2[0-3]):[0-5][0-9]$")]


class Table(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A table of a rule file."""


class Manners(Table, frozen=True):
    """When the machine may speak.

    It waits `wait_s` (drawn from the range) after a phrase, then for a moment
    in which those it gives way to are silent, for at most `patience_s`. It
    stops within `reaction_s` when one of them begins. It sounds for at most
    `share_max` of any minute, keeps `rest_s` after a reply of its own, and is
    quiet for the last `quiet_share` of each hour. After `quiet_after_s` without
    a call it lets whoever comes back sing for `return_s` before it answers.
    """

    wait_s: tuple[Seconds, Seconds] = (0.25, 0.7)
    patience_s: Seconds = 2.5
    give_way: GiveWay = "everyone"
    leave_off: bool = True
    reaction_s: Annotated[float, Meta(ge=0.02, le=2.0)] = 0.08
    share_max: Annotated[float, Meta(gt=0.0, le=1.0)] = 0.3
    rest_s: Seconds = 1.0
    quiet_share: Annotated[float, Meta(ge=0.0, le=0.95)] = 0.1
    quiet_after_s: Annotated[float, Meta(ge=10.0, le=86400.0)] = 1200.0
    return_s: Seconds = 60.0


class When(Table, frozen=True):
    """Conditions on a phrase; all that are given must hold.

    `tonality` is the mean over its notes, `level_db` its loudest note's;
    `novelty` is how unlike it is to all that its singer sang before, 0 to 1;
    `clock` are times of day as "HH:MM", known where the recording's start is.
    """

    voices: tuple[str, ...] = ()
    notes: tuple[Notes, Notes] = (1, 1000)
    length_s: tuple[Seconds, Seconds] = (0.0, 3600.0)
    pitch_hz: tuple[Hertz, Hertz] | None = None
    tonality: tuple[Share, Share] = (0.0, 1.0)
    per_s: tuple[float, float] = (0.0, 1000.0)
    level_db: tuple[float, float] = (-200.0, 20.0)
    since_reply_s: Seconds = 0.0
    novelty: tuple[Share, Share] = (0.0, 1.0)
    clock: tuple[Clock, Clock] | None = None


class Pitched(Table, frozen=True):
    """A row of a table of pitches: what lies in the range goes to the striker."""

    from_hz: Hertz
    to_hz: Hertz
    striker: Name


class Rule(Table, frozen=True):
    """What to answer.

    `treatments` are applied in their order. `at_most` notes are played;
    `stretch` scales the rhythm (2 is twice as slow); `transpose_cents` is
    added before mapping pitch; `softer_db` is taken off the heard level, over
    `range_db` of which the strikers' force runs from 0 to 1. `strikers` says
    which may play, `unpitched` which are for sounds without pitch (else all
    strikers without one): by name, or by what they are, such as "lowest 2" or
    "any block" (callresp.reply.selection).
    Among strikers within `spread_cents` of the best, the least worked is
    taken. `turner` names a turner that runs along with the reply, at
    `turner_force` or faster: the denser the calls are ("calls"), or the louder
    wind and water are against the quietest minute of the last hour ("place").

    `damping` is how long each note sounds: "short to long" is a swell by
    lifting the dampers longer and longer, "long to short" its reverse.

    `varies` keeps a rule from answering the same call twice running, while
    another fits; `tires` scales its weight for each reply of the last five
    minutes.
    """

    name: Name
    when: When = When()
    weight: Annotated[float, Meta(ge=0.0, le=1000.0)] = 1.0
    treatments: tuple[Treatment, ...] = ("echo",)
    pitch: PitchMapping = "nearest"
    rhythm: Rhythm = "kept"
    stretch: Annotated[float, Meta(ge=0.1, le=10.0)] = 1.0
    at_most: Notes = 12
    transpose_cents: Annotated[float, Meta(ge=-4800.0, le=4800.0)] = 0.0
    dynamics: Dynamics = "as heard"
    softer_db: Annotated[float, Meta(ge=-40.0, le=40.0)] = 0.0
    range_db: Annotated[float, Meta(ge=3.0, le=80.0)] = 30.0
    damping: Damping = "as heard"
    strikers: tuple[str, ...] = ()
    unpitched: tuple[str, ...] = ()
    turner: str = ""
    turner_force: Share = 0.4
    turner_follows: Literal["nothing", "calls", "place"] = "nothing"
    table: tuple[Pitched, ...] = ()
    spread_cents: Annotated[float, Meta(ge=0.0, le=600.0)] = 25.0
    varies: bool = True
    fatigue: Annotated[float, Meta(gt=0.0, le=1.0)] = msgspec.field(default=1.0, name="tires")


class RuleSet(Table, frozen=True):
    """A whole rule file."""

    name: Name
    description: Annotated[str, Meta(min_length=1, max_length=200)]
    rule: Annotated[tuple[Rule, ...], Meta(min_length=1)]
    manners: Manners = Manners()
    seed: Annotated[int, Meta(ge=0)] = 1


def load_rules(name: str) -> RuleSet:
    """Read a rule set: a TOML file, or the name of a shipped one.

    Raises
    ------
    UserError
        With file, line, key and what is allowed there.
    """
    rules, source = load(find("rules", str(name)), RuleSet)
    _check_ranges(rules, source)
    return rules


def _check_ranges(rules: RuleSet, source: Source) -> None:
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
