"""One study for many workers: the search's trials in Optuna's storage, an SQLite file or a PostgreSQL database.

A trial is one descent. It is written, running, with its start before the descent begins, and so claims the class of
that start: trials get their numbers one after another, and of two workers that chose the same class the one with the
higher number steps back. With its end it becomes complete. A worker that is killed loses the descent in work and
nothing else; its running trial is failed by whoever notices, and its class is free again.

The workers of a study are trials of a second study beside it, whose numbers are the workers'.
"""

from __future__ import annotations

import logging
import os
import random
import socket
import sqlite3
import time
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import optuna
import sqlalchemy
from optuna.storages import RDBStorage, _CachedStorage
from optuna.study import StudyDirection
from optuna.trial import FrozenTrial, TrialState

from optimizer.base.interruption import undisturbed
from optimizer.goal.goal import Problem
from optimizer.goal.outcome import StudyNote
from optimizer.search.program_space import Family
from optimizer.search.starts import AGAIN
from optimizer.search.study_place import (
    DAMAGED,
    DEFAULT_FILE,
    PATIENCE,
    StudyError,
    StudyPlace,
    require_usable,
)
from optimizer.search.study_records import (
    Change,
    Claim,
    End,
    Json,
    Shapes,
    UnreadableRecord,
    binding,
    claim_json,
    differences,
    end_json,
    read_claim,
    read_end,
    shapes_of,
)

WORKERS = " (workers)"  # the name of the study of workers is that of the study and this
STALE = 60.0  # s in which another worker's descent does not end, after which it is taken for dead
CONNECTING = 10  # s, for a server to answer
UNIQUE_NAMES = (
    "CREATE UNIQUE INDEX IF NOT EXISTS ix_studies_study_name ON studies (study_name)"  # as Optuna's
)
OPENINGS = 8  # tries: workers that open a new study at once get into each other's way
PAUSE = 5.0  # s before another try, when a study that was open cannot be reached
LONGEST_NAME = 500  # of a study, in characters

_Failure = (
    optuna.exceptions.StorageInternalError,
    sqlalchemy.exc.SQLAlchemyError,
    KeyError,
    UnreadableRecord,
)


@dataclass
class _Unstored:
    """An end that is still to be written, and the trial that claimed its start if there is one."""

    trial: int | None
    claim: Claim
    end: End
    value: float


class SharedStudy:
    """A worker's view of a study.

    Once the study is open, a server that goes away does not stop the search: the worker goes on alone, and writes what
    it found when the study is back.

    Attributes
    ----------
    worker : int, number of this worker, from 0
    at_work : int, how many workers there were when this one began, itself among them
    """

    def __init__(
        self, place: StudyPlace, name: str, storage: _CachedStorage, study: int, workers: int, shapes: Shapes
    ) -> None:
        self.place, self.name, self._shapes = place, name, shapes
        self._storage, self._study, self._workers = storage, study, workers
        self._names = {"host": socket.gethostname(), "pid": os.getpid()}
        self._me = storage.create_new_trial(workers, _trial(TrialState.RUNNING, self._names))
        self.worker: int = storage.get_trial(self._me).number
        self.at_work = self._count_at_work()
        self._mine: int | None = None  # the trial of the descent in work
        self._claim: Claim | None = None
        self._seen: dict[int, TrialState] = {}  # of other workers' trials, by number
        self._classes: dict[
            tuple[int, bytes | None], dict[int, float]
        ] = {}  # and merits of their starts, by class
        self._running_since: dict[int, float] = {}  # and when this worker first saw them running
        self._unread: list[tuple[Change, Claim, End | None]] = []
        self._unstored: list[_Unstored] = []
        self._retry_at = 0.0
        self._own = self._others = 0
        self._read()

    def _count_at_work(self) -> int:
        """Workers on the study, this one among them, but for those of this machine that are no more."""
        workers = self._storage.get_all_trials(self._workers, deepcopy=False, states=(TrialState.RUNNING,))
        return sum(not self._is_dead_here(each.user_attrs) for each in workers)

    def claim(self, claim: Claim) -> bool:
        """Take a start; False when another worker has taken its class, of which `news` then tells."""
        with undisturbed():
            return self._claimed(claim)

    def _claimed(self, claim: Claim) -> bool:
        self._mine, self._claim = None, claim
        if time.monotonic() < self._retry_at:
            return True
        try:
            self._store_what_is_left()
            content = {**claim_json(claim), "worker": self.worker, **self._names}
            self._mine = self._storage.create_new_trial(
                self._study, _trial(TrialState.RUNNING, {"claim": content}, claim.family)
            )
            if not self._taken_before(claim, self._read()):
                return True
            self._give_up()
        except _Failure:
            self._lost()
            return True
        return False

    def end(self, end: End, value: float) -> None:
        """Tell where the descent from the start last taken ended, and Optuna's value of it."""
        assert self._claim is not None
        self._unstored.append(_Unstored(self._mine, self._claim, end, value))
        self._mine = self._claim = None
        self._own += 1
        if time.monotonic() >= self._retry_at:
            try:
                with undisturbed():
                    self._store_what_is_left()
            except _Failure:
                self._lost()

    def news(self) -> list[tuple[Change, Claim, End | None]]:
        """What other workers did, as last read, each told once."""
        unread, self._unread = self._unread, []
        return unread

    def leave(self) -> None:
        """Give up the descent in work, write what is left, read once more, and sign off."""
        try:
            self._store_what_is_left()
            self._give_up()
            self._read()
            self._storage.set_trial_state_values(self._me, TrialState.COMPLETE, [float(self._own)])
        except _Failure:
            self._lost()

    @property
    def note(self) -> StudyNote:
        """What may be said about it."""
        unstored = len(self._unstored)
        total = self._others + self._own - unstored
        return StudyNote(self.name, self.place.shown, self.worker + 1, total, self._own, unstored)

    def _give_up(self) -> None:
        """Say that the start last taken is free again."""
        mine, self._mine, self._claim = self._mine, None, None
        if mine is not None:
            self._finish(mine, TrialState.FAIL)

    def _finish(self, trial: int, state: TrialState, value: float | None = None) -> None:
        """Give a trial its final state, unless somebody else has done so."""
        with suppress(optuna.exceptions.UpdateFinishedTrialError):
            self._storage.set_trial_state_values(trial, state, None if value is None else [value])

    def _taken_before(self, claim: Claim, trials: list[FrozenTrial]) -> bool:
        """Whether another worker was before this one in the class of a start, with a start as good."""
        others = self._classes.get((claim.family, claim.key), {})
        if claim.merit is None or not others:
            return False
        number = next(each.number for each in reversed(trials) if each._trial_id == self._mine)
        return any(other < number and claim.merit >= merit - AGAIN for other, merit in others.items())

    def _is_own(self, trial: FrozenTrial) -> bool:
        return bool(_attribute(trial, "claim").get("worker") == self.worker)

    def _read(self) -> list[FrozenTrial]:
        """All trials; what is new of other workers is kept for `news`. Only what may have changed is fetched."""
        trials: list[FrozenTrial] = self._storage.get_all_trials(self._study, deepcopy=False)
        if self._free_the_dead(trials):
            trials = self._storage.get_all_trials(self._study, deepcopy=False)
        for trial in trials:
            before = self._seen.get(trial.number)
            if before == trial.state or self._is_own(trial):
                continue
            if "claim" not in trial.user_attrs:
                continue
            claim, end = self._written(trial)
            self._seen[trial.number] = trial.state
            taken = self._classes.setdefault((claim.family, claim.key), {})
            if claim.merit is not None and trial.state != TrialState.FAIL:
                taken[trial.number] = claim.merit
            else:
                taken.pop(trial.number, None)
            if before is None and trial.state != TrialState.FAIL:
                self._unread.append((Change.TAKEN, claim, None))
            if trial.state == TrialState.COMPLETE and end is not None:
                self._unread.append((Change.ENDED, claim, end))
                self._others += 1
            elif trial.state == TrialState.FAIL and before is not None:
                self._unread.append((Change.GIVEN_UP, claim, None))
        return trials

    def _written(self, trial: FrozenTrial) -> tuple[Claim, End | None]:
        """Claim and end of another worker, held against what this search can have."""
        attributes = trial.user_attrs
        try:
            claim = read_claim(attributes["claim"], self._shapes)
            end = None if "end" not in attributes else read_end(attributes["end"], claim, self._shapes)
        except UnreadableRecord as error:
            raise UnreadableRecord(f"{error} of trial {trial.number}") from error
        return claim, end

    def _free_the_dead(self, trials: list[FrozenTrial]) -> bool:
        """Finish running trials of workers that are no more; whether there were any."""
        now, dead = time.monotonic(), []
        for trial in trials:
            if trial.state == TrialState.RUNNING and not self._is_own(trial):
                since = self._running_since.setdefault(trial.number, now)
                if now - since > STALE or self._is_dead_here(_attribute(trial, "claim")):
                    dead.append(trial)
        for trial in dead:
            # It may have been killed between the end's being written and counted.
            counts = "claim" in trial.user_attrs and self._written(trial)[1] is not None
            state = TrialState.COMPLETE if counts else TrialState.FAIL
            self._finish(trial._trial_id, state, _attribute(trial, "end")["value"] if counts else None)
        return bool(dead)

    def _is_dead_here(self, claim: Json) -> bool:
        """Whether a claim is of a process of this machine that has ended."""
        pid = claim.get("pid")
        if os.name != "posix" or claim.get("host") != self._names["host"] or type(pid) is not int or pid <= 0:
            return False
        try:
            os.kill(pid, 0)
        except ProcessLookupError:
            return True
        except (PermissionError, OverflowError):
            return False
        return False

    def _store_what_is_left(self) -> None:
        while self._unstored:
            self._store(self._unstored[0])
            self._unstored.pop(0)

    def _store(self, left: _Unstored) -> None:
        end = {**end_json(left.end), "value": left.value}
        if left.trial is not None:
            try:
                self._storage.set_trial_user_attr(left.trial, "end", end)
                self._storage.set_trial_state_values(left.trial, TrialState.COMPLETE, [left.value])
                return
            except (optuna.exceptions.UpdateFinishedTrialError, KeyError):
                # Taken for dead and freed, or lost with the server's last second: it is written anew.
                with suppress(KeyError):
                    if self._storage.get_trial(left.trial).state == TrialState.COMPLETE:
                        return
        content = {**claim_json(left.claim), "worker": self.worker, **self._names}
        attributes = {"claim": content, "end": end}
        trial = _trial(TrialState.COMPLETE, attributes, left.claim.family, left.value)
        self._storage.create_new_trial(self._study, trial)

    def _lost(self) -> None:
        self._retry_at = time.monotonic() + PAUSE


def open_study(place: StudyPlace, name: str, problem: Problem, families: list[Family]) -> SharedStudy:
    """The study of a name, made if there is none, with a new worker in it.

    Raises
    ------
    StudyError : when it cannot be reached or written, or belongs to another scenario
    """
    with undisturbed():
        return _open_study(place, name[:LONGEST_NAME], problem, families)


def _open_study(place: StudyPlace, name: str, problem: Problem, families: list[Family]) -> SharedStudy:
    optuna.logging.set_verbosity(logging.ERROR)
    require_usable(place)
    try:
        storage = _opened(place)
        about = binding(problem, families)
        study = _study(storage, name, about)
        workers = _study(storage, name + WORKERS, None)
        theirs = storage.get_study_user_attrs(study).get("binding")
        if theirs is None:
            raise StudyError(
                f"{place.shown}: holds a study {name!r} that is not rampwright's; name another one with --study-name"
            )
        differing = differences(about, theirs)
        if differing:
            raise StudyError(
                f"{place.shown}: the study {name!r} belongs to another scenario or another state of this one "
                f"({', '.join(differing)}); name a new one with --study-name, or another file or database"
            )
        return SharedStudy(place, name, storage, study, workers, shapes_of(problem, families))
    except StudyError:
        raise
    except ImportError as error:
        raise StudyError(
            f"{place.shown}: the driver for PostgreSQL is missing; pip install 'rampwright[postgres]' brings it"
        ) from error
    except (
        Exception
    ) as error:  # Optuna, SQLAlchemy and Alembic meet damaged tables with whatever they run into
        raise StudyError(f"{place.shown}: {_reason(place, error)}") from error


def _opened(place: StudyPlace) -> _CachedStorage:
    url = place.url
    arguments: Json = {"connect_args": {"connect_timeout": CONNECTING}}
    if place.file:  # opened by its name: in a URL ? and % mean something else
        file, url = place.file, f"sqlite:///{DEFAULT_FILE}"
        arguments = {"creator": lambda: sqlite3.connect(file, timeout=PATIENCE, check_same_thread=False)}
    for opening in range(OPENINGS):
        try:
            storage = RDBStorage(url, engine_kwargs={**arguments, "pool_size": 1})
            break
        except sqlalchemy.exc.SQLAlchemyError as error:
            if opening == OPENINGS - 1 or not _another_was_faster(error):
                raise
        except optuna.exceptions.StorageInternalError as error:
            if opening == OPENINGS - 1 or not _another_was_faster(error.__cause__):
                raise
        time.sleep(random.uniform(0.05, 0.3))

    if place.file:
        # What is committed survives the death of a worker at once, and that of the machine within seconds.
        @sqlalchemy.event.listens_for(storage.engine, "connect")
        def prepare(connection: Any, record: object) -> None:
            connection.execute("PRAGMA synchronous=NORMAL")

        storage.engine.dispose()
        with storage.engine.begin() as begun:  # a worker may have been killed before it
            begun.execute(sqlalchemy.text(UNIQUE_NAMES))
    return _CachedStorage(storage)


def _another_was_faster(error: BaseException | None) -> bool:
    """Whether an error comes of two workers making the same tables at once."""
    return isinstance(error, sqlalchemy.exc.IntegrityError) or "already exists" in str(error)


def _study(storage: _CachedStorage, name: str, about: Json | None) -> int:
    """The id of a study, made if there is none."""
    try:
        study: int = storage.create_new_study([StudyDirection.MINIMIZE], name)
        if about is not None:
            storage.set_study_user_attr(study, "binding", about)
        return study
    except optuna.exceptions.DuplicatedStudyError:
        study = storage.get_study_id_from_name(name)
        for _ in range(20):  # whoever made it may not have written yet what it is about
            if about is None or "binding" in storage.get_study_user_attrs(study):
                return study
            time.sleep(0.1)
        if not storage.get_all_trials(study, deepcopy=False):  # or was killed before
            storage.set_study_user_attr(study, "binding", about)
        return study


def _trial(
    state: TrialState, attributes: Json, family: int | None = None, value: float | None = None
) -> FrozenTrial:
    """A trial to be written in one go, with its family as parameter."""
    now = datetime.now()
    number = optuna.distributions.IntDistribution(0, 1000)
    return FrozenTrial(
        number=-1,
        state=state,
        value=value,
        datetime_start=now,
        datetime_complete=now if state.is_finished() else None,
        params={} if family is None else {"family": family},
        distributions={} if family is None else {"family": number},
        user_attrs=attributes,
        system_attrs={},
        intermediate_values={},
        trial_id=-1,
    )


def _attribute(trial: FrozenTrial, key: str) -> Json:
    """An attribute of a trial, nothing where it is missing or no table."""
    written = trial.user_attrs.get(key)
    return written if isinstance(written, dict) else {}


def _reason(place: StudyPlace, error: BaseException) -> str:
    """Why a study could not be opened, in one line and without what a URL may hold."""
    cause = error.__cause__ if isinstance(error, optuna.exceptions.StorageInternalError) else error
    said = str(getattr(cause, "orig", None) or cause or error)
    lines = [line.strip() for line in said.splitlines() if line.strip()]
    first = lines[0] if lines else type(error).__name__
    if "table schema" in said:
        return (
            "the study was begun with another version of Optuna, whose tables are not read; name another file or "
            "database"
        )
    if isinstance(error, UnreadableRecord):
        return (
            f"the study holds {said}, which is of another search or damaged; name a new one with --study-name"
        )
    if place.file is not None:
        if "disk is full" in said:
            return (
                "there is no room left on the disk for the study's file; make some, or name a file elsewhere"
            )
        return DAMAGED
    if any(word in said for word in ("password", "pg_hba", "role ", "authentication")):
        return (
            f"the server does not let this user in ({first}); set PGUSER and PGPASSWORD, or name a password file in "
            "PGPASSFILE"
        )
    if "permission denied" in said:
        return f"this user may not write there ({first}); let the server's administrator grant it"
    if "database" in said and "does not exist" in said:
        return f"there is no such database ({first}); make it with createdb, or correct the name"
    return f"the server cannot be reached ({first}); is it running, and does its address hold?"
