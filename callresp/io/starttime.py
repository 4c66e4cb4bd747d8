"""When a recording began.

Field recorders commonly name files after the clock, as in
``SITE_20260512_041500.wav`` (common practice, no source); a user may also say
so. Without either the time of day is unknown, and says so by `None`.
"""

from __future__ import annotations

import re
from datetime import datetime
from pathlib import Path

from callresp.errors import UserError

_CLOCK = re.compile(r"(?<!\d)(\d{8})[_T-](\d{6})(?!\d)")


def start_of(recording: Path, stated: str | None = None) -> datetime | None:
    """Start of a recording: as stated (ISO 8601), else from its file name.

    Examples
    --------
    >>> from pathlib import Path
    >>> start_of(Path("carr_20260512_041500.wav")).isoformat()
    '2026-05-12T04:15:00'

    Raises
    ------
    UserError
        When what was stated is not a time.
    """
    if stated is not None:
        try:
            return datetime.fromisoformat(stated)
        except ValueError:
            raise UserError(
                f"'{stated}' is not a time",
                argument="start",
                remedy="write it like 2026-05-12T04:15:00+01:00",
            ) from None
    found = _CLOCK.search(Path(recording).stem)
    if not found:
        return None
    try:
        return datetime.strptime(found[1] + found[2], "%Y%m%d%H%M%S")
    except ValueError:
        return None
