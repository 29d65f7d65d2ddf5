"""A method on every column that the laboratory owns: carried over to each with each gas, then searched on the best few.

The carried program is simulated in all draws, so that one look ranks the columns; a search costs a thousand times as
much and goes to those that are worth it. Columns are compared by what a bench pays for: probability, time, cycle time,
pressure and flow. On the front are those that no other one beats or equals in all five.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Annotated

import numpy as np

from models.column.carrier_gas import CarrierGas, carrier_gas
from models.column.programs import Program
from models.errors import InvalidInputError, OutsideValidityError
from models.fit.fit import Fit
from optimizer.base.clock import Progress
from optimizer.base.numbers import MINUTES, SHARE, Rounded
from optimizer.base.quantities import KPA_GAUGE, METRE, ML_MIN, MM, UM
from optimizer.base.tables import key
from optimizer.goal.cycle import cycle_time
from optimizer.goal.goal import Problem
from optimizer.goal.outcome import Prediction, SearchOutcome
from optimizer.goal.split import largest_total_flow
from optimizer.methods.adapt import Adapted, adapt
from optimizer.methods.adapt_options import Change
from optimizer.methods.trials import shown_as
from optimizer.methods.workflow import optimize
from optimizer.scenario.data import Scenario
from optimizer.scenario.instrument_data import OwnedColumn
from optimizer.search.reasons import broken_equipment, meets_goal

SEARCHED = 3  # columns and gases that a search follows on
ALIKE = (
    0.01,
    0.6,
    0.6,
    1e3,
    1e-9,
)  # of probability, times [s], pressure [Pa], flow [m3/s]: differences that say nothing


@dataclass(frozen=True)
class OnColumn:
    """A method on one column with one gas: as carried over, and what a search found there.

    Attributes
    ----------
    owned : the column
    gas : its name
    made : the carried method; None where it cannot be carried
    outcome : of the search; None without one
    refused : why it cannot be carried
    """

    owned: OwnedColumn
    gas: Annotated[str, key()]
    made: Adapted | None = None
    outcome: SearchOutcome | None = None
    refused: Annotated[str, key()] = ""

    @property
    def column(self) -> Annotated[str, key()]:
        """Its name."""
        return self.owned.name

    @property
    def length(self) -> Annotated[float, Rounded(METRE, 6, shown="g"), key("length_m")]:
        """As entered."""
        return self.owned.length

    @property
    def inner_diameter(
        self,
    ) -> Annotated[float, Rounded(MM, shown="g"), key("inner_diameter_mm")]:
        """As entered."""
        return self.owned.inner_diameter

    @property
    def film_thickness(
        self,
    ) -> Annotated[float, Rounded(UM, shown="g"), key("film_thickness_um")]:
        """As entered."""
        return self.owned.film_thickness

    @property
    def program_is(self) -> Annotated[str, key("program")]:
        """Where its program comes from: carried, or searched for; none where it cannot be carried."""
        return "none" if self.made is None else "carried" if self.outcome is None else "searched"

    @cached_property
    def problem(self) -> Problem | None:
        """Fit and goal on this column."""
        return None if self.made is None else self.made.new

    @cached_property
    def prediction(self) -> Prediction | None:
        """Of the program that is shown: the best that was searched for, else the carried one."""
        if self.outcome is not None and self.outcome.candidates:
            return self.outcome.candidates[0].prediction
        return None if self.made is None else self.made.after

    @property
    def program(self) -> Program | None:
        """That program."""
        return None if self.prediction is None else self.prediction.program

    @property
    def pass_probability(
        self,
    ) -> Annotated[float, SHARE, key("pass_probability")]:
        """Probability of meeting every requirement (simulated); 0 without a program."""
        if self.outcome is not None and self.outcome.candidates:
            return self.outcome.candidates[0].reliability.share
        return 0.0 if self.made is None else self.made.pass_probability

    @property
    def run_time(self) -> Annotated[float, MINUTES, key("run_time_min")]:
        """Of that program."""
        return math.nan if self.prediction is None else self.prediction.run_time

    @property
    def cycle_time(self) -> Annotated[float, MINUTES, key("cycle_time_min")]:
        """From injection to injection; nan where the oven must cool and no `cool_down` is stated."""
        if self.prediction is None or self.problem is None:
            return math.nan
        return cycle_time(self.problem.scenario, self.prediction.program, self.prediction.run_time)

    @property
    def pressure(
        self,
    ) -> Annotated[
        float,
        Rounded(KPA_GAUGE, decimals=1, shown=".0f"),
        key("inlet_highest_kPa"),
    ]:
        """Highest inlet pressure."""
        return math.nan if self.prediction is None else float(self.prediction.inlet_pressure.max())

    @property
    def flow(
        self,
    ) -> Annotated[float, Rounded(ML_MIN, shown=".2f"), key("flow_largest_mL_min")]:
        """Largest column flow."""
        return math.nan if self.prediction is None else float(self.prediction.flow.max())

    @property
    def total_flow(
        self,
    ) -> Annotated[float, Rounded(ML_MIN, shown=".0f"), key("total_flow_largest_mL_min")]:
        """Largest total flow; column flow and septum purge alone where no split ratio is stated."""
        if self.prediction is None or self.problem is None:
            return math.nan
        return largest_total_flow(self.problem.scenario, self.prediction)

    @cached_property
    def breaks(self) -> Annotated[tuple[str, ...], key("breaks_equipment")]:
        """Limits of column and instrument that the program breaks, each with its value."""
        if self.prediction is None or self.problem is None:
            return ()
        return broken_equipment(self.problem, self.prediction)

    @property
    def meets(self) -> Annotated[bool, key("meets_goal")]:
        """Whether the program meets the goal, as probably as asked."""
        if self.outcome is not None and self.outcome.candidates:
            return self.outcome.candidates[0].feasible
        made = self.made
        return made is not None and meets_goal(made.new, made.after, made.pass_probability)

    @property
    def lacking(self) -> float:
        """Share of the resolution it needs that the worst pair lacks; 0 where none does."""
        if self.prediction is None or not len(self.prediction.needed):
            return 0.0
        return max(0.0, 1 - float((self.prediction.resolution / self.prediction.needed).min()))

    @property
    def cost(self) -> float:
        """What the goal minimises [s]: run or cycle time."""
        by_cycle = self.problem is not None and self.problem.scenario.goal.minimise == "cycle time"
        return self.cycle_time if by_cycle else self.run_time


@dataclass(frozen=True)
class ColumnChoice:
    """A method on every owned column with every gas, the best first.

    Attributes
    ----------
    scenario : Scenario
    """

    scenario: Scenario
    each: Annotated[tuple[OnColumn, ...], key("columns")]

    @cached_property
    def front(self) -> tuple[OnColumn, ...]:
        """Those that no other one beats or equals in probability, time, cycle time, pressure and flow."""
        able = [one for one in self.each if one.prediction is not None and not one.breaks]
        return tuple(one for one in able if not any(_beats(other, one) for other in able))

    @property
    def best(self) -> OnColumn | None:
        """The fastest that meets the goal; None where none does."""
        return next((one for one in self.each if one.meets), None)


def choose_column(
    scenario: Scenario,
    fit: Fit,
    method: Program,
    seconds: float | None = None,
    rounds: int | None = None,
    progress: Progress | None = None,
    searched: int = SEARCHED,
) -> ColumnChoice:
    """Carry a method to every column and gas, then search on the best few.

    Parameters
    ----------
    seconds, rounds : budget of all searches together [s], or of each in rounds; the scenario's time when both are None
    searched : on how many columns and gases a search follows; 0 for none

    Raises
    ------
    InvalidInputError : when the scenario names no columns
    """
    if not scenario.columns:
        raise InvalidInputError(
            f"{scenario.path}: there are no [[columns]] to try; state each that you own with name, length_m, "
            "inner_diameter_mm, film_thickness_um and max_temperature_C"
        )
    screened = [
        _carried(scenario, fit, method, owned, gas)
        for owned in scenario.columns
        for gas in owned.gases or (scenario.gas.name,)
    ]
    screened.sort(key=_rank)
    able = [n for n, each in enumerate(screened) if each.made is not None][:searched]
    budget = scenario.search.seconds if seconds is None else seconds
    for number, n in enumerate(able):
        shown = shown_as(progress, f"{screened[n].owned.name}, {screened[n].gas}", number, len(able))
        share = None if rounds is not None else budget / len(able)
        screened[n], interrupted = _searched(screened[n], share, rounds, shown)
        if interrupted:
            break
    return ColumnChoice(scenario, tuple(sorted(screened, key=_rank)))


def on_owned(scenario: Scenario, owned: OwnedColumn) -> Scenario:
    """The scenario with the limits of an owned column, dimensions left as they are."""
    coldest = scenario.min_temperature if owned.min_temperature is None else owned.min_temperature
    return replace(
        scenario,
        min_temperature=coldest,
        max_temperature=owned.max_temperature,
        max_programmed_temperature=owned.max_temperature,
        max_time_above_continuous=0.0,
        capacity=owned.capacity,
    )


def change_to(owned: OwnedColumn, gas: CarrierGas | None = None) -> Change:
    """What changes with an owned column, and with it the gas where one is named."""
    return Change(
        gas=gas,
        length=owned.length,
        inner_diameter=owned.inner_diameter,
        film_thickness=owned.film_thickness,
    )


def _carried(scenario: Scenario, fit: Fit, method: Program, owned: OwnedColumn, gas: str) -> OnColumn:
    change = change_to(owned, carrier_gas(gas))
    try:
        return OnColumn(owned, gas, adapt(on_owned(scenario, owned), fit, method, change))
    except (InvalidInputError, OutsideValidityError) as error:
        return OnColumn(owned, gas, refused=str(error))


def _searched(
    on: OnColumn, seconds: float | None, rounds: int | None, progress: Progress | None
) -> tuple[OnColumn, bool]:
    """With a search, and whether a Ctrl-C ended it."""
    assert on.made is not None
    new = on.made.new
    _, outcome = optimize(new.scenario, new.fit, seconds, progress, what_if=False, rounds=rounds)
    found = outcome if outcome.candidates else None
    return OnColumn(on.owned, on.gas, on.made, found), outcome.interrupted


def _rank(on: OnColumn) -> tuple[bool, bool, bool, float, float, float]:
    """Sorting key: what meets the goal by time; then by probability and by the resolution that is lacking; what breaks
    the equipment, or is refused, last."""
    cost = on.cost if math.isfinite(on.cost) else math.inf
    missed = (0.0, 0.0) if on.meets else (-round(on.pass_probability, 2), on.lacking)
    return on.made is None, bool(on.breaks), not on.meets, *missed, cost


def _beats(a: OnColumn, b: OnColumn) -> bool:
    """Whether one is no worse in all that counts, and better in something."""
    step = np.array(ALIKE)
    first, second = (np.nan_to_num(_counts(each)) for each in (a, b))
    return bool((first <= second + step).all() and (first < second - step).any())


def _counts(on: OnColumn) -> Sequence[float]:
    """What counts, less being better: probability, times [s], pressure [Pa], flow [m3/s]."""
    return (-on.pass_probability, on.run_time, on.cycle_time, on.pressure, on.flow)
