"""Key numbers and pitch bend.

Sources
-------
- Equal temperament: f = 440 Hz · 2^((n - 69) / 12), A4 = 440 Hz = note 69
  (MIDI Tuning Standard, frequency data format; ISO 16:1975 for 440 Hz).
- Pitch bend: 14 bits, 8192 in the middle; its range by registered parameter 0
  (semitones by data entry MSB, cents by LSB).
"""

from __future__ import annotations

import math

A4_HZ = 440.0
A4_KEY = 69
BEND_MIDDLE = 8192


def key_of(hz: float) -> float:
    """Key number of a frequency, with its fraction.

    Examples
    --------
    >>> key_of(440.0)
    69.0
    >>> round(key_of(261.6256), 4)
    60.0
    """
    return A4_KEY + 12 * math.log2(hz / A4_HZ)


def hz_of(key: float) -> float:
    """Frequency of a key number.

    Examples
    --------
    >>> round(hz_of(60), 4)
    261.6256
    """
    return float(A4_HZ * 2 ** ((key - A4_KEY) / 12))


def nearest_key(hz: float) -> int:
    """The nearest key of 0 to 127."""
    return min(max(round(key_of(hz)), 0), 127)


def bend_for(hz: float, key: int, range_semitones: float) -> int:
    """Pitch bend of -8192 to 8191 that takes `key` to `hz`, as far as the range goes.

    Examples
    --------
    >>> bend_for(440.0, 69, 2)
    0
    >>> bend_for(hz_of(70), 69, 2)
    4096
    """
    steps = (key_of(hz) - key) / range_semitones * BEND_MIDDLE
    return min(max(round(steps), -BEND_MIDDLE), BEND_MIDDLE - 1)
