"""What is made from the declarations is current, and the schema takes and refuses what reading does."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft7Validator

from optimizer.app.shipped_scenarios import SCHEMA, blank
from optimizer.base.errors import ScenarioError
from optimizer.scenario.messages import SPELLINGS, parse_tables
from optimizer.scenario.schema import ScenarioTable
from tests.key_tables import BLOCK, PAGES, json_schema, schema_text, with_tables
from tests.optimizer.app.test_check import FULL
from tests.optimizer.bad_inputs import SCENARIO

SCENARIOS = sorted((Path(__file__).parent.parent / "scenarios").glob("*/scenario.toml"))
VALIDATOR = Draft7Validator(json_schema(ScenarioTable))


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_the_tables_of_the_documentation_are_current(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    assert len(BLOCK.findall(text)) >= (15 if page.name == "scenario.md" else 8)
    assert with_tables(text) == text, "make keys writes them anew"


def test_the_shipped_schema_is_current() -> None:
    # As values: in which order a key's parts stand differs between versions of pydantic.
    assert json.loads(SCHEMA.read_text(encoding="utf-8")) == json.loads(schema_text()), (
        "make keys writes it anew"
    )
    Draft7Validator.check_schema(json_schema(ScenarioTable))


def test_a_blank_scenario_names_the_schema_first() -> None:
    made = blank()
    first = made["scenario.toml"].decode().splitlines()[0]
    assert first == "#:schema ./scenario.schema.json"  # beside it, so that the folder can be moved
    assert made["scenario.schema.json"] == SCHEMA.read_bytes()


@pytest.mark.parametrize("text", [*(file.read_text(encoding="utf-8") for file in SCENARIOS), FULL, SCENARIO])
def test_the_schema_takes_good_scenarios(text: str) -> None:
    assert [error.message for error in VALIDATOR.iter_errors(tomllib.loads(text))] == []


def with_change(tree: Any, place: str, value: Any) -> Any:
    """The scenario with another value at a dotted place."""
    *tables, key = place.split(".")
    node = tree
    for step in tables:
        node = node[int(step)] if isinstance(node, list) else node.setdefault(step, {})
    node[key] = value
    return tree


@pytest.mark.parametrize(
    ("place", "value"),
    [
        ("column.length_m", 3000),
        ("column.length", 30),
        ("column.length_m", "30"),
        ("carrier.gas", "neon"),
        ("carrier.ambient_pressure_psi", 101.325),
        ("instrument.heating_limits", []),
        ("instrument.heating_limits", [[100, 60]]),
        ("instrument.max_oven_ramps", 2.5),
        ("instrument.cryogenic", "yes"),
        ("instrument.cool_down", {"from_C": 250, "to_C": 50}),
        ("goal.confidence", 95),
        ("goal.confidence", "certain"),
        ("current.carrier", {"mode": "constant pressure", "flow_mL_min": 1}),
        ("current.carrier", {"mode": "constant pressure"}),
        ("current.carrier", {"mode": "steady"}),
        ("scouting_runs.0.oven.start_C", 900),
        ("pairs.0.between", ["octane"]),
        ("search.carrier_modes", ["flow ramp"]),
        ("groups", {"name": "x"}),
    ],
)
def test_the_schema_refuses_what_reading_refuses(place: str, value: object) -> None:
    tree = with_change(tomllib.loads(SCENARIO), place, value)
    assert not VALIDATOR.is_valid(tree)
    with pytest.raises(ScenarioError):
        parse_tables("scenario.toml", tree, ScenarioTable)


@pytest.mark.parametrize("value", ["nominal", 0.5, 0.99])
def test_the_schema_takes_every_confidence(value: object) -> None:
    assert VALIDATOR.is_valid(with_change(tomllib.loads(SCENARIO), "goal.confidence", value))


def test_the_schema_has_every_spelling_of_a_pressure_once() -> None:
    psi = {"mode": "constant pressure", "inlet_psi": 14.5}
    assert VALIDATOR.is_valid(with_change(tomllib.loads(SCENARIO), "current.carrier", psi))
    assert not VALIDATOR.is_valid(
        with_change(tomllib.loads(SCENARIO), "current.carrier", {**psi, "inlet_kPa": 100})
    )
    keys = {key for table in VALIDATOR.schema["$defs"].values() for key in table.get("properties", {})}
    assert set(SPELLINGS) <= keys
