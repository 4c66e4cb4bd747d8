"""Fuses, wires and parts: against the tables' own figures, and by rules that any page must keep."""

from __future__ import annotations

import math
import random

import msgspec
import pytest
from plan_helpers import random_palette

from callresp.errors import UserError
from callresp.io.resources import shipped
from callresp.palette.files import load_palette
from callresp.palette.model import Palette
from callresp.palette.pins import LightStrip
from callresp.plan.electrical.conductors import (
    CONDUCTORS,
    FUSES_A,
    R10,
    awg_of,
    conductor_for,
    fuse_at_least,
    fuse_for_pulses,
    fuse_up_to,
    rating_factor,
)
from callresp.plan.electrical.heat import CLASS_LIMIT_C, CoilHeat
from callresp.plan.electrical.wiring import (
    CUT_OUT,
    OPENS_FUSE,
    STANDS,
    Wiring,
    other_pins,
    wiring_of,
)

FETTLE = load_palette("fettle")


# Maximum resistance at 20 °C of plain flexible copper, Ω/km, by mm²: IEC 60228, class 5.
OHM_PER_KM = {0.5: 39.0, 0.75: 26.0, 1.0: 19.5, 1.5: 13.3, 2.5: 7.98, 4.0: 4.95}


def test_currents_and_drops_are_those_of_bs_7671() -> None:
    """Tables 4F3A (A, direct current) and 4F3B (mV/A/m) for flexible cords at 60 °C."""
    table = {0.5: (3, 93), 0.75: (6, 62), 1: (10, 46), 1.5: (16, 32), 2.5: (25, 19), 4: (32, 12)}
    assert {s.mm2: (s.carries_a, s.drop_mv_per_a_m) for s in CONDUCTORS} == table
    # Two tables, one copper: out and back, 40 K warmer at 0.393 %/K (IEC 60028).
    for size in CONDUCTORS:
        expected = 2 * OHM_PER_KM[size.mm2] * (1 + 0.00393 * 40)
        assert size.drop_mv_per_a_m == pytest.approx(expected, rel=0.06)
    assert [rating_factor(c) for c in (10, 30, 35, 40, 45, 50, 55)] == [
        1, 1, 0.91, 0.82, 0.71, 0.58, 0.41,
    ]  # fmt: skip


def test_fuse_ratings_are_preferred_numbers() -> None:
    """IEC 60127-1, annex A: the ratings of series R10; ISO 3 has them as powers of ten, rounded."""
    for n, step in enumerate(R10):
        assert step == pytest.approx(10 ** (n / 10), rel=0.013)
    assert [fuse_at_least(a) for a in (0.05, 0.3, 1.0, 1.01, 5.5, 9.0)] == [
        0.05, 0.315, 1.0, 1.25, 6.3, 10.0,
    ]  # fmt: skip
    assert [fuse_up_to(a) for a in (0.9, 1.0, 4.99, 7.0, 12.0)] == [0.8, 1.0, 4.0, 6.3, 10.0]
    assert fuse_at_least(21.0) is None
    assert fuse_up_to(0.001) == fuse_at_least(0.001) == 0.04


def test_gauges_are_those_of_astm_b258() -> None:
    """Sections in mm² of even gauges, as wire tables print them: 0.518, 0.823, 1.31, 2.08, 3.31."""
    for gauge, mm2 in ((20, 0.518), (18, 0.823), (16, 1.31), (14, 2.08), (12, 3.31), (10, 5.26)):
        assert awg_of(mm2 * 0.99) == gauge
        assert awg_of(mm2 * 1.01) == gauge - 2


def test_a_wire_is_as_thick_as_its_fuse_and_its_drop_ask() -> None:
    """By hand: a T link of 1 A opens at 2.1 A, so Iz >= 2.1 / 1.45 = 1.45 A (IEC 60364-4-43)."""
    assert wire_mm2(2.0, 2.0) == 0.5  # 2.9 A of 3
    assert wire_mm2(2.5, 2.5) == 0.75  # 3.6 A is over 3
    assert wire_mm2(2.0, 2.0, air_c=40.0) == 0.75  # 3 A become 2.46
    # 3 % of 12 V is 0.36 V: 93 mV/A/m over 2 m and 2 A are 0.372 V, 62 are 0.248.
    assert wire_mm2(1.0, 2.0, length_m=2.0) == 0.75
    with pytest.raises(UserError, match="thicker wire than 4 mm²"):
        wire_mm2(20.0, 30.0, length_m=2.0)
    with pytest.raises(UserError, match="rated for air of 56 °C; allowed: up to 55"):
        rating_factor(56.0)


def wire_mm2(fuse_a: float, peak_a: float, length_m: float = 0.1, air_c: float = 30.0) -> float:
    return conductor_for(fuse_a, peak_a, 12.0, length_m, air_c, "x").mm2


def test_pulses_ask_for_what_the_fuse_carries_for_so_long() -> None:
    """IEC 60127-2, sheet 3 (from memory): 10 In for 20 ms, 2.75 In for 0.6 s at least."""
    for longest_s in (0.01, 0.05, 0.1):
        rating_a = fuse_for_pulses(2.0, longest_s)
        assert 2.0**2 * longest_s <= 0.25 * (10 * rating_a) ** 2 * 0.02 * (1 + 1e-9)
    assert 2.0 / fuse_for_pulses(2.0, 0.6) < 2.75
    assert fuse_for_pulses(2.0, 10.0) == 2.0


def test_a_channel_of_the_demo_by_hand() -> None:
    """Tube 1: 6 Ω at 20 °C; a full 12 V lead-acid battery has 12.8 V; copper 0.393 %/K."""
    one = wiring_of(FETTLE).channels[0]
    assert (one.channel, one.pin, one.driver) == ("coil 0", "PC10", "tubes")
    assert one.cold_a == pytest.approx(12.8 / (6 * (1 - 0.00393 * 25)))
    assert one.hot_a == pytest.approx(12.8 / (6 * (1 + 0.00393 * 110)))  # class B: 130 °C
    assert one.rms_a == pytest.approx(one.cold_a * math.sqrt(0.12))
    assert (one.fuse_a, one.wire_mm2, one.wire_awg) == (1.0, 0.75, 18)
    assert one.transistor == "N-channel, 30 V, 8 A, at most 89 mΩ at 3.3 V"
    assert one.diode == "Schottky, 30 V, 3 A"
    # Hot it draws 11 / (6 * 1.43) = 1.28 A, less than the 2.1 A that open 1 A for certain.
    assert one.shorted == CUT_OUT


def colder(palette: Palette, coldest_c: float) -> Wiring:
    return wiring_of(msgspec.structs.replace(palette, coldest_c=coldest_c))


def test_the_coldest_copper_draws_most() -> None:
    cold, mild = colder(FETTLE, -30.0), colder(FETTLE, 12.0)
    for one, other in zip(cold.channels, mild.channels, strict=True):
        if one.ohm_20c is not None:
            assert one.cold_a > other.cold_a
            assert one.hot_a == other.hot_a < other.cold_a


def rules_hold(told: Wiring, palette: Palette) -> None:
    factor = rating_factor(told.hottest_c)
    sizes = {size.mm2: size for size in CONDUCTORS}
    fused = [(one.fuse_a, one.wire_mm2) for one in told.channels]
    fused += [(one.fuse_a, one.wire_mm2) for one in told.feeds]
    for fuse_a, mm2 in fused:
        carries_a = sizes[mm2].carries_a * factor
        assert fuse_a in FUSES_A
        assert fuse_a <= carries_a
        assert 2.1 * fuse_a <= 1.45 * carries_a
    for one in told.channels:
        assert one.rms_a <= one.fuse_a + 1e-9
        assert one.drop_v <= 0.03 * palette.supply.nominal_v + 1e-9
        if one.ohm_20c is not None:
            assert one.hot_a < one.cold_a
    for feed in told.feeds:
        assert feed.fuse_a <= max(feed.limit_a, 0.04)


@pytest.mark.parametrize("name", shipped("palettes"))
def test_shipped_palettes_keep_every_rule(name: str) -> None:
    palette = load_palette(name)
    rules_hold(wiring_of(palette), palette)


def test_any_palette_keeps_every_rule() -> None:
    seen = set()
    for seed in range(60):
        palette = random_palette(random.Random(seed))
        told = wiring_of(palette)
        rules_hold(told, palette)
        for one in told.channels:
            seen.add(one.shorted)
            if one.channel.startswith("coil"):
                shorted_coil_is_told(palette, int(one.channel[5:]), one.shorted)
    assert {STANDS, CUT_OUT} <= seen


def shorted_coil_is_told(palette: Palette, channel: int, shorted: str) -> None:
    """A coil that is left on for an hour ends below its class, or the page says what is needed."""
    coil = palette.coils()[channel]
    heat = CoilHeat(coil, palette.supply.highest_v, palette.ambient_c)
    heat.heat(0.0, 40 * coil.thermal_time_s, 1.0)
    stands = heat.hottest_c <= CLASS_LIMIT_C[coil.insulation] + 0.5
    assert stands or shorted != STANDS
    assert heat.hottest_c > CLASS_LIMIT_C[coil.insulation] - 0.5 or shorted == STANDS


def test_a_coil_that_opens_its_fuse_even_hot_is_told() -> None:
    """Seldom on (0.5 %) at 2 Ω: a 0.4 A link, and over 3 A even at 180 °C."""
    coil = msgspec.structs.replace(
        FETTLE.striker[0].coil, resistance_ohm=2.6, duty_max=0.005, on_max_ms=15.0
    )
    striker = msgspec.structs.replace(FETTLE.striker[0], coil=coil)
    palette = msgspec.structs.replace(FETTLE, striker=(striker, *FETTLE.striker[1:]))
    one = wiring_of(palette).channels[0]
    assert one.shorted == OPENS_FUSE
    hot_a = 11.0 / (2.6 * (1 + 0.00393 * 110))
    assert hot_a > 2.1 * one.fuse_a


def test_a_jammed_motor_is_told() -> None:
    motor = wiring_of(FETTLE).channels[-1]
    assert motor.shorted == f"jammed: {OPENS_FUSE}"
    weak = msgspec.structs.replace(FETTLE.turner[0], start_current_a=0.3)
    palette = msgspec.structs.replace(FETTLE, turner=(weak,))
    assert wiring_of(palette).channels[-1].shorted == f"jammed: {CUT_OUT}"
    slow = msgspec.structs.replace(FETTLE.turner[0], spin_up_s=5.0)
    palette = msgspec.structs.replace(FETTLE, turner=(slow,))
    assert wiring_of(palette).channels[-1].fuse_a >= 0.8 / 1.5


def test_a_supply_beyond_the_tables_is_refused() -> None:
    supply = msgspec.structs.replace(FETTLE.supply, current_max_a=60.0)
    driver = msgspec.structs.replace(FETTLE.driver[0], current_max_a=60.0)
    palette = msgspec.structs.replace(FETTLE, supply=supply, driver=(driver, *FETTLE.driver[1:]))
    with pytest.raises(UserError, match="battery, main fuse: a fuse of 20 A over"):
        wiring_of(palette)
    with pytest.raises(UserError, match="coil 0, tube 1: a fuse of 1 A over 40 m needs a thicker"):
        wiring_of(FETTLE, lead_m=40.0)
    with pytest.raises(UserError, match="air of 60 °C"):
        wiring_of(FETTLE, hottest_c=60.0)


def test_what_the_meter_should_say_goes_from_dead_to_alive() -> None:
    told = wiring_of(FETTLE)
    whens = [check.when for check in told.checks]
    assert whens[0] == "battery out"
    assert whens.index("unplugged") < whens.index("coils unplugged") < len(whens) - 4
    divider = next(check for check in told.checks if check.where.startswith("PC0"))
    assert divider.expect == "0.180 of the supply: 2.31 V at 12.8 V"  # 22 / (100 + 22)
    assert any("5.7 to 6.3 Ω" in check.expect for check in told.checks)
    assert any("licensed practice" in text for text in told.cautions)


def test_the_demos_page_says_where_to_put_the_meter_and_what_is_at_every_other_pin() -> None:
    told = wiring_of(FETTLE)
    unplugged, gate = "coils unplugged", "each gate"
    assert [(one.where, one.when, one.expect) for one in told.checks] == [
        ("plus to ground, main switch on", "battery out", "more than 1 kΩ"),
        ("coils 0, 1, 2, 3, 4: each at its plug", "unplugged", "5.7 to 6.3 Ω at 20 °C"),
        ("coils 5, 6, 7, 8, 9, 12: each at its plug", "unplugged", "28.5 to 31.5 Ω at 20 °C"),
        ("coil 10: at its plug", "unplugged", "7.6 to 8.4 Ω at 20 °C"),
        ("coil 11: at its plug", "unplugged", "6.6 to 7.4 Ω at 20 °C"),
        ("after the main fuse", unplugged, "11.0 to 12.8 V"),
        ("board's 3.3 V", unplugged, "3.2 to 3.4 V"),
        ("PC0, battery", unplugged, "0.180 of the supply: 2.31 V at 12.8 V"),
        # Two equal resistances halve the 3.3 V.
        ("PC1, thermistor", unplugged, "1.65 V at 25 °C, more when colder"),
        ("PC2, stop button", unplugged, "3.3 V; pressed 0 V"),
        (gate, "reset held, then at rest", "0 V"),
        (gate, "dry run, its lamp is lit", "0 V"),
        ("each drain", "coil plugged in, at rest", "the supply's voltage"),
        (gate, "callresp try, one coil", "3.3 V for the pulse, then 0 V"),
    ]
    assert told.others == (
        ("encoder of motor 0", "PA6, PA7", "puts out 5 V"),
        ("light 0", "PB9", "LED to ground through 330 Ω"),
        ("battery's voltage", "PC0", "100 kΩ from the supply, 22 kΩ and 100 nF to ground"),
        ("thermistor", "PC1", "10 kΩ to 3.3 V, NTC 10 kΩ and 100 nF to ground"),
        ("line: TX, RX", "PA9, PA10", "to the host's RX and TX, 3.3 V, grounds joined"),
        ("sensors: SDA, SCL", "PB7, PB6", "SHT31, BH1750; 4.7 kΩ from each to 3.3 V"),
        ("stop button", "PC2", "closes to ground; 100 nF across it"),
        ("rain sensor", "PC3", "closes to ground while it rains"),
        ("power-down", "PB5", "high while the board sleeps: what it feeds goes off"),
    )
    # The largest fuses up to the limits, and their wires at 40 °C.
    feeds = [(f.name, f.channels, f.limit_a, f.fuse_a, f.wire_mm2, f.wire_awg) for f in told.feeds]
    assert feeds == [
        ("battery, main fuse", "all", 7.0, 6.3, 1.5, 14),
        ("driver tubes", "0, 1, 2, 3, 4", 5.0, 5.0, 1.0, 16),
        ("driver dampers", "5, 6, 7, 8, 9, 12", 3.0, 2.5, 0.75, 18),
        ("driver wood and tin", "10, 11", 4.0, 4.0, 1.0, 16),
    ]
    assert (told.palette, told.board, told.chip) == ("Fettle", "Fettle board", "STM32F405")
    assert (told.lead_m, told.hottest_c, told.coldest_c, told.highest_v) == (2.0, 40.0, -5.0, 12.8)


def test_a_damper_and_a_motor_of_the_demo_by_hand() -> None:
    channels = {one.channel: one for one in wiring_of(FETTLE).channels}
    felt = channels["coil 5"]
    assert (felt.name, felt.pin, felt.driver) == ("damper of tube 1", "PC6", "dampers")
    assert felt.cold_a == pytest.approx(12.8 / (30 * (1 - 0.00393 * 25)))
    # 30 ms of pull in every 110, and 30 % of the rest of all the time.
    pulls = 30 / 110
    assert felt.rms_a == pytest.approx(felt.cold_a * math.sqrt(pulls + 0.3 * (1 - pulls)))
    assert (felt.ohm_20c, felt.fuse_a, felt.wire_mm2, felt.wire_awg) == (30.0, 0.4, 0.5, 20)
    # 93 mV/A/m over 2 m.
    assert felt.drop_v == pytest.approx(0.093 * 2 * felt.cold_a)
    assert felt.transistor == "N-channel, 30 V, 2 A, at most 500 mΩ at 3.3 V"
    assert (felt.diode, felt.plug) == ("Schottky, 30 V, 1 A", "2-pole, locking, 2 A")
    assert felt.shorted == STANDS
    motor = channels["motor 0"]
    assert (motor.name, motor.pin, motor.driver) == ("bead shaker", "PB8", "supply")
    assert (motor.cold_a, motor.hot_a, motor.rms_a, motor.ohm_20c) == (0.8, 0.25, 0.25, None)
    # It starts for 0.35 s with 0.8 A: 2.75 times 0.29.
    assert (motor.fuse_a, motor.wire_mm2, motor.wire_awg) == (0.315, 0.5, 20)
    assert motor.drop_v == pytest.approx(0.093 * 2 * 0.8)
    assert motor.transistor == "N-channel, 30 V, 3 A, at most 500 mΩ at 3.3 V"
    assert (motor.diode, motor.plug) == ("Schottky, 30 V, 1 A", "2-pole, locking, 2 A")


def test_other_machines_have_other_pins_supplies_and_words() -> None:
    pins = FETTLE.board.pins
    assert pins is not None
    assert pins.sensors is not None
    sensors = msgspec.structs.replace(pins.sensors, parts=("ADS1115",))
    pins = msgspec.structs.replace(
        pins, sensors=sensors, light_strip=LightStrip(pin="PA1", count=8), lights=()
    )
    assert other_pins(pins)[0] == (
        "addressable lights",
        "PA1",
        "8 lights, data through 330 Ω and a level shifter to 5 V",
    )
    assert (
        "rain grid",
        "AIN0 of the ADS1115",
        "grid from there to ground, 100 kΩ from there to 3.3 V; ADDR to ground",
    ) in other_pins(pins)
    assert pins.battery is not None
    battery = msgspec.structs.replace(pins.battery, upper_ohm=1000.0, lower_ohm=999.0)
    assert (
        "battery's voltage",
        "PC0",
        "1 kΩ from the supply, 999 Ω and 100 nF to ground",
    ) in other_pins(msgspec.structs.replace(pins, battery=battery))
    bare = msgspec.structs.replace(sensors, parts=())
    row = next(
        row
        for row in other_pins(msgspec.structs.replace(pins, sensors=bare))
        if row[0].startswith("sensors")
    )
    assert row == ("sensors: SDA, SCL", "PB7, PB6", "nothing yet; 4.7 kΩ from each to 3.3 V")
    supply = msgspec.structs.replace(FETTLE.supply, chemistry="mains", cutoff_v=0.0)
    board = msgspec.structs.replace(FETTLE.board, pins=None)
    told = wiring_of(msgspec.structs.replace(FETTLE, supply=supply, board=board))
    assert told.others == ()
    assert {one.pin for one in told.channels} == {""}
    assert told.feeds[0].name == "supply, main fuse"
    assert told.ground[0].startswith("One star point at the supply's minus: ")
    assert told.ground[2].startswith("Main fuse as near to the supply's plus as it goes, ")
    # Without a cut-off a fifth below the nominal voltage is low.
    (after,) = (one for one in told.checks if one.where == "after the main fuse")
    assert after.expect == f"9.6 to {told.highest_v:.1f} V"
    assert len(told.checks) == len(wiring_of(FETTLE).checks) - 3
