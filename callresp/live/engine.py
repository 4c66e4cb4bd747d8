"""The live engine: sound in, actions out, on a clock that is handed in.

Goal
----
Everything that a live machine decides, with no thread, no file and no port in
it, so that a day of it can be run in minutes and each fault tried at a desk.

Conventions
-----------
- The engine's clock counts the samples of the sound, lost ones too. It is 0
  when the sound begins and never runs backwards; while no sound comes `idle`
  moves it on. No change of the time of day moves it.
- Data flows one way: listener, self mask, replier, player. What comes back from
  the link (`link_update`) changes what is logged and whether it may play.
- What keeps it from playing is an *interlock*; each has a name and a reason,
  and every change is reported and logged.
"""

from __future__ import annotations

import math
import statistics
from collections import Counter, deque
from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from datetime import datetime

from callresp.field.log import END_KEY, Kind
from callresp.io.score import Note, ReplyNote
from callresp.listen.online import Event, NoteEnd, NoteOnset, VoiceChange
from callresp.listen.voices.phrases import LONGEST_S, REST_S
from callresp.live.actions import (
    Action,
    BoardMaySleep,
    BoardState,
    LinkUpdate,
    Notice,
    Notify,
    Record,
    Release,
    SaveSnippet,
    Send,
    SoundHeard,
    StatusRow,
    outcome_row,
)
from callresp.live.clocked_listener import BlockListener, ClockedListener
from callresp.live.echo_following import EchoFollower
from callresp.live.interlocks import (
    Interlocks,
    StopLimits,
    StopRules,
    WallClockMonitor,
    limits_of,
)
from callresp.live.loop_detector import LoopDetector, LoopRule
from callresp.live.player import Player, PlayerOutput
from callresp.live.recent_sound import RecentSound
from callresp.live.self_masking import Acoustics, Return, SelfMask, reach_s
from callresp.live.sources import Block
from callresp.palette.model import Palette
from callresp.plan.model import Command, Strike
from callresp.reply.echoes import KnownEcho
from callresp.reply.live import LiveReplier
from callresp.reply.rules import RuleSet
from callresp.scout.sun import ActiveHours

STATUS_EVERY_S = 10.0
CHECK_EVERY_S = 0.5
# Stood down for feeding on itself; twice as long each time.
STAND_DOWN_S = 600.0
# An onset is reported this long after it began, at most.
LOOP_HEARD_S = 1.0
# Sound that comes later than this is answered too late; it plays again when it is as prompt.
LATE_SOUND_S = 0.4
PROMPT_SOUND_S = 0.15
# Of the times that an echo is followed, one in so many is logged.
ECHO_ROWS = 10
# The sound card's clock and the wall's drift apart in a night: less than this is the same time.
SAME_TIME_S = 10.0
SNIPPET_BEFORE_S = 0.5
SNIPPET_AFTER_S = 1.5
SNIPPET_MAX_S = 20.0
# Outcomes of commands that have, or may have, sounded; or would have, were there a machine.
PLAYED = ("executed", "fate unknown", "only listening", "sent as MIDI")
# Taken back on purpose; what is neither was refused, or came too late.
TAKEN_BACK = ("left off", "cancelled", "stopped by the host")


@dataclass(frozen=True, slots=True)
class LiveSettings:
    """How a live session is to be run.

    `echo` is the place's return that rules act on, and that is followed as the air warms.
    `rest_s` and `longest_phrase_s` are the listening profile's. `masks` and `loops` are there
    to be switched off by a bench only.
    """

    acoustics: Acoustics = field(default_factory=Acoustics)
    echo: KnownEcho | None = None
    limits: StopLimits | None = None
    hours: ActiveHours | None = None
    snippets: bool = False
    needs_link: bool = False
    seed: int | None = None
    rest_s: float = REST_S
    longest_phrase_s: float = LONGEST_S
    masks: bool = True
    # Whether manners and rules may go by the time of day: of a recording it may not be known.
    dated: bool = True
    loops: LoopRule | None = field(default_factory=LoopRule)


@dataclass(frozen=True, slots=True)
class Clocks:
    """The time of day, and a steady clock that nobody sets."""

    wall: Callable[[], datetime]
    steady_s: Callable[[], float]


class LiveEngine:
    """Feed it blocks and what the link reports; carry out what it returns.

    Parameters
    ----------
    palette, rules
        The machine and its manners.
    listener
        Hears the sound.
    sample_rate_hz
        Of the sound.
    clocks
        Read for the hours of the day only.
    settings
        Limits, hours, and what else the user chose.
    """

    def __init__(
        self,
        palette: Palette,
        rules: RuleSet,
        listener: BlockListener,
        sample_rate_hz: int,
        clocks: Clocks,
        settings: LiveSettings | None = None,
    ) -> None:
        self.settings = settings or LiveSettings()
        self.now_s = 0.0
        self.rules = rules
        self.overruns = 0
        self.latency = StageTimes()
        self.start = clocks.wall()
        self._rate_hz = sample_rate_hz
        self._clocks = clocks
        self._watch = WallClockMonitor(clocks.wall, clocks.steady_s)
        self._listener = ClockedListener(listener, sample_rate_hz)
        returns = self.settings.acoustics.returns
        # By which returns and strokes are told from birds.
        self._recent = RecentSound(sample_rate_hz, reach_s(returns))
        self._mask = SelfMask(palette, self.settings.acoustics, self._recent)
        self._replier = LiveReplier(
            palette,
            rules,
            self.settings.seed,
            self.start if self.settings.dated else None,
            self.settings.rest_s,
            self.settings.longest_phrase_s,
            self.settings.echo,
        )
        echo = self.settings.echo
        others_s = tuple(back.delay_s for back in returns)
        self._follower = (
            None if echo is None else EchoFollower(self._recent, echo.delay_s, others_s)
        )
        self._latency_s = {one.coil.channel: one.latency_ms / 1000 for one in palette.striker}
        self.player = Player(palette, self._mask)
        self._stops = StopRules(self.settings.limits or limits_of(palette))
        self._loop = LoopDetector(self.settings.loops)
        self._interlocks = Interlocks()
        self._board = BoardState()
        self._credit: int | None = None
        self._release_s: float | None = None
        self._stand_down_s = STAND_DOWN_S
        self._stand_down_until_s = float("-inf")
        self._due_s: float | None = None
        self._rests_until_s: float | None = None
        self._loop_due_s = float("inf")
        self._unplayed: Counter[str] = Counter()
        self._status_s = self._checked_s = float("-inf")
        self._echo_rows = 0
        self._out: list[Action] = []
        if self.settings.needs_link:
            self._interlocks.put("link", "the board has not answered yet")

    @property
    def inhibited(self) -> str | None:
        """Why it does not play, or `None`."""
        return self._interlocks.why

    @property
    def asleep(self) -> bool:
        """Whether it sleeps: it does not even listen."""
        return self._interlocks.has("asleep")

    @property
    def stalled(self) -> bool:
        """Whether it waits for sound that does not come, or comes late."""
        return self._interlocks.has("sound")

    def feed(self, block: Block, late_s: float = 0.0) -> list[Action]:
        """Hear a block, and say what is to be done by its end.

        Parameters
        ----------
        block
        late_s
            How long after it was heard it came here.
        """
        ends_s = block.at_s + len(block.samples) / self._rate_hz
        self.now_s = max(self.now_s, ends_s)
        if block.lost:
            self._lost(block)
        self._check_lateness(late_s)
        self._check()
        self._recent.feed(block.samples, block.at_s)
        if self._follower is not None and self._follower.look():
            self._echo_moved(self._follower)
        if not self.asleep:
            for event in self._listener.feed(block):
                self._hear(event)
        self._answer()
        return self._drain()

    def idle(self, now_s: float | None = None) -> list[Action]:
        """No sound comes: look at the clock and the board all the same.

        Parameters
        ----------
        now_s
            What the engine's clock would show had the sound gone on, where it has
            stalled: the clock moves on, and nothing is played until it is back.
        """
        if now_s is not None:
            self.now_s = max(self.now_s, now_s)
            self._inhibit("sound", "no sound comes: it waits for it")
        self._check(force=True)
        self._play()
        return self._drain()

    def link_update(self, update: LinkUpdate) -> list[Action]:
        """Take what the link reports."""
        if self.settings.needs_link:
            why = None if update.up else "the board is away; it listens on"
            self._inhibit("link", why)
        for outcome in update.outcomes:
            if outcome.outcome in PLAYED:
                self.player.played(outcome.command)
                self._ask_in_passing(outcome.command)
            elif outcome.outcome not in TAKEN_BACK:
                self._unplayed[outcome.outcome] += 1
            self._record("command", outcome_row(outcome))
        for notice in update.notices:
            self._notice(notice, "link")
        self._board = update.board or self._board
        self._credit = update.credit
        for wait_s in update.waits_s:
            self.latency.add("link", wait_s)
        return self._drain()

    def stop(self, why: str) -> list[Action]:
        """The red stop: release everything, answer no more."""
        self._inhibit("stopped", why)
        return self._drain()

    def mute(self, why: str | None) -> list[Action]:
        """Play nothing for this reason, or (`None`) play again."""
        self._inhibit("muted", why)
        return self._drain()

    def mute_instruments(self, names: Collection[str]) -> list[Action]:
        """Leave these out from now on, and no others."""
        self.player.muted = frozenset(names)
        left_out = ", ".join(sorted(names))
        self._remark(f"left out from now on: {left_out}" if names else "nothing is left out now")
        return self._drain()

    def change_rules(self, rules: RuleSet) -> list[Action]:
        """Answer by other rules from now on."""
        self.rules = rules
        self._replier.change_rules(rules)
        self._remark(f"answers by the rules '{rules.name}' from now on")
        return self._drain()

    def notice(self, notice: Notice, where: str) -> list[Action]:
        """A thread reports something: log it, show it, go on."""
        self._notice(notice, where)
        return self._drain()

    def last_run_cut(self, last_row: str) -> list[Action]:
        """The log holds a run without its end; `last_row` is when its last row was written."""
        text = f"the last run was cut: its log breaks off at {last_row}, without its end"
        self._remark(text)
        return self._drain()

    def _remark(self, text: str) -> None:
        self._record("remark", {"text": text})
        self._out.append(Notify(text))

    def finish(self) -> list[Action]:
        """The sound has ended: close what is open, release everything."""
        for event in self._listener.rest():
            self._hear(event)
        self._replier.inhibited = self._interlocks.why
        self._replier.finish(self.now_s)
        self._record_phrases()
        self._out.append(Release("the session is over"))
        return self._drain()

    def ended(self, why: str) -> list[Action]:
        """The last rows of a run: how it stood, and how it ended."""
        self._report_unplayed()
        self._record("status", self.status())
        self._record("remark", {"text": f"the run ended: {why}", END_KEY: why})
        return self._drain()

    def status(self) -> StatusRow:
        """How it stands, as it is logged."""
        return {
            "supply_v": self._board.supply_v,
            "coil_c": self._board.coil_c,
            "board_c": self._board.board_c,
            "lux": self._board.lux,
            "air_c": self._board.air_c,
            "humidity_pct": self._board.humidity_pct,
            "credit": self._credit,
            "strikes": self.player.strikes,
            "overruns": self.overruns,
            "latency_ms": self.latency.medians_ms(),
            "energy_j": round(self.player.energy_j, 3),
        }

    # Hearing

    def _hear(self, event: Event) -> None:
        if isinstance(event, NoteOnset):
            self.latency.add("onset", self.now_s - event.onset_s)
            if self._owns(event):
                return
            self._out.append(SoundHeard(event))
            stop_s = self._replier.began(event.key, event.voice, self.now_s)
            if stop_s is not None:
                self._release_s = stop_s
        elif isinstance(event, VoiceChange):
            self._replier.renamed(event.note, event.voice)
        elif not isinstance(event, NoteEnd):
            # The replier closes phrases itself, by the same rule, from notes that aren't our own.
            return
        elif event.note is None or self._owns(event.note):
            self._replier.dropped(event.key)
        else:
            self.latency.add("note", self.now_s - event.note.offset_s)
            self._heard(event.note, event.key)

    def _owns(self, sound: NoteOnset | Note) -> bool:
        return self.settings.masks and self._mask.owner(sound) is not None

    def _heard(self, note: Note, key: int) -> None:
        self._replier.heard(note, key)
        self._out.append(SoundHeard(note))
        if self.settings.loops is None:
            return
        self._loop.heard(note.onset_s)

    # The place's echo

    def _ask_in_passing(self, command: Command) -> None:
        """Every stroke that was made asks the place again."""
        if self._follower is not None and isinstance(command, Strike):
            self._follower.struck(command.at_s + self._latency_s.get(command.channel, 0.0))

    def _echo_moved(self, follower: EchoFollower) -> None:
        """The air has changed: rules join the return where it is now, and masks lie there."""
        asked = self.settings.echo
        if asked is None:
            return
        self._replier.echo_is(KnownEcho(follower.delay_s, asked.level_db))
        self._mask.returns_are(
            tuple(
                Return(back.delay_s * follower.ratio, back.level_db)
                for back in self.settings.acoustics.returns
            )
        )
        self._echo_rows += 1
        if self._echo_rows % ECHO_ROWS == 1:
            text = f"the place's echo comes after {1000 * follower.delay_s:.1f} ms"
            self._record("remark", {"text": text})

    # Answering

    def _answer(self) -> None:
        self._replier.inhibited = self._interlocks.why
        notes = self._replier.tick(self.now_s)
        self._record_phrases()
        if notes:
            self._reply(notes)
        self._play()

    def _reply(self, notes: list[ReplyNote]) -> None:
        played = self.player.ask(notes, self.now_s)
        self._due_s = self._replier.due_s
        self._loop.replied([note.onset_s for note in played])
        last_s = max((note.onset_s for note in played), default=self.now_s)
        due_s = last_s + self._loop.rule.longest_lag_s + LOOP_HEARD_S
        self._loop_due_s = min(self._loop_due_s, due_s)
        heard = self._replier.answers
        body = {"phrase": notes[0].heard_phrase, "rule": notes[0].rule, "notes": played}
        self._record("reply", body)
        if heard is None:
            return
        self._listener.settle(note.id for note in heard.notes)
        if self.settings.snippets:
            last_s = max(note.offset_s or note.onset_s for note in played)
            from_s = max(heard.onset_s - SNIPPET_BEFORE_S, 0.0)
            until_s = min(last_s + SNIPPET_AFTER_S, from_s + SNIPPET_MAX_S)
            name = f"{self._clocks.wall():%Y%m%dT%H%M%S}-phrase-{heard.id}"
            self._out.append(SaveSnippet(from_s, until_s, name))

    def _record_phrases(self) -> None:
        for phrase in self._replier.closed:
            self._record("phrase", phrase)
        self._replier.closed.clear()
        for phrase in self._replier.renamings:
            self._record("voice", {"phrase": phrase.id, "voice": phrase.voice})
        self._replier.renamings.clear()
        for silence in self._replier.silences:
            self._record(
                "reply",
                {"phrase": silence.unanswered, "rule": silence.rule, "unanswered": silence.why},
            )
        self._replier.silences.clear()

    def _play(self) -> None:
        if self._release_s is not None and self.now_s >= self._release_s:
            self._release_s = None
            self._release("somebody else sings")
        made = self.player.due(self.now_s)
        self._out += [Send(checked) for checked in made.checked]
        if self._due_s is not None and self.player.first_s is not None:
            self.latency.add("answer", self.player.first_s - self._due_s)
            self._due_s = None
        self._record_changes(made)
        self._mask.forget_before(self.now_s - 10.0)

    def _record_changes(self, made: PlayerOutput) -> None:
        for change in made.changes:
            if change.change == "dropped":
                self._record("remark", {"text": f"not struck: {change.why}"})
        for refused in made.refused:
            if refused.limit in ("supply.capacity_ah", "supply.cutoff_v"):
                self._inhibit("battery", f"{refused.what}: it plays no more, and listens on")
            else:
                self._fault(f"refused: {refused}", "plan")

    def _release(self, why: str) -> None:
        self.player.cancel()
        self._replier.left_off(self.now_s)
        self._mask.release(self.now_s)
        self._out.append(Release(why))

    # Checking

    def _lost(self, block: Block) -> None:
        self.overruns += 1
        lost_s = block.lost / self._rate_hz
        self._fault(f"{lost_s:.3f} s of sound were lost before {block.at_s:.1f} s", "sound")

    def _check(self, force: bool = False) -> None:
        if self.now_s - self._checked_s < CHECK_EVERY_S and not force:
            return
        self._checked_s = self.now_s
        self._check_hours()
        self._check_loop_due()
        why = self._stops.judge(self._board, self.now_s, self.player.strikes, self.player.energy_j)
        self._inhibit("limits", why)
        if self.now_s - self._status_s >= STATUS_EVERY_S:
            self._status_s = self.now_s
            self._report_unplayed()
            self._record("status", self.status())

    def _check_lateness(self, late_s: float) -> None:
        """Hold the strikes while the sound comes too late to be answered in time."""
        if late_s > LATE_SOUND_S:
            self._inhibit("sound", f"the sound comes {late_s:.1f} s late: it waits")
        elif late_s < PROMPT_SOUND_S:
            self._inhibit("sound", None)

    def _report_unplayed(self) -> None:
        """Commands that were refused or came too late, since this was last reported."""
        if self._unplayed:
            counts = ", ".join(f"{count} {how}" for how, count in sorted(self._unplayed.items()))
            self._fault(f"commands that were not played: {counts}", "link")
            self._unplayed.clear()

    def _check_hours(self) -> None:
        step_s = self._watch.step_s()
        if step_s is not None:
            self._fault(
                f"the time of day was set by {step_s:+.0f} s; the hours of the day follow it,"
                " all else goes by a clock of its own",
                "clock",
            )
            self._replier.clock_was_set(step_s)
        hours = self.settings.hours
        if hours is None:
            return
        now = self._clocks.wall()
        awake = hours.awake_at(now)
        if not awake and not self.asleep:
            for event in self._listener.rest():
                self._hear(event)
        self._inhibit("asleep", None if awake else f"it sleeps until {hours.wakes(now)}")
        self._rest_board(None if awake else self._wanted_s(hours, now))

    def _wanted_s(self, hours: ActiveHours, now: datetime) -> float:
        """When the hours of the day begin, on the engine's clock."""
        at = hours.wakes_at(now)
        return float("inf") if at is None else self.now_s + at.timestamp() - now.timestamp()

    def _rest_board(self, until_s: float | None) -> None:
        """Tell the link when the machine is wanted, and again when that has changed."""
        before_s = self._rests_until_s
        if until_s is None or before_s is None:
            same = until_s is before_s
        else:
            same = math.isclose(until_s, before_s, abs_tol=SAME_TIME_S)
        if not same:
            self._rests_until_s = until_s
            self._out.append(BoardMaySleep(until_s))

    def _check_loop_due(self) -> None:
        if self._loop_due_s <= self.now_s:
            # Not oftener than once a reply, when all of it that may come back has been heard.
            self._loop_due_s = float("inf")
            self._check_loop()
        if self.now_s >= self._stand_down_until_s:
            self._inhibit("loop", None)

    def _check_loop(self) -> None:
        if (
            self.settings.loops is not None
            and not self._interlocks.has("loop")
            and self._loop.loops
        ):
            lag_ms = 1000 * (self._loop.lag_s or 0.0)
            self._loop.reset()
            self._stand_down_until_s = self.now_s + self._stand_down_s
            self._inhibit(
                "loop",
                f"what it played came back {lag_ms:.0f} ms later, reply after reply: it stands"
                f" down for {self._stand_down_s / 60:g} min; turn the microphone away from it",
            )
            self._stand_down_s *= 2

    def _inhibit(self, name: str, why: str | None) -> None:
        """Set an interlock, or (`None`) clear it; report and log what that changes."""
        if not self._interlocks.put(name, why):
            return
        if why is not None:
            self._release(why)
        cleared = {"link": "the board is there: it plays", "sound": "the sound is back: it plays"}
        text = why or self._interlocks.why or cleared.get(name, "it plays again")
        self._record("remark", {"text": text, "state": self._interlocks.state})
        self._out.append(Notify(text))

    def _notice(self, notice: Notice, where: str) -> None:
        if notice.fault:
            self._fault(notice.text, where)
            return
        self._record("remark", {"text": notice.text})
        self._out.append(Notify(notice.text))

    def _fault(self, text: str, where: str) -> None:
        self._record("fault", {"what": text, "where": where})
        self._out.append(Notify(text))

    def _record(self, kind: Kind, body: object) -> None:
        self._out.append(Record(self.now_s, kind, body))

    def _drain(self) -> list[Action]:
        out, self._out = self._out, []
        return out


STAGE_TIMES_KEPT = 300


class StageTimes:
    """How long each stage takes: medians of the last few hundred times, in constant memory.

    Examples
    --------
    >>> latency = StageTimes()
    >>> for seconds in (0.01, 0.03, 0.02):
    ...     latency.add("note", seconds)
    >>> latency.medians_ms()
    {'note': 20.0}
    """

    def __init__(self) -> None:
        self._stages: dict[str, deque[float]] = {}

    def add(self, stage: str, seconds: float) -> None:
        """Take note of a time."""
        self._stages.setdefault(stage, deque(maxlen=STAGE_TIMES_KEPT)).append(seconds)

    def medians_ms(self) -> dict[str, float]:
        """Median of each stage in milliseconds."""
        return {
            stage: round(1000 * statistics.median(times), 3)
            for stage, times in self._stages.items()
        }
