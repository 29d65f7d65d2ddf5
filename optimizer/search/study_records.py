"""What workers tell one another about a search: starts taken, ends found, and what the search is about.

Everything is kept as JSON without loss: Python writes a float so that reading it gives the same float. Keys of classes
are bytes, written in base 64.
"""

from __future__ import annotations

import hashlib
from base64 import b64decode, b64encode
from dataclasses import dataclass, fields, is_dataclass
from enum import Enum, auto
from pathlib import Path
from typing import Any

import numpy as np

from models.column.programs import Array
from optimizer import __version__
from optimizer.goal.goal import Problem
from optimizer.goal.robustness import Backoff
from optimizer.search.descent import Descent
from optimizer.search.program_space import Family

FORMAT = 1
SAME_FIT = 1e-4  # relative difference within which two machines' fits of the same runs are the same
# What a scenario says that no descent depends on, beside what is not compared at all (where its data were read from).
NO_MATTER = frozenset({"title", "path", "warnings"})
NO_MATTER_IN = {"search": frozenset({"seconds", "candidates"}), "goal": frozenset({"front_points", "shift"})}
IN_WORDS = {"min_temperature": "column limits", "max_temperature": "column limits"}
IN_WORDS |= {
    "max_programmed_temperature": "column limits",
    "runs": "scouting runs",
    "current": "method in use",
}

Json = dict[str, Any]


class Change(Enum):
    """What became of a start: a worker took it, ended its descent, or gave it up."""

    TAKEN = auto()
    ENDED = auto()
    GIVEN_UP = auto()


@dataclass(frozen=True)
class Claim:
    """A start that a worker takes.

    Attributes
    ----------
    family : int, its number
    start : (D,) array on the unit cube
    kind : who proposed it
    key, merit : class of the start and what speaks for it there; None unless it was chosen for its class
    """

    family: int
    start: Array
    kind: str
    key: bytes | None = None
    merit: float | None = None


@dataclass(frozen=True)
class End:
    """Where the descent from a start ended.

    Attributes
    ----------
    descent : Descent
    key : class of the end
    screened : int, programs screened by the worker since its last end
    """

    descent: Descent
    key: bytes
    screened: int


def claim_json(claim: Claim) -> Json:
    """A claim as JSON."""
    return {
        "family": claim.family,
        "start": claim.start.tolist(),
        "kind": claim.kind,
        "class": None if claim.key is None else _text(claim.key),
        "merit": claim.merit,
    }


def claim_of(written: Json) -> Claim:
    """`claim_json` turned round."""
    key = written["class"]
    return Claim(
        written["family"],
        np.array(written["start"], dtype=float),
        written["kind"],
        None if key is None else b64decode(key),
        written["merit"],
    )


def end_json(end: End) -> Json:
    """An end as JSON."""
    descent = end.descent
    return {
        "end": descent.z.tolist(),
        "cost": descent.cost,
        "margin": descent.margin,
        "equipment": descent.equipment,
        "shortfall": descent.shortfall,
        "evaluations": descent.evaluations,
        "backoff": None if descent.backoff is None else _backoff_json(descent.backoff),
        "class": _text(end.key),
        "screened": end.screened,
    }


def end_of(written: Json) -> End:
    """`end_json` turned round."""
    backoff = written["backoff"]
    descent = Descent(
        np.array(written["end"], dtype=float),
        written["cost"],
        written["margin"],
        written["equipment"],
        written["shortfall"],
        written["evaluations"],
        None if backoff is None else _backoff_of(backoff),
    )
    return End(descent, b64decode(written["class"]), written["screened"])


class UnreadableRecord(Exception):
    """A claim or an end that rampwright cannot have written."""


@dataclass(frozen=True)
class Shapes:
    """What claims and ends of a search are held against.

    Attributes
    ----------
    sizes : of each family, the number of its variables
    compounds, limits : lengths in what the draws ask for
    by_draws : whether they ask for anything
    """

    sizes: tuple[int, ...]
    compounds: int
    limits: int
    by_draws: bool


def shapes_of(problem: Problem, families: list[Family]) -> Shapes:
    """Those of a search."""
    counts, _ = problem.partners
    sizes = tuple(family.size for family in families)
    return Shapes(sizes, len(counts), len(problem.limit_names), problem.by_draws)


def read_claim(written: object, shapes: Shapes) -> Claim:
    """A claim that another worker wrote.

    Raises
    ------
    UnreadableRecord : when it is none of this search
    """
    try:
        claim = claim_of(written)  # type: ignore[arg-type]
        _require(type(claim.family) is int and 0 <= claim.family < len(shapes.sizes))
        _require(claim.start.shape == (shapes.sizes[claim.family],))
        _require(bool(np.all((claim.start >= 0) & (claim.start <= 1))))
        _require(claim.merit is None or (_is_number(claim.merit) and claim.key is not None))
    except _UNREADABLE as error:
        raise UnreadableRecord("a start") from error
    return claim


def read_end(written: object, claim: Claim, shapes: Shapes) -> End:
    """An end that another worker wrote, of the descent from its claim.

    Raises
    ------
    UnreadableRecord : when it is none of this search
    """
    try:
        end = end_of(written)  # type: ignore[arg-type]
        descent, backoff = end.descent, end.descent.backoff
        _require(descent.z.shape == claim.start.shape and bool(np.isfinite(descent.z).all()))
        numbers = (descent.cost, descent.margin, descent.equipment, descent.shortfall, written["value"])  # type: ignore[index]
        _require(all(map(_is_number, numbers)) and not any(map(np.isnan, numbers)))
        _require(0 < descent.cost < np.inf)
        _require(
            all(type(count) is int and 0 <= count < 2**62 for count in (descent.evaluations, end.screened))
        )
        if backoff is not None and shapes.by_draws:
            _require(
                backoff.pairs.shape == (shapes.compounds,) * 2 and backoff.limits.shape == (shapes.limits,)
            )
            _require(_is_number(backoff.kappa) and _is_number(backoff.end))
    except _UNREADABLE as error:
        raise UnreadableRecord("an end") from error
    return end


# What comes of taking apart JSON that is not as expected.
_UNREADABLE = (LookupError, TypeError, ValueError, ArithmeticError, AttributeError, UnreadableRecord)


def _require(holds: bool) -> None:
    if not holds:
        raise UnreadableRecord


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _backoff_json(backoff: Backoff) -> Json:
    """The pairs' part is symmetric and mostly zero: only what is not is written."""
    first, second = np.nonzero(np.triu(backoff.pairs))
    return {
        "kappa": backoff.kappa,
        "end": backoff.end,
        "compounds": len(backoff.pairs),
        "first": first.tolist(),
        "second": second.tolist(),
        "pairs": backoff.pairs[first, second].tolist(),
        "limits": backoff.limits.tolist(),
    }


def _backoff_of(written: Json) -> Backoff:
    pairs = np.zeros((written["compounds"], written["compounds"]))
    first, second = np.array(written["first"], dtype=np.intp), np.array(written["second"], dtype=np.intp)
    pairs[first, second] = pairs[second, first] = written["pairs"]
    return Backoff(written["kappa"], pairs, np.array(written["limits"], dtype=float), written["end"])


def _text(key: bytes) -> str:
    return b64encode(key).decode("ascii")


def binding(problem: Problem, families: list[Family]) -> Json:
    """What ends of a search depend on: two searches may share a study only when they agree in all of it.

    The fit is written as numbers: machines of different make fit the same runs with slightly different digits. The rest
    is written as one digest a part, so that a message can say which part differs.
    """
    scenario = problem.scenario
    parts = {}
    for each in fields(scenario):
        if each.compare and each.name not in NO_MATTER:
            left_out = NO_MATTER_IN.get(each.name, frozenset())
            parts[each.name] = _digest(_plain(getattr(scenario, each.name), left_out))
    fit = problem.fit
    return {
        "format": FORMAT,
        "version": __version__,
        "parts": parts,
        "needed": _digest(_plain((problem.pairs, problem.targets))),
        "families": [f"{family.name} ({family.size})" for family in families],
        "fit": [
            *np.concatenate([fit.retention.T0, fit.retention.theta]).tolist(),
            fit.system.flow_factor,
            fit.system.plate_height_factor,
        ],
    }


def differences(own: Json, theirs: Json) -> list[str]:
    """What two bindings differ in, in words; empty when they agree."""
    found = []
    if (own["format"], own["version"]) != (theirs.get("format"), theirs.get("version")):
        return [f"rampwright {theirs.get('version')} began it, this is {own['version']}"]
    for name in own["parts"]:
        if own["parts"][name] != theirs["parts"].get(name):
            found.append(IN_WORDS.get(name, name.replace("_", " ")))
    if not found and own["needed"] != theirs["needed"]:
        found.append("pairs")
    if own["families"] != theirs["families"]:
        found.append("kinds of programs")
    mine, other = np.array(own["fit"]), np.array(theirs["fit"])
    if mine.shape != other.shape or not np.allclose(mine, other, rtol=SAME_FIT, atol=0.0):
        found.append("fit")
    return list(dict.fromkeys(found))


def _digest(value: object) -> str:
    return hashlib.sha256(repr(value).encode()).hexdigest()[:32]


def _plain(value: object, left_out: frozenset[str] = frozenset()) -> object:
    """Nested lists of text and numbers, whose repr is the same for the same value on every machine."""
    if is_dataclass(value) and not isinstance(value, type):
        pairs = [(each.name, getattr(value, each.name)) for each in fields(value) if each.compare]
        return [type(value).__name__, *((name, _plain(v)) for name, v in pairs if name not in left_out)]
    if isinstance(value, np.ndarray):
        return _plain(value.tolist())
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, dict):
        return sorted((repr(k), _plain(v)) for k, v in value.items())
    if isinstance(value, frozenset | set):
        return sorted(repr(_plain(v)) for v in value)
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if isinstance(value, Path):
        return value.name
    if value is None or isinstance(value, str | int | float | bool):
        return value
    raise TypeError(f"no plain form of {type(value).__name__}")
