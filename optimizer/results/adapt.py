"""What `adapt` hands on of an adapted or trimmed method: documents, a program as a file, and words for all screens."""

from __future__ import annotations

from models.column.programs import Program
from models.units import PA_PER_KPA
from optimizer.base.numbers import MINUTES, SHARE, Rounded, beside_needed, percent
from optimizer.base.tables import Shown, document_of, table_of
from optimizer.goal.cautions import cautions_about
from optimizer.methods.adapt import FLOW, PRESSURE, Adapted, Method
from optimizer.methods.columns.choice import ColumnChoice, OnColumn
from optimizer.methods.trim import Setting, Trimmed
from optimizer.results.documents import FORMAT, Document
from optimizer.results.prediction import prediction_document
from optimizer.results.set_points import dimensions, program_lines

WIDTHS = ("width_before", "width_after")


def adapted_document(made: Adapted | Trimmed) -> Document:
    """The methods side by side, what changes, and after a cut what restores the marker."""
    scenario = made.new.scenario
    keys = ("in_use", "trimmed", "restored") if isinstance(made, Trimmed) else ("in_use", "carried")
    methods = {
        name: _method_document(method) for name, method in zip(keys, made.methods.values(), strict=True)
    }
    if isinstance(made, Adapted):
        methods["carried"]["pass_probability"] = SHARE.written(made.pass_probability)
    return {
        "format": FORMAT,
        "title": scenario.title,
        "job": "adapt" if isinstance(made, Adapted) else "trim",
        **methods,
        **document_of(made, scenario.ambient_pressure),
        "tuned": None,
    }


def _method_document(method: Method) -> Document:
    scenario = method.problem.scenario
    return {
        **document_of(method, scenario.ambient_pressure),
        **prediction_document(scenario, method.prediction),
    }


def method_rows(made: Adapted | Trimmed) -> list[tuple[str, list[str]]]:
    """Methods side by side: names of what is compared, each with a text a method."""
    columns = [_method_texts(method) for method in made.methods.values()]
    return [(name, [texts[name] for texts in columns]) for name in columns[0]]


def _method_texts(method: Method) -> dict[str, str]:
    prediction, ambient = method.prediction, method.problem.scenario.ambient_pressure
    column = Shown(method.column)
    oven, carrier = program_lines(prediction.program, ambient)
    resolution = "–"
    if prediction.critical_pair is not None:
        resolution = beside_needed(prediction.min_resolution, prediction.critical_needed)
        resolution += f" for {' and '.join(prediction.critical_pair)}"
    low, high = method.inlet_pressure
    return {
        "column": dimensions(method.problem.fit.system.column, "x"),
        "phase ratio": column.phase_ratio,
        "carrier gas": f"{method.gas}, outlet {method.outlet}",
        "oven": oven,
        "carrier": carrier,
        "column flow, mL/min": _range(FLOW, *method.flow),
        "inlet pressure": f"{_range(PRESSURE, low - ambient, high - ambient)} kPa gauge "
        f"({_range(PRESSURE, low, high)} kPa absolute)",
        "run time, min": MINUTES.text(prediction.run_time),
        "resolution of the critical pair": resolution,
    }


def _range(quantity: Rounded, low: float, high: float) -> str:
    a, b = quantity.text(low), quantity.text(high)
    return a if a == b else f"{a} to {b}"


def peak_table(made: Adapted | Trimmed, widths: bool = True) -> tuple[list[str], list[list[str]]]:
    """Headings and rows of the peaks before and after; widths at half height are for pages, which have the room."""
    headings, rows = table_of(made.peaks, () if widths else WIDTHS)
    if isinstance(made, Trimmed):
        for row in rows:
            row[0] += " (marker)" if row[0] == made.marker else ""
    return headings, rows


def lead_text(made: Adapted | Trimmed) -> str:
    """What was done, in a sentence."""
    if isinstance(made, Trimmed):
        return f"{Shown(made).cut} m cut off the column: the new times, and what to set instead."
    change = 100 * (made.after.run_time / made.before.run_time - 1)
    return (
        f"The method in use, carried over: a run of {MINUTES.text(made.after.run_time)} min against "
        f"{MINUTES.text(made.before.run_time)} min ({change:+.0f} %)."
    )


def outcome_lines(made: Adapted | Trimmed) -> list[str]:
    """How the times were carried over and how sure the result is; after a cut what to set so that the marker elutes
    when it did."""
    if isinstance(made, Trimmed):
        lines = [f"With the new length entered, set {_setting(made, made.to_set)}"]
        if made.to_set_not_entered is None:
            return [*lines, "At controlled pressure the entered length makes no difference to a run."]
        return [*lines, f"With the old length left entered, set {_setting(made, made.to_set_not_entered)}"]
    known = Shown(made.hold_up)
    return [
        f"Hold-up time {known.old} min at {known.T_old} °C in use, {known.new} min at {known.T_new} °C carried: all "
        f"times of the program are multiplied by {known.ratio}.",
        f"Carried over: {percent(made.pass_probability)} probability of meeting every requirement (simulated).",
    ]


def _setting(made: Trimmed, setting: Setting) -> str:
    oven, ambient = made.before.program.oven, made.new.scenario.ambient_pressure
    line, between = (
        program_lines(Program(oven, carrier), ambient)[1]
        for carrier in (setting.carrier, setting.between_steps)
    )
    change = 100 * (setting.marker / made.marker_before - 1)
    text = (
        f"{line}: {made.marker} then elutes at {Shown(setting).marker} min ({change:+.1f} %), against "
        f"{Shown(made).marker_before} min before the cut"
    )
    if between == line:
        return f"{text}."
    mode = f"{setting.carrier.mode}, "  # said once
    return f"{text}; between the instrument's steps, {between.removeprefix(mode)} would restore it."


def order_lines(made: Adapted | Trimmed) -> list[str]:
    """Which compounds change places, a line a pair."""
    return [f"Order changes: {second} now elutes before {first}" for first, second in made.order_changes]


COLUMN_HEADINGS = (
    "column",
    "gas",
    "program",
    "meets the goal",
    "probability",
    "run time, min",
    "cycle time, min",
    "inlet, kPa gauge",
    "column flow, mL/min",
    "total flow, mL/min",
    "on the front",
)
COLUMN_KEYS = (
    "column", "gas", "length_m", "inner_diameter_mm", "film_thickness_um", "program", "meets_goal", "on_front",
    "pass_probability", "run_time_min", "cycle_time_min", "inlet_highest_kPa", "flow_largest_mL_min",
    "total_flow_largest_mL_min", "oven", "carrier", "refused",
)  # fmt: skip


def columns_document(choice: ColumnChoice) -> Document:
    """Every owned column with every gas, the best first."""
    scenario, best = choice.scenario, choice.best
    return {
        "format": FORMAT,
        "title": scenario.title,
        "job": "columns",
        "columns": [_column_document(choice, each) for each in choice.each],
        "best": None if best is None else {"column": best.column, "gas": best.gas},
        "cautions": list(column_cautions(choice)),
    }


def _column_document(choice: ColumnChoice, on: OnColumn) -> Document:
    ambient = choice.scenario.ambient_pressure
    oven, carrier = (None, None) if on.program is None else program_lines(on.program, ambient)
    return {
        **document_of(on, ambient),
        "on_front": on in choice.front,
        "oven": oven,
        "carrier": carrier,
        "notes": [] if on.made is None else list(on.made.notes),
    }


def column_table_rows(choice: ColumnChoice) -> list[dict[str, str | float | None]]:
    """One row a column and gas, for columns.csv; the keys are `COLUMN_KEYS`."""
    documents = columns_document(choice)["columns"]
    truth = {True: "yes", False: "no"}
    return [
        {key: truth[each[key]] if isinstance(each[key], bool) else each[key] for key in COLUMN_KEYS}
        for each in documents
    ]


def column_rows(choice: ColumnChoice) -> list[list[str]]:
    """The same as texts below `COLUMN_HEADINGS`, numbered as in the picture."""
    texts = [_column_texts(choice, each) for each in choice.each]
    return [[f"{number}. {name}", *rest] for number, (name, *rest) in enumerate(texts, 1)]


def _column_texts(choice: ColumnChoice, on: OnColumn) -> list[str]:
    shown, ambient = Shown(on), choice.scenario.ambient_pressure
    name = f"{on.column} ({shown.length} m x {shown.inner_diameter} mm x {shown.film_thickness} µm)"
    if on.prediction is None:
        return [name, on.gas, "none", "no", *["–"] * 6, "no"]
    return [
        name,
        on.gas,
        on.program_is,
        "breaks a limit" if on.breaks else "yes" if on.meets else "no",
        percent(on.pass_probability),
        shown.run_time,
        shown.cycle_time,
        f"{(on.pressure - ambient) / PA_PER_KPA:.0f}",
        shown.flow,
        shown.total_flow,
        "yes" if on in choice.front else "no",
    ]


def columns_lead(choice: ColumnChoice) -> str:
    """Which column and gas, in a sentence."""
    best = choice.best
    if best is not None:
        return (
            f"The fastest that meets the goal: {best.column} with {best.gas}, {MINUTES.text(best.run_time)} min, "
            f"{percent(best.pass_probability)} probability of meeting every requirement (simulated)."
        )
    able = [each for each in choice.each if each.prediction is not None and not each.breaks]
    if not able:
        return "On no column does a program keep the limits of column and instrument."
    closest = able[0]
    lacks = (
        f", the worst pair lacks {percent(closest.lacking)} of its resolution" if closest.lacking > 0 else ""
    )
    return (
        f"On no column was a program found that meets the goal; {closest.column} with {closest.gas} comes closest: "
        f"{percent(closest.pass_probability)} probability (simulated){lacks}."
    )


def columns_notes(choice: ColumnChoice) -> tuple[str, ...]:
    """What to know: how columns were tried, and why some were not."""
    allowed = choice.scenario.tolerances
    return (
        "Every program was carried over at the usual flow of its gas and bore; where one was searched for, a longer "
        "search may change the order. On the front: what no other one beats or equals in probability, time, cycle "
        "time, pressure and flow.",
        f"A new column is taken to be off its tag by up to {100 * allowed.bore:g} % of bore and "
        f"{100 * allowed.film:g} % of film, the same phase assumed: measure its hold-up time, and confirm one run.",
        *(f"{each.column} with {each.gas}: {each.refused}" for each in choice.each if each.refused),
        *(
            f"{each.column} with {each.gas} breaks a limit: {'; '.join(each.breaks)}."
            for each in choice.each
            if each.breaks
        ),
    )


def column_cautions(choice: ColumnChoice) -> tuple[str, ...]:
    """Those of the first program, and of the first with hydrogen."""
    able = [each for each in choice.each if each.problem is not None and each.prediction is not None]
    told = able[:1] + [each for each in able if each.gas == "hydrogen"][:1]
    lines = [
        line
        for each in reversed(told)
        if each.problem is not None and each.prediction is not None
        for line in cautions_about(each.problem.scenario, [each.prediction])
    ]
    return tuple(dict.fromkeys(lines))
