"""The palette: what the machine plays on, and the limits that it must keep.

One frozen value that says how each striker and turner sounds, how it is driven
and what its limits are. It mirrors the palette's TOML file key by key; every key
carries its unit and every number its allowed range.

Conventions
-----------
- Levels of strikers are dB SPL at 1 m.
- T60 is the time in which a sound falls by 60 dB.
- A coil's `on_max_ms` is the longest single on-time; `duty_max` the largest
  share of any `cycle_s` window that it may be on (relative on-time, as solenoid
  data sheets state it: on-time over on-time and pause).
- Resistances are at 20 °C. Copper's rises by 0.393 % per kelvin (IEC 60028), so a
  cold coil draws more: currents are reckoned at `coldest_c`.
- A damper is *lifted* by power or *pressed* by power, as its `rest` says:
  `lift_ms` is how long power takes to move it, `fall_ms` how long its spring
  takes to bring it back.
- Partials are counted from the strike pitch, `pitch_hz`, which the ear hears.
  Free bars and short free tubes: mode 1, then 2.756, 5.404 and 8.933 times it.
  Long tubes hung as chimes: an octave below mode 4, since modes 4, 5 and 6 lie
  near 2 : 3 : 4. Church bells: the prime, an octave below the nominal, with hum,
  tierce and quint near 0.5, 1.2 and 1.5. Small bells and plates: whichever
  partial the ear picks, most often the loudest. Blocks and boxes have no pitch:
  give `base_hz`, their lowest mode, to count from.
  (Fletcher & Rossing, The Physics of Musical Instruments, ch. 2, 19 and 21.)
"""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from callresp.palette.pins import BoardPins, ChipName

Share = Annotated[float, Meta(ge=0.0, le=1.0)]
Hertz = Annotated[float, Meta(ge=20.0, le=20000.0)]
Ms = Annotated[float, Meta(ge=0.0, le=10000.0)]
Seconds = Annotated[float, Meta(ge=0.001, le=120.0)]
CURRENT_MAX_A = 100.0  # of a supply or a driver
Amps = Annotated[float, Meta(ge=0.0, le=CURRENT_MAX_A)]
Channel = Annotated[int, Meta(ge=0, le=63)]
LevelDb = Annotated[float, Meta(ge=0.0, le=140.0)]
RelativeDb = Annotated[float, Meta(ge=-120.0, le=20.0)]
Name = Annotated[str, Meta(min_length=1, max_length=40)]


# Copper at 20 °C (IEC 60028:1925).
COPPER_PER_K = 0.00393
# Where a palette gives no `coldest_c`: a frosty night outdoors. Common practice, no source.
COLDEST_C = -20.0
# Voltage of a full battery over its nominal one: 12.8 of 12 V at rest, 4.2 of 3.6 V and 3.65 of
# 3.2 V a cell (the charging ends of both lithium chemistries; common practice, no source).
FULL_SHARE = {
    "lead-acid": 12.8 / 12.0,
    "lithium-ion": 4.2 / 3.6,
    "lithium-iron-phosphate": 3.65 / 3.2,
    "mains": 1.0,
}


class PaletteTable(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A table of a palette file."""


class Coil(PaletteTable, frozen=True):
    """One solenoid and its limits.

    `latency_ms` is from the start of the pulse to the stroke;
    `thermal_k_per_w` and `thermal_time_s` are the first-order model of its
    heating; `insulation` its class after IEC 60085.
    """

    channel: Channel
    resistance_ohm: Annotated[float, Meta(ge=0.1, le=1000.0)]
    on_max_ms: Annotated[float, Meta(ge=1.0, le=600000.0)]
    duty_max: Annotated[float, Meta(gt=0.0, le=1.0)] = 0.25
    cycle_s: Annotated[float, Meta(ge=0.1, le=600.0)] = 10.0
    thermal_k_per_w: Annotated[float, Meta(ge=0.1, le=200.0)] = 15.0
    thermal_time_s: Annotated[float, Meta(ge=1.0, le=7200.0)] = 300.0
    insulation: Literal["A", "E", "B", "F", "H"] = "B"

    def ohm_at(self, temperature_c: float) -> float:
        """Resistance of its copper at a temperature (IEC 60028).

        Examples
        --------
        >>> coil = Coil(channel=0, resistance_ohm=10.0, on_max_ms=50)
        >>> round(coil.ohm_at(120.0), 2), round(coil.ohm_at(-20.0), 2)
        (13.93, 8.43)
        """
        return self.resistance_ohm * (1 + COPPER_PER_K * (temperature_c - 20.0))


class ForcePoint(PaletteTable, frozen=True):
    """One point of the force curve: a pulse length and the level it gives."""

    pulse_ms: Annotated[float, Meta(gt=0.0, le=500.0)]
    level_db: LevelDb


class Partial(PaletteTable, frozen=True):
    """One partial of a striker's free sound, against its strike pitch."""

    ratio: Annotated[float, Meta(gt=0.0, le=100.0)]
    level_db: RelativeDb = 0.0
    t60_s: Seconds = 1.0


class Damper(PaletteTable, frozen=True):
    """A damper and its coil.

    `rest` says where the damper lies without power: "on" the striker or "off"
    it. `damped_t60_s` is the T60 of the strike pitch with the damper on;
    `pull_ms` at full power moves it, then `hold_duty` holds it; `noise_db` is
    its own noise.
    """

    coil: Coil
    lift_ms: Ms
    fall_ms: Ms
    damped_t60_s: Seconds
    rest: Literal["on", "off"] = "on"
    pull_ms: Ms = 30.0
    hold_duty: Share = 0.3
    noise_db: LevelDb = 0.0


class Striker(PaletteTable, frozen=True):
    """A bell, bar, tube, block or box with its coil and perhaps a damper.

    `pitch_hz` is the strike pitch, absent where the sound has none;
    `band_hz` is where its energy lies, for masking and for unpitched replies.
    `restrike_ms` is the shortest time between two clean strokes. `force` rises
    in both columns, softest first.
    """

    name: Name
    kind: Literal["tube", "bar", "bell", "plate", "block", "box"]
    coil: Coil
    latency_ms: Ms
    restrike_ms: Annotated[float, Meta(ge=10.0, le=10000.0)]
    force: Annotated[tuple[ForcePoint, ...], Meta(min_length=1)]
    partials: Annotated[tuple[Partial, ...], Meta(min_length=1)]
    pitch_hz: Hertz | None = None
    base_hz: Hertz | None = None
    band_hz: tuple[Hertz, Hertz] | None = None
    latency_spread_ms: Ms = 0.5
    damper: Damper | None = None

    @property
    def reference_hz(self) -> float:
        """Frequency that the partials' ratios are counted from."""
        if self.pitch_hz is not None:
            return self.pitch_hz
        assert self.base_hz is not None
        return self.base_hz

    @property
    def t60_s(self) -> float:
        """T60 of the free sound: that of the partial that rings longest."""
        return max(partial.t60_s for partial in self.partials)

    def __post_init__(self) -> None:
        if self.pitch_hz is None and self.base_hz is None:
            raise ValueError(
                "give pitch_hz, or base_hz (which partials count from) if it has no pitch"
            )
        pulses = [point.pulse_ms for point in self.force]
        levels = [point.level_db for point in self.force]
        if pulses != sorted(set(pulses)) or levels != sorted(levels):
            raise ValueError("force must rise in pulse_ms and level_db, softest first")
        if pulses[-1] > self.coil.on_max_ms:
            raise ValueError(
                f"force asks for {pulses[-1]} ms, over its coil's on_max_ms {self.coil.on_max_ms}"
            )


class Turner(PaletteTable, frozen=True):
    """A motor-driven shaker or wound movement.

    Speeds are revolutions a second at the sounding shaft. A wound movement
    has `store_turns`, the turns it can unwind before it must be wound.
    """

    name: Name
    kind: Literal["shaker", "wound", "fan"]
    channel: Channel
    slowest_rps: Annotated[float, Meta(gt=0.0, le=100.0)]
    fastest_rps: Annotated[float, Meta(gt=0.0, le=100.0)]
    spin_up_s: Seconds
    slow_down_s: Seconds
    current_a: Amps
    start_current_a: Amps
    level_min_db: LevelDb = 40.0
    level_max_db: LevelDb = 60.0
    grains_per_rev: Annotated[float, Meta(ge=1.0, le=1000.0)] = 60.0
    band_hz: tuple[Hertz, Hertz] = (2000.0, 9000.0)
    counts_per_rev: Annotated[int, Meta(ge=1, le=100000)] = 360
    run_max_s: Annotated[float, Meta(ge=0.1, le=86400.0)] = 600.0
    store_turns: Annotated[float, Meta(gt=0.0, le=1e6)] | None = None

    def __post_init__(self) -> None:
        if self.fastest_rps < self.slowest_rps:
            raise ValueError("fastest_rps lies below slowest_rps")


class Driver(PaletteTable, frozen=True):
    """A group of channels that share one driver and its current limit."""

    name: Name
    channels: Annotated[tuple[Channel, ...], Meta(min_length=1)]
    current_max_a: Annotated[float, Meta(gt=0.0, le=CURRENT_MAX_A)]


class Supply(PaletteTable, frozen=True):
    """What feeds the machine.

    `capacity_ah` is at the `rated_h`-hour rate and 25 °C; `peukert` the exponent
    of Peukert's law (1 for lithium cells); `charge` the share of it that is left
    at the start. `cutoff_v` stops the machine. `full_v` is the highest voltage
    that the coils will ever have: that of a full battery, or of its charger where
    one stays connected. Heat and current are judged by it.
    """

    chemistry: Literal["lead-acid", "lithium-ion", "lithium-iron-phosphate", "mains"]
    nominal_v: Annotated[float, Meta(ge=3.0, le=60.0)]
    current_max_a: Annotated[float, Meta(gt=0.0, le=CURRENT_MAX_A)]
    capacity_ah: Annotated[float, Meta(gt=0.0, le=1000.0)] = 1e3
    rated_h: Annotated[float, Meta(ge=0.1, le=100.0)] = 20.0
    peukert: Annotated[float, Meta(ge=1.0, le=2.0)] = 1.0
    internal_ohm: Annotated[float, Meta(ge=0.0, le=10.0)] = 0.05
    cutoff_v: Annotated[float, Meta(ge=0.0, le=60.0)] = 0.0
    full_v: Annotated[float, Meta(ge=3.0, le=80.0)] | None = None
    charge: Annotated[float, Meta(gt=0.0, le=1.0)] = 1.0

    @property
    def highest_v(self) -> float:
        """`full_v`, or what a full, rested battery of that chemistry has."""
        if self.full_v is not None:
            return self.full_v
        return self.nominal_v * FULL_SHARE[self.chemistry]


class Board(PaletteTable, frozen=True):
    """The microcontroller board. `lights` counts its lamps; the first is its status light.

    `chip` and `pins` are for those who make its firmware and its wiring.
    """

    name: Name
    coil_channels: Annotated[int, Meta(ge=1, le=64)]
    motor_channels: Annotated[int, Meta(ge=0, le=16)]
    idle_current_a: Amps = 0.05
    buffer: Annotated[int, Meta(ge=4, le=1024)] = 64
    silence_ms: Annotated[float, Meta(ge=50.0, le=250.0)] = 200.0
    lights: Annotated[int, Meta(ge=0, le=32)] = 1
    chip: ChipName | None = None
    pins: BoardPins | None = None


class MidiKey(PaletteTable, frozen=True):
    """What MIDI keys play, by hand or out of a file; what is left out stands for any.

    `plays` names a striker or a turner, `channel` counts from 1 as on the
    instruments themselves, `track` is the name of a track in a file.
    """

    plays: Name
    key: Annotated[int, Meta(ge=0, le=127)] | None = None
    channel: Annotated[int, Meta(ge=1, le=16)] | None = None
    track: str = ""


class Palette(PaletteTable, frozen=True):
    """The whole machine. Coils and motors are numbered apart.

    `ambient_c` is the temperature of the air while it plays: coils start at it,
    and a cold battery gives less. `coldest_c` is the lowest temperature that its
    coils will ever have: a cold coil draws the most current, so drivers and
    supply are judged by it. `midi` says what single MIDI keys play; what it does
    not name is found by pitch.
    """

    name: Name
    board: Board
    supply: Supply
    driver: Annotated[tuple[Driver, ...], Meta(min_length=1)]
    striker: tuple[Striker, ...] = ()
    turner: tuple[Turner, ...] = ()
    description: str = ""
    ambient_c: Annotated[float, Meta(ge=-40.0, le=60.0)] = 20.0
    distance_m: Annotated[float, Meta(ge=0.1, le=200.0)] = 5.0
    coldest_c: Annotated[float, Meta(ge=-40.0, le=60.0)] | None = None
    midi: tuple[MidiKey, ...] = ()

    @property
    def coldest_copper_c(self) -> float:
        """`coldest_c`, or a careful guess: a frosty night, or `ambient_c` where that is colder."""
        return min(COLDEST_C, self.ambient_c) if self.coldest_c is None else self.coldest_c

    def striker_named(self, name: str) -> Striker | None:
        """The striker of that name, or `None`."""
        return next((item for item in self.striker if item.name == name), None)

    def strike_pitch_hz(self, name: str) -> float | None:
        """The strike pitch of a striker by its name; `None` where either is missing."""
        striker = self.striker_named(name)
        return None if striker is None else striker.pitch_hz

    def turner_named(self, name: str) -> Turner | None:
        """The turner of that name, or `None`."""
        return next((item for item in self.turner if item.name == name), None)

    def coils(self) -> dict[int, Coil]:
        """Every coil by its channel."""
        found = {}
        for item in self.striker:
            found[item.coil.channel] = item.coil
            if item.damper is not None:
                found[item.damper.coil.channel] = item.damper.coil
        return found
