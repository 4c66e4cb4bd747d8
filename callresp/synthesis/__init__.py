"""The sound of a plan without hardware: modal synthesis of the strikers, mixed beside the chorus.

All renderings read a plan through `execution.act`, so they can't disagree about what
is played. Sources stand at the head of each module.
"""

from callresp.synthesis.levels import FULL_SCALE_DB_SPL, Place, place_of
from callresp.synthesis.machine import Machine, render, stream
from callresp.synthesis.mixing import HEARING, Mixed, Mixing, mix

__all__ = [
    "FULL_SCALE_DB_SPL",
    "HEARING",
    "Machine",
    "Mixed",
    "Mixing",
    "Place",
    "mix",
    "place_of",
    "render",
    "stream",
]
