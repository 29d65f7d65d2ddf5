"""The band that a split inlet puts on the column.

    sigma = V/(12^(1/2) F (1 + S) (T/T_ref) (p_ref/p))                                   [1]

A plug of vapour of volume V at the inlet's temperature T and pressure p is swept out by the column flow F and the split
flow S F, flows counted at T_ref, p_ref; 12^(1/2) is the standard deviation of a plug (own arithmetic). A sample that
mixes with the gas of the liner comes as a wider, tailing band.
"""

from __future__ import annotations

import math

from models.units import REFERENCE_PRESSURE, REFERENCE_TEMPERATURE, Number

NARROW_BAND = (
    0.3  # of a peak's standard deviation, which it then widens by 4.4 % at most; common practice, no source
)


def flow_for_band(volume: float, sigma: Number, T: float, p: Number) -> Number:
    """Flow F (1 + S) [m3/s at reference conditions] that makes a band of standard deviation sigma [s]; eq. [1].

    `volume` [m3], inlet temperature `T` [K], inlet pressure `p` [Pa absolute]; any shapes.
    """
    swept = volume / (math.sqrt(12) * sigma)
    return swept * (REFERENCE_TEMPERATURE / T) * (p / REFERENCE_PRESSURE)
