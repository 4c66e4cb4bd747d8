"""The commands rehearse and export, from files to files."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import mido
import msgspec
import pytest
import soundfile as sf
from click.testing import CliRunner
from rehearse_helpers import strike
from test_rehearse_mixing import chorus
from test_rehearse_passage import heard, reply

from callresp.errors import UserError
from callresp.io.score_files import write_heard, write_reply
from callresp.palette.files import fingerprint, load_palette
from callresp.plan.files import write_plan
from callresp.plan.model import Plan, PlanHeader
from callresp.synthesis.job_files import stage_of, stem_of
from callresp.verbs.rehearse import export_command as export
from callresp.verbs.rehearse import rehearse_command as rehearse

pytestmark = pytest.mark.usefixtures("coarse")


@pytest.fixture
def job(tmp_path: Path) -> Path:
    """A folder with x.wav, x.heard.jsonl, x.reply.jsonl and x.plan.jsonl; returns the plan."""
    chorus(tmp_path / "x.wav", 3.0)
    palette = load_palette("fettle")
    write_heard(tmp_path / "x.heard.jsonl", heard())
    score = reply()
    notes = tuple(msgspec.structs.replace(n, instrument="tube 1") for n in score.notes)
    header = msgspec.structs.replace(score.header, palette="fettle")
    write_reply(
        tmp_path / "x.reply.jsonl", msgspec.structs.replace(score, header=header, notes=notes)
    )
    plan = Plan(
        header=PlanHeader(
            palette="Fettle",
            palette_sha256=fingerprint(palette),
            recording="x.wav",
            duration_s=3.0,
        ),
        commands=(strike(0.5, 10.0, reply=0), strike(1.5, 12.0, reply=1)),
    )
    write_plan(tmp_path / "x.plan.jsonl", plan)
    return tmp_path / "x.plan.jsonl"


def run(command: Any, *words: object) -> Any:
    """Run a command; a user's mistake is raised, as the command line would catch it."""
    return CliRunner().invoke(
        command, [str(word) for word in words], catch_exceptions=False, standalone_mode=False
    )


def test_a_plan_is_enough(job: Path) -> None:
    done = run(rehearse, job, "--picture")
    assert "x.rehearsal.wav" in done.stdout
    assert "hearing" in done.stderr, "the caution"
    assert sf.info(job.with_name("x.rehearsal.wav")).samplerate == 22050
    assert job.with_name("x.png").read_bytes().startswith(b"\x89PNG")


def test_json_is_one_object_and_nothing_else(job: Path) -> None:
    told = json.loads(run(rehearse, job, "--json").stdout)
    assert told["sample_rate_hz"] == 22050
    assert told["gain_db"] <= 0
    drawn = json.loads(
        run(rehearse, job, "--json", "--picture-file", job.with_name("p.svg")).stdout
    )
    assert drawn["picture"]["strokes"] == 2


def test_distance_and_full_scale_are_the_users(job: Path) -> None:
    near = json.loads(run(rehearse, job, "--json", "--distance", 1).stdout)
    far = json.loads(run(rehearse, job, "--json", "--distance", 10).stdout)
    assert near["machine_peak_db"] - far["machine_peak_db"] == pytest.approx(20.0, abs=2.0)
    low = json.loads(run(rehearse, job, "--json", "--full-scale", 100).stdout)
    usual = json.loads(run(rehearse, job, "--json").stdout)
    assert usual["machine_peak_db"] - low["machine_peak_db"] == pytest.approx(6.0, abs=0.02)


def test_without_a_recording_the_machine_plays_alone_and_that_is_said(job: Path) -> None:
    job.with_name("x.wav").unlink()
    done = run(rehearse, job)
    assert "rendered the machine alone" in done.stderr


def test_a_plan_for_a_changed_palette_is_refused(job: Path) -> None:
    text = job.read_text().replace(fingerprint(load_palette("fettle")), "0" * 64)
    job.write_text(text)
    with pytest.raises(UserError, match="another palette or an older state"):
        run(rehearse, job)


def test_a_plan_that_breaks_a_limit_is_not_rehearsed(job: Path) -> None:
    text = job.read_text().replace('"pulse_ms":10.0', '"pulse_ms":5000.0')
    job.write_text(text)
    with pytest.raises(UserError, match="on_max_ms"):
        run(rehearse, job)
    assert not job.with_name("x.rehearsal.wav").exists()


def test_an_unknown_palette_is_named(job: Path) -> None:
    job.with_name("x.reply.jsonl").unlink()
    job.write_text(job.read_text().replace('"palette":"Fettle"', '"palette":"Kettle"'))
    with pytest.raises(UserError, match=r"can't find palette 'Kettle'; name its file"):
        run(rehearse, job)


@pytest.mark.parametrize(
    ("fault", "told"),
    [
        (ModuleNotFoundError("No module named 'rtmidi'"), "needs the package python-rtmidi"),
        # As the loader of ELF files says it.
        (ImportError("libasound.so.2: cannot open shared object file"), r"no MIDI \(libasound"),
    ],
)
def test_live_midi_says_what_it_lacks(
    job: Path, monkeypatch: pytest.MonkeyPatch, fault: ImportError, told: str
) -> None:
    def missing(*args: object, **values: object) -> None:
        raise fault

    monkeypatch.setattr(mido, "Backend", missing)
    with pytest.raises(UserError, match=told):
        run(rehearse, job, "--midi-port", "Synth")


def test_live_midi_plays_the_plan(job: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    sent: list[Any] = []

    class Port:
        def send(self, message: Any) -> None:
            sent.append(message)

        def close(self) -> None:
            sent.append("closed")

    class Backend:
        def __init__(self, *args: object, **values: object) -> None: ...

        def get_output_names(self) -> list[str]:
            return []

        def open_output(self, name: str, virtual: bool) -> Port:
            return Port()

    monkeypatch.setattr(mido, "Backend", Backend)
    monkeypatch.setattr("callresp.midi.out._wait_until", lambda *given: None)
    done = run(rehearse, job, "--midi-port", "Ours", "--virtual", "--from", 0.2)
    assert "played 5 notes on Ours" in done.stdout, "three heard, two struck"
    assert any(message.type == "pitchwheel" for message in sent[:-1])
    assert sent[-1] == "closed"


def test_export_adds_the_heard_score_beside_a_plan(job: Path) -> None:
    told = json.loads(run(export, job, "--json").stdout)
    assert told["tracks"] == ["heard: A", "reply: tube 1"]
    assert (told["heard_notes"], told["reply_notes"]) == (3, 2)
    names = [track.name for track in mido.MidiFile(job.with_name("x.mid")).tracks]
    assert names == ["x.wav", "heard: A", "reply: tube 1"]


def test_export_of_one_alone(job: Path) -> None:
    told = json.loads(run(export, job, "--alone", "--json").stdout)
    assert told["tracks"] == ["reply: tube 1"]
    told = json.loads(
        run(export, job.with_name("x.heard.jsonl"), "-o", job.with_name("h.mid"), "--json").stdout
    )
    assert told["path"].endswith("h.mid")
    assert told["tracks"] == ["heard: A"]
    told = json.loads(run(export, job.with_name("x.reply.jsonl"), "--json").stdout)
    assert told["reply_notes"] == 3


def test_export_refuses_two_of_a_kind_and_what_is_no_score(job: Path) -> None:
    with pytest.raises(UserError, match="a second plan"):
        run(export, job, job)
    words = job.with_name("x.txt")
    words.write_text("words")
    with pytest.raises(UserError, match="no heard score, reply score or plan"):
        run(export, words, "-o", "x.mid")


def test_kinds_and_stems(job: Path) -> None:
    assert [stage_of(job.with_name(f"x.{k}.jsonl")) for k in ("heard", "reply", "plan")] == [
        "heard",
        "reply",
        "plan",
    ]
    assert stem_of(Path("a/x.y.reply.jsonl")) == "x.y"
    assert stem_of(Path("a/x.y.wav")) == "x.y"
