"""Start times from names and headers, and what is found about clocks, gaps and doubles."""

from __future__ import annotations

import struct
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import soundfile

from callresp.errors import UserError
from callresp.io.audio import write_wav
from callresp.io.starttime import header_start, start_of
from callresp.scout.places import Place, findings, load_places, sources, without_doubles

RATE_HZ = 8000
NOW = datetime(2026, 12, 1, tzinfo=UTC)


@pytest.mark.parametrize(("name", "start"), [
    ("CARR_20260512_041500.wav", "2026-05-12T04:15:00"),
    ("20260512T041500Z.wav", "2026-05-12T04:15:00"),
    ("2026-05-12 04-15-00.wav", "2026-05-12T04:15:00"),
    ("2026-05-12_04.15.00.m4a.wav", "2026-05-12T04:15:00"),
    ("260512-041500.wav", "2026-05-12T04:15:00"),
    ("20261399_041500.wav", None), ("1234567_041500.wav", None), ("take 12.wav", None),
])  # fmt: skip
def test_names(name: str, start: str | None) -> None:
    """Common practice, no source."""
    found = start_of(Path(name))
    assert (found and found.isoformat()) == start


def with_chunk(path: Path, name: bytes, body: bytes) -> Path:
    """A WAV file with a chunk before its sound."""
    write_wav(path, np.full(RATE_HZ, 0.1), RATE_HZ, "PCM_16")
    raw = path.read_bytes()
    chunk = name + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2)
    path.write_bytes(raw[:4] + struct.pack("<I", len(raw) - 8 + len(chunk)) + raw[8:12] + chunk
                     + raw[12:])  # fmt: skip
    return path


def test_headers(tmp_path: Path) -> None:
    """bext: EBU Tech 3285, description 256, originator 32, reference 32, date 10, time 8 bytes."""
    bext = b"\0" * 320 + b"2026-05-12" + b"04:15:00" + b"\0" * 264
    assert header_start(with_chunk(tmp_path / "a.wav", b"bext", bext)) == datetime(
        2026, 5, 12, 4, 15
    )
    comment = (
        b"INFOICMT" + struct.pack("<I", 44) + b"Recorded at 04:15:00 12/05/2026 (UTC+1) by A\0"
    )
    listed = header_start(with_chunk(tmp_path / "b.wav", b"LIST", comment))
    assert listed is not None
    assert listed.isoformat() == "2026-05-12T04:15:00+01:00"
    guano = b"GUANO|Version: 1.0\nTimestamp: 2026-05-12T04:15:00+01:00\n"
    assert start_of(with_chunk(tmp_path / "c.wav", b"guan", guano)) == listed
    empty = b"\0" * 602
    assert header_start(with_chunk(tmp_path / "d.wav", b"bext", empty)) is None


def recorded(folder: Path, *names: str, seconds: float = 600.0, zone: str = "Etc/GMT") -> list[str]:
    """Findings about recordings of these names; each is its own sound."""
    folder.mkdir(exist_ok=True)
    for number, name in enumerate(names):
        samples = np.zeros(int(seconds * 100), np.float32)
        samples[number] = 0.5
        write_wav(folder / f"{name}.wav", samples, 100, "PCM_16")
    place = Place(name="carr", zone=zone)
    return findings(without_doubles(sources(place, folder))[0], NOW)


def test_recordings_one_after_another_are_nothing_odd(tmp_path: Path) -> None:
    assert recorded(tmp_path / "a", "20260512_040000", "20260512_041000", "20260512_042000") == []


def test_gaps_overlaps_and_clocks_are_found(tmp_path: Path) -> None:
    told = recorded(tmp_path / "gap", "20260512_040000", "20260512_041000", "20260512_062000")
    assert told == ["carr, 2026-05-12 06:20: nothing for 2.0 h before"]
    told = recorded(tmp_path / "over", "20260512_040000", "20260512_040500")
    assert "begins 5.0 min before" in told[0]
    told = recorded(tmp_path / "unset", "20000101_000000")
    assert "never set" in told[0]
    told = recorded(tmp_path / "future", "20310101_000000")
    assert "yet to come" in told[0]
    (tmp_path / "none").mkdir()
    (tmp_path / "none" / "unread.wav").write_text("no sound at all")
    told = recorded(tmp_path / "none", "first take")
    assert told[0].startswith(f"passed over: {tmp_path / 'none' / 'unread.wav'}")
    assert told[1:] == ["carr: 1 recording without a time of day"]


def test_a_phones_recordings_are_looked_through_or_told_of(tmp_path: Path) -> None:
    """Formats that libsndfile 1.2 reads and not, by its documentation; a folder left some out."""
    tone = np.sin(np.arange(RATE_HZ) / 3.0)
    for name, words in (
        ("a.opus", {"format": "OGG", "subtype": "OPUS"}),
        ("b.caf", {"format": "CAF"}),
        ("c.mp3", {"format": "MP3"}),
    ):
        soundfile.write(tmp_path / name, tone, RATE_HZ, **words)
    for name in ("d.m4a", "e.3gp", "._a.opus"):
        (tmp_path / name).write_bytes(bytes(4096))
    found = sources(Place(name="carr"), tmp_path)
    assert [one.path.name for one in found] == ["a.opus", "b.caf", "c.mp3", "d.m4a", "e.3gp"]
    assert [bool(one.fault) for one in found] == [False, False, False, True, True]


def test_a_clock_that_did_not_follow_daylight_saving_is_found(tmp_path: Path) -> None:
    """Summer time in Britain began on 29 March 2026 at 1:00 (the zone database of IANA)."""
    half_hours = ("20260329_000000", "20260329_003000", "20260329_013000", "20260329_020000")
    names = [half_hours[0], half_hours[1], "20260329_010000", *half_hours[2:], "20260329_023000"]
    told = recorded(tmp_path / "dst", *names, seconds=1800.0, zone="Europe/London")
    assert len(told) == 1
    assert "daylight saving" in told[0]
    assert recorded(tmp_path / "dst", *names, seconds=1800.0) == []
    # A recorder that wakes for a moment every half hour, too.
    told = recorded(tmp_path / "asleep", *names, seconds=6.0, zone="Europe/London")
    assert len(told) == 1
    assert "an hour doubled where daylight saving changed" in told[0]


def test_a_clock_that_was_never_set_is_no_gap(tmp_path: Path) -> None:
    told = recorded(tmp_path / "a", "20000101_000000", "20260512_040000", "20310101_000000")
    assert len(told) == 2
    assert not any("nothing for" in line for line in told)
    told = recorded(tmp_path / "b", "20260501_040000", "20260501_041000", "20260512_040000")
    assert told == ["carr, 2026-05-12 04:00: nothing for 11 days before"]


def test_a_name_and_a_header_that_disagree_are_told(tmp_path: Path) -> None:
    bext = b"\0" * 320 + b"2026-05-12" + b"05:15:00" + b"\0" * 264
    with_chunk(tmp_path / "carr_20260512_041500.wav", b"bext", bext)
    told = findings(sources(Place(name="carr", zone="Etc/GMT"), tmp_path), NOW)
    assert "name and header are 1.0 h apart" in told[0]


def test_doubled_files_are_left_out_and_told(tmp_path: Path) -> None:
    sound = np.random.default_rng(0).normal(0, 0.1, 5 * RATE_HZ)
    for name in ("20260512_040000", "20260512_040000 copy"):
        write_wav(tmp_path / f"{name}.wav", sound, RATE_HZ)
    kept, told = without_doubles(sources(Place(name="carr"), tmp_path))
    assert len(kept) == 1
    assert "holds the same" in told[0]


def test_places_come_from_folders_or_from_a_file(tmp_path: Path) -> None:
    for name in ("carr", "hill"):
        (tmp_path / name).mkdir()
        write_wav(tmp_path / name / "20260512_041500.wav", np.full(800, 0.1), RATE_HZ)
    assert [place.name for place, _ in load_places(tmp_path)] == ["carr", "hill"]
    (tmp_path / "places.toml").write_text(
        '[[place]]\nname = "The carr"\nfolder = "carr"\nlatitude = 54.2\nlongitude = -2.8\n'
        'zone = "Europe/London"\nclock_ahead_s = 60\n'
    )
    ((place, folder),) = load_places(tmp_path)
    (source,) = sources(place, folder)
    assert source.start is not None
    assert source.start.isoformat() == "2026-05-12T04:14:00+01:00"


@pytest.mark.parametrize(("text", "what"), [
    ('[[place]]\nname = "a"\nzone = "Europe/Lundun"\n', "line 3.*no zone"),
    ('[[place]]\nname = "a"\nlatitude = 5\n', "go together"),
    ('[[place]]\nname = "a"\n[[place]]\nname = "a"\n', "two places"),
    ('[[place]]\nname = "a/b"\n', "leave out '/'"),
])  # fmt: skip
def test_a_mistake_in_places_is_one_line(tmp_path: Path, text: str, what: str) -> None:
    (tmp_path / "places.toml").write_text(text)
    with pytest.raises(UserError, match=what):
        load_places(tmp_path)
