"""Searches in a process of their own, told to stop and asked how far they are; the page stays quick meanwhile."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any, NamedTuple

from models.column.programs import Program
from models.cores import cores_here
from models.errors import InvalidInputError, RampwrightError
from optimizer.app.interface import optimize, predict, snap
from optimizer.app.interface_results import Fitted, Optimized, Predicted
from optimizer.base.clock import Progress
from optimizer.base.output import make_folder
from optimizer.base.processes import Apart, Work
from optimizer.results.documents import Document
from optimizer.search.moves import holding, until_end, why_not_searched
from optimizer.search.program_space import families_of

STOP, SAVE = "stop", "save"


class Wanted(NamedTuple):
    """What a search begins with."""

    fitted: Fitted
    start: Program
    seconds: float


class Searching:
    """The search of one server: one at a time, and its result as long as no other begins.

    Parameters
    ----------
    work : what its process does
    finishes : whether, once stopped, it still simulates and rounds what it had found; else its process is ended
    """

    def __init__(self, work: Work | None = None, finishes: bool = True) -> None:
        self._work, self._finishes = work or search, finishes
        self._worker: Apart | None = None
        self._state: Document = {"at_work": False}
        self._saved: queue.SimpleQueue[Document] = queue.SimpleQueue()
        self._lock, self._writing = threading.Lock(), threading.Lock()

    def begin(self, wanted: Any) -> None:
        """Begin what is wanted; what is at work must have been stopped.

        Raises
        ------
        InvalidInputError : when something is at work
        """
        with self._lock:
            if self._state["at_work"] or self._writing.locked():
                raise InvalidInputError(
                    "a search is at work already, perhaps from another page: stop it first"
                )
            self._end()
            self._state = {"at_work": True, "share": 0.0, "text": "beginning"}
            self._worker = Apart(self._work, [wanted])
            threading.Thread(target=self._listen, args=(self._worker,), daemon=True).start()

    def stop(self) -> None:
        """Stop with the best so far, at once: what is still to be simulated of it follows when it is done."""
        with self._lock:
            if self._worker is None or not self._state["at_work"]:
                return
            best = self._state.get("candidates", [])
            if not self._finishes:
                self._end()
                self._state = {"at_work": False, "text": "stopped; nothing was written"}
                return
            text = "stopped; the best is now rounded and simulated" if best else "stopped"
            self._worker.order(0, STOP)
            self._state = {"at_work": False, "finishing": True, "text": text, "candidates": best}

    def state(self) -> Document:
        """How far it is: share of the budget and a line of text; candidates or an error once it has ended."""
        return self._state

    def save(self, folder: Path) -> Document:
        """Have its files written into a new folder, as `optimize` writes them; pictures are drawn now.

        Raises
        ------
        RampwrightError : when there is nothing to write, or it cannot be written
        """
        with self._writing:
            with self._lock:
                if self._worker is None or self._state["at_work"] or not self._state.get("candidates"):
                    raise InvalidInputError("there are no candidates to save: search first")
                self._saved = queue.SimpleQueue()
                saved = self._saved
                self._worker.order(0, (SAVE, folder))
            done = saved.get()
        if "error" in done:
            raise RampwrightError(str(done["error"]))
        return done

    def forget(self) -> None:
        """Forget what was found, since it no longer holds; a search at work goes on."""
        with self._lock:
            if not (self._state["at_work"] or self._state.get("finishing") or self._writing.locked()):
                self._end()
                self._state = {"at_work": False}

    def end(self) -> None:
        """End its process."""
        with self._lock:
            self._end()

    def _end(self) -> None:
        if self._worker is not None:
            worker, self._worker = self._worker, None
            worker.end()
            self._saved.put({"error": "the search was ended before it had written anything"})

    def _listen(self, worker: Apart) -> None:
        try:
            while self._worker is worker:
                answered = worker.answer(1.0)
                if answered is None:
                    continue
                answer: Document = answered[1]
                if "saved" in answer:
                    self._saved.put(answer["saved"])
                else:
                    with self._lock:
                        # What it tells on the way is of no interest once it was stopped.
                        if self._worker is worker and not (
                            self._state.get("finishing") and answer["at_work"]
                        ):
                            self._state = answer
        except RampwrightError as error:  # it ended by itself
            self._saved.put({"error": str(error)})
            with self._lock:
                if self._worker is worker:
                    self._state = {"at_work": False, "error": str(error)}


def search(wanted: Wanted, orders: Iterator[Any]) -> Iterator[Document]:
    """What the process does: tell how far the search is, then what it found, then write it where it is asked to."""
    answers: queue.SimpleQueue[Document] = queue.SimpleQueue()
    found: list[Optimized] = []
    stop, ended = threading.Event(), threading.Event()

    problem, start = wanted.fitted.problem, wanted.start
    scenario, ends = wanted.fitted.scenario, until_end(problem, start)
    searched = bool(holding(families_of(scenario), ends))
    note = "" if searched else f" (not from here: {why_not_searched(scenario, ends)})"

    seen: Document = {"share": 0.0, "text": "beginning", "candidates": []}

    def progress(share: float, text: str) -> None:
        seen.update(share=share, text=text + note)
        answers.put({"at_work": True, **seen})

    def better(program: Program) -> None:
        with suppress(RampwrightError):  # beyond what the oven can do once it is on the instrument's steps
            made = predict(wanted.fitted, snap(wanted.fitted, program), "quick")
            seen["candidates"] = [_as_candidate("best so far", made), *seen["candidates"]]
            answers.put({"at_work": True, **seen})

    def at_work() -> None:
        try:
            made = optimize(
                wanted.fitted,
                seconds=wanted.seconds,
                what_if=False,
                start_from=start if searched else None,
                cores=max(cores_here() - 1, 1),  # one is for who looks on
                stop=stop,
                progress=progress,
                best=better,
            )
        except RampwrightError as error:
            answers.put({"at_work": False, "error": str(error)})
        except KeyboardInterrupt:  # stopped before there was anything
            answers.put({"at_work": False, "text": "stopped before anything was found", "candidates": []})
        else:
            found.append(made)
            answers.put(_found(made))
        ended.set()

    def listen() -> None:
        for order in orders:
            if order == STOP:
                stop.set()
                continue
            ended.wait()
            saved = (
                _saved(found[-1], order[1]) if found else {"error": "nothing was found that could be saved"}
            )
            answers.put({"saved": saved})

    for target in (at_work, listen):
        threading.Thread(target=target, daemon=True).start()
    while True:
        yield answers.get()


def told_while(work: Callable[[Progress], Document]) -> Iterator[Document]:
    """How far a piece of work is, as it goes, then what it gives."""
    answers: queue.SimpleQueue[Document] = queue.SimpleQueue()

    def progress(share: float, text: str) -> None:
        answers.put({"at_work": True, "share": share, "text": text})

    def at_work() -> None:
        try:
            answers.put(work(progress))
        except RampwrightError as error:
            answers.put({"at_work": False, "error": str(error)})

    threading.Thread(target=at_work, daemon=True).start()
    while True:
        yield answers.get()


def _found(made: Optimized) -> Document:
    """Candidates, best first, and whether they meet the goal."""
    return {
        "at_work": False,
        "text": ("stopped; " if made.outcome.interrupted else "")
        + ("these meet the goal" if made.feasible else "none meets the goal; these come closest"),
        "candidates": [
            _as_candidate(f"candidate {each.rank}", made.predicted(each.rank)) for each in made.candidates
        ],
    }


def _as_candidate(label: str, made: Predicted) -> Document:
    return {
        "label": label,
        "program": made.tables,
        "run_time": round(made.run_time_min, 4),
        "share": None if made.reliability is None else made.reliability.share,
        "runs": not made.breaks_equipment,
    }


def _saved(made: Optimized, folder: Path) -> Document:
    try:
        files = made.files()
        make_folder(folder, files)
    except RampwrightError as error:
        return {"error": str(error)}
    return {"folder": str(folder), "files": len(files)}
