"""Limits that are wishes, not of column or instrument: each can be given up, alone or with all of its kind."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from models.units import SECONDS_PER_MINUTE, celsius
from optimizer.scenario.data import AnalyteDetail, Scenario


@dataclass(frozen=True)
class Wish:
    """One wish.

    Attributes
    ----------
    name : str, that of its limit
    kind : str, of several wishes in words, e.g. "elution temperatures"
    change : str, giving it up in words
    without : Scenario, the same without it
    """

    name: str
    kind: str
    change: str
    without: Scenario


def wishes_of(scenario: Scenario) -> Iterator[Wish]:
    """Every wish of a scenario but resolution."""
    goal = scenario.goal
    minute = SECONDS_PER_MINUTE
    if goal.latest_elution is not None:
        text = f"peaks later than {goal.latest_elution / minute:g} min"
        without = replace(scenario, goal=replace(goal, latest_elution=None))
        yield Wish("latest elution", "latest elution", text, without)
    if goal.earliest_elution > 0:
        text = f"peaks earlier than {goal.earliest_elution / minute:g} min"
        without = replace(scenario, goal=replace(goal, earliest_elution=0.0))
        yield Wish("earliest elution", "earliest elution", text, without)
    if goal.min_retention_factor > 0:
        text = f"retention factors at elution below {goal.min_retention_factor:g}"
        without = replace(scenario, goal=replace(goal, min_retention_factor=0.0))
        yield Wish("retention factor at elution", "retention factor", text, without)
    for detail in scenario.analytes:
        yield from _of_analyte(scenario, detail)
    for number, rule in enumerate(scenario.pairs):
        if rule.in_order:
            pairs = (*scenario.pairs[:number], replace(rule, in_order=False), *scenario.pairs[number + 1 :])
            text = f"{rule.a} and {rule.b} in either order"
            yield Wish(f"{rule.a} before {rule.b}", "orders of elution", text, replace(scenario, pairs=pairs))


def _of_analyte(scenario: Scenario, detail: AnalyteDetail) -> Iterator[Wish]:
    name = detail.compound
    if detail.near is not None:
        text = f"{name} further than {detail.near.within / SECONDS_PER_MINUTE:g} min from its compounds"
        without = _with(scenario, replace(detail, near=None))
        yield Wish(f"{name} near its compounds", "internal standards near their compounds", text, without)
    if detail.max_elution_temperature is not None:
        text = f"{name} leaving above {celsius(detail.max_elution_temperature):.0f} °C"
        without = _with(scenario, replace(detail, max_elution_temperature=None))
        yield Wish(f"elution temperature of {name}", "elution temperatures", text, without)
    if detail.max_time_above is not None:
        text = f"{name} longer above {celsius(detail.max_time_above.temperature):.0f} °C"
        without = _with(scenario, replace(detail, max_time_above=None))
        yield Wish(f"time of {name} above a temperature", "times above a temperature", text, without)
    if detail.min_intact_fraction is not None:
        text = f"less than {100 * detail.min_intact_fraction:g} % of {name} intact"
        without = _with(scenario, replace(detail, min_intact_fraction=None))
        yield Wish(f"intact fraction of {name}", "intact fractions", text, without)


def _with(scenario: Scenario, detail: AnalyteDetail) -> Scenario:
    """The scenario with what it says about one analyte replaced."""
    analytes = tuple(detail if each.compound == detail.compound else each for each in scenario.analytes)
    return replace(scenario, analytes=analytes)


def without(scenario: Scenario, names: Iterable[str]) -> Scenario:
    """The scenario without the wishes of these names."""
    left = set(names)
    while left:
        wish = next((each for each in wishes_of(scenario) if each.name in left), None)
        if wish is None:
            break
        scenario = wish.without
        left.discard(wish.name)
    return scenario


def by_kind(scenario: Scenario) -> dict[str, list[Wish]]:
    """All wishes but resolution, those of a kind together."""
    kinds: dict[str, list[Wish]] = {}
    for wish in wishes_of(scenario):
        kinds.setdefault(wish.kind, []).append(wish)
    return kinds
