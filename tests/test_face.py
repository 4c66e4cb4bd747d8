"""The public face: what a Python user types works as typed, loads late, and is typed."""

from __future__ import annotations

import inspect
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from listen_helpers import RATE_HZ, calls

import callresp
from callresp.io.audio import Waveform, open_recording, write_wav
from callresp.io.score_files import read_heard

ROOT = Path(__file__).resolve().parent.parent


def dawn(folder: Path) -> Path:
    """Three calls of 2.5 kHz in a quiet place, beside a reader's own script."""
    path = folder / "dawn.wav"
    write_wav(path, calls((0.5, 1.0, 1.5), 4.0, hertz=2500.0), RATE_HZ)
    return path


def test_the_readme_section_for_python_users_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    section = (ROOT / "README.md").read_text(encoding="utf-8").split("## From Python")[1]
    found = re.search(r"```python\n(.*?)```", section, re.DOTALL)
    assert found is not None
    dawn(tmp_path)
    monkeypatch.chdir(tmp_path)
    exec(compile(found[1], "README.md", "exec"), {})
    said = capsys.readouterr().out.splitlines()
    assert sum(line.split()[2] == "A" for line in said if " Hz " in line) == 3
    assert open_recording("rehearsal.wav").duration_s >= 4.0


def test_samples_are_heard_as_their_file_is(tmp_path: Path) -> None:
    path = dawn(tmp_path)
    in_file = callresp.transcribe(path)
    (samples,) = open_recording(path).blocks(10 * RATE_HZ)
    in_memory = callresp.transcribe(samples, sample_rate_hz=RATE_HZ)
    assert in_memory.notes == in_file.notes
    assert len(in_file.notes) == 3
    both = np.stack([samples, np.zeros_like(samples)], axis=1)
    assert callresp.transcribe(both, sample_rate_hz=RATE_HZ, channel=1).notes == in_file.notes
    assert callresp.transcribe(both, sample_rate_hz=RATE_HZ, channel=2).notes == ()


def test_the_face_hears_and_answers_as_the_commands_do(tmp_path: Path) -> None:
    path = dawn(tmp_path)
    command = [sys.executable, "-m", "callresp", "transcribe", str(path)]
    subprocess.run(command, check=True, capture_output=True)
    assert read_heard(tmp_path / "dawn.heard.jsonl") == callresp.transcribe(path)


def test_a_mix_in_memory_is_the_mix_in_the_file(tmp_path: Path) -> None:
    from callresp.synthesis.mixing import MixSettings, mix

    path = dawn(tmp_path)
    plan = callresp.make_plan(callresp.answer(callresp.transcribe(path)))
    out = tmp_path / "mix.wav"
    mix(path, plan.plan, plan.palette, out, mixing=MixSettings(float32=True))
    (in_file,) = open_recording(out).blocks(100 * RATE_HZ)
    np.testing.assert_array_equal(callresp.render(plan, chorus=path).samples[:, 0], in_file)
    chorus = Waveform(next(open_recording(path).blocks(100 * RATE_HZ)), RATE_HZ)
    np.testing.assert_array_equal(callresp.render(plan, chorus=chorus).samples[:, 0], in_file)


MISTAKES = [
    ({"sound": np.zeros(4800)}, "sample_rate_hz: samples without their rate"),
    ({"sound": np.zeros(0), "sample_rate_hz": RATE_HZ}, "samples: holds no sound"),
    ({"sound": np.zeros(9, np.int16), "sample_rate_hz": RATE_HZ}, "samples of type int16"),
    ({"sound": np.zeros((2, 2, 2)), "sample_rate_hz": RATE_HZ}, r"shape \(2, 2, 2\)"),
    ({"sound": np.zeros(9), "sample_rate_hz": RATE_HZ, "channel": 2}, "has no channel 2"),
    ({"sound": "no-such.wav"}, "no-such.wav: can't be read"),
    ({"sound": np.zeros(9), "sample_rate_hz": "48000"}, "'48000' samples a second"),
    (
        {"sound": np.zeros(9), "sample_rate_hz": 44100.5},
        r"44100\.5 samples a second",
    ),
]


@pytest.mark.parametrize(("given", "told"), MISTAKES)
def test_a_mistake_is_told_in_one_line(given: dict[str, object], told: str) -> None:
    with pytest.raises(callresp.UserError, match=told) as caught:
        callresp.transcribe(**given)  # type: ignore[arg-type]
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({"sample_rate_hz": 0}, "sample_rate_hz: 0 samples a second"),
        ({"sample_rate_hz": float("nan")}, "sample_rate_hz: nan samples a second"),
        ({"sample_rate_hz": RATE_HZ, "profile": "nope"}, "no shipped name 'nope'"),
    ],
)
def test_a_listener_is_made_for_a_rate_and_a_profile(given: dict[str, Any], told: str) -> None:
    with pytest.raises(callresp.UserError, match=told):
        callresp.Listener(**given)
    assert callresp.Listener(RATE_HZ, "frog").profile == callresp.load_profile("frog")


@pytest.mark.parametrize("block", [np.zeros((480, 1), np.float32), np.zeros(480, np.int16), None])
def test_a_block_that_is_none_is_told(block: Any) -> None:
    # Of a sound card they have a column a channel; of PCM they are whole numbers.
    with pytest.raises(callresp.UserError, match=r"give floats of shape \(n,\)"):
        callresp.Listener(RATE_HZ).push(block)


def test_another_stage_s_value_is_told(tmp_path: Path) -> None:
    heard: Any = callresp.transcribe(dawn(tmp_path))
    reply: Any = callresp.answer(heard)
    plan = callresp.make_plan(reply)
    chorus: Any = np.zeros(9)
    with pytest.raises(callresp.UserError, match="heard: a ReplyScore where a HeardScore is"):
        callresp.answer(reply)
    with pytest.raises(callresp.UserError, match="reply: a HeardScore where a ReplyScore is"):
        callresp.make_plan(heard)
    with pytest.raises(callresp.UserError, match="plan: a ReplyScore where a CheckedPlan is"):
        callresp.render(reply)
    with pytest.raises(callresp.UserError, match="chorus: a ndarray where a Recording is needed"):
        callresp.render(plan, chorus=chorus)


def test_a_rate_beside_a_file_must_be_its_own(tmp_path: Path) -> None:
    with pytest.raises(callresp.UserError, match="has 44100 samples a second, not 22050"):
        callresp.transcribe(dawn(tmp_path), sample_rate_hz=22_050)


def test_a_path_serves_wherever_a_name_does() -> None:
    for load in (callresp.load_palette, callresp.load_profile, callresp.load_rules):
        with pytest.raises(callresp.UserError, match="no file and no shipped name 'nope'"):
            load(Path("nope"))
    assert callresp.load_profile(Path("frog")) == callresp.load_profile("frog")


@pytest.mark.parametrize("seed", [-1, 1.5, "seven"])
def test_a_seed_is_a_whole_number(seed: Any, tmp_path: Path) -> None:
    plan = callresp.make_plan(callresp.answer(callresp.transcribe(dawn(tmp_path))))
    with pytest.raises(callresp.UserError, match=f"seed: {seed} is no seed"):
        callresp.render(plan, seed=seed)


def test_importing_loads_nothing_heavy() -> None:
    script = "import sys, callresp; print(*sorted({n.split('.')[0] for n in sys.modules}))"
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert not {"numpy", "scipy", "numba", "msgspec", "matplotlib"} & set(done.stdout.split())


def test_every_public_name_is_there_and_explained() -> None:
    assert set(callresp.__all__) <= {*dir(callresp)}
    for name in callresp.__all__:
        thing = getattr(callresp, name)
        if callable(thing):
            assert inspect.getdoc(thing), name


@pytest.mark.parametrize("name", ["transcribe", "answer", "make_plan", "render"])
def test_functions_say_what_they_take_and_give(name: str) -> None:
    function = getattr(callresp, name)
    doc = inspect.getdoc(function) or ""
    assert all(f"{part}\n---" in doc for part in ("Parameters", "Returns", "Raises", "Examples"))
    for parameter in inspect.signature(function).parameters:
        assert f"\n{parameter}\n" in doc
    assert "Any" not in " ".join(map(str, function.__annotations__.values()))
    assert (ROOT / "callresp" / "py.typed").is_file()
