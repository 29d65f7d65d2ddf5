"""How right the package is about how sure it is, held against an instrument that is not its model.

Every mixture is scouted on the other instrument, read and fitted as a user's would be, and a few other programs are
predicted: heating rates within and a little beyond those scouted, other flows, on another day. What the package says is
compared with what the instrument truly does. Only `predicted` asks the package how sure it is.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields
from itertools import chain, cycle
from pathlib import Path

import numpy as np
from scipy.special import ndtri

from benchmarks.scouted_mixtures import (
    AMBIENT,
    DAY_TO_DAY,
    FASTER,
    KINDS,
    PREDICTED,
    Mixture,
    ProgramTable,
    mixture,
    on_days_of_their_own,
    program_lines,
    with_formulas,
    write_scenario,
)
from benchmarks.shares import rms_by_group, share_by_group
from models.column.programs import Array, Program, batch_of
from models.peaks.resolution import BASE_WIDTH_PER_HALF, resolution
from optimizer.goal.goal import Problem, problem_of
from optimizer.goal.predict import predict
from optimizer.methods.workflow import fit_scenario
from optimizer.scenario.reading import load_scenario, read_program

MIXTURES, SAMPLE_MIXTURES = 100, 40
NORMAL_95 = 1.96  # standard deviations on either side that hold 95 % of a normal distribution
WANTED = (0.90, 0.98)  # share of 95 % intervals that should hold the truth
WANTED_RMS, WANTED_INSIDE = (
    (0.9, 1.15),
    (0.93, 0.97),
)  # of errors over their standard deviation; of all together
SAID = (0.5, 0.7, 0.9, 0.97)  # pass probabilities that programs are held to
LEAST_ASKED = 0.5  # resolution below which nobody asks for any
HELD_OUT = range(100, 200)  # mixtures on which nothing is tuned
OWN_CLASSES = (
    "cycloalkane",
    "sulphur",
)  # that only these have; every other instrument is in worse condition
CLOSE = 3.0  # resolution below which two neighbours are close: only these decide anything


@dataclass(frozen=True)
class Predicted:
    """Peaks of M compounds under one program, and D draws of what they may truly be.

    Attributes
    ----------
    retention, width_half : (M,) arrays  [s]
    retention_draws, width_draws : (D, M) arrays  [s], the latter at half height
    """

    retention: Array
    width_half: Array
    retention_draws: Array
    width_draws: Array


Source = Callable[[Problem, Program], Predicted]


def predicted(problem: Problem, program: Program) -> Predicted:
    """What the package says of a program: its accurate prediction, and the draws that the robust goal counts."""
    said = predict(problem, program)
    t, w = said.retention, said.width_half
    draws = problem.robustness.peaks(batch_of([program]), t[None], w[None])
    return Predicted(t, w, draws.retention[0].T, draws.width[0].T)


@dataclass(frozen=True)
class Compared:
    """Predicted held against true, in one array an entry; z is the error in predicted standard deviations.

    Attributes
    ----------
    time, time_percent, time_z : of retention times  [s], [%], [-]
    difference, difference_z : of the difference of neighbours in predicted order  [mean base widths], [-]
    close_difference, close_difference_z : the same of close neighbours alone
    width_percent, width_z : of widths at half height  [%], [-]
    resolution, resolution_z : of close neighbours' resolution, negative when their order changes  [-]
    smallest, smallest_inside : of the smallest resolution of a program, and whether the draws' 95 % hold it
    smallest_z : what share of the draws is below the truth, as a normal deviate
    holds : (programs, 4) array, whether the smallest resolution is what as many draws as SAID have at least; nan where
        that is below LEAST_ASKED
    """

    time: Array
    time_percent: Array
    time_z: Array
    difference: Array
    difference_z: Array
    close_difference: Array
    close_difference_z: Array
    width_percent: Array
    width_z: Array
    resolution: Array
    resolution_z: Array
    smallest: Array
    smallest_inside: Array
    smallest_z: Array
    holds: Array


Groups = Mapping[str, Sequence[Compared]]  # of each kind of scouting, its mixtures


def joined(parts: Sequence[Compared]) -> Compared:
    """Several comparisons as one."""
    return Compared(
        *(np.concatenate([getattr(part, each.name) for part in parts]) for each in fields(Compared))
    )


def smallest_resolution(t: Array, w: Array) -> Array:
    """Smallest resolution of neighbours, (...,) from (..., M)."""
    order = np.argsort(t, axis=-1)
    t, w = np.take_along_axis(t, order, axis=-1), np.take_along_axis(w, order, axis=-1)
    found: Array = resolution(t[..., :-1], t[..., 1:], w[..., :-1], w[..., 1:]).min(axis=-1)
    return found


def compare(said: Predicted, t: Array, w: Array) -> Compared:
    """Hold a prediction against the true times and half-height widths (M,) [s]."""
    order = np.argsort(said.retention)
    t, w = t[order], w[order]
    t_said, w_said = said.retention[order], said.width_half[order]
    t_drawn, w_drawn = said.retention_draws[:, order], said.width_draws[:, order]

    def pairs(times: Array, widths: Array) -> Array:
        return resolution(times[..., :-1], times[..., 1:], widths[..., :-1], widths[..., 1:])

    base = BASE_WIDTH_PER_HALF * (w[:-1] + w[1:]) / 2
    between = np.diff(t_said) - np.diff(t)
    between_z = between / np.diff(t_drawn, axis=1).std(axis=0)
    close = pairs(t_said, w_said) < CLOSE
    off = pairs(t_said, w_said) - pairs(t, w)
    drawn = smallest_resolution(t_drawn, w_drawn)
    low, high = np.quantile(drawn, (0.025, 0.975))
    smallest = float(smallest_resolution(t, w))
    asked = np.quantile(drawn, 1 - np.array(SAID))
    below = (float((drawn < smallest).sum()) + 0.5) / (len(drawn) + 1)
    return Compared(
        time=t_said - t,
        time_percent=100 * (t_said / t - 1),
        time_z=(t_said - t) / t_drawn.std(axis=0),
        difference=between / base,
        difference_z=between_z,
        close_difference=(between / base)[close],
        close_difference_z=between_z[close],
        width_percent=100 * (w_said / w - 1),
        width_z=(w_said - w) / w_drawn.std(axis=0),
        resolution=off[close],
        resolution_z=(off / pairs(t_drawn, w_drawn).std(axis=0))[close],
        smallest=np.array([float(smallest_resolution(t_said, w_said)) - smallest]),
        smallest_inside=np.array([float(low <= smallest <= high)]),
        smallest_z=np.array([float(ndtri(below))]),
        holds=np.where(asked < LEAST_ASKED, np.nan, smallest >= asked)[None],
    )


def problem_in(folder: Path) -> Problem:
    """The scenario in a folder, fitted."""
    scenario = load_scenario(folder)
    return problem_of(scenario, fit_scenario(scenario))


def program_in(folder: Path, table: ProgramTable) -> Program:
    """A program written and read as a user's."""
    file = folder / "program.toml"
    file.write_text("\n".join(program_lines(table)) + "\n", encoding="utf-8")
    return read_program(file, AMBIENT)


def held_against_truth(drawn: Mixture, source: Source = predicted) -> Compared:
    """Scout and fit a mixture and compare all its other programs."""
    return joined(each_held_against_truth(drawn, drawn.programs, source))


def each_held_against_truth(
    drawn: Mixture, programs: Sequence[ProgramTable], source: Source = predicted
) -> list[Compared]:
    """Scout and fit a mixture and compare programs of its days, one by one."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_scenario(drawn, folder)
        problem = problem_in(folder)
        rows = [drawn.compounds.index(compound) for compound in problem.scenario.compounds]
        parts = []
        for table, day in zip(programs, cycle(drawn.days)):
            t, w = drawn.truth(table, day)
            parts.append(compare(source(problem, program_in(folder, table)), t[rows], w[rows]))
    return parts


Parts = Sequence[Sequence[Compared]]  # of each mixture, its programs


def at_all_flows(mixtures: Sequence[Mixture]) -> Parts:
    """The programs of mixtures held against the truth one by one, the faster ones last."""
    return [each_held_against_truth(each, (*each.programs, *each.faster)) for each in mixtures]


def faster_ones(found: Parts) -> list[Compared]:
    """Of each mixture, the programs at flows far beyond the scouted."""
    return [joined(parts[PREDICTED:]) for parts in found]


def width_table(without: Parts, stated: Parts) -> list[str]:
    """How well widths are predicted at flows as scouted and faster, without and with formulas."""
    lines = [
        "| flow over the scouted | formulas | widths | bias, % | size, % | root mean square over sd | inside 95 % |",
        "|---|---|---|---|---|---|---|",
    ]
    last = len(without[0]) - 1
    flows = {"0.75 to 1.4": range(PREDICTED), "1.5 to 4": range(PREDICTED, last), "4": range(last, last + 1)}
    for words, found in (("none", without), ("stated", stated)):
        for flow, which in flows.items():
            groups = [joined([parts[i] for i in which]) for parts in found]
            c = joined(groups)
            lines.append(
                f"| {flow} | {words} | {len(c.width_z)} | {np.median(c.width_percent):+.1f} | "
                f"{_spread(c.width_percent, 1)} | {np.sqrt(np.mean(c.width_z**2)):.2f} | {_share('width_z', groups)} |"
            )
    return lines


def _share(name: str, mixtures: Sequence[Compared]) -> str:
    """Share of the 95 % intervals that hold the truth, of the errors of a name."""
    return share_by_group([np.abs(getattr(c, name)) <= NORMAL_95 for c in mixtures])


def _spread(values: Array, digits: int) -> str:
    """Median and 95th percentile of the size of errors."""
    size = np.abs(values)
    return f"{np.median(size):.{digits}f} / {np.quantile(size, 0.95):.{digits}f}"


def error_table(groups: Groups) -> list[str]:
    """How large the errors of some groups of comparisons are."""
    lines = [
        "| scouting | times | retention, s | retention, % | neighbours' difference, base widths | of close ones | "
        "width, % | close neighbours' Rs | smallest Rs |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for name, mixtures in groups.items():
        c = joined(mixtures)
        lines.append(
            f"| {name} | {len(c.time)} | {_spread(c.time, 2)} | {_spread(c.time_percent, 3)} | "
            f"{_spread(c.difference, 3)} | {_spread(c.close_difference, 3)} | {_spread(c.width_percent, 1)} | "
            f"{_spread(c.resolution, 3)} | {_spread(c.smallest, 3)} |"
        )
    return lines


def share_table(groups: Groups) -> list[str]:
    """How often the intervals of some groups of comparisons hold the truth."""
    lines = [
        "| scouting | retention | neighbours' difference | of close ones | width | close neighbours' Rs | smallest |",
        "|---|---|---|---|---|---|---|",
    ]
    for name, mixtures in groups.items():
        errors = ("time_z", "difference_z", "close_difference_z", "width_z", "resolution_z")
        shares = [_share(each, mixtures) for each in errors]
        shares.append(share_by_group([c.smallest_inside > 0 for c in mixtures]))
        lines.append(f"| {name} | {' | '.join(shares)} |")
    return lines


def calibration_table(mixtures: Sequence[Compared]) -> list[str]:
    """How large errors are in their standard deviations, and how many 95 % intervals hold the truth."""
    names = {
        "times": "time_z",
        "neighbours' differences": "difference_z",
        "widths": "width_z",
        "close neighbours' resolutions": "resolution_z",
        "pass probabilities": "smallest_z",
    }
    lines = ["| of | how many | root mean square over sd | inside 95 % | met |", "|---|---|---|---|---|"]
    for words, name in names.items():
        z = np.concatenate([getattr(c, name) for c in mixtures])
        rms, inside = float(np.sqrt(np.mean(z**2))), float(np.mean(np.abs(z) <= NORMAL_95))
        spread = rms_by_group([getattr(c, name) for c in mixtures])
        met = [
            "yes" if low <= round(value, 3) <= high else "no"
            for value, (low, high) in ((rms, WANTED_RMS), (inside, WANTED_INSIDE))
        ]
        lines.append(f"| {words} | {z.size} | {spread} | {_share(name, mixtures)} | {', '.join(met)} |")
    return lines


def reliability_table(mixtures: Sequence[Compared]) -> list[str]:
    """Of programs that are said to hold with some probability, how many do."""
    lines = ["| said to hold | programs | hold |", "|---|---|---|"]
    for k, said in enumerate(SAID):
        found = [c.holds[:, k] for c in mixtures]
        known = [each[~np.isnan(each)] > 0 for each in found]
        lines.append(f"| {100 * said:.0f} % | {sum(map(len, known))} | {share_by_group(known)} |")
    return lines


def how_sure(mixtures: Sequence[Compared]) -> list[str]:
    """Both tables, with what they are."""
    return [
        f"Errors over their standard deviations (wanted: {WANTED_RMS[0]:g} to {WANTED_RMS[1]:g}; inside "
        f"{100 * WANTED_INSIDE[0]:.0f} to {100 * WANTED_INSIDE[1]:.0f} %), of all ways of scouting; of pass "
        "probabilities the place of the true smallest resolution among the draws, as a normal deviate:",
        "",
        *calibration_table(mixtures),
        "",
        "Every program is asked for the smallest resolution that so many of its draws have at least, where that is "
        f"{LEAST_ASKED:g} or more, so that it is said to hold with this probability:",
        "",
        *reliability_table(mixtures),
    ]


def at_faster_flows(found: Parts) -> list[str]:
    """Both tables of programs at flows far beyond the scouted."""
    return [
        f"The same of as many programs at {FASTER[0]:g} to {FASTER[1]:g} times the scouted flow, a third of them at "
        f"{FASTER[1]:g}, heated up to as many times faster:",
        "",
        *calibration_table(faster_ones(found)),
        "",
        *reliability_table(faster_ones(found)),
    ]


def verdict(c: Compared) -> str:
    """Which shares lie within what is wanted."""
    shares = {
        "retention": np.abs(c.time_z) <= NORMAL_95,
        "difference": np.abs(c.difference_z) <= NORMAL_95,
        "width": np.abs(c.width_z) <= NORMAL_95,
        "resolution": np.abs(c.resolution_z) <= NORMAL_95,
    }
    low, high = WANTED
    words = [
        f"{name} {'met' if low <= float(np.mean(inside)) <= high else 'missed'}"
        for name, inside in shares.items()
    ]
    return f"Wanted: {100 * low:.0f} to {100 * high:.0f} %; {', '.join(words)}."


def by_kind(mixtures: Sequence[Mixture], found: Sequence[Compared]) -> Groups:
    """What was found of mixtures, by how they were scouted, and all together."""
    parts: dict[str, list[Compared]] = {kind: [] for kind in KINDS}
    for drawn, each in zip(mixtures, found, strict=True):
        parts[drawn.kind].append(each)
    groups = {kind: each for kind, each in parts.items() if each}
    return {**groups, "all": list(chain.from_iterable(groups.values()))}


def run(sample: bool) -> str:
    """A section of benchmarks/RESULTS.md."""
    count = SAMPLE_MIXTURES if sample else MIXTURES
    drawn = [mixture(seed, without=OWN_CLASSES) for seed in range(count)]
    found = at_all_flows(drawn)
    groups = by_kind(drawn, [joined(parts[:PREDICTED]) for parts in found])
    other_days = [on_days_of_their_own(each) for each in drawn]
    apart = by_kind(other_days, [held_against_truth(each) for each in other_days])
    lines = [
        "## Calibration",
        "",
        f"{count} mixtures of 8 to 16 compounds on an instrument that is not the model, "
        f"{len(joined(groups['all']).smallest)} other programs predicted, each on another day: oven within "
        f"{DAY_TO_DAY[0]:g} °C and carrier within "
        f"{DAY_TO_DAY[1]:g} % of the scouting runs', as the scenarios state. Errors are predicted less true, of which "
        "the median and the 95th percentile of the size. Close are neighbours predicted to have a resolution below "
        f"{CLOSE:g}.",
        "",
        *error_table(groups),
        "",
        "Share of the 95 % intervals that hold the truth (1.96 standard deviations of the draws on either side; of the "
        "smallest resolution the middle 95 % of the draws); in brackets the interval of mixtures drawn anew:",
        "",
        *share_table(groups),
        "",
        verdict(joined(groups["all"])),
        "",
        *how_sure(groups["all"]),
        "",
        *at_faster_flows(found),
        "",
        "Widths by flow, where no formula of a compound is stated and where all are; the size of errors as above:",
        "",
        *width_table(found, at_all_flows([with_formulas(each) for each in drawn])),
        "",
        "The same mixtures with every scouting run made on a day of its own, off by as much, and named as such:",
        "",
        *error_table(apart),
        "",
        *share_table(apart),
        "",
        verdict(joined(apart["all"])),
    ]
    print("\n".join(lines), flush=True)
    return "\n".join(lines) + "\n"


def run_held_out(sample: bool) -> str:
    """The same of mixtures on which nothing is tuned: to be run when all else is done."""
    seeds = HELD_OUT[:SAMPLE_MIXTURES] if sample else HELD_OUT
    drawn = [mixture(seed, without=(), poor=bool(seed % 2)) for seed in seeds]
    found = at_all_flows(drawn)
    usual = [joined(parts[:PREDICTED]) for parts in found]
    groups = by_kind(drawn, usual)
    poor = [each for seed, each in zip(seeds, usual, strict=True) if seed % 2]
    lines = [
        "## Calibration, held out",
        "",
        f"Mixtures {seeds[0]} to {seeds[-1]}, with compounds of two more classes ({', '.join(OWN_CLASSES)}); every "
        "other one on an instrument whose column was cut by up to 2.5 % and whose oven is off by up to 1 % of its "
        "distance from 25 °C. Otherwise as above; nothing was tuned on them.",
        "",
        *error_table({"all": groups["all"]}),
        "",
        *share_table(groups),
        "",
        *how_sure(groups["all"]),
        "",
        *at_faster_flows(found),
        "",
        "On instruments in worse condition alone, at flows as scouted:",
        "",
        *calibration_table(poor),
    ]
    print("\n".join(lines), flush=True)
    return "\n".join(lines) + "\n"
