"""What pictures tell apart by colour, as seen with each of the three kinds of colour blindness.

Simulated with the matrices of Machado, Oliveira and Fernandes (2009, doi:10.1109/TVCG.2009.113) at full severity, and
distances in CAM02-UCS (Luo, Cui and Li 2006), both as the reference library colorspacious has them. In that space about
1 is just noticeable; the limits below are common practice, without a source.
"""

from __future__ import annotations

import re
from itertools import combinations, pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from optimizer.show.pictures import compare, peaks, residuals, sweep_curves, sweep_maps
from optimizer.show.pictures.chromatograms import CRITICAL, SIGNAL

colorspacious = pytest.importorskip(
    "colorspacious", reason="NOT TESTED: pictures in colour blindness; pip install colorspacious"
)

KINDS = ("protanomaly", "deuteranomaly", "tritanomaly")  # at 100 % they are the -anopia
LINES, FILLS = 12.0, 7.0  # least distance of two thin lines or signs, and of two areas side by side
STYLE = Path(sweep_maps.__file__).parents[2] / "page" / "static" / "page.css"


def rgb(colour: str) -> Any:
    return np.array([int(colour[n : n + 2], 16) for n in (1, 3, 5)]) / 255


def seen(colour: str, kind: str) -> Any:
    space = {"name": "sRGB1+CVD", "cvd_type": kind, "severity": 100}
    return np.clip(colorspacious.cspace_convert(rgb(colour), space, "sRGB1"), 0, 1)


def apart(a: str, b: str) -> float:
    """The smallest distance of two colours, to whoever looks."""
    views = [(rgb(a), rgb(b)), *((seen(a, kind), seen(b, kind)) for kind in KINDS)]
    return min(float(colorspacious.deltaE(x, y, input_space="sRGB1")) for x, y in views)


def variables(dark: bool) -> dict[str, str]:
    """The live page's colours."""
    roots = re.findall(r":root \{([^}]*)\}", STYLE.read_text(encoding="utf-8"))
    return dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", roots[1 if dark else 0]))


def test_the_simulation_is_the_published_one() -> None:
    """Red and green of one lightness fall together without the long or the middle cones, blue and yellow do not."""
    red, green, blue, yellow = "#b03030", "#5a6a00", "#3060c0", "#c0b000"
    assert apart(red, green) < 10 < colorspacious.deltaE(rgb(red), rgb(green), input_space="sRGB1") / 3
    for kind in KINDS[:2]:
        distance = colorspacious.deltaE(seen(blue, kind), seen(yellow, kind), input_space="sRGB1")
        assert distance > 50
    grey = rgb("#808080")
    for kind in KINDS:
        assert seen("#808080", kind) == pytest.approx(grey, abs=0.01)  # what has no colour stays as it is


@pytest.mark.parametrize(
    ("a", "b"),
    [(SIGNAL, CRITICAL), (SIGNAL, compare.FOUND), (compare.FOUND, CRITICAL), (SIGNAL, peaks.BASELINE)],
)
def test_lines_of_one_panel_are_told_apart(a: str, b: str) -> None:
    assert apart(a, b) > LINES


def test_regions_of_a_sweep_are_told_apart_by_their_tints_and_letters() -> None:
    assert min(apart(a, b) for a, b in combinations(sweep_maps.TINTS, 2)) > FILLS
    backgrounds = (sweep_curves.MET, sweep_curves.NOMINAL, sweep_curves.NOT_RUN)
    assert min(apart(a, b) for a, b in combinations(backgrounds, 2)) > FILLS


def test_levels_of_a_map_are_told_apart_in_order() -> None:
    levels = (*sweep_maps.SHORT, *sweep_maps.ENOUGH)
    assert min(apart(a, b) for a, b in pairwise(levels)) > FILLS
    for kind in (None, *KINDS):  # lightness alone orders each side
        shown = [rgb(each) if kind is None else seen(each, kind) for each in levels]
        lightness = colorspacious.cspace_convert(np.array(shown), "sRGB1", "CAM02-UCS")[:, 0]
        short = len(sweep_maps.SHORT)
        assert (np.diff(lightness[:short]) > 0).all()
        assert (np.diff(lightness[short:]) < 0).all()


def test_runs_in_the_picture_of_residuals_differ_by_sign_where_colours_do_not() -> None:
    count = len(residuals.RUN_COLOURS)
    close = [
        (a, b)
        for a, b in combinations(range(count), 2)
        if apart(residuals.RUN_COLOURS[a], residuals.RUN_COLOURS[b]) < LINES
    ]
    assert close, "a test that finds none would not need the signs"
    assert all(residuals.RUN_MARKERS[a] != residuals.RUN_MARKERS[b] for a, b in close)


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_the_live_page_tells_a_pair_and_ghosts_apart(dark: bool) -> None:
    colours = variables(dark)
    assert apart(colours["pair-1"], colours["pair-2"]) > LINES
    assert apart(colours["signal"], colours["mark"]) > LINES
    assert apart(colours["good"], colours["mark"]) > FILLS  # met and missed, beside the words
    for number in (1, 2, 3):
        distance = apart(colours[f"ghost-{number}"], colours["signal"])
        assert distance > FILLS, number
    text = STYLE.read_text(encoding="utf-8")
    common = re.search(r"svg \.ghost \{[^}]*stroke-dasharray: ([\d .]+)", text)
    own = re.findall(r"svg \.ghost-\d \{[^}]*stroke-dasharray: ([\d .]+)", text)
    assert common is not None
    assert len({common[1], *own}) == 3  # ghosts differ by their dashes, whatever their colours
