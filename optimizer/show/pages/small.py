"""Chromatograms small enough for a row of a table, on one time axis."""

from __future__ import annotations

from typing import Any

import numpy as np

from optimizer.results.plot_data import ChromatogramData, thinned_curve

WIDTH, HEIGHT = 240, 34  # px
THINNED = 0.004  # of the height: a seventh of a pixel


def small_chromatogram(data: ChromatogramData, longest: float) -> dict[str, Any]:
    """An SVG path over 0 to `longest` [min], peaks above the scale cut off; a note where the run goes on beyond."""
    seen = data.times <= longest
    times = data.times[seen]
    heights = np.clip(data.response[seen] / data.top, 0.0, 1.0)
    kept = thinned_curve(times, heights, THINNED)
    x, y = times[kept] / longest * WIDTH, HEIGHT - 1 - heights[kept] * (HEIGHT - 2)
    points = "L".join(f"{a:.1f} {b:.1f}" for a, b in zip(x, y, strict=True))
    beyond = data.end > longest * 1.001
    note = f"→ {data.end:.0f} min" if beyond else ""
    return {"path": f"M{points}", "width": WIDTH, "height": HEIGHT, "note": note}
