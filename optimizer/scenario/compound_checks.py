"""Checks of what a scenario file says about compounds: its analytes, pairs and groups."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from graphlib import CycleError, TopologicalSorter
from itertools import combinations

from models.units import celsius
from optimizer.scenario.data import AnalyteDetail, PairRule
from optimizer.scenario.given_values import Given
from optimizer.scenario.method_checks import temperature_range
from optimizer.scenario.schema import ScenarioTable

# What a pair may ask for, as a message writes it, and why two of them cannot stand together.
PAIR_CONFLICTS = {
    ("min_resolution", "ignore = true"): "",
    (
        "min_resolution",
        'separable_by = "detector"',
    ): "the detector tells the two apart without any resolution; ",
    ("ignore = true", 'separable_by = "detector"'): "either of them leaves the pair uncounted; ",
    ("ignore = true", "in_order = true"): "a pair whose order matters is not ignored; ",
    ('separable_by = "detector"', "in_order = true"): "the detector tells the two apart in any order; ",
}


def compound_problems(table: ScenarioTable, given: Given) -> Iterator[str]:
    """What cannot be right about analytes, pairs and groups, one sentence each."""
    compounds = [analyte.compound for analyte in table.analytes]
    yield from repeated("analytes", "compound", compounds, "write one [[analytes]] for each compound")
    for number, analyte in enumerate(table.analytes, 1):
        yield from _near(f"analytes[{number}].near", analyte)
        yield from _heat(f"analytes[{number}]", analyte, table, given)
    of_pairs = list(_pairs(table.pairs, given))
    yield from of_pairs or _order(table.pairs)
    yield from _groups(table, given)


def compound_warnings(table: ScenarioTable, given: Given) -> Iterator[str]:
    """What is allowed but should be known about analytes, one sentence each."""
    highest, _ = temperature_range(table)[1]
    capacity = table.column.capacity
    for number, analyte in enumerate(table.analytes, 1):
        key = f"analytes[{number}]"
        if capacity is not None and analyte.amount is not None and analyte.amount > capacity:
            yield (
                f"{given(f'{key}.amount_ng')}: {analyte.compound!r} is above {given('column.capacity_ng')}; an "
                "overloaded peak is broader, leans and moves, which no prediction here knows"
            )
        limit, above = analyte.max_elution_temperature, analyte.max_time_above
        limits = [("max_elution_temperature_C", limit)] if limit is not None else []
        limits += [("max_time_above.temperature_C", above.temperature)] if above is not None else []
        for name, value in limits:
            if value >= highest:
                yield (
                    f"{given(f'{key}.{name}')}: limits nothing, no program goes above {celsius(highest):g} °C"
                )


def repeated(section: str, key: str, values: Sequence[str], advice: str) -> Iterator[str]:
    """Values that a list of tables has more than once."""
    places: dict[str, int] = {}
    for number, value in enumerate(values, 1):
        first = places.setdefault(value, number)
        if first != number:
            yield f'{section}[{number}].{key} = "{value}": already used by {section}[{first}]; {advice}'


def _near(key: str, analyte: AnalyteDetail) -> Iterator[str]:
    near = analyte.near
    if near is None:
        return
    if analyte.role != "internal standard":
        yield (
            f'{key}: belongs to an internal standard, but the role of {analyte.compound!r} is "{analyte.role}"; '
            'write role = "internal standard", or near under the standard itself'
        )
    seen: set[str] = set()
    for number, name in enumerate(near.compounds, 1):
        if name == analyte.compound:
            yield f'{key}.compounds[{number}] = "{name}": is the internal standard itself; name its analytes'
        elif name in seen:
            yield f'{key}.compounds[{number}] = "{name}": is named twice'
        seen.add(name)


def _heat(key: str, analyte: AnalyteDetail, table: ScenarioTable, given: Given) -> Iterator[str]:
    lowest, origin = temperature_range(table)[0]
    highest_elution, fraction = analyte.max_elution_temperature, analyte.min_intact_fraction
    if highest_elution is not None and highest_elution < lowest:
        yield (
            f"{given(f'{key}.max_elution_temperature_C')}: no program is that cold, the lowest temperature is "
            f"{celsius(lowest):g} °C ({origin})"
        )
    if fraction is not None and analyte.decomposition is None:
        yield (
            f"{given(f'{key}.min_intact_fraction')}: needs decomposition = {{ activation_energy_kJ_per_mol, "
            "half_life_min, at_C }; where these are unknown, max_elution_temperature_C or max_time_above"
        )
    elif fraction == 1:
        yield f"{key}.min_intact_fraction = 1: some is always lost; expected a share below 1, such as 0.99"


def _pairs(pairs: Sequence[PairRule], given: Given) -> Iterator[str]:
    seen: dict[frozenset[str], int] = {}
    for number, pair in enumerate(pairs, 1):
        key = f"pairs[{number}]"
        between = given(f"{key}.between")
        if pair.between[0] == pair.between[1]:
            yield f"{between}: expected two different compounds"
        first = seen.setdefault(frozenset(pair.between), number)
        if first != number:
            other = pairs[first - 1]
            opposite = pair.in_order and other.in_order and pair.between != other.between
            what = "asks for the opposite order of" if opposite else "that pair is already"
            yield f"{between}: {what} pairs[{first}]" + ("; keep one of them" if opposite else "")
        yield from _asked(key, pair)


def _asked(key: str, pair: PairRule) -> Iterator[str]:
    """A rule that asks for nothing, or for two things at once; only the first clash is told."""
    asked = {
        "min_resolution": pair.min_resolution is not None,
        "ignore = true": pair.ignore,
        'separable_by = "detector"': pair.separable_by is not None,
        "in_order = true": pair.in_order,
    }
    if not any(asked.values()):
        choices = list(asked)
        yield f"{key}: says nothing about the pair; expected {', '.join(choices[:-1])} or {choices[-1]}"
    for a, b in combinations(asked, 2):
        if asked[a] and asked[b] and (a, b) in PAIR_CONFLICTS:
            yield f"{key}: has both {a} and {b}; {PAIR_CONFLICTS[a, b]}keep one of them"
            return


def _order(pairs: Sequence[PairRule]) -> Iterator[str]:
    before: dict[str, set[str]] = {}
    for pair in pairs:
        if pair.in_order:
            before.setdefault(pair.between[1], set()).add(pair.between[0])
    try:
        TopologicalSorter(before).prepare()
    except CycleError as error:
        circle = " before ".join(map(repr, error.args[1]))
        yield f"pairs: in_order = true asks for {circle}, which no run can give; turn one of these pairs round"


def _groups(table: ScenarioTable, given: Given) -> Iterator[str]:
    groups = table.groups
    yield from repeated("groups", "name", [group.name for group in groups], "every group needs its own name")
    home: dict[str, tuple[int, int]] = {}
    for number, group in enumerate(groups, 1):
        for place, member in enumerate(group.members, 1):
            named = f'groups[{number}].members[{place}] = "{member}"'
            first, first_place = home.setdefault(member, (number, place))
            if first != number:
                yield f"{named}: is already in groups[{first}]; a compound belongs to at most one group"
            elif first_place != place:
                yield f"{named}: is named twice"
        if group.min_resolution is not None and len(groups) == 1:
            yield (
                f"{given(f'groups[{number}].min_resolution')}: holds against the members of other groups, and there "
                "is no other group; a pair has its resolution under [[pairs]]"
            )
