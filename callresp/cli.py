"""The ``callresp`` command: a thin door to the verbs in `callresp.verbs`.

A verb's module is imported when it is typed, and what it does (`callresp.commands`)
when all that was typed is known to be good: so help and mistakes are told at once.
"""

from __future__ import annotations

import contextlib
import errno
import importlib
import logging
import os
import sys
from collections.abc import Sequence
from typing import TextIO

import click

from callresp import __version__
from callresp.commands.ui import LOOK, is_terminal
from callresp.errors import UserError
from callresp.link.signals import kept

# verb: (module below callresp.verbs, one line of help). The module holds the
# command as `command`, or, where it holds several, as VERB_command.
COMMANDS: dict[str, tuple[str, str]] = {
    "demo": ("demo", "Do the whole job once on the demo scene, without hardware."),
    "transcribe": ("transcribe", "Hear a recording: write its notes as a heard score."),
    "rhythm": ("rhythm", "Tell the rhythm of every phrase: pace, pulse, trills."),
    "voices": ("voices", "List the singers of a heard score; merge two, or split one."),
    "labels": ("labels", "Correct a heard score in any editor of labels: out, and back."),
    "explain": ("explain", "Draw what one stretch was heard by: why missed, why split."),
    "compare": ("compare", "Hear a recording with several detectors: how do they agree?"),
    "levels": ("levels", "Measure how loud a recording is, plain and A-weighted."),
    "set-level": ("set_level", "Set the microphone's gain: too quiet, good, clipping."),
    "calibrate": ("levels", "Learn sound pressure from a recorded calibrator tone."),
    "palette": ("palette", "Check a palette, and say what its machine can do."),
    "reply": ("reply", "Answer a heard score with a palette and a rule set."),
    "rules": ("rules", "List the shipped rule sets, or copy one to change it."),
    "fit": ("rules", "Find the mapping that keeps most of the calls on these strikers."),
    "desk": ("desk", "Tune by ear and eye: open a page in this machine's browser."),
    "audition": ("audition", "Hear several rule sets on one recording, side by side."),
    "check": ("check", "Hold a reply against the machine: make a plan, list what changed."),
    "advise": ("advise", "Say what these strikers can't answer, and what one more would do."),
    "rehearse": ("rehearse", "Render a plan beside its recording: mix and picture."),
    "export": ("rehearse", "Write scores as a Standard MIDI File."),
    "import": ("import_midi", "Read a Standard MIDI File into a reply score."),
    "strike-test": ("strike_test", "Write the plan of a strike test for your strikers."),
    "measure": ("strike_test", "Measure the strikers in a recorded strike test."),
    "ask-place": ("ask_place", "Ask a place by strokes: what comes back, when, and from where?"),
    "sheet": ("palette", "Draw a palette as a page for the workshop wall."),
    "firmware": ("firmware", "Make a board's firmware from a palette, with or without a plan."),
    "wiring": ("wiring", "Print a machine's wiring: fuses, wires, parts, pins, what to measure."),
    "scout": ("scout", "Say whether a sound is here, when, and how sure that is."),
    "places": ("places", "Say which place and which hour is worth going for, and why."),
    "season": ("season", "Look through a season of recordings, or ask it."),
    "stream": ("stream", "Send a plan to the board on a port."),
    "play": ("play", "Play the strikers by hand: MIDI or the computer's keys."),
    "live": ("live", "Listen to a place and answer it, all day."),
    "service": ("service", "Write a systemd unit that runs live from boot on."),
    "ports": ("board", "List the serial ports that a board may be on."),
    "sleep": ("board", "Send the board on a port to sleep until it wakes by itself."),
    "identify": ("board", "Ask the board on a port who it is."),
    "try": ("board", "Try one channel after another, each after a yes."),
    "self-test": ("self_test", "Strike each striker once: is it as the palette knows it?"),
    "stop": ("board", "Stop the machine, also while another terminal streams."),
    "report": ("report", "Tell a day in the field: a page and a picture of its log."),
    "replay": ("replay", "Answer a day in the field again, by other rules."),
}


class LazyGroup(click.Group):
    """A group whose commands are imported when they are called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Verbs in the order of the job."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import one command."""
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"callresp.verbs.{COMMANDS[cmd_name][0]}")
        own = f"{cmd_name.replace('-', '_')}_command"
        command: click.Command = getattr(module, own, None) or module.command
        return command

    def invoke(self, ctx: click.Context) -> object:
        """Run a command; a reader that goes away, as in `| head`, is no fault."""
        try:
            status = super().invoke(ctx)
            if sys.stdout is not None:
                sys.stdout.flush()
            if ctx.meta.get(LOOK):
                ctx.exit(1)
        except UserError as fault:
            option = self._option(ctx, fault.argument)
            if fault.where and option.startswith("--"):
                fault.remedy += f" ({option})"
            fault.argument = option
            raise
        except click.UsageError as fault:
            # Its parser doesn't say whose the option is.
            command = self.get_command(ctx, ctx.invoked_subcommand or "")
            if fault.ctx is None and command is not None:
                fault.ctx = click.Context(command, ctx, ctx.invoked_subcommand)
            raise
        except BrokenPipeError:
            # Nothing more can be said; what is left in the buffer must not complain at exit.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            ctx.exit(0)
        except OSError as fault:
            if fault.errno == errno.ENOSPC:
                os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
                raise UserError("the disk is full", remedy="free some space") from fault
            if fault.filename is None:
                raise
            # The system's own word on a name: forbidden, too long, on a disk that fails.
            raise UserError(
                f"can't be used ({fault.strerror})",
                where=str(fault.filename),
                remedy="check its name, and that you may use its folder",
            ) from fault
        return status

    def _option(self, ctx: click.Context, argument: str) -> str:
        """The option that fills an argument of the library, as users type it."""
        command = self.get_command(ctx, ctx.invoked_subcommand or "")
        for param in command.params if command else ():
            if f"--{argument.replace('_', '-')}" in param.opts:
                return param.opts[-1]
        return argument

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the verbs without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl([(verb, text) for verb, (_, text) in COMMANDS.items()])

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Suggest the nearest verb for an unknown one."""
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            import difflib

            near = difflib.get_close_matches(args[0], COMMANDS, n=1)
            hint = f"did you mean '{near[0]}'?" if near else "see callresp --help"
            raise UserError(f"no command '{args[0]}'", remedy=hint)
        return super().resolve_command(ctx, args)


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="callresp")
@click.option("-v", "--verbose", count=True, help="Say more on standard error.")
def cli(verbose: int) -> None:
    """Hear a place, answer it on real strikers.

    \b
    The whole job on a scene of our own:   callresp demo
    The same on a recording of yours:      callresp transcribe dawn.wav
                                           callresp reply dawn.heard.jsonl
                                           callresp check dawn.reply.jsonl
                                           callresp rehearse dawn.plan.jsonl
                                           callresp stream dawn.plan.jsonl --port PORT

    Exit status: 0 done; 1 done, but something needs a look; 2 a mistake, told
    in one line; 130 stopped by Ctrl-C.
    """
    level = {0: logging.WARNING, 1: logging.INFO}.get(verbose, logging.DEBUG)
    logging.basicConfig(handlers=[_Stderr()], level=level, format="%(levelname)s: %(message)s")
    if is_terminal(sys.stderr):  # who looks on is told what takes long
        logging.getLogger("callresp").setLevel(min(level, logging.INFO))


class _Stderr(logging.StreamHandler[TextIO]):
    """Writes to what standard error is then: a progress bar takes it over while it is drawn."""

    def emit(self, record: logging.LogRecord) -> None:
        self.setStream(sys.stderr)
        super().emit(record)


def main(words: Sequence[str] | None = None) -> None:
    """Run the command line; end with one line and status 2 on a user's mistake.

    Parameters
    ----------
    words
        What was typed after ``callresp``; by default what the process was given.
    """
    # Before numpy is loaded, which starts OpenBLAS's threads. They busy-wait, for a tenth of a
    # second then and after each product: assigning singers in dense song took twice the CPU time.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        with kept():
            status = cli.main(words, prog_name="callresp", standalone_mode=False)
    except UserError as fault:
        _complain(str(fault))
        sys.exit(2)
    except click.ClickException as fault:
        _complain(_told(fault))
        sys.exit(2)
    except (Exception, KeyboardInterrupt) as fault:
        # Click hides the interrupt behind its own exception, and Python 3.11 behind another where
        # it comes while a class is made; one by a signal has its number.
        cause = fault.__cause__
        stopped = cause if isinstance(cause, KeyboardInterrupt) else fault
        if not isinstance(stopped, click.Abort | KeyboardInterrupt):
            raise
        _complain("stopped")
        sys.exit(128 + getattr(stopped, "number", 2))
    sys.exit(status if isinstance(status, int) else 0)


def _told(fault: click.ClickException) -> str:
    """A fault of click's in one line, beginning as ours do."""
    text = fault.format_message()
    if text.startswith("Usage:"):
        return f"no command given; see callresp --help\n\n{text}"
    text = " ".join(text.split()).rstrip(".")
    context = fault.ctx if isinstance(fault, click.UsageError) else None
    path = context.command_path if context else "callresp"
    return f"{text[:1].lower()}{text[1:]}; see {path} --help"


def _complain(text: str) -> None:
    # After a hang-up there is nobody to tell.
    with contextlib.suppress(OSError):
        click.echo(f"callresp: {text}", err=True)
