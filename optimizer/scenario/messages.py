"""From the text of a TOML file to a checked table, and from what is wrong with it to one line each.

Lists are counted from one in messages: `scouting_runs[2].oven.ramps[1].to_C`. Of a blank scenario it says line by line
what each value is that nobody has filled in yet.
"""

from __future__ import annotations

import math
import re
import sys
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Literal, TypeVar, get_args, get_origin

from pydantic import ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from models.units import PA_PER_KPA, REFERENCE_PRESSURE
from optimizer.base.errors import ScenarioError
from optimizer.base.given_values import Given, Place, Written, dotted, shown
from optimizer.base.quantities import KPA_PER
from optimizer.base.tables import every_table, keys_of, parts_of, quantity_in, read_table, tables_in
from optimizer.base.text_files import nearest, read_text
from optimizer.scenario.program_tables import CARRIER_MODES
from optimizer.scenario.schema import ScenarioTable

DEEPEST = 20  # levels of lists and tables; the format needs 5, and what recurses must end
Parsed = TypeVar("Parsed")

# psi and bar spellings of the pressure keys: (key in kPa, unit)
SPELLINGS = {
    key.replace("kPa", unit): (key, unit)
    for table in every_table(ScenarioTable)
    for key in keys_of(table)
    if "kPa" in key
    for unit in KPA_PER
}
# Other words for where a piece is joined.
SAID_FOR = {
    **dict.fromkeys(("behind", "downstream", "outlet", "end", "detector", "last"), "after"),
    **dict.fromkeys(("in front", "in front of", "upstream", "inlet", "start", "injector", "first"), "before"),
}
BLANK = "fill in"
BLANKS_REMAIN = f'replace each "{BLANK}" by a value; a number stands without quotes'
_ASSIGNMENT = re.compile(rf'^\s*(?P<key>\w+)\s*=\s*"{BLANK}"\s*(?:#\s*(?P<comment>.*))?$')


def parse_file(
    path: Path, schema: type[Parsed], ambient_pressure: float | None = None
) -> tuple[Parsed, Given]:
    """Read a TOML file into its schema, in SI; also its keys as it has them.

    Parameters
    ----------
    ambient_pressure : float  [Pa absolute], to which gauge pressures refer; a scenario states its own

    Raises
    ------
    ScenarioError : for anything about the file itself, its syntax, its keys, values and units
    """
    text = read_text(path)
    raw = _toml(path, text)
    blanks = blank_lines(text, raw, schema)
    if blanks:
        raise ScenarioError("\n".join([f"{path}: {BLANKS_REMAIN}", *blanks]))
    return parse_tables(path, raw, schema, ambient_pressure)


def parse_tables(
    path: Path | str, raw: dict[str, Any], schema: type[Parsed], ambient_pressure: float | None = None
) -> tuple[Parsed, Given]:
    """The same for tables that were read already; `path` is what messages call them.

    Raises
    ------
    ScenarioError : as `parse_file`
    """
    problems: list[str] = []
    written: dict[str, Written] = {}
    tree = _in_kPa(raw, (), written, problems, path)
    if problems:
        raise ScenarioError(problems)
    room = _room(tree) if ambient_pressure is None else ambient_pressure
    try:
        table = read_table(schema, tree, room)
    except ValidationError as error:
        raise ScenarioError(list(_lines(path, schema, tree, error, written))) from None
    return table, Given(table, tree, written, room)


def _room(tree: dict[str, Any]) -> float:
    """The ambient pressure [Pa] that a scenario states, before it is checked; the usual one if it is no pressure."""
    carrier = tree.get("carrier")
    stated = carrier.get("ambient_pressure_kPa") if isinstance(carrier, dict) else None
    if isinstance(stated, int | float) and not isinstance(stated, bool):
        return stated * PA_PER_KPA
    return REFERENCE_PRESSURE


def _toml(path: Path, text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        message = str(error)
        found = re.search(r"\(at line (\d+)", message)
        line = text.split("\n")[int(found[1]) - 1].strip() if found else ""
        where = f"{path}, line {found[1]}" if found else str(path)
        reason = re.sub(r"\s*\(at .*\)", "", message)
        hint = _toml_hint(reason, line)
        raise ScenarioError(f"{where}: not valid TOML ({reason}) in {line!r}; {hint}") from None
    except RecursionError:
        raise ScenarioError(f"{path}: not valid TOML: its brackets are nested far too deeply") from None
    except ValueError:  # of a number with thousands of digits
        raise ScenarioError(
            f"{path}: holds a number of far too many digits; expected such as 30 or 0.25"
        ) from None


def _toml_hint(reason: str, line: str) -> str:
    if re.search(r"=\s*-?\d+,\d", line):
        return "write numbers with a decimal point, not a comma"
    if "overwrite" in reason or "declare" in reason or "Duplicate" in reason:
        return "a key or [table] is given twice"
    if "escape" in reason.casefold():
        return "write / between folders, or put the text in single quotes"
    if re.search(r"=\s*[A-Za-z]", line):
        return "text must stand in quotes"
    if re.search(r"=\s*-?[\d.]+\s*[^\d\s#,\]}.eE_:-]", line):
        return "a value is a number alone, its unit is in the key"
    return "expected lines such as length_m = 30, under headings such as [column]"


def _in_kPa(
    node: Any, place: Place, written: dict[str, Written], problems: list[str], path: Path | str
) -> Any:
    """A copy of the tree with every pressure key in kPa."""
    if len(place) > DEEPEST:
        raise ScenarioError(
            f"{path}: {dotted(place[:3])}: is nested {DEEPEST} levels deep and more; no key is"
        )
    if isinstance(node, list):
        return [_in_kPa(each, (*place, i), written, problems, path) for i, each in enumerate(node)]
    if not isinstance(node, dict):
        return _as_float_can(node)
    out: dict[str, Any] = {}
    for key, value in node.items():
        canonical, unit = SPELLINGS.get(key, (key, ""))
        if canonical in out:
            both = " and ".join(k for k in node if SPELLINGS.get(k, (k,))[0] == canonical)
            problems.append(f"{path}: {dotted(place)} has {both}; give a pressure once")
        number = isinstance(value, int | float) and not isinstance(value, bool)
        if unit:
            written[dotted((*place, canonical))] = Written(key, unit, _as_float_can(value))
            out[canonical] = _as_float_can(value) * KPA_PER[unit] if number else value
        else:
            out[key] = _in_kPa(value, (*place, key), written, problems, path)
    return out


def _as_float_can(value: Any) -> Any:
    """A whole number too large for a float as an infinite one, anything else as it is."""
    if isinstance(value, int) and abs(value) > sys.float_info.max:
        return math.inf if value > 0 else -math.inf
    return value


def _lines(
    path: Path | str,
    schema: type,
    tree: dict[str, Any],
    error: ValidationError,
    written: dict[str, Written],
) -> Iterator[str]:
    errors = error.errors(include_url=False)
    suggested: set[str] = set()
    lines: list[tuple[str, str, str]] = []
    places = [detail["loc"] for detail in errors]
    for detail in errors:
        loc = detail["loc"]
        place = _without_tags(loc, tree)
        # An entry that is refused is not counted: that its list is then too short says nothing new.
        if detail["type"] == "too_short" and any(each != loc and each[: len(loc)] == loc for each in places):
            continue
        key = dotted(place)
        if detail["type"] == "unexpected_keyword_argument":
            text, better = _unknown(schema, detail["loc"], place)
            suggested.add(better)
            lines.append(("", key, text))
        else:
            lines.append((detail["type"], key, _line(detail, place, tree, written)))
    for kind, key, text in lines:
        # A misspelt key has been named with its right spelling: that the latter is missing says nothing new.
        if not (kind == "missing" and key in suggested):
            yield f"{path}: {text}{_run_name(key, tree)}"


def _run_name(key: str, tree: dict[str, Any]) -> str:
    found = re.match(r"scouting_runs\[(\d+)\]\.", key)
    if not found:
        return ""
    run = tree["scouting_runs"][int(found[1]) - 1]
    name = run.get("name") if isinstance(run, dict) else None
    return f" (run {name!r})" if isinstance(name, str) and name else ""


def _without_tags(place: Place, tree: Any) -> Place:
    """Drop the carrier mode that the location of an error inside a carrier table carries."""
    out: list[str | int] = []
    node = tree
    for step in place:
        if step in CARRIER_MODES and isinstance(node, dict) and step not in node:
            continue
        out.append(step)
        try:
            node = node[step]
        except (KeyError, IndexError, TypeError):
            node = None
    return tuple(out)


def _table_at(schema: type, place: Place) -> type | None:
    """The table that holds the key at `place` (with the tags of carrier modes)."""
    here = schema
    inside: list[type] = []
    for step in place[:-1]:
        if isinstance(step, int):
            continue
        if step in CARRIER_MODES:
            here = next((t for t in inside if step in get_args(keys_of(t)["mode"].annotation)), here)
            continue
        field = keys_of(here).get(step)
        if field is None:
            return None
        inside = tables_in(field.annotation)
        if not inside:
            return None
        here = inside[0]
    return here


def _all_keys(schema: type, prefix: str = "") -> Iterator[tuple[str, str]]:
    """Every (key, dotted place) of a schema."""
    for key, field in keys_of(schema).items():
        yield key, prefix + key
        for table in tables_in(field.annotation):
            yield from _all_keys(table, f"{prefix}{key}.")


def _unknown(schema: type, tagged: Place, place: Place) -> tuple[str, str]:
    """What to say about an unknown key, and the full key that was probably meant."""
    word = str(place[-1])
    table = _table_at(schema, tagged)
    known = list(keys_of(table)) if table else []
    # psi and bar spellings reach this point only where the table has no such pressure.
    near = nearest(word, known, 0.55)
    parent = dotted(place[:-1])
    text = f"unknown key {dotted(place)}"
    if near:
        meant = f"{parent}.{near}" if parent else near
        return f"{text}; did you mean {near}?", meant
    if "mode" in known:
        return f"{text}; with this mode a carrier has {', '.join(known)}", ""
    elsewhere = list(_all_keys(schema))
    exact = [where for key, where in elsewhere if key == word]
    if exact:
        return f"{text}; that key belongs at {exact[0]}", ""
    far = nearest(word, sorted({key for key, _ in elsewhere}), 0.75)
    if far:
        where = next(where for key, where in elsewhere if key == far)
        return f"{text}; did you mean {where}?", ""
    return f"{text}; known here are {', '.join(known)}", ""


def _line(detail: ErrorDetails, place: Place, tree: Any, written: Mapping[str, Written]) -> str:
    """One sentence about one error: key = value, what was expected, the likely slip."""
    kind, value, ctx = detail["type"], detail.get("input"), detail.get("ctx", {})
    key = dotted(place)
    spelled = written.get(key)
    if spelled:
        key, value = dotted((*place[:-1], spelled.key)), spelled.value
    given = f"{key} = {shown(value)}"
    if kind == "missing":
        return f"{key} is missing{_missing_hint(place, tree)}"
    if kind == "out_of_range":
        low, high, unit, hint = ctx["low"], ctx["high"], ctx["unit"], ctx["hint"]
        if spelled:
            factor = KPA_PER[spelled.unit]
            low, high, unit = low / factor, high / factor, unit.replace("kPa", spelled.unit)
            hint = "" if "looks like" in hint else hint
            if ctx["low"] <= value <= ctx["high"]:
                hint = f"{value:g} looks like kPa"
        expected = f"expected {low:.4g} to {_bound(high)} {unit}".rstrip()
        return f"{given}: {expected}" + (f"; {hint}" if hint else "")
    if kind in ("greater_than_equal", "less_than_equal"):
        limit = "at least" if kind.startswith("greater") else "at most"
        return f"{given}: expected a whole number of {limit} {ctx.get('ge', ctx.get('le'))}"
    if kind in ("float_type", "int_type", "int_from_float"):
        what = "a number" if kind == "float_type" else "a whole number"
        return f"{given}: expected {what}{_number_hint(value)}"
    if kind == "literal_error":
        choices = re.findall("'([^']*)'", ctx["expected"])
        return f"{given}: expected {' or '.join(map(repr, choices))}{_choice_hint(value, choices)}"
    if kind == "not_a_share":
        return f"{given}: {detail['msg']}{_number_hint(value)}"
    if kind in ("no_formula", "no_mesh"):
        return f"{given}: {detail['msg']}"
    if kind == "union_tag_invalid":
        hint = _choice_hint(ctx["tag"], list(CARRIER_MODES))
        modes = ", ".join(map(repr, CARRIER_MODES))
        return f"{key}.mode = {shown(ctx['tag'])}: expected one of {modes}{hint}"
    if kind == "union_tag_not_found":
        return f"{key}.mode is missing: expected one of {', '.join(map(repr, CARRIER_MODES))}"
    if kind in ("dataclass_type", "model_attributes_type", "dict_type"):
        hint = f"; write [{key}], with single brackets" if isinstance(value, list) else ""
        return f"{key}: expected a table of keys{hint}"
    if kind == "tuple_type":
        hint = f"; write [[{key}]], with double brackets" if isinstance(value, dict) else ""
        return f"{key}: expected a list{hint}"
    if kind == "too_short":
        return f"{key}: expected at least {ctx['min_length']} entries, got {ctx['actual_length']}"
    if kind == "too_long":
        return f"{key}: expected at most {ctx['max_length']} entries, got {ctx['actual_length']}"
    if kind == "string_type":
        return f"{given}: expected text in quotes"
    if kind in ("string_too_short", "string_pattern_mismatch"):
        return (
            f"{given}: expected text that is not empty and has no blanks at its ends, nor unseen characters"
        )
    if kind == "bool_type":
        return f"{given}: expected true or false, without quotes"
    return f"{given}: {detail['msg']}"


def _bound(value: float) -> str:
    return f"{value:.0f}" if 1e4 <= value < 1e7 else f"{value:.4g}"


def _number_hint(value: Any) -> str:
    if isinstance(value, str):
        if re.fullmatch(r"-?\d+(\.\d+)?", value.strip()):
            return "; write it without quotes"
        if re.fullmatch(r"-?\d+,\d+", value.strip()):
            return "; write it without quotes and with a decimal point"
        if re.match(r"-?\d", value.strip()):
            return " alone, without quotes; the unit is in the key"
    return ""


def _choice_hint(value: Any, choices: list[str]) -> str:
    if not isinstance(value, str):
        return ""
    said = SAID_FOR.get(value.strip().casefold())
    near = said if said in choices else nearest(value, choices, 0.5)
    return f"; did you mean {near!r}?" if near else ""


def _missing_hint(place: Place, tree: Any) -> str:
    if len(place) > 1:
        return ""
    return f"; the file needs a table [{place[0]}]"


def blank_lines(text: str, raw: dict[str, Any], schema: type) -> list[str]:
    """One line for each blank value: where it stands, what its comment says, and what is expected; none without any.

    Parameters
    ----------
    text, raw : the file, and what it holds
    """
    written = [
        (number, found["key"], found["comment"] or "")
        for number, line in enumerate(text.split("\n"), 1)
        if (found := _ASSIGNMENT.match(line))
    ]
    lines = []
    for key, field in _blanks(raw, schema, "", 0):
        at = next((each for each in written if each[1] == key.rpartition(".")[2]), None)
        where, said = "", ""
        if at is not None:
            written.remove(at)
            where, said = f"line {at[0]}: ", at[2]
        about = "; ".join(part for part in (said, _expected(field)) if part)
        lines.append(f"  {where}{key}" + (f": {about}" if about else ""))
    return lines


def _blanks(node: Any, schema: type | None, key: str, depth: int) -> Iterator[tuple[str, FieldInfo | None]]:
    """The dotted key and the field of each blank value, in order."""
    if depth > DEEPEST or not isinstance(node, dict | list):
        return
    if isinstance(node, list):
        for number, each in enumerate(node, 1):
            yield from _blanks(each, schema, f"{key}[{number}]", depth + 1)
        return
    for name, value in node.items():
        field = None if schema is None else keys_of(schema).get(name)
        place = f"{key}.{name}" if key else name
        if value == BLANK:
            yield place, field
        else:
            yield from _blanks(
                value, _table_of(None if field is None else field.annotation), place, depth + 1
            )


def _table_of(annotation: Any) -> type | None:
    """The only kind of table an annotation allows, alone or in a list; None where there is none, or a choice."""
    found = tables_in(annotation)
    return found[0] if len(found) == 1 else None


def _expected(field: FieldInfo | None) -> str:
    """The values a key may have, in words; empty where there is nothing to say."""
    if field is None:
        return ""
    quantity = quantity_in(field)
    if quantity is not None:
        return f"{quantity.low:g} to {quantity.high:g} {quantity.unit.text}".rstrip()
    for each in parts_of(field.annotation):
        if get_origin(each) is Literal:
            return "one of " + ", ".join(f'"{choice}"' for choice in get_args(each))
    return "text in quotes" if field.annotation is str else ""
