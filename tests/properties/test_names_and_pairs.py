"""What is counted or searched for thousands of compounds at once is what a look at each of them gives."""

from __future__ import annotations

import difflib
from dataclasses import replace
from functools import cache
from itertools import combinations
from pathlib import Path
from tempfile import TemporaryDirectory

from hypothesis import given
from hypothesis import strategies as st

from optimizer.scenario.data import AnalyteDetail, Group, PairRule, Role, Scenario
from optimizer.scenario.peak_names import Lookalikes
from optimizer.scenario.reading import load_scenario
from tests.optimizer.bad_inputs import write_good_scenario
from tests.properties.strategies import examples

NAMES = st.text("abAB ß-1", min_size=1, max_size=7)
ROLES: tuple[Role, ...] = ("target", "internal standard", "matrix", "ignore")


@given(st.lists(NAMES, max_size=10), NAMES, st.sampled_from([0.3, 0.6, 0.85]))
@examples()
def test_the_nearest_name_is_that_of_a_look_at_each(names: list[str], word: str, cutoff: float) -> None:
    folded: dict[str, str] = {}
    for name in names:
        if name != word:
            folded.setdefault(name.casefold(), name)
    found = difflib.get_close_matches(word.casefold(), list(folded), n=1, cutoff=cutoff)
    known = Lookalikes(names)
    assert known.nearest(word, cutoff) == (folded[found[0]] if found else None)
    assert (word in known) == (word in names)


@cache
def good_scenario() -> Scenario:
    with TemporaryDirectory() as folder:
        write_good_scenario(Path(folder))
        return load_scenario(folder)


@st.composite
def with_rules(draw: st.DrawFn) -> Scenario:
    """Up to eight compounds with roles, groups and rules, some of them for names that no peak table has."""
    names = [f"c{n}" for n in range(draw(st.integers(0, 8)))]
    named = [*names, "absent"]
    homes = [draw(st.integers(-1, 2)) for _ in named]
    figures = st.sampled_from([None, 1.2])
    groups = [
        Group(f"g{home}", tuple(n for n, h in zip(named, homes, strict=True) if h == home), draw(figures))
        for home in range(3)
    ]
    pairs = draw(st.lists(st.sampled_from(list(combinations(named, 2))), unique=True)) if names else []
    rules = [
        PairRule((a, b), draw(figures), draw(st.booleans()), draw(st.sampled_from(("detector", None))))
        for a, b in pairs
    ]
    details = [AnalyteDetail(name, draw(st.sampled_from(ROLES))) for name in named if draw(st.booleans())]
    return replace(
        good_scenario(),
        compounds=tuple(names),
        analytes=tuple(details),
        groups=tuple(each for each in groups if each.members),
        pairs=tuple(rules),
    )


@given(with_rules())
@examples()
def test_counted_pairs_are_those_that_need_a_resolution(scenario: Scenario) -> None:
    counted = [
        pair
        for pair in combinations(scenario.compounds, 2)
        if scenario.required_resolution(*pair) is not None
    ]
    assert scenario.number_of_counted_pairs == len(counted)
