"""Fourier transforms of overlapping frames of a stream, several frames at once.

Goal
----
Spectra take most of the time to listen where little sings. Libraries transform one frame after
another, or put a few side by side and back; here the frames of a stream are put side by side once,
windowed as they are, and only their powers are put back.

Conventions
-----------
A frame of `n` samples becomes `n` real numbers: the real part of bin 0, real and imaginary parts
of the bins after it, and the real part of bin ``n // 2``. In between, each of its numbers stands
in a row of its own with those of other frames (`callresp.listen.kernels.lanes`). Lengths have no
prime factor above 5. Every frame comes out the same to the bit, whatever frames it is taken with.

Source: the real transforms of FFTPACK, and their order of operations: Swarztrauber (1982),
"Vectorizing the FFTs", in Rodrigue (ed.), Parallel Computations, Academic Press.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from callresp.listen.kernels._jit import kernel, noalloc
from callresp.listen.kernels.lanes import LANES, load, spread, store, transpose, window_across

_ROOT_HALF = np.float32(math.sqrt(0.5))
_COS_3, _SIN_3 = np.float32(-0.5), np.float32(math.sqrt(0.75))
_COS_5, _SIN_5 = np.float32(math.cos(0.4 * math.pi)), np.float32(math.sin(0.4 * math.pi))
_COS_10, _SIN_10 = np.float32(math.cos(0.8 * math.pi)), np.float32(math.sin(0.8 * math.pi))


class Plan(NamedTuple):
    """What transforms of one length need.

    Attributes
    ----------
    steps
        Shape ``(k, 4)``, in order: the factor of a step, how many numbers of a part stand
        together, how many parts there are, and where its turns begin.
    turns
        Cosines and sines by which the numbers of parts are turned.
    """

    steps: npt.NDArray[np.int64]
    turns: npt.NDArray[np.float32]


def plan_for(length: int) -> Plan:
    """The plan of transforms of so many numbers."""
    factors: list[int] = []
    for factor in (4, 2, 3, 5):
        while length % (math.prod(factors) * factor) == 0:
            factors.append(factor)
    if 2 in factors:
        at = factors.index(2)
        factors[0], factors[at] = factors[at], factors[0]
    steps, turns, start, parts = [], [], 0, 1
    for factor in factors:
        together = length // (parts * factor)
        steps.append((factor, together, parts, start))
        angles = np.outer(np.arange(1, factor), np.arange(1, (together - 1) // 2 + 1))
        part = np.zeros((factor - 1, together - 1))
        for offset, function in ((0, np.cos), (1, np.sin)):
            part[:, offset : 2 * angles.shape[1] : 2] = function(
                2.0 * np.pi / length * (parts * angles)
            )
        turns.append(part.ravel())
        start += part.size
        parts *= factor
    return Plan(np.array(steps[::-1]), np.concatenate(turns).astype(np.float32))


@kernel
def transform(
    stream: Any, count: int, hop: int, window: Any, plan: Plan, squared: bool, found: Any
) -> None:
    """Transform frames of a stream, windowed.

    Parameters
    ----------
    stream
        Shape ``(m,)``. The frames begin `hop` apart; there must be room for a multiple of `LANES`.
    count
        Of frames.
    window
        Shape ``(n,)``.
    squared
        Whether the powers of bins are wanted, ``n // 2 + 1`` a frame, and not their parts.
    found
        Shape ``(frames, numbers)``, of so many frames and a little more than so many numbers that
        both are multiples of `LANES`.
    """
    length = window.size
    rows = length + LANES
    one, other = np.zeros(rows * LANES, np.float32), np.zeros(rows * LANES, np.float32)
    flat, wide = found.reshape(-1), found.shape[1]
    whole = length - length % LANES
    for first in range(0, count, LANES):
        for n in range(0, whole, LANES):
            window_across(stream, first * hop + n, hop, window, n, one)
        for n in range(whole, length):
            for lane in range(LANES):
                one[n * LANES + lane] = stream[(first + lane) * hop + n] * window[n]
        halves = one if _take_steps(plan, one, other) else other
        numbers = length
        if squared:
            _square(length, halves)
            numbers = length // 2 + 1
        for n in range(0, numbers, LANES):
            transpose(halves, n * LANES, LANES, flat, first * wide + n, wide)


@noalloc
def _square(length: int, rows: Any) -> None:
    """Turn the parts of bins into their powers, in place."""
    store(rows, 0, load(rows, 0) * load(rows, 0))
    for k in range(1, length // 2):
        real, imaginary = load(rows, (2 * k - 1) * LANES), load(rows, 2 * k * LANES)
        store(rows, k * LANES, real * real + imaginary * imaginary)
    last = load(rows, (length - 1) * LANES)
    store(rows, length // 2 * LANES, last * last)


@noalloc
def _take_steps(plan: Plan, one: Any, other: Any) -> bool:
    """Take all steps, from one array to the other and back; whether the last ended in the first."""
    here, there = one, other
    for n in range(len(plan.steps)):
        factor, together, parts, start = plan.steps[n]
        turns = plan.turns[start:]
        if factor == 4:
            _by_four(together, parts, here, there, turns)
        elif factor == 2:
            _by_two(together, parts, here, there, turns)
        elif factor == 3:
            _by_three(together, parts, here, there, turns)
        else:
            _by_five(together, parts, here, there, turns)
        here, there = there, here
    return len(plan.steps) % 2 == 0


@noalloc
def _turned(turns: Any, at: int, rows: Any, place: int) -> tuple[Any, Any]:
    """A complex number, whose imaginary part lies at `place`, turned back."""
    real, imaginary = load(rows, place - LANES), load(rows, place)
    cosine, sine = spread(turns, at), spread(turns, at + 1)
    return cosine * real + sine * imaginary, cosine * imaginary - sine * real


@noalloc
def _by_two(together: int, parts: int, here: Any, there: Any, turns: Any) -> None:
    wide = together * LANES
    apart, last = wide * parts, wide - LANES
    for k in range(parts):
        at, to = wide * k, wide * 2 * k
        a, b = load(here, at), load(here, at + apart)
        store(there, to, a + b)
        store(there, to + wide + last, a - b)
        if together % 2 == 0:
            store(there, to + wide, -load(here, at + last + apart))
            store(there, to + last, load(here, at + last))
        for i in range(2, together, 2):
            own, up = at + LANES * i, to + LANES * i
            down = to + wide + LANES * (together - i)
            br, bi = _turned(turns, i - 2, here, own + apart)
            ar, ai = load(here, own - LANES), load(here, own)
            store(there, up - LANES, ar + br)
            store(there, down - LANES, ar - br)
            store(there, up, bi + ai)
            store(there, down, bi - ai)


@noalloc
def _by_three(together: int, parts: int, here: Any, there: Any, turns: Any) -> None:
    wide = together * LANES
    apart, last = wide * parts, wide - LANES
    for k in range(parts):
        at, to = wide * k, wide * 3 * k
        a, b, c = load(here, at), load(here, at + apart), load(here, at + 2 * apart)
        both = b + c
        store(there, to, a + both)
        store(there, to + 2 * wide, _SIN_3 * (c - b))
        store(there, to + wide + last, a + _COS_3 * both)
        for i in range(2, together, 2):
            own, up = at + LANES * i, to + LANES * i
            down = to + wide + LANES * (together - i)
            br, bi = _turned(turns, i - 2, here, own + apart)
            cr, ci = _turned(turns, i - 2 + together - 1, here, own + 2 * apart)
            ar, ai = load(here, own - LANES), load(here, own)
            sum_r, sum_i = br + cr, bi + ci
            store(there, up - LANES, ar + sum_r)
            store(there, up, ai + sum_i)
            even_r, even_i = ar + _COS_3 * sum_r, ai + _COS_3 * sum_i
            odd_r, odd_i = _SIN_3 * (bi - ci), _SIN_3 * (cr - br)
            store(there, up + 2 * wide - LANES, even_r + odd_r)
            store(there, down - LANES, even_r - odd_r)
            store(there, up + 2 * wide, odd_i + even_i)
            store(there, down, odd_i - even_i)


@noalloc
def _by_four(together: int, parts: int, here: Any, there: Any, turns: Any) -> None:
    wide = together * LANES
    apart, last = wide * parts, wide - LANES
    for k in range(parts):
        at, to = wide * k, wide * 4 * k
        a, b = load(here, at), load(here, at + apart)
        c, d = load(here, at + 2 * apart), load(here, at + 3 * apart)
        odd, even = d + b, a + c
        store(there, to + 2 * wide, d - b)
        store(there, to + wide + last, a - c)
        store(there, to, even + odd)
        store(there, to + 3 * wide + last, even - odd)
        if together % 2 == 0:
            a, b = load(here, at + last), load(here, at + last + apart)
            c, d = load(here, at + last + 2 * apart), load(here, at + last + 3 * apart)
            real, imaginary = _ROOT_HALF * (b - d), -_ROOT_HALF * (b + d)
            store(there, to + last, a + real)
            store(there, to + 2 * wide + last, a - real)
            store(there, to + 3 * wide, imaginary + c)
            store(there, to + wide, imaginary - c)
        for i in range(2, together, 2):
            own, up = at + LANES * i, to + LANES * i
            down = to + wide + LANES * (together - i)
            br, bi = _turned(turns, i - 2, here, own + apart)
            cr, ci = _turned(turns, i - 2 + together - 1, here, own + 2 * apart)
            dr, di = _turned(turns, i - 2 + 2 * (together - 1), here, own + 3 * apart)
            ar, ai = load(here, own - LANES), load(here, own)
            sum_r, sum_i, gap_r, gap_i = dr + br, bi + di, dr - br, bi - di
            even_r, even_i, odd_r, odd_i = ar + cr, ai + ci, ar - cr, ai - ci
            store(there, up - LANES, even_r + sum_r)
            store(there, down + 2 * wide - LANES, even_r - sum_r)
            store(there, up, sum_i + even_i)
            store(there, down + 2 * wide, sum_i - even_i)
            store(there, up + 2 * wide - LANES, odd_r + gap_i)
            store(there, down - LANES, odd_r - gap_i)
            store(there, up + 2 * wide, gap_r + odd_i)
            store(there, down, gap_r - odd_i)


@noalloc
def _by_five(together: int, parts: int, here: Any, there: Any, turns: Any) -> None:
    wide = together * LANES
    apart, last = wide * parts, wide - LANES
    for k in range(parts):
        at, to = wide * k, wide * 5 * k
        a, b, c = load(here, at), load(here, at + apart), load(here, at + 2 * apart)
        d, e = load(here, at + 3 * apart), load(here, at + 4 * apart)
        outer, inner, outer_gap, inner_gap = e + b, d + c, e - b, d - c
        store(there, to, a + outer + inner)
        store(there, to + wide + last, a + _COS_5 * outer + _COS_10 * inner)
        store(there, to + 2 * wide, _SIN_5 * outer_gap + _SIN_10 * inner_gap)
        store(there, to + 3 * wide + last, a + _COS_10 * outer + _COS_5 * inner)
        store(there, to + 4 * wide, _SIN_10 * outer_gap - _SIN_5 * inner_gap)
        for i in range(2, together, 2):
            own, up = at + LANES * i, to + LANES * i
            down = to + wide + LANES * (together - i)
            br, bi = _turned(turns, i - 2, here, own + apart)
            cr, ci = _turned(turns, i - 2 + together - 1, here, own + 2 * apart)
            dr, di = _turned(turns, i - 2 + 2 * (together - 1), here, own + 3 * apart)
            er, ei = _turned(turns, i - 2 + 3 * (together - 1), here, own + 4 * apart)
            ar, ai = load(here, own - LANES), load(here, own)
            outer_r, outer_i, apart_r, apart_i = er + br, bi + ei, er - br, bi - ei
            inner_r, inner_i, near_r, near_i = dr + cr, ci + di, dr - cr, ci - di
            store(there, up - LANES, ar + outer_r + inner_r)
            store(there, up, ai + outer_i + inner_i)
            even_r = ar + _COS_5 * outer_r + _COS_10 * inner_r
            even_i = ai + _COS_5 * outer_i + _COS_10 * inner_i
            odd_r = _SIN_5 * apart_i + _SIN_10 * near_i
            odd_i = _SIN_5 * apart_r + _SIN_10 * near_r
            store(there, up + 2 * wide - LANES, even_r + odd_r)
            store(there, down - LANES, even_r - odd_r)
            store(there, up + 2 * wide, odd_i + even_i)
            store(there, down, odd_i - even_i)
            even_r = ar + _COS_10 * outer_r + _COS_5 * inner_r
            even_i = ai + _COS_10 * outer_i + _COS_5 * inner_i
            odd_r = _SIN_10 * apart_i - _SIN_5 * near_i
            odd_i = _SIN_10 * apart_r - _SIN_5 * near_r
            store(there, up + 4 * wide - LANES, even_r + odd_r)
            store(there, down + 2 * wide - LANES, even_r - odd_r)
            store(there, up + 4 * wide, odd_i + even_i)
            store(there, down + 2 * wide, odd_i - even_i)
