"""What a blank tells: the bleed of the column, as a scenario states it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated

from pydantic import Field

from models.column.programs import Program, batch_of
from models.column.system import Column, ColumnSystem
from models.errors import InvalidInputError
from models.peaks.bleed import Bleed, activation_energy, bleed_of_trace
from models.units import flow_si
from optimizer.base.errors import ScenarioError
from optimizer.base.quantities import ActivationEnergy, Flag, Flow, Name, PeakHeight, Temperature
from optimizer.base.tables import Table, key


@dataclass(frozen=True, kw_only=True)
class BlankLevel(Table):
    """The level of a blank at rest."""

    temperature: Annotated[Temperature, key("at_C")]
    """the oven's temperature, held until the level stayed"""
    level: Annotated[PeakHeight, key("level_per_s")]
    """how far above the level of the cool column, in the unit of the areas per second"""
    flow: Annotated[Flow | None, key("flow_mL_min")] = None
    """column flow then; with `concentration` alone"""


@dataclass(frozen=True, kw_only=True)
class ColumnBleed(Table):
    """What the column gives off, by a blank."""

    levels: Annotated[
        tuple[BlankLevel, ...],
        Field(max_length=2),
        key(expected="1 or 2 levels", unless_stated="from `trace`"),
    ] = ()
    """levels of a blank at rest, the colder first"""
    trace: Annotated[Name | None, key(expected="file name")] = None
    """in their place a blank's recorded trace, relative to the scenario file"""
    like_run: Annotated[Name | None, key(expected="name of a run")] = None
    """the scouting run whose program that blank was made with"""
    activation_energy: Annotated[
        ActivationEnergy | None, key("activation_energy_kJ_per_mol", unless_stated="from two levels")
    ] = None
    """of one level alone; published for bulk polydimethylsiloxane are 163 to 188, which films need not follow"""
    concentration: Flag = False
    """whether the detector measures concentration, so that the level falls as column flow and make-up rise"""
    max_level: Annotated[PeakHeight | None, key("max_level_per_s")] = None
    """highest level at the last target or internal standard, in the unit of `level_per_s`; a requirement"""

    def measured(self, make_up: float) -> Bleed:
        """What the levels say, with the make-up [m3/s] that detectors of concentration see as well."""
        amounts = [
            each.level * ((each.flow or 0.0) + make_up if self.concentration else 1.0) for each in self.levels
        ]
        temperatures = [each.temperature for each in self.levels]
        energy = self.activation_energy
        if energy is None:
            energy = activation_energy((temperatures[0], amounts[0]), (temperatures[-1], amounts[-1]))
        return Bleed(amounts[-1], temperatures[-1], energy)


def with_trace(
    bleed: ColumnBleed, folder: Path, system: ColumnSystem, program: Program, make_up: float
) -> ColumnBleed:
    """The bleed with what its trace says: the level at the hottest of the program, and the energy.

    Raises
    ------
    ScenarioError : naming the file and what is wrong with it
    """
    from optimizer.runs.trace_files import read_trace  # here: it takes scipy, which check does without

    assert bleed.trace is not None
    origin = "column.bleed.trace"
    trace = read_trace(folder / bleed.trace, origin)
    asked = f'{origin} = "{bleed.trace}"'
    if not trace.times.size:
        raise ScenarioError(f"{asked}: holds no readings, only a list of peaks; export the trace itself")
    dilutes = make_up if bleed.concentration else None
    try:
        found = bleed_of_trace(system, batch_of([program]), trace.times, trace.signal, dilutes)
    except InvalidInputError as error:
        raise ScenarioError(
            f"{asked}: {error}; a blank must be run as hot as the bleed counts, by the program of like_run; else "
            "state levels"
        ) from None
    # At any flow where the flow counts: what is stated of one is divided by it again.
    flow = flow_si(1.0) if bleed.concentration else None
    divided = found.level if flow is None else found.level / (flow + make_up)
    level = BlankLevel(temperature=found.temperature, level=divided, flow=flow)
    return replace(bleed, levels=(level,), activation_energy=found.activation_energy)


def on_column(bleed: ColumnBleed | None, old: Column, new: Column) -> ColumnBleed | None:
    """What another column of the same phase gives off: as much more as it has more film."""
    if bleed is None or not old.film_thickness:
        return bleed
    more = (new.length * new.inner_diameter * new.film_thickness) / (
        old.length * old.inner_diameter * old.film_thickness
    )
    return replace(bleed, levels=tuple(replace(each, level=each.level * more) for each in bleed.levels))
