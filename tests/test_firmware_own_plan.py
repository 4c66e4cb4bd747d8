"""A board that plays a plan of its own: the core, a stepped clock, and nobody on the line."""

from __future__ import annotations

import random
import subprocess
from collections.abc import Sequence
from pathlib import Path

import msgspec
import pytest
from emulated_board import STRICT, Emulator, emulated_folder, need_emulator
from firmware_helpers import FIRMWARE, FLAGS, compiler
from link_helpers import messages_in
from plan_helpers import random_reply, reply_note
from plan_oracle import broken_limits

from callresp.errors import UserError
from callresp.firmware.folder import core_files, firmware_files
from callresp.firmware.limits import limits_source
from callresp.firmware.own_plan import ROWS_MAX, PlanStart, plan_source
from callresp.io.score import ReplyHeader, ReplyScore
from callresp.link.messages import Done
from callresp.palette.files import load_palette
from callresp.palette.model import Palette
from callresp.plan.checked_plan import CheckedPlan, Checker, check
from callresp.plan.model import Command, Hold, Light, Plan, PlanHeader, Strike, Turn
from callresp.plan.planner import make_plan

FETTLE = load_palette("fettle")
NAMES = [*(item.name for item in FETTLE.striker), *(item.name for item in FETTLE.turner)]
LEAD, PER_S = 10_000, 10_000
WAITS, PLAYS, ENDED, YIELDED = range(4)


def plan_for(seed: int) -> CheckedPlan:
    return make_plan(random_reply(random.Random(seed), NAMES), FETTLE)


def build(folder: Path, *words: str, most: int = len(FLAGS)) -> None:
    """Compile; `most` of the flags are taken, the first seven are without sanitizers."""
    command = [compiler(), *FLAGS[:most], f"-I{folder}", *words]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def built(folder: Path, palette: Palette, plan: CheckedPlan, most: int = len(FLAGS)) -> Path:
    """All that a plan does not change, as objects."""
    for name, text in core_files(palette, plan=plan).items():
        (folder / name).write_text(text)
    sources = [str(p) for p in folder.glob("*.c") if p.name != "cr_plan.c"]
    build(folder, "-c", *sources, str(FIRMWARE / "play_plan.c"), most=most)
    return folder


@pytest.fixture(scope="module")
def parts(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return built(tmp_path_factory.mktemp("player"), FETTLE, plan_for(3))


def linked(parts: Path, plan: CheckedPlan, start: PlanStart) -> Path:
    """The program that plays a plan."""
    (parts / "cr_plan.c").write_text(plan_source(plan, start))
    build(parts, "cr_plan.c", *(path.name for path in parts.glob("*.o")), "-o", "play")
    return parts / "play"


class Played:
    """What came out of a run: switchings in order, and how it ended."""

    def __init__(
        self,
        program: Path,
        ticks: int,
        *,
        first: int = 0,
        light: int = 0,
        host: int = 0,
        known: bool = True,
    ) -> None:
        words = [str(program), *map(str, (first, ticks, light, host)), *["unknown"] * (not known)]
        done = subprocess.run(words, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
        *rows, last = [row.split() for row in done.stdout.splitlines()]
        self.state, self.executed, self.refused, self.faults = map(int, last[1:])
        self.rows = [(int(at), what, int(n), int(duty)) for at, what, n, duty in rows]

    def strokes(self, channels: Sequence[int]) -> list[tuple[int, int, int]]:
        """Start, channel and length of every full pulse, in order."""
        found, on = [], dict[int, int]()
        for at, what, channel, duty in self.rows:
            if what == "coil" and channel in channels:
                if duty == 255:
                    on[channel] = at
                elif channel in on:
                    found.append((on[channel], channel, at - on.pop(channel)))
        return sorted(found)


STRUCK = [s.coil.channel for s in FETTLE.striker]


@pytest.mark.parametrize("seed", [3, 11])
def test_every_stroke_of_the_plan_is_played_when_the_plan_says(parts: Path, seed: int) -> None:
    checked = plan_for(seed)
    commands = checked.plan.commands
    assert len(checked.plan.strikes) > 8
    program = linked(parts, checked, PlanStart(after_s=0.5))
    ticks = int((checked.plan.end_s - commands[0].at_s + 5) * PER_S)
    # From just before the clock wraps: it does so before the first stroke.
    played = Played(program, ticks, first=2**32 - 9000)
    begin = 5000 + LEAD
    expected = sorted(
        (begin + round((c.at_s - commands[0].at_s) * PER_S), c.channel, int(c.pulse_ms * 10 + 1e-6))
        for c in checked.plan.strikes
    )
    assert played.strokes(STRUCK) == expected
    assert (played.state, played.refused) == (ENDED, 0)
    assert played.executed == len(commands)
    last = {(what, n): duty for _, what, n, duty in played.rows if what != "light"}
    assert set(last.values()) == {0}


def test_after_power_was_off_its_coils_rest_before_it_plays(parts: Path) -> None:
    """Fettle's slowest coil that may not be on all the time has a cycle of 30 s."""
    checked = two_strokes()
    program = linked(parts, checked, PlanStart(after_s=0.5))
    played = Played(program, 34 * PER_S, known=False)
    assert (played.state, played.refused) == (ENDED, 0)
    assert played.strokes(STRUCK)[0][0] == pytest.approx(30 * PER_S + LEAD, abs=20)


def test_what_it_plays_keeps_the_limits_by_the_tests_own_judge(parts: Path) -> None:
    """The judge of `plan_oracle` shares no code with plan or core."""
    checked = plan_for(5)
    program = linked(parts, checked, PlanStart(after_s=0.0))
    ticks = int((checked.plan.end_s - checked.plan.commands[0].at_s + 5) * PER_S)
    strokes = Played(program, ticks).strokes(STRUCK)
    assert strokes
    played = tuple(
        Strike(at_s=at / PER_S, channel=channel, pulse_ms=length / 10)
        for at, channel, length in strokes
    )
    assert broken_limits(Plan(header=PlanHeader(), commands=played), FETTLE) == []


def test_a_plan_for_a_stronger_machine_is_refused_by_the_core(parts: Path) -> None:
    """Who sends a spoilt plan past every check still meets the limits of the board."""
    weak = msgspec.structs.replace(
        FETTLE,
        supply=msgspec.structs.replace(FETTLE.supply, current_max_a=1.0),
        board=msgspec.structs.replace(FETTLE.board, idle_current_a=0.0),
    )
    checked = plan_for(3)
    # Of all its parts the limits alone are others.
    (parts / "cr_limits.c").write_text(limits_source(weak))
    (parts / "cr_plan.c").write_text(plan_source(checked, PlanStart(0.0)))
    others = (path.name for path in parts.glob("*.o") if path.name != "cr_limits.o")
    build(parts, "cr_limits.c", "cr_plan.c", *others, "-o", "weak")
    played = Played(parts / "weak", 30 * PER_S)
    assert played.refused > 0
    assert played.strokes(STRUCK) == []


def two_strokes() -> CheckedPlan:
    notes = (reply_note(0, 1.0, None, "oak block"), reply_note(1, 1.5, None, "oak block"))
    return make_plan(ReplyScore(header=ReplyHeader(duration_s=3.0), notes=notes), FETTLE)


def test_it_waits_its_time_and_plays_once(parts: Path) -> None:
    program = linked(parts, two_strokes(), PlanStart(after_s=3.0))
    assert Played(program, 30_000 + LEAD - 10).rows[-1][0] < 30_000
    played = Played(program, 200_000)
    assert len(played.strokes([10])) == 2
    assert played.strokes([10])[0][0] == 30_000 + LEAD
    assert played.state == ENDED


def test_at_light_it_waits_for_half_a_minute_of_it(parts: Path) -> None:
    program = linked(parts, two_strokes(), PlanStart(after_s=0.0, lux=20))
    dark = Played(program, 400_000, light=10**9)
    assert (dark.state, dark.strokes([10])) == (WAITS, [])
    lit = Played(program, 400_000, light=20_000)
    # To the millisecond in which the loop comes round.
    assert lit.strokes([10])[0][0] == pytest.approx(20_000 + 300_000 + LEAD, abs=10)
    torch = Played(program, 300_000 + 19_000, light=20_000)
    assert torch.state == WAITS


def test_a_host_that_greets_takes_over(parts: Path) -> None:
    program = linked(parts, two_strokes(), PlanStart(after_s=0.0))
    before = Played(program, 60_000, host=5000)
    assert (before.state, before.strokes([10])) == (YIELDED, [])
    between = Played(program, 60_000, host=LEAD + 2500)
    assert between.state == YIELDED
    assert len(between.strokes([10])) == 1


def test_a_plan_that_overruns_the_boards_queue_is_played_whole(tmp_path: Path) -> None:
    small = msgspec.structs.replace(FETTLE, board=msgspec.structs.replace(FETTLE.board, buffer=4))
    commands: list[Command] = [Light(at_s=0.01 * n, channel=0, level=n % 2) for n in range(400)]
    checked = Checker(small).admit(commands)
    program = linked(built(tmp_path, small, checked, 7), checked, PlanStart(after_s=0.0))
    played = Played(program, 80_000)
    # The light is lit once at the start, too.
    assert sum(what == "light" for _, what, _, _ in played.rows) == 401
    assert (played.executed, played.refused) == (400, 0)


def test_what_can_not_be_played_is_refused() -> None:
    empty = check(Plan(header=PlanHeader(), commands=()), FETTLE)
    with pytest.raises(UserError, match="nothing is struck in it"):
        plan_source(empty, PlanStart())
    many: list[Command] = [Light(at_s=0.01 * n) for n in range(ROWS_MAX + 1)]
    with pytest.raises(UserError, match="too long for the board, 32,769 commands"):
        plan_source(Checker(FETTLE).admit(many), PlanStart())
    late = Checker(FETTLE).admit([Light(at_s=0.0), Light(at_s=101 * 3600.0)])
    with pytest.raises(UserError, match="longer than 100 h"):
        plan_source(late, PlanStart())
    ladder = load_palette("ladder")
    with pytest.raises(UserError, match="no light sensor"):
        plan_source(Checker(ladder).admit([Light(at_s=0.0)]), PlanStart(lux=20))


def test_every_kind_of_command_has_its_row() -> None:
    commands: list[Command] = [
        Strike(at_s=0.0, channel=0, pulse_ms=7.25),
        Hold(at_s=1.0, channel=5, hold_ms=500.0, pull_ms=30.0, hold_duty=0.3),
        Turn(at_s=2.0, channel=0, speed_rps=2.5, run_ms=2000.0),
        Light(at_s=3.0, channel=0, level=0.5),
    ]
    told = plan_source(Checker(FETTLE).admit(commands), PlanStart())
    # at, length, pull, speed, kind, channel, duty: see the page of the line.
    for row in (
        "{0, 725, 0, 0, 16, 0, 0},",
        "{10000, 5000, 300, 0, 17, 5, 76},",
        "{20000, 20000, 0, 250, 18, 0, 0},",
        "{30000, 0, 0, 0, 19, 0, 128},",
        "600000u, 40000u, 0u};",
    ):
        assert row in told, told


def test_an_emulated_chip_plays_its_plan_by_itself(tmp_path: Path) -> None:
    """The very image, on qemu's STM32F405, with nobody on the line."""
    need_emulator()
    checked = two_strokes()
    files = firmware_files(FETTLE, plan=checked, start=PlanStart(after_s=0.5))
    emulated_folder(tmp_path, "stm32f405", files)
    words = ["make", "-s", f"CC={STRICT} -DCR_EMULATED", "firmware.elf"]
    subprocess.run(words, cwd=tmp_path, check=True, capture_output=True)
    emulator = Emulator(tmp_path / "firmware.elf", "stm32f405")
    try:
        emulator.ask("B")
        emulator.ask("L")
        begin = int(emulator.ask("T")[0].split()[-1])
        rows = [row.split() for row in emulator.ask("P 25000") if row.startswith("coil 10 ")]
        told = messages_in(emulator.received())
    finally:
        emulator.close()
    ticks = [int(row[3]) for row in rows]
    assert [int(row[2]) for row in rows] == [255, 0, 255, 0]
    assert begin < 5000
    pulse = int(checked.plan.strikes[0].pulse_ms * 10 + 1e-6)
    starts = [5000 + LEAD, 5000 + LEAD + 5000]
    assert ticks[0] == pytest.approx(starts[0], abs=1)
    assert [ticks[1] - ticks[0], ticks[2] - ticks[0], ticks[3] - ticks[2]] == [pulse, 5000, pulse]
    assert [m.outcome for m in told if isinstance(m, Done)] == [0, 0]
