"""Key numbers, pitch bend and the MIDI Tuning Standard.

Sources
-------
- Equal temperament: f = 440 Hz · 2^((n - 69) / 12), A4 = 440 Hz = note 69
  (MIDI Tuning Standard, frequency data format; ISO 16:1975 for 440 Hz).
- Single note tuning change, real time (Complete MIDI 1.0 Detailed
  Specification, MIDI Tuning): ``F0 7F dd 08 02 tt ll (kk xx yy zz)… F7``, where
  xx is a semitone and yy zz a 14-bit fraction of 100 / 16384 cents;
  ``7F 7F 7F`` is reserved for "no change".
- Pitch bend: 14 bits, 8192 in the middle; its range by registered parameter 0
  (semitones by data entry MSB, cents by LSB).
"""

from __future__ import annotations

import math
from collections.abc import Iterable

A4_HZ = 440.0
A4_KEY = 69
BEND_MIDDLE = 8192
MTS_STEPS = 16384


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


def frequency_data(hz: float) -> tuple[int, int, int]:
    """The three bytes xx yy zz of a frequency.

    Examples
    --------
    >>> bytes(frequency_data(440.0)).hex(" ")
    '45 00 00'
    """
    steps = round(key_of(hz) * MTS_STEPS)
    # 7F 7F 7F would say "no change".
    steps = min(max(steps, 0), 128 * MTS_STEPS - 2)
    return steps >> 14, (steps >> 7) & 0x7F, steps & 0x7F


def tuning_change(
    keys: Iterable[tuple[int, float]], program: int = 0, device: int = 0x7F
) -> tuple[int, ...]:
    """Body of a single note tuning change (between F0 and F7) for (key, hz) pairs.

    Examples
    --------
    >>> bytes(tuning_change([(69, 440.0)])).hex(" ")
    '7f 7f 08 02 00 01 45 45 00 00'
    """
    pairs = list(keys)
    if not 0 < len(pairs) < 128:
        raise ValueError(f"a tuning change holds 1 to 127 keys, not {len(pairs)}")
    changes = [byte for key, hz in pairs for byte in (key, *frequency_data(hz))]
    return (0x7F, device, 0x08, 0x02, program, len(pairs), *changes)
