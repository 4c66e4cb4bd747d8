"""A season: written whole or not at all, gone on with, nothing twice, and asked."""

from __future__ import annotations

import hashlib
import json
import multiprocessing
import os
import platform
import shutil
import signal
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from spread_jobs import dies_on_hill, held_mb, lingering
from test_scout_presence import RATE_HZ, blas_threads, place, song, sought, stranger, survey
from threadpoolctl import threadpool_limits

from callresp.cli import cli
from callresp.errors import UserError
from callresp.io.audio import open_recording, write_wav
from callresp.scout import season
from callresp.scout.odds import Wanted
from callresp.scout.places import load_places, sources
from callresp.scout.presence import search
from callresp.scout.questions import ask
from callresp.scout.season import SeasonManifest, digests, is_done, open_season, write_partition
from callresp.scout.spread import Done, over_cluster, over_cores
from callresp.scout.survey import Heard, HourRow, Tables, Unit, by_day, units

pytest.importorskip("pyarrow", reason="the extra callresp[season] is not installed")
pytest.importorskip("duckdb", reason="the extra callresp[season] is not installed")


@pytest.fixture(scope="module")
def field(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two places, two days; the sound is at carr on both days and at hill on the second."""
    folder = tmp_path_factory.mktemp("field")
    with_it, without = place(8, 5, {3.0: song()}), place(8, 5, {3.0: stranger()}, seed=2)
    for name, samples in (
        ("carr/a_20260512_041500", with_it), ("carr/a_20260513_041500", place(8, 5, {4.0: song()})),
        ("hill/a_20260512_051500", without), ("hill/a_20260513_051500", place(8, 5, {2.0: song()})),
    ):  # fmt: skip
        write_wav(folder / f"{name}.wav", samples, RATE_HZ)
    write_wav(folder / "call" / "call.wav", song(), RATE_HZ)
    shutil.move(folder / "call" / "call.wav", folder.parent / f"{folder.name}-call.wav")
    (folder / "call").rmdir()
    (folder / "hill" / "bad_20260513_061500.wav").write_bytes(b"RIFF no sound at all")
    return folder


def command(field: Path, output: Path, *more: str) -> Result:
    like = str(field.parent / f"{field.name}-call.wav")
    words = ["season", str(field), "--like", like, "-o", str(output), "--workers", "1", *more]
    return CliRunner().invoke(cli, words)


def planned(field: Path) -> list[Unit]:
    return [
        unit
        for one, folder in load_places(field)
        for unit in units(sources(one, folder))
    ]  # fmt: skip


def rows(output: Path, table: str = "calls") -> list[tuple[object, ...]]:
    return list(ask(output, f"SELECT * FROM {table} ORDER BY ALL").rows)


def test_a_season_is_made_asked_and_gone_on_with(field: Path, tmp_path: Path) -> None:
    output = tmp_path / "season"
    done = command(field, output)
    assert done.exit_code == 1, done.output  # one file is no sound
    assert "passed over" in done.stderr
    first_last = ask(output, "first-last").rows
    assert first_last == (
        ("carr", "2026-05-12", "2026-05-13", 2, 2),
        ("hill", "2026-05-13", "2026-05-13", 1, 1),
    )
    assert ask(output, "shared").rows == (("carr", "hill", 1),)
    assert [row[0] for row in ask(output, "faults").rows] == ["hill"]
    assert len(rows(output, "files")) == 5
    before = rows(output)
    assert len(before) == 3
    # One day is lost: only that one is made again.
    shutil.rmtree(output / "place=carr" / "day=2026-05-12")
    kept = (output / "place=hill" / "day=2026-05-12" / "calls.parquet").stat().st_mtime_ns
    again = command(field, output)
    assert "done before: 3 of 4 days" in again.stderr
    assert rows(output) == before
    assert (output / "place=hill/day=2026-05-12/calls.parquet").stat().st_mtime_ns == kept
    busy = ask(output, "SELECT hour, calls FROM hours WHERE place = 'carr' ORDER BY day").rows
    assert busy == ((4, 1), (4, 1))
    printed = CliRunner().invoke(cli, ["season", str(output), "--ask", "by-day", "--json"])
    assert json.loads(printed.stdout.splitlines()[0])["calls"] == 1
    # Words flush left, numbers right, as tables are set (common practice, no source).
    told = CliRunner().invoke(cli, ["season", str(output), "--ask", "first-last"]).stdout
    assert told.splitlines()[0] == "place  first_day   last_day    days  recordings"
    assert told.splitlines()[1] == "carr   2026-05-12  2026-05-13     2           2"
    assert ask(output, "SELECT ';' AS a;").rows == ((";",),)
    with pytest.raises(UserError, match="more than one"):
        ask(output, "SELECT 1; SELECT 2")


def test_a_changed_recording_is_looked_through_again(field: Path, tmp_path: Path) -> None:
    (unit, *_) = planned(field)
    write_partition(tmp_path, unit, Tables())
    assert is_done(tmp_path, unit)
    path = unit.sources[0].path
    os.utime(path, ns=(1, 1))
    assert not is_done(tmp_path, unit)


def dies_once(unit: Unit, mark: Path, wanted: list[Wanted]) -> Tables:
    """As `survey`, but the first worker that takes the first day is killed in its middle."""
    if unit.day == "2026-05-12" and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return survey(unit, wanted)


@pytest.mark.skipif(sys.platform == "win32", reason="there is no SIGKILL")
def test_a_killed_worker_loses_nothing_and_counts_nothing_twice(
    field: Path, tmp_path: Path
) -> None:
    jobs = planned(field)
    quiet = {one.day + one.place.name: survey(one, [sought()]) for one in jobs}
    told: list[Done[Unit, Tables]] = list(
        over_cores(partial(dies_once, mark=tmp_path / "died", wanted=[sought()]), jobs, workers=2)
    )
    assert (tmp_path / "died").exists()
    assert len(told) == len(jobs)
    assert {one.job.day + one.job.place.name: one.result for one in told} == quiet


def test_days_in_parts_are_as_days_whole(field: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("callresp.scout.survey.PART_S", 1.0)
    days = planned(field)
    assert max(len(day.parts()) for day in days) > 1
    work, given = [sought()], list[int]()

    def backwards(
        listen: Callable[[Unit], tuple[Heard, ...]], parts: Sequence[Unit]
    ) -> Iterator[Done[Unit, tuple[Heard, ...]]]:
        given.append(len(parts))
        return (Done(part, listen(part)) for part in reversed(parts))

    told = {one.job: one.result for one in by_day(backwards, days, work)}
    assert given == [sum(len(day.sources) for day in days)]
    assert told == {day: survey(day, work) for day in days}


def test_a_day_of_which_a_part_could_not_be_done_is_left_out(
    field: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("callresp.scout.survey.PART_S", 1.0)
    (day,) = [day for day in planned(field) if len(day.sources) > 1]

    def fails(
        listen: Callable[[Unit], tuple[Heard, ...]], parts: Sequence[Unit]
    ) -> Iterator[Done[Unit, tuple[Heard, ...]]]:
        yield Done(parts[0], None, "ended 3 workers")
        yield Done(parts[1], listen(parts[1]))

    assert list(by_day(fails, [day], [sought()])) == [Done(day, None, "ended 3 workers")]


@pytest.mark.skipif(sys.platform == "win32", reason="there is no SIGKILL")
def test_what_kills_every_worker_is_told_and_the_rest_is_done() -> None:
    told = list(over_cores(dies_on_hill, ["carr", "hill", "carr"], workers=2))
    assert sorted(str(one.result) for one in told) == ["None", "carr", "carr"]
    assert [one.fault for one in told if one.result is None] == ["ended 3 workers"]


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="asks Linux which processes there are")
def test_workers_end_with_a_killed_program(tmp_path: Path) -> None:
    marks = [tmp_path / "a", tmp_path / "b"]
    program = multiprocessing.get_context("spawn").Process(target=lingering, args=(marks,))
    program.start()
    until(lambda: all(mark.exists() and mark.read_text() for mark in marks))
    program.kill()
    program.join()
    until(lambda: not any(Path("/proc", mark.read_text()).exists() for mark in marks))


def until(done: Callable[[], bool], seconds: float = 60.0) -> None:
    limit = time.monotonic() + seconds
    while not done():
        assert time.monotonic() < limit
        time.sleep(0.02)


def test_a_full_disk_leaves_no_half_partition(
    field: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (unit, *_) = planned(field)
    open_season(tmp_path / "s", SeasonManifest(examples={}))

    def full(path: Path) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(season, "_synced", full)
    with pytest.raises(UserError, match=r"No space left.*goes on where it was"):
        write_partition(tmp_path / "s", unit, Tables())
    assert not is_done(tmp_path / "s", unit)
    assert list((tmp_path / "s").glob("place=*/*")) == []


def test_what_a_kill_left_is_cleared_and_not_read(field: Path, tmp_path: Path) -> None:
    (unit, *_) = planned(field)
    made = SeasonManifest(examples={})
    open_season(tmp_path / "s", made)
    write_partition(tmp_path / "s", unit, Tables())
    stale = tmp_path / "s" / "place=carr" / ".part-killed"
    shutil.copytree(tmp_path / "s" / "place=carr" / f"day={unit.day}", stale)
    assert len(rows(tmp_path / "s", "files")) == 0
    open_season(tmp_path / "s", made)
    assert not stale.exists()


def test_a_season_of_other_examples_and_other_folders_are_refused(tmp_path: Path) -> None:
    open_season(tmp_path / "s", SeasonManifest(examples={"a": "1"}))
    with pytest.raises(UserError, match="other examples"):
        open_season(tmp_path / "s", SeasonManifest(examples={"a": "2"}))
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "x").touch()
    with pytest.raises(UserError, match="something else"):
        open_season(tmp_path / "other", SeasonManifest(examples={}))


def test_examples_of_one_name_in_two_folders_are_both_held_to(tmp_path: Path) -> None:
    clips = [tmp_path / folder / "call.wav" for folder in ("a", "b")]
    made = []
    for content in (b"11", b"12", b"22"):
        for clip, byte in zip(clips, content, strict=True):
            clip.parent.mkdir(exist_ok=True)
            clip.write_bytes(bytes([byte]))
        made.append(digests(clips)["call.wav"])
    assert len(set(made)) == 3
    # hashlib's own of one file; a season that was begun with it is gone on with.
    assert digests(clips[:1]) == {"call.wav": hashlib.blake2b(b"2", digest_size=16).hexdigest()}


@pytest.mark.parametrize("question", ["fist-last", "SELECT nothing FROM nowhere"])
def test_what_can_not_be_asked_is_one_line(field: Path, tmp_path: Path, question: str) -> None:
    open_season(tmp_path / "s", SeasonManifest(examples={}))
    write_partition(tmp_path / "s", planned(field)[0], Tables())
    with pytest.raises(UserError):
        ask(tmp_path / "s", question)
    with pytest.raises(UserError, match="holds no season"):
        ask(tmp_path, "first-last")


def test_without_the_extras_one_line_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("pyarrow", "pyarrow.parquet", "duckdb", "distributed"):
        monkeypatch.setitem(sys.modules, name, None)
    with pytest.raises(UserError, match=r"pyarrow.*callresp\[season\]"):
        open_season(tmp_path / "s", SeasonManifest(examples={}))
    with pytest.raises(UserError, match=r"duckdb.*callresp\[season\]"):
        ask(tmp_path, "first-last")
    with pytest.raises(UserError, match=r"distributed.*callresp\[cluster\]"):
        list(over_cluster(str, [1], "tcp://127.0.0.1:1"))


def test_every_column_has_a_type_of_its_own(field: Path, tmp_path: Path) -> None:
    row = HourRow(
        place="carr", path="x", start=None, hour=None, from_sunrise_h=None, listened_s=1.0,
        calls=2, above_db=None, noise_db=-60.0, weather=0.1, rain=0.0, quiet=0.5, rests=3,
    )  # fmt: skip
    (unit, *_) = planned(field)
    open_season(tmp_path / "s", SeasonManifest(examples={}))
    write_partition(tmp_path / "s", unit, Tables(hours=(row,)))
    types = ask(tmp_path / "s", "SELECT typeof(calls), typeof(battery_h), typeof(path) FROM hours")
    assert types.rows == (("BIGINT", "DOUBLE", "VARCHAR"),)


def test_a_cluster_finds_what_one_process_finds(field: Path) -> None:
    distributed = pytest.importorskip("distributed", reason="callresp[cluster] is not installed")
    jobs = planned(field)[:2]
    work = partial(survey, sought=[sought()])
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, processes=False, dashboard_address=None
    ) as cluster:
        told = list(over_cluster(work, jobs, cluster.scheduler_address))
    assert {one.job.day: one.result for one in told} == {one.day: work(one) for one in jobs}


def test_a_cluster_without_workers_is_told_of(monkeypatch: pytest.MonkeyPatch) -> None:
    distributed = pytest.importorskip("distributed", reason="callresp[cluster] is not installed")
    monkeypatch.setattr("callresp.scout.spread.LOOK_S", 0.05)
    told: list[str] = []
    with distributed.LocalCluster(n_workers=0, processes=False, dashboard_address=None) as cluster:

        def tell(line: str) -> None:
            told.append(line)
            if len(told) == 1:
                cluster.scale(1)

        done = list(over_cluster(str, [1, 2], cluster.scheduler_address, tell))
    assert sorted(str(one.result) for one in done) == ["1", "2"]
    assert told[0].startswith(f"no worker at {cluster.scheduler_address} yet")
    assert "dask worker" in told[0]


def test_a_worker_keeps_to_one_core(field: Path) -> None:
    recording = open_recording(planned(field)[0].sources[0].path)
    seen: list[int] = []
    # conftest.py starts each process of the tests with one thread, so ask for two first.
    with threadpool_limits(2, "blas"):
        assert set(blas_threads()) == {2}
        search(recording, [sought()], look=lambda stretch: seen.extend(blas_threads()))
        assert set(blas_threads()) == {2}
    assert set(seen) == {1}


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="other C libraries do as they do")
def test_a_worker_keeps_what_it_freed_for_its_next_chunk() -> None:
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(1, spawn, max_tasks_per_child=1) as pool:
        given_back, kept = pool.map(held_mb, [False, True])
    assert given_back < 30
    assert kept > 60
