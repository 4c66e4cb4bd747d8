"""Products of matrices on one core, wherever they are called from.

They are small here: a second thread waits for the first more than it helps, and busy-waits on a
core that another worker needs. The command line starts none (`cli.main`); this is for others.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from functools import cache

from threadpoolctl import ThreadpoolController


@cache
def _linear_algebra() -> ThreadpoolController:
    return ThreadpoolController()


@contextlib.contextmanager
def one_thread() -> Iterator[None]:
    """Products of matrices stay on one core meanwhile; also a decorator."""
    with _linear_algebra().limit(limits=1, user_api="blas"):
        yield
