"""One study for workers on several machines: a PostgreSQL server, started here, with four workers at once."""

from __future__ import annotations

import json
import time
import warnings
from collections import Counter
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import optuna
import pytest
import sqlalchemy

pytest.importorskip(
    "psycopg", reason="NOT TESTED: the driver for PostgreSQL is missing; pip install 'rampwright[postgres]'"
)

from benchmarks.postgres_server import DATABASE, PASSWORD, ROLE, NoServer, Server, server
from benchmarks.study_worker import NAME, Case, begin, started
from optimizer.search.islands import search
from optimizer.search.program_space import families_of
from optimizer.search.study import open_study
from optimizer.search.study_place import VARIABLE, StudyPlace, study_place
from tests.optimizer.command import call
from tests.optimizer.interrupted import COUNTING, HANG
from tests.optimizer.searches import steps
from tests.optimizer.studies import assert_sound, complete, judged_nominally, repeated, trials_of

CASE = Case("small", 12, 1)
STEPS = 20  # of each of the four workers
UNTIL_KILLED = 1e6  # s


@pytest.fixture(scope="module")
def running() -> Iterator[Server]:
    """A server; without one these tests are left out, and say so."""
    try:
        with server(safe=False) as started_server:
            yield started_server
    except NoServer as missing:
        warnings.warn(f"many workers on one PostgreSQL study are NOT TESTED: {missing}", stacklevel=1)
        pytest.skip(f"NOT TESTED: {missing}")


@pytest.fixture
def environment(running: Server, monkeypatch: pytest.MonkeyPatch) -> dict[str, str]:
    """The password where it belongs, here and for workers."""
    monkeypatch.setenv("PGPASSWORD", PASSWORD)
    return {"PGPASSWORD": PASSWORD}


@pytest.fixture
def place(running: Server, environment: dict[str, str]) -> StudyPlace:
    return study_place(running.url)


def test_four_workers_share_the_work_and_one_may_be_killed(
    running: Server, place: StudyPlace, environment: dict[str, str]
) -> None:
    """Four begin at once in an empty database, a fifth is killed on the way."""
    problem = CASE.problem
    families = families_of(problem.scenario)
    alone = search(problem, families, steps(STEPS // 2), 1)
    workers = [started(running.url, CASE, steps(STEPS), environment, before=COUNTING) for _ in range(4)]
    victim = started(running.url, CASE, UNTIL_KILLED, environment)
    try:
        for worker in [victim, *workers]:
            begin(worker)
        _ended(place, 20, NAME)
    finally:  # it would go on for ever
        victim.kill()
        victim.communicate()
    told = []
    for worker in workers:
        out, complaint = worker.communicate(timeout=HANG)
        assert worker.returncode == 0, complaint
        told.append(json.loads(out))
    found = complete(trials_of(place, NAME))
    search(
        problem, families, steps(8), 1, shared=open_study(place, NAME, problem, families)
    )  # frees what is left
    trials = trials_of(place, NAME)
    assert_sound(problem, trials)
    assert repeated(trials) == []
    done = Counter(trial.user_attrs["claim"]["worker"] for trial in complete(trials))
    for each in told:
        assert each["unstored"] == 0
        assert done[each["worker"] - 1] == each["own"] > 0
    assert len({each["worker"] for each in told}) == 4
    # What any of them found, all of them end with, but for what came after their last look.
    assert min(each["best"] for each in told) == min(trial.value for trial in found)
    assert all(each["feasible"] for each in told)
    assert min(each["best"] for each in told) <= 1.01 * alone.all()[0].descent.cost
    # Together they screen and try what one would: no family is begun four times over.
    firsts = Counter(trial.user_attrs["claim"]["family"] for trial in trials[: 3 * len(families)])
    at_once = [victim, *workers]  # each may begin one before it sees the others' claims
    assert max(firsts.values()) <= 3 + len(at_once)


def test_a_server_that_goes_away_costs_nothing(
    running: Server, place: StudyPlace, environment: dict[str, str]
) -> None:
    """It is stopped hard in the middle of a search, and comes back."""
    worker = started(running.url, CASE, UNTIL_KILLED, environment, "away")
    begin(worker)
    before = _ended(place, 5, "away")
    running.stop()
    time.sleep(1.0)
    running.start()
    _ended(place, before + 5, "away")  # it is back, too
    worker.terminate()
    out, complaint = worker.communicate(timeout=HANG)
    assert worker.returncode == 0, complaint
    told = json.loads(out)
    assert told["unstored"] == 0, complaint
    assert len(complete(trials_of(place, "away"))) == told["own"]


def _ended(place: StudyPlace, descents: int, name: str) -> int:
    """How many descents of a study have ended, once they are so many."""
    deadline = time.monotonic() + HANG
    while time.monotonic() < deadline:
        # The study is still to be made, or its tables are being made by a worker at this moment.
        with suppress(optuna.exceptions.StorageInternalError, KeyError, sqlalchemy.exc.DatabaseError):
            ended = len(complete(trials_of(place, name)))
            if ended >= descents:
                return ended
        time.sleep(0.1)
    raise AssertionError(f"fewer than {descents} descents")


@pytest.mark.parametrize(
    ("url", "password", "said"),
    [
        ("postgresql://{role}@127.0.0.1:{port}/{database}", "wrong", "does not let this user in"),
        ("postgresql://{role}@127.0.0.1:{port}/{database}", None, "does not let this user in"),
        ("postgresql://nobody_here@127.0.0.1:{port}/{database}", PASSWORD, "does not let this user in"),
        ("postgresql://{role}@127.0.0.1:{port}/not_there", PASSWORD, "no such database"),
    ],
)
def test_credentials_come_from_the_environment(
    url: str,
    password: str | None,
    said: str,
    running: Server,
    scenario: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setenv("PGPASSFILE", str(tmp_path / "none"))
    monkeypatch.delenv("PGPASSWORD", raising=False)
    if password is not None:
        monkeypatch.setenv("PGPASSWORD", password)
    study = url.format(role=ROLE, port=running.port, database=DATABASE)
    arguments = ("--out", tmp_path / "r", "--seconds", "1", "--study", study)
    assert call(monkeypatch, "optimize", scenario, *arguments) == 2
    printed = capsys.readouterr()
    assert said in printed.err
    assert printed.err.count("rampwright: postgresql://") == 1
    assert "Traceback" not in printed.err
    assert PASSWORD not in printed.out + printed.err


def test_a_password_in_the_environments_url_is_used_and_not_shown(
    running: Server,
    scenario: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr("optimizer.show.pages.report.outcome_files", lambda *made: {"made": b""})
    judged_nominally(scenario)
    monkeypatch.delenv("PGPASSWORD", raising=False)
    monkeypatch.setenv(VARIABLE, running.url.replace(f"{ROLE}@", f"{ROLE}:s3cret%2Fof%40the%3Alab@"))
    assert call(monkeypatch, "optimize", scenario, "--out", tmp_path / "r", "--seconds", "1") == 0
    printed = capsys.readouterr()
    assert f"{running.url}: " in " ".join(printed.out.split())
    for part in (PASSWORD, "s3cret"):
        assert part not in printed.out + printed.err
