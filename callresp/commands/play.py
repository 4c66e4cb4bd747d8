"""``callresp play``: strike by hand, from a MIDI input or the computer's own keys."""

from __future__ import annotations

import contextlib
import signal
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from callresp.commands import options as common
from callresp.commands import ui
from callresp.commands.board import port_of
from callresp.commands.stream import error_figures
from callresp.errors import UserError
from callresp.io.score_files import write_reply
from callresp.io.sound_card import device_named
from callresp.io.wording import counted
from callresp.link.port import Clock
from callresp.link.signals import deferred
from callresp.link.stop_request import StopListener
from callresp.palette.files import load_palette
from callresp.palette.model import Palette
from callresp.play.hand import HandPlayer, HandSettings
from callresp.play.inputs import Inbox, computer_keys, key_table, midi_input, raw_midi
from callresp.play.outputs import BoardOutput, NullOutput, Output
from callresp.play.runner import PlayRunner
from callresp.play.sound import SoundOutput
from callresp.synthesis.mixing import MixSettings, mix

RATE_HZ = 48_000


@dataclass(frozen=True, slots=True)
class PlayOptions:
    """The command's options, by their parameter names."""

    palette: str
    port: str | None
    midi_in: str | None
    virtual: bool
    sound: str | None
    device: str | None
    lead: float
    lift_first: bool
    output: Path | None
    yes: bool
    as_json: bool

    @property
    def wav(self) -> Path | None:
        """The sound file to render."""
        heard = self.sound not in (None, "device", "none")
        return Path(str(self.sound)) if heard else None

    @property
    def device_heard(self) -> bool:
        """Whether the sound card sounds."""
        return self.sound == "device" or (self.sound is None and self.port is None)


def run(**words: object) -> None:
    """Play a palette's strikers by hand, within every limit."""
    options = common.filled(PlayOptions, words)
    palette = load_palette(options.palette)
    if options.port is not None and options.device_heard:
        raise UserError(
            "a board and the sound card at once", argument="sound", remedy="give one of the two"
        )
    if options.output is not None:
        ui.target(options.output, options.palette, options.wav, writes="reply score")
    if options.wav is not None:
        ui.target(options.wav, options.palette, options.output, writes="sound file")
    if options.port not in (None, "simulated"):
        # Through standard input come the keys: nobody can be asked there.
        ui.confirm(options.yes)
    clock, inbox = Clock(), Inbox()
    player = HandPlayer(palette, HandSettings(options.lead / 1000, options.lift_first))
    with contextlib.ExitStack() as opened:
        url = None
        if options.port is not None:
            url = opened.enter_context(port_of(options.port, palette))
        signals = opened.enter_context(deferred())
        listener = opened.enter_context(StopListener(url))
        opened.enter_context(_input(options, palette, inbox, clock))
        output = _output(options, palette, url, clock)

        def stop() -> str | None:
            if listener.requested.is_set():
                return "stopped from another terminal"
            return signals.words

        say = (lambda text: None) if options.as_json else ui.say
        runner = PlayRunner(player, inbox, output, clock, say, stop)
        ui.warn("playing; start with the volume low" if options.device_heard else "playing")
        try:
            why = runner.run()
        finally:
            _keep(options, runner)
        listener.released()
    _summary(options, runner, output, why)
    if signals.number not in (None, signal.SIGINT):
        signals.raise_if_any()


@contextlib.contextmanager
def _input(options: PlayOptions, palette: Palette, inbox: Inbox, clock: Clock) -> Iterator[None]:
    if options.midi_in == "-":
        with raw_midi(inbox, clock):
            yield
    elif options.midi_in is not None:
        with midi_input(options.midi_in, options.virtual, inbox, clock):
            yield
    else:
        with computer_keys(inbox, clock) as has_keys:
            if not has_keys:
                raise UserError(
                    "there is no terminal to play on",
                    argument="midi_in",
                    remedy="name a MIDI input, or pipe raw MIDI to '-'",
                )
            for key, name in key_table(palette).items():
                ui.warn(f"{key}  {name}")
            yield


def _output(options: PlayOptions, palette: Palette, url: str | None, clock: Clock) -> Output:
    if url is not None:
        return BoardOutput(url, clock)
    if options.device_heard:
        return SoundOutput(palette, clock, device_named(options.device), RATE_HZ)
    return NullOutput()


def _keep(options: PlayOptions, runner: PlayRunner) -> None:
    """Keep what was played, also after a lost board."""
    if options.output is not None:
        write_reply(options.output, runner.player.score())
    if options.wav is not None and runner.commands:
        plan = runner.plan(options.wav.stem).plan
        mix(None, plan, runner.player.palette, options.wav, MixSettings(alone=True))


def _summary(options: PlayOptions, runner: PlayRunner, output: Output, why: str) -> None:
    player = runner.player
    changed = {f"{kind} [{limit}]": count for (kind, limit), count in player.changed.items()}
    board: dict[str, object] = {}
    if isinstance(output, BoardOutput):
        board = {"fates": dict(output.outcomes), **error_figures(output.errors_ms)}
    if options.as_json:
        kept = None if options.output is None else str(options.output)
        row = {"struck": player.struck, "changed": changed, "ended": why, "reply": kept, **board}
        ui.emit(row)
        return
    ui.say(f"{counted(player.struck, 'stroke')}; {why}")
    for text, count in sorted(changed.items()):
        ui.say(f"  {count} {text}")
    if board.get("median_error_ms") is not None:
        ui.say(
            f"  on the board: off by {board['median_error_ms']} ms in the median,"
            f" {board['worst_error_ms']} ms at most"
        )
    if options.output is not None:
        ui.say(f"wrote {options.output}")
        ui.say(f"next: callresp check {ui.typed(options.output)}")
    if options.wav is not None and runner.commands:
        ui.say(f"wrote {options.wav}")
