"""Lanes: eight numbers that kernels take at once, such as the same bin of eight frames.

Goal
----
What is done alike to many frames takes an eighth of the instructions where eight stand side by
side. LLVM finds that out by itself only where it can prove that no two arrays overlap, and of the
passes of a transform it can't.

Conventions
-----------
Lanes are a value of numba's, added, subtracted and multiplied like numbers, each with its own.
They are loaded from an array of float32 and stored there, from a place on; nothing checks that
it lies within. Squares of numbers are turned in any array.
"""

from __future__ import annotations

import operator
from typing import Any

from llvmlite import ir
from numba.core import types
from numba.core.imputils import lower_builtin
from numba.core.typing.templates import ConcreteTemplate, infer_global, signature
from numba.extending import intrinsic, models, register_model

LANES = 8

_VECTOR = ir.VectorType(ir.FloatType(), LANES)
_ORDER = ir.VectorType(ir.IntType(32), LANES)
_ANY = ir.Constant(_VECTOR, ir.Undefined)
# Of two rows, the first or the second halves, number by number in turns.
_FIRST_HALVES = [n for lane in range(LANES // 2) for n in (lane, LANES + lane)]
_SECOND_HALVES = [n + LANES // 2 for n in _FIRST_HALVES]


class _Lanes(types.Type):  # type: ignore[misc]
    def __init__(self) -> None:
        super().__init__(name="Lanes")


@register_model(_Lanes)
class _LanesModel(models.PrimitiveModel):  # type: ignore[misc]
    def __init__(self, manager: Any, own_type: Any) -> None:
        super().__init__(manager, own_type, _VECTOR)


_lanes = _Lanes()


def _teach(operation: Any, instruction: str, *operands: Any) -> None:
    """Teach numba an operation on lanes; a lone number among the operands is taken for each."""
    lower_builtin(operation, *operands)(
        lambda _context, builder, told, values: getattr(builder, instruction)(
            *(
                value if of is _lanes else _spread(builder, value)
                for of, value in zip(told.args, values, strict=True)
            )
        )
    )


def _spread(builder: Any, value: Any) -> Any:
    first = builder.insert_element(_ANY, value, ir.Constant(ir.IntType(32), 0))
    return builder.shuffle_vector(first, _ANY, ir.Constant(_ORDER, [0] * LANES))


@infer_global(operator.add)
@infer_global(operator.sub)
class _Sum(ConcreteTemplate):  # type: ignore[misc]
    cases = (signature(_lanes, _lanes, _lanes),)


@infer_global(operator.mul)
class _Product(ConcreteTemplate):  # type: ignore[misc]
    cases = (signature(_lanes, _lanes, _lanes), signature(_lanes, types.float32, _lanes))


@infer_global(operator.neg)
class _Negative(ConcreteTemplate):  # type: ignore[misc]
    cases = (signature(_lanes, _lanes),)


_teach(operator.add, "fadd", _lanes, _lanes)
_teach(operator.sub, "fsub", _lanes, _lanes)
_teach(operator.mul, "fmul", _lanes, _lanes)
_teach(operator.mul, "fmul", types.float32, _lanes)
_teach(operator.neg, "fneg", _lanes)


def _place(context: Any, builder: Any, of: Any, values: Any, at: Any) -> Any:
    data = context.make_array(of)(context, builder, values).data
    lanes = ir.VectorType(context.get_value_type(of.dtype), LANES)
    return builder.bitcast(builder.gep(data, [at]), lanes.as_pointer())


def _loaded(context: Any, builder: Any, of: Any, values: Any, at: Any) -> Any:
    found = builder.load(_place(context, builder, of, values, at))
    found.align = of.dtype.bitwidth // 8
    return found


def _store(context: Any, builder: Any, of: Any, values: Any, at: Any, row: Any) -> None:
    place = _place(context, builder, of, values, at)
    builder.store(row, place).align = of.dtype.bitwidth // 8


@intrinsic
def load(_typing: Any, values: Any, at: Any) -> Any:
    """Lanes from ``values[at]`` on."""

    def generate(context: Any, builder: Any, told: Any, given: Any) -> Any:
        return _loaded(context, builder, told.args[0], *given)

    return _lanes(values, types.intp), generate


@intrinsic
def store(_typing: Any, values: Any, at: Any, row: Any) -> Any:
    """Store lanes into ``values[at]`` and those after it."""

    def generate(context: Any, builder: Any, told: Any, given: Any) -> Any:
        _store(context, builder, told.args[0], *given)
        return context.get_dummy_value()

    return types.void(values, types.intp, _lanes), generate


@intrinsic
def spread(_typing: Any, values: Any, at: Any) -> Any:
    """Lanes that all hold ``values[at]``."""

    def generate(context: Any, builder: Any, told: Any, given: Any) -> Any:
        values, at = given
        data = context.make_array(told.args[0])(context, builder, values).data
        return _spread(builder, builder.load(builder.gep(data, [at])))

    return _lanes(values, types.intp), generate


def _transposed(builder: Any, rows: list[Any]) -> list[Any]:
    orders = [ir.Constant(_ORDER, half) for half in (_FIRST_HALVES, _SECOND_HALVES)]
    half = LANES // 2
    # Each perfect shuffle of all the numbers turns the bits of their places by one.
    for _ in range(LANES.bit_length() - 1):
        rows = [
            builder.shuffle_vector(rows[n // 2], rows[n // 2 + half], orders[n % 2])
            for n in range(LANES)
        ]
    return rows


def _row(builder: Any, at: Any, apart: Any, number: int) -> Any:
    return builder.add(at, builder.mul(apart, ir.Constant(apart.type, number)))


@intrinsic
def transpose(
    _typing: Any, source: Any, at: Any, apart: Any, target: Any, to: Any, its_apart: Any
) -> Any:
    """Copy a square of numbers, rows to columns.

    Its rows lie `apart` from each other in `source`, from `at` on, and those of what becomes of
    it `its_apart` in `target`, from `to` on.
    """

    def generate(context: Any, builder: Any, told: Any, given: Any) -> Any:
        source, at, apart, target, to, its_apart = given
        kinds = told.args
        rows = [
            _loaded(context, builder, kinds[0], source, _row(builder, at, apart, lane))
            for lane in range(LANES)
        ]
        for lane, row in enumerate(_transposed(builder, rows)):
            _store(context, builder, kinds[3], target, _row(builder, to, its_apart, lane), row)
        return context.get_dummy_value()

    place = types.intp
    return types.void(source, place, place, target, place, place), generate


@intrinsic
def window_across(
    _typing: Any, stream: Any, at: Any, apart: Any, window: Any, first: Any, target: Any
) -> Any:
    """Put samples of frames side by side, windowed, from row `first` of `target` on.

    The frames' samples lie `apart` from each other in `stream`, from `at` on, and what they are
    multiplied by in `window`, from `first` on.
    """

    def generate(context: Any, builder: Any, told: Any, given: Any) -> Any:
        stream, at, apart, window, first, target = given
        kinds = told.args
        weights = _loaded(context, builder, kinds[3], window, first)
        rows = []
        for lane in range(LANES):
            row = _loaded(context, builder, kinds[0], stream, _row(builder, at, apart, lane))
            rows.append(builder.fmul(row, weights))
        wide = ir.Constant(first.type, LANES)
        to = builder.mul(first, wide)
        for lane, row in enumerate(_transposed(builder, rows)):
            _store(context, builder, kinds[5], target, _row(builder, to, wide, lane), row)
        return context.get_dummy_value()

    place = types.intp
    return types.void(stream, place, place, window, place, target), generate
