"""What is said on the line: plain values, checked when made.

Conventions
-----------
- Numbers are little-endian. Times are *ticks* of 0.1 ms in 32 bits, which wrap
  after almost five days and are compared by their signed difference.
- Every command carries its own end, and a sequence number of 8 bits.
- The host says hello with its protocol version; the board answers with its
  own, its channels, its buffer, the silence after which it lets go, its lights
  and its mode. Greeted in another version it answers all the same, so that the
  host can say so, and takes no command.
"""

from __future__ import annotations

import struct
from typing import ClassVar, Self

import msgspec

VERSION = 2
TICKS_PER_S = 10_000
WRAP = 1 << 32


def ticks_of(seconds: float) -> int:
    """Seconds as wrapped ticks."""
    return round(seconds * TICKS_PER_S) % WRAP


def ticks_between(earlier: int, later: int) -> int:
    """Signed difference of two wrapped times, in ticks.

    Examples
    --------
    >>> ticks_between(WRAP - 5, 5)
    10
    >>> ticks_between(5, WRAP - 5)
    -10
    """
    return (later - earlier + WRAP // 2) % WRAP - WRAP // 2


class Message(msgspec.Struct, frozen=True):
    """One message; subclasses give its kind byte and the layout after it."""

    kind: ClassVar[int]
    layout: ClassVar[struct.Struct]

    def pack(self) -> bytes:
        """As bytes, the kind first."""
        return bytes([self.kind]) + self.layout.pack(*msgspec.structs.astuple(self))

    @classmethod
    def unpack(cls, body: bytes) -> Self:
        """From the bytes after the kind."""
        return cls(*cls.layout.unpack(body))


class Hello(Message, frozen=True):
    """Host: who are you? Another `session` than before starts anew."""

    kind = 0x01
    layout = struct.Struct("<BH")
    version: int
    session: int


class HelloAck(Message, frozen=True):
    """Board: this is me. `restarts` counts its own starts, to tell a reset.

    `mode` is 1 in a dry run, when its lights show what its coils would do.
    """

    kind = 0x81
    layout = struct.Struct("<BHBBBBHHBB")
    version: int
    session: int
    firmware: int
    coils: int
    motors: int
    buffer: int
    silence_ms: int
    restarts: int
    lights: int = 1
    mode: int = 0


class TimeRequest(Message, frozen=True):
    """Host: what time is it? Also the heartbeat."""

    kind = 0x02
    layout = struct.Struct("<I")
    host_ticks: int


class TimeReply(Message, frozen=True):
    """Board: the time, with the host's stamp returned, and the session that it is in.

    After a reset that is none, 0: so the host learns of it at the next heartbeat.
    """

    kind = 0x82
    layout = struct.Struct("<IIH")
    host_ticks: int
    board_ticks: int
    session: int


class StrikeAt(Message, frozen=True):
    """Host: pulse a coil at `at`, for `pulse` hundredths of a millisecond."""

    kind = 0x10
    layout = struct.Struct("<BBIH")
    sequence: int
    channel: int
    at: int
    pulse: int


class HoldAt(Message, frozen=True):
    """Host: hold a coil from `at`, for `length` ticks.

    Full power for `pull` ticks first, then `duty` of 255 of it.
    """

    kind = 0x11
    layout = struct.Struct("<BBIIHB")
    sequence: int
    channel: int
    at: int
    length: int
    pull: int
    duty: int


class TurnAt(Message, frozen=True):
    """Host: run a motor from `at` for `length` ticks, at `speed` hundredths of rev/s."""

    kind = 0x12
    layout = struct.Struct("<BBIIH")
    sequence: int
    channel: int
    at: int
    length: int
    speed: int


class LightAt(Message, frozen=True):
    """Host: from `at` on, light number `channel` shines at `level` of 255; 0 is dark.

    Light 0 is the board's status light. A light is no danger, so this command
    alone has no end: dark stays dark, through stop and silence, until the
    board starts anew.
    """

    kind = 0x13
    layout = struct.Struct("<BBIB")
    sequence: int
    channel: int
    at: int
    level: int


class Acknowledge(Message, frozen=True):
    """Board: has all before `expected`, and those beyond whose bits are set; room for `credit`."""

    kind = 0x83
    layout = struct.Struct("<BIB")
    expected: int
    beyond: int
    credit: int


class Done(Message, frozen=True):
    """Board: what became of a command: `at` is when, `outcome` one of those below."""

    kind = 0x84
    layout = struct.Struct("<BIB")
    sequence: int
    at: int
    outcome: int


class Cancel(Message, frozen=True):
    """Host: forget what waits; what sounds goes on to its own end.

    Obeyed whenever it comes: `sequence` counts for nothing.
    """

    kind = 0x03
    layout = struct.Struct("<B")
    sequence: int


class Stop(Message, frozen=True):
    """Host: forget all, release every coil, stop every motor, now.

    Obeyed whenever it comes: `sequence` counts for nothing.
    """

    kind = 0x04
    layout = struct.Struct("<B")
    sequence: int


class Status(Message, frozen=True):
    """Board: how it is. `faults` is a set of bits, see below.

    `temperature_c` is the board's own; `hottest_c` that of its warmest coil, as
    it reckons it.
    """

    kind = 0x85
    layout = struct.Struct("<HbhHHB")
    millivolts: int
    temperature_c: int
    hottest_c: int
    executed: int
    refused: int
    faults: int


class SleepFor(Message, frozen=True):
    """Host: in `after_s` seconds sleep for `seconds`; until then release everything.

    The session ends with it. A greeting before it sleeps calls it off, one that comes while it
    sleeps wakes it; 0 seconds ask for nothing.
    """

    kind = 0x05
    layout = struct.Struct("<IH")
    seconds: int
    after_s: int


class Sleeping(Message, frozen=True):
    """Board: what it will do of what `SleepFor` asked; 0 seconds where it can't sleep."""

    kind = 0x86
    layout = struct.Struct("<IH")
    seconds: int
    after_s: int


class Sensed(Message, frozen=True):
    """Board: what its sensors read; the highest number of a field where there is none.

    Light in lux, air in hundredths of a degree Celsius, relative humidity in percent, rain 1
    or 0.
    """

    kind = 0x87
    layout = struct.Struct("<IhBB")
    lux: int
    air_centi_c: int
    humidity_pct: int
    rain: int

    @property
    def known(self) -> SensorReadings:
        """In units, `None` for what there is no sensor of."""
        return SensorReadings(
            lux=None if self.lux == NO_LUX else self.lux,
            air_c=None if self.air_centi_c == NO_AIR else self.air_centi_c / 100,
            humidity_pct=None if self.humidity_pct == NO_BYTE else self.humidity_pct,
            rain=None if self.rain == NO_BYTE else self.rain == 1,
        )


class SensorReadings(msgspec.Struct, frozen=True, kw_only=True):
    """Light, air and rain at the board; `None` where nothing tells."""

    lux: int | None = None
    air_c: float | None = None
    humidity_pct: int | None = None
    rain: bool | None = None


# What stands for no reading.
NO_LUX, NO_AIR, NO_BYTE = 0xFFFFFFFF, 0x7FFF, 0xFF
# The longest that a board sleeps, and waits before, in seconds.
SLEEP_MOST_S, SLEEP_AFTER_MOST_S = 172_800, 600
# Boards of an older firmware speak the same version, but know no sleep.
SLEEPS_SINCE_FIRMWARE = 4

OUTCOMES = ("executed", "late", "over a limit", "no such channel", "cancelled")
FAULTS = (
    "low voltage",
    "silence from the host",
    "too hot",
    "line damaged",
    "rain",
    "stop pressed",
    "motor jammed",
    # Some coil had, as far as the board knows, all of its cycle when it started.
    "coils resting",
)
# What "coils resting" means to who waits for it.
COILS_REST = "the board does not know what its coils had before it started: they rest first"
Timed = StrikeAt | HoldAt | TurnAt | LightAt
DRY_RUN = 1

_FROM_HOST = (Hello, TimeRequest, StrikeAt, HoldAt, TurnAt, LightAt, Cancel, Stop, SleepFor)
_FROM_BOARD = (HelloAck, TimeReply, Acknowledge, Done, Status, Sleeping, Sensed)
_KINDS: dict[int, type[Message]] = {kind.kind: kind for kind in (*_FROM_HOST, *_FROM_BOARD)}


def parse(payload: bytes) -> Message | None:
    """The message in a payload; `None` where there is no such kind or length."""
    kind = _KINDS.get(payload[0]) if payload else None
    if kind is None or len(payload) - 1 != kind.layout.size:
        return None
    return kind.unpack(payload[1:])
