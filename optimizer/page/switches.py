"""What-ifs as switches: the same scenario with hydrogen, on another column, a pair ignored, a compound left out."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from typing import Any

from models.column.carrier_gas import CARRIER_GASES
from models.errors import InvalidInputError
from optimizer.app.interface import fit
from optimizer.app.interface_results import Fitted
from optimizer.base.given_values import inline_toml
from optimizer.base.text_files import read_text
from optimizer.methods.adapt import on_new_system, scenario_on
from optimizer.methods.adapt_options import Change
from optimizer.methods.columns.choice import change_to, on_owned
from optimizer.results.documents import Document
from optimizer.scenario.reading import with_other_keys

HYDROGEN = "hydrogen"
Pair = tuple[str, str]


@dataclass(frozen=True)
class Switches:
    """What differs from the scenario as it is written.

    Attributes
    ----------
    hydrogen : whether it is the carrier gas
    column : name of the owned column it runs on; "" for the one in use
    ignored : pairs that need not be resolved, the names of each in order
    left_out : compounds taken out of the sample
    """

    hydrogen: bool = False
    column: str = ""
    ignored: tuple[Pair, ...] = ()
    left_out: tuple[str, ...] = ()

    @property
    def any(self) -> bool:
        """Whether anything differs."""
        return self != Switches()

    def lines(self, fitted: Fitted) -> list[str]:
        """How a person keeps them, line by line."""
        path = fitted.scenario.path
        found = [f"Predicted with switches. To keep them, write this into {path}:"]
        if self.left_out:
            found.append(
                f"at the top, with what is there already: leave_out = {inline_toml(list(self.left_out))}"
            )
        for pair in self.ignored:
            found.append(f"at the end: [[pairs]] with between = {inline_toml(list(pair))} and ignore = true")
        if not (self.left_out or self.ignored):
            found.clear()
        if self.hydrogen or self.column:
            gas = f" for {HYDROGEN}" if self.hydrogen else ""
            column = f"column {self.column}, as its tag says" if self.column else "the same column"
            command = "--all" if self.column else f"--gas {HYDROGEN}"
            found.append(
                f"Predicted{gas} on {column}. rampwright adapt {path.parent} {command} carries the method over."
            )
        return found


def switches_of(asked: Document) -> Switches:
    """The switches that a page asks for.

    Raises
    ------
    InvalidInputError : when they are none
    """
    given: Any = asked.get("what_if") or {}
    try:
        ignored = tuple(sorted({_pair(each) for each in given.get("ignored", [])}))
        left_out = tuple(sorted({_name(each) for each in given.get("left_out", [])}))
        return Switches(bool(given.get("hydrogen")), _name(given.get("column", "")), ignored, left_out)
    except (AttributeError, TypeError, ValueError):
        raise InvalidInputError(
            "what_if: expected hydrogen, column (a name), ignored (pairs of names) and left_out (names)"
        ) from None


def _name(given: Any) -> str:
    if not isinstance(given, str):
        raise TypeError
    return given


def _pair(given: Any) -> Pair:
    a, b = sorted(_name(each) for each in given)
    return a, b


def switched(fitted: Fitted, switches: Switches) -> Fitted:
    """The fit under switches; runs are fitted anew where compounds are left out.

    Raises
    ------
    RampwrightError : when the scenario cannot be so
    """
    scenario = fitted.scenario
    if switches.ignored or switches.left_out:
        tree = tomllib.loads(read_text(scenario.path))
        tree["leave_out"] = sorted({*tree.get("leave_out", []), *switches.left_out})
        gone = set(switches.left_out)
        pairs = [each for each in switches.ignored if not gone & set(each)]
        others = [each for each in tree.get("pairs", []) if tuple(sorted(each["between"])) not in pairs]
        tree["pairs"] = [*others, *({"between": list(each), "ignore": True} for each in pairs)]
        fitted = fit(with_other_keys(scenario.path, tree))
    if not (switches.hydrogen or switches.column):
        return fitted
    scenario = fitted.scenario
    change = Change(gas=CARRIER_GASES[HYDROGEN] if switches.hydrogen else None)
    if switches.column:
        owned = next((each for each in scenario.columns if each.name == switches.column), None)
        if owned is None:
            raise InvalidInputError(f"column {switches.column!r}: is none of [[columns]]")
        scenario, change = on_owned(scenario, owned), change_to(owned, change.gas)
    carried, _ = on_new_system(scenario, fitted.fit, change)
    return Fitted(scenario_on(scenario, carried.system)[0], carried)
