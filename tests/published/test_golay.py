"""Golay's plate height: limits of the local equation, and the optimum of whole columns.

Sources: Golay, in Desty (ed.), Gas Chromatography 1958, p. 36. `plate_height_limits.csv`: Hmin/r = (F/3)^(1/2) and
u r/D = (48/F)^(1/2) at the optimum, F = (1 + 6k + 11k^2)/(1 + k)^2, no film term. `golay_optima.csv`: H minimised
numerically over inlet pressure with j and f1 (James and Martin; Giddings) and viscosities of the reference
equations (see test_viscosity), no film term; own computation, independent of this project.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from models.column.carrier_gas import (
    DIFFUSION_TEMPERATURE_EXPONENT,
    CarrierGas,
    carrier_gas,
    diffusion_constant,
    viscosity,
)
from models.column.plate_height import gas_plate_height, golay_factor
from models.column.system import Column, compressibility, velocity_outlet
from models.units import gauge_kPa, kelvin
from tests.published.isothermal_bands import NO_FILM, plate_height
from tests.published.tables import Row, half_unit, rows, within

ATMOSPHERE = 101325.0
GAS = {"He": "helium", "H2": "hydrogen", "N2": "nitrogen", "Ar": "argon"}
LIMITS = rows("plate_height_limits")
OPTIMA = rows("golay_optima")
# Where a minimum is found from values of ~1e-16 precision, its place is known to ~1e-8 and a little.
PLACE = 3e-7


@pytest.mark.parametrize("row", LIMITS, ids=[f"k={row['k']}" for row in LIMITS])
def test_limits(row: Row) -> None:
    k = np.array(1e12 if row["k"] == "inf" else float(row["k"]))
    assert within(float(golay_factor(k)), float(row["F_k"]), absolute=half_unit(6) + 1e-11)

    r, D = 0.125e-3, 1e-5
    best = minimize_scalar(
        lambda ln_u: float(gas_plate_height(k, np.array(D / (np.exp(ln_u) * D / r)), r)) / r,
        bracket=(0.0, 1.0),
        tol=1e-10,
    )
    assert within(best.fun, float(row["Hmin_over_r"]), absolute=half_unit(6) + 1e-9)
    assert within(best.fun / 2, float(row["Hmin_over_d"]), absolute=half_unit(6) + 1e-9)
    assert within(float(np.exp(best.x)), float(row["uopt_r_over_Dm"]), PLACE, half_unit(6))


def gas_of(row: Row) -> CarrierGas:
    """The gas with the reference viscosity at this temperature, so that only printed digits are left between us."""
    gas, T_C = carrier_gas(GAS[row["gas"]]), float(row["T_C"])
    tabulated = [
        float(line["mu_coolprop_uPas"])
        for line in rows("carrier_gas")
        if line["gas"] == gas.name and float(line["T_C"]) == T_C
    ]
    assert len(tabulated) == 1
    scale = tabulated[0] * 1e-6 / float(viscosity(gas, kelvin(T_C)))
    return replace(gas, viscosity_25C=gas.viscosity_25C * scale)


def optimum(
    column: Column, gas: CarrierGas, constant: float, k: float, T: float
) -> tuple[float, float, float]:
    """Inlet pressure [Pa], average velocity [m/s] and plate height [m] where the engine's plate height is least."""

    def height(ln_drop: float) -> float:
        inlet = np.array([ATMOSPHERE + np.exp(ln_drop)])
        return float(plate_height(column, gas, constant, k, T, inlet, ATMOSPHERE)[0][0])

    best = minimize_scalar(
        height, bounds=(np.log(1e3), np.log(2e6)), method="bounded", options={"xatol": 1e-8}
    )
    inlet = ATMOSPHERE + float(np.exp(best.x))
    H, velocity = plate_height(column, gas, constant, k, T, np.array([inlet]), ATMOSPHERE)
    return inlet, float(velocity[0]), float(H[0])


@pytest.mark.parametrize(
    "row", OPTIMA, ids=[f"{row['solute']} {row['id_mm']} mm {row['gas']}" for row in OPTIMA]
)
def test_optimum_of_a_column(row: Row) -> None:
    T, gas = kelvin(float(row["T_C"])), gas_of(row)
    column = Column(float(row["L_m"]), float(row["id_mm"]) * 1e-3, NO_FILM)
    D = float(row["Dm_1atm_cm2_s"])
    constant = D * 1e-4 * ATMOSPHERE / T**DIFFUSION_TEMPERATURE_EXPONENT
    inlet, velocity, H = optimum(column, gas, constant, float(row["k"]), T)

    # Diffusion is printed to 5 decimals, viscosity to 4; velocity and pressure drop at the optimum go at most as D
    # and as D times viscosity, plate height as neither to first order.
    digits = half_unit(5) / D + half_unit(4) / (float(viscosity(gas, T)) * 1e6)
    assert within(H * 1e3, float(row["Hmin_mm"]), 1e-7, half_unit(5) + 1e-9)
    assert within(H / column.radius, float(row["Hmin_over_r"]), 1e-7 + digits / 10, half_unit(5))
    assert within(column.length / H, float(row["N_max"]), 1e-7 + digits / 10, half_unit(5))
    assert within(gauge_kPa(inlet, ATMOSPHERE), float(row["pin_gauge_kPa"]), PLACE + digits, half_unit(4))
    assert within(velocity * 100, float(row["uopt_avg_cm_s"]), PLACE + digits, half_unit(5))
    u_out = float(velocity_outlet(column, gas, T, inlet, ATMOSPHERE))
    assert within(u_out * 100, float(row["uopt_outlet_cm_s"]), PLACE + digits, half_unit(5))
    assert within(float(compressibility(inlet, ATMOSPHERE)), float(row["j"]), PLACE + digits, half_unit(5))


def test_order_of_the_gases() -> None:
    """At each gas's optimum: hydrogen is fastest, then helium, then nitrogen; same column, same solute.

    Common practice, no source. Here with a film of 0.25 µm and our own viscosities and diffusion coefficients.
    """
    column, T, k = Column(30.0, 0.25e-3, 0.25e-6), kelvin(100.0), 5.0
    velocity, height = {}, {}
    for name in ("hydrogen", "helium", "nitrogen"):
        gas = carrier_gas(name)
        decane = float(diffusion_constant(gas, 142.28, 10 * 15.9 + 22 * 2.31))
        _, velocity[name], height[name] = optimum(column, gas, decane, k, T)
    # The retention time at the optimum is L (1 + k)/velocity, so this is the order of the run times as well.
    assert velocity["hydrogen"] > 1.2 * velocity["helium"] > 1.2**2 * velocity["nitrogen"]
    # ... while the least plate height, of the order of the bore, is much the same (common practice, no source).
    assert max(height.values()) < 1.1 * min(height.values())
    assert all(0.7 < H / column.inner_diameter < 1.1 for H in height.values())
