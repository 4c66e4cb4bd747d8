"""Asking a place: what is struck, what is heard, and what is not.

Walls and rooms are pyroomacoustics', strokes those of tools/strike_machine.py: neither
shares code with what listens.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import msgspec
import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from place_helpers import (
    AIR_C,
    FARTHEST_M,
    RATE_HZ,
    fettle,
    recording,
    room_of,
    speed_there,
    train,
    walls,
)
from rehearse_helpers import render
from scipy import signal

from callresp.cli import cli
from callresp.echoes.alignment import _by_envelope
from callresp.echoes.ask import Air, _longest_s, _path, ask_place
from callresp.echoes.decay import reverberation
from callresp.echoes.deconvolution import Correlations
from callresp.echoes.detection import Detection, Reflection, _Chance, _hides, _over_the_ring
from callresp.echoes.protocol import ask_plan, quickest, softest
from callresp.errors import UserError
from callresp.io.audio import write_wav
from callresp.io.place import Echo, PlaceReport, lines_of, read_place, write_place
from callresp.plan.model import Plan
from callresp.scene.air import speed_in_humid_air, speed_of_sound
from callresp.strike_test.capture import Capture
from callresp.synthesis.levels import ListeningPoint

NEAR = ListeningPoint(distance_m=1.0, air=False, travel=False)
AIR = Air(AIR_C, 60.0, 1.0)


def asked(plan: Plan, capture: Capture) -> PlaceReport:
    return ask_place(capture, plan, fettle(), AIR, 1.0).report


def test_speed_of_sound_is_cramers() -> None:
    # Cramer 1993, JASA 93, 2510: 331.45 m/s in dry air of 0 °C with 314 ppm of carbon dioxide,
    # within the 300 ppm that he states for his fit.
    dry = speed_in_humid_air(0.0, 0.0, carbon_dioxide=3.14e-4)
    assert dry == pytest.approx(331.45, rel=3e-4)
    # ISO 9613-1:1993, A.5, for dry air: 343.2 m/s at 20 °C.
    for celsius in (-10.0, 5.0, 20.0, 30.0):
        expected = speed_of_sound(celsius)
        assert speed_in_humid_air(celsius, 0.0) == pytest.approx(expected, rel=1e-3)
    # Bohn 1988, JAES 36, 223: full humidity makes it some 0.35 % faster at 20 °C (from memory).
    wet = speed_in_humid_air(20.0, 100.0) / speed_in_humid_air(20.0, 0.0) - 1
    assert 0.0030 < wet < 0.0040


@pytest.mark.parametrize("name", [striker.name for striker in fettle().striker])
def test_no_two_pauses_are_alike_and_each_outlasts_the_return(name: str) -> None:
    plan = train(name, 16)
    gaps = np.diff([strike.at_s for strike in plan.strikes])
    assert gaps.min() > 2 * FARTHEST_M / 340.0 + 0.3
    apart = np.abs(gaps[:, None] - gaps[None, :])[~np.eye(len(gaps), dtype=bool)]
    assert apart.min() > 0.0005
    assert {strike.instrument for strike in plan.strikes} == {name}


def test_a_near_wall_is_asked_softly_and_a_far_one_hard() -> None:
    oak = fettle().striker_named("oak block")
    assert oak is not None
    pulses = [softest(oak, 16, far_m, 25.0, 10.0).pulse_ms for far_m in (5, 20, 60, 300)]
    assert pulses == sorted(pulses)
    assert pulses[0] < pulses[-1]
    assert quickest(fettle()).name == "oak block"


def test_too_few_strokes_and_walls_too_far_are_refused() -> None:
    oak = quickest(fettle())
    with pytest.raises(UserError, match="3 strokes"):
        ask_plan(fettle(), oak, 3)
    with pytest.raises(UserError, match="2000 m"):
        ask_plan(fettle(), oak, 16, 2000.0)


@pytest.mark.parametrize(
    ("name", "wall_m", "skew_ppm"), [("oak block", 31.0, 100.0), ("tube 2", 47.0, -100.0)]
)
def test_a_wall_is_heard_where_it_is(name: str, wall_m: float, skew_ppm: float) -> None:
    plan = train(name)
    # A tube that rings for seconds: its own ring is no echo.
    capture = recording(plan, walls(wall_m), noise_db=-75.0, skew_ppm=skew_ppm)
    report = asked(plan, capture)
    assert len(report.echoes) == 1
    echo = report.echoes[0]
    true_s = (np.hypot(2 * wall_m, 1.0) - 1.0) / speed_there()
    assert echo.delay_s == pytest.approx(true_s, abs=0.0005)
    assert echo.distance_m == pytest.approx(wall_m, abs=0.2 + 0.0018 * wall_m)
    assert echo.confidence > 0.99
    # By the inverse distance law, and 0.3 of the energy lost at the wall.
    expected_db = -20 * np.log10(np.hypot(2 * wall_m, 1.0)) + 10 * np.log10(0.7)
    assert echo.level_db == pytest.approx(expected_db, abs=2.5)
    assert report.place.answer == "1 echo"
    assert FARTHEST_M <= report.place.farthest_m < 2 * FARTHEST_M


@pytest.mark.parametrize("name", ["oak block", "tin box", "tube 2"])
def test_an_open_field_gives_nothing_back(name: str) -> None:
    plan = train(name)
    report = asked(plan, recording(plan, noise_db=-45.0))
    assert report.echoes == ()
    assert report.place.t20_s is None
    assert report.place.answer == "this place gives nothing back"


def test_what_sings_between_the_strokes_is_no_echo() -> None:
    plan = train()
    capture = recording(plan, noise_db=-60.0)
    rng = np.random.default_rng(5)
    song = capture.samples.copy()
    note = np.hanning(2400) * np.sin(2 * np.pi * 2500 * np.arange(2400) / RATE_HZ)
    for at in rng.integers(0, len(song) - 2400, 40):
        song[at : at + 2400] += 0.05 * note.astype(np.float32)
    report = asked(plan, Capture(song, RATE_HZ, np.zeros(0)))
    assert report.echoes == ()


@pytest.mark.parametrize("rain_to_hz", [None, 2000.0])
def test_a_rehearsal_of_the_strokes_tells_its_echoes_as_a_recording_does(
    rain_to_hz: float | None,
) -> None:
    """With rain that lies low the echoes were 10 and 16 dB too faint: those of the high bands."""
    # Or nothing sounds between its strokes: what noise there is, is the rounding to 16 bits.
    plan, rate_hz = train(strokes=16), 48000
    played = render(plan, fettle(), rate_hz, plan.header.duration_s + 1.0, place=NEAR)
    sound = 0.9 * np.asarray(played, np.float64) / float(np.abs(played).max())
    echoes = ((0.25, 0.1), (0.4, 0.05))
    heard = sum(gain * np.roll(sound, round(at_s * rate_hz)) for at_s, gain in echoes) + sound
    if rain_to_hz is not None:
        rain = np.random.default_rng(3).standard_normal(len(heard))
        low = signal.butter(6, rain_to_hz, fs=rate_hz, output="sos")
        heard = heard + 0.002 * signal.sosfilt(low, rain)
    rounded = (np.round(heard * 2**15) / 2**15).astype(np.float32)
    report = asked(plan, Capture(rounded, rate_hz, np.zeros(0)))
    assert len(report.echoes) == 2
    for echo, (at_s, gain) in zip(report.echoes, echoes, strict=True):
        assert echo.delay_s == pytest.approx(at_s, abs=0.0005)
        assert echo.level_db == pytest.approx(20 * np.log10(gain), abs=1.0)


def test_two_walls_fifteen_milliseconds_apart_are_two() -> None:
    plan = train()
    near_m = 25.0
    far_m = near_m + 0.0075 * speed_there()
    report = asked(plan, recording(plan, walls(near_m, far_m), noise_db=-80.0))
    delays = [echo.delay_s for echo in report.echoes]
    for wall_m in (near_m, far_m):
        true_s = (np.hypot(2 * wall_m, 1.0) - 1.0) / speed_there()
        assert min(abs(true_s - delay_s) for delay_s in delays) < 0.0005
    assert len(delays) == 2


def test_one_wall_twice_is_said_to_be_that() -> None:
    plan = train()
    response = np.zeros(RATE_HZ)
    # Delays count from the stroke's arrival a metre away: the second way is that of two whole ones.
    straight = round(RATE_HZ / speed_there())
    response[[0, 3000, 6000 + straight]] = 1.0, 0.06, 0.02
    report = asked(plan, recording(plan, response, noise_db=-80.0))
    assert [echo.path for echo in report.echoes] == ["", "perhaps echo 1 twice"]


def returning(*delays_s: float) -> Detection:
    """Echoes that come back so late, each fainter than the one before."""
    made = [
        Reflection(at_s, 1e-5, -30.0 - 3 * n, 0.5, 1e-6, 9.0) for n, at_s in enumerate(delays_s)
    ]
    return Detection(tuple(made), np.zeros(1), np.zeros(1), np.ones(1), 5.0)


@pytest.mark.parametrize(
    ("delay_s", "told"),
    [
        (0.2, "perhaps echo 1 twice"),
        (0.27, "perhaps echo 1 by way of echo 2"),
        (0.34, "perhaps echo 2 twice"),
        (0.3, ""),
    ],
)
def test_a_way_is_named_by_the_two_that_add_up_to_it(delay_s: float, told: str) -> None:
    heard = returning(0.1, 0.17, delay_s)
    assert _path(heard.returns[-1], heard, 0.0) == told


def test_chance_comes_as_high_as_is_said() -> None:
    """Of means of noise one in so many comes so high: the shares are even over 0 to 1."""
    rng = np.random.default_rng(0)
    strokes, delays = 16, 1500
    off = rng.standard_normal((strokes, delays)).astype(np.float32)
    spread = np.full(delays, 1 / np.sqrt(strokes))
    chance = _Chance(off - off.mean(axis=0), spread, 1000, np.random.default_rng(1))
    means = rng.standard_normal((200, strokes, delays)).mean(axis=1)
    shares = np.array([chance.of(chance.highest(mean)[1]) for mean in means])
    assert 0.35 < shares.mean() < 0.65
    assert 0.1 < np.mean(shares < 0.25) < 0.4


def test_strokes_are_laid_over_each_other_by_their_envelopes() -> None:
    burst, shifts = np.hanning(240), np.array([-30, 0, 12, 45])
    clips = np.zeros((len(shifts), 2400))
    for clip, shift in zip(clips, shifts, strict=True):
        clip[1000 + shift : 1000 + shift + len(burst)] = burst
    found = _by_envelope(clips, RATE_HZ) * RATE_HZ
    assert found == pytest.approx(shifts - np.median(shifts), abs=1.0)


def test_t20_of_a_room_is_the_simulators() -> None:
    plan = train()
    response, true_s = room_of((7.0, 5.5, 3.2), 0.5)
    report = asked(plan, recording(plan, response, noise_db=-95.0))
    assert report.place.t20_s == pytest.approx(true_s, rel=0.05)
    # ISO 3382-1: T20 needs the noise 35 dB down.
    loud = asked(plan, recording(plan, response, noise_db=-35.0))
    assert loud.place.t20_s is None
    assert "35 dB" in loud.place.reverberation


def test_octaves_that_ring_for_different_times_are_told_apart() -> None:
    # White noise that dies away by its own T60 below and above 1414 Hz: the truth is in the making.
    rng, time_s = np.random.default_rng(3), np.arange(round(1.6 * RATE_HZ)) / RATE_HZ
    response = np.zeros(len(time_s))
    response[0] = 1.0
    for kind, t60_s in (("low", 1.2), ("high", 0.5)):
        taps = signal.butter(6, 1000 * 2**0.5, kind, fs=RATE_HZ, output="sos")
        noise = signal.sosfilt(taps, rng.standard_normal(len(time_s)))
        response += 0.05 * noise * 10 ** (-3 * time_s / t60_s)
    plan = train()
    place = asked(plan, recording(plan, response, noise_db=-95.0)).place
    told = {one.octave_hz: one.t20_s for one in place.octaves}
    for hz, true_s in ((500.0, 1.2), (1000.0, 1.2), (4000.0, 0.5)):
        assert told[hz] == pytest.approx(true_s, rel=0.08)
    # No single line fits both.
    assert place.t20_s is None
    assert "octaves" in place.reverberation
    assert place.answer == "reverberation"


def test_a_bell_that_outrings_the_room_does_not_lengthen_it() -> None:
    # A room of 0.8 s, by white noise, and a bell of 5 s that no predictor has taken out.
    rng, before = np.random.default_rng(4), 7200
    time_s = np.arange(2 * RATE_HZ) / RATE_HZ
    room = 0.05 * rng.standard_normal(len(time_s)) * 10 ** (-3 * time_s / 0.8)
    room[0] = 1.0
    bell = 0.02 * np.sin(2 * np.pi * 1179 * time_s) * 10 ** (-3 * time_s / 5.0)
    clips = 1e-6 * rng.standard_normal((8, before + len(time_s)))
    clips[:, before:] += room + bell
    none = np.zeros(0)
    values = np.zeros((8, 1, 1), np.float32)
    found = Correlations(RATE_HZ, 480, values, none, none, none, none, np.ones(1), clips, before)
    whole = reverberation(found).whole
    assert whole.t20_s == pytest.approx(0.8, rel=0.05)


def test_another_recording_is_refused() -> None:
    noise = np.random.default_rng(1).normal(0, 0.05, 20 * RATE_HZ).astype(np.float32)
    with pytest.raises(UserError, match="can't be found"):
        asked(train(), Capture(noise, RATE_HZ, np.zeros(0), name="else.wav"))


def test_the_recording_of_another_plan_is_refused() -> None:
    """Loud strokes at other times: some of any two plans fall together."""
    capture = recording(train())
    for plan in (train("oak block", 16), train("tube 2", 16)):
        with pytest.raises(UserError, match="can't be found"):
            asked(plan, capture)


def test_half_a_recording_tells_by_the_strokes_that_it_holds() -> None:
    plan = train()
    capture = recording(plan, walls(31.0), noise_db=-75.0)
    half = Capture(capture.samples[: len(capture.samples) // 2], RATE_HZ, np.zeros(0))
    report = asked(plan, half)
    assert 4 <= report.place.strokes <= 6
    assert [echo.distance_m for echo in report.echoes] == [pytest.approx(31.0, abs=0.3)]


def test_a_plan_on_two_strikers_asks_nothing() -> None:
    one, other = train(), train("tin box")
    commands = sorted((*one.commands, *other.commands), key=lambda command: command.at_s)
    both = msgspec.structs.replace(one, commands=tuple(commands))
    with pytest.raises(UserError, match="24 strokes on 2 strikers"):
        asked(both, recording(one))


def test_clipped_strokes_are_refused() -> None:
    plan = train()
    capture = recording(plan, walls(31.0), noise_db=-75.0)
    loud = capture.samples * np.float32(4 / np.abs(capture.samples).max())
    cut = Capture(np.clip(loud, -1.0, 1.0), RATE_HZ, np.zeros(0))
    with pytest.raises(UserError, match="strokes are clipped"):
        asked(plan, cut)


@pytest.mark.parametrize(
    ("apart_s", "below_db", "hidden"),
    [(0.0003, 9.0, True), (0.0003, -3.0, True), (0.002, 9.0, False), (0.02, 13.0, True)],
)
def test_a_remnant_beside_an_echo_is_none(apart_s: float, below_db: float, hidden: bool) -> None:
    loud = Reflection(0.5, 1e-5, -40.0, 0.5, 1e-6, 50.0)
    faint = Reflection(0.5 + apart_s, 1e-5, -40.0 - below_db, 0.5, 1e-6, 9.0)
    assert _hides(loud, faint) == hidden


@pytest.mark.parametrize(("t60_s", "told"), [(0.1, [0.08]), (2.0, [])])
def test_what_is_left_of_a_ring_is_no_return(t60_s: float, told: list[float]) -> None:
    """A score of 20 where listening begins, and of 9 after 30 and 80 ms: the ring's own decay
    says which of them may be its own."""
    time_s = np.arange(-6000, 12000) / RATE_HZ
    ring = np.where(time_s > 0, 10 ** (-3 * time_s / t60_s) * np.sin(5000 * time_s), 0.0)
    clips = np.tile(ring, (8, 1)) + 1e-4 * np.random.default_rng(1).standard_normal((8, 18000))
    nothing = np.zeros(0)
    found = Correlations(
        RATE_HZ,
        480,
        np.zeros((8, 1, 1), np.float32),
        nothing,
        nothing,
        nothing,
        nothing,
        nothing,
        clips,
        6000,
    )
    heard = [
        Reflection(at_s, 1e-5, -40.0, 1.0, 1e-5, score)
        for at_s, score in ((0.021, 20.0), (0.03, 9.0), (0.08, 9.0))
    ]
    assert [one.delay_s for one in _over_the_ring(heard, found)] == told
    # Without anything at the edge they are returns.
    assert _over_the_ring(heard[1:], found) == heard[1:]


@settings(max_examples=20, deadline=None)
@given(
    delays=st.lists(st.floats(0.02, 5.0), max_size=4, unique=True),
    level_db=st.floats(-90, 0),
)
def test_a_place_is_read_as_it_was_written(
    tmp_path_factory: pytest.TempPathFactory, delays: list[float], level_db: float
) -> None:
    echoes = tuple(
        Echo(
            delay_s=delay_s,
            delay_sd_s=1e-5,
            level_db=level_db,
            distance_m=170 * delay_s,
            distance_sd_m=0.1,
            confidence=0.999,
        )
        for delay_s in sorted(delays)
    )
    report = with_echoes(ask_empty(), echoes)
    path = tmp_path_factory.mktemp("place") / "a.place.jsonl"
    write_place(path, report)
    assert read_place(path) == report


@cache
def ask_empty() -> PlaceReport:
    return asked(train(), recording(train()))


def with_echoes(report: PlaceReport, echoes: tuple[Echo, ...]) -> PlaceReport:
    place = msgspec.structs.replace(report.place, echoes=len(echoes))
    return PlaceReport(echoes=echoes, place=place)


def test_a_place_that_was_cut_is_refused(tmp_path: Path) -> None:
    plan = train()
    path = tmp_path / "a.place.jsonl"
    report = asked(plan, recording(plan, walls(30.0), noise_db=-80.0))
    path.write_text("\n".join(lines_of(report)[:-1]) + "\n")
    with pytest.raises(UserError, match="last line is missing"):
        read_place(path)


def test_the_command_writes_the_strokes_and_hears_the_place(tmp_path: Path) -> None:
    run = CliRunner().invoke
    plan_file, wav = tmp_path / "ask.plan.jsonl", tmp_path / "quarry.wav"
    words = ["--striker", "oak block", "--palette", "fettle", "--strokes", "8"]
    done = run(cli, ["ask-place", *words, "--farthest", "60", "-o", str(plan_file)])
    assert done.exit_code == 0, done.output
    from callresp.plan.files import read_plan

    capture = recording(read_plan(plan_file), walls(40.0), noise_db=-85.0)
    write_wav(wav, capture.samples, capture.rate_hz)
    done = run(cli, ["ask-place", str(wav), "--plan", str(plan_file), "--json"])
    assert done.exit_code == 0, done.output
    *echoes, place = [json.loads(text) for text in done.stdout.splitlines()]
    wanted = {"delay_s", "delay_sd_s", "level_db", "distance_m", "distance_sd_m", "confidence"}
    assert [wanted <= set(echo) for echo in echoes] == [True]
    assert {"edt_s", "t20_s", "background_db", "air_temperature_c", "speed_of_sound_m_s"} <= set(
        place
    )
    # Without --temperature it is the palette's.
    assert place["air_temperature_c"] == fettle().ambient_c
    drawn, kept = tmp_path / "quarry.svg", tmp_path / "q.jsonl"
    words = ["--plan", str(plan_file), "--picture", str(drawn), "-o", str(kept)]
    warm = run(cli, ["ask-place", str(wav), *words, "--temperature", "25"])
    assert warm.exit_code == 0
    assert "cm farther" in warm.output
    # The wall's distance is written in the picture, as it is in the file.
    distance_m = read_place(kept).echoes[0].distance_m
    assert distance_m > echoes[0]["distance_m"]
    assert f"{distance_m:.1f} m" in drawn.read_text()


def test_a_rehearsal_holds_the_last_stroke_as_well(tmp_path: Path) -> None:
    """It ended as that was struck, and the question was answered by the strokes before."""
    plan, wav = str(tmp_path / "ask.plan.jsonl"), str(tmp_path / "field.wav")
    for words in (
        ["ask-place", "--palette", "fettle", "--strokes", "8", "-o", plan],
        ["rehearse", plan, "--alone", "-o", wav],
    ):
        done = CliRunner().invoke(cli, words)
        assert done.exit_code == 0, done.output
    done = CliRunner().invoke(cli, ["ask-place", wav, "--plan", plan, "--json"])
    assert done.exit_code == 0, done.output
    assert json.loads(done.stdout.splitlines()[-1])["strokes"] == 8


def test_a_recording_of_too_low_a_rate_says_what_hearing_echoes_needs(tmp_path: Path) -> None:
    run = CliRunner().invoke
    plan_file, wav = str(tmp_path / "ask.plan.jsonl"), tmp_path / "low.wav"
    assert run(cli, ["ask-place", "--strokes", "4", "-o", plan_file]).exit_code == 0
    write_wav(wav, np.zeros(8000, np.float32), 8000)
    done = run(cli, ["ask-place", str(wav), "--plan", plan_file])
    told = str(done.exception)
    assert "8000 samples a second, too few for hearing echoes" in told
    assert "record with 16000 or more; 24000 is best" in told


def test_mistakes_are_told_in_a_line(tmp_path: Path) -> None:
    run = CliRunner().invoke
    plan_file = str(tmp_path / "ask.plan.jsonl")
    cases = (
        (["--striker", "gong", "-o", plan_file], "no striker 'gong'"),
        ([str(tmp_path / "quarry.wav")], "does not tell when it was struck"),
        (["--picture", "a.png"], "needs the recording too"),
    )
    for words, what in cases:
        done = run(cli, ["ask-place", *words])
        assert what in str(done.exception), words
    assert not Path(plan_file).exists()


def test_how_late_a_return_may_be_is_bounded_by_the_next_stroke_and_by_six_seconds() -> None:
    # 6 s of sound at 340 m/s are a wall a kilometre off: a whole place. Common practice, no source.
    for gap_s, longest_s in ((1.0, 0.88), (4.0, 3.88), (20.0, 6.0), (0.15, 0.1)):
        at_s = np.array([1.0 + gap_s * n for n in range(4)])
        assert _longest_s(at_s, 100.0) == pytest.approx(longest_s)
