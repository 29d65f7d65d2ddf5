"""What may be the matter with a time that is not where it was expected, and how often each is so.

A compound may have another curvature, or be unusual altogether; its time may be mistyped, or the peak another
compound's; or two names may be exchanged. Each explanation counts by how often it is met before anything is measured,
times the probability density of the times and areas under it, all else integrated out. Nothing is called wrong by
chi-square alone.

The prior odds below stand here and nowhere else. They are chosen, no source, on mixtures of an instrument that
is not the model (benchmarks/accusations.py).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from scipy.special import logsumexp

from models.column.programs import Array
from models.fit.compound_fits import CompoundFits
from models.fit.fit import Explanation
from models.units import SECONDS_PER_MINUTE

# Of compounds, and how many times as wide ln theta and dCp then lie about typical values.
UNUSUAL: dict[Explanation, tuple[float, tuple[float, float]]] = {
    "curved": (0.06, (1.0, 4.0)),
    "unusual": (0.003, (3.5, 5.0)),
}
EXCHANGED, MISTYPED, FOREIGN = 0.02, 0.02, 0.02  # of peaks
NEIGHBOURS = 6  # peaks of which any may be the other one of an exchange
REACH = 0.2  # of its time, on either side, within which another compound's peak may be taken for it
OTHER_AREA = 0.8  # standard deviation of ln area, of other compounds
MOVED = 0.5  # of slips of typing: two digits exchanged or the point moved; the rest are one other digit
NAMED = 0.5  # probability of something wrong from which a peak is named
WORTH_A_WORD = 0.1  # and from which it is mentioned
INSIDE = 1.96  # standard deviations within which no time is called wrong for itself
UNIQUE = 0.8  # share of a slip among all that lead to where a peak is expected, from which it is offered
DECIMALS = 4  # of a retention time in minutes
LN_ROOT_TWO_PI = 0.5 * float(np.log(2 * np.pi))


def ln_normal(z: float, sd: float) -> float:
    """Ln of a normal density at so many standard deviations."""
    return float(-(z**2) / 2 - np.log(sd) - LN_ROOT_TWO_PI)


@dataclass(frozen=True)
class Evidence:
    """Ln of the probability density of each of M compounds' times, its parameters integrated out.

    Attributes
    ----------
    usual : (M,) array, of a compound within typical values
    unusual : of those about wider ones, prior odds included
    """

    usual: Array
    unusual: Mapping[Explanation, Array]

    @property
    def mixed(self) -> Array:
        """Whatever the compound is (M,)."""
        result: Array = logsumexp([self.usual, *self.unusual.values()], axis=0)
        return result


def evidence(fits: CompoundFits, times: Array, sigma: Array, scale: float) -> Evidence:
    """From compounds fitted by themselves, with first derivatives.

    Parameters
    ----------
    times, sigma : (R, M) arrays  [s] that were fitted, nan in `times` where missing
    scale : what variances are multiplied by
    """
    noise = np.where(np.isnan(times), 0.0, np.log(sigma) + np.log(scale) / 2 + LN_ROOT_TWO_PI).sum(axis=0)

    def of(wider: tuple[float, float]) -> Array:
        then = fits.believed(scale, wider)
        rest = then.distance + np.einsum("mri,mi->mr", then.slope, then.step)
        size = np.linalg.slogdet(np.einsum("mri,mrj->mij", then.slope, then.slope))[1]
        result: Array = -((rest**2).sum(axis=1) + size) / 2 - np.log(wider).sum() - noise
        return result

    return Evidence(
        of((1.0, 1.0)), {kind: np.log(odds) + of(wider) for kind, (odds, wider) in UNUSUAL.items()}
    )


@dataclass(frozen=True)
class Slip:
    """A slip of typing: ln of the density of the time as given, and the time [s] meant where one slip stands out."""

    ln_density: float
    time: float | None


def slip_of(time: float, expected: float, error: float) -> Slip:
    """How probable it is that a time is a mistyped one of a peak that is expected elsewhere [s]."""
    text = f"{time / SECONDS_PER_MINUTE:.{DECIMALS}f}".rstrip("0")
    meant, ln_weight = [], []
    for share, kind in ((MOVED, _moved_digits), (1 - MOVED, _other_digit)):
        values = sorted({value * SECONDS_PER_MINUTE for value in kind(text)})
        for value in values:
            meant.append(value)
            ln_weight.append(
                float(np.log(share / len(values))) + ln_normal((value - expected) / error, error)
            )
    total = float(logsumexp(ln_weight))
    best = int(np.argmax(ln_weight))
    return Slip(total, meant[best] if np.exp(ln_weight[best] - total) > UNIQUE else None)


def meant(time: float, expected: float, error: float) -> float | None:
    """The time [s] that was meant, where a slip leads to it and is not far less likely than another compound's peak."""
    slip = slip_of(time, expected, error)
    mistyped, foreign = np.log(MISTYPED) + slip.ln_density, np.log(FOREIGN) + ln_foreign(time)
    return slip.time if mistyped > foreign + np.log(WORTH_A_WORD) else None


def _moved_digits(text: str) -> Iterator[float]:
    """Two neighbouring digits exchanged, or the point one place off."""
    for i in range(len(text) - 1):
        j = i + 2 if text[i + 1] == "." else i + 1
        if text[i] != "." and j < len(text) and text[j] != text[i]:
            yield float(text[:i] + text[j] + text[i + 1 : j] + text[i] + text[j + 1 :])
    yield float(text) * 10
    yield float(text) / 10


def _other_digit(text: str) -> Iterator[float]:
    """One digit another."""
    for i, digit in enumerate(text):
        if digit != ".":
            for other in "0123456789":
                if other != digit:
                    yield float(text[:i] + other + text[i + 1 :])


def ln_foreign(time: float) -> float:
    """Ln of the density of a peak's time [s], given that it is another compound's."""
    return float(-np.log(2 * REACH * time))


def probabilities(ln_weights: Mapping[Explanation, float]) -> tuple[tuple[Explanation, float], ...]:
    """Of explanations, the likeliest first."""
    total = float(logsumexp(list(ln_weights.values())))
    found = {kind: float(np.exp(value - total)) for kind, value in ln_weights.items()}
    return tuple(sorted(found.items(), key=lambda item: -item[1]))
