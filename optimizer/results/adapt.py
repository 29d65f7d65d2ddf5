"""What `adapt` hands on of an adapted or trimmed method: documents, a program as a file, and words for all screens."""

from __future__ import annotations

from models.column.programs import Program
from optimizer.base.numbers import MINUTES, SHARE, Rounded, beside_needed, percent
from optimizer.base.tables import Shown, document_of, table_of
from optimizer.methods.adapt import FLOW, PRESSURE, Adapted, Method
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
