"""What a set point being off does, as it appears in documents, tables and as a sentence."""

from __future__ import annotations

from optimizer.document_numbers import number, of_needed
from optimizer.reliability_document import Part
from optimizer.results import Moved, SetPointTolerance


def set_point_tolerance_document(each: SetPointTolerance) -> Part:
    """One set point, moved down and up by its tolerance."""
    return {
        "set_point": each.name,
        "label": each.label,
        "unit": each.unit,
        "value": number(each.value, 6),
        "tolerance": number(each.tolerance, 3),
        "margin_lost": number(each.loss, 3),
        "lower": _moved(each.lower),
        "higher": _moved(each.higher),
        "breaks": list(each.breaks),
    }


def _moved(moved: Moved | None) -> Part | None:
    if moved is None:
        return None
    return {
        "run_time_change_s": number(moved.run_time_change, 3),
        "min_resolution": number(moved.resolution, 4),
        "critical_pair": list(moved.pair) if moved.pair else None,
        "critical_pair_needs": number(moved.needed, 4),
        "margin": number(moved.margin, 3),
        "breaks": list(moved.breaks),
    }


def most_critical(points: list[Part]) -> Part | None:
    """Of documents, the first that breaks the goal by itself; else the one that costs most resolution."""
    breaking = [each for each in points if each["breaks"]]
    return next(iter(breaking or points), None)


def worse_of(point: Part) -> Part:
    """The move that leaves less resolution, or, where no pair counts, the one that changes the time more."""
    moves: list[Part] = [point[which] for which in ("lower", "higher") if point[which] is not None]
    return min(
        moves,
        key=lambda each: (0.0 if each["margin"] is None else each["margin"], -abs(each["run_time_change_s"])),
    )


def set_to(point: Part) -> str:
    """A set point and how far it may be off, e.g. "1.2 ± 0.1 min"."""
    return f"{point['value']:g} ± {number(point['tolerance'], 2):g} {point['unit']}"


def critical_line(points: list[Part]) -> str:
    """A sentence on the most critical set point of a candidate; empty where none does anything."""
    each = most_critical(points)
    if each is None:
        return ""
    text, worse = f"most critical set point: {each['label']}, {set_to(each)}", worse_of(each)
    if each["breaks"]:
        return f"{text}; off by that, it alone breaks: {', '.join(each['breaks'])}"
    if worse["critical_pair"] is None or not each["margin_lost"]:
        return f"{text}; off by that, it alone moves the end of the run by {abs(worse['run_time_change_s']):.1f} s"
    pair = " and ".join(worse["critical_pair"])
    return (
        f"{text}; off by that, it alone takes {100 * each['margin_lost']:.0f} % of what a pair needs, and leaves Rs "
        f"{of_needed(worse)} for {pair}"
    )
