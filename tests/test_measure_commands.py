"""The two commands: a strike test out, a palette and its picture in."""

from __future__ import annotations

import json
import random
from dataclasses import replace
from pathlib import Path

import msgspec
import pytest
import strike_machine as sm
from click.testing import CliRunner
from measure_helpers import bell, block, cents, strokes_plan, tube
from plan_helpers import with_coils
from plan_oracle import broken_limits

from callresp.errors import UserError
from callresp.io.audio import write_wav
from callresp.io.resources import shipped
from callresp.io.settings import SettingsFile, convert
from callresp.palette.files import load_palette
from callresp.palette.model import Coil, Palette
from callresp.plan.checked_plan import check
from callresp.plan.files import read_plan
from callresp.strike_test import draft, protocol
from callresp.strike_test.protocol import plan_strike_test as plan_of
from callresp.verbs import strike_test as measure_command
from callresp.verbs import strike_test as test_command

pytestmark = pytest.mark.usefixtures("coarse")


def run(command: object, *words: str) -> tuple[int, str]:
    done = CliRunner().invoke(command, list(words), catch_exceptions=False)  # type: ignore[arg-type]
    return done.exit_code, done.output


def test_from_channels_to_a_checked_palette_and_a_picture(tmp_path: Path) -> None:
    machine = (tube(t60_s=[0.9, 0.6, 0.4, 0.3]), block(channel=1))
    plan = tmp_path / "t.plan.jsonl"
    words = ["--channels", "0,1", "--dampers", "5,-", "--names", "tube,block"]
    words += ["--repeats", "2", "--pulses", "2", "--runs", "1", "-o", str(plan)]
    status, _ = run(test_command.strike_test_command, *words)
    assert status == 0
    played = read_plan(plan)
    check(played, load_palette(tmp_path / "t.toml"))
    samples = sm.record(machine, played, sm.Recorder(noise_db=-40))
    write_wav(tmp_path / "take.wav", samples, 48000)
    mine = tmp_path / "mine.toml"
    status, text = run(
        measure_command.measure_command,
        str(tmp_path / "take.wav"),
        "--plan",
        str(plan),
        "-o",
        str(mine),
    )
    assert status == 0, text
    palette = load_palette(mine)
    assert cents(palette.striker[0].pitch_hz or 1.0, 784.3) < 1
    assert palette.striker[0].damper is not None
    assert palette.striker[0].damper.damped_t60_s == pytest.approx(0.2, rel=0.05)
    assert palette.striker[1].pitch_hz is None
    assert (tmp_path / "mine.png").read_bytes()[:4] == b"\x89PNG"
    report = json.loads((tmp_path / "mine.measured.json").read_text())
    assert report["strikers"][0]["latency_ms"]["n"] > 5


def test_strokes_by_hand_make_a_palette(tmp_path: Path) -> None:
    machine = (tube(felt=None), bell(), block())
    times = [(1.0 + 1.7 * n, n // 3) for n in range(9)]
    order = {0: 1, 1: 0, 2: 2}
    schedule = strokes_plan((at, order[who]) for at, who in times)
    write_wav(tmp_path / "hand.wav", sm.record(machine, schedule, sm.Recorder(noise_db=-40)), 48000)
    status, text = run(measure_command.measure_command, str(tmp_path / "hand.wav"), "--json")
    assert status == 0
    found = json.loads(text)["strikers"]
    assert [one["strokes"] for one in found] == [3, 3, 3]
    assert cents(found[0]["pitch_hz"]["value"], 523.0) < 1
    assert cents(found[1]["pitch_hz"]["value"], 784.3) < 1
    assert found[2]["pitch_hz"] is None
    assert len(load_palette(tmp_path / "hand.palette.toml").striker) == 3


@pytest.mark.parametrize("name", shipped("palettes"))
def test_the_test_of_a_shipped_palette_keeps_its_limits(name: str, tmp_path: Path) -> None:
    plan = tmp_path / "t.plan.jsonl"
    status, _ = run(test_command.strike_test_command, "--palette", name, "-o", str(plan))
    assert status == 0
    machine = load_palette(tmp_path / "t.toml")
    played = check(read_plan(plan), machine).plan
    struck = {command.channel for command in played.commands}
    assert {striker.coil.channel for striker in machine.striker} <= struck


def random_machine(rng: random.Random) -> Palette:
    """A drafted palette whose striker coils have odd limits."""
    text = draft.draft(
        "any",
        [draft.WiredStriker("one", 0, 5), draft.WiredStriker("two", 1)],
        draft.CoilSupply(ohms=rng.uniform(2, 40)),
    )
    limits = f"on_max_ms = {rng.uniform(12, 200)}\nduty_max = {rng.uniform(0.02, 1.0)}\n"
    limits += f"cycle_s = {rng.uniform(2, 60)}\nthermal_k_per_w = {rng.uniform(1, 60)}"
    text = text.replace("on_max_ms = 15\nduty_max = 0.1", limits)
    text = text.replace("on_max_ms = 8000", f"on_max_ms = {1000 * rng.uniform(1.0, 30)}")
    return convert(SettingsFile(text, "any.toml"), Palette)


def slightly_weaker(palette: Palette) -> Palette:
    """The same with a little less duty and a little more heat: what a plan keeps free."""

    def weaker(coil: Coil) -> Coil:
        return msgspec.structs.replace(
            coil,
            duty_max=0.98 * coil.duty_max - 1e-3,
            thermal_k_per_w=min(1.02 * coil.thermal_k_per_w, 200),
        )

    return with_coils(palette, weaker)


def test_no_test_breaks_a_limit_and_none_is_refused_without_need() -> None:
    """Judged by the oracle, which shares no code with the planner or its check."""
    short = protocol.StrikeTestSettings(repeats=2, pulses=2, runs=1, known=False)
    slowest = replace(short, pace=max(protocol.PACES), lifts=False)
    refused = 0
    for seed in range(40):
        palette = random_machine(random.Random(seed))
        try:
            checked, _ = plan_of(palette, palette, short, "any.toml")
        except UserError:
            refused += 1
            laid_out = protocol.lay_out(palette, slowest)
            assert (seed, broken_limits(laid_out, slightly_weaker(palette))) != (seed, [])
            continue
        assert (seed, broken_limits(checked.plan, palette)) == (seed, [])
    assert refused < 20


def test_a_palette_that_is_there_is_filled_in_and_keeps_what_it_says(tmp_path: Path) -> None:
    machine = (block(channel=0, name="wood"),)
    plan, mine = tmp_path / "t.plan.jsonl", tmp_path / "mine.toml"
    words = ["--channels", "0", "--names", "wood", "--repeats", "2", "--pulses", "2", "--runs", "0"]
    assert run(test_command.strike_test_command, *words, "-o", str(plan))[0] == 0
    recorder = sm.Recorder(noise_db=-50)
    write_wav(tmp_path / "take.wav", sm.record(machine, read_plan(plan), recorder), 48000)
    text = (tmp_path / "t.toml").read_text()
    for own, kept in (
        ("capacity_ah = 7\n", "capacity_ah = 9  # new in May\n"),
        (draft.DRAFTED + '"', 'The alder block"'),
        ("[board]", "# under the eaves\n[board]"),
    ):
        assert own in text
        text = text.replace(own, kept)
    mine.write_text(text)
    words = [str(tmp_path / "take.wav"), "--plan", str(plan), "-o"]
    run(test_command.measure_command, *words, str(mine))
    for kept in ("capacity_ah = 9  # new in May", "# under the eaves", 'description = "The alder'):
        assert kept in mine.read_text()
    assert load_palette(mine).striker[0].base_hz == pytest.approx(830, rel=1e-3)
    run(test_command.measure_command, *words, str(tmp_path / "new.toml"))
    assert "nothing measured" not in (tmp_path / "new.toml").read_text()
    rules = tmp_path / "rules.toml"
    rules.write_text('name = "mine"\n')
    with pytest.raises(UserError, match="a palette would write over; give another name"):
        run(test_command.measure_command, *words, str(rules))
    assert rules.read_text() == 'name = "mine"\n'
    mine.write_text(text.replace('name = "wood"', 'name = "stone"'))
    with pytest.raises(UserError, match="has none of the measured strikers"):
        run(test_command.measure_command, *words, str(mine))


def test_no_palette_is_left_where_its_plan_can_not_be_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(path: Path, plan: object) -> None:
        raise UserError("could not write it", where=str(path))

    monkeypatch.setattr("callresp.commands.strike_test.write_plan", full)
    words = ["--palette", "fettle", "-o", str(tmp_path / "t.plan.jsonl")]
    with pytest.raises(UserError, match="could not write it"):
        run(test_command.strike_test_command, *words)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(("option", "value"), [("--names", "a,b"), ("--dampers", "7")])
def test_names_and_dampers_are_one_for_each_channel(
    option: str, value: str, tmp_path: Path
) -> None:
    plan = str(tmp_path / "t.plan.jsonl")
    with pytest.raises(UserError, match="for 3 channels"):
        run(test_command.strike_test_command, "--channels", "0,1,2", option, value, "-o", plan)


def test_mistakes_are_told_in_a_line(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="give --palette, or --channels"):
        run(test_command.strike_test_command)
    with pytest.raises(UserError, match="is no channel"):
        run(
            test_command.strike_test_command,
            "--channels",
            "0,x",
            "-o",
            str(tmp_path / "t.plan.jsonl"),
        )
    write_wav(tmp_path / "quiet.wav", [0.0] * 96000, 48000)
    with pytest.raises(UserError, match="no strokes"):
        run(measure_command.measure_command, str(tmp_path / "quiet.wav"))
