"""Windows: a stream cut into frames that overlap, each weighted.

Left to numpy this was a copy and a product, since a product of rows that overlap is buffered.
"""

from __future__ import annotations

from typing import Any

from callresp.listen.kernels._jit import kernel


@kernel
def cut(stream: Any, hop: int, shape: Any, frames: Any) -> None:
    """Fill each row of `frames` by the samples of `stream` from ``row * hop`` on, times `shape`."""
    for i in range(frames.shape[0]):
        row, samples = frames[i], stream[i * hop : i * hop + shape.size]
        for k in range(shape.size):
            row[k] = samples[k] * shape[k]
