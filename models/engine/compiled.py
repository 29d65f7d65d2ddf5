"""Compiling, and functions of numbers alone or abreast."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from typing import Any

import numba
from numba.core.types.misc import unliteral

from models.engine.abreast import Numbers, at_least, at_most, near_third_power, power_of_two
from models.engine.cache import compiling, folder

LOG2_E = 1.4426950408889634
LN2_HIGH, LN2_LOW = 0.693147180369123816490, 1.90821492927058770002e-10  # their sum is ln 2
ROUNDING = 6755399441055744.0  # 1.5 x 2^52: added to a number, leaves the nearest integer in its last bits
LARGEST = 700.0  # of exponents, either way


# A sixth less to compile, and no slower: what is to be done abreast is written so already. All of numba heeds this.
numba.config.OPT, numba.config.LOOP_VECTORIZE = type(numba.config.OPT)(1), 0

# Nothing calls these from Python, and none of them makes or keeps an array: half the time of compiling goes.
INNER = {"no_cpython_wrapper": True, "no_cfunc_wrapper": True, "_nrt": False}


class _Kept:
    """numba's store of a function's compiled code, less its failures: compiling again is always an answer."""

    def __init__(self, store: Any, kept: bool) -> None:
        self.store, self.kept = store, kept

    def load_overload(self, signature: Any, context: Any) -> Any:
        try:
            found = self.store.load_overload(signature, context)
        except Exception:  # whatever a damaged file leads to
            found = None
            with suppress(OSError):
                self.store.flush()
        if found is None:
            compiling(self.kept)
        return found

    def save_overload(self, signature: Any, made: Any) -> None:
        with suppress(OSError):  # a full disk
            self.store.save_overload(signature, made)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.store, name)


def compiled(function: Callable[..., Any]) -> Any:
    """The function in machine code, which is kept between runs where a folder for it can be written."""
    where = folder(numba.__version__)
    before = numba.config.CACHE_DIR
    try:
        numba.config.CACHE_DIR = str(where or "")
        made = _jit(function, cache=where is not None)
    finally:
        numba.config.CACHE_DIR = before
    made._cache = _Kept(made._cache, where is not None)
    return made


def inner(function: Callable[..., Any]) -> Any:
    """A function that only `compiled` ones call."""
    return _jit(function, **INNER)


def room(function: Callable[..., Any]) -> Any:
    """One that makes an array: numba's own take long to compile for every place that they are called at."""
    return _jit(function, no_cpython_wrapper=True, no_cfunc_wrapper=True)


def small(function: Callable[..., Any]) -> Any:
    """The same, written out wherever it is called."""
    return _jit(function, forceinline=True, **INNER)


def _jit(function: Callable[..., Any], **options: bool) -> Any:
    # Products may be added without rounding between; nothing else of the arithmetic is left to the compiler.
    made = numba.njit(nogil=True, error_model="numpy", fastmath={"contract"}, **options)(function)
    template = made.get_call_template
    # Else numba compiles a function anew for every constant that it is called with.
    made.get_call_template = lambda given, named: template(tuple(map(unliteral, given)), named)
    return made


@small
def exponential(x: Numbers) -> Numbers:
    """exp(x) to the last digit or two, for exponents cut off at 700 either way.

    2^n exp(r) with x = n ln 2 + r, |r| < 0.35, and Taylor's series to r^13/13!.
    """
    x = at_most(at_least(x, -LARGEST), LARGEST)
    shifted = x * LOG2_E + ROUNDING
    n = shifted - ROUNDING
    r = (x - n * LN2_HIGH) - n * LN2_LOW
    series = r * (1.0 / 6227020800.0) + 1.0 / 479001600.0
    series = series * r + 1.0 / 39916800.0
    series = series * r + 1.0 / 3628800.0
    series = series * r + 1.0 / 362880.0
    series = series * r + 1.0 / 40320.0
    series = series * r + 1.0 / 5040.0
    series = series * r + 1.0 / 720.0
    series = series * r + 1.0 / 120.0
    series = series * r + 1.0 / 24.0
    series = series * r + 1.0 / 6.0
    series = series * r + 0.5
    series = series * r + 1.0
    series = series * r + 1.0
    return series * power_of_two(shifted)


@small
def near_cube_root(v: Numbers, near: Numbers) -> Numbers:
    """v^(1/3) from a value near by: a step of Halley's method, which leaves two thirds of the error's cube."""
    cube = near * near * near
    return near * (cube + 2.0 * v) / (2.0 * cube + v)


@small
def cube_root(v: Numbers) -> Numbers:
    """v^(1/3) of a positive number, to about 1e-13."""
    return near_cube_root(v, near_cube_root(v, near_third_power(v)))


def is_kept() -> bool:
    """Whether compiled code is kept, so that a further process need not compile it."""
    return folder(numba.__version__) is not None
