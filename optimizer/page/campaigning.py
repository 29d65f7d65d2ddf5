"""The campaign on the page: runs made, the next one proposed, and a run that was made looked at, approved, put in."""

from __future__ import annotations

import base64
import binascii
import os
import secrets
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path, PurePosixPath
from tempfile import TemporaryDirectory
from threading import Lock
from typing import Any, NamedTuple

from models.cores import cores_here
from models.errors import InvalidInputError, RampwrightError
from optimizer.app.interface_campaign import Addition, add_run, next_run, undo_run
from optimizer.app.peak_proposal import ProposedRow
from optimizer.base.output import write_atomically
from optimizer.base.text_files import read_bytes
from optimizer.campaign.history import read_campaign
from optimizer.campaign.new_run import table_of
from optimizer.campaign.words import says
from optimizer.page.run_messages import compared_message, peak_rows, run_picture
from optimizer.page.searching import Searching, told_while
from optimizer.page.session import Session
from optimizer.results.documents import Document
from optimizer.results.set_points import set_point_lines
from optimizer.runs.detection import is_trace
from optimizer.runs.peak_tables import PeakTable
from optimizer.runs.run_files import read_run
from optimizer.scenario.data import Scenario
from optimizer.scenario.peak_names import matching_text
from optimizer.scenario.program_tables import program_document

MOST_LOOKED_AT = 4  # runs that are kept for approval
LONGEST_NAME = 120  # characters of a file's name


@dataclass(frozen=True)
class Looked:
    """A run that somebody looks at.

    Attributes
    ----------
    file, peaks : a copy of what was dropped onto the page, and its peaks
    proposed : names as they were proposed, and how sure they are
    addition : what approving it puts in; None while its peaks have no names
    """

    file: Path
    peaks: PeakTable
    proposed: tuple[ProposedRow, ...]
    addition: Addition | None


class Campaigning:
    """The campaign of a session's scenario; everything written is what `rampwright add` and `next` write."""

    def __init__(self, session: Session, proposing: Searching | None = None) -> None:
        self._session = session
        self.proposing = proposing or Searching(propose, finishes=False)
        self._folder = TemporaryDirectory(prefix="rampwright-run-")
        self._looked: dict[str, Looked] = {}
        self._lock = Lock()
        session.ends.append(self.end)

    def end(self) -> None:
        """End its process, and take away what was dropped onto the page."""
        self.proposing.end()
        self._folder.cleanup()

    def state(self, asked: Document) -> Document:
        """The runs that were made, the history, and the run proposed last."""
        scenario = self._scenario()
        known = read_campaign(scenario)
        added = known.added[-1].run if known.added else None
        proposed = next((each.proposed for each in known.stages if each.injections == len(scenario.runs)), "")
        return {
            "runs": [
                {
                    "name": run.name,
                    "day": run.day,
                    "peaks": len(run.peaks.compounds),
                    "file": run.file,
                    "program": "; ".join(set_point_lines(run.program, scenario.ambient_pressure)),
                    "undo": run.name == added,
                }
                for run in scenario.runs
            ],
            "stages": [asdict(each) for each in known.stages],
            "proposed": proposed,
            "has_proposal": known.next_file.exists(),
            "proposing": self.proposing.state(),
            "compounds": list(scenario.compounds),
        }

    def next(self, asked: Document) -> Document:
        """Begin to look for the run to make next, `stop`, or tell how far it is."""
        if asked.get("stop"):
            self.proposing.stop()
        elif "seconds" in asked:
            seconds = asked["seconds"]
            if not isinstance(seconds, int | float) or not 1 <= seconds <= 3600:
                raise InvalidInputError(f"seconds = {seconds!r}: expected 1 to 3600")
            self.proposing.begin(Proposing(self._scenario(), float(seconds)))
        return self.proposing.state()

    def look(self, asked: Document) -> Document:
        """A run that was made, its peaks named as proposed or as a person named them: nothing is written.

        `file` (name, data in base64) begins, `ticket` goes on with `names`, one a peak.
        """
        with self._lock:
            ticket = asked.get("ticket")
            if ticket is None:
                file, proposed = self._copied(asked), None
                ticket = secrets.token_hex(8)
            elif ticket in self._looked:
                file, proposed = self._looked[ticket].file, self._looked[ticket].proposed
            else:
                raise InvalidInputError("that run is no longer looked at: choose its file again")
            try:
                looked = self._looked_at(file, proposed, asked)
            except RampwrightError as error:
                raise RampwrightError(str(error).replace(f"{file.parent}{os.sep}", "")) from None
            self._looked[ticket] = looked
            for old in list(self._looked)[:-MOST_LOOKED_AT]:
                del self._looked[old]
        return {"ticket": ticket, **_looked_message(looked, self._scenario())}

    def approve(self, asked: Document) -> Document:
        """Put a run that was looked at into the scenario, as `rampwright add` does; the fit is made anew."""
        with self._lock:
            looked = self._looked.get(str(asked.get("ticket")))
            if looked is None or looked.addition is None:
                raise InvalidInputError("that run is no longer looked at: choose its file again")
            if not asked.get("accept"):
                raise InvalidInputError(
                    "nothing was written: look at the peaks and their names first, and say so"
                )
            made = looked.addition.write(accept=True)
            self._looked.clear()
        self._session.read_again()
        name, file = made.addition.new.run.name, made.scenario.path
        return {"said": f"Run {name!r} is in {file} now; its former version is {made.former.name}."}

    def undo(self, asked: Document) -> Document:
        """Take the run added last out again."""
        with self._lock:
            said = undo_run(self._scenario())
        self._session.read_again()
        return {"said": said}

    def _scenario(self) -> Scenario:
        if self._session.scenario is None:
            raise InvalidInputError("set the scenario up first")
        return self._session.scenario

    def _copied(self, asked: Document) -> Path:
        given: Any = asked.get("file")
        try:
            name = PurePosixPath(str(given["name"]).replace("\\", "/")).name
            data = base64.b64decode(given["data"], validate=True)
        except (TypeError, KeyError, binascii.Error):
            raise InvalidInputError("file: expected a name and data in base64") from None
        if not name or len(name) > LONGEST_NAME or not name.isprintable() or name in (".", ".."):
            raise InvalidInputError(f"file: expected a name of at most {LONGEST_NAME} characters")
        folder = Path(self._folder.name) / secrets.token_hex(8)
        folder.mkdir()
        file = folder / name
        write_atomically(file, data)
        return file

    def _looked_at(self, file: Path, proposed: tuple[ProposedRow, ...] | None, asked: Document) -> Looked:
        scenario, names = self._scenario(), asked.get("names")
        run, matching = file, None
        peaks = read_run(file, columns=scenario.peak_columns)
        if not peaks.named and not scenario.runs and names is None:
            return Looked(
                file, peaks, tuple((file.stem, float(t), "", 0.0, "") for t in peaks.retention), None
            )
        if not peaks.named and names is not None:
            chosen = _names(names, peaks)
            run, matching = self._named(file, peaks, chosen, scenario)
        hold_up = asked.get("hold_up_min")
        if hold_up is not None and not isinstance(hold_up, int | float):
            raise InvalidInputError(f"hold-up time {hold_up!r}: expected a number of minutes")
        addition = add_run(
            scenario,
            run,
            self._session.program_meant(asked.get("program")),
            name=_text(asked.get("name")),
            day=_text(asked.get("day")),
            hold_up_min=hold_up,
            matching=matching,
        )
        return Looked(file, peaks, addition.names if proposed is None else proposed, addition)

    def _named(
        self, file: Path, peaks: PeakTable, names: list[str], scenario: Scenario
    ) -> tuple[Path, Path | None]:
        """The run as a file whose peaks have the names that a person gave, or with a table that has them."""
        if scenario.runs:
            rows = [(file.stem, float(t), name, 1.0) for t, name in zip(peaks.retention, names, strict=True)]
            matching = file.parent / "names" / f"{file.stem}.csv"
            matching.parent.mkdir(exist_ok=True)
            write_atomically(matching, matching_text(rows).encode())
            return file, matching
        given = PeakTable(
            tuple(names), peaks.retention, peaks.width_half, peaks.area, peaks.tailing, peaks.notes
        )
        table = file.parent / "names" / f"{file.stem}.csv"
        table.parent.mkdir(exist_ok=True)
        write_atomically(table, table_of(given.only(set(names) - {""})))
        return table, None


def _text(given: Any) -> str | None:
    return given.strip() or None if isinstance(given, str) else None


def _names(given: Any, peaks: PeakTable) -> list[str]:
    listed = isinstance(given, list) and len(given) == len(peaks.retention)
    if not listed or not all(isinstance(each, str) for each in given):
        raise InvalidInputError(
            f"names: expected {len(peaks.retention)}, one a peak, empty where there is none"
        )
    names = [each.strip() for each in given]
    twice = sorted({each for each in names if each and names.count(each) > 1})
    if twice:
        raise InvalidInputError(f"{twice[0]!r} is the name of {names.count(twice[0])} peaks: expected once")
    if not any(names):
        raise InvalidInputError("names: expected at least one peak with a name")
    return names


def _looked_message(looked: Looked, scenario: Scenario) -> Document:
    """What there is to see of a run: its trace or peaks, the names with their doubt, the comparison."""
    addition, peaks = looked.addition, looked.peaks
    trace = is_trace(looked.file, read_bytes(looked.file))
    found = None if addition is None else addition.new
    return {
        "file": looked.file.name,
        "picture": run_picture(looked.file if trace else None, peaks),
        "named": peaks.named,
        "peaks": peak_rows(peaks, looked.proposed, None if found is None else found.run.peaks),
        "compounds": list(scenario.compounds),
        "notes": [each.replace(f"{looked.file.parent}{os.sep}", "") for each in peaks.notes],
        "ready": addition is not None,
        **(
            {}
            if addition is None
            else {
                "run": addition.new.run.name,
                "day": addition.new.run.day,
                "origin": addition.origin,
                "program": set_point_lines(addition.new.run.program, scenario.ambient_pressure),
                "tables": program_document(addition.new.run.program, scenario.ambient_pressure),
                "doubts": _doubts(addition),
                "compared": None if addition.compared is None else compared_message(addition.compared),
            }
        ),
    }


def _doubts(addition: Addition) -> list[str]:
    """Why somebody should look first: what `add` says, and that a run is not as it was predicted."""
    found = list(addition.doubts)
    if addition.compared is not None and addition.compared.verdict in ("departs", "misnamed"):
        found += [each for each in (addition.compared.result.says,) if each not in found]
    return found


class Proposing(NamedTuple):
    """What the search for the next run begins with."""

    scenario: Scenario
    seconds: float


def propose(wanted: Proposing, orders: Iterator[Any]) -> Iterator[Document]:
    """What its process does: tell how far it is, write what `rampwright next` writes, say where the campaign stands."""

    def work(progress: Any) -> Document:
        made = next_run(
            wanted.scenario,
            seconds=wanted.seconds,
            cores=max(cores_here() - 1, 1),
            progress=progress,
        )
        made.keep()
        if made.found is not None:
            lines = says(made.found)
        elif made.first is not None:
            lines = [f"Make this run first: {made.first.name}."]
        else:
            lines = ["Both first runs are made."]
        ambient, column = wanted.scenario.ambient_pressure, wanted.scenario.column
        points = [] if made.proposed is None else set_point_lines(made.proposed, ambient, column=column)
        return {"at_work": False, "text": " ".join(lines), "set_points": points}

    return told_while(work)
