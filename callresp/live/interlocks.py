"""When the machine must not play: limits of the board and the day, each with its reason.

Conventions
-----------
- A reason is a plain text; `None` means that it may play.
- The battery stops it for good: a battery that has rested for a minute shows
  more volts, and is as empty as before.
- Heat and rain stop it until they have gone, with some to spare, so that it
  does not start and stop all the time.
- Several interlocks may be set at once; the gravest is the one that is reported.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal

from callresp.io.wording import counted
from callresp.link.messages import COILS_REST
from callresp.live.actions import BoardState
from callresp.palette.model import Palette

# A strike pulls the voltage down for some milliseconds: only what stays down counts.
LOW_FOR_S = 3.0
COOLED_K = 10.0
DRY_FOR_S = 600.0
# Warmer than most electronics and plastics should be (common practice, no source).
TEMPERATURE_MAX_C = 85.0


@dataclass(frozen=True, slots=True)
class StopLimits:
    """What stops it; `None` where there is no such limit."""

    supply_min_v: float | None = None
    temperature_max_c: float = TEMPERATURE_MAX_C
    strikes_max: int | None = None
    energy_max_j: float | None = None


def limits_of(palette: Palette) -> StopLimits:
    """The limits that a palette itself gives."""
    cutoff_v = palette.supply.cutoff_v
    return StopLimits(supply_min_v=cutoff_v if cutoff_v > 0 else None)


class StopRules:
    """Holds what the board reports, and what was played, against the limits.

    Examples
    --------
    >>> rules = StopRules(StopLimits(temperature_max_c=80))
    >>> rules.judge(BoardState(coil_c=81.0), 0.0, 0, 0.0)
    '81 °C, above the limit of 80 °C: it waits until it has cooled to 70 °C'
    >>> rules.judge(BoardState(coil_c=75.0), 60.0, 0, 0.0) is None
    False
    >>> rules.judge(BoardState(coil_c=70.0), 120.0, 0, 0.0) is None
    True
    >>> rules.judge(BoardState(faults=("coils resting",)), 180.0, 0, 0.0)
    'the board does not know what its coils had before it started: they rest first'
    """

    def __init__(self, limits: StopLimits) -> None:
        self.limits = limits
        self.for_good: str | None = None
        self._low_since_s: float | None = None
        self._hot: str | None = None
        self._rained_s: float | None = None

    def judge(self, board: BoardState, now_s: float, strikes: int, energy_j: float) -> str | None:
        """Why it must not play now, or `None`."""
        self.for_good = (
            self.for_good
            or self._battery(board, now_s)
            or self._used_up(strikes, energy_j)
            or self._by_hand(board)
        )
        return self.for_good or self._rest(board) or self._heat(board) or self._rain(board, now_s)

    def _battery(self, board: BoardState, now_s: float) -> str | None:
        least_v = self.limits.supply_min_v
        low = "low voltage" in board.faults
        if least_v is not None and board.supply_v is not None:
            low = low or board.supply_v < least_v
        if not low:
            self._low_since_s = None
            return None
        if self._low_since_s is None:
            self._low_since_s = now_s
        if now_s - self._low_since_s < LOW_FOR_S:
            return None
        volts = "" if board.supply_v is None else f" ({board.supply_v:.1f} V)"
        return f"the battery is at its limit{volts}: it plays no more, and listens on"

    def _used_up(self, strikes: int, energy_j: float) -> str | None:
        limits = self.limits
        if limits.strikes_max is not None and strikes >= limits.strikes_max:
            played = counted(strikes, "strike")
            return f"{played}, as many as were allowed: it plays no more, and listens on"
        if limits.energy_max_j is not None and energy_j >= limits.energy_max_j:
            return f"{energy_j:.0f} J, as much as was allowed: it plays no more, and listens on"
        return None

    def _by_hand(self, board: BoardState) -> str | None:
        if "stop pressed" in board.faults:
            return "the stop on the board was pressed: it plays no more until it is started again"
        return None

    def _rest(self, board: BoardState) -> str | None:
        if "coils resting" in board.faults:
            return COILS_REST
        return None

    def _heat(self, board: BoardState) -> str | None:
        known = [c for c in (board.coil_c, board.board_c) if c is not None]
        if not known:
            return self._hot
        limit_c, now_c = self.limits.temperature_max_c, max(known)
        if now_c > limit_c or "too hot" in board.faults:
            self._hot = (
                f"{now_c:.0f} °C, above the limit of {limit_c:g} °C: it waits until it has"
                f" cooled to {limit_c - COOLED_K:g} °C"
            )
        elif now_c <= limit_c - COOLED_K:
            self._hot = None
        return self._hot

    def _rain(self, board: BoardState, now_s: float) -> str | None:
        if "rain" in board.faults:
            self._rained_s = now_s
        if self._rained_s is None or now_s - self._rained_s > DRY_FOR_S:
            self._rained_s = None
            return None
        return f"it rains: it waits until it has been dry for {DRY_FOR_S / 60:g} min"


STEP_MIN_S = 2.0


class WallClockMonitor:
    """Notices when the time of day is set while we run.

    Nothing that is played hangs on the wall's clock; the hours of the day do.
    """

    def __init__(self, wall: Callable[[], datetime], steady_s: Callable[[], float]) -> None:
        self._wall = wall
        self._steady_s = steady_s
        self._ahead_s = self._now_s()

    def _now_s(self) -> float:
        wall = self._wall()
        if wall.tzinfo is None:
            # A recorder's clock goes on as it was set, also where the clocks here are put back.
            wall = wall.replace(tzinfo=UTC)
        return wall.timestamp() - self._steady_s()

    def step_s(self) -> float | None:
        """By how much the clock was set since this was last asked; `None` if it was not."""
        ahead_s = self._now_s()
        step_s, self._ahead_s = ahead_s - self._ahead_s, ahead_s
        return step_s if abs(step_s) >= STEP_MIN_S else None


MachineState = Literal["asleep", "awake", "stopped", "standing down"]
# The gravest first: that one is told.
ORDER = ("stopped", "battery", "limits", "asleep", "muted", "sound", "loop", "link")


class Interlocks:
    """The interlocks that are set.

    Examples
    --------
    >>> interlocks = Interlocks()
    >>> interlocks.put("link", "the board is away")
    True
    >>> interlocks.why, interlocks.state
    ('the board is away', 'standing down')
    >>> interlocks.put("link", None), interlocks.why, interlocks.state
    (True, None, 'awake')
    """

    def __init__(self) -> None:
        self._set: dict[str, str] = {}

    def put(self, name: str, why: str | None) -> bool:
        """Set an interlock, or (`None`) clear it; returns whether that changes anything."""
        if name not in ORDER:
            raise ValueError(f"there is no interlock '{name}'")
        was_set = name in self._set
        if why is None:
            self._set.pop(name, None)
            return was_set
        self._set[name] = why
        return not was_set

    def has(self, name: str) -> bool:
        """Whether an interlock is set."""
        return name in self._set

    @property
    def why(self) -> str | None:
        """The gravest reason, or `None`."""
        return next((self._set[name] for name in ORDER if name in self._set), None)

    @property
    def state(self) -> MachineState:
        """The state of the machine in the log's words."""
        if not self._set:
            return "awake"
        gravest = next(name for name in ORDER if name in self._set)
        if gravest in ("stopped", "battery", "limits"):
            return "stopped"
        return "asleep" if gravest == "asleep" else "standing down"
