"""Arrays in single or double precision: at quadrature nodes, screening is twice as fast in single."""

from __future__ import annotations

from typing import Any, Literal

import numpy as np

from models.programs import Array

Precision = Literal["single", "double"]


def in_precision(values: Array, precision: Precision) -> Array:
    """Values as numbers of a precision; typed as double, which is what they are meant to be."""
    kind: Any = np.float32 if precision == "single" else np.float64
    result: Array = values.astype(kind, copy=False)
    return result
