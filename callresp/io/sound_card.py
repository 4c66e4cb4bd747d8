"""Sound cards: how a user names one, and the package that reaches them.

Listening and playing by hand share them.
"""

from __future__ import annotations

from types import ModuleType

from callresp.errors import UserError


def device_named(text: str | None) -> str | int | None:
    """A sound card as a user names it: by number, by name, or `None` for the system's own."""
    return int(text) if text is not None and text.isdigit() else text


def portaudio(otherwise: str) -> ModuleType:
    """The package of sound cards, which finds no PortAudio on many a Linux.

    Parameters
    ----------
    otherwise
        What to do without a sound card.

    Returns
    -------
    ModuleType
        ``sounddevice``.

    Raises
    ------
    UserError
        Where it or PortAudio is missing.
    """
    try:
        import sounddevice
    except ImportError:
        raise UserError(
            "no way to a sound card here: the package sounddevice is missing, as where callresp was"
            " brought up to date without its set-up",
            remedy=f"set it up again (pip install sounddevice), or {otherwise}",
        ) from None
    except OSError:
        raise UserError(
            "no way to a sound card here: the system's library PortAudio is missing",
            remedy=f"install it (on Debian: sudo apt install libportaudio2), or {otherwise}",
        ) from None
    found: ModuleType = sounddevice
    return found
