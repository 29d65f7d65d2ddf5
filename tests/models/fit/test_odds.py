"""What may be the matter with a time is weighed rightly; against densities worked out another way, and alcohols."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from benchmarks.scouting import NOMINAL, TRUE, measured, scouted
from models.column.retention import joined
from models.fit.compound_fits import CompoundFits
from models.fit.diagnosis import doubt, others
from models.fit.fitting import fit_retention
from models.fit.odds import UNUSUAL, evidence, probabilities, slip_of
from tests.published.vapour_retention import from_tables

RATES = (3.0, 10.0, 40.0)


@pytest.mark.parametrize("scale", [1.0, 4.0])
def test_evidence_is_the_density_of_the_times_whatever_the_parameters_are(scale: float) -> None:
    """Of a linear compound, times are normal with covariance S + J P J' about those of typical values."""
    rng = np.random.default_rng(5)
    R, spreads = 3, np.array([0.7, 1.3, 0.4])
    J, sigma = rng.normal(0.0, 3.0, (R, 3)), np.array([0.5, 0.8, 1.1])
    off = rng.normal(0.0, 2.0, R)  # times measured less those of typical values
    distance = np.concatenate([-off / sigma, np.zeros(3)])
    rows = [1, 2, 0]  # priors stand in the order ln theta, dCp, T0
    slope = np.concatenate([J / sigma[:, None], np.eye(3)[rows] / spreads[rows, None]])
    nothing = np.zeros((R, 1))
    fits = CompoundFits(np.zeros((1, 3)), nothing, np.zeros((R, 1, 3)), distance[None], slope[None])
    found = evidence(fits, nothing, sigma[:, None], scale)

    def density(wider: tuple[float, float]) -> float:
        prior = np.diag((spreads * np.array([1.0, *wider])) ** 2)
        covariance = scale * np.diag(sigma**2) + J @ prior @ J.T
        return float(multivariate_normal.logpdf(off, np.zeros(R), covariance))

    # Priors are given as distances, so that both densities lack the same determinant of the parameters.
    lacking = float(np.log(spreads).sum())
    assert found.usual[0] - lacking == pytest.approx(density((1.0, 1.0)), abs=1e-9)
    for kind, (odds, wider) in UNUSUAL.items():
        assert found.unusual[kind][0] - lacking - np.log(odds) == pytest.approx(density(wider), abs=1e-9)


def test_a_density_of_slips_is_one_of_probability() -> None:
    """Over all times that may have been meant a given text has the probability one."""
    meant = np.arange(0.0, 9000.0, 0.25)
    density = np.exp([slip_of(12.43 * 60, float(t), 2.0).ln_density for t in meant])
    assert density.sum() * 0.25 == pytest.approx(1.0, abs=0.01)


def test_explanations_are_told_by_how_likely_they_are() -> None:
    weighed = probabilities({"sound": 0.0, "mistyped": float(np.log(6.0)), "foreign": float(np.log(2.995))})
    assert [kind for kind, _ in weighed] == ["mistyped", "foreign", "sound"]
    assert others(weighed, "mistyped") == "60 %; else a peak of another compound 30 %, chance 10 %"


@pytest.mark.parametrize("alcohol", ["1-octanol", "1-decanol"])
def test_the_right_time_of_an_alcohol_is_not_called_wrong(alcohol: str) -> None:
    """Its dCp, from published vapour pressures, is 41 or 57 J/mol/K above typical; the others' scatter by 20."""
    mixture = scouted(12, RATES, 7)
    its = from_tables([alcohol], 4.5)
    retention = joined(its, mixture.retention)
    runs = measured(retention, replace(TRUE, oven_lag=4.0), RATES, np.random.default_rng(1))
    fit = fit_retention(NOMINAL, runs)
    assert fit.suspects == ()
    for each in fit.doubts:
        assert each.weighed[0][0] in ("curved", "unusual")
        assert "most likely a" in doubt(each, ["a", "b", "c"], [f"c{m}" for m in range(13)])
