"""The examples in docstrings are true, and a recording's start is found where it is said."""

from __future__ import annotations

import doctest
import importlib
from datetime import datetime
from pathlib import Path

import pytest

from callresp.errors import UserError
from callresp.io.starttime import start_of

PACKAGE = Path(__file__).resolve().parent.parent / "callresp"
WITH_EXAMPLES = sorted(
    ".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts).removesuffix(".__init__")
    for path in PACKAGE.rglob("*.py")
    if "\n    >>> " in path.read_text(encoding="utf-8")
)


@pytest.mark.parametrize("name", WITH_EXAMPLES)
def test_examples_are_true(name: str) -> None:
    result = doctest.testmod(importlib.import_module(name), optionflags=doctest.ELLIPSIS)
    assert result.attempted > 0
    assert result.failed == 0


@pytest.mark.parametrize(
    ("name", "began"),
    [
        ("carr_20260512_041500.wav", datetime(2026, 5, 12, 4, 15)),
        ("20260512T041500.flac", datetime(2026, 5, 12, 4, 15)),
        ("120260512_0415001.wav", None),
        ("carr_20261399_041500.wav", None),
        ("dawn.wav", None),
    ],
)
def test_start_from_a_file_name(name: str, began: datetime | None) -> None:
    assert start_of(Path(name)) == began


def test_a_stated_start_goes_first() -> None:
    stated = start_of(Path("x_20260512_041500.wav"), "2025-01-01T05:00:00+01:00")
    assert stated is not None
    assert stated.isoformat() == "2025-01-01T05:00:00+01:00"
    with pytest.raises(UserError, match="'dawn' is not a time"):
        start_of(Path("x.wav"), "dawn")
