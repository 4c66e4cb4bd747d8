"""Fixtures that several rooms share."""

from __future__ import annotations

import os
import signal

# Before anything loads a linear algebra library. Workers share the cores already: threads of each
# that wait in a loop for the others' took most of the time of what solves small systems.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# Tests start some hundred programs, and each would compile the package anew.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
import pytest
from hypothesis import HealthCheck, settings

# A shell has its background jobs ignore Ctrl-C and the quit key, and what they start inherits that:
# tests that send these signals would wait in vain.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
if hasattr(signal, "SIGQUIT") and signal.getsignal(signal.SIGQUIT) is signal.SIG_IGN:
    signal.signal(signal.SIGQUIT, signal.SIG_DFL)

settings.register_profile(
    "callresp", deadline=None, suppress_health_check=[HealthCheck.too_slow], max_examples=60
)
settings.load_profile("callresp")


def missing(reason: str) -> None:
    """Skip with a plain reason; under CI the lack is a failure instead."""
    if os.environ.get("CI", "").lower() == "true":
        pytest.fail(f"CI must provide this: {reason}")
    pytest.skip(reason)


def need_madmom() -> None:
    """Skip where madmom has no wheel; where it has one, CI must have installed it."""
    from callresp.listen.detectors.madmom import has_wheel_here, why_missing

    reason = why_missing()
    if reason is None:
        return
    if has_wheel_here():
        missing(f"madmom: {reason}")
    pytest.skip(f"madmom: {reason}")
