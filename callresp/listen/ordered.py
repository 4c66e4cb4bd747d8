"""Values in order of size, put in one at a time: for a handful, to take their median or third."""

from __future__ import annotations

from typing import Any

from callresp.listen.compiled import bare


@bare
def put(kept: Any, count: int, value: float) -> None:
    """Put `value` into its place among the first `count` of `kept`, which stand in order."""
    at = count
    while at > 0 and kept[at - 1] > value:
        kept[at] = kept[at - 1]
        at -= 1
    kept[at] = value
