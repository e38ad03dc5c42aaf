"""Four float32 numbers as one: sums of them that most processors have an instruction for.

numba would add neighbouring numbers one by one. Inside kernels a four is a vector of the processor; where numba
compiles nothing (NUMBA_DISABLE_JIT) it is an array, and the plain functions below are run.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from llvmlite import ir
from numba import types
from numba.extending import intrinsic, models, overload, register_model

__all__ = ["add_to_four", "four", "four_more", "four_squared"]

Float32 = npt.NDArray[np.float32]

VECTOR = ir.VectorType(ir.FloatType(), 4)
LANE = ir.IntType(32)


def four(a: float, b: float, c: float, d: float) -> Float32:
    """Four numbers as one."""
    return np.array([a, b, c, d], dtype=np.float32)


def four_more(value: Float32, array: Float32, first: int | np.uint64, factor: float) -> Float32:
    """``value + factor * array[first : first + 4]``.

    >>> four_more(four(1, 0, 0, 0), np.arange(6, dtype=np.float32), 1, 2.0).tolist()
    [3.0, 4.0, 6.0, 8.0]
    """
    return value + array[first : first + 4] * np.float32(factor)


def four_squared(value: Float32, factor: float) -> Float32:
    """``value * (value * factor)``.

    >>> four_squared(four(0, 1, 2, 3), 2.0).tolist()
    [0.0, 2.0, 8.0, 18.0]
    """
    return value * (value * np.float32(factor))


def add_to_four(array: Float32, first: int | np.uint64, value: Float32, factor: float) -> None:
    """``array[first : first + 4] += factor * value``.

    >>> array = np.ones(6, dtype=np.float32)
    >>> add_to_four(array, 1, four(0, 1, 2, 3), 2.0)
    >>> array.tolist()
    [1.0, 1.0, 3.0, 5.0, 7.0, 1.0]
    """
    array[first : first + 4] += value * np.float32(factor)


class _Four(types.Type):
    """A four, as numba knows it."""

    def __init__(self) -> None:
        super().__init__(name="Four")


FOUR = _Four()


@register_model(_Four)
class _FourModel(models.PrimitiveModel):
    def __init__(self, manager: Any, kind: Any) -> None:
        super().__init__(manager, kind, VECTOR)  # type: ignore[no-untyped-call]


def _vector(builder: Any, values: list[Any]) -> Any:
    made = ir.Constant(VECTOR, ir.Undefined)
    for k, value in enumerate(values):
        made = builder.insert_element(made, value, LANE(k))
    return made


def _times(builder: Any, vector: Any, factor: Any) -> Any:
    return builder.fmul(vector, _vector(builder, [factor] * 4))


def _place(context: Any, builder: Any, kind: Any, array: Any, first: Any) -> Any:
    data = context.make_array(kind)(context, builder, array).data
    return builder.bitcast(builder.gep(data, [first]), VECTOR.as_pointer())


@intrinsic
def _four(typing: Any, a: Any, b: Any, c: Any, d: Any) -> Any:
    def made(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        return _vector(builder, arguments)

    return FOUR(*[types.float32] * 4), made


@intrinsic
def _more(typing: Any, value: Any, array: Any, first: Any, factor: Any) -> Any:
    def made(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        place = _place(context, builder, signature.args[1], arguments[1], arguments[2])
        known = builder.load(place, align=4)
        return builder.fadd(arguments[0], _times(builder, known, arguments[3]))

    return FOUR(value, array, first, types.float32), made


@intrinsic
def _squared(typing: Any, value: Any, factor: Any) -> Any:
    def made(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        return builder.fmul(arguments[0], _times(builder, arguments[0], arguments[1]))

    return FOUR(value, types.float32), made


@intrinsic
def _add(typing: Any, array: Any, first: Any, value: Any, factor: Any) -> Any:
    def made(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        place = _place(context, builder, signature.args[0], arguments[0], arguments[1])
        added = _times(builder, arguments[2], arguments[3])
        builder.store(builder.fadd(builder.load(place, align=4), added), place, align=4)
        return context.get_dummy_value()

    return types.void(array, first, value, types.float32), made


@overload(four, strict=False)
def _compiled_four(a: Any, b: Any, c: Any, d: Any) -> Any:
    def compiled(a: Any, b: Any, c: Any, d: Any) -> Any:
        return _four(a, b, c, d)  # type: ignore[call-arg]

    return compiled


@overload(four_more, strict=False)
def _compiled_more(value: Any, array: Any, first: Any, factor: Any) -> Any:
    def compiled(value: Any, array: Any, first: Any, factor: Any) -> Any:
        return _more(value, array, first, factor)  # type: ignore[call-arg]

    return compiled


@overload(four_squared, strict=False)
def _compiled_squared(value: Any, factor: Any) -> Any:
    def compiled(value: Any, factor: Any) -> Any:
        return _squared(value, factor)  # type: ignore[call-arg]

    return compiled


@overload(add_to_four, strict=False)
def _compiled_add(array: Any, first: Any, value: Any, factor: Any) -> Any:
    def compiled(array: Any, first: Any, value: Any, factor: Any) -> Any:
        return _add(array, first, value, factor)  # type: ignore[call-arg]

    return compiled
