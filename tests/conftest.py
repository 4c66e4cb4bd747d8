"""Fixtures that several rooms share."""

from __future__ import annotations

import os

import pytest
from hypothesis import HealthCheck, settings

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
