"""Eight lanes as one number: SIMD arithmetic that a compiled kernel spells out.

The compiler turns a loop over lanes into vector instructions only where it can show that
no two rows overlap, and then goes through memory between one loop and the next. Here a
:class:`Lanes` is a value like a float: ``+ - * /`` work on it (and mix it with floats), it
stays in a register, and a processor without such wide registers gets several narrow ones
instead. Arrays are flat; row ``r`` of an array is its elements ``[8 r, 8 r + 8)``.

Nothing here checks bounds. Functions act inside compiled code only.
"""

from __future__ import annotations

import operator

import numpy as np
from llvmlite import ir
from numba import njit
from numba.core import types
from numba.extending import intrinsic, lower_builtin, models, register_model, type_callable

from maturity_model.hmm.arithmetic import JIT

#: Lanes of one number, and bytes of a cache line that they fill.
WIDTH, LINE = 8, 64
#: Small functions become part of their caller, so that arguments stay in registers.
INLINE = JIT | {"forceinline": True}

_WORD, _INDEX = ir.IntType(64), ir.IntType(32)
_VECTOR = ir.VectorType(ir.DoubleType(), WIDTH)
_WORDS = ir.VectorType(_WORD, WIDTH)
_BYTES = ir.IntType(8).as_pointer()


class Lanes(types.Type):
    """Type of eight float64."""

    def __init__(self):
        super().__init__(name=f"Lanes({WIDTH})")


LANES = Lanes()


@register_model(Lanes)
class _Model(models.PrimitiveModel):
    def __init__(self, manager, lanes):
        super().__init__(manager, lanes, _VECTOR)


# Arithmetic ----------------------------------------------------------------------------------


def _spread(builder, x):
    # A float in every lane; lanes as they are.
    if x.type == _VECTOR:
        return x
    nothing = ir.Constant(_VECTOR, ir.Undefined)
    first = builder.insert_element(nothing, x, _INDEX(0))
    everywhere = ir.Constant(ir.VectorType(_INDEX, WIDTH), [0] * WIDTH)
    return builder.shuffle_vector(first, nothing, everywhere)


def _words(value):
    return ir.Constant(_WORDS, [value] * WIDTH)


def _numbers(typed):
    # Whether these are lanes, or floats beside lanes.
    return LANES in typed and all(x in (LANES, types.float64) for x in typed)


def _binary(op, instruction):
    @type_callable(op)
    def _types(_):
        return lambda a, b: LANES if _numbers((a, b)) else None

    def build(context, builder, signature, args):
        return getattr(builder, instruction)(*(_spread(builder, x) for x in args))

    for pair in ((LANES, LANES), (LANES, types.float64), (types.float64, LANES)):
        lower_builtin(op, *pair)(build)


for _op, _name in (("add", "fadd"), ("sub", "fsub"), ("mul", "fmul"), ("truediv", "fdiv")):
    _binary(getattr(operator, _op), _name)
    _binary(getattr(operator, f"i{_op}"), _name)


@type_callable(operator.neg)
def _negative_type(_):
    return lambda a: a if a == LANES else None


@lower_builtin(operator.neg, LANES)
def _negative(context, builder, signature, args):
    return builder.fneg(args[0])


@intrinsic
def spread(typing, x):
    """Lanes that all hold x."""
    return LANES(x), lambda context, builder, signature, args: _spread(builder, args[0])


@intrinsic
def where_above(typing, x, limit, yes, no):
    """``yes`` in the lanes where x > limit, ``no`` elsewhere (also where x is NaN)."""

    def build(context, builder, signature, args):
        a, b, *chosen = (_spread(builder, v) for v in args)
        return builder.select(builder.fcmp_ordered(">", a, b), *chosen)

    return LANES(x, limit, yes, no), build


@intrinsic
def exponent(typing, x):
    """Whole n with 2^n <= x < 2^(n+1), for normal x > 0."""

    def build(context, builder, signature, args):
        biased = builder.lshr(builder.bitcast(args[0], _WORDS), _words(52))
        # As the low bits of 2^52 + n it is a float64 without a conversion.
        shifted = builder.bitcast(builder.or_(biased, _words(0x433 << 52)), _VECTOR)
        return builder.fsub(shifted, ir.Constant(_VECTOR, [2.0**52 + 1023] * WIDTH))

    return LANES(x), build


@intrinsic
def _times_power_of_two(typing, x, shifted):
    # x 2^n with n in the low bits of `shifted`; no overflow, no subnormal numbers.
    def build(context, builder, signature, args):
        a, b = (builder.bitcast(v, _WORDS) for v in args)
        return builder.bitcast(builder.add(a, builder.shl(b, _words(52))), _VECTOR)

    return LANES(x, shifted), build


@njit(**INLINE)
def exp_over(x, n):
    """exp(x) / 2^n for whole n, with -700 <= x <= 700; elsewhere, and for NaN, anything.

    The result must be a normal number. Relative error below 5e-16 + 4e-17 |x|, what half of
    the last bit of x makes, or less; below 5e-16 + 1.5e-16 |x| on a processor that does not
    round x y + z once. The polynomial of degree 10 has the smallest
    largest relative error (2.1e-16) on [-ln2/2, ln2/2] (Remez's exchange).
    """
    shifted = x * 1.4426950408889634 + 6755399441055744.0
    m = shifted - 6755399441055744.0
    y = x - m * 0.6931471805599453
    p = y * 2.748843242522173e-07 + 2.763978461400876e-06
    p = p * y + 2.480191781217471e-05
    p = p * y + 0.00019841171345220726
    p = p * y + 0.0013888888498912756
    p = p * y + 0.008333333384696242
    p = p * y + 0.04166666666842739
    p = p * y + 0.16666666666557656
    p = p * y + 0.49999999999997286
    p = p * y + 1.0000000000000064
    p = p * y + 1.0
    return _times_power_of_two(p, shifted - n)


# Memory --------------------------------------------------------------------------------------


def _address(context, builder, kind, array, row):
    data = context.make_array(kind)(context, builder, array).data
    first = builder.gep(data, [builder.mul(row, ir.Constant(row.type, WIDTH))])
    return builder.bitcast(first, _VECTOR.as_pointer())


@intrinsic
def load(typing, array, row):
    """Lanes of a row."""

    def build(context, builder, signature, args):
        found = builder.load(_address(context, builder, signature.args[0], *args))
        found.align = 8
        return found

    return LANES(array, types.intp), build


@intrinsic
def store(typing, array, row, x):
    """Write lanes to a row."""

    def build(context, builder, signature, args):
        to = _address(context, builder, signature.args[0], *args[:2])
        builder.store(_spread(builder, args[2]), to).align = 8
        return context.get_dummy_value()

    return types.none(array, types.intp, x), build


@intrinsic
def prefetch(typing, array, row):
    """Ask for a row that will be loaded soon; a row beyond the array does no harm."""

    def build(context, builder, signature, args):
        to = builder.bitcast(_address(context, builder, signature.args[0], *args), _BYTES)
        of = ir.FunctionType(ir.VoidType(), [_BYTES, _INDEX, _INDEX, _INDEX])
        ask = builder.module.declare_intrinsic("llvm.prefetch", [_BYTES], of)
        # To read (0), into the nearest cache (3), data (1).
        builder.call(ask, [to, _INDEX(0), _INDEX(3), _INDEX(1)])
        return context.get_dummy_value()

    return types.none(array, types.intp), build


@njit(**JIT)
def rows(n):
    """Flat array of n rows that begins on a cache line; what it holds is undefined."""
    whole = np.empty((n + 1) * WIDTH)
    skip = -(whole.ctypes.data // 8) % WIDTH
    return whole[skip : skip + n * WIDTH]
