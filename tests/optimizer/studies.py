"""What a study's storage holds, read by Optuna as anybody may."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import numpy as np
import optuna
import pytest
from optuna.trial import FrozenTrial, TrialState

from optimizer.goal.goal import Problem
from optimizer.search.program_space import families_of
from optimizer.search.starts import AGAIN
from optimizer.search.study_place import StudyPlace


def trials_of(place: StudyPlace, name: str) -> list[FrozenTrial]:
    """All trials of a study, by number."""
    storage = optuna.storages.RDBStorage(place.url)
    trials = optuna.load_study(study_name=name, storage=storage).get_trials()
    storage.engine.dispose()
    return trials


def complete(trials: list[FrozenTrial]) -> list[FrozenTrial]:
    """Those that ended."""
    return [trial for trial in trials if trial.state == TrialState.COMPLETE]


def repeated(trials: list[FrozenTrial]) -> list[int]:
    """Numbers of the trials that descended into a class which another worker had taken before with a start as good."""
    taken: dict[tuple[int, str], list[tuple[int, float]]] = {}
    found = []
    for trial in complete(trials):
        claim = trial.user_attrs["claim"]
        if claim["class"] is None:
            continue
        before = taken.setdefault((claim["family"], claim["class"]), [])
        if any(worker != claim["worker"] and claim["merit"] >= merit - AGAIN for worker, merit in before):
            found.append(trial.number)
        before.append((claim["worker"], claim["merit"]))
    return found


def judged_nominally(scenario: Path) -> None:
    """Change a scenario so that its programs are not judged by draws, which takes longer than all else in a test."""
    file = scenario / "scenario.toml"
    text = file.read_text(encoding="utf-8")
    asked = "[goal]\nmin_resolution = 1.5\n"
    assert asked in text
    file.write_text(text.replace(asked, asked + 'confidence = "nominal"\n'), encoding="utf-8")


def assert_sound(problem: Problem, trials: list[FrozenTrial]) -> None:
    """Numbers without gap, nothing left running, and every end is what a simulation says it is."""
    assert [trial.number for trial in trials] == list(range(len(trials)))
    assert not Counter(trial.state for trial in trials)[TrialState.RUNNING]
    families = families_of(problem.scenario)
    for trial in complete(trials):
        claim, end = trial.user_attrs["claim"], trial.user_attrs["end"]
        family = families[claim["family"]]
        assert trial.params == {"family": claim["family"]}
        assert len(claim["start"]) == len(end["end"]) == family.size
        z = np.array(end["end"])[None]
        assessment = problem.assess(family.batch(family.values(z)), "polish")
        assert assessment.cost[0] == pytest.approx(end["cost"], rel=1e-9)
        assert problem.smallest_margin(assessment)[0] == pytest.approx(end["margin"], abs=1e-9)
        assert json.loads(json.dumps(end)) == end
