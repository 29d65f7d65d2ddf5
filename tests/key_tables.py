"""What is made from the declarations of a scenario: the key tables of the documentation and the schema for editors.

`make keys` writes them; `test_key_tables` holds them current.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

from optimizer.app.shipped_scenarios import SCHEMA
from optimizer.base.json_schema import json_schema
from optimizer.runs.peak_tables import PeakRow
from optimizer.scenario.schema import ScenarioTable

PAGES = tuple(Path(__file__).parent.parent / "docs" / name for name in ("scenario.md", "results.md"))
BLOCK = re.compile(r"(<!-- keys of (\w+) -->\n).*?(<!-- end -->)", re.S)
KEYS = ("key", "range", "default", "meaning")

Node = dict[str, Any]


def schema_text() -> str:
    """The schema as it is shipped."""
    return json.dumps(json_schema(ScenarioTable), indent=1, ensure_ascii=False) + "\n"


def with_tables(page: str) -> str:
    """A page with its tables made anew."""
    schema = json_schema(ScenarioTable)
    return BLOCK.sub(lambda found: found[1] + _table(schema, found[2]) + found[3], page)


def _table(schema: Node, name: str) -> str:
    """The table of a declared class: `ScenarioTable`, `Goal`, ...; `Carriers` and `GoalOfResults` are made up."""
    definitions = schema["$defs"]
    if name == "Carriers":
        modes = definitions["ProgramTable"]["properties"]["carrier"]["oneOf"]
        tables = [definitions[each["$ref"].rpartition("/")[2]] for each in modes]
        rows = [
            (f'"{_keys(table)["mode"]["const"]}"', _inline(definitions, table, but="mode"))
            for table in tables
        ]
        return _markdown(("`mode`", "keys"), rows)
    if name == "PeakRow":
        columns = _keys(json_schema(PeakRow)).items()
        rows = [(f"`{key}`", _range(node), node["description"]) for key, node in columns]
        return _markdown(("column", "range", "meaning"), rows)
    if name == "GoalOfResults":
        rows = []
        for key, node in _keys(definitions["Goal"]).items():
            inner = _keys(_table_in(definitions, node) or {"properties": {}})
            units = ", ".join(f"`{each}` ({of.get('x-unit')})" for each, of in inner.items())
            rows.append(
                (f"`{key}`", node.get("x-unit", ""), node["description"] + (f": {units}" if units else ""))
            )
        return _markdown(("key", "unit", "meaning"), rows)
    table = schema if name == "ScenarioTable" else definitions[name]
    return _markdown(KEYS, [_row(definitions, table, key, node) for key, node in _keys(table).items()])


def _keys(table: Node) -> Node:
    """The keys of a table, pressures in kPa alone."""
    return {key: node for key, node in table["properties"].items() if not re.search(r"_(psi|bar)(_|$)", key)}


def _row(definitions: Node, table: Node, key: str, node: Node) -> tuple[str, ...]:
    meaning, inner = node["description"], _table_in(definitions, node)
    if inner and not meaning.startswith(("`[", "see ")):
        meaning += f": {_inline(definitions, inner)}"
    return f"`{key}`", _range(node), _default(definitions, table, key, node), meaning


def _table_in(definitions: Node, node: Node) -> Node | None:
    reference = node.get("$ref") or node.get("items", {}).get("$ref")
    return definitions[reference.rpartition("/")[2]] if reference else None


def _inline(definitions: Node, table: Node, but: str = "") -> str:
    """The keys of a table in one cell."""
    parts = []
    for key, node in _keys(table).items():
        if key == but:
            continue
        inner, default = _table_in(definitions, node), _default(definitions, table, key, node)
        says = [_range(node)] + ([f"default {default}"] if default not in ("required", "none") else [])
        says += [node["description"]] if node.get("description") else []
        parts.append(
            f"`{key}` ({'; '.join(says)})" + (f" with {_inline(definitions, inner)}" if inner else "")
        )
    return ", ".join(parts)


def _range(node: Node) -> str:
    if "x-range" in node:
        return str(node["x-range"])
    if "enum" in node or "const" in node:
        return ", ".join(f'"{each}"' for each in node.get("enum", [node.get("const")]))
    if "minimum" in node:
        return f"{_number(node['minimum'])} to {_number(node['maximum'])} {node.get('x-unit', '')}".rstrip()
    kinds = {"boolean": "true, false", "string": "text", "array": "list"}
    return kinds.get(node.get("type", ""), "table")


def _default(definitions: Node, table: Node, key: str, node: Node) -> str:
    one_of = [each["required"][0] for rule in table.get("allOf", []) for each in rule["oneOf"]]
    if key in [*table.get("required", []), *one_of]:
        return "required"
    if "x-default" in node:
        return str(node["x-default"])
    if "default" in node:
        value = node["default"]
        return _number(value) if isinstance(value, float) else json.dumps(value)
    inner = _table_in(definitions, node)
    optional = inner is not None and "$ref" in node and not inner.get("required")
    return "see below" if optional and table.get("$defs") else "none"


def _number(value: float) -> str:
    text = f"{value:g}" if isinstance(value, float) and value >= 1e7 else f"{value:.10g}"
    return re.sub(r"e([+-])0(\d)", lambda found: f"e{found[1].strip('+')}{found[2]}", text)


def _markdown(heading: tuple[str, ...], rows: list[tuple[str, ...]]) -> str:
    lines = [heading, ("---",) * len(heading), *rows]
    return "".join("| " + " | ".join(line) + " |\n" for line in lines).replace(" --- ", "---")


def main() -> None:
    """Write all of them."""
    SCHEMA.write_text(schema_text(), encoding="utf-8")
    for page in PAGES:
        page.write_text(with_tables(page.read_text(encoding="utf-8")), encoding="utf-8")


if __name__ == "__main__":
    main()
