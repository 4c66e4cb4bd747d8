"""Walls in scenes, held against a simulator of rooms and a standard's table."""

from __future__ import annotations

import math

import msgspec
import numpy as np
import pyroomacoustics as pra
import pytest
from scene_helpers import ONE_SINGER, recipe

from callresp.scene.recipe import Recipe, Singer, Wall
from callresp.scene.render import render
from callresp.scene.walls import TAPS, air_taps, images, wall_response

RATE_HZ = 48000
EAST, WEST = Wall(distance_m=47.0), Wall(distance_m=31.0, bearing_deg=180.0, loss_db=6.0)


def singer(distance_m: float, bearing_deg: float) -> Singer:
    return Singer(
        voice="A",
        shapes=("whistle",),
        band_hz=(2000.0, 3000.0),
        distance_m=distance_m,
        bearing_deg=bearing_deg,
    )


@pytest.mark.parametrize(("distance_m", "bearing_deg"), [(8.0, 35.0), (20.0, 160.0)])
def test_returns_are_those_of_a_simulator(distance_m: float, bearing_deg: float) -> None:
    """Two walls, each once and by way of the other: image sources by pyroomacoustics."""
    far_m = 300.0
    gone = pra.Material(0.999999)
    losses = {"east": EAST.loss_db, "west": WEST.loss_db}
    room = pra.ShoeBox(
        [78.0, 2 * far_m, 2 * far_m],
        fs=RATE_HZ,
        materials={
            **dict.fromkeys(("north", "south", "floor", "ceiling"), gone),
            **{side: pra.Material(1 - 10 ** (-db / 10)) for side, db in losses.items()},
        },
        max_order=2,
    )
    turn = math.radians(bearing_deg)
    ear = np.array([31.0, far_m, far_m])
    room.add_source(ear + distance_m * np.array([math.cos(turn), math.sin(turn), 0.0]))
    room.add_microphone(ear)
    room.image_source_model()
    (source,) = room.sources
    ways_m = np.linalg.norm(source.images - ear[:, None], axis=0)
    gains = source.damping[0] / ways_m * distance_m
    theirs = sorted(
        (float(way - distance_m), float(gain))
        for way, gain in zip(ways_m, gains, strict=True)
        if way > distance_m + 0.01 and gain > 1e-3
    )
    ours = images(singer(distance_m, bearing_deg), (EAST, WEST), 20.0)
    assert len(ours) == len(theirs) == 4
    for back, (farther_m, gain) in zip(ours, theirs, strict=True):
        assert back.farther_m == pytest.approx(farther_m, abs=1e-4)
        assert back.gain == pytest.approx(gain, rel=1e-3)
        # ISO 9613-1:1993, A.5: 343.2 m/s at 20 °C.
        assert back.delay_s == pytest.approx(farther_m / 343.2, abs=1e-6)


def test_the_air_takes_what_the_standard_says() -> None:
    # ISO 9613-2:1996, table 2, 10 °C and 70 %: 3.7, 9.7 and 32.8 dB/km at 1, 2 and 4 kHz.
    taps = air_taps(200.0, RATE_HZ, 10.0, 70.0)
    assert len(taps) == TAPS
    gain_db = 20 * np.log10(np.abs(np.fft.rfft(taps, 1 << 15)))
    hertz = np.fft.rfftfreq(1 << 15, 1 / RATE_HZ)
    for hz, per_km in ((1000, 3.7), (2000, 9.7), (4000, 32.8)):
        got_db = float(gain_db[np.argmin(np.abs(hertz - hz))])
        assert got_db == pytest.approx(-0.2 * per_km, abs=0.4), hz


def test_a_scene_before_a_wall_has_its_call_twice_and_the_truth_once() -> None:
    plain = recipe(ONE_SINGER, seconds=2.0, echoes=0)
    walled = msgspec.structs.replace(plain, wall=(Wall(distance_m=80.0, loss_db=1.0),))
    with_wall, without = render(walled), render(plain)
    times = [[note.onset_s for note in scene.truth.notes] for scene in (with_wall, without)]
    assert times[0] == times[1]
    back = images(walled.singer[0], walled.wall, walled.temperature_c)[0]
    scale = float(np.std(with_wall.samples[:4000]) / np.std(without.samples[:4000]))
    rest = with_wall.samples / scale - without.samples
    size = 1 << (2 * len(rest)).bit_length()
    like = np.fft.irfft(np.fft.rfft(rest, size) * np.fft.rfft(without.samples, size).conj(), size)
    assert int(np.argmax(like[: len(rest)])) / RATE_HZ == pytest.approx(back.delay_s, abs=0.001)
    assert np.abs(with_wall.samples).max() <= 0.8


def test_without_walls_a_scene_is_as_it_was() -> None:
    response = wall_response(recipe(ONE_SINGER), recipe(ONE_SINGER).singer[0], RATE_HZ)
    assert response[0] == 1.0
    assert not response[1:].any()


def test_a_singer_behind_a_wall_is_refused() -> None:
    tree = {
        "name": "x",
        "seconds": 1.0,
        "seed": 1,
        "singer": [{"voice": "A", "shapes": ["whistle"], "band_hz": [900, 950], "distance_m": 30}],
        "wall": [{"distance_m": 29.0}],
    }
    with pytest.raises(msgspec.ValidationError, match="singer A sits behind the wall at 29 m"):
        msgspec.convert(tree, Recipe)
    tree["wall"] = [{"distance_m": 29.0, "bearing_deg": 90.0}]
    msgspec.convert(tree, Recipe)
