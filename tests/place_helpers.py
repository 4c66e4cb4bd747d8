"""Places with walls for the tests, by pyroomacoustics and by a machine of the tools' own."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pyroomacoustics as pra
import strike_machine as sm
from scipy import signal

from callresp.echoes.protocol import ask_plan
from callresp.palette.files import load_palette
from callresp.palette.model import Palette
from callresp.plan.model import Plan
from callresp.strike_test.capture import Capture

RATE_HZ = 24000
FARTHEST_M = 60.0
AIR_C = 10.0
HUMIDITY = 60.0

Wave = npt.NDArray[np.float64]


def fettle() -> Palette:
    return load_palette("fettle")


def train(name: str = "oak block", strokes: int = 12) -> Plan:
    palette = fettle()
    striker = palette.striker_named(name)
    assert striker is not None
    return ask_plan(palette, striker, strokes, farthest_m=FARTHEST_M, name="fettle").plan


def speed_there() -> float:
    """What the simulator takes as the speed of sound."""
    return float(pra.parameters.Physics(AIR_C, HUMIDITY).get_sound_speed())


def walls(*walls_m: float, loss: float = 0.3) -> Wave:
    """Impulse response of one wall, or of two on either side, in the open."""
    far_m = max(walls_m) + 40.0
    gone = pra.Material(0.99999)
    room = pra.ShoeBox(
        [walls_m[0] + (walls_m[1] if len(walls_m) > 1 else far_m), 2 * far_m, 2 * far_m],
        fs=RATE_HZ,
        materials={
            **dict.fromkeys(("north", "south", "floor", "ceiling"), gone),
            "west": pra.Material(loss),
            "east": pra.Material(loss) if len(walls_m) > 1 else gone,
        },
        max_order=1,
        temperature=AIR_C,
        humidity=HUMIDITY,
    )
    place = np.array([walls_m[0], far_m, far_m])
    room.add_source(place)
    room.add_microphone(place + np.array([0.0, 1.0, 0.0]))
    room.compute_rir()
    response = np.asarray(room.rir[0][0])
    return np.asarray(response / np.abs(response).max())


def room_of(size_m: tuple[float, float, float], wanted_s: float) -> tuple[Wave, float]:
    """Impulse response of a room, and the T20 that the simulator's own tool reads off it."""
    absorbed, order = pra.inverse_sabine(wanted_s, list(size_m))
    room = pra.ShoeBox(list(size_m), fs=RATE_HZ, materials=pra.Material(absorbed), max_order=order)
    room.add_source(0.3 * np.array(size_m))
    room.add_microphone(0.7 * np.array(size_m))
    room.compute_rir()
    response = np.asarray(room.rir[0][0])
    t20_s = float(pra.experimental.measure_rt60(response, fs=RATE_HZ, decay_db=20))
    return np.asarray(response / np.abs(response).max()), t20_s


def recording(
    plan: Plan,
    response: Wave | None = None,
    noise_db: float = -70.0,
    ring_s: float = 1.0,
    seed: int = 1,
    skew_ppm: float = 80.0,
) -> Capture:
    """What a recorder with a clock of its own holds; `noise_db` re a full-scale sine."""
    palette = fettle()
    striker = next(s for s in palette.striker if s.name == plan.strikes[0].instrument)
    machine = sm.Striker(
        striker.name,
        striker.coil.channel,
        [p.ratio * striker.reference_hz for p in striker.partials],
        [p.level_db for p in striker.partials],
        [ring_s * p.t60_s for p in striker.partials],
        speaks_ms=3.0,
        jitter_ms=0.4,
        contact_db=-15.0,
    )
    recorder = sm.Recorder(RATE_HZ, 1.234, skew_ppm, -200.0, seed=seed)
    sound = sm.record([machine], plan, recorder).astype(np.float64)
    if response is not None:
        sound = signal.oaconvolve(sound, response)[: len(sound)]
    rng = np.random.default_rng(seed)
    sound += 10 ** (noise_db / 20) * np.sqrt(0.5) * rng.standard_normal(len(sound))
    return Capture(sound.astype(np.float32), RATE_HZ, np.zeros(0), name="quarry.wav")
