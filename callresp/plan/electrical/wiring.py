"""What to solder: for each channel of a palette its fuse, wire, transistor, diode and plug.

Currents are those that the plan reckons with: a coil draws most with a full battery
and its coldest copper, least when it is as hot as its insulation stands. Parts are
given by what they must stand, not by name.

Rules of thumb are those of common practice, without a source: transistors and
diodes for twice the highest voltage, transistors for three times the current and
half a watt at most, so that they need no heat sink.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from callresp.io.wording import counted
from callresp.palette.model import Coil, Palette, Turner
from callresp.palette.pins import BoardPins
from callresp.plan.electrical.conductors import (
    CARRIES_AN_HOUR,
    OPENS,
    conductor_for,
    fuse_at_least,
    fuse_for_pulses,
    fuse_up_to,
)
from callresp.plan.electrical.heat import CLASS_LIMIT_C, steady_rise_k
from callresp.plan.electrical.loads import LoadModel

LEAD_M, HOTTEST_C = 2.0, 40.0
FEED_M = 0.5
TRANSISTOR_V = (20, 30, 40, 60, 80, 100, 150, 200)
TRANSISTOR_A = (1, 2, 3, 5, 8, 12, 20, 30, 50, 80, 120, 200, 300)
DIODE_V = (20, 30, 40, 60, 100, 150, 200)
DIODE_A = (1, 2, 3, 5, 8, 10, 15, 20, 30, 60, 100)
PLUG_A = (2, 3, 5, 8, 10, 16, 24, 32)
MOST_W = 0.5
# A T fuse carries 2.75 times its rating for 0.6 s at least (IEC 60127-2, sheet 3; from memory).
STARTS, STARTS_S = 2.75, 0.6
STANDS = "the coil stands it"
OPENS_FUSE = "the fuse opens"
CUT_OUT = "needs a thermal cut-out"
SHORTED = (
    "If a transistor fails shorted: a fuse opens for certain at 2.1 times its rating. A coil draws"
    " less the hotter it is; where that is too little for its fuse, put a thermal cut-out on it,"
    " rated below its insulation's class."
)
SOURCES = (
    "wires: IEC 60228, class 5; currents and drops: BS 7671, tables 4F3A and 4F3B",
    "fuses: IEC 60127-1, annex A (R10), and 60127-2, time-lag; above 10 A ISO 8820-3 (from memory)",
    "fuse and wire together: IEC 60364-4-43, 433.1",
    "copper over temperature: IEC 60028; insulation classes: IEC 60085",
    "transistors, diodes, plugs, gate resistors: common practice, no source",
)
CAUTIONS = (
    "This page is reckoned from the palette, not from your machine. Have someone who is qualified"
    " look at it before a battery is connected; local codes and licensed practice go before it.",
    "Fuse the battery at its terminal, before anything else. A lead battery gives hundreds of"
    " amperes into a short; lithium cells need a protection board and burn when they are crushed.",
    "A fuse protects the wire, not the coil: see what each coil does if its transistor fails"
    " shorted.",
    "Check every channel with its coil unplugged, then with a dry run, then one coil at a time,"
    " hands and cloth away from what moves.",
    "Nothing here is for mains: whatever is wired to it is the work of licensed people.",
)


@dataclass(frozen=True, slots=True)
class ChannelWiring:
    """One channel: where it goes, what it draws, and what must stand it.

    Currents in ampere: with the coldest copper, with copper as hot as its class
    allows, and the root mean square at its limits, which heats the fuse.
    `shorted` says what becomes of a transistor that stays on.
    """

    channel: str
    name: str
    pin: str
    driver: str
    ohm_20c: float | None
    cold_a: float
    hot_a: float
    rms_a: float
    fuse_a: float
    wire_mm2: float
    wire_awg: int
    drop_v: float
    transistor: str
    diode: str
    plug: str
    shorted: str


@dataclass(frozen=True, slots=True)
class FeedWiring:
    """The feed of a group of channels, or of all: its limit, fuse and wire."""

    name: str
    channels: str
    limit_a: float
    fuse_a: float
    wire_mm2: float
    wire_awg: int


@dataclass(frozen=True, slots=True)
class CheckPoint:
    """Where to put the meter, when, and what it should say."""

    where: str
    when: str
    expect: str


@dataclass(frozen=True, slots=True)
class Wiring:
    """The whole page, as values."""

    palette: str
    board: str
    chip: str | None
    lead_m: float
    hottest_c: float
    coldest_c: float
    highest_v: float
    channels: tuple[ChannelWiring, ...]
    feeds: tuple[FeedWiring, ...]
    others: tuple[tuple[str, str, str], ...]
    ground: tuple[str, ...]
    checks: tuple[CheckPoint, ...]
    cautions: tuple[str, ...] = CAUTIONS
    sources: tuple[str, ...] = SOURCES
    shorted: str = SHORTED


def wiring_of(palette: Palette, lead_m: float = LEAD_M, hottest_c: float = HOTTEST_C) -> Wiring:
    """Work out the wiring of a palette.

    Parameters
    ----------
    palette
    lead_m
        Length of the leads to coils and motors, one way.
    hottest_c
        The warmest air around the wires.

    Raises
    ------
    UserError
        When a current is beyond the tables.
    """
    return _Bench(palette, lead_m, hottest_c).wiring()


class _Bench:
    """A palette with what every row needs."""

    def __init__(self, palette: Palette, lead_m: float, hottest_c: float) -> None:
        self.palette = palette
        self.lead_m, self.hottest_c = lead_m, hottest_c
        self.loads = LoadModel(palette)
        self.volts = palette.supply.highest_v
        self.pins = palette.board.pins

    def wiring(self) -> Wiring:
        palette = self.palette
        turners = sorted(palette.turner, key=lambda turner: turner.channel)
        channels = [*self._coils(), *(self._motor(turner) for turner in turners)]
        return Wiring(
            palette=palette.name,
            board=palette.board.name,
            chip=palette.board.chip,
            lead_m=self.lead_m,
            hottest_c=self.hottest_c,
            coldest_c=palette.coldest_copper_c,
            highest_v=self.volts,
            channels=tuple(channels),
            feeds=tuple(self._feeds()),
            others=(*_by_number(self.pins), *other_pins(self.pins)),
            ground=tuple(_ground(palette)),
            checks=tuple(_checks(palette, channels)),
        )

    def _coils(self) -> list[ChannelWiring]:
        found = {}
        for striker in self.palette.striker:
            coil = striker.coil
            found[coil.channel] = self._coil(coil, striker.name, coil.duty_max, coil.on_max_ms, 1.0)
            if striker.damper is not None:
                damper, coil = striker.damper, striker.damper.coil
                # Pulled anew with every stroke at the most, and held for the rest of its duty.
                pull = min(damper.pull_ms / striker.restrike_ms, coil.duty_max)
                share = pull + damper.hold_duty * (coil.duty_max - pull)
                name = f"damper of {striker.name}"
                found[coil.channel] = self._coil(
                    coil, name, share, damper.pull_ms, damper.hold_duty
                )
        return [found[channel] for channel in sorted(found)]

    def _coil(
        self, coil: Coil, name: str, share: float, pulse_ms: float, held: float
    ) -> ChannelWiring:
        """A coil that is at full power for a `share` of its cycle, as far as heat is concerned.

        Single pulses last up to `pulse_ms`; then it is `held` at a share of its power.
        """
        limit_c, supply = CLASS_LIMIT_C[coil.insulation], self.palette.supply
        cold_a = self.loads.coil_load(coil.channel, 0.0, 0.0, 1.0).amps
        rms_a = cold_a * math.sqrt(share)
        long_s = coil.on_max_ms / 1000
        wanted_a = max(
            rms_a,
            fuse_for_pulses(cold_a, pulse_ms / 1000),
            fuse_for_pulses(cold_a * math.sqrt(held), long_s) if long_s > 0.6 else 0.0,
        )
        row = self._row(f"coil {coil.channel}", name, cold_a, wanted_a)
        rise_k = steady_rise_k(coil, self.volts, self.palette.ambient_c, 1.0)
        at_limit_a = max(supply.cutoff_v, 0.8 * supply.nominal_v) / coil.ohm_at(limit_c)
        shorted = OPENS_FUSE if at_limit_a >= OPENS * row.fuse_a else CUT_OUT
        if self.palette.ambient_c + rise_k <= limit_c:
            shorted = STANDS
        return replace(
            row,
            pin=_pin(self.pins, coil.channel),
            driver=next((d.name for d in self.palette.driver if coil.channel in d.channels), ""),
            ohm_20c=coil.resistance_ohm,
            hot_a=self.volts / coil.ohm_at(limit_c),
            rms_a=rms_a,
            shorted=shorted,
        )

    def _motor(self, turner: Turner) -> ChannelWiring:
        start_a = max(turner.start_current_a, turner.current_a)
        carries = STARTS if turner.spin_up_s <= STARTS_S else CARRIES_AN_HOUR
        wanted_a = max(turner.current_a, start_a / carries)
        row = self._row(f"motor {turner.channel}", turner.name, start_a, wanted_a)
        stalled = OPENS_FUSE if start_a >= OPENS * row.fuse_a else CUT_OUT
        pin = ""
        if self.pins is not None and turner.channel < len(self.pins.motors):
            pin = self.pins.motors[turner.channel].pwm
        steady_a = turner.current_a
        return replace(row, pin=pin, hot_a=steady_a, rms_a=steady_a, shorted=f"jammed: {stalled}")

    def _row(self, channel: str, name: str, peak_a: float, wanted_a: float) -> ChannelWiring:
        """A channel fed from the supply that draws `peak_a`, its fuse for `wanted_a` or more."""
        fuse_a = fuse_at_least(wanted_a) or fuse_up_to(1e9)
        twice = 2 * self.volts
        wire = conductor_for(
            fuse_a, peak_a, self.palette.supply.nominal_v, self.lead_m, self.hottest_c,
            f"{channel}, {name}",
        )  # fmt: skip
        return ChannelWiring(
            channel=channel,
            name=name,
            pin="",
            driver="supply",
            ohm_20c=None,
            cold_a=peak_a,
            hot_a=peak_a,
            rms_a=peak_a,
            fuse_a=fuse_a,
            wire_mm2=wire.mm2,
            wire_awg=wire.awg,
            drop_v=wire.drop_mv_per_a_m / 1000 * peak_a * self.lead_m,
            transistor=_transistor(twice, peak_a),
            diode=f"Schottky, {_at_least(DIODE_V, twice)} V, {_at_least(DIODE_A, peak_a)} A",
            plug=f"2-pole, locking, {_at_least(PLUG_A, max(peak_a, 1.25 * fuse_a))} A",
            shorted="",
        )

    def _feeds(self) -> list[FeedWiring]:
        supply = self.palette.supply
        main = "supply" if supply.chemistry == "mains" else "battery"
        rows = [(f"{main}, main fuse", "all", supply.current_max_a)]
        for driver in self.palette.driver:
            limit_a = min(driver.current_max_a, supply.current_max_a)
            channels = ", ".join(map(str, driver.channels))
            rows.append((f"driver {driver.name}", channels, limit_a))
        found = []
        for name, channels, limit_a in rows:
            fuse_a = fuse_up_to(limit_a)
            wire = conductor_for(fuse_a, limit_a, supply.nominal_v, FEED_M, self.hottest_c, name)
            found.append(FeedWiring(name, channels, limit_a, fuse_a, wire.mm2, wire.awg))
        return found


def _pin(pins: BoardPins | None, channel: int) -> str:
    if pins is None or channel >= len(pins.coils) or pins.coils[channel] == "none":
        return ""
    return pins.coils[channel]


def _at_least(sizes: Sequence[int], wanted: float) -> str:
    found = next((size for size in sizes if size >= wanted), None)
    return f"{found if found is not None else math.ceil(wanted)}"


def _transistor(stands_v: float, amps: float) -> str:
    """What a low-side switch must stand, switched by a pin of 3.3 V."""
    most_mohm = MOST_W / max(amps, 0.05) ** 2 * 1000
    return (
        f"N-channel, {_at_least(TRANSISTOR_V, stands_v)} V, {_at_least(TRANSISTOR_A, 3 * amps)} A,"
        f" at most {_two_digits_down(min(most_mohm, 500.0))} mΩ at 3.3 V"
    )


def _two_digits_down(value: float) -> str:
    step = 10.0 ** max(math.floor(math.log10(value)) - 1, -1)
    return f"{math.floor(value / step) * step:g}"


def _by_number(pins: BoardPins | None) -> list[tuple[str, str, str]]:
    """Encoders and single lights, as `other_pins`."""
    if pins is None:
        return []
    rows = []
    for n, motor in enumerate(pins.motors):
        ends = ", ".join(pin for pin in (motor.encoder_a, motor.encoder_b) if pin)
        rows.append((f"encoder of motor {n}", ends, f"puts out {motor.encoder_v:g} V"))
    for n, pin in enumerate(pins.lights):
        rows.append((f"light {n}", pin, "LED to ground through 330 Ω"))
    return rows


def other_pins(pins: BoardPins | None) -> list[tuple[str, str, str]]:
    """What beside coils, motors and single lights is at a pin: what, at which pins, how wired."""
    if pins is None:
        return []
    rows = []
    if pins.light_strip is not None:
        how = (
            f"{counted(pins.light_strip.count, 'light')}, data through 330 Ω and a level"
            " shifter to 5 V"
        )
        rows.append(("addressable lights", pins.light_strip.pin, how))
    if pins.battery is not None:
        battery = pins.battery
        how = f"{_ohm(battery.upper_ohm)} from the supply, {_ohm(battery.lower_ohm)} and 100 nF to"
        rows.append(("battery's voltage", battery.pin, f"{how} ground"))
    if pins.thermistor is not None:
        one = pins.thermistor
        how = f"{_ohm(one.series_ohm)} to 3.3 V, NTC {_ohm(one.ohm_at_25c)} and 100 nF to ground"
        rows.append(("thermistor", one.pin, how))
    if pins.serial is not None:
        how = f"to the host's RX and TX, {pins.serial.level_v:g} V, grounds joined"
        rows.append(("line: TX, RX", f"{pins.serial.tx}, {pins.serial.rx}", how))
    if pins.sensors is not None:
        what = ", ".join(pins.sensors.parts) or "nothing yet"
        how = f"{what}; 4.7 kΩ from each to {pins.sensors.pull_up_v:g} V"
        rows.append(("sensors: SDA, SCL", f"{pins.sensors.sda}, {pins.sensors.scl}", how))
        if "ADS1115" in pins.sensors.parts:
            grid = "grid from there to ground, 100 kΩ from there to 3.3 V; ADDR to ground"
            rows.append(("rain grid", "AIN0 of the ADS1115", grid))
    for name, one_pin, how in (
        ("stop button", pins.stop_button, "closes to ground; 100 nF across it"),
        ("rain sensor", pins.rain, "closes to ground while it rains"),
        ("power-down", pins.power_down, "high while the board sleeps: what it feeds goes off"),
    ):
        if one_pin is not None:
            rows.append((name, one_pin, how))
    return rows


def _ohm(value: float) -> str:
    return f"{value / 1000:g} kΩ" if value >= 1000 else f"{value:g} Ω"


def _ground(palette: Palette) -> list[str]:
    start = "battery" if palette.supply.chemistry != "mains" else "supply"
    return [
        f"One star point at the {start}'s minus: a wire of its own from each driver and from the"
        " board.",
        "No coil's current goes through the board's ground.",
        f"Main fuse as near to the {start}'s plus as it goes, then the main switch, then the"
        " drivers' fuses, then each channel's.",
        "At each driver 1000 µF and 100 nF from plus to ground.",
        "Each transistor: 100 Ω from its pin to the gate, 10 kΩ from gate to source, so that it is"
        " off while the chip starts; its diode at the coil, cathode to plus.",
        "The board's regulator is fed from before the drivers' fuses, by a fuse of its own of 1 A.",
    ]


def _by_ohm(channels: Sequence[ChannelWiring]) -> dict[float, str]:
    found: dict[float, list[str]] = {}
    for one in channels:
        if one.ohm_20c is not None:
            found.setdefault(one.ohm_20c, []).append(one.channel.removeprefix("coil "))
    return {ohm: ", ".join(numbers) for ohm, numbers in found.items()}


def _checks(palette: Palette, channels: Sequence[ChannelWiring]) -> list[CheckPoint]:
    """In the order in which nothing burns: unpowered first, coils last."""
    supply, pins = palette.supply, palette.board.pins
    low, high = max(supply.cutoff_v, 0.8 * supply.nominal_v), supply.highest_v
    rows = [
        CheckPoint("plus to ground, main switch on", "battery out", "more than 1 kΩ"),
        *(
            CheckPoint(
                f"coils {numbers}: each at its plug"
                if "," in numbers
                else f"coil {numbers}: at its plug",
                "unplugged",
                f"{0.95 * ohm:.1f} to {1.05 * ohm:.1f} Ω at 20 °C",
            )
            for ohm, numbers in _by_ohm(channels).items()
        ),
        CheckPoint("after the main fuse", "coils unplugged", f"{low:.1f} to {high:.1f} V"),
        CheckPoint("board's 3.3 V", "coils unplugged", "3.2 to 3.4 V"),
    ]
    if pins is not None and pins.battery is not None:
        share = pins.battery.pin_v(1.0)
        expect = f"{share:.3f} of the supply: {pins.battery.pin_v(high):.2f} V at {high:.1f} V"
        rows.append(CheckPoint(f"{pins.battery.pin}, battery", "coils unplugged", expect))
    if pins is not None and pins.thermistor is not None:
        one = pins.thermistor
        volts = 3.3 * one.ohm_at_25c / (one.ohm_at_25c + one.series_ohm)
        expect = f"{volts:.2f} V at 25 °C, more when colder"
        rows.append(CheckPoint(f"{one.pin}, thermistor", "coils unplugged", expect))
    if pins is not None and pins.stop_button is not None:
        where = f"{pins.stop_button}, stop button"
        rows.append(CheckPoint(where, "coils unplugged", "3.3 V; pressed 0 V"))
    rows += [
        CheckPoint("each gate", "reset held, then at rest", "0 V"),
        CheckPoint("each gate", "dry run, its lamp is lit", "0 V"),
        CheckPoint("each drain", "coil plugged in, at rest", "the supply's voltage"),
        CheckPoint("each gate", "callresp try, one coil", "3.3 V for the pulse, then 0 V"),
    ]
    return rows
