"""From a plan's commands to messages: seconds to ticks, shares to bytes."""

from __future__ import annotations

import math

from callresp.link.messages import TICKS_PER_S, HoldAt, LightAt, StrikeAt, Timed, TurnAt
from callresp.link.outputs import PULSES_PER_S, SPEEDS_PER_RPS
from callresp.plan.model import Command, Hold, Light, Strike

LONGEST_PULSE_MS = 65535 / PULSES_PER_S * 1000


def encode(command: Command, sequence: int, at: int) -> Timed:
    """The message of a command; lengths are rounded down, so that no limit is passed.

    Parameters
    ----------
    command
        Of a checked plan.
    sequence
        0 to 255.
    at
        When, in ticks of the board's clock.
    """
    if isinstance(command, Strike):
        pulse = max(math.floor(command.pulse_ms / 1000 * PULSES_PER_S + 1e-6), 1)
        return StrikeAt(sequence, command.channel, at, pulse)
    if isinstance(command, Hold):
        length = max(math.floor(command.hold_ms / 1000 * TICKS_PER_S), 1)
        pull = min(math.floor(command.pull_ms / 1000 * TICKS_PER_S), length, 65535)
        return HoldAt(sequence, command.channel, at, length, pull, int(command.hold_duty * 255))
    if isinstance(command, Light):
        return LightAt(sequence, command.channel, at, round(command.level * 255))
    length = max(math.floor(command.run_ms / 1000 * TICKS_PER_S), 1)
    speed = round(command.speed_rps * SPEEDS_PER_RPS)
    return TurnAt(sequence, command.channel, at, length, speed)
