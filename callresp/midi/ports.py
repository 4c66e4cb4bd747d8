"""Live MIDI ports, in and out, by mido's RtMidi backend.

It needs the package ``python-rtmidi`` (not installed by default: it needs a
sound system to talk to). Which of several systems it talks to can be said as
mido has it, by ``MIDO_BACKEND=mido.backends.rtmidi/UNIX_JACK`` in the environment.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import Protocol

from callresp.errors import UserError

INSTALL = "install it beside callresp with: pip install python-rtmidi"
RTMIDI = "mido.backends.rtmidi"


class MidiMessage(Protocol):
    """What we need of mido's messages; `channel` and `note` where the type has one."""

    type: str
    channel: int
    note: int

    def bytes(self) -> list[int]:
        """As it goes over the wire."""

    def copy(self, *, time: int) -> MidiMessage:
        """The same, so many ticks after the one before."""


class MidiInput(Protocol):
    """An open MIDI input, whose messages come by a callback."""

    def close(self) -> None:
        """Give the port up."""


class MidiOutput(Protocol):
    """An open MIDI output."""

    def send(self, message: MidiMessage, /) -> None:
        """Send one message now."""

    def close(self) -> None:
        """Give the port up."""


class _Backend(Protocol):
    """One of the systems that mido reaches."""

    def get_output_names(self) -> list[str]: ...

    def get_input_names(self) -> list[str]: ...

    def open_output(self, name: str, *, virtual: bool) -> MidiOutput: ...

    def open_input(
        self, name: str, *, virtual: bool, callback: Callable[[MidiMessage], None]
    ) -> MidiInput: ...


def open_port(name: str, virtual: bool = False) -> MidiOutput:
    """Open a MIDI output: an existing one by its name or a part of it, or a new virtual one.

    Parameters
    ----------
    name
        How the output's name begins, what no other's holds, or what a new one is to be called.
    virtual
        Make one, for other programs to connect to.

    Raises
    ------
    UserError
        When there is none, with the names there are, or it can't be opened.
    """
    backend = _backend()
    if not virtual:
        name = _matched(name, backend.get_output_names(), "output")
    try:
        return backend.open_output(name, virtual=virtual)
    except (OSError, RuntimeError) as fault:
        raise UserError(
            f"can't open MIDI output '{name}' ({fault})", remedy="close what else uses it"
        ) from fault


def open_input(name: str, take: Callable[[bytes], None], virtual: bool = False) -> MidiInput:
    """Open a MIDI input likewise; `take` is called in a thread of its own with each message.

    Parameters
    ----------
    name
        How the input's name begins, what no other's holds, or what a new one is to be called.
    take
        Called with the bytes of each message.
    virtual
        Make one, for other programs to connect to.

    Returns
    -------
    MidiInput
        Open until it is closed.

    Raises
    ------
    UserError
        With the names there are.
    """
    backend = _backend()
    if not virtual:
        name = _matched(name, backend.get_input_names(), "input")

    def heard(message: MidiMessage) -> None:
        take(bytes(message.bytes()))

    try:
        return backend.open_input(name, virtual=virtual, callback=heard)
    except (OSError, RuntimeError) as fault:
        raise UserError(
            f"can't open MIDI input '{name}' ({fault})", remedy="close what else uses it"
        ) from fault


def _matched(name: str, names: list[str], kind: str) -> str:
    # Some systems put a program's name before it: then it must be in one name alone.
    begins = [item for item in names if item.startswith(name)]
    holds = [item for item in names if name in item]
    found = begins or (holds if len(holds) == 1 else [])
    if not found:
        there = ", ".join(f"'{item}'" for item in names) or "none here"
        raise UserError(
            f"no MIDI {kind} '{name}'",
            remedy=f"there are: {there}; or make a virtual one of that name",
        )
    return name if name in found else found[0]


def _backend() -> _Backend:
    import mido

    named = os.environ.get("MIDO_BACKEND", "")
    try:
        backend: _Backend = mido.Backend(named if named.startswith(RTMIDI) else RTMIDI, load=True)
        backend.get_output_names()
    except ModuleNotFoundError as fault:
        raise UserError("live MIDI needs the package python-rtmidi", remedy=INSTALL) from fault
    # An ImportError names a library of the system that it lacks, as ALSA's on a bare Linux.
    except (ImportError, OSError, RuntimeError, SystemError) as fault:
        raise UserError(
            f"this computer offers no MIDI ({fault})",
            remedy="write a file with callresp export instead",
        ) from fault
    return backend
