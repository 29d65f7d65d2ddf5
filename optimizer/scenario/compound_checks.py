"""Checks of what a scenario file says about compounds: its analytes, pairs and groups."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from graphlib import CycleError, TopologicalSorter
from itertools import combinations

from optimizer.scenario.method_checks import temperature_range
from optimizer.scenario.schema import AnalyteTable, PairTable, ScenarioTable

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


def compound_problems(table: ScenarioTable) -> Iterator[str]:
    """What cannot be right about analytes, pairs and groups, one sentence each."""
    compounds = [analyte.compound for analyte in table.analytes]
    yield from repeated("analytes", "compound", compounds, "write one [[analytes]] for each compound")
    for number, analyte in enumerate(table.analytes, 1):
        yield from _near(f"analytes[{number}].near", analyte)
        yield from _heat(f"analytes[{number}]", analyte, table)
    of_pairs = list(_pairs(table.pairs))
    yield from of_pairs or _order(table.pairs)
    yield from _groups(table)


def compound_warnings(table: ScenarioTable) -> Iterator[str]:
    """What is allowed but should be known about analytes, one sentence each."""
    highest, _ = temperature_range(table)[1]
    capacity = table.column.capacity_ng
    for number, analyte in enumerate(table.analytes, 1):
        key = f"analytes[{number}]"
        if capacity is not None and analyte.amount_ng is not None and analyte.amount_ng > capacity:
            yield (
                f"{key}.amount_ng = {analyte.amount_ng:g}: {analyte.compound!r} is above column.capacity_ng = "
                f"{capacity:g}; an overloaded peak is broader, leans and moves, which no prediction here knows"
            )
        limit, above = analyte.max_elution_temperature_C, analyte.max_time_above
        limits = [("max_elution_temperature_C", limit)] if limit is not None else []
        limits += [("max_time_above.temperature_C", above.temperature_C)] if above is not None else []
        for name, value in limits:
            if value >= highest:
                yield f"{key}.{name} = {value:g}: limits nothing, no program goes above {highest:g} °C"


def repeated(section: str, key: str, values: Sequence[str], advice: str) -> Iterator[str]:
    """Values that a list of tables has more than once."""
    places: dict[str, int] = {}
    for number, value in enumerate(values, 1):
        first = places.setdefault(value, number)
        if first != number:
            yield f'{section}[{number}].{key} = "{value}": already used by {section}[{first}]; {advice}'


def _near(key: str, analyte: AnalyteTable) -> Iterator[str]:
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


def _heat(key: str, analyte: AnalyteTable, table: ScenarioTable) -> Iterator[str]:
    lowest, origin = temperature_range(table)[0]
    highest_elution, fraction = analyte.max_elution_temperature_C, analyte.min_intact_fraction
    if highest_elution is not None and highest_elution < lowest:
        yield (
            f"{key}.max_elution_temperature_C = {highest_elution:g}: no program is that cold, the lowest "
            f"temperature is {lowest:g} °C ({origin})"
        )
    if fraction is not None and analyte.decomposition is None:
        yield (
            f"{key}.min_intact_fraction = {fraction:g}: needs decomposition = {{ activation_energy_kJ_per_mol, "
            "half_life_min, at_C }; where these are unknown, max_elution_temperature_C or max_time_above"
        )
    elif fraction == 1:
        yield f"{key}.min_intact_fraction = 1: some is always lost; expected a share below 1, such as 0.99"


def _pairs(pairs: Sequence[PairTable]) -> Iterator[str]:
    seen: dict[frozenset[str], int] = {}
    for number, pair in enumerate(pairs, 1):
        key = f"pairs[{number}]"
        between = f"{key}.between = {pair.between}".replace("'", '"')
        if pair.between[0] == pair.between[1]:
            yield f"{between}: expected two different compounds"
        first = seen.setdefault(frozenset(pair.between), number)
        if first != number:
            other = pairs[first - 1]
            opposite = pair.in_order and other.in_order and pair.between != other.between
            what = "asks for the opposite order of" if opposite else "that pair is already"
            yield f"{between}: {what} pairs[{first}]" + ("; keep one of them" if opposite else "")
        yield from _asked(key, pair)


def _asked(key: str, pair: PairTable) -> Iterator[str]:
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


def _order(pairs: Sequence[PairTable]) -> Iterator[str]:
    before: dict[str, set[str]] = {}
    for pair in pairs:
        if pair.in_order:
            before.setdefault(pair.between[1], set()).add(pair.between[0])
    try:
        TopologicalSorter(before).prepare()
    except CycleError as error:
        circle = " before ".join(map(repr, error.args[1]))
        yield f"pairs: in_order = true asks for {circle}, which no run can give; turn one of these pairs round"


def _groups(table: ScenarioTable) -> Iterator[str]:
    groups = table.groups
    yield from repeated("groups", "name", [group.name for group in groups], "every group needs its own name")
    home: dict[str, tuple[int, int]] = {}
    for number, group in enumerate(groups, 1):
        for place, member in enumerate(group.members, 1):
            given = f'groups[{number}].members[{place}] = "{member}"'
            first, first_place = home.setdefault(member, (number, place))
            if first != number:
                yield f"{given}: is already in groups[{first}]; a compound belongs to at most one group"
            elif first_place != place:
                yield f"{given}: is named twice"
        if group.min_resolution is not None and len(groups) == 1:
            yield (
                f"groups[{number}].min_resolution = {group.min_resolution:g}: holds against the members of other "
                "groups, and there is no other group; a pair has its resolution under [[pairs]]"
            )
