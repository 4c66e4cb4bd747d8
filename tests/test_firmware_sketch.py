"""The library for the maker's toolchain: built against a stub of its API, in C and in C++."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path

import msgspec
import pytest
from conftest import missing
from firmware_helpers import FIRMWARE, FLAGS, compiler
from plan_helpers import reply_note

from callresp.errors import UserError
from callresp.firmware.folder import write_folder
from callresp.firmware.own_plan import PlanStart
from callresp.firmware.sketch import EXAMPLE, sketch_files, sketch_pins
from callresp.io.score import ReplyHeader, ReplyScore
from callresp.link.framing import Deframer, frame
from callresp.link.messages import VERSION, Done, Hello, HelloAck, HoldAt, StrikeAt, parse
from callresp.palette.chips import chip_named
from callresp.palette.files import load_palette
from callresp.palette.model import Palette
from callresp.plan.planner import make_plan

FETTLE, POCKET = load_palette("fettle"), load_palette("pocket")
# In place of the pins' names, as cores of the toolchain for such chips have them.
NAMES = [f"-D{name}={pin.number}" for name, pin in chip_named("STM32F405").pins.items()]
CPP = ["-std=c++11", *FLAGS[1:]]
# A section of its own, as a toolchain's memory that a reset leaves alone.
KEPT = ['-DCR_SKETCH_KEPT=__attribute__((section("retained")))', "-DCR_SKETCH_HUNG_TICKS=0"]
ROUND_US = 40


def built(folder: Path, files: dict[str, str], language: str, most: int = 7) -> Path:
    """The sketch, compiled as C or as C++; the core is C, as the toolchain has it.

    `most` of the flags are taken: the first seven are without sanitizers.
    """
    write_folder(folder / "lib", files)
    cpp = shutil.which("c++") or shutil.which("g++")
    if language == "c++" and cpp is None:
        missing("no C++ compiler here: install g++ to test the sketch")
    first = [cpp or "", *CPP[:most]] if language == "c++" else [compiler(), *FLAGS[:most]]
    common = [f"-I{folder / 'lib' / 'src'}", f"-I{FIRMWARE}", *NAMES, *KEPT]
    sources = [str(path) for path in sorted((folder / "lib" / "src").glob("*.c"))]
    call([compiler(), *FLAGS[:most], *common, "-c", *sources], folder)
    api = ["-include", str(FIRMWARE / "sketch_stub.h"), "-x", language]
    call([*first, *common, *api, "-c", str(folder / "lib" / EXAMPLE), "-o", "sketch.o"], folder)
    call([*first, *common, *api, "-c", str(FIRMWARE / "run_sketch.c"), "-o", "run.o"], folder)
    call([*first, *[path.name for path in folder.glob("*.o")], "-o", "sketch"], folder)
    return folder / "sketch"


def call(words: Sequence[str], folder: Path) -> None:
    done = subprocess.run(words, cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


class Ran:
    """What a run printed: outputs that changed, and messages that were sent."""

    def __init__(
        self, program: Path, script: Sequence[str], end_us: int, known: bool = True
    ) -> None:
        text = "\n".join([*script, f"0 end {end_us}", ""])
        words = [str(program), *["unknown"] * (not known)]
        done = subprocess.run(
            words, input=text, capture_output=True, text=True, check=False, timeout=60
        )
        assert done.returncode == 0, done.stderr
        rows = [row.split() for row in done.stdout.splitlines()]
        self.rows = rows
        deframer = Deframer()
        self.told = [
            parse(payload)
            for row in rows
            if row[1] == "sent"
            for payload in deframer.feed(bytes.fromhex(row[2]))
        ]

    def outputs(self, pin: int) -> list[tuple[int, int]]:
        """When a pin changed, and to which duty; what it was set to at the start is left out."""
        return [(int(r[0]), int(r[3])) for r in self.rows if r[1] == "out" and int(r[2]) == pin][1:]


def at(us: int, *messages: msgspec.Struct | Hello | StrikeAt | HoldAt) -> str:
    data = b"".join(frame(message.pack()) for message in messages)  # type: ignore[union-attr]
    return f"{us} {data.hex()}"


def pin(name: str) -> int:
    return chip_named("STM32F405").pins[name].number


@pytest.fixture(scope="module", params=["c", "c++"])
def fettle(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    most = len(FLAGS) if request.param == "c++" else 7
    return built(tmp_path_factory.mktemp("sketch"), sketch_files(FETTLE), request.param, most)


def test_it_starts_with_everything_off_and_says_who_it_is(fettle: Path) -> None:
    ran = Ran(fettle, [at(1000, Hello(VERSION, 7))], 100_000)
    coil = pin("PC10")
    first = [row for row in ran.rows if row[1] in ("out", "mode") and row[2] == str(coil)]
    # Low before it becomes an output, so that no transistor is switched on for a moment.
    assert [row[1:] for row in first] == [["out", str(coil), "0"], ["mode", str(coil), "1"]]
    hello = next(m for m in ran.told if isinstance(m, HelloAck))
    assert (hello.coils, hello.motors, hello.session) == (13, 1, 7)
    assert ["baud", "115200", "0"] in [row[1:] for row in ran.rows]
    edges = {tuple(row[2:]) for row in ran.rows if row[1] == "edge"}
    assert edges == {(str(pin("PA6")), "1"), (str(pin("PA7")), "1")}


def test_a_strike_begins_and_ends_within_a_few_rounds_of_its_time(fettle: Path) -> None:
    """At 150 ms for 14 ms: the microsecond counter wraps at 967 ms, a second strike lies beyond."""
    strikes = [StrikeAt(0, 0, 1500, 1400), StrikeAt(1, 0, 11_000, 700)]
    beats = [at(1000, Hello(VERSION, 7), *strikes)]
    beats += [at(n * 60_000, Hello(VERSION, 7)) for n in range(1, 25)]
    ran = Ran(fettle, beats, 1_400_000)
    outputs = ran.outputs(pin("PC10"))
    assert [duty for _, duty in outputs] == [255, 0, 255, 0]
    for (us, _), expected in zip(outputs, (150_000, 164_000, 1_100_000, 1_107_000), strict=True):
        assert expected <= us <= expected + 100 + 3 * ROUND_US
    assert [m.outcome for m in ran.told if isinstance(m, Done)] == [0, 0]


def test_a_damper_is_pulled_then_held_and_let_go_when_the_host_is_silent(fettle: Path) -> None:
    hold = HoldAt(0, 5, 1000, 50_000, 300, 76)
    ran = Ran(fettle, [at(1000, Hello(VERSION, 7), hold)], 600_000)
    outputs = ran.outputs(pin("PC6"))
    assert [duty for _, duty in outputs] == [255, 76, 0]
    assert outputs[1][0] - outputs[0][0] == pytest.approx(30_000, abs=300)
    # The last good frame came at 1 ms, and the board waits for 200 ms.
    assert outputs[2][0] == pytest.approx(201_000, abs=2000)


def test_the_stop_button_releases_and_holds_everything_off(fettle: Path) -> None:
    hold, later = HoldAt(0, 5, 1000, 50_000, 300, 76), StrikeAt(1, 0, 3000, 1000)
    script = [at(1000, Hello(VERSION, 7), hold, later), f"150000 pin {pin('PC2')} 0"]
    ran = Ran(fettle, [*script, at(160_000, Hello(VERSION, 7))], 400_000)
    # Held down for 20 ms: no bounce.
    us, duty = ran.outputs(pin("PC6"))[-1]
    assert us == pytest.approx(170_000, abs=1500)
    assert duty == 0
    assert ran.outputs(pin("PC10")) == []


def test_a_dry_run_switches_no_coil(fettle: Path) -> None:
    folder = fettle.parent
    dry = sketch_files(FETTLE, dry_run=True)
    (folder / "dry.c").write_text(dry["src/cr_limits.c"])
    others = [path.name for path in folder.glob("*.o") if path.name not in ("cr_limits.o", "dry.o")]
    call([compiler(), "-std=c99", f"-I{folder / 'lib' / 'src'}", "-c", "dry.c"], folder)
    linker = shutil.which("c++") or shutil.which("g++") or compiler()
    call([linker, "-fsanitize=address,undefined", *others, "dry.o", "-o", "dry"], folder)
    ran = Ran(folder / "dry", [at(1000, Hello(VERSION, 7), StrikeAt(0, 0, 1500, 1400))], 190_000)
    assert ran.outputs(pin("PC10")) == []
    assert [m.outcome for m in ran.told if isinstance(m, Done)] == [0]
    for name, text in dry.items():
        if name.endswith((".c", ".h")) and "limits" not in name and "config" not in name:
            assert text == sketch_files(FETTLE)[name]


def test_it_rests_where_it_knows_nothing_and_not_where_something_is_kept(fettle: Path) -> None:
    """As each start is where the toolchain knows no memory that a reset leaves alone."""
    beats = [at(n * 60_000, Hello(VERSION, 7)) for n in range(1, 5)]
    script = [at(1000, Hello(VERSION, 7), StrikeAt(0, 0, 1500, 1400)), *beats]
    for known, outcome in ((True, 0), (False, 2)):
        ran = Ran(fettle, script, 300_000, known)
        assert [m.outcome for m in ran.told if isinstance(m, Done)] == [outcome]


def test_it_plays_a_plan_of_its_own(tmp_path: Path) -> None:
    notes = (reply_note(0, 1.0, None, "bamboo"), reply_note(1, 1.5, None, "bamboo"))
    plan = make_plan(ReplyScore(header=ReplyHeader(duration_s=3.0), notes=notes), POCKET)
    files = sketch_files(POCKET, plan=plan, start=PlanStart(after_s=0.5))
    ran = Ran(built(tmp_path, files, "c"), [], 4_000_000)
    starts = [us for us, duty in ran.outputs(3) if duty == 255]
    assert starts == [pytest.approx(1_500_000, abs=3000), pytest.approx(2_000_000, abs=3000)]


def test_pins_have_the_toolchains_names() -> None:
    assert "CR_SKETCH_COIL_PINS {2, 3}" in sketch_pins(POCKET)
    assert "CR_SKETCH_COIL_PINS {PC10, PC11, " in sketch_pins(FETTLE)
    assert "CR_SKETCH_STOP_PIN PC2" in sketch_pins(FETTLE)
    assert "CR_SKETCH_RAIN_PIN -1" in sketch_pins(POCKET)


def test_without_pins_the_header_asks_for_them(tmp_path: Path) -> None:
    bare = msgspec.structs.replace(
        POCKET, board=msgspec.structs.replace(POCKET.board, pins=None, chip=None)
    )
    files = sketch_files(bare)
    assert '#error "put the pins of your board' in files["src/sketch_pins.h"]
    assert "put yours there" in files["README.md"]
    taken_out = files["src/sketch_pins.h"].replace("#error", "//")
    write_folder(tmp_path / "lib", files | {"src/sketch_pins.h": taken_out})
    words = [compiler(), *FLAGS[:7], f"-I{tmp_path / 'lib' / 'src'}", "-fsyntax-only"]
    words += ["-include", str(FIRMWARE / "sketch_stub.h"), "-x", "c"]
    call([*words, str(tmp_path / "lib" / EXAMPLE)], tmp_path)


def test_a_sketch_that_should_wait_for_light_is_refused() -> None:
    notes = (reply_note(0, 1.0, None, "oak block"),)
    plan = make_plan(ReplyScore(header=ReplyHeader(duration_s=3.0), notes=notes), FETTLE)
    with pytest.raises(UserError, match="a sketch can't wait for light"):
        sketch_files(FETTLE, plan=plan, start=PlanStart(lux=20))


@pytest.mark.parametrize("palette", [FETTLE, POCKET], ids=["fettle", "pocket"])
def test_the_library_is_laid_out_as_the_toolchain_wants_it(palette: Palette) -> None:
    files = sketch_files(palette)
    assert files == sketch_files(palette)
    rows = dict(row.split("=", 1) for row in files["library.properties"].splitlines())
    assert rows["name"] == "callresp_board"
    assert rows["version"].count(".") == 2
    assert f"src/{rows['includes']}" in files
    folder, name = Path(EXAMPLE).parts[1:]
    assert name == f"{folder}.ino"
