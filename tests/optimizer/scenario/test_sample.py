"""What of the peak tables belongs to the sample: ignored compounds, and those that are left out."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from optimizer.base.errors import ScenarioError
from optimizer.goal.goal import problem_of
from optimizer.goal.predict import predict
from optimizer.methods.workflow import fit_scenario
from optimizer.results.documents import check_document
from optimizer.results.plot_data import chromatogram_data
from optimizer.results.scenario_words import inputs
from optimizer.scenario.data import Near, Scenario
from optimizer.scenario.reading import load_scenario
from tests.optimizer.bad_inputs import FAST, SCENARIO, SLOW, write_good_scenario

IGNORED = '[[analytes]]\ncompound = "toluene"\nrole = "ignore"\n'
MATRIX = '[[analytes]]\ncompound = "toluene"\nrole = "matrix"\n'


def load(folder: Path, text: str, slow: str = SLOW, fast: str = FAST) -> Scenario:
    write_good_scenario(folder)
    for name, content in (("scenario.toml", text), ("slow.csv", slow), ("fast.csv", fast)):
        (folder / name).write_text(content, encoding="utf-8")
    return load_scenario(folder)


def test_an_ignored_compound_counts_in_no_pair_and_is_asked_nothing(tmp_path: Path) -> None:
    solvent = SLOW.replace("3.61,0.031,1200", "3.61,0.031,900000"), FAST.replace("1190", "880000")
    as_matrix = load(tmp_path, SCENARIO, *solvent)
    ignored = load(tmp_path, SCENARIO.replace(MATRIX, IGNORED), *solvent)
    assert as_matrix.number_of_counted_pairs - ignored.number_of_counted_pairs == 4
    assert any("toluene and octane differ" in text for text in as_matrix.warnings)
    assert not any("toluene" in text for text in ignored.warnings)
    ruled = (
        SCENARIO.replace(MATRIX, IGNORED) + '[[pairs]]\nbetween = ["toluene", "octane"]\nmin_resolution = 1\n'
    )
    named = load(tmp_path, ruled, *solvent)
    assert named.required_resolution("toluene", "octane") == 1.0
    assert named.required_resolution("toluene", "decane") is None
    grouped = SCENARIO.replace(MATRIX, IGNORED) + (
        '[[groups]]\nname = "a"\nmembers = ["toluene"]\n[[groups]]\nname = "b"\nmembers = ["octane"]\n'
    )
    assert load(tmp_path, grouped, *solvent).required_resolution("toluene", "octane") is None


def test_pictures_are_scaled_for_what_is_not_ignored(tmp_path: Path) -> None:
    solvent = SLOW.replace("3.61,0.031,1200", "3.61,0.031,900000"), FAST.replace("1190", "880000")
    heights = {}
    for text in (SCENARIO, SCENARIO.replace(MATRIX, IGNORED)):
        scenario = load(tmp_path, text, *solvent)
        fit = fit_scenario(scenario)
        seen = predict(problem_of(scenario, fit), scenario.runs[0].program)
        data = chromatogram_data(seen, scenario.ambient_pressure, "")
        heights[text] = {label.name: label.height for label in data.labels}
    assert heights[SCENARIO]["toluene"] == pytest.approx(100, abs=0.1)
    assert heights[SCENARIO]["decane"] < 1
    scaled = heights[SCENARIO.replace(MATRIX, IGNORED)]
    assert scaled["toluene"] == 100.0  # cut off
    assert max(height for name, height in scaled.items() if name != "toluene") == pytest.approx(100, abs=0.1)
    assert scaled["decane"] > 30


def test_where_all_are_ignored_the_scale_is_that_of_all(tmp_path: Path) -> None:
    scenario = load(tmp_path, SCENARIO)
    seen = predict(problem_of(scenario, fit_scenario(scenario)), scenario.runs[0].program)
    assert not seen.ignored.any()
    assert replace(seen, ignored=np.ones(5, dtype=bool)).scaling.all()


def test_compounds_are_left_out_with_the_rules_about_them(tmp_path: Path) -> None:
    rules = (
        '[[analytes]]\ncompound = "decane"\nrole = "internal standard"\n'
        'near = { compounds = ["octane", "nonane"], within_min = 3 }\n'
        '[[groups]]\nname = "alkanes"\nmembers = ["octane", "nonane"]\n'
        '[[groups]]\nname = "aromatics"\nmembers = ["toluene"]\n'
    )
    scenario = load(tmp_path, 'leave_out = ["toluene", "octane"]\n' + SCENARIO + rules)
    assert set(scenario.compounds) == {"p-xylene", "nonane", "decane"}
    assert all(set(run.peaks.compounds) == set(scenario.compounds) for run in scenario.runs)
    assert [each.compound for each in scenario.analytes] == ["decane"]
    assert scenario.analytes[0].near == Near(("nonane",), 180.0)
    assert scenario.pairs == ()
    assert [(each.name, each.members) for each in scenario.groups] == [("alkanes", ("nonane",))]
    assert check_document(scenario)["leave_out"] == ["toluene", "octane"]
    assert dict(inputs(scenario))["Compounds"] == "3, 3 pairs counted; left out: toluene, octane"
    assert fit_scenario(scenario).retention.T0.shape == (3,)


@pytest.mark.parametrize(
    ("names", "fragments"),
    [
        ('"tolune"', ['leave_out[1] = "tolune"', "in none of the peak tables", "did you mean 'toluene'?"]),
        ('"toluene", "toluene"', ["leave_out[2]", "is leave_out[1] already"]),
        (
            '"toluene", "octane", "p-xylene", "nonane", "decane"',
            ["leaves no peak of run 'slow'", "leave the run out instead"],
        ),
    ],
)
def test_what_cannot_be_left_out(names: str, fragments: list[str], tmp_path: Path) -> None:
    with pytest.raises(ScenarioError) as error:
        load(tmp_path, f"leave_out = [{names}]\n" + SCENARIO)
    assert all(fragment in str(error.value) for fragment in fragments)
