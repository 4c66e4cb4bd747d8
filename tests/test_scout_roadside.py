"""At the roadside: said soon, counted once, and nothing said of other birds."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_scout_presence import RATE_HZ, Wave, blas_threads, place, song, sought, stranger
from threadpoolctl import threadpool_limits

from callresp.io.audio import write_wav
from callresp.scout import roadside as roadsides
from callresp.scout.evidence import CELL
from callresp.scout.odds import Candidate
from callresp.scout.roadside import News, Roadside
from callresp.scout.spectra import BandPowers


def listened(samples: Wave, block: int = 3000) -> tuple[Roadside, list[News]]:
    roadside = Roadside([sought()], RATE_HZ)
    news = []
    for at in range(0, len(samples), block):
        news += roadside.push(samples[at : at + block])
    return roadside, news + roadside.finish()


def test_it_says_soon_that_it_is_here_and_counts_each_call_once() -> None:
    at = [7.0, 17.0, 27.0, 37.0, 47.0]
    roadside, news = listened(place(56, 5, dict.fromkeys(at, song())))
    here = [one.at_s for one in news if one.here]
    assert len(here) == 1
    assert 7.0 < here[0] <= 25.0
    assert [round(call.onset_s) for call in roadside.calls] == [round(one) for one in at]
    told = [call for one in news for call in one.calls]
    assert told == roadside.calls


def test_after_a_minute_it_says_that_nothing_was_heard() -> None:
    roadside, news = listened(place(66, 5, {5.0: stranger(), 30.0: stranger()}))
    assert not roadside.present
    assert [one.at_s for one in news if one.minute] == [pytest.approx(60.0, abs=3.0)]
    assert roadside.so_far("-", None, None).calls == ()


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.floats(-3, 9), st.floats(-3, 9), st.booleans()), max_size=12))
def test_it_is_never_here_without_a_call(heard: list[tuple[float, float, bool]]) -> None:
    """Whatever the odds of windows and of the places in them, which may be less sure."""
    due = iter(heard)

    def odds_of(sought: Any, stretch: Any, at: int) -> Any:
        of_window, of_place, found = next(due, (-3.0, -3.0, False))
        first = at + stretch.last - stretch.first - CELL
        places = [Candidate(first, first + 100, of_place, above_db=6.0)] if found else []
        return np.array([of_window]), places

    roadside = Roadside([sought()], RATE_HZ)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(roadsides, "judged", odds_of)
        told: list[Any] = []
        for _ in range(len(heard) + 3):
            for one in roadside.push(np.zeros(int(2.7 * RATE_HZ), np.float32)):
                found = roadside.so_far("-", None, None)
                assert not one.here or found.calls
                told += one.calls
            found = roadside.so_far("-", None, None)
            assert found.present == bool(found.calls)
        told += [call for one in roadside.finish() for call in one.calls]
    found = roadside.so_far("-", None, None)
    assert found.present == bool(found.calls)
    assert told == roadside.calls
    assert len(roadside.calls) == len(roadside.above_db)
    if found.present:
        assert found.calls == tuple(roadside.calls)


@pytest.mark.parametrize(("owner", "name"), [(roadsides, "judged"), (BandPowers, "push")])
def test_it_keeps_to_one_core(owner: Any, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[int] = []
    worked = getattr(owner, name)

    def look(*given: Any) -> Any:
        seen.extend(blas_threads())
        return worked(*given)

    monkeypatch.setattr(owner, name, look)
    with threadpool_limits(2, "blas"):
        listened(place(10, 5, {3.0: song()}))
    assert set(seen) == {1}


def test_pcm_on_standard_input(tmp_path: Path) -> None:
    write_wav(tmp_path / "call.wav", song(), RATE_HZ)
    pcm = (place(20, 5, {7.0: song()}) * 32767).astype("<i2").tobytes()
    words = ["scout", "-", "--like", str(tmp_path / "call.wav"), "--rate", str(RATE_HZ), "--json"]
    done = subprocess.run(
        [sys.executable, "-m", "callresp", *words], input=pcm, capture_output=True, check=False
    )
    rows = [json.loads(row) for row in done.stdout.splitlines()]
    assert done.returncode == 0, done.stderr
    assert rows[-1]["present"]
    assert len(rows[-1]["calls"]) == 1
    assert rows[-1]["duration_s"] == pytest.approx(20, abs=0.1)
    assert np.all([row["path"] == "-" for row in rows])
