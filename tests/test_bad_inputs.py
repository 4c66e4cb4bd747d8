"""What users get wrong: each is one line on standard error, a status, and nothing written."""

from __future__ import annotations

import json
import os
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from listen_helpers import RATE_HZ, calls

from callresp.cli import main
from callresp.io.audio import write_wav
from callresp.io.resources import corpus

Run = Callable[..., tuple[int, str, str]]


def job(folder: Path) -> None:
    """A whole job, and beside it what can be wrong with each of its files."""
    write_wav(folder / "dawn.wav", calls((0.5, 1.0, 1.5, 2.6, 3.0), 5.0), RATE_HZ)
    write_wav(folder / "other.wav", calls((0.5,), 2.0), RATE_HZ)
    for words in (
        ("transcribe", "dawn.wav"),
        ("reply", "dawn.heard.jsonl"),
        ("check", "dawn.reply.jsonl"),
        ("transcribe", "other.wav"),
        ("reply", "other.heard.jsonl"),
    ):
        assert status_of(*words) in (0, 1)
    shutil.copy(corpus() / "palettes" / "fettle.toml", folder / "mine.toml")
    shutil.copy(corpus() / "rules" / "answer.toml", folder / "rules.toml")
    sounds(folder)
    settings(folder)
    scores(folder)


def sounds(folder: Path) -> None:
    """Recordings that are none, or hardly any."""
    for name, samples in {
        "silence": np.zeros(RATE_HZ),
        "constant": np.full(RATE_HZ, 0.3),
        "one": np.array([0.5]),
        "ten": np.linspace(-0.5, 0.5, 10),
    }.items():
        write_wav(folder / f"{name}.wav", samples, RATE_HZ)
    claps, clap = np.zeros(4 * RATE_HZ), np.random.default_rng(3).uniform(-0.5, 0.5, 200)
    for at in range(RATE_HZ // 2, len(claps), RATE_HZ):
        claps[at : at + len(clap)] = clap
    write_wav(folder / "claps.wav", claps, RATE_HZ)
    nan = np.full(RATE_HZ, np.nan, np.float32)
    soundfile.write(folder / "nan.wav", nan, RATE_HZ, subtype="FLOAT")
    clipped = np.clip(10 * calls((0.5,), 2.0), -1, 1)
    write_wav(folder / "clipped.wav", clipped, RATE_HZ)
    (folder / "cut.wav").write_bytes((folder / "dawn.wav").read_bytes()[:90_000])
    (folder / "empty.wav").write_bytes(b"")
    (folder / "text.wav").write_text("no sound at all\n" * 99)
    (folder / "head.wav").write_bytes((folder / "dawn.wav").read_bytes()[:44])
    (folder / "folder.wav").mkdir()


def settings(folder: Path) -> None:
    """Settings files that are none."""
    rules = (corpus() / "rules" / "answer.toml").read_text()
    palette = (corpus() / "palettes" / "fettle.toml").read_text()
    for name, text in {
        "date.toml": "name = 2026-02-30\n",
        "deep.toml": "a = " + "[" * 5000 + "]" * 5000 + "\n",
        "digits.toml": f"seed = {'9' * 5000}\n",
        "text.toml": "no settings at all\n",
        "twice.toml": 'name = "a"\nname = "b"\n',
        "key.toml": rules + '\n[[rule]]\nname = "x"\nstrech = 2.0\n',
        "infinite.toml": rules + '\n[[rule]]\nname = "x"\n[rule.when]\nper_s = [0.0, inf]\n',
        "not-a-number.toml": rules + '\n[[rule]]\nname = "x"\nstretch = nan\n',
        "huge.toml": rules + '\n[[rule]]\nname = "x"\nat_most = 99999999999999999999\n',
        "far.toml": rules + f'\n[[rule]]\nname = "x"\nweight = {"9" * 400}.0\n',
        "hot.toml": re.sub(r"t60_s = [0-9.]+", "t60_s = nan", palette, count=1),
    }.items():
        (folder / name).write_text(text)
    (folder / "bytes.toml").write_bytes(b"\xff\xfe\x00")


def scores(folder: Path) -> None:
    """Scores and plans that are damaged, or belong to another job."""
    heard = (folder / "dawn.heard.jsonl").read_text().splitlines(keepends=True)
    plan = (folder / "dawn.plan.jsonl").read_text()
    reply = (folder / "dawn.reply.jsonl").read_text()
    note = json.loads(heard[1])
    for name, text in {
        "early.heard.jsonl": heard[0] + json.dumps({**note, "onset_s": -5.0, "track": []}) + "\n",
        "late.heard.jsonl": heard[0] + json.dumps({**note, "onset_s": 99, "offset_s": 99.1}) + "\n",
        "strange.heard.jsonl": "".join(heard[:2])
        + heard[2].replace('"voice":"A"', '"voice":"B"')
        + "".join(heard[3:]),
        "low.heard.jsonl": heard[0] + json.dumps({**note, "pitch_hz": 1e-320}) + "\n",
        "below.heard.jsonl": heard[0] + json.dumps({**note, "high_hz": -1.0}) + "\n",
        "rest.heard.jsonl": heard[0].replace('"rest_s":', '"rest_s":1e18,"was":') + heard[1],
        "undated.heard.jsonl": heard[0].replace("null", '"yesterday"', 1) + "".join(heard[1:]),
        "undated.reply.jsonl": reply.replace('"start":null', '"start":"yesterday"', 1),
        "cut.heard.jsonl": "".join(heard[:-1]),
        "half.heard.jsonl": "".join(heard)[:-30],
        "newer.heard.jsonl": heard[0].replace('"version":1', '"version":9') + "".join(heard[1:]),
        "twice.heard.jsonl": "".join(heard) + heard[-1],
        "nothing.heard.jsonl": "",
        "list.heard.jsonl": "[1, 2]\n",
        "deep.heard.jsonl": "[" * 100_000 + "\n",
        "digits.heard.jsonl": '{"id": ' + "9" * 5000 + "}\n",
        "words.heard.jsonl": "no score at all\n",
        "endless.heard.jsonl": heard[0] + json.dumps({**note, "offset_s": 1e308}) + "\n",
        "endless.reply.jsonl": reply.replace('"duration_s":', '"duration_s":1e308,"was":', 1),
        "endless.plan.jsonl": plan.replace('"duration_s":', '"duration_s":-1.0,"was":', 1),
        "late.plan.jsonl": plan.replace('"at_s":', '"at_s":1e308,"was":', 1),
        "early.reply.jsonl": reply.replace('"onset_s":', '"onset_s":-5.0,"was":', 1),
        "cut.reply.jsonl": "".join(reply.splitlines(keepends=True)[:-1]),
        "newer.reply.jsonl": reply.replace('"version":1', '"version":9', 1),
        "early.plan.jsonl": plan.replace('"at_s":', '"at_s":-3.0,"was":', 1),
        "cut.plan.jsonl": "".join(plan.splitlines(keepends=True)[:-1]),
        "newer.plan.jsonl": plan.replace('"version":1', '"version":9', 1),
    }.items():
        (folder / name).write_text(text)
    mains = (folder / "mine.toml").read_text().replace('"lead-acid"', '"mains"')
    (folder / "mains.toml").write_text(mains)
    header = {"score": "plan", "palette": "Fettle", "lines": 1}
    stroke = {"do": "strike", "at_s": 1e8, "channel": 10, "pulse_ms": 4.0}
    lines = f"{json.dumps(header)}\n{json.dumps(stroke)}\n"
    (folder / "years.plan.jsonl").write_text(lines)
    (folder / "bytes.heard.jsonl").write_bytes(b"\xff\xfe\x00")
    mark = "\ufeff" + "".join(heard)
    (folder / "marked.heard.jsonl").write_text(mark, encoding="utf-8")
    (folder / "headless.heard.jsonl").write_text("".join(heard[1:]))


def status_of(*words: str) -> int:
    try:
        main(list(words))
    except SystemExit as end:
        return int(end.code or 0)
    return 0


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("bad")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        job(folder)
    return folder


@pytest.fixture
def run(made: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    monkeypatch.chdir(made)

    def of(*words: str) -> tuple[int, str, str]:
        status = status_of(*words)
        said = capsys.readouterr()
        return status, said.out, said.err

    return of


# Longer than any file system takes; the system refuses it wherever it is only looked at.
LONG = "a" * 300

MISTAKES: list[tuple[str, str]] = [
    # recordings
    ("transcribe missing.wav", "missing.wav: can't be read (No such file or directory)"),
    ("transcribe folder.wav", "folder.wav: is a directory"),
    ("transcribe dawn.wav -o -", "-: is no file; name one, or print by --json"),
    ("transcribe empty.wav", "empty.wav: is empty (0 bytes)"),
    ("transcribe text.wav", "text.wav: is not a sound file"),
    ("transcribe head.wav", "head.wav: holds no sound"),
    ("transcribe mine.toml", "mine.toml: is not a sound file"),
    ("transcribe dawn.wav --start 9999-12-31", "--start: '9999-12-31' is not in the years 2 to"),
    (f"levels {LONG}.wav", "a.wav: can't be read (File name too long)"),
    ("transcribe dawn.wav --channel 2", "dawn.wav: has no channel 2"),
    ("transcribe dawn.wav --start yesterday", "--start: 'yesterday' is not a time"),
    ("transcribe dawn.wav --detector natve", "--detector: no detector 'natve'"),
    ("transcribe dawn.wav --profile nope", "profiles: no file and no shipped name 'nope'"),
    ("compare one.wav", "one.wav: lasts 0.02 ms"),
    ("compare ten.wav", "ten.wav: lasts 0.23 ms"),
    ("compare dawn.wav --from 90", "--from, --to: nothing to draw from 90"),
    ("compare dawn.wav --span rules.toml", "--span without --labels"),
    ("compare dawn.wav --labels rules.toml", "rules.toml, line 2: no column 'onset_s'"),
    ("explain dawn.wav --from 90", "dawn.wav: lasts 5.00 s only"),
    ("explain dawn.wav --from 3 --to 2", "no stretch from 3 to 2 s"),
    ("calibrate silence.wav --level 94", "silence.wav: holds no steady tone"),
    ("measure silence.wav", "silence.wav: no strokes can be heard"),
    # options
    ("transcribe", "missing argument 'RECORDING'; see callresp transcribe --help"),
    ("transcribe dawn.wav --chanel 2", "no such option"),
    ("transcribe dawn.wav --channel", "requires an argument; see callresp transcribe --help"),
    ("transcribe dawn.wav --channel two", "invalid value for '--channel'"),
    ("audition dawn.heard.jsonl --steps 1", "invalid value for '--steps'"),
    ("rehearse dawn.plan.jsonl --distance nan", "invalid value for '--distance'"),
    ("check dawn.reply.jsonl surplus", "got unexpected extra argument (surplus)"),
    ("rules --for pocket", "--for: no rule set is named"),
    ("rules --from fettle", "--from: no rule set is named"),
    ("rules --copy new.toml", "--copy: no rule set is named"),
    ("live --input dawn.wav --speed 0 --site here", "--site: 'here' are no coordinates"),
    ("sleep --port nowhere --for 8h --site 91,0", "--site: 91, 0 is no place on Earth"),
    (
        "live --input dawn.wav --speed 0 --port nowhere",
        "--speed: a machine can't follow sound at 0",
    ),
    ("strike-test --channels 0,0", "--channels: channel 0 stands there twice"),
    ("strike-test --channels 0,1 --dampers 1,-", "--channels: channel 1 stands there twice"),
    ("strike-test --channels 0 --ohms 0.1", "--ohms: coils of 0.1 and 30 ohm draw 143 A at 12 V"),
    ("chekc dawn.reply.jsonl", "no command 'chekc'; did you mean 'check'?"),
    ("stream dawn.plan.jsonl", "missing option '--port'"),
    ("stream dawn.plan.jsonl --port nowhere --speed 2", "--speed: only a simulated board"),
    ("stream dawn.plan.jsonl --port simulated --speed 2 --clock-out X", "--speed: only a sim"),
    (
        "stream dawn.plan.jsonl --port simulated --clock-in X --clock-out Y",
        "--clock-out: a plan that follows a clock sends none",
    ),
    ("reply .", "invalid value for 'HEARD': . is a folder: name a file"),
    ("reply bad\udcff.heard.jsonl", "bad\\udcff.heard.jsonl: its name is not in UTF-8; rename it"),
    ("check /", "invalid value for 'REPLY': / is a folder: name a file"),
    (f"check dawn.reply.jsonl -o {LONG}", "(File name too long)"),
    # settings
    (f"reply dawn.heard.jsonl --rules {LONG}", "rules: no file and no shipped name 'aaa"),
    ("rules date.toml", "date.toml: not valid TOML"),
    ("rules deep.toml", "deep.toml: not valid TOML"),
    ("rules digits.toml", "digits.toml: not valid TOML"),
    ("rules text.toml", "text.toml: not valid TOML"),
    ("rules twice.toml", "twice.toml: not valid TOML"),
    ("rules bytes.toml", "bytes.toml: not a text file in UTF-8"),
    ("rules key.toml", "strech: no such key; did you mean 'stretch'?"),
    ("rules infinite.toml", "rule[5].when.per_s[2]: inf is no finite number"),
    ("rules not-a-number.toml", "rule[5].stretch: nan is no finite number"),
    ("rules huge.toml", "rule[5].at_most"),
    ("rules far.toml", "rule[5].weight"),
    ("rules mine.toml", "mine.toml"),
    ("palette hot.toml", "t60_s"),
    ("reply dawn.heard.jsonl --palette rules.toml", "rules.toml"),
    ("fit dawn.heard.jsonl --voice Z", "dawn.heard.jsonl: has no voice Z; voices are A"),
    ("measure claps.wav -o claps.toml", "claps.wav: nothing in it rings as a struck sound does"),
    # scores
    ("reply early.heard.jsonl", "early.heard.jsonl, line 2: onset_s -5 lies before the start"),
    ("reply late.heard.jsonl", "late.heard.jsonl, line 2: onset_s 99 lies past"),
    ("export endless.heard.jsonl", "line 2: offset_s 1e+308 lies more than three years after"),
    ("check endless.reply.jsonl", "endless.reply.jsonl, line 1: duration_s must lie in 0 to 1e+08"),
    ("rehearse endless.plan.jsonl", "endless.plan.jsonl, line 1: duration_s must lie in 0 to"),
    ("rehearse years.plan.jsonl --palette mains.toml", "years.rehearsal.wav: would take 14,4"),
    ("rehearse late.plan.jsonl", "line 2: at_s 1e+308 lies more than three years after the"),
    ("reply low.heard.jsonl", "low.heard.jsonl, line 2: pitch_hz must be null or lie in 0.001"),
    ("reply below.heard.jsonl", "below.heard.jsonl, line 2: high_hz must lie in 0 to 1e+06 Hz"),
    ("reply rest.heard.jsonl", "rest.heard.jsonl, line 1: rest_s must lie above 0 and up to 86400"),
    ("reply undated.heard.jsonl", "undated.heard.jsonl, line 1: 'yesterday' is not a time"),
    ("check undated.reply.jsonl", "undated.reply.jsonl, line 1: 'yesterday' is not a time"),
    ("reply cut.heard.jsonl", "cut.heard.jsonl: holds 4 of 5 lines"),
    ("reply half.heard.jsonl", "half.heard.jsonl, line 6: not JSON"),
    ("reply newer.heard.jsonl", "newer.heard.jsonl, line 1: made by a newer callresp"),
    ("reply twice.heard.jsonl", "twice.heard.jsonl, line 7: note 4 stands already"),
    ("reply nothing.heard.jsonl", "nothing.heard.jsonl: holds no score"),
    ("reply list.heard.jsonl", "list.heard.jsonl, line 1: not a JSON object"),
    ("reply deep.heard.jsonl", "deep.heard.jsonl, line 1: not JSON"),
    ("reply digits.heard.jsonl", "digits.heard.jsonl, line 1: "),
    ("reply words.heard.jsonl", "words.heard.jsonl, line 1: not JSON"),
    ("reply bytes.heard.jsonl", "bytes.heard.jsonl: not a text file in UTF-8"),
    ("reply dawn.reply.jsonl", "dawn.reply.jsonl, line 1: this is a reply score"),
    ("reply dawn.plan.jsonl", "dawn.plan.jsonl, line 1: this is a plan"),
    ("rhythm dawn.wav", "dawn.wav: not a text file in UTF-8; give a score"),
    ("reply dawn.wav", "'callresp transcribe' makes one of a recording"),
    ("check early.reply.jsonl", "early.reply.jsonl, line 2: onset_s -5 lies before the start"),
    ("check cut.reply.jsonl", "cut.reply.jsonl: holds"),
    ("check newer.reply.jsonl", "newer.reply.jsonl, line 1: made by a newer callresp"),
    ("check dawn.heard.jsonl", "dawn.heard.jsonl, line 1: this is a heard score"),
    ("rehearse early.plan.jsonl", "early.plan.jsonl, line 2: at_s -3 lies before the start"),
    ("rehearse cut.plan.jsonl", "cut.plan.jsonl: holds"),
    ("stream newer.plan.jsonl --port simulated", "newer.plan.jsonl, line 1: made by a newer"),
    (f"identify --port {LONG}", "aaa: can't open this port (File name too long)"),
    ("stream dawn.reply.jsonl --port simulated", "dawn.reply.jsonl, line 1: this is a reply"),
    # what does not belong together
    ("rehearse dawn.plan.jsonl --recording other.wav", "other.wav: is not the recording of"),
    ("rehearse dawn.plan.jsonl --heard other.heard.jsonl", "other.heard.jsonl: is of 'other.wav'"),
    ("rehearse dawn.plan.jsonl --reply other.reply.jsonl", "other.reply.jsonl: is of 'other.wav'"),
    ("export dawn.plan.jsonl other.heard.jsonl", "other.heard.jsonl: is of 'other.wav'"),
    ("advise dawn.heard.jsonl other.reply.jsonl", "other.reply.jsonl: is of 'other.wav'"),
    ("export dawn.plan.jsonl --palette pocket", "the plan was made for another palette"),
    ("export dawn.reply.jsonl --palette pocket", "Pocket has no 'tube"),
    ("stream dawn.plan.jsonl --port simulated --palette pocket", "made for another palette"),
    # targets
    ("transcribe dawn.wav -o rules.toml", "rules.toml: is a rule set"),
    ("transcribe dawn.wav -o mine.toml", "mine.toml: is a palette"),
    ("transcribe dawn.wav -o dawn.plan.jsonl", "dawn.plan.jsonl: is a plan"),
    ("transcribe dawn.wav -o new.toml", "new.toml: a heard score is no settings file"),
    ("reply dawn.heard.jsonl -o other.heard.jsonl", "other.heard.jsonl: is a heard score"),
    ("check dawn.reply.jsonl -o other.wav", "other.wav: is a sound file"),
    ("rehearse dawn.plan.jsonl -o out.mp3", "out.mp3: only WAV is written"),
    ("rehearse dawn.plan.jsonl -o rules.toml", "rules.toml: is a rule set"),
    ("rehearse dawn.plan.jsonl --picture-file new.gif", "new.gif: can't draw a '.gif' picture"),
    ("export dawn.plan.jsonl -o rules.toml", "rules.toml: is a rule set"),
    ("explain dawn.wav -o other.wav", "other.wav: "),
    ("compare dawn.wav -o rules.toml", "rules.toml: "),
    ("calibrate dawn.wav --level 94 -o rules.toml", "rules.toml: is a rule set"),
    ("stream dawn.plan.jsonl --port simulated --log rules.toml", "rules.toml: is a rule set"),
    ("live --input dawn.wav --speed 0 --log rules.toml", "rules.toml: is a rule set"),
    ("measure other.wav -o rules.toml", "rules.toml: is a rule set"),
    ("strike-test --palette fettle -o dawn.heard.jsonl", "dawn.heard.jsonl: is a heard score"),
    ("sheet fettle -o rules.toml", "rules.toml: "),
]


@pytest.mark.parametrize(("typed", "told"), MISTAKES)
def test_a_mistake_is_one_line(made: Path, run: Run, typed: str, told: str) -> None:
    before = {path.name: path.read_bytes() for path in made.iterdir() if path.is_file()}
    status, out, err = run(*typed.split())
    assert told in err
    assert err.count("\n") == 1
    assert err.startswith("callresp: ")
    assert (status, out) == (2, "")
    assert {p.name: p.read_bytes() for p in made.iterdir() if p.is_file()} == before


LOOKS: list[tuple[str, str]] = [
    ("transcribe silence.wav --json", "silent: nothing in it lies above"),
    ("transcribe nan.wav --json", "without a number"),
    ("transcribe cut.wav --json", "breaks off after"),
    ("transcribe clipped.wav --json", "clipped in"),
    ("transcribe constant.wav --json", "rides on a steady offset"),
    ("transcribe one.wav --json", "rides on a steady offset"),
    ("levels silence.wav", "silent: nothing in it lies above"),
    ("levels nan.wav", "without a number"),
    ("compare silence.wav --detector native --json", "silent"),
    ("compare nan.wav --detector superflux --detector librosa --json", "without a number"),
    ("compare one.wav --detector superflux --detector librosa --json", "steady offset"),
    ("explain one.wav --json", "steady offset"),
    ("rhythm headless.heard.jsonl", "has no header"),
]


@pytest.mark.parametrize(("typed", "told"), LOOKS)
def test_what_needs_a_look_ends_with_1(run: Run, typed: str, told: str) -> None:
    status, _, err = run(*typed.split())
    assert status == 1
    assert told in err
    assert all(line.startswith("callresp: note: ") for line in err.splitlines())


def test_nothing_answered_needs_a_look(made: Path, run: Run) -> None:
    heard = (made / "dawn.heard.jsonl").read_text().splitlines()[0]
    header = {**json.loads(heard), "lines": 0}
    (made / "quiet.heard.jsonl").write_text(json.dumps(header) + "\n")
    status, out, _ = run("reply", "quiet.heard.jsonl")
    assert "answers 0 of 0" in out
    assert status == 1


def test_a_byte_order_mark_is_read_past(run: Run) -> None:
    status, out, err = run("rhythm", "marked.heard.jsonl", "--json")
    assert (status, err) == (0, "")
    assert out == run("rhythm", "dawn.heard.jsonl", "--json")[1]


def test_a_reply_under_another_name_keeps_its_heard_notes(made: Path, run: Run) -> None:
    assert run("reply", "dawn.heard.jsonl", "-o", "elsewhere.reply.jsonl")[0] == 0
    assert run("check", "elsewhere.reply.jsonl")[0] in (0, 1)
    status, out, _ = run("export", "elsewhere.plan.jsonl")
    assert status == 0
    assert "5 notes heard and" in out


def test_a_stroke_left_out_of_the_rehearsal_is_told(made: Path, run: Run) -> None:
    rows = (made / "dawn.plan.jsonl").read_text().splitlines()
    rows[-1] = json.dumps({**json.loads(rows[-1]), "at_s": 60.0})
    (made / "minute.plan.jsonl").write_text("\n".join(rows) + "\n")
    status, _, err = run("rehearse", "minute.plan.jsonl")
    assert status == 1
    assert "left out: 1 stroke over 20 s after the recording's end" in err


def test_whole_numbers_are_swept_in_whole_numbers(run: Run) -> None:
    words = ("audition", "dawn.heard.jsonl", "--rules", "answer", "--steps", "5", "--json")
    status, out, _ = run(*words, "--sweep", "rule.1.at_most=1..3")
    assert status in (0, 1)
    labels = [json.loads(line)["label"] for line in out.splitlines()]
    assert labels == ["rule.1.at_most=1", "rule.1.at_most=2", "rule.1.at_most=3"]


def test_a_sweep_that_makes_no_difference_says_so(run: Run) -> None:
    words = ("audition", "dawn.heard.jsonl", "--rules", "answer", "--steps", "2")
    status, out, err = run(*words, "--sweep", "manners.return_s=60..61")
    assert status == 1
    assert "makes no difference" in err
    assert "overlap: of the machine's sounding time" in out


def test_a_full_disk_is_one_line(made: Path) -> None:
    script = (
        "import resource, signal; signal.signal(signal.SIGXFSZ, signal.SIG_IGN);"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (50_000, 50_000));"
        "from callresp.cli import main; main(['rehearse', 'dawn.plan.jsonl', '-o', 'full.wav'])"
    )
    command = [sys.executable, "-c", script]
    done = subprocess.run(command, cwd=made, capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert done.stderr.startswith("callresp: full.wav: could not write it")
    assert done.stderr.count("\n") == 1
    assert not (made / "full.wav").exists()


def test_a_note_given_to_another_voice_by_hand_is_answered(run: Run) -> None:
    assert run("reply", "strange.heard.jsonl")[0] == 0


def test_what_to_type_next_can_be_typed(made: Path, run: Run) -> None:
    shutil.copy(made / "dawn.heard.jsonl", made / "a day's song.heard.jsonl")
    out = run("reply", "a day's song.heard.jsonl")[1]
    typed = next(line for line in out.splitlines() if line.startswith("next: callresp "))
    assert shlex.split(typed)[2:] == ["check", "a day's song.reply.jsonl"]
    # A name like an option's would be taken for one.
    out = run("reply", "a day's song.heard.jsonl", "-o", "-x.reply.jsonl")[1]
    assert "next: callresp check ./-x.reply.jsonl\n" in out
    out = run("ask-place", "--striker", "oak block", "-o", "a day's.plan.jsonl")[1]
    out += run("strike-test", "--palette", "pocket", "-o", "a day's test.plan.jsonl")[1]
    then = [shlex.split(line) for line in out.splitlines() if line.startswith("then: callresp ")]
    assert [words[words.index("--plan") + 1] for words in then] == [
        "a day's.plan.jsonl",
        "a day's test.plan.jsonl",
    ]


def test_an_interrupt_while_the_command_line_is_loaded_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "click.py").write_text("raise KeyboardInterrupt\n")
    package = str(Path(__file__).resolve().parent.parent)
    paths = {**os.environ, "PYTHONPATH": os.pathsep.join((str(tmp_path), package))}
    command = [sys.executable, "-m", "callresp", "rules"]
    done = subprocess.run(command, env=paths, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (130, "", "callresp: stopped\n")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
def test_a_full_disk_behind_standard_output_is_one_line() -> None:
    with Path("/dev/full").open("w") as full:
        command = [sys.executable, "-m", "callresp", "rules"]
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert (done.returncode, done.stderr) == (2, "callresp: the disk is full; free some space\n")
