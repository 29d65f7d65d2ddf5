"""An instrument that is not the model under test: 101 real compounds of ten classes on three invented phases.

Retention follows from tabulated vapour pressures, interpolated as they are (a cubic spline of ln p over 1/T, no formula
for ln k), and from a dilute solution in a polymer whose interaction depends on chemical class and temperature. Bands
are marched in time by the reference integrator of the tests through a column that is not quite what its tag says, in an
oven that lags its set point and is off by a constant; noise is added to what is reported. A variant has a shorter
column than its tag says and an oven whose scale is off. Shares no code with the packages. SI units.

The vapour pressures are published (tests/published/data/vapour_pressure.csv). Diffusion in the gas follows from
formulas and published volumes (Fuller), and scatters about that as published measurements do. The interactions
chi = a + b/T, the scatter of single compounds about their class and in the film, and the ranges in `drawn_reality` are
invented, of the size that polymer solutions and instruments have.
"""

from __future__ import annotations

import math
import re
from bisect import bisect_right
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np
from scipy.interpolate import CubicSpline

from tests.published.tables import rows as published
from tests.reference import polymer_solution
from tests.reference.instrument import (
    DIFFUSION_VOLUME,
    RING_VOLUME,
    ZERO_C,
    Nominal,
    diffusion_in_helium,
    helium_viscosity,
    stretches_of,
)
from tests.reference.integrator import Band, Peak, Stretch, Tube, follow

# Class, formula and number of aromatic rings.
COMPOUNDS: dict[str, tuple[str, str, int]] = {
    "n-pentane": ("alkane", "C5H12", 0),
    "n-hexane": ("alkane", "C6H14", 0),
    "n-heptane": ("alkane", "C7H16", 0),
    "n-octane": ("alkane", "C8H18", 0),
    "n-nonane": ("alkane", "C9H20", 0),
    "n-decane": ("alkane", "C10H22", 0),
    "n-undecane": ("alkane", "C11H24", 0),
    "n-dodecane": ("alkane", "C12H26", 0),
    "n-tridecane": ("alkane", "C13H28", 0),
    "n-tetradecane": ("alkane", "C14H30", 0),
    "n-pentadecane": ("alkane", "C15H32", 0),
    "n-hexadecane": ("alkane", "C16H34", 0),
    "n-heptadecane": ("alkane", "C17H36", 0),
    "n-octadecane": ("alkane", "C18H38", 0),
    "n-nonadecane": ("alkane", "C19H40", 0),
    "n-eicosane": ("alkane", "C20H42", 0),
    "benzene": ("aromatic", "C6H6", 1),
    "toluene": ("aromatic", "C7H8", 1),
    "ethylbenzene": ("aromatic", "C8H10", 1),
    "o-xylene": ("aromatic", "C8H10", 1),
    "m-xylene": ("aromatic", "C8H10", 1),
    "p-xylene": ("aromatic", "C8H10", 1),
    "styrene": ("aromatic", "C8H8", 1),
    "n-propylbenzene": ("aromatic", "C9H12", 1),
    "1,2,4-trimethylbenzene": ("aromatic", "C9H12", 1),
    "naphthalene": ("aromatic", "C10H8", 2),
    "1-methylnaphthalene": ("aromatic", "C11H10", 2),
    "biphenyl": ("aromatic", "C12H10", 2),
    "acetone": ("carbonyl", "C3H6O", 0),
    "2-butanone": ("carbonyl", "C4H8O", 0),
    "2-pentanone": ("carbonyl", "C5H10O", 0),
    "2-heptanone": ("carbonyl", "C7H14O", 0),
    "2-octanone": ("carbonyl", "C8H16O", 0),
    "cyclohexanone": ("carbonyl", "C6H10O", 0),
    "acetophenone": ("carbonyl", "C8H8O", 1),
    "benzaldehyde": ("carbonyl", "C7H6O", 1),
    "ethanol": ("alcohol", "C2H6O", 0),
    "1-propanol": ("alcohol", "C3H8O", 0),
    "1-butanol": ("alcohol", "C4H10O", 0),
    "1-pentanol": ("alcohol", "C5H12O", 0),
    "1-hexanol": ("alcohol", "C6H14O", 0),
    "1-octanol": ("alcohol", "C8H18O", 0),
    "1-decanol": ("alcohol", "C10H22O", 0),
    "cyclohexanol": ("alcohol", "C6H12O", 0),
    "phenol": ("alcohol", "C6H6O", 1),
    "o-cresol": ("alcohol", "C7H8O", 1),
    "aniline": ("nitrogen", "C6H7N", 1),
    "pyridine": ("nitrogen", "C5H5N", 1),
    "nitrobenzene": ("nitrogen", "C6H5NO2", 1),
    "ethyl acetate": ("ester", "C4H8O2", 0),
    "butyl acetate": ("ester", "C6H12O2", 0),
    "methyl benzoate": ("ester", "C8H8O2", 1),
    "dimethyl phthalate": ("ester", "C10H10O4", 1),
    "methyl palmitate": ("ester", "C17H34O2", 0),
    "methyl stearate": ("ester", "C19H38O2", 0),
    "methyl oleate": ("ester", "C19H36O2", 0),
    "methyl linoleate": ("ester", "C19H34O2", 0),
    "dichloromethane": ("chlorinated", "CH2Cl2", 0),
    "chloroform": ("chlorinated", "CHCl3", 0),
    "carbon tetrachloride": ("chlorinated", "CCl4", 0),
    "trichloroethylene": ("chlorinated", "C2HCl3", 0),
    "tetrachloroethylene": ("chlorinated", "C2Cl4", 0),
    "chlorobenzene": ("chlorinated", "C6H5Cl", 1),
    "1,2-dichlorobenzene": ("chlorinated", "C6H4Cl2", 1),
    "1,4-dichlorobenzene": ("chlorinated", "C6H4Cl2", 1),
    "1,2-dichloroethane": ("chlorinated", "C2H4Cl2", 0),
    "1,1,1-trichloroethane": ("chlorinated", "C2H3Cl3", 0),
    "diethyl ether": ("ether", "C4H10O", 0),
    "diisopropyl ether": ("ether", "C6H14O", 0),
    "methyl tert-butyl ether": ("ether", "C5H12O", 0),
    "dipropyl ether": ("ether", "C6H14O", 0),
    "dibutyl ether": ("ether", "C8H18O", 0),
    "tetrahydrofuran": ("ether", "C4H8O", 0),
    "1,4-dioxane": ("ether", "C4H8O2", 0),
    "anisole": ("ether", "C7H8O", 1),
    "benzyl ethyl ether": ("ether", "C9H12O", 1),
    "diphenyl ether": ("ether", "C12H10O", 2),
    "methylcyclopentane": ("cycloalkane", "C6H12", 0),
    "cyclohexane": ("cycloalkane", "C6H12", 0),
    "methylcyclohexane": ("cycloalkane", "C7H14", 0),
    "ethylcyclopentane": ("cycloalkane", "C7H14", 0),
    "ethylcyclohexane": ("cycloalkane", "C8H16", 0),
    "cis-1,2-dimethylcyclohexane": ("cycloalkane", "C8H16", 0),
    "trans-1,2-dimethylcyclohexane": ("cycloalkane", "C8H16", 0),
    "propylcyclohexane": ("cycloalkane", "C9H18", 0),
    "butylcyclohexane": ("cycloalkane", "C10H20", 0),
    "hexylcyclohexane": ("cycloalkane", "C12H24", 0),
    "1-butanethiol": ("sulphur", "C4H10S", 0),
    "1-pentanethiol": ("sulphur", "C5H12S", 0),
    "1-hexanethiol": ("sulphur", "C6H14S", 0),
    "1-heptanethiol": ("sulphur", "C7H16S", 0),
    "1-octanethiol": ("sulphur", "C8H18S", 0),
    "1-nonanethiol": ("sulphur", "C9H20S", 0),
    "1-decanethiol": ("sulphur", "C10H22S", 0),
    "diethyl sulfide": ("sulphur", "C4H10S", 0),
    "dimethyl disulfide": ("sulphur", "C2H6S2", 0),
    "tetrahydrothiophene": ("sulphur", "C4H8S", 0),
    "thiophene": ("sulphur", "C4H4S", 1),
    "cyclohexanethiol": ("sulphur", "C6H12S", 0),
    "benzenethiol": ("sulphur", "C6H6S", 1),
    "phenylmethanethiol": ("sulphur", "C7H8S", 1),
}
LATER = ("ether", "cycloalkane", "sulphur")  # classes that only the calibration has

# chi = a + b/T of a class's vapours in the polymer: a [-], b [K].
INTERACTION: dict[str, dict[str, tuple[float, float]]] = {
    "nonpolar": {
        "alkane": (0.25, 60.0),
        "aromatic": (0.20, 150.0),
        "carbonyl": (0.15, 290.0),
        "alcohol": (-0.05, 470.0),
        "nitrogen": (0.10, 330.0),
        "ester": (0.20, 210.0),
        "chlorinated": (0.20, 120.0),
        "ether": (0.20, 120.0),
        "cycloalkane": (0.25, 75.0),
        "sulphur": (0.20, 150.0),
    },
    "mid-polar": {
        "alkane": (0.30, 190.0),
        "aromatic": (0.15, 80.0),
        "carbonyl": (0.10, 130.0),
        "alcohol": (-0.10, 320.0),
        "nitrogen": (0.05, 140.0),
        "ester": (0.15, 110.0),
        "chlorinated": (0.15, 60.0),
        "ether": (0.15, 120.0),
        "cycloalkane": (0.25, 160.0),
        "sulphur": (0.15, 90.0),
    },
    "polar": {
        "alkane": (0.30, 420.0),
        "aromatic": (0.20, 190.0),
        "carbonyl": (0.10, 120.0),
        "alcohol": (0.05, -80.0),
        "nitrogen": (0.05, 20.0),
        "ester": (0.20, 150.0),
        "chlorinated": (0.20, 110.0),
        "ether": (0.20, 240.0),
        "cycloalkane": (0.25, 350.0),
        "sulphur": (0.20, 170.0),
    },
}
COLD = 25 + ZERO_C  # K, where an oven's scale is right
RELEVANT = 2e5  # Pa: at higher vapour pressure hardly anything is retained
TOLERANCE = 1e-8  # of the integrator: times within a millisecond
SCATTER = (0.05, 30.0)  # standard deviations of a [-] and b [K] of single compounds about their class
# Standard deviations of ln diffusion of single compounds: in the gas about Fuller's method (measured values in
# tests/published/data/diffusion_values.csv: 0.08), and in the film about one line for all.
GAS_SCATTER, FILM_SCATTER = 0.08, 0.2


def atoms_of(formula: str) -> dict[str, int]:
    """Counts of atoms in a formula such as C6H5NO2."""
    return {atom: int(count or 1) for atom, count in re.findall(r"([A-Z][a-z]?)(\d*)", formula)}


def liquid_volume(atoms: Mapping[str, int], rings: int) -> float:
    """Molar volume [m3/mol]: Fuller's diffusion volume, which is that of the liquid within some 10 %."""
    return 1e-6 * (sum(DIFFUSION_VOLUME[atom] * n for atom, n in atoms.items()) + RING_VOLUME * rings)


@cache
def ln_vapour_pressure(compound: str) -> Callable[[float], float]:
    """ln(p/Pa) at T [K]: cubic spline of the published values over 1/T, beyond them as curved as at the end.

    Of the correlations a compound's values come from, the one with the most values below 2 bar: where one follows
    another they differ by enough to bend the curve as no substance would.
    """
    given = [
        row
        for row in published("vapour_pressure")
        if row["compound"] == compound and row["p_recommended_Pa"] and row["below_Tm"] == "False"
    ]
    below = Counter(row["recommended_source"] for row in given if float(row["p_recommended_Pa"]) < RELEVANT)
    source = max(below, key=lambda name: below[name])
    table = [
        (1 / (float(row["T_C"]) + ZERO_C), math.log(float(row["p_recommended_Pa"])))
        for row in given
        if row["recommended_source"] == source
    ]
    x, ln_p = np.array(sorted(table)).T
    spline = CubicSpline(x, ln_p)
    knots = [*map(float, x)]
    pieces = [tuple(map(float, piece)) for piece in spline.c.T]  # of the powers 3, 2, 1, 0
    ends = [tuple(float(spline(at, n)) / max(n, 1) for n in (2, 1, 0)) for at in (x[0], x[-1])]

    def ln_p_at(T: float) -> float:
        at = 1 / T
        if knots[0] <= at < knots[-1]:
            i = bisect_right(knots, at) - 1
            h = at - knots[i]
            cubic, square, slope, level = pieces[i]
            return level + h * (slope + h * (square + h * cubic))
        end = 0 if at < knots[0] else -1
        h = at - knots[end]
        square, slope, level = ends[end]
        return level + h * (slope + h * square)

    return ln_p_at


@cache
def interaction(phase: str, compound: str) -> tuple[float, float]:
    """a [-] and b [K] of one compound: its class's, and its own share of the scatter, the same in every run."""
    number = [list(INTERACTION).index(phase), list(COMPOUNDS).index(compound)]
    own = np.random.default_rng(np.random.SeedSequence(entropy=20251125, spawn_key=tuple(number)))
    a, b = INTERACTION[phase][COMPOUNDS[compound][0]]
    scatter_a, scatter_b = own.normal(0.0, SCATTER)
    return float(a + scatter_a), float(b + scatter_b)


@cache
def ln_diffusion_scatter(compound: str) -> tuple[float, float]:
    """Of one compound, in the gas and in the film: the same in every run."""
    number = 1000, list(COMPOUNDS).index(compound)
    own = np.random.default_rng(np.random.SeedSequence(entropy=20251125, spawn_key=number))
    gas, film = own.normal(0.0, (GAS_SCATTER, FILM_SCATTER))
    return float(gas), float(film)


def ln_retention_factor(phase: str, compound: str, phase_ratio: float) -> Callable[[float], float]:
    """ln k of a compound at T [K]."""
    _, formula, rings = COMPOUNDS[compound]
    volume = liquid_volume(atoms_of(formula), rings)
    return polymer_solution.ln_retention_factor(
        ln_vapour_pressure(compound), volume, interaction(phase, compound), phase_ratio
    )


@dataclass(frozen=True)
class Reality:
    """How an instrument differs from what its user knows of it.

    Attributes
    ----------
    bore_factor, film_factor : true over nominal
    oven_offset : float  [K], true temperature less what the oven shows
    oven_scale : float, by which share of what is above `COLD` the true temperature is higher still
    length_factor : float, true over nominal
    oven_lag : float  [s], time constant of a first-order lag
    plate_height_factor : float, on Golay's equation
    injected : float  [s], standard deviation of the injected band
    retention_noise, hold_up_noise : float  [s], standard deviations from run to run
    width_noise, area_noise : float, relative standard deviations
    """

    bore_factor: float
    film_factor: float
    oven_offset: float
    oven_lag: float
    plate_height_factor: float
    injected: float
    retention_noise: float
    hold_up_noise: float = 0.2
    width_noise: float = 0.02
    area_noise: float = 0.05
    oven_scale: float = 0.0
    length_factor: float = 1.0


def drawn_reality(rng: np.random.Generator) -> Reality:
    """An instrument in ordinary condition."""
    return Reality(
        bore_factor=1 + float(rng.uniform(-0.01, 0.01)),
        film_factor=1 + float(rng.uniform(-0.02, 0.02)),
        oven_offset=float(rng.uniform(-1.0, 1.0)),
        oven_lag=float(rng.uniform(5.0, 15.0)),
        plate_height_factor=float(rng.uniform(1.05, 1.35)),
        injected=float(rng.uniform(0.15, 0.5)),
        retention_noise=float(rng.uniform(0.1, 0.2)),
    )


def in_worse_condition(reality: Reality, rng: np.random.Generator) -> Reality:
    """A variant: its column was cut since its length was noted, and its oven is off the more the hotter it is."""
    return replace(
        reality,
        length_factor=1 - float(rng.uniform(0.005, 0.025)),
        oven_scale=float(rng.uniform(-0.01, 0.01)),
    )


@dataclass(frozen=True)
class Day:
    """How far off one day's run is: oven [K], and the carrier's set flow or gauge pressure (a share)."""

    oven: float = 0.0
    carrier: float = 0.0


@dataclass(frozen=True)
class OtherInstrument:
    """A column of a phase, with what distinguishes it from its tag; helium, constant flow or constant pressure."""

    nominal: Nominal
    phase: str
    reality: Reality

    @property
    def phase_ratio(self) -> float:
        """Of the true column."""
        bore, film = (
            self.nominal.bore * self.reality.bore_factor,
            self.nominal.film * self.reality.film_factor,
        )
        return bore / (4 * film)

    def ln_k(self, compound: str) -> Callable[[float], float]:
        """ln k at the true temperature [K]."""
        return ln_retention_factor(self.phase, compound, self.phase_ratio)

    def stretches(self, program: Mapping[str, Any], day: Day) -> list[Stretch]:
        """Where the oven truly is, and the pressure that pneumatics which know only set points make."""
        key = {"constant flow": "flow_mL_min", "constant pressure": "inlet_kPa"}[program["carrier"]["mode"]]
        carrier = {**program["carrier"], key: program["carrier"][key] * (1 + day.carrier)}
        off = self.reality.oven_offset + day.oven

        def moved(stretch: Stretch) -> Stretch:
            def temperature(t: float) -> float:
                shown = stretch.temperature(t)
                return shown + off + self.reality.oven_scale * (shown - COLD)

            return Stretch(stretch.start, stretch.stop, temperature, stretch.pressure)

        made = stretches_of(self.nominal, {**program, "carrier": carrier}, self.reality.oven_lag)
        return [moved(stretch) for stretch in made]

    def true_peak(self, program: Mapping[str, Any], compound: str | None, day: Day = Day()) -> Peak | None:
        """A compound's peak without noise, an unretained one's for None; None when it does not come in days.

        `program` is a table `oven` and a table `carrier` of a scenario file.
        """
        nominal, reality = self.nominal, self.reality
        tube = Tube(
            nominal.length * reality.length_factor,
            nominal.bore * reality.bore_factor / 2,
            nominal.film * reality.film_factor,
            nominal.ambient,
            1.0,
            reality.plate_height_factor,
        )
        _, formula, rings = COMPOUNDS[compound or "n-pentane"]
        in_gas, in_film = ln_diffusion_scatter(compound or "n-pentane")
        ln_k = self.ln_k(compound) if compound else lambda T: -600.0
        band = Band(
            ln_k,
            diffusion_in_helium(atoms_of(formula), rings) * math.exp(in_gas),
            lambda T: polymer_solution.film_diffusion(T) * math.exp(in_film),
            reality.injected,
        )
        steady = program["carrier"]["mode"] == "constant pressure"
        return follow(
            tube, helium_viscosity, band, self.stretches(program, day), rtol=TOLERANCE, steady=steady
        )
