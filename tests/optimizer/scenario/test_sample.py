"""What of the peak tables belongs to the sample: ignored compounds, and those that are left out."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest

from models.column.programs import batch_of
from optimizer.base.errors import ScenarioError
from optimizer.goal.goal import problem_of
from optimizer.goal.predict import predict
from optimizer.goal.uncertainty import with_uncertainty
from optimizer.methods.workflow import fit_scenario, optimize
from optimizer.results.candidate import candidate_document
from optimizer.results.detector import detector_settings
from optimizer.results.documents import check_document
from optimizer.results.plot_data import chromatogram_data
from optimizer.results.scenario_words import inputs
from optimizer.scenario.data import AnalyteDetail, Near, Scenario
from optimizer.scenario.reading import load_scenario
from optimizer.show.pages.verdict import verdict
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


GHOSTS = "ghost,6.61,0.04,30,\nblip,8.0,0.04,5,\nodd,9.0,0.05,,\n"
ASKED = ("[goal]\n", "[goal]\nunknown_min_area_percent = 1\n")


def test_peaks_of_one_run_alone_count_unless_they_are_small(tmp_path: Path) -> None:
    fast = FAST + "late,8.9,0.05,40,\n"
    scenario = load(tmp_path, SCENARIO.replace(*ASKED), SLOW + GHOSTS, fast)
    assert scenario.unknowns == {"ghost": 0, "blip": 0, "odd": 0, "late": 1}
    assert scenario.counted_unknowns == ("ghost", "odd", "late")  # an area that was not measured is not small
    assert scenario.role("blip") == "ignore"
    assert scenario.required_resolution("ghost", "odd") == 1.5
    assert scenario.required_resolution("ghost", "octane") == 1.5
    assert scenario.required_resolution("ghost", "late") is None  # of different runs: perhaps the same
    counted = [pair for pair in combinations(scenario.compounds, 2) if scenario.required_resolution(*pair)]
    assert scenario.number_of_counted_pairs == len(counted)
    (told,) = (text for text in scenario.warnings if "unknowns" in text)
    assert told == (
        "unknowns that must be resolved: ghost, odd, late; below goal.unknown_min_area_percent = 1, so ignored: blip"
    )
    described = SCENARIO.replace(*ASKED) + '[[analytes]]\ncompound = "ghost"\n'
    assert "ghost" not in load(tmp_path, described, SLOW + GHOSTS, fast).unknowns
    assert load(tmp_path, SCENARIO, SLOW + GHOSTS, fast).unknowns == {}  # off unless stated
    assert load(tmp_path, SCENARIO, SLOW + GHOSTS, fast).role("blip") == "target"


def test_the_share_is_of_the_largest_that_is_not_ignored(tmp_path: Path) -> None:
    solvent = SLOW.replace("3.61,0.031,1200", "3.61,0.031,900000") + GHOSTS
    text = SCENARIO.replace(*ASKED)
    assert "ghost" in load(tmp_path, text, solvent).small_unknowns
    assert "ghost" not in load(tmp_path, text.replace(MATRIX, IGNORED), solvent).small_unknowns


def test_an_unknown_is_predicted_from_its_run_with_more_doubt(tmp_path: Path) -> None:
    scenario = load(tmp_path, SCENARIO.replace(*ASKED), SLOW + GHOSTS)
    problem = problem_of(scenario, fit_scenario(scenario))
    program = scenario.runs[1].program
    seen, _ = with_uncertainty(problem, predict(problem, program))
    sd = dict(zip(seen.compounds, seen.retention_sd, strict=True))
    assert sd["ghost"] > 1.1 * max(sd["p-xylene"], sd["nonane"])
    own, _ = with_uncertainty(problem, predict(problem, scenario.runs[0].program))
    ghost = own.compounds.index("ghost")
    assert own.retention[ghost] == pytest.approx(6.61 * 60, abs=1.0)


def test_unnamed_peaks_are_unknowns_where_the_goal_asks(tmp_path: Path) -> None:
    names = "run,retention_min,compound\n" + "".join(
        f"fast,{line.split(',')[1]},{line.split(',')[0]}\n" for line in FAST.splitlines()[1:]
    )
    (tmp_path / "names.csv").write_text(names, encoding="utf-8")
    head, *rows = FAST.splitlines()
    nameless = "\n".join([head, *("," + row.split(",", 1)[1] for row in rows), ",5.55,0.03,200,"]) + "\n"
    matched = 'matching = "names.csv"\n' + SCENARIO
    left = load(tmp_path, matched, fast=nameless)
    assert len(left.compounds) == 5
    assert any("left out (goal.unknown_min_area_percent counts" in text for text in left.warnings)
    scenario = load(tmp_path, matched.replace(*ASKED), fast=nameless)
    assert scenario.counted_unknowns == ("unknown 5.5500 (fast)",)
    assert any("1 of 6 peaks have no name in names.csv; unknown" in text for text in scenario.warnings)


def test_setting_an_unknown_aside_is_told_where_it_keeps_the_goal_from_being_met(tmp_path: Path) -> None:
    scenario = load(tmp_path, SCENARIO.replace(*ASKED), SLOW + "ghost,6.34,0.04,30,\n")
    _, outcome = optimize(scenario, fit_scenario(scenario), rounds=20)
    assert not outcome.feasible
    assert outcome.unknowns is None
    best = outcome.what_ifs[0]
    assert best.change == "ghost set aside"
    assert best.meets
    known = load(tmp_path, SCENARIO)
    _, without = optimize(known, fit_scenario(known), rounds=20, what_if=False)
    assert without.feasible


def test_what_an_unknown_costs_is_told(tmp_path: Path) -> None:
    nominal = SCENARIO.replace("[goal]\n", '[goal]\nunknown_min_area_percent = 1\nconfidence = "nominal"\n')
    scenario = load(tmp_path, nominal, SLOW + "ghost,6.34,0.04,30,\n")
    _, outcome = optimize(scenario, fit_scenario(scenario), rounds=20)
    assert outcome.feasible
    cost = outcome.unknowns
    assert cost is not None
    assert cost.unknowns == ("ghost",)
    aside = replace(scenario, analytes=(*scenario.analytes, AnalyteDetail("ghost", role="ignore")))
    _, without = optimize(aside, fit_scenario(aside), rounds=20, what_if=False)
    assert without.unknowns is None
    saved = outcome.candidates[0].prediction.run_time - without.candidates[0].prediction.run_time
    assert 0 < cost.costs == pytest.approx(saved, rel=0.1)
    assert (
        cost.text
        == f"Resolving 1 unknown peak (ghost) costs {cost.costs / 60:.2f} min, by a short search without."
    )
    document = candidate_document(scenario, outcome)
    assert document["search"]["unknowns"]["costs_min"] == pytest.approx(cost.costs / 60, abs=0.006)
    assert cost.text in verdict(scenario, outcome)[0]["lines"]


def test_the_end_of_the_solvent_bounds_the_first_peak_and_gives_the_delay(tmp_path: Path) -> None:
    scenario = load(tmp_path, SCENARIO.replace(MATRIX, MATRIX.replace("matrix", "solvent")))
    assert scenario.ignores("toluene")
    problem = problem_of(scenario, fit_scenario(scenario))
    (limit,) = problem.requirements
    assert limit.name == "first peak after toluene"
    seen, _ = with_uncertainty(problem, predict(problem, scenario.runs[0].program))
    at = {name: m for m, name in enumerate(seen.compounds)}
    margins = problem.assess(batch_of([scenario.runs[0].program]), "polish").limits[0]
    begins = seen.retention[at["octane"]] - seen.width_half[at["octane"]]
    end = seen.retention[at["toluene"]]
    assert margins[0] == pytest.approx(begins / end - 1, abs=1e-4)
    delay = detector_settings(scenario, seen).solvent_delay
    assert delay == pytest.approx(end + 1.96 * seen.retention_sd[at["toluene"]], rel=1e-4)
    assert end < delay < end + 20
    assert problem.without([limit]).scenario.role("toluene") == "ignore"
    _, outcome = optimize(scenario, problem.fit, rounds=20, what_if=False)
    assert outcome.feasible
    best = outcome.candidates[0].prediction
    assert (best.retention - best.width_half)[1:].min() >= best.retention[0]
    document = candidate_document(scenario, outcome)["candidates"][0]
    assert document["detector"]["solvent_delay_min"] > best.retention[0] / 60
