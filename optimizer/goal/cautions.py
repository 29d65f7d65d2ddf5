"""What a person must know before running a program: one plain line each, only where it applies."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from models.column.programs import Program
from models.units import SECONDS_PER_MINUTE, celsius, flow_mL_min, gauge_kPa
from optimizer.goal.outcome import Prediction, SearchOutcome
from optimizer.scenario.data import Scenario

PLANNING = (
    "These are predictions, for planning by a trained analyst: nothing here is valid until it has been run, "
    "checked and approved. Local rules, the instrument's manual and qualified staff overrule this report, and a "
    "regulated method changes only by its regulator's own route."
)

# What every run asks for, where the report or another command has it in full.
USUAL = (
    "Hot parts burn, gas is under pressure and vents carry sample vapour: the report of `rampwright optimize` has the "
    "cautions in full; the instrument's manual, local rules and qualified staff come first."
)

BREAKS = "Breaks a limit: {}."
NOT_TO_BE_RUN = "Not to be run as it is, since it breaks a limit of the equipment: {}."

LOWEST_EXPLOSIVE_SHARE = 0.04  # of hydrogen in air, by volume
BARELY_BEYOND = 1.0  # K outside the scouted temperatures, of which nothing is said
OVEN_LITRES = 14.0  # an oven of ordinary size
# Times the column flow that must not fit for the limit to hold it, and that a lower split ratio must give.
WORTH = 1.05
NEAR_LIMIT = 10.0  # K below the column's limit from which a program is said to be close to it


def not_to_be_run(breaks_equipment: Sequence[str]) -> str:
    """The line that comes before all else of a program that breaks limits of the equipment; empty where none is."""
    return NOT_TO_BE_RUN.format("; ".join(breaks_equipment)) if breaks_equipment else ""


def without_breaks(warnings: Sequence[str], breaks_equipment: Sequence[str]) -> tuple[str, ...]:
    """Warnings without those that this line says already."""
    said = {BREAKS.format(text) for text in breaks_equipment}
    return tuple(text for text in warnings if text not in said)


def cautions(
    scenario: Scenario, programs: Sequence[Program], column_flow: float | None = None
) -> tuple[str, ...]:
    """The lines that apply to running some programs on a scenario's column, gas and instrument.

    Parameters
    ----------
    column_flow : float or None  [m3/s], the largest of the programs, where it is known
    """
    return (*_own(scenario, programs, column_flow), *_usual(scenario, programs))


def cautions_in_brief(
    scenario: Scenario, programs: Sequence[Program], column_flow: float | None = None
) -> tuple[str, ...]:
    """The same with one line for what every run asks for: for commands beside the one with the report."""
    return (*_own(scenario, programs, column_flow), USUAL)


def _own(scenario: Scenario, programs: Sequence[Program], column_flow: float | None) -> list[str]:
    """What this gas, these analytes and these programs ask for."""
    found = about_hydrogen(scenario, column_flow) if scenario.gas.name == "hydrogen" else []
    above, hotter = _above_continuous(scenario, programs), _hotter_than_scouted(scenario, programs)
    found += [above] if above is not None else []
    found += _decomposition(scenario)
    found += [hotter] if hotter is not None else []
    return found


def _usual(scenario: Scenario, programs: Sequence[Program]) -> list[str]:
    """What every run asks for."""
    found = [_limits(scenario, programs)]
    hot = (
        "Inlet, oven, detector and transfer line"
        if scenario.outlet_pressure == 0
        else "Inlet, oven and detector"
    )
    found.append(f"{hot} burn skin: let them cool before touching or opening them.")
    found.append(
        "Gas cylinders and the column head are under pressure: secure cylinders, and release the head pressure "
        "before loosening a fitting."
    )
    exhaust = "pump exhaust" if scenario.outlet_pressure == 0 else "detector outlet"
    found.append(f"Split vent, septum purge and {exhaust} carry sample vapour: lead them to a vent.")
    return found


def cautions_in_short(scenario: Scenario, prediction: Prediction) -> tuple[str, ...]:
    """One plain line each on hydrogen, heat and pressure, for beside the set points of one program."""
    found = []
    if scenario.gas.name == "hydrogen":
        found.append(
            f"Hydrogen explodes from {100 * LOWEST_EXPLOSIVE_SHARE:.0f} % in air: test for leaks, fit a sensor or a "
            "shut-off."
        )
    oven = prediction.program.oven
    heat = f"Heat: up to {celsius(oven.highest):.0f} °C; let hot parts cool before touching them."
    if _above_continuous(scenario, [prediction.program]) is not None:
        heat += " Above the column's continuous limit."
    if _decomposition(scenario) or _hotter_than_scouted(scenario, [prediction.program]) is not None:
        heat += " Decomposition can set toxic gas free."
    highest = gauge_kPa(float(prediction.inlet_pressure.max()), scenario.ambient_pressure)
    limit = gauge_kPa(scenario.instrument.max_inlet_pressure, scenario.ambient_pressure)
    pressure = (
        f"Pressure: up to {highest:.0f} kPa gauge (limit {limit:.0f}); release it before loosening a fitting."
    )
    return (*found, heat, pressure)


def cautions_about(scenario: Scenario, predictions: Sequence[Prediction]) -> tuple[str, ...]:
    """The lines that apply to running predicted programs, with their largest column flow."""
    column_flow = max((float(each.flow.max()) for each in predictions), default=None)
    return cautions(scenario, [each.program for each in predictions], column_flow)


def cautions_of(scenario: Scenario, outcome: SearchOutcome) -> tuple[str, ...]:
    """The lines that apply to what a search found: to its candidates, before them to changes it suggests."""
    found = cautions_about(scenario, [each.prediction for each in outcome.candidates])
    suggested = [line for each in outcome.what_ifs for line in each.cautions]
    return tuple(dict.fromkeys((*suggested, *found)))


def minutes_to_explosive(flow_mL_min: float) -> float:
    """Time [min] a leak of hydrogen needs to make the air of a closed, well mixed oven explosive."""
    return -math.log(1 - LOWEST_EXPLOSIVE_SHARE) * OVEN_LITRES * 1e3 / flow_mL_min


def about_hydrogen(scenario: Scenario, column_flow: float | None) -> list[str]:
    """The lines that hydrogen as carrier asks for, at the largest column flow [m3/s] of its programs where known."""
    return [
        f"Hydrogen explodes from {100 * LOWEST_EXPLOSIVE_SHARE:.0f} % in air: test for leaks, fit a sensor or a "
        "shut-off, and lead split vent and septum purge out of the room.",
        _leak(scenario, column_flow),
        "Shut hydrogen off at its source before opening the column, the inlet or the detector.",
        "Hydrogen can react with unsaturated analytes in hot parts: look for new peaks and shrinking ones.",
    ]


def _leak(scenario: Scenario, column_flow: float | None) -> str:
    """How fast a leak fills the oven: of the inlet's own total flow where it is known, else of two usual ones."""
    what = "What leaks is the total flow, not the column flow: into a closed oven of "
    inlet = scenario.inlet
    if column_flow is None or inlet.split_unknown:
        fast, slow = minutes_to_explosive(500), minutes_to_explosive(50)
        return (
            f"{what}{OVEN_LITRES:.0f} litres, 500 mL/min reach that share in {fast:.1f} min, 50 mL/min in "
            f"{slow:.0f} min."
        )
    total = float(flow_mL_min(inlet.total_flow(column_flow)))
    return (
        f"{what}about {OVEN_LITRES:.0f} litres, the largest total flow here, {total:.0f} mL/min, reaches that share "
        f"in some {minutes_to_explosive(total):.2g} min (a rough figure: ovens differ, and gas gathers)."
    )


def _above_continuous(scenario: Scenario, programs: Sequence[Program]) -> str | None:
    """Programs that use the column's short-term limit."""
    continuous = scenario.max_temperature
    highest = max((program.oven.highest for program in programs), default=0.0)
    if scenario.max_time_above_continuous <= 0 or highest <= continuous + 0.01:
        return None
    return (
        f"A program here runs above the column's continuous limit of {celsius(continuous):.0f} °C, to "
        f"{celsius(highest):.0f} °C: only for the short time that its maker allows (entered here as "
        f"{scenario.max_time_above_continuous / SECONDS_PER_MINUTE:g} min), and it shortens the column's life."
    )


def _decomposition(scenario: Scenario) -> list[str]:
    """Analytes that are stated to decompose."""
    names = [detail.compound for detail in scenario.analytes if detail.decomposition is not None]
    if not names:
        return []
    more = f" and {len(names) - 4} more" if len(names) > 4 else ""
    return [
        f"Stated to decompose: {', '.join(names[:4])}{more}. Decomposition can set toxic gas free, and energetic "
        "or unknown samples need a risk assessment of their own before they are heated; loss in a hot inlet or "
        "transfer line is not part of the prediction."
    ]


def _limits(scenario: Scenario, programs: Sequence[Program]) -> str:
    programmed = scenario.max_time_above_continuous > 0
    limit = scenario.max_programmed_temperature if programmed else scenario.max_temperature
    highest = max((program.oven.highest for program in programs), default=0.0)
    close = ""
    if highest > limit:
        close = f" (a program here passes it, to {celsius(highest):.0f} °C)"
    elif highest > limit - NEAR_LIMIT:
        close = f" (a program here goes to {celsius(highest):.0f} °C)"
    pressure = gauge_kPa(scenario.instrument.max_inlet_pressure, scenario.ambient_pressure)
    return (
        f"Stay below the temperature on the column's tag, entered here as {celsius(limit):.0f} °C{close}, and below "
        f"the pressure that inlet and gas supply are rated for, entered as {pressure:.0f} kPa gauge; a hot column "
        "without carrier gas is ruined."
    )


def _hotter_than_scouted(scenario: Scenario, programs: Sequence[Program]) -> str | None:
    """A sample has shown nothing about temperatures it was never at."""
    if not scenario.runs:  # what is run first has nothing to be hotter than
        return None
    highest = max((program.oven.highest for program in programs), default=0.0)
    scouted = max(run.program.oven.highest for run in scenario.runs)
    if highest <= scouted + 1.0:
        return None
    return (
        f"A program here heats the column to {celsius(highest):.0f} °C, the scouting runs only to "
        f"{celsius(scouted):.0f} °C: decomposition can set toxic gas free, and energetic or unknown samples need a "
        "risk assessment of their own first."
    )


def extrapolation(scenario: Scenario, low: float, high: float) -> tuple[str, ...]:
    """A sentence where temperatures from `low` to `high` [K] go beyond those of the scouting runs."""
    scouted = [T for run in scenario.runs for T in run.program.oven.knots()[1]]
    if not scouted:
        return ()
    beyond = [(low, min(min(scouted), high)), (max(max(scouted), low), high)]
    parts = [f"{celsius(a):.0f} to {celsius(b):.0f} °C" for a, b in beyond if b - a > BARELY_BEYOND]
    return (f"Extrapolates: {' and '.join(parts)} was not scouted.",) if parts else ()


@dataclass(frozen=True)
class LowerSplit:
    """A lower split ratio and what it allows; flows in m3/s.

    Attributes
    ----------
    limit : largest total flow
    flow : largest column flow of the program as it is
    old_ratio, ratio : as stated, and the one that would do
    allowed : column flow that it allows within the limit
    amount : times as much of the sample on the column; 1 where the vent is shut at the injection
    held_by : what keeps the ratio from being lower still; empty where nothing does
    """

    limit: float
    flow: float
    old_ratio: float
    ratio: float
    allowed: float
    amount: float
    held_by: str = ""

    @property
    def words(self) -> str:
        """What it gives."""
        column = f"a split ratio of {self.ratio:g}:1 in place of {self.old_ratio:g}:1"
        more = f", with {self.amount:.2g} times as much on the column" if self.amount > 1 else ""
        held = f" ({self.held_by} allows no lower one)" if self.held_by else ""
        return f"{column} would allow {flow_mL_min(self.allowed):.2g} mL/min{more}{held}"

    @property
    def text(self) -> str:
        """The whole as a sentence."""
        return (
            f"The largest total flow of {flow_mL_min(self.limit):g} mL/min holds the column flow at "
            f"{flow_mL_min(self.flow):.2g} mL/min: {self.words}."
        )


def lower_split(scenario: Scenario, flow: float) -> LowerSplit | None:
    """The ratio that would allow the usual speed-optimised flow; None where the total flow holds nothing down.

    total = F (1 + S) + purge: at the same total the injected band stays what it is, and the amount goes as 1/(1 + S).
    `flow` [m3/s] is the largest column flow of a program. The ratio is no lower than `min_split_ratio`, nor than what
    keeps stated amounts within the column's capacity.
    """
    from models.column.scaling import speed_optimised_flow  # takes scipy, which check does without

    inlet, instrument = scenario.inlet, scenario.instrument
    limit, ratio = inlet.max_total_flow, inlet.split_ratio
    if limit is None or ratio is None or inlet.total_flow(WORTH * flow) < limit:
        return None
    wanted = min(speed_optimised_flow(scenario.column, scenario.gas), instrument.largest_column_flow)
    room = limit - inlet.septum_purge
    best, held_by = math.floor(room / wanted - 1), ""
    for least, name in _bounds(scenario, ratio):
        if least > best:
            best, held_by = math.ceil(least), name
    if best <= 0 or best >= ratio or room / (1 + best) < WORTH * flow:
        return None
    amount = (1 + ratio) / (1 + best) if inlet.mode == "split" else 1.0
    return LowerSplit(limit, flow, ratio, best, min(room / (1 + best), wanted), amount, held_by)


def _bounds(scenario: Scenario, ratio: float) -> list[tuple[float, str]]:
    """Split ratios that a lower one may not pass, and what says so."""
    inlet, capacity = scenario.inlet, scenario.capacity
    bounds = [(inlet.min_split_ratio, "inlet.min_split_ratio")] if inlet.min_split_ratio is not None else []
    amounts = [detail.amount for detail in scenario.analytes if detail.amount is not None]
    if inlet.mode == "split" and capacity is not None and amounts:
        bounds.append((max(amounts) / capacity * (1 + ratio) - 1, "column.capacity_ng"))
    return bounds
