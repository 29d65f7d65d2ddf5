"""Temperatures, times and decomposition between injection and elution, against independent integrations."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp

from models.column.programs import Array, CarrierProgram, OvenProgram, Program, ProgramBatch, Ramp, batch_of
from models.errors import InvalidInputError
from models.peaks import thermal_exposure
from models.peaks.migration import LONGEST_RETENTION
from models.peaks.thermal_exposure import (
    GENTLE,
    LARGE,
    Decomposition,
    decomposition,
    highest_temperature,
    intact_fraction,
    ln_decomposed,
    mean_share,
    rate_constant,
    scaled_integral,
    softened_time_above,
    time_above,
)
from models.units import GAS_CONSTANT

CARRIER = CarrierProgram("flow", 2e-8)
COLDEST, HOTTEST = 220.0, 720.0  # K, and 20 to 500 kJ/mol: wider than any column and any analyte


def batch(*ovens: OvenProgram) -> ProgramBatch:
    return batch_of([Program(oven, CARRIER) for oven in ovens])


def random_oven(rng: np.random.Generator) -> OvenProgram:
    """None to four ramps up or down, some to where the oven is already, some without holds."""
    start = T = float(rng.uniform(COLDEST, HOTTEST))
    ramps = []
    for _ in range(rng.integers(0, 5)):
        T = T if rng.random() < 0.15 else float(rng.uniform(COLDEST, HOTTEST))
        ramps.append(
            Ramp(float(10 ** rng.uniform(-2, 0.5)), T, float(rng.choice([0.0, rng.uniform(1, 600)])))
        )
    return OvenProgram(start, float(rng.choice([0.0, rng.uniform(1, 600)])), tuple(ramps))


def stays_of(rng: np.random.Generator, oven: OvenProgram) -> Array:
    """Retention times [s]: in the first hold, anywhere, at a corner, and after the last corner."""
    times = oven.knots()[0]
    first = 0.5 * oven.hold if oven.hold > 0 else 1.0
    return np.array(
        [first, rng.uniform(0, oven.duration + 1), rng.choice(times[1:]) or 5.0, oven.duration + 400]
    )


def pieces(oven: OvenProgram, until: float) -> list[tuple[float, float]]:
    """The stay cut at the corners of the program."""
    edges = [t for t in oven.knots()[0] if t < until] + [until]
    return [(a, b) for a, b in pairwise(edges) if b > a]


def at(oven: OvenProgram, t: float) -> float:
    return float(np.interp(t, *oven.knots()))


def integrated(oven: OvenProgram, until: float, a: float, ln_k: float, T_ref: float) -> float:
    """X by adaptive quadrature in time; each piece over its hottest rate, where steep from its hotter end."""
    total = 0.0
    for begin, end in pieces(oven, until):
        hot, cold = max(at(oven, begin), at(oven, end)), min(at(oven, begin), at(oven, end))
        # Twentyfold below the hottest rate at each cut, so that the quadrature never looks for a needle.
        cuts = 1 / (1 / hot + 3.0 * np.arange(1, 400) / a)
        cuts = cuts[cuts > cold]
        rising = at(oven, end) > at(oven, begin)
        share = (hot - cuts) / (hot - cold) if hot > cold else np.zeros(0)
        inner = end - share * (end - begin) if rising else begin + share * (end - begin)
        edges = np.sort(np.concatenate([[begin, end], inner]))

        def relative(t: float, hot: float = hot) -> float:
            return float(np.exp(-a * (1 / at(oven, t) - 1 / hot)))

        parts = [quad(relative, p, q, epsabs=0, epsrel=1e-12, limit=200)[0] for p, q in pairwise(edges)]
        total += float(np.exp(ln_k - a * (1 / hot - 1 / T_ref))) * sum(parts)
    return total


def test_decomposition_agrees_with_adaptive_quadrature_on_any_program() -> None:
    rng = np.random.default_rng(21)
    for _ in range(60):
        oven = random_oven(rng)
        energy, half_life = rng.uniform(20e3, 500e3, 4), 10 ** rng.uniform(0, 5, 4)
        T_ref, stays = rng.uniform(COLDEST, HOTTEST, 4), stays_of(rng, oven)
        kinetics = decomposition(energy, half_life, T_ref)
        ours = ln_decomposed(batch(oven), stays[None], np.arange(4), kinetics)[0]
        theirs = [
            integrated(
                oven, float(stays[q]), energy[q] / GAS_CONSTANT, np.log(np.log(2) / half_life[q]), T_ref[q]
            )
            for q in range(4)
        ]
        np.testing.assert_allclose(ours, theirs, rtol=1e-9)


def solved(oven: OvenProgram, stay: float, energy: float, half_life: float, T_ref: float) -> float:
    """Intact fraction from d(intact)/dt = -k intact, marched in time from corner to corner."""

    def loss(t: float, intact: Array) -> Array:
        k = np.log(2) / half_life * np.exp(-energy / GAS_CONSTANT * (1 / at(oven, t) - 1 / T_ref))
        return -k * intact

    intact = np.array([1.0])
    for begin, end in pieces(oven, stay):
        intact = solve_ivp(loss, (begin, end), intact, method="DOP853", rtol=1e-11, atol=1e-14).y[:, -1]
    return float(intact[0])


def test_intact_fraction_agrees_with_the_rate_equation_solved_in_time() -> None:
    rng = np.random.default_rng(22)
    lost = []
    for _ in range(25):
        oven = random_oven(rng)
        stay = float(rng.uniform(0.2, 1.3)) * (oven.duration + 60)
        energy, hottest = float(rng.uniform(50e3, 250e3)), max(at(oven, b) for _, b in pieces(oven, stay))
        half_life = stay * float(10 ** rng.uniform(-1, 1))
        kinetics = decomposition(np.array([energy]), np.array([half_life]), np.array([hottest]))
        ours = float(intact_fraction(batch(oven), np.array([[stay]]), np.array([0]), kinetics)[0, 0])
        lost.append(1 - ours)
        assert ours == pytest.approx(solved(oven, stay, energy, half_life, hottest), rel=1e-8, abs=1e-12)
    assert min(lost) < 0.1
    assert max(lost) > 0.9  # so that both ends of the scale were met


def test_every_steepness_of_a_ramp_from_a_hold_to_the_widest() -> None:
    """Gauss' rule and the exponential integral meet without a step, and short rises lose no digits."""
    a = 150e3 / GAS_CONSTANT
    for hot in (300.0, 500.0, 720.0):
        for rise in np.concatenate([[0.0], 10 ** np.linspace(-12, np.log10(hot - COLDEST), 60)]):
            cold = hot - rise

            def share(u: float, cold: float = cold, rise: float = rise, hot: float = hot) -> float:
                return float(np.exp(-a * (1 - u) * rise / (hot * (cold + u * rise))))

            y = a * rise / (hot * cold)
            edges = np.maximum(0.0, 1 - np.arange(0, 40) * min(1.0, 2.0 / max(y, 1e-9)))
            edges = np.unique(np.append(edges, 0.0))
            theirs = sum(quad(share, p, q, epsabs=0, epsrel=1e-13)[0] for p, q in pairwise(edges))
            ours = mean_share(np.array([a]), np.array([cold]), np.array([hot]))[0]
            assert ours == pytest.approx(theirs, rel=1e-12), rise


def test_both_ways_agree_where_one_takes_over_from_the_other(monkeypatch: pytest.MonkeyPatch) -> None:
    a, hot = np.array([20e3, 150e3, 500e3] * 2) / GAS_CONSTANT, np.repeat([230.0, 720.0], 3)
    cold = 1 / (1 / hot + GENTLE / a)
    ways = []
    for turn in (0.99 * GENTLE, 1.01 * GENTLE):
        monkeypatch.setattr(thermal_exposure, "GENTLE", turn)
        ways.append(mean_share(a, cold, hot))
    assert (ways[0] != ways[1]).any()  # so that they were two ways
    np.testing.assert_allclose(ways[0], ways[1], rtol=2e-13)


def test_the_scaled_exponential_integral_at_small_and_large_arguments() -> None:
    for x in (0.5, 3.0, 40.0, 270.0, LARGE, LARGE * 1.0001, 2000.0):
        # e^x E2(x) = integral of e^(-x v)/(1+v)^2 dv from 0 to infinity; w = x v
        theirs = quad(
            lambda w, x=x: np.exp(-w) * (1 + w / x) ** -2 / x, 0, 60, epsabs=0, epsrel=1e-13, limit=200
        )[0]
        assert scaled_integral(np.array([x]))[0] == pytest.approx(theirs, rel=2e-12)


def test_half_lives() -> None:
    kinetics = decomposition(np.array([120e3, 90e3]), np.array([600.0, 60.0]), np.array([450.0, 500.0]))
    np.testing.assert_allclose(
        rate_constant(kinetics, np.array([450.0, 500.0])), np.log(2) / np.array([600.0, 60.0])
    )
    still = batch(OvenProgram(450.0), OvenProgram(450.0, 1e4))
    kept = intact_fraction(
        still,
        np.array([[600.0], [1800.0]]),
        np.array([0, 0]),
        decomposition(np.array([120e3, 20e3]), np.array([600.0, 300.0]), np.array([450.0, 450.0])),
    )
    np.testing.assert_allclose(kept, [[1 / 2, 1 / 4], [1 / 8, 1 / 64]], rtol=1e-12)
    # Van 't Hoff's rule of thumb by hand: 120 kJ/mol from 450 to 460 K is exp(0.6972) = 2.008.
    assert float(rate_constant(kinetics, 460.0)[0] / rate_constant(kinetics, 450.0)[0]) == pytest.approx(
        2.008, abs=5e-4
    )


@pytest.mark.parametrize("never", [float("nan"), float("inf"), 1e6])
def test_what_does_not_elute_stays_for_the_longest_retention(never: float) -> None:
    oven = OvenProgram(320.0, 60.0, (Ramp(0.5, 420.0, 30.0),))
    which, kinetics = np.array([0]), decomposition(np.array([1e5]), np.array([1e6]), np.array([420.0]))
    lost = ln_decomposed(batch(oven), np.array([[never]]), which, kinetics)[0, 0]
    assert lost == ln_decomposed(batch(oven), np.array([[LONGEST_RETENTION]]), which, kinetics)[0, 0]
    assert lost == pytest.approx(LONGEST_RETENTION * np.log(2) / 1e6, rel=2e-3)
    above = time_above(batch(oven), np.array([[never]]), which, np.array([400.0]))[0, 0]
    assert above == pytest.approx(LONGEST_RETENTION - 60.0 - 160.0, rel=1e-12)
    assert highest_temperature(batch(oven), np.array([[never]]), which)[0, 0] == 420.0


def test_extreme_kinetics_make_no_warnings() -> None:
    """Nor anything that is not a number: pytest is set to make an error of every RuntimeWarning."""
    ovens = batch(OvenProgram(COLDEST, 10.0, (Ramp(1.0, HOTTEST),)), OvenProgram(60.0), OvenProgram(HOTTEST))
    kinetics = Decomposition(np.array([1e6, 1e6, 1.0]), np.array([900.0, -300.0, 900.0]))
    retention = np.array([[np.nan, 1e6, 100.0]] * 3)
    lost = ln_decomposed(ovens, retention, np.arange(3), kinetics)
    assert (lost >= 0).all()  # inf where it outgrows the largest number
    kept = intact_fraction(ovens, retention, np.arange(3), kinetics)
    assert ((kept >= 0) & (kept <= 1)).all()
    assert kept[0, 0] == 0.0
    assert kept[1, 1] == 1.0


def between_crossings(oven: OvenProgram, until: float, T: float) -> float:
    """Time above T by cutting the stay wherever the oven passes T, and looking at the middle of every part."""
    edges = {0.0, until}
    times, values = oven.knots()
    for t0, t1, v0, v1 in zip(times, times[1:], values, values[1:], strict=False):
        edges.add(min(t1, until))
        if v0 != v1:
            edges.add(float(np.clip(t0 + (T - v0) / (v1 - v0) * (t1 - t0), 0, until)))
    ordered = sorted(edges)
    return sum(b - a for a, b in pairwise(ordered) if at(oven, (a + b) / 2) > T)


def test_time_above_a_temperature_agrees_with_counting_between_crossings() -> None:
    rng = np.random.default_rng(23)
    ovens = [random_oven(rng) for _ in range(150)]
    for oven in ovens:
        stays, T = stays_of(rng, oven), rng.uniform(COLDEST, HOTTEST, 4)
        ours = time_above(batch(oven), stays[None], np.arange(4), T)[0]
        theirs = [
            between_crossings(oven, float(stay), float(limit)) for stay, limit in zip(stays, T, strict=True)
        ]
        np.testing.assert_allclose(ours, theirs, rtol=1e-10, atol=1e-9)


def test_time_above_by_hand() -> None:
    """60 s at 320 K, 0.5 K/s to 420 K, 30 s there, 2 K/s down to 400 K, and on."""
    oven = batch(OvenProgram(320.0, 60.0, (Ramp(0.5, 420.0, 30.0), Ramp(2.0, 400.0))))
    limits = np.array([300.0, 410.0, 420.0, 420.0 - 1e-9, 400.0, 430.0])
    out_at = np.full((1, 6), 500.0)
    above = time_above(oven, out_at, np.arange(6), limits)[0]
    # 20 s from 410 to 420 K, the hold, 5 s back down; at 420 K itself nothing is above, just under it the hold is.
    np.testing.assert_allclose(above, [500.0, 55.0, 0.0, 30.0, 80.0, 0.0], atol=1e-7)
    on_the_ramp = time_above(oven, np.array([[250.0]]), np.array([0]), np.array([410.0]))
    assert on_the_ramp[0, 0] == pytest.approx(10.0, rel=1e-12)


def test_time_above_never_falls_with_the_stay_nor_rises_with_the_temperature() -> None:
    rng = np.random.default_rng(24)
    stays, limits = np.sort(rng.uniform(1, 3000, 40)), np.sort(rng.uniform(COLDEST, HOTTEST, 40))
    which, one = np.arange(40), np.zeros(40, dtype=np.intp)
    for _ in range(30):
        oven = batch(random_oven(rng))
        for margin in (0.0, 5.0):
            by_stay = softened_time_above(oven, stays[None], which, np.full(40, limits[20]), margin)[0]
            by_limit = softened_time_above(oven, stays[None, 20:], one, limits, margin)[0]
            assert (np.diff(by_stay) >= -1e-9).all()
            assert (np.diff(by_limit) <= 1e-9).all()


def test_softened_time_is_an_upper_bound_that_closes_and_has_no_jumps() -> None:
    rng = np.random.default_rng(25)
    which = np.arange(4)
    for _ in range(60):
        oven = random_oven(rng)
        stays, T = stays_of(rng, oven)[None], rng.uniform(COLDEST, HOTTEST, 4)
        exact = time_above(batch(oven), stays, which, T)
        wider = [
            softened_time_above(batch(oven), stays, which, T, margin) for margin in (20.0, 5.0, 1.0, 1e-9)
        ]
        for outer, inner in zip(wider, [*wider[1:], exact], strict=True):
            assert (outer >= inner - 1e-9).all()
        np.testing.assert_allclose(wider[-1], exact, atol=1e-5)
        # Against quadrature of the weight itself.
        weight = [
            sum(
                quad(
                    lambda t, q=q, oven=oven, T=T: float(np.clip((at(oven, t) - T[q] + 20.0) / 20.0, 0, 1)),
                    a,
                    b,
                    limit=400,
                )[0]
                for a, b in pieces(oven, float(stays[0, q]))
            )
            for q in which
        ]
        np.testing.assert_allclose(wider[0][0], weight, rtol=1e-5, atol=1e-3)

    holds = [OvenProgram(300.0, 0.0, (Ramp(1.0, T, 300.0),)) for T in np.linspace(395.0, 403.0, 801)]
    moved = softened_time_above(
        batch(*holds), np.full((801, 1), 390.0), np.array([0]), np.array([400.0]), 4.0
    )[:, 0]
    # A hold of at most 300 s weighs 75 s more for each kelvin, of which a step is a hundredth.
    assert np.abs(np.diff(moved)).max() < 0.8
    assert np.diff(moved)[200:400].min() > 0.5  # and between 397 and 399 K a descent sees it


def test_highest_temperature_is_that_of_the_program_so_far() -> None:
    rng = np.random.default_rng(26)
    for _ in range(100):
        oven = random_oven(rng)
        just_before_corners = np.maximum(np.array(oven.knots()[0]) - 0.1, 0.0)
        stays = np.concatenate([stays_of(rng, oven), just_before_corners])
        ours = highest_temperature(batch(oven), stays[None], np.arange(stays.size))[0]
        for stay, highest in zip(stays, ours, strict=True):
            met = [at(oven, t) for t in [*oven.knots()[0], stay] if t <= stay]
            assert highest == pytest.approx(max(met), rel=1e-14)


def test_programs_and_analytes_do_not_meddle_with_each_other() -> None:
    rng = np.random.default_rng(27)
    ovens = [random_oven(rng) for _ in range(7)]  # of different numbers of corners, hence padded
    retention = rng.uniform(1, 3000, (7, 5))
    which = np.array([4, 1, 1])
    kinetics = decomposition(
        np.array([8e4, 1e5, 3e5]), np.array([60.0, 600.0, 10.0]), np.array([400.0, 450.0, 600.0])
    )
    limits = np.array([400.0, 500.0, 600.0])
    lost = ln_decomposed(batch(*ovens), retention, which, kinetics)
    above = time_above(batch(*ovens), retention, which, limits)
    highest = highest_temperature(batch(*ovens), retention, which)
    assert lost.shape == above.shape == highest.shape == (7, 3)
    for n, oven in enumerate(ovens):
        for q, column in enumerate(which):
            one, stay, first = batch(oven), retention[n : n + 1, column : column + 1], np.array([0])
            alone = Decomposition(
                kinetics.activation_energy[q : q + 1], kinetics.ln_frequency_factor[q : q + 1]
            )
            assert ln_decomposed(one, stay, first, alone)[0, 0] == pytest.approx(lost[n, q], rel=1e-13)
            assert time_above(one, stay, first, limits[q : q + 1])[0, 0] == pytest.approx(
                above[n, q], rel=1e-13
            )
            assert highest_temperature(one, stay, first)[0, 0] == highest[n, q]


@pytest.mark.parametrize(
    ("energy", "half_life", "temperature", "complaint"),
    [
        (0.0, 60.0, 400.0, "activation energy"),
        (float("nan"), 60.0, 400.0, "activation energy"),
        (1.5e8, 60.0, 400.0, "J/mol where kJ/mol is expected"),
        (1e5, 0.0, 400.0, "half-life"),
        (1e5, float("inf"), 400.0, "half-life"),
        (1e5, 60.0, -3.0, "temperature"),
        (1e5, 60.0, float("nan"), "temperature"),
    ],
)
def test_impossible_kinetics_are_refused(
    energy: float, half_life: float, temperature: float, complaint: str
) -> None:
    with pytest.raises(InvalidInputError, match=complaint):
        decomposition(np.array([energy]), np.array([half_life]), np.array([temperature]))


def test_the_kinetics_of_every_analyte_are_looked_at() -> None:
    with pytest.raises(InvalidInputError, match="half-life"):
        decomposition(np.array([1e5, 1e5]), np.array([60.0, 0.0]), np.array([400.0, 400.0]))


def test_kinetics_of_another_number_of_analytes_or_without_a_number_are_refused() -> None:
    with pytest.raises(InvalidInputError, match="every analyte"):
        Decomposition(np.array([1e5, 2e5]), np.array([30.0]))
    with pytest.raises(InvalidInputError, match="frequency factor"):
        Decomposition(np.array([1e5]), np.array([float("nan")]))
