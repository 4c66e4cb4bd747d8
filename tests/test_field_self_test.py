"""The self-test names what is wrong with a machine, and nothing else."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
import strike_machine as sm
from click.testing import CliRunner
from field_machine import PULSE_MS, judged, known, machine, recorded
from hypothesis import example, given, settings
from hypothesis import strategies as st
from measure_helpers import BAR, capture_of

from callresp.commands import listening
from callresp.errors import UserError
from callresp.field.self_test import judge, measure
from callresp.field.self_test.judge import Verdict
from callresp.field.self_test.schedule import self_test_schedule
from callresp.io.audio import write_wav
from callresp.io.resources import shipped
from callresp.link import stream as link_stream
from callresp.live.sources import Block
from callresp.palette.files import load_palette
from callresp.palette.model import Palette
from callresp.plan.checked_plan import check
from callresp.plan.files import read_plan
from callresp.plan.model import Strike
from callresp.verbs.self_test import command


def told(found: dict[str, Verdict]) -> dict[str, set[str]]:
    """Kinds of faults by striker, where there are any."""
    return {name: {f.kind for f in one.faults} for name, one in found.items() if one.faults}


def test_a_machine_that_is_well() -> None:
    found = judged(machine())
    assert told(found) == {}
    for one in found.values():
        assert one.t60_s == pytest.approx(one.t60_known_s, rel=0.1)
        assert one.late_ms == pytest.approx(0.0, abs=0.6)
        assert one.level_db == pytest.approx(0.0, abs=0.5)


DEAD = {"t60_s": [0.2, 0.15, 0.12, 0.1, 0.1, 0.08]}


@pytest.mark.parametrize(
    ("changes", "faults"),
    [
        (
            {"bell": DEAD, "low_tube": {"loud_db": -22.0}, "wood": {"latency_ms": 22.0}},
            {"bell": {"dead"}, "low tube": {"weak"}, "wood": {"latency"}},
        ),
        (
            {
                "mid_tube": {"hz": [932.0 * 2 ** (40 / 1200) * r for r in BAR]},
                "high_tube": {"speaks_ms": 50.0},
                "bell": {"buzz_db": -10.0},
            },
            {"mid tube": {"pitch"}, "high tube": {"silent"}, "bell": {"loose"}},
        ),
        (
            {
                "low_tube": {"channel": 3},
                "mid_tube": {"channel": 0},
                "high_tube": {"bounces_ms": 24.0},
            },
            {"low tube": {"swapped"}, "mid tube": {"swapped"}, "high tube": {"loose"}},
        ),
    ],
    ids=["dead, weak, late", "pitch, silent, buzz", "swapped, bounce"],
)
def test_what_is_wrong_is_named(changes: dict[str, Any], faults: dict[str, set[str]]) -> None:
    assert told(judged(machine(**changes))) == faults


def test_a_damper_that_does_not_lift() -> None:
    few = ("low tube", "bell", "wood")
    found = judged(machine(low_tube={"felt": sm.Felt(5, lift_ms=1e6)}), only=few)
    assert told(found) == {"low tube": {"dead"}}
    assert "damper does not lift" in found["low tube"].faults[0].text


def test_it_says_which_striker_sounds_instead() -> None:
    found = judged(machine(low_tube={"channel": 1}, bell={"channel": 0}))
    assert found["low tube"].sounds_as == "bell"
    assert found["bell"].sounds_as == "low tube"


@settings(max_examples=4, deadline=None)
@given(st.floats(-60, 60), st.floats(0.25, 1.0), st.integers(1, 1000))
def test_pitch_and_ring_are_measured(cents: float, share: float, seed: int) -> None:
    hz = [932.0 * 2 ** (cents / 1200) * r for r in BAR]
    t60_s = [share * t for t in (1.6, 0.9, 0.5, 0.3)]
    odd = machine(mid_tube={"hz": hz, "t60_s": t60_s})
    recorder = sm.Recorder(noise_db=-45.0, seed=seed)
    one = judged(odd, recorder, only=("mid tube", "wood"))["mid tube"]
    assert one.pitch_off_cents == pytest.approx(cents, abs=1.5)
    assert one.t60_s == pytest.approx(1.6 * share, rel=0.12)


def test_a_recorder_with_another_gain_and_clock() -> None:
    recorder = sm.Recorder(noise_db=-50.0, gain_db=-20.0, offset_s=11.3, skew_ppm=60.0)
    assert told(judged(machine(), recorder, ("low tube", "high tube", "wood"))) == {}


def test_noise_that_hides_a_striker_is_not_its_fault() -> None:
    few = ("low tube", "high tube")
    found = judged(machine(high_tube={"speaks_ms": 50.0}), sm.Recorder(noise_db=-24.0), few)
    assert told(found)["high tube"] == {"unsure"}


def test_clipping_is_told_and_no_fault_of_the_striker() -> None:
    few = ("low tube", "wood")
    found = told(judged(machine(), sm.Recorder(noise_db=-50.0, gain_db=20.0), few))
    assert found["low tube"] == {"clipped"}


def test_a_single_striker_when_the_host_knows_when_it_began() -> None:
    palette = known()
    schedule = self_test_schedule(palette, ("bell",))
    samples = recorded(machine(bell={"speaks_ms": 50.0}), schedule)
    about = (2.1, 2.6)
    (silent,) = measure.measure_strokes(capture_of(samples), schedule, palette, about)
    assert not silent.spoke
    (one,) = judge.judge([silent], palette)
    assert one.faults[0].kind == "silent"
    samples = recorded(machine(), schedule)
    (sounded,) = measure.measure_strokes(capture_of(samples), schedule, palette, about)
    assert judge.judge([sounded], palette)[0].well


def test_another_recording_is_refused() -> None:
    palette = known()
    schedule = self_test_schedule(palette)
    rng = np.random.default_rng(0)
    quiet = (1e-4 * rng.standard_normal(48000 * 20)).astype(np.float32)
    with pytest.raises(UserError, match="of its 5 strokes can be found"):
        measure.measure_strokes(capture_of(quiet), schedule, palette)


@pytest.mark.parametrize("name", shipped("palettes"))
def test_each_striker_is_struck_once_within_every_limit(name: str) -> None:
    palette = load_palette(name)
    # Building a checked plan is what holds it to the limits.
    plan = check(self_test_schedule(palette, name=name), palette).plan
    struck = [c.instrument for c in plan.commands if isinstance(c, Strike)]
    assert struck == [striker.name for striker in palette.striker]


@settings(max_examples=25, deadline=None)
@given(st.floats(0.05, 6.0), st.floats(200.0, 9000.0), st.sampled_from(["on", "off"]))
@example(1.0, 200.046875, "off")
def test_any_striker_is_heard_out_within_its_coils_limits(
    t60_s: float, on_max_ms: float, rest: Any
) -> None:
    palette = load_palette("fettle")
    tube = palette.striker[0]
    assert tube.damper is not None
    coil = msgspec.structs.replace(tube.damper.coil, on_max_ms=on_max_ms)
    partial = msgspec.structs.replace(tube.partials[0], t60_s=t60_s)
    odd = msgspec.structs.replace(
        tube,
        partials=(partial,),
        damper=msgspec.structs.replace(tube.damper, coil=coil, rest=rest),
    )
    changed: Palette = msgspec.structs.replace(palette, striker=(odd, *palette.striker[1:]))
    schedule = self_test_schedule(changed)
    check(schedule, changed)
    assert len(schedule.strikes) == len(changed.striker)


def run(*words: str) -> tuple[int, dict[str, Any]]:
    done = CliRunner().invoke(command, [*words, "--json"], standalone_mode=False)
    assert done.exception is None, done.output
    assert isinstance(done.return_value, int)
    return done.return_value, json.loads(done.stdout)


TOML = """
name = "tried"
[board]
name = "b"
coil_channels = 8
motor_channels = 0
[supply]
chemistry = "mains"
nominal_v = 12.0
current_max_a = 9.0
[[driver]]
name = "all"
channels = [0, 1, 2, 3, 4, 5, 6, 7]
current_max_a = 9.0
"""


def written(folder: Path) -> str:
    """The palette that knows the machine, as a file."""
    text = TOML
    for one in known().striker[3:]:
        pitch = f"pitch_hz = {one.pitch_hz}" if one.pitch_hz else f"base_hz = {one.base_hz}"
        partials = ", ".join(
            f"{{ ratio = {p.ratio:.6f}, level_db = {p.level_db}, t60_s = {p.t60_s} }}"
            for p in one.partials
        )
        text += f"""
[[striker]]
name = "{one.name}"
kind = "{one.kind}"
{pitch}
latency_ms = {one.latency_ms}
restrike_ms = 130
force = [{{ pulse_ms = {PULSE_MS}, level_db = {one.force[-1].level_db} }}]
partials = [{partials}]
[striker.coil]
channel = {one.coil.channel}
resistance_ohm = 8.0
on_max_ms = 30
"""
    path = folder / "tried.toml"
    path.write_text(text)
    return str(path)


def test_at_the_desk_from_plan_to_verdict(tmp_path: Path) -> None:
    palette = written(tmp_path)
    plan_file, wav = tmp_path / "check.plan.jsonl", tmp_path / "check.wav"
    done = CliRunner().invoke(
        command, ["--palette", palette, "--plan", str(plan_file), "--json"], standalone_mode=False
    )
    assert done.exception is None
    schedule = read_plan(plan_file)
    told = {"plan": str(plan_file), "duration_s": schedule.header.duration_s}
    assert json.loads(done.output) == told
    two = machine(bell=DEAD)[3:]
    write_wav(wav, recorded(two, schedule), 48000)
    status, found = run("--palette", palette, "--recording", str(wav))
    assert status == 1
    faults = {one["striker"]: [f["kind"] for f in one["faults"]] for one in found["strikers"]}
    assert faults == {"bell": ["dead"], "wood": []}
    write_wav(wav, recorded(machine()[3:], schedule), 48000)
    assert run("--palette", palette, "--recording", str(wav))[0] == 0


def test_on_a_board_while_it_listens(tmp_path: Path) -> None:
    """A simulated board; the sound that it would have made comes from a file."""
    palette = written(tmp_path)
    wav, kept = tmp_path / "heard.wav", tmp_path / "kept.wav"
    machines = machine(wood={"speaks_ms": 50.0})[3:]
    write_wav(wav, recorded(machines, self_test_schedule(load_palette(palette))), 48000)
    words = ("--palette", palette, "--port", "simulated", "--input", str(wav), "--keep", str(kept))
    status, found = run(*words)
    assert status == 1
    assert found["not_played"] == 0
    faults = {one["striker"]: [f["kind"] for f in one["faults"]] for one in found["strikers"]}
    assert faults == {"bell": [], "wood": ["silent"]}
    assert kept.stat().st_size > 100_000


class Microphone:
    """Hears the machine as it plays: sound in blocks, at the pace of the wall's clock."""

    sample_rate_hz = 48000
    late_s = 0.04

    def __init__(self, sound: Any) -> None:
        self._sound = sound
        self.began_s: float | None = None
        self._closed = False

    def blocks(self) -> Iterator[Block]:
        start_s, done = time.monotonic(), 0
        while not self._closed:
            time.sleep(0.01)
            count = round((time.monotonic() - start_s) * 48000) - done
            part = np.full(count, 1e-4, np.float32)
            part *= np.random.default_rng(done).standard_normal(count).astype(np.float32)
            if self.began_s is not None:
                # What sounds now is heard a little later: the card has buffers.
                first = done + round((start_s - self.began_s - self.late_s) * 48000)
                heard = np.arange(max(first, 0), min(first + count, len(self._sound)))
                part[heard - first] += self._sound[heard]
            yield Block(part, done / 48000)
            done += count

    def close(self) -> None:
        self._closed = True


def test_as_it_sounds_on_one_striker_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One stroke can be placed only by the host's own clock."""
    palette = written(tmp_path)
    schedule = self_test_schedule(load_palette(palette), ("wood",))
    recorder = sm.Recorder(offset_s=0.0, noise_db=-70)
    microphone = Microphone(recorded(machine()[3:], schedule, recorder))
    real = link_stream.stream

    def stream(checked: Any, url: str, *, watch: Any) -> Any:
        def look(session: Any, now_s: float) -> None:
            if microphone.began_s is None and session.start_s is not None:
                microphone.began_s = time.monotonic() - now_s + session.start_s
            watch(session, now_s)

        return real(checked, url, watch=look)

    monkeypatch.setattr(listening, "stream", stream)
    monkeypatch.setattr(listening, "source_of", lambda *_, **__: microphone)
    status, found = run("--palette", palette, "--port", "simulated", "--only", "wood")
    assert found["strikers"][0]["faults"] == []
    assert found["strikers"][0]["heard"]
    assert status == 0


def test_mistakes_are_told(tmp_path: Path) -> None:
    for words, text in (
        ([], "give a --port to strike on"),
        (["--port", "x", "--recording", "y.wav"], "give a --port to strike on"),
        (["--only", "tube 9", "--port", "simulated"], "no striker 'tube 9'"),
        (["--recording", str(tmp_path / "none.wav")], "none.wav"),
        (["--port", "/dev/none"], "nobody is there to confirm"),
        (["--port", "simulated", "--input", str(tmp_path / "none.wav")], "none.wav"),
    ):
        done = CliRunner().invoke(command, words)
        assert text in str(done.exception)
