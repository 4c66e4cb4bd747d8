"""Kernels: compiled with what they call, and kept apart by processes that compile at once."""

from __future__ import annotations

import gc
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numba.core.caching import FunctionCache
from numba.core.runtime import _nrt_python, rtsys

from callresp.listen import precompile
from callresp.listen.kernels import _jit
from callresp.listen.notes import FEATURES, NOTE
from callresp.listen.voices.assign import assign_voices

KERNEL = """
import sys
import numpy as np
from callresp.listen.kernels._jit import kernel

@kernel
def size(values, row):
    return len(values) * 1000 + row[0].values.size

def call(n):
    row = np.zeros(1, np.dtype([("values", np.float32, (n,))]))
    return size(np.zeros(3), row)

if __name__ == "__main__":
    own = [int(n) for n in sys.argv[1:]]
    assert [call(n) for n in own] == [3000 + n for n in own], own
"""
SHAPES = range(2, 8)
PROCESSES = 2


def test_kept_forms_are_read_and_written_by_one_at_a_time(
    cache: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Outside: whether a lock is held tells flock(2) itself, asked by another open file."""
    fcntl = pytest.importorskip("fcntl")
    did = []

    def locked(own: Any, name: str) -> Any:
        def call(*words: Any) -> Any:
            with (next(cache.iterdir()) / "lock").open("w") as file, pytest.raises(BlockingIOError):
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            did.append(name)
            return own(*words)

        return call

    for name in ("load_overload", "save_overload"):
        own = getattr(FunctionCache, name)
        monkeypatch.setattr(FunctionCache, name, locked(own, name))

    @_jit.kernel
    def double(value: float) -> float:
        return 2 * value

    assert double(2.0) == 4.0
    assert did == ["load_overload", "save_overload"]


def test_processes_that_compile_at_once_keep_their_own_forms(tmp_path: Path) -> None:
    script = tmp_path / "tiny.py"
    script.write_text(KERNEL)
    root = Path(__file__).parent.parent
    env = dict(os.environ, XDG_CACHE_HOME=str(tmp_path / "cache"), PYTHONPATH=str(root))
    shapes = [str(n) for n in SHAPES]
    parts = [shapes[first::PROCESSES] for first in range(PROCESSES)]
    at_once = [subprocess.Popen([sys.executable, str(script), *part], env=env) for part in parts]
    assert [process.wait(timeout=120) for process in at_once] == [0] * PROCESSES
    # Whoever comes later loads what they kept.
    subprocess.run([sys.executable, str(script), *shapes], env=env, check=True, timeout=120)
    kept = list((tmp_path / "cache").glob("callresp/kernels-*/**/*.nbc"))
    assert len(kept) == len(shapes)


def _kernels() -> dict[str, Any]:
    """All that is compiled for calls from Python, by its name."""
    return {
        name: value
        for module in [m for n, m in sys.modules.items() if n.startswith("callresp.listen.")]
        for name, value in vars(module).items()
        if isinstance(getattr(value, "_cache", None), _jit._LockedCache)
    }


def test_the_set_up_compiles_every_kernel(monkeypatch: pytest.MonkeyPatch) -> None:
    """What it leaves out, the first recording waits for: ten seconds where two sing."""
    called, kernels = set(), _kernels()
    for name, kernel in kernels.items():

        def noted(*words: object, name: str = name, kernel: Any = kernel) -> object:
            called.add(name)
            return kernel(*words)

        for module in [m for n, m in sys.modules.items() if n.startswith("callresp.listen.")]:
            if vars(module).get(name) is kernel:
                monkeypatch.setattr(module, name, noted)
    precompile.hear_sweeps()
    precompile.tell_singers_apart()
    assert called == set(kernels)
    assert len(kernels) > 5


def test_every_array_is_freed() -> None:
    """Counted by numba: a kernel that counts no references never frees what it was given."""
    precompile.hear_sweeps()
    gc.collect()
    _nrt_python.memsys_enable_stats()
    before = rtsys.get_allocation_stats()
    precompile.hear_sweeps()
    gc.collect()
    after = rtsys.get_allocation_stats()
    _nrt_python.memsys_disable_stats()
    assert after.alloc - before.alloc == after.free - before.free > 0


def test_a_lone_note_takes_no_other_form() -> None:
    """A lone row is in order of rows and of columns alike, and numba takes it for the former."""
    precompile.tell_singers_apart()
    assign_voices(np.zeros(1, NOTE), np.zeros(1, FEATURES))
    assert {name: len(kernel.signatures) for name, kernel in _kernels().items()} == dict.fromkeys(
        _kernels(), 1
    )


@pytest.fixture
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty cache, and no folder chosen yet."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    monkeypatch.setattr(_jit, "_folder", _jit._folder.__wrapped__)
    return tmp_path / "callresp"


def _kept_set(cache: Path, name: str, hours_ago: float) -> Path:
    folder = cache / f"kernels-{name}"
    folder.mkdir(parents=True)
    when_s = time.time() - 3600 * hours_ago
    os.utime(folder, (when_s, when_s))
    return folder


def test_sets_of_other_checkouts_in_use_are_kept(cache: Path) -> None:
    # Five checkouts worked on today used to compile anew at every turn.
    today = [_kept_set(cache, f"today{n}", n) for n in range(1, 6)]
    old = _kept_set(cache, "old", 25)
    own = _jit._folder()
    assert own.exists()
    assert all(folder.exists() for folder in today)
    assert not old.exists()


def test_the_newest_sets_are_kept_however_old(cache: Path) -> None:
    sets = [_kept_set(cache, f"set{n}", 100 + n) for n in range(4)]
    _jit._folder()
    assert [folder.exists() for folder in sets] == [True, True, False, False]


def test_a_set_that_is_used_again_counts_as_new(cache: Path) -> None:
    own = _jit._folder()
    os.utime(own, (0, 0))
    assert time.time() - _jit._folder().stat().st_mtime < 60


def test_a_cache_tidied_away_stops_nobody(cache: Path) -> None:
    folder = _jit._folder()
    shutil.rmtree(cache)
    with _jit._lock(folder):
        assert folder.exists()


LINKED = """
import logging
import numpy as np
from callresp.listen.kernels._jit import inner, kernel

logging.basicConfig(level=logging.INFO)

@inner
def third(values, n):
    if n >= len(values):
        raise ValueError("no third there")
    print("asked for", n)  # its words are constants of this function's own
    return values[n] / 3

@inner
def double(value):
    return 2 * value

@kernel
def call(values, n):
    return double(third(values, n))

@kernel
def another(n):
    return double(n)

assert call(np.array([0.0, 6.0]), 1) == 4.0
assert another(2.0) == 4.0
try:
    call(np.zeros(2), 2)
except ValueError as fault:
    assert str(fault) == "no third there", fault
else:
    raise SystemExit("nothing was raised")
for made in double.overloads.values():  # none where the kept form was loaded
    name = made.fndesc.llvm_func_name
    assert made.library.get_pointer_to_function(name) == 0, "made machine code by itself"
"""


def test_what_kernels_call_is_compiled_into_them_and_can_raise(tmp_path: Path) -> None:
    script = tmp_path / "tiny.py"
    script.write_text(LINKED)
    root = Path(__file__).parent.parent
    env = dict(os.environ, XDG_CACHE_HOME=str(tmp_path / "cache"), PYTHONPATH=str(root))
    first, second = (
        subprocess.run(
            [sys.executable, str(script)],
            env=env, check=True, timeout=120, capture_output=True, text=True,
        )
        for _ in ("compiled", "as it was kept")
    )  # fmt: skip
    assert first.stderr.count("compiling") == 1  # of two kernels
    assert "compiling" not in second.stderr
