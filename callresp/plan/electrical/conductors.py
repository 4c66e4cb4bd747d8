"""Wires and fuses from published tables, and the rule that holds them together.

Sources
-------
- Nominal sections: IEC 60228, class 5 (flexible), plain copper.
- Currents and voltage drops: BS 7671, tables 4F3A and 4F3B, flexible cords with
  60 °C insulation, direct current, at 30 °C; for warmer air its rating factors.
- Fuse ratings: IEC 60127-1, annex A: the R10 series. A time-lag (T) link of IEC
  60127-2, sheet 3, carries 1.5 times its rating for an hour and opens at 2.1 times
  within two minutes; at ten times it takes 20 ms at least (from memory). Blade
  fuses above 10 A: ISO 8820-3 (from memory).
- A fuse protects a wire when ``In <= Iz`` and ``I2 <= 1.45 Iz`` (IEC 60364-4-43,
  433.1), I2 being the current at which it surely opens.
- Gauge numbers: ASTM B258, ``d = 0.127 mm * 92^((36 - n) / 39)``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from callresp.errors import UserError


@dataclass(frozen=True, slots=True)
class Conductor:
    """A size of wire: section, what it carries, and what it drops."""

    mm2: float
    carries_a: float
    drop_mv_per_a_m: float

    @property
    def awg(self) -> int:
        """The thinnest even gauge that is no thinner than this."""
        return awg_of(self.mm2)


CONDUCTORS = (
    Conductor(0.5, 3.0, 93.0),
    Conductor(0.75, 6.0, 62.0),
    Conductor(1.0, 10.0, 46.0),
    Conductor(1.5, 16.0, 32.0),
    Conductor(2.5, 25.0, 19.0),
    Conductor(4.0, 32.0, 12.0),
)
# Temperature of the air up to which a rating factor holds (BS 7671, 60 °C insulation).
WARM_AIR = ((30.0, 1.0), (35.0, 0.91), (40.0, 0.82), (45.0, 0.71), (50.0, 0.58), (55.0, 0.41))
R10 = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)
# Cartridge links have R10 ratings up to 10 A; blade fuses go on from there.
FUSES_A = (
    *(round(step * 10.0**power, 6) for power in (-2, -1, 0) for step in R10),
    10.0,
    15.0,
    20.0,
)
SMALLEST_FUSE_A = 0.04
CARRIES_AN_HOUR, OPENS = 1.5, 2.1
# Of the melting integral, what strokes may use each time, so that the link does not age.
# Common practice, no source.
PULSE_SHARE = 0.25
TEN_TIMES_S = 0.020
# Common practice, no source: so much of the supply's voltage may be lost on the way to a coil.
DROP_SHARE = 0.03


def awg_of(mm2: float) -> int:
    """The thinnest even gauge whose section is at least `mm2`.

    Examples
    --------
    >>> awg_of(0.5), awg_of(1.0), awg_of(2.5)
    (20, 16, 12)
    """
    gauge = 40
    while math.pi / 4 * (0.127 * 92 ** ((36 - gauge) / 39)) ** 2 < mm2:
        gauge -= 2
    return gauge


def rating_factor(air_c: float) -> float:
    """What is left of a wire's current in air of a temperature.

    Raises
    ------
    UserError
        Above what the table tells.
    """
    for up_to_c, factor in WARM_AIR:
        if air_c <= up_to_c:
            return factor
    raise UserError(
        f"no wire with 60 °C insulation is rated for air of {air_c:g} °C",
        argument="hottest",
        remedy=f"allowed: up to {WARM_AIR[-1][0]:g}",
    )


def fuse_at_least(amps: float) -> float | None:
    """The smallest fuse rated for a current; `None` beyond all of them."""
    return next((a for a in FUSES_A if a >= max(amps, SMALLEST_FUSE_A) - 1e-9), None)


def fuse_up_to(amps: float) -> float:
    """The largest fuse that is no larger than a limit; the smallest one below them all."""
    fits = [a for a in FUSES_A if SMALLEST_FUSE_A <= a <= amps + 1e-9]
    return max(fits, default=SMALLEST_FUSE_A)


def fuse_for_pulses(amps: float, longest_s: float) -> float:
    """The rating (A) at which pulses of a current, far apart, do not age a time-lag fuse.

    Up to a tenth of a second they are judged by its melting integral, at least
    ``(10 In)² * 20 ms``, of which each may use `PULSE_SHARE`; up to 0.6 s it may
    carry twice its rating (2.75 times would be its bound); beyond, its rating.

    Examples
    --------
    >>> [round(fuse_for_pulses(2.0, longest_s), 3) for longest_s in (0.05, 0.5, 5.0)]
    [0.632, 1.0, 2.0]
    """
    if longest_s <= 0.1:
        return amps * math.sqrt(longest_s / (PULSE_SHARE * 100.0 * TEN_TIMES_S))
    return amps / 2.0 if longest_s <= 0.6 else amps


def conductor_for(
    fuse_a: float, peak_a: float, volts: float, length_m: float, air_c: float, where: str
) -> Conductor:
    """The thinnest wire that a fuse protects and that does not drop too much.

    Parameters
    ----------
    fuse_a
        The fuse before it.
    peak_a, volts
        The largest current, and the supply's voltage, for the drop.
    length_m
        From end to end, one way; the current comes back as far.
    air_c
        The warmest air around it.
    where
        What it leads to, for the message.

    Raises
    ------
    UserError
        When the tables end below what is needed.
    """
    factor = rating_factor(air_c)
    for size in CONDUCTORS:
        carries_a = size.carries_a * factor
        protected = fuse_a <= carries_a and OPENS * fuse_a <= 1.45 * carries_a
        drop_v = size.drop_mv_per_a_m / 1000 * peak_a * length_m
        if protected and drop_v <= DROP_SHARE * volts:
            return size
    raise UserError(
        f"a fuse of {fuse_a:g} A over {length_m:g} m needs a thicker wire than"
        f" {CONDUCTORS[-1].mm2:g} mm²",
        where=where,
        remedy="shorten it, divide the load, or ask someone who is licensed for such currents",
    )
