"""What several commands make of the same options."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import time
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from callresp.errors import UserError
from callresp.scout.sun import DayTime, Site, read_day_time

if TYPE_CHECKING:
    from callresp.osc.udp import NetAddress

Given = TypeVar("Given")


def check_only(only: Sequence[str], names: Sequence[str], machine: str, kind: str = "") -> None:
    """Refuse what ``--only`` names and the machine does not have; `kind` comes before the name."""
    unknown = [name for name in only if name not in names]
    if unknown:
        raise UserError(
            f"no {kind}'{unknown[0]}' in {machine}",
            where="--only",
            remedy=f"one of {', '.join(names)}",
        )


def full_scale_db(full_scale: float | None, calibration: Path | None) -> float | None:
    """Sound pressure level of full scale, by whichever of the two options is given."""
    if calibration is None:
        return full_scale
    if full_scale is not None:
        raise UserError("both --full-scale and --calibration", remedy="give one of them")
    from callresp.levels.calibration import load_calibration

    return load_calibration(calibration).offset_db


def time_of_day(option: str, text: str) -> time:
    """A time of day as it is typed."""
    try:
        return time.fromisoformat(text).replace(tzinfo=None)
    except ValueError:
        raise UserError(
            f"'{text}' is not a time of day", where=option, remedy="write it like 04:30"
        ) from None


def filled(kind: type[Given], given: Mapping[str, object]) -> Given:
    """A command's options as one value, where they are too many to be named twice."""
    make: Callable[..., Given] = kind
    return make(**given)


def osc_addresses(to: Sequence[str], at: str | None) -> tuple[list[NetAddress], NetAddress | None]:
    """Where to tell and where to listen, as `osc` takes them."""
    from callresp.osc.udp import NetAddress

    place = None if at is None else NetAddress.of(at, "osc_in")
    return [NetAddress.of(text, "osc_to") for text in to], place


def known_site(site: Site | None) -> Site:
    """Where the sun is asked for."""
    if site is None:
        raise UserError(
            "the sun is nowhere known", where="--site", remedy="give it like --site 54.2,-2.8"
        )
    return site


def day_time(option: str, text: str) -> DayTime:
    """A time of day as an option has it."""
    try:
        return read_day_time(text)
    except UserError as fault:
        raise UserError(fault.what, where=option, remedy=fault.remedy) from None
