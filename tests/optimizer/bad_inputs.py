"""A good scenario folder, and the ways people spoil one: what each message must say.

Every entry changes the good folder in one way. `fragments` are parts the message must contain: the file, the
key or line, and the hint.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

SCENARIO = """\
title = "Five solvents"

[column]
length_m = 30
inner_diameter_mm = 0.25
film_thickness_um = 0.25
phase = "dimethyl silicone"
min_temperature_C = 40
max_temperature_C = 325
max_programmed_temperature_C = 350

[carrier]
gas = "helium"
outlet = "ambient"
ambient_pressure_kPa = 101.325

[instrument]
max_inlet_pressure_kPa = 400
min_flow_mL_min = 0.5
max_flow_mL_min = 4
heating_limits = [{ up_to_C = 100, rate_C_per_min = 60 }, { up_to_C = 350, rate_C_per_min = 30 }]
cool_down = { from_C = 250, to_C = 50, min = 5 }

[[scouting_runs]]
name = "slow"
peaks = "slow.csv"
hold_up_min = 1.73
oven = { start_C = 50, hold_min = 2, ramps = [{ rate_C_per_min = 5, to_C = 280, hold_min = 5 }] }
carrier = { mode = "constant flow", flow_mL_min = 1.2 }

[[scouting_runs]]
name = "fast"
peaks = "fast.csv"
oven = { start_C = 50, hold_min = 2, ramps = [{ rate_C_per_min = 15, to_C = 280, hold_min = 5 }] }
carrier = { mode = "constant flow", flow_mL_min = 1.2 }

[current]
oven = { start_C = 110, hold_min = 90 }
carrier = { mode = "constant pressure", inlet_kPa = 100 }

[goal]
min_resolution = 1.5

[[analytes]]
compound = "toluene"
role = "matrix"

[[pairs]]
between = ["octane", "p-xylene"]
min_resolution = 2.0
"""
SLOW = """\
compound,retention_min,width_half_min,area,tailing
toluene,3.61,0.031,1200,1.1
octane,4.52,0.034,900,
p-xylene,6.24,0.04,1100,1.0
nonane,7.31,,800,
decane,11.02,0.051,950,1.2
"""
FAST = """\
compound,retention_min,width_half_min,area,tailing
toluene,3.2,0.025,1190,1.1
octane,3.8,0.026,910,
p-xylene,4.71,0.027,1080,1.0
nonane,5.24,,810,
decane,6.85,0.03,960,1.2
"""


def write_good_scenario(folder: Path) -> None:
    """The folder from which every bad input starts."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in (("scenario.toml", SCENARIO), ("slow.csv", SLOW), ("fast.csv", FAST)):
        (folder / name).write_bytes(text.encode())


@dataclass(frozen=True)
class BadInput:
    """One mistake: how it is made, and what the message about it must contain."""

    name: str
    spoil: Callable[[Path], None]
    fragments: tuple[str, ...]


def _swap(file: str, old: str, new: str) -> Callable[[Path], None]:
    def spoil(folder: Path) -> None:
        text = (folder / file).read_bytes().decode()
        # A change that changes nothing would test the good scenario.
        if old not in text:
            raise AssertionError(f"{old!r} is not in the good {file}")
        (folder / file).write_bytes(text.replace(old, new, 1).encode())

    return spoil


def _write(file: str, content: str | bytes) -> Callable[[Path], None]:
    raw = content.encode() if isinstance(content, str) else content

    def spoil(folder: Path) -> None:
        (folder / file).write_bytes(raw)

    return spoil


def toml_input(name: str, old: str, new: str, *fragments: str) -> BadInput:
    """One change of the good scenario.toml."""
    return BadInput(name, _swap("scenario.toml", old, new), ("scenario.toml", *fragments))


def toml_changes(name: str, changes: Sequence[tuple[str, str]], *fragments: str) -> BadInput:
    """Several changes of the good scenario.toml that make one mistake together."""

    def spoil(folder: Path) -> None:
        for old, new in changes:
            _swap("scenario.toml", old, new)(folder)

    return BadInput(name, spoil, ("scenario.toml", *fragments))


def _slow(name: str, old: str, new: str, *fragments: str) -> BadInput:
    return BadInput(name, _swap("slow.csv", old, new), ("slow.csv", *fragments))


def _remove(file: str) -> Callable[[Path], None]:
    return lambda folder: (folder / file).unlink()


def _exchange_tables(folder: Path) -> None:
    write_good_scenario(folder)
    (folder / "slow.csv").write_bytes(FAST.encode())
    (folder / "fast.csv").write_bytes(SLOW.encode())


def _one_compound(folder: Path) -> None:
    for file in ("slow.csv", "fast.csv"):
        _write(file, "compound,retention_min\ntoluene,3.6\n")(folder)


SLOW_OVEN = "ramps = [{ rate_C_per_min = 5, to_C = 280, hold_min = 5 }]"
FAST_CARRIER = '15, to_C = 280, hold_min = 5 }] }\ncarrier = { mode = "constant flow", flow_mL_min = 1.2 }'


def _fast_carrier(carrier: str) -> str:
    return f"15, to_C = 280, hold_min = 5 }}] }}\ncarrier = {carrier}"


SCENARIO_INPUTS = (
    # The file itself
    BadInput("scenario missing", _remove("scenario.toml"), ("holds no scenario.toml",)),
    BadInput(
        "scenario empty", _write("scenario.toml", ""), ("scenario.toml", "column is missing", "[column]")
    ),
    BadInput(
        "scenario not UTF-8",
        _write("scenario.toml", SCENARIO.replace("Five", "Fünf").encode("latin-1")),
        ("scenario.toml, line 1", "0xFC", "save the file as UTF-8"),
    ),
    BadInput(
        "scenario UTF-16", _write("scenario.toml", SCENARIO.encode("utf-16")), ("scenario.toml", "UTF-16")
    ),
    toml_input("decimal comma", "= 0.25\nfilm", "= 0,25\nfilm", "line 5", "decimal point, not a comma"),
    toml_input("text without quotes", '"helium"', "helium", "line 13", "quotes"),
    toml_input("unit after the value", "length_m = 30", "length_m = 30 m", "line 4", "unit is in the key"),
    toml_input("key twice", "length_m = 30", "length_m = 30\nlength_m = 25", "line 5", "given twice"),
    toml_input("single brackets", "[[analytes]]", "[analytes]", "analytes", "[[analytes]]"),
    toml_input("double brackets", "[column]", "[[column]]", "column", "single brackets"),
    # Keys
    toml_input(
        "misspelt key", "length_m", "lenght_m", "unknown key column.lenght_m", "did you mean length_m"
    ),
    toml_input(
        "misspelt section",
        "[instrument]",
        "[instruments]",
        "unknown key instruments",
        "did you mean instrument?",
    ),
    toml_input(
        "key in the wrong section",
        "[goal]",
        "[goal]\nmax_temperature_C = 300",
        "unknown key goal.max_temperature_C",
        "column.max_temperature_C",
    ),
    toml_input(
        "wrong unit in the key", "inner_diameter_mm", "inner_diameter_um", "did you mean inner_diameter_mm"
    ),
    toml_input(
        "unknown key in a ramp",
        "{ rate_C_per_min = 15",
        "{ rate_C_per_s = 0.25",
        "scouting_runs[2].oven.ramps[1].rate_C_per_s",
        "did you mean rate_C_per_min",
        "'fast'",
    ),
    toml_input("missing key", "film_thickness_um = 0.25\n", "", "column.film_thickness_um is missing"),
    toml_input(
        "key of another carrier mode",
        '"constant pressure", inlet_kPa',
        '"constant pressure", flow_mL_min = 1, inlet_kPa',
        "unknown key current.carrier.flow_mL_min",
        "with this mode a carrier has mode, inlet_kPa",
    ),
    toml_input("pressure twice", "inlet_kPa = 100", "inlet_kPa = 100, inlet_psi = 14.5", "inlet_psi", "once"),
    # Values and units
    toml_input(
        "bore in µm", "= 0.25\nfilm", "= 250\nfilm", "column.inner_diameter_mm = 250", "0.05 to 0.8 mm", "µm"
    ),
    toml_input(
        "film in mm", "um = 0.25", "um = 0.00025", "column.film_thickness_um = 0.00025", "looks like mm"
    ),
    toml_input("film in nm", "um = 0.25", "um = 250", "column.film_thickness_um = 250", "looks like nm"),
    toml_input("length in cm", "length_m = 30", "length_m = 3000", "column.length_m = 3000", "looks like cm"),
    toml_input(
        "temperature in K", "_C = 325", "_C = 598.15", "column.max_temperature_C = 598.15", "looks like K"
    ),
    toml_input(
        "number as text", "length_m = 30", 'length_m = "30"', 'column.length_m = "30"', "without quotes"
    ),
    toml_input(
        "infinite number",
        "length_m = 30",
        "length_m = 1e400",
        "column.length_m = inf",
        "expected 0.5 to 200 m",
    ),
    toml_input(
        "whole number without end",
        "max_flow_mL_min = 4",
        "max_flow_mL_min = 4" + 400 * "0",
        "instrument.max_flow_mL_min = inf",
        "expected 0.05 to 50 mL/min",
        "finite",
    ),
    toml_input(
        "pressure in psi without end",
        "inlet_kPa = 100",
        "inlet_psi = 1" + 400 * "0",
        "current.carrier.inlet_psi = inf",
        "psi gauge",
    ),
    toml_input(
        "infinite seed", "[goal]", "[search]\nseed = 1e400\n[goal]", "search.seed = inf", "whole number"
    ),
    toml_input(
        "not a number",
        "length_m = 30",
        "length_m = nan",
        "column.length_m = nan",
        "expected 0.5 to 200 m",
        "no number",
    ),
    toml_input(
        "negative time",
        "hold_min = 90",
        "hold_min = -90",
        "current.oven.hold_min = -90",
        "cannot be negative",
    ),
    toml_input(
        "seconds for minutes",
        "hold_min = 90",
        "hold_min = 5400",
        "current.oven.hold_min = 5400",
        "looks like s, which would be 90 min",
    ),
    toml_input(
        "negative rate",
        "rate_C_per_min = 15",
        "rate_C_per_min = -15",
        "scouting_runs[2].oven.ramps[1].rate_C_per_min = -15",
        "cooling = true",
    ),
    toml_input(
        "rate per hour", "rate_C_per_min = 15", "rate_C_per_min = 900", "rate_C_per_min = 900", "°C/h"
    ),
    toml_input("ambient as gauge", "101.325", "0", "carrier.ambient_pressure_kPa = 0", "absolute", "gauge"),
    toml_input("ambient in bar", "101.325", "1.01325", "carrier.ambient_pressure_kPa = 1.01325", "bar"),
    toml_input("ambient in mmHg", "101.325", "760", "carrier.ambient_pressure_kPa = 760", "looks like mmHg"),
    toml_input(
        "pressure limit in bar", "kPa = 400", "kPa = 4", "instrument.max_inlet_pressure_kPa = 4:", "bar"
    ),
    toml_input(
        "psi key, kPa value",
        "max_inlet_pressure_kPa = 400",
        "max_inlet_pressure_psi = 400",
        "instrument.max_inlet_pressure_psi = 400",
        "looks like kPa",
    ),
    toml_input(
        "pressure in Pa",
        "inlet_kPa = 100",
        "inlet_kPa = 100000",
        "current.carrier.inlet_kPa",
        "looks like Pa",
    ),
    toml_input(
        "inlet in bar", "inlet_kPa = 100", "inlet_kPa = 0.9", "current.carrier.inlet_kPa = 0.9", "like bar"
    ),
    toml_input(
        "absolute for gauge",
        "inlet_kPa = 100",
        "inlet_kPa = 450",
        "current.carrier.inlet_kPa = 450",
        "max_inlet_pressure_kPa = 400",
        "was it absolute?",
    ),
    toml_input("flow in µL/min", "flow_mL_min = 1.2", "flow_mL_min = 1200", "flow_mL_min = 1200", "µL/min"),
    toml_input(
        "signal-to-noise of nothing",
        'peaks = "slow.csv"',
        'peaks = "slow.csv"\nmin_signal_to_noise = 0',
        "scouting_runs[1].min_signal_to_noise = 0",
        "expected 0.5 to 1000000",
        "limit of detection",
        "'slow'",
    ),
    toml_input(
        "smallest width in ms",
        'peaks = "slow.csv"',
        'peaks = "slow.csv"\nmin_width_s = 1500',
        "scouting_runs[1].min_width_s = 1500",
        "looks like ms, which would be 1.5 s",
    ),
    toml_input(
        "smallest width in its peak table's unit",
        'peaks = "slow.csv"',
        'peaks = "slow.csv"\nmin_width_min = 0.02',
        "unknown key scouting_runs[1].min_width_min",
        "did you mean min_width_s",
    ),
    toml_input(
        "words for a switch",
        'peaks = "slow.csv"',
        'peaks = "slow.csv"\nfrom_trace = "yes"',
        'scouting_runs[1].from_trace = "yes"',
        "true or false",
    ),
    toml_input(
        "peaks to be found in a peak table",
        'peaks = "fast.csv"',
        'peaks = "fast.csv"\nmin_signal_to_noise = 5\nfrom_trace = true',
        'scouting_runs[2].peaks = "fast.csv"',
        "is a peak table",
        "leave out min_signal_to_noise and from_trace",
    ),
    toml_input("unknown gas", '"helium"', '"helum"', 'carrier.gas = "helum"', "did you mean 'helium'"),
    toml_input(
        "unknown carrier mode",
        '"constant pressure"',
        '"constant presure"',
        'current.carrier.mode = "constant presure"',
        "did you mean 'constant pressure'",
    ),
    toml_input("no carrier mode", 'mode = "constant pressure", ', "", "current.carrier.mode is missing"),
    toml_input(
        "unknown role", '"matrix"', '"standard"', 'analytes[1].role = "standard"', "internal standard"
    ),
    toml_input(
        "an atom of unknown volume",
        'role = "matrix"',
        'role = "matrix"\nformula = "C8H24O4Si4"',
        'analytes[1].formula = "C8H24O4Si4"',
        "no diffusion volume is known of Si",
    ),
    toml_input(
        "a name for a formula",
        'role = "matrix"',
        'role = "matrix"\nformula = "toluene"',
        'analytes[1].formula = "toluene"',
        "written as C10H22O",
    ),
    toml_input(
        "too many ramps", "[goal]", "[search]\nmax_ramps = 6\n[goal]", "search.max_ramps = 6", "at most 5"
    ),
    toml_input(
        "half a ramp", "[goal]", "[search]\nmax_ramps = 1.5\n[goal]", "search.max_ramps = 1.5", "whole number"
    ),
    toml_input(
        "resolution zero", "resolution = 1.5", "resolution = 0", "goal.min_resolution = 0", "ignore = true"
    ),
    # Between keys
    toml_input(
        "cooling unsaid",
        SLOW_OVEN,
        "ramps = [{ rate_C_per_min = 5, to_C = 280 }, { rate_C_per_min = 5, to_C = 180 }]",
        "scouting_runs[1].oven.ramps[2].to_C = 180",
        "cooling = true",
    ),
    toml_input(
        "cooling that heats",
        SLOW_OVEN,
        "ramps = [{ rate_C_per_min = 5, to_C = 280, cooling = true }]",
        "scouting_runs[1].oven.ramps[1].cooling",
        "heats from 50 to 280",
    ),
    toml_input(
        "column limit below scouting",
        "max_temperature_C = 325\nmax_programmed_temperature_C = 350",
        "max_temperature_C = 250",
        "scouting_runs[1].oven.ramps[1].to_C = 280",
        "column.max_temperature_C = 250",
    ),
    toml_input(
        "column minimum above", "_C = 40", "_C = 60", "oven.start_C = 50", "column.min_temperature_C = 60"
    ),
    toml_input(
        "limits exchanged", "_C = 350\n", "_C = 300\n", "max_programmed_temperature_C = 300", "exchanged"
    ),
    toml_input("film fills bore", "um = 0.25", "um = 14", "column.film_thickness_um = 14", "phase ratio"),
    toml_input(
        "flows exchanged", "min_flow_mL_min = 0.5", "min_flow_mL_min = 5", "instrument.min_flow_mL_min = 5"
    ),
    toml_input(
        "bands unsorted", "up_to_C = 350", "up_to_C = 90", "heating_limits[2].up_to_C = 90", "above 100"
    ),
    toml_input("cool-down that heats", "from_C = 250", "from_C = 40", "instrument.cool_down.from_C = 40"),
    toml_input("run name twice", '"fast"', '"slow"', 'scouting_runs[2].name = "slow"', "already used"),
    toml_input(
        "table named twice", '"fast.csv"', '"slow.csv"', 'scouting_runs[2].peaks = "slow.csv"', "already used"
    ),
    toml_input("pair with itself", '"p-xylene"]', '"octane"]', "pairs[1].between", "two different compounds"),
    toml_input("pair of three", '"p-xylene"]', '"p-xylene", "nonane"]', "pairs[1].between", "at most 2"),
    toml_input("empty pair rule", "\nmin_resolution = 2.0", "", "pairs[1]", "says nothing"),
    toml_input("pair ignored and resolved", "= 2.0", "= 2.0\nignore = true", "pairs[1]", "keep one"),
    toml_input(
        "unknown compound",
        '"toluene"',
        '"tolune"',
        'analytes[1].compound = "tolune"',
        "did you mean 'toluene'",
    ),
    toml_input(
        "unknown in a pair", '["octane"', '["octan"', 'pairs[1].between = "octan"', "did you mean 'octane'"
    ),
    toml_input(
        "nothing counts",
        '[[pairs]]\nbetween = ["octane", "p-xylene"]\nmin_resolution = 2.0\n',
        "".join(
            f'[[analytes]]\ncompound = "{name}"\nrole = "ignore"\n'
            for name in ("octane", "p-xylene", "nonane", "decane")
        ),
        "no pair that counts",
    ),
    # Runs against column and carrier
    toml_input(
        "peaks missing", '"fast.csv"', '"fats.csv"', "scouting_runs[2].peaks", "did you mean 'fast.csv'"
    ),
    toml_input(
        "hold-up in seconds", "= 1.73", "= 31", "scouting_runs[1].hold_up_min = 31", "check the unit (min)"
    ),
    toml_input(
        "vacuum unsaid",
        "= 1.73",
        "= 1.27",
        "scouting_runs[1].hold_up_min = 1.27",
        'with outlet = "vacuum"',
    ),
    BadInput(
        "psi in a kPa key",
        _swap("scenario.toml", FAST_CARRIER, _fast_carrier('{ mode = "constant pressure", inlet_kPa = 14 }')),
        ("fast.csv", "'toluene'", "below the hold-up time of run 'fast'", "looks like psi"),
    ),
    BadInput(
        "absolute inlet pressure",
        _swap(
            "scenario.toml",
            "hold_up_min = 1.73\noven = { start_C = 50, hold_min = 2, " + SLOW_OVEN + " }\n"
            'carrier = { mode = "constant flow", flow_mL_min = 1.2 }',
            "hold_up_min = 2.1\noven = { start_C = 50, hold_min = 2, " + SLOW_OVEN + " }\n"
            'carrier = { mode = "constant pressure", inlet_kPa = 180 }',
        ),
        ("scouting_runs[1].hold_up_min = 2.1", "absolute; gauge is expected"),
    ),
)

PEAK_INPUTS = (
    BadInput("peaks empty", _write("slow.csv", "\n"), ("slow.csv", "is empty", "compound,retention_min")),
    BadInput(
        "header only", _write("slow.csv", "compound,retention_min\n"), ("slow.csv", "no peaks below it")
    ),
    BadInput(
        "header missing",
        _write("slow.csv", SLOW.split("\n", 1)[1]),
        ("slow.csv, line 1", "header is missing"),
    ),
    BadInput(
        "set points instead of peaks",
        _write("slow.csv", "[oven]\nstart_C = 40\nhold_min = 1\n"),
        ("slow.csv, line 1", "no peak table but a file of set points"),
    ),
    BadInput(
        "delimited by blanks",
        _write("slow.csv", SLOW.replace(",", " ")),
        ("slow.csv, line 1", "only one column"),
    ),
    BadInput(
        "delimited by bars",
        _write("slow.csv", SLOW.replace(",", "|")),
        ("slow.csv, line 1", "|retention_min|"),
    ),
    BadInput(
        "decimal commas between commas",
        _write("slow.csv", "compound,retention_min\ntoluene,3,61\noctane,4,52\n"),
        ("slow.csv, line 2", "3 cells", "decimal comma"),
    ),
    BadInput(
        "peaks not UTF-8",
        _write("slow.csv", SLOW.encode().replace(b"octane", b"\xa7\xd6ctane")),
        ("slow.csv, line 3", "0xA7", "'§'"),
    ),
    BadInput("peaks half UTF-16", _write("slow.csv", SLOW.encode("utf-16") + b"x"), ("slow.csv", "UTF-16")),
    BadInput("a spreadsheet", _write("slow.csv", b"PK\x03\x04\0\0\0"), ("slow.csv", "is no workbook")),
    _slow(
        "unknown column",
        "retention_min",
        "retention_time",
        "'retention_time'",
        "did you mean 'retention_min'",
    ),
    _slow("column twice", "area", "tailing", "'tailing' occurs 2 times"),
    BadInput(
        "column missing",
        _write("slow.csv", "compound,area\ntoluene,3\noctane,4\n"),
        ("slow.csv, line 1", "'retention_min' is missing"),
    ),
    _slow("compound twice", "nonane,", "octane,", "line 5", "'octane' is already on line 3"),
    _slow("compound unnamed", "nonane,", ",", "line 5", "has no name"),
    _slow("retention empty", "nonane,7.31", "nonane,", "line 5", "retention_min is empty"),
    _slow("retention negative", "7.31", "-7.31", "line 5", "retention_min = -7.31", "above zero"),
    _slow(
        "retention not a number", "7.31", "7.31 min", "line 5", "retention_min = 7.31 min", "column's name"
    ),
    _slow("width a word", "nonane,7.31,", "nonane,7.31,nan", "line 5", "width_half_min = nan", "cell empty"),
    _slow("thousands separator", ",800,", ',"1,800.5",', "area = 1,800.5", "thousands separators"),
    _slow("retention far too long", "11.02", "11020", "retention_min = 11020", "seconds"),
    _slow("width in seconds", "0.031", "1.86", "line 2", "'toluene'", "1.86 s is 0.031 min"),
    _slow(
        "width above retention", "0.051", "5.1", "line 6", "width_half_min = 5.1", "quarter of the retention"
    ),
    BadInput(
        "widths above spacing",
        _write(
            "slow.csv",
            "compound,retention_min,width_half_min\ntoluene,9.0,1.5\noctane,9.3,1.6\nnonane,9.6,1.4\ndecane,9.9,1.5\n",
        ),
        ("slow.csv, line", "times the spacing", "widths in seconds"),
    ),
    _slow("tailing as percentage", "1200,1.1", "1200,110", "tailing = 110", "symmetrical"),
    _slow(
        "below measured hold-up", "toluene,3.61", "toluene,1.2", "retention_min = 1.2", "1.73 min (measured)"
    ),
    BadInput(
        "below computed hold-up",
        _swap("fast.csv", "toluene,3.2", "toluene,0.9"),
        ("fast.csv", "retention_min = 0.9", "computed from the column's dimensions"),
    ),
    BadInput(
        "retention in seconds",
        _write("slow.csv", "compound,retention_min\ntoluene,216.6\noctane,271.2\ndecane,661.2\n"),
        ("slow.csv", "'decane'", "far past the end of its oven program", "seconds"),
    ),
    BadInput(
        "one compound",
        _one_compound,
        ("slow.csv", "one compound only"),
    ),
    BadInput(
        "one compound in two spellings",
        _swap("fast.csv", "decane", "Decane"),
        ("slow.csv has 'decane'", "fast.csv has 'Decane'", "one spelling"),
    ),
    BadInput("tables exchanged", _exchange_tables, ("slow.csv and", "fast.csv", "peak tables exchanged")),
    BadInput("one table saved twice", _write("fast.csv", SLOW), ("fast.csv", "are the same", "saved twice")),
    BadInput(
        "repeats that differ",
        _swap("scenario.toml", "rate_C_per_min = 15", "rate_C_per_min = 5"),
        ("slow.csv and", "have the same program", "'decane'", "11.02 min in one and 6.85 min"),
    ),
    BadInput(
        "later though hotter",
        _swap("fast.csv", "decane,6.85", "decane,14.85"),
        ("fast.csv", "'decane' elutes at 14.85 min in run 'fast'", "never cooler"),
    ),
)

BAD_INPUTS = (*SCENARIO_INPUTS, *PEAK_INPUTS)
