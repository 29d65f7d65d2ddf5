"""Quadrature over the legs of a program in which a band spends its clock s.

A panel is one band in one leg of its program. Where temperature rises the nodes lie on Phi_0, in which the band's whole
history is smooth; in a hold, on time. Temperature goes as ln Phi_0, so that nodes crowd towards the start of a panel
over which Phi_0 grows many times: Gauss node x lies at the share (1-lambda) x + lambda x^2, lambda being the share
of Phi_0 that the panel adds. Node arrays are (G, E).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from models.elution import Arrival
from models.legs import Legs, quartic
from models.plate_height_tables import Places, PlateHeightTables
from models.precision import Precision, in_precision
from models.programs import Array
from models.sections import Sections

Index = NDArray[np.intp]


@dataclass(frozen=True)
class Rule:
    """Gauss-Legendre in x on [0, 1], and the integrals of its Lagrange basis.

    Attributes
    ----------
    x : (G, 1) array
    weight : (G,) array, of integrals over x
    to_node : (G, G) array, integrals over x from 0 to each node
    precision : of these arrays and of all that is worked out at the nodes
    """

    x: Array
    weight: Array
    to_node: Array
    precision: Precision = "double"

    def spread(self, phi_start: Array, phi_stop: Array) -> tuple[Array, Array]:
        """Share of panels passed at the nodes and its slope in x, (G, E), from Phi_0 at their ends (E,)."""
        crowding = 1 - phi_start / phi_stop
        bend = crowding * self.x
        return (1 - crowding + bend) * self.x, 1 - crowding + 2 * bend


@cache
def rule(count: int, precision: Precision = "double") -> Rule:
    """The rule of `count` nodes."""
    x, w = np.polynomial.legendre.leggauss(count)
    values = np.polynomial.legendre.legvander(x, count - 1)
    antiderivatives = np.stack(
        [
            np.polynomial.legendre.legval(x, np.polynomial.legendre.legint(row, lbnd=-1)) / 2
            for row in np.eye(count)
        ],
        axis=1,
    )
    to_node = antiderivatives @ np.linalg.inv(values)
    return Rule(
        in_precision(((x + 1) / 2)[:, None], precision),
        in_precision(w / 2, precision),
        in_precision(to_node, precision),
        precision,
    )


@dataclass(frozen=True)
class Panels:
    """E panels, ordered by band and in time within it: (E,) arrays.

    Attributes
    ----------
    band : number, among the F bands looked at
    compound, leg : number of each
    which : flat number of the leg, b N + n
    phi_start, phi_stop : Phi_0 at both ends of the leg
    clock, gain : s at the start and over the panel
    first : number of the first panel of the same band
    left_out : (F,) array, s of each band that lies in sections too small to be a panel
    bands : int, F
    """

    band: Index
    compound: Index
    leg: Index
    which: Index
    phi_start: Array
    phi_stop: Array
    clock: Array
    gain: Array
    first: Index
    left_out: Array
    bands: int

    def sums(self, values: Array) -> Array:
        """Sums (F,) over the panels of each band of values (E,)."""
        result: Array = np.asarray(np.bincount(self.band, values, self.bands), dtype=np.float64)
        return result

    def running(self, density: Array, nodes: Rule) -> tuple[Array, Array]:
        """Integrals over x of a density (G, E) from s = 0 to each node (G, E), and over each panel (E,)."""
        totals = (nodes.weight @ density).astype(np.float64)
        before = np.cumsum(totals) - totals
        before -= before.take(self.first)
        inner = nodes.to_node @ density
        inner += in_precision(before, nodes.precision)
        return inner, totals


def panels_of(sections: Sections, s_end: Array, negligible: float, bands: Index | None = None) -> Panels:
    """Panels of all bands, or of the numbers `bands` (F,), up to s at elution (F,).

    Legs below the share `negligible` of it are left out.
    """
    clock, phi = sections.clock, sections.phi
    if sections.legs is not None:
        clock, phi = clock[sections.legs.first], phi[sections.legs.first]
    if bands is not None:
        clock, phi = clock.take(bands, axis=1), phi.take(bands, axis=1)
    B, count = clock.shape
    edges = np.empty((B + 1, count))
    np.minimum(clock, s_end, out=edges[:-1])
    edges[-1] = s_end
    gain = edges[1:] - edges[:-1]
    least = negligible * s_end
    band, leg = np.nonzero((gain > least).T)
    each = leg * count + band
    number = band if bands is None else bands.take(band)
    kept = gain.ravel().take(each)
    starts = np.flatnonzero(np.diff(band, prepend=-1))
    first: Index = np.repeat(starts, np.diff(starts, append=band.size))
    return Panels(
        band=band,
        compound=number % sections.compounds,
        leg=leg,
        which=leg * sections.programs + number // sections.compounds,
        phi_start=phi.ravel().take(each),
        phi_stop=phi.ravel().take(np.minimum(each + count, phi.size - 1)),
        clock=edges.ravel().take(each),
        gain=kept,
        first=first,
        left_out=s_end - np.bincount(band, kept, count),
        bands=count,
    )


@dataclass(frozen=True)
class Nodes:
    """Nodes of panels: (G, E) arrays.

    Attributes
    ----------
    places : Places in the tables of the plate height
    pressure : absolute inlet pressure [Pa]
    density : ds/dx
    """

    places: Places
    pressure: Array
    density: Array


def nodes_of(
    panels: Panels, legs: Legs, heights: PlateHeightTables, end: Arrival, nodes: Rule, curved: bool
) -> Nodes:
    """Nodes of panels whose bands leave the column at `end`, where c is not constant."""
    precision = nodes.precision
    values = in_precision(legs.values, precision).take(panels.which, axis=1)
    T_start, rise = values[:2]
    ramp = rise != 0.0
    final = end.leg.take(panels.band) == panels.leg
    phi_stop = np.where(final, end.phi.take(panels.band), panels.phi_stop)
    phi_start = in_precision(panels.phi_start, precision)
    phi_stop = np.where(ramp, in_precision(phi_stop, precision), phi_start)
    share, slope = nodes.spread(phi_start, phi_stop)
    places = heights.at(phi_start + share * (phi_stop - phi_start), panels.compound, curved)
    stop = in_precision(np.where(final, end.share.take(panels.band), 1.0), precision)
    u = np.where(
        ramp, (places.temperature - T_start) / np.where(ramp, rise, rise.dtype.type(1.0)), stop * share
    )
    density = quartic(values[2:7], u) * slope
    # Scaled so that the quadrature gives the gain over the panel, which is known exactly.
    density *= in_precision(panels.gain, precision) / (nodes.weight @ density)
    return Nodes(places, quartic(values[7:], u), density)
