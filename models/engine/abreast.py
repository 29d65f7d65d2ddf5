"""Numbers of several bands side by side, taken as one: a type for compiled code, with the arithmetic that it needs.

Loops that the compiler may or may not turn into vector instructions are not left to it: `get` reads ABREAST numbers,
`put` writes them, and what is in between is written as if there were one. Plain numbers mix in.
"""

from __future__ import annotations

import operator
from collections.abc import Callable
from typing import Any

from llvmlite import ir
from numba.core import cgutils, types
from numba.core.typing.templates import ConcreteTemplate, infer_global, signature
from numba.extending import intrinsic as numba_intrinsic
from numba.extending import lower_builtin, models, register_model

ABREAST = 8
FLOAT, INT = ir.DoubleType(), ir.IntType(64)
FLOATS, INTS = ir.VectorType(FLOAT, ABREAST), ir.VectorType(INT, ABREAST)
ALIGNED = 8  # bytes, as any number in an array
TWO_52_BITS = 0x433 << 52
TWO_52 = 4503599627370496.0
BIAS = 1023 << 52
THIRD_OF_BIAS = (
    715094163.0  # two thirds of the exponent's bias in the upper 32 bits, less what centres the error
)


Numbers = Any  # in compiled code: a float, or ABREAST of them


class Abreast(types.Type):
    """The type of ABREAST numbers."""

    def __init__(self) -> None:
        super().__init__("abreast")


abreast = Abreast()


def intrinsic(function: Callable[..., Any]) -> Any:
    """A function of compiled code alone, which gives its type and a function that writes its instructions."""
    return numba_intrinsic(function)


@register_model(Abreast)
class _Model(models.PrimitiveModel):  # type: ignore[misc]
    def __init__(self, manager: Any, number: Any) -> None:
        super().__init__(manager, number, FLOATS)


def _constant(value: float, like: ir.Type) -> ir.Constant:
    """A constant of a type, alone or abreast."""
    return ir.Constant(like, [value] * ABREAST if isinstance(like, ir.VectorType) else value)


def _spread(builder: Any, value: Any, like: ir.Type) -> Any:
    """A number as often as a type asks for."""
    if value.type == like:
        return value
    alone = builder.insert_element(ir.Constant(FLOATS, ir.Undefined), value, ir.Constant(ir.IntType(32), 0))
    zeros = ir.Constant(ir.VectorType(ir.IntType(32), ABREAST), [0] * ABREAST)
    return builder.shuffle_vector(alone, ir.Constant(FLOATS, ir.Undefined), zeros)


def _arithmetic(operation: Callable[..., Any], in_place: Callable[..., Any], instruction: str) -> None:
    """Teach the compiler an operation of two."""
    pairs = [(abreast, abreast), (abreast, types.float64), (types.float64, abreast)]

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        return getattr(builder, instruction)(*(_spread(builder, each, FLOATS) for each in arguments))

    for each in (operation, in_place):
        infer_global(each)(
            type(
                f"_{instruction}",
                (ConcreteTemplate,),
                {"cases": tuple(signature(abreast, *pair) for pair in pairs)},
            )
        )
        for pair in pairs:
            lower_builtin(each, *pair)(generate)


_arithmetic(operator.add, operator.iadd, "fadd")
_arithmetic(operator.sub, operator.isub, "fsub")
_arithmetic(operator.mul, operator.imul, "fmul")
_arithmetic(operator.truediv, operator.itruediv, "fdiv")


@infer_global(operator.neg)
class _Negative(ConcreteTemplate):  # type: ignore[misc]
    cases = (signature(abreast, abreast),)


def _negative(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
    return builder.fsub(_constant(-0.0, FLOATS), arguments[0])


lower_builtin(operator.neg, abreast)(_negative)


def _place(context: Any, builder: Any, array_type: Any, array: Any, index: Any) -> Any:
    data = context.make_array(array_type)(context, builder, array).data
    return builder.bitcast(builder.gep(data, [index]), FLOATS.as_pointer())


@intrinsic
def get(typing_context: Any, array: Any, index: Any) -> Any:
    """The numbers from an index on."""

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        return builder.load(_place(context, builder, signature.args[0], *arguments), align=ALIGNED)

    return abreast(array, types.int64), generate


@intrinsic
def put(typing_context: Any, array: Any, index: Any, value: Any) -> Any:
    """Write numbers, or one number again and again, from an index on."""

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        place = _place(context, builder, signature.args[0], *arguments[:2])
        builder.store(_spread(builder, arguments[2], FLOATS), place, align=ALIGNED)
        return context.get_dummy_value()

    return types.none(array, types.int64, value if value == abreast else types.float64), generate


@intrinsic
def spread(typing_context: Any, value: Any) -> Any:
    """One number for all."""

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        return _spread(builder, arguments[0], FLOATS)

    return abreast(types.float64), generate


@intrinsic
def number(typing_context: Any, values: Any, which: Any) -> Any:
    """One of the numbers."""

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        return builder.extract_element(*arguments)

    return types.float64(abreast, types.int64), generate


def _of_two(x: Any, y: Any) -> Any:
    """Type of what two numbers, alone or abreast, give."""
    return abreast if abreast in (x, y) else types.float64


@intrinsic
def at_least(typing_context: Any, x: Any, least: Any) -> Any:
    """x or, where x is less, the other; what is not a number stays so."""
    kind = _of_two(x, least)

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        a, b = (_spread(builder, each, context.get_value_type(kind)) for each in arguments)
        return builder.select(builder.fcmp_ordered("<", a, b), b, a)

    return kind(*(each if each == abreast else types.float64 for each in (x, least))), generate


@intrinsic
def at_most(typing_context: Any, x: Any, most: Any) -> Any:
    """x or, where x is more, the other; what is not a number stays so."""
    kind = _of_two(x, most)

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        a, b = (_spread(builder, each, context.get_value_type(kind)) for each in arguments)
        return builder.select(builder.fcmp_ordered(">", a, b), b, a)

    return kind(*(each if each == abreast else types.float64 for each in (x, most))), generate


def _call(builder: Any, name: str, value: Any) -> Any:
    """A function that the processor has an instruction for."""
    kind = f"v{ABREAST}f64" if value.type == FLOATS else "f64"
    function = cgutils.get_or_insert_function(
        builder.module, ir.FunctionType(value.type, [value.type]), f"llvm.{name}.{kind}"
    )
    return builder.call(function, [value])


@intrinsic
def root(typing_context: Any, x: Any) -> Any:
    """Square root."""

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        return _call(builder, "sqrt", arguments[0])

    return x(x), generate


@intrinsic
def size(typing_context: Any, x: Any) -> Any:
    """|x|"""

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        return _call(builder, "fabs", arguments[0])

    return x(x), generate


@intrinsic
def power_of_two(typing_context: Any, shifted: Any) -> Any:
    """2^n of a whole number n, given as n + 1.5 x 2^52: n then stands in the number's last bits."""

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        floats = arguments[0].type
        ints = INTS if floats == FLOATS else INT
        bits = builder.shl(builder.bitcast(arguments[0], ints), _constant(52, ints))
        return builder.bitcast(builder.add(bits, _constant(BIAS, ints)), floats)

    return shifted(shifted), generate


@intrinsic
def near_third_power(typing_context: Any, v: Any) -> Any:
    """v^(1/3) within 3 %: a third of the number's bits."""

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        floats = arguments[0].type
        ints = INTS if floats == FLOATS else INT
        half = _constant(32, ints)
        bits = builder.lshr(builder.bitcast(arguments[0], ints), half)
        # A whole number into a float and back, by its last bits: quicker than the instructions for it.
        high = builder.fsub(
            builder.bitcast(builder.or_(bits, _constant(TWO_52_BITS, ints)), floats),
            _constant(TWO_52, floats),
        )
        third = builder.fadd(
            builder.fmul(high, _constant(1.0 / 3.0, floats)), _constant(THIRD_OF_BIAS + TWO_52, floats)
        )
        return builder.bitcast(builder.shl(builder.bitcast(third, ints), half), floats)

    return v(v), generate


@intrinsic
def where_more(typing_context: Any, x: Any, limit: Any, then: Any, otherwise: Any) -> Any:
    """`then` where x is more than the limit, `otherwise` elsewhere."""
    kind = abreast if abreast in (x, limit, then, otherwise) else types.float64

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        a, b, then, otherwise = (_spread(builder, each, context.get_value_type(kind)) for each in arguments)
        return builder.select(builder.fcmp_ordered(">", a, b), then, otherwise)

    given = (each if each == abreast else types.float64 for each in (x, limit, then, otherwise))
    return kind(*given), generate


@intrinsic
def all_below(typing_context: Any, x: Any, y: Any) -> Any:
    """Whether every x is less than its y; what is not a number is not."""

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        below = builder.fcmp_ordered("<", arguments[0], _spread(builder, arguments[1], FLOATS))
        flags = builder.bitcast(below, ir.IntType(ABREAST))
        return builder.icmp_unsigned("==", flags, ir.Constant(ir.IntType(ABREAST), 2**ABREAST - 1))

    return types.boolean(abreast, y if y == abreast else types.float64), generate
