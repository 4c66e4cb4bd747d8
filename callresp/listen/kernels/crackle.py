"""Crackle: how the floor itself scatters in rain, surf and leaves.

Goal
----
A drop on a leaf stands out of the mean noise as a distant call does. But where one
such sound is heard, many fainter ones are, and the louder they are the fewer. So the
sounds that nearly pass, or just do, tell how often one comes by chance that is so
loud; a sound without a pitch must stand clear of that.

Conventions
-----------
Sounds are counted by cells of time, by how far they stand over the floor: in two
steps of `STEP_DB` about a note's least SNR, the lower one in halves. Where a call
sounds (a tone that lasts, or what no weather brings), and near it, cells say
nothing of the floor: its own pieces and echoes are counted there.

Source: that what passes a high threshold is distributed exponentially (here in dB)
beyond it: Pickands (1975), "Statistical inference using extreme order statistics",
Ann. Statist. 3(1). The figures are our own.
"""

from __future__ import annotations

import math
from typing import Any

from callresp.listen.kernels._jit import noalloc
from callresp.listen.kernels.layout import CRACKLE_CELLS

CELL_S = 0.25
CELLS = 40  # that are looked back for
STEP_DB = 3.0
BELOW_DB = 1.5  # a note's least SNR: from there on sounds are counted
LOUD_DB = 8.0  # over a note's least SNR: weather rarely is so loud
CALL_DB = 13.0  # over it: from here on taken for a call
NEAR_S = 0.3  # before and after a call
TICK_S = 0.035  # a pitch found in so short a sound may be chance
# Drops are brief; what lasts longer need only stand clear of what waves do.
RASP_S = 0.07
RASP_DB = 3.0  # over a note's least SNR
# Crackle is at least so many sounds in so many clear cells, fewer from step to step and, as far as
# so few tell, from half to half; and of loud ones so many more, and so many times as many, as those
# foretell.
LEAST = 8
LEAST_CELLS = 4
FALLS, HALF_FALLS = 1.1, 0.8
MORE_LOUD, TIMES_LOUD = 3.0, 2.0
# A trill brings more sounds into these cells than chance does, by so many standard deviations.
BURST_CELLS = 2
BURST = 2.0
CHANCE_S = 600.0  # in which one sound may stand clear by chance


@noalloc
def count(onset: float, end: float, snr_db: float, call: bool, state: Any, setup: Any) -> None:
    """Count a sound in frames [onset, end), of which `call` says that it is a tone that lasts."""
    over_db = snr_db - setup.note_db
    per_cell = CELL_S * setup.frames_per_s
    cell = _cell(max(0, int(onset / per_cell)), state)
    if call or over_db >= CALL_DB:
        near = NEAR_S * setup.frames_per_s
        first, last = int((onset - near) / per_cell), int((end + near) / per_cell)
        for number in range(max(0, first), last + 1):
            _cell(number, state).covered = 1
    elif over_db >= -BELOW_DB:
        if over_db < 0.5 * STEP_DB - BELOW_DB:
            cell.fainter += 1
        elif over_db < STEP_DB - BELOW_DB:
            cell.faint += 1
        elif over_db < 2.0 * STEP_DB - BELOW_DB:
            cell.louder += 1
    if over_db >= LOUD_DB and not call:
        cell.loud += 1


@noalloc
def _cell(number: int, state: Any) -> Any:
    """The cell of that number, emptied if its place in the ring was another's."""
    cell = state.crackle[number & (CRACKLE_CELLS - 1)]
    if cell.number != number:
        cell.number = number
        cell.fainter = 0
        cell.faint = 0
        cell.louder = 0
        cell.loud = 0
        cell.covered = 0
    return cell


@noalloc
def lasts(length: float, setup: Any) -> bool:
    """Whether a pitch found in a sound of so many frames is no chance."""
    return length >= TICK_S * setup.frames_per_s


@noalloc
def asked_of_harsh_db(asked_db: float, length: float, setup: Any) -> float:
    """What is asked of a sound of so many frames, where `asked_db` is asked of a brief one."""
    if length < RASP_S * setup.frames_per_s:
        return asked_db
    return min(asked_db, setup.note_db + RASP_DB)


@noalloc
def asked_db(onset: float, frame: float, state: Any, setup: Any) -> float:
    """SNR that a brief sound or one without a pitch must reach; 0: no more than where it is calm.

    It began in frame `onset`, and it is frame `frame` now.
    """
    if setup.crackle_db <= 0.0:
        return 0.0
    begun = int(onset / (CELL_S * setup.frames_per_s))
    now = int(frame / (CELL_S * setup.frames_per_s))
    fainter, faint, louder, loud, clear, lately = 0, 0, 0, 0, 0, 0
    for number in range(max(0, now - CELLS + 1), now + 1):
        cell = state.crackle[number & (CRACKLE_CELLS - 1)]
        if cell.number != number:
            clear += 1
            continue
        loud += cell.loud
        if number > now - BURST_CELLS:
            lately += cell.fainter + cell.faint + cell.louder
        if cell.covered and number >= begun:
            # Beside a call it may be a part of that.
            return 0.0
        if not cell.covered:
            clear += 1
            fainter += cell.fainter
            faint += cell.faint
            louder += cell.louder
    falls = fainter >= HALF_FALLS * faint and fainter + faint >= FALLS * louder
    faint += fainter
    if clear < LEAST_CELLS or faint + louder < LEAST or not falls:
        return 0.0
    scatter_db = STEP_DB / math.log((faint + 1.0) / (louder + 0.5))
    per_s = faint / (1.0 - math.exp(-STEP_DB / scatter_db)) / (clear * CELL_S)
    foretold = per_s * CELLS * CELL_S * math.exp(-(LOUD_DB + BELOW_DB) / scatter_db)
    if loud > MORE_LOUD + TIMES_LOUD * foretold:
        # These are not the tail of what is faint: somebody clicks, taps or rasps.
        return 0.0
    by_chance = (faint + louder) * BURST_CELLS / clear
    if lately > by_chance + BURST * (math.sqrt(by_chance) + 1.0):
        return 0.0
    clear_db = scatter_db * math.log(per_s * CHANCE_S) - BELOW_DB
    return setup.note_db + min(setup.crackle_db, clear_db)
