"""Small recipes for the tests of scenes."""

from __future__ import annotations

from typing import Any, cast

import msgspec
import numpy as np
import numpy.typing as npt

from callresp.scene.recipe import Recipe
from callresp.scene.render import PreparedScene

ONE_SINGER: dict[str, Any] = {
    "voice": "A",
    "shapes": ["whistle", "sweep", "arch", "trill"],
    "band_hz": [2000, 5000],
    "rest_s": [0.5, 1.0],
}
ANOTHER: dict[str, Any] = {
    "voice": "B",
    "shapes": ["vibrato", "stack", "double", "buzz"],
    "band_hz": [900, 1600],
    "distance_m": 17,
    "rest_s": [0.5, 1.5],
}
DRUMMER: dict[str, Any] = {
    "voice": "D",
    "shapes": ["knock"],
    "band_hz": [600, 900],
    "per_s": [2, 25],
    "rest_s": [0.5, 1.0],
}


def recipe(*singers: dict[str, Any], noise: tuple[str, ...] = ("wind",), **more: Any) -> Recipe:
    """A short recipe of these singers over these noises."""
    tree = {
        "name": "test",
        "seconds": 8,
        "seed": 1,
        "snr_db": 15,
        "noise": [{"kind": kind} for kind in noise],
        "singer": list(singers),
    }
    return msgspec.convert(tree | more, Recipe)


def direct_sound(prepared: PreparedScene) -> npt.NDArray[np.float64]:
    """The direct sounds of a whole scene, without echoes and noise."""
    return _whole(prepared, "direct")


def noise_of(prepared: PreparedScene) -> npt.NDArray[np.float64]:
    """The noises of a whole scene."""
    return _whole(prepared, "noise")


def _whole(prepared: PreparedScene, part: str) -> npt.NDArray[np.float64]:
    seconds = getattr(prepared, part)()
    count = -(-prepared.frames // prepared.sample_rate_hz)
    waves = np.concatenate([next(seconds) for _ in range(count)])
    return cast("npt.NDArray[np.float64]", waves[: prepared.frames])
