"""What heat-sensitive analytes meet on their way, prepared in the reader's units; `show.pictures.exposure` draws it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.column.programs import Array
from models.units import SECONDS_PER_MINUTE, celsius
from optimizer.goal.outcome import Prediction
from optimizer.scenario.data import AnalyteDetail, Scenario


@dataclass(frozen=True)
class Strip:
    """The column's temperature over the stay of one analyte.

    Attributes
    ----------
    name : str
    times, temperatures : (B,) arrays  [min], [°C], corners of the oven program until the analyte leaves
    limit : float or None  [°C], at which it must have left
    above : float or None  [°C], above which its time is counted
    findings : what it meets beside what it bears, e.g. "98.20 % intact (needs 97 %)"
    kept : bool, whether it bears all that
    eluted : bool
    """

    name: str
    times: Array
    temperatures: Array
    limit: float | None
    above: float | None
    findings: tuple[str, ...]
    kept: bool
    eluted: bool


@dataclass(frozen=True)
class ExposureData:
    """A strip per sensitive analyte, in order of elution.

    Attributes
    ----------
    strips : tuple of Strip
    oven_times, oven : (B,) arrays  [min], [°C], of the whole run
    end : float  [min]
    """

    strips: tuple[Strip, ...]
    oven_times: Array
    oven: Array
    end: float

    @property
    def key(self) -> str:
        """What the lines and shades mean, as far as there are any."""
        parts = []
        if any(strip.limit is not None for strip in self.strips):
            parts.append("Dashed: the temperature at which an analyte must have left.")
        if any(strip.above is not None for strip in self.strips):
            parts.append("Dotted, and shaded above: the temperature above which its stay is counted.")
        if any("intact" in text for strip in self.strips for text in strip.findings):
            parts.append('"Intact" is about the stay in the column alone, not about inlet and transfer line.')
        return " ".join(parts)


def is_sensitive(detail: AnalyteDetail) -> bool:
    """Whether anything is stated about what heat does to an analyte."""
    return not (
        detail.decomposition is None
        and detail.max_elution_temperature is None
        and detail.max_time_above is None
    )


def exposure_data(scenario: Scenario, prediction: Prediction) -> ExposureData | None:
    """Prepare the strips of a prediction; None when no analyte is sensitive."""
    details = [scenario.detail(name) for name in prediction.compounds]
    sensitive = [m for m in prediction.order if is_sensitive(details[m])]
    if not sensitive:
        return None
    times, T = prediction.program.oven.knots()
    end = max(prediction.run_time, times[-1])
    oven_times, oven = np.array([*times, end]), np.array([*T, T[-1]])
    return ExposureData(
        tuple(_strip(details[m], prediction, int(m), oven_times, oven) for m in sensitive),
        oven_times / SECONDS_PER_MINUTE,
        celsius(oven),
        end / SECONDS_PER_MINUTE,
    )


def _strip(detail: AnalyteDetail, prediction: Prediction, m: int, times: Array, oven: Array) -> Strip:
    eluted = bool(np.isfinite(prediction.retention[m]))
    stay = float(prediction.retention[m]) if eluted else float(times[-1])
    until = times < stay
    findings = _findings(detail, prediction, m)
    above = detail.max_time_above
    return Strip(
        name=detail.compound,
        times=np.array([*times[until], stay]) / SECONDS_PER_MINUTE,
        temperatures=celsius(np.array([*oven[until], float(np.interp(stay, times, oven))])),
        limit=None if detail.max_elution_temperature is None else celsius(detail.max_elution_temperature),
        above=None if above is None else celsius(above.temperature),
        findings=tuple(text for text, _ in findings),
        kept=eluted and all(kept for _, kept in findings),
        eluted=eluted,
    )


def _findings(detail: AnalyteDetail, prediction: Prediction, m: int) -> list[tuple[str, bool]]:
    """What an analyte meets, in words, and whether it bears it."""
    if not np.isfinite(prediction.retention[m]):
        return [("does not elute", False)]
    found = []
    if detail.decomposition is not None:
        intact, least = float(prediction.intact_fraction[m]), detail.min_intact_fraction
        needs = "" if least is None else f" (needs {100 * least:g} %)"
        found.append((f"{100 * intact:.2f} % intact{needs}", least is None or intact >= least))
    if detail.max_elution_temperature is not None:
        T, most = float(prediction.elution_temperature[m]), detail.max_elution_temperature
        found.append((f"leaves at {celsius(T):.1f} °C (at most {celsius(most):g} °C)", most >= T))
    if detail.max_time_above is not None:
        above, limit = float(prediction.time_above[m]), detail.max_time_above
        found.append(
            (
                f"{above / SECONDS_PER_MINUTE:.2f} min above {celsius(limit.temperature):g} °C "
                f"(at most {limit.duration / SECONDS_PER_MINUTE:g} min)",
                above <= limit.duration,
            )
        )
    return found
