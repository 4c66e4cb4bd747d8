"""Kept kernels: several processes that compile at once must not take each other's forms."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

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
SHAPES = range(2, 18)
PROCESSES = 4


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
