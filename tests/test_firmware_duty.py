"""Relative on-time in constant memory, against the exact sum; and sizes that can't disagree.

The core's `duty.c` is built as a library, and compared with a list of all on-times.
"""

from __future__ import annotations

import ctypes
import subprocess
from pathlib import Path

import pytest
from firmware_helpers import CORE, FIRMWARE, FLAGS, SOURCES, compiler
from hypothesis import given
from hypothesis import strategies as st

# Few places, so that the tests merge: what is kept when more come than there is place for.
SPANS = 8
TURN = 1 << 32


class Lib:
    """`duty.c` with `SPANS` places."""

    def __init__(self, folder: Path) -> None:
        source = folder / "duty_face.c"
        source.write_text(
            '#include "outputs.h"\nstatic cr_duty d; static uint32_t cycle;\n'
            "void start(uint32_t c, uint32_t now) { cycle = c; cr_duty_init(&d, c, now); }\n"
            "void remember(uint32_t s, uint32_t n) { cr_duty_remember(&d, cycle, s, n); }\n"
            "void forget(uint32_t now) { cr_duty_forget(&d, cycle, now); }\n"
            "uint32_t used(uint32_t since) { return cr_duty_used(&d, since); }\n"
            "uint32_t unit(void) { return (uint32_t)1 << d.shift; }\n"
        )
        config = (FIRMWARE / "cr_config.h").read_text()
        (folder / "cr_config.h").write_text(config.replace("CR_SPANS 96", f"CR_SPANS {SPANS}"))
        words = [compiler(), "-std=c99", "-O1", "-Wall", "-Wextra", "-Werror", "-shared", "-fPIC"]
        words += [f"-I{folder}", f"-I{CORE}", str(source), str(CORE / "duty.c")]
        subprocess.run([*words, "-o", str(folder / "duty.so")], check=True)
        self.lib = ctypes.CDLL(str(folder / "duty.so"))
        for name in ("used", "unit"):
            getattr(self.lib, name).restype = ctypes.c_uint32
        for name in ("start", "remember"):
            getattr(self.lib, name).argtypes = [ctypes.c_uint32, ctypes.c_uint32]
        for name in ("forget", "used"):
            getattr(self.lib, name).argtypes = [ctypes.c_uint32]


@pytest.fixture(scope="module")
def duty(tmp_path_factory: pytest.TempPathFactory) -> Lib:
    return Lib(tmp_path_factory.mktemp("duty"))


def exact(spans: list[tuple[int, int]], since: int) -> int:
    """Ticks on since a time, of all on-times that ever were."""
    return sum(max(end - max(start, since), 0) for start, end in spans)


@given(data=st.data())
def test_what_is_counted_is_never_less_than_it_is_and_not_much_more(
    duty: Lib, data: st.DataObject
) -> None:
    """Any cycle, any on-times, also across the turn of the clock: at least the exact sum, and at
    most a unit and the on-time of one merged pair beyond it."""
    cycle = data.draw(st.integers(100, 40_000_000), "cycle")
    now = start = data.draw(st.sampled_from([0, 1 << 31, TURN - 5 * cycle, TURN - 1]), "now")
    duty.lib.start(cycle, start % TURN)
    spans: list[tuple[int, int]] = []
    pieces = data.draw(
        st.lists(
            st.tuples(
                st.floats(0, 1).map(lambda x: int(x**4 * cycle)),
                st.floats(0, 1).map(lambda x: max(int(x**6 * cycle), 1)),
                st.sampled_from([0, 0, 0, 1, 2, 5]),
            ),
            max_size=60,
        ),
        "gap, length, idle cycles",
    )
    for gap, length, idle in pieces:
        for _ in range(idle):
            now += cycle // 2
            duty.lib.forget(now % TURN)
        now += gap
        duty.lib.remember(now % TURN, length)
        spans.append((now, now + length))
        now += length
        for back in (cycle, cycle // 2, cycle // 3, cycle - cycle // 7):
            since = now - back
            counted, truth = duty.lib.used(since % TURN), exact(spans, since)
            assert counted >= truth
            # Of `SPANS` neighbours some two are no longer than this together.
            inside = exact(spans, now - cycle)
            slack = duty.lib.unit() + 1
            if inside < 65535 * (SPANS // 2):
                assert counted <= truth + SPANS * slack + 2 * max(inside // (SPANS // 2), 1) * 2


@given(
    starts=st.lists(st.integers(0, 99_000), min_size=1, max_size=SPANS, unique=True).map(sorted),
    later=st.integers(0, 99_000),
)
def test_with_places_enough_it_is_exact_to_a_unit(duty: Lib, starts: list[int], later: int) -> None:
    cycle = 100_000
    duty.lib.start(cycle, 0)
    spans = []
    for start, after in zip(starts, [*starts[1:], 100_000], strict=True):
        length = max(min(400, after - start), 1)
        duty.lib.remember(start, length)
        spans.append((start, start + length))
    since = later
    counted = duty.lib.used(since)
    assert exact(spans, since) <= counted <= exact(spans, since) + 2 * duty.lib.unit()


def test_files_built_with_other_sizes_do_not_link(tmp_path: Path) -> None:
    config = (FIRMWARE / "cr_config.h").read_text()
    other = tmp_path / "other"
    other.mkdir()
    (other / "cr_config.h").write_text(config.replace("CR_SPANS 96", "CR_SPANS 95"))
    main = FIRMWARE / "fuzz_core.c"

    def linked(folder_of_main: Path) -> subprocess.CompletedProcess[str]:
        objects = []
        for folder, source in [(folder_of_main, str(main)), *((FIRMWARE, s) for s in SOURCES)]:
            out = tmp_path / f"{Path(source).stem}.o"
            # The file's own folder is looked at first: the config is given by name.
            words = [compiler(), *FLAGS[:7], "-iquote", str(folder), f"-I{CORE}", "-c", "-o"]
            words += [str(out), "-x", "c", "-"]
            text = Path(source).read_text()
            done = subprocess.run(words, input=text, capture_output=True, text=True, check=False)
            assert done.returncode == 0, done.stderr
            objects.append(str(out))
        words = [compiler(), *objects, "-o", str(tmp_path / "all")]
        return subprocess.run(words, capture_output=True, text=True, check=False)

    assert linked(FIRMWARE).returncode == 0
    refused = linked(other)
    assert refused.returncode != 0
    assert "cr_byte_20_4_32_8_64_95" in refused.stderr


def test_too_large_a_board_and_another_protocol_do_not_compile(tmp_path: Path) -> None:
    config = (FIRMWARE / "cr_config.h").read_text()
    for was, becomes, told in (
        ("CR_SPANS 96", "CR_SPANS 200", "cr_board_fits_a_small_chip"),
        ("CR_PROTOCOL 2", "CR_PROTOCOL 1", "cr_config_is_of_this_protocol"),
        ("CR_COILS 20", "CR_COILS 40", "cr_coils_fit_a_word"),
    ):
        (tmp_path / "cr_config.h").write_text(config.replace(was, becomes))
        words = [compiler(), "-std=c99", f"-I{tmp_path}", f"-I{CORE}", "-c", SOURCES[0]]
        done = subprocess.run(words, cwd=tmp_path, capture_output=True, text=True, check=False)
        assert done.returncode != 0
        assert told in done.stderr
