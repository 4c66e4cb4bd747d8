"""Everything that can be heard and seen without hardware.

Goal
----
Let the artist hear and see what a plan would do, before any coil is driven:
the strikers' sound by modal synthesis, a mix beside the recorded chorus, a
Standard MIDI File, pictures of a passage and of a day, and a workshop sheet of
the palette.

All of them read a plan through `acting.act`, so they can't disagree about what
is played. Sources stand at the head of each module.
"""

from callresp.rehearse.day_picture import DayDrawn, draw_day
from callresp.rehearse.levels import FULL_SCALE_DB_SPL, Place, place_of
from callresp.rehearse.midi import MidiWritten, write_midi
from callresp.rehearse.mixing import HEARING, Mixed, Mixing, mix
from callresp.rehearse.picture import Drawn, draw
from callresp.rehearse.rendering import Machine, render, stream
from callresp.rehearse.sheet import draw_sheet

__all__ = [
    "FULL_SCALE_DB_SPL",
    "HEARING",
    "DayDrawn",
    "Drawn",
    "Machine",
    "MidiWritten",
    "Mixed",
    "Mixing",
    "Place",
    "draw",
    "draw_day",
    "draw_sheet",
    "mix",
    "place_of",
    "render",
    "stream",
    "write_midi",
]
