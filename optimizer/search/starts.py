"""Where a search may descend: starts told apart by their class, and what populations of a family came to."""

from __future__ import annotations

import numpy as np
from scipy.stats import qmc

from models.column.programs import Array
from optimizer.base.interruption import undisturbed
from optimizer.goal.goal import Problem
from optimizer.search.descent import Descent
from optimizer.search.found import Found
from optimizer.search.population import lack
from optimizer.search.program_space import Family

INHERITED = 24  # programs made of each of the best ends of a family with a ramp less
BATCH, CENTRES = 64, 3  # programs screened between descents: anywhere, and around each of the best ends
PERTURBATION = (-2.3, -0.5)  # decimal logarithms of their distances on the unit cube
LACK_WEIGHT = 2.0  # of what a program lacks, against ln(run time), in the merit of a start
AGAIN = 0.1  # by how much a start must beat what is known of its class, in ln(run time), to be tried again
FRESH = 1.0  # how far behind the best start an untried combination of heating bands may lie
STRETCHED = 1.35  # as much wider than the unit cube are screened points spread, and cut off at its ends
NICHE = 0.1  # on the unit cube: how far from a value one set point of every other start may be
EDITED = 0.25  # share of a population's first members that are edits of the best program, at most
LESS_SHORT = 2e-3  # of a margin, by which an end is clearly better than another that fails
SAME_END = 0.9995  # cost over that of a known end of the class, from which a descent found nothing new


class Ends:
    """Ends from which populations may begin, each kind of program once."""

    def __init__(self) -> None:
        self.waiting: list[Found] = []
        self.begun: list[Found] = []

    def take(self, price: float) -> Found | None:
        """The end with the lowest ln(cost) and price on what it lacks; None if all are like some before."""

        def merit(found: Found) -> float:
            return float(np.log(found.descent.cost)) - price * min(found.descent.margin, 0.0)

        self.waiting.sort(key=merit)
        while self.waiting:
            found = self.waiting.pop(0)
            if not any(found.alike(other) and not better(found, other) for other in self.begun):
                self.begun.append(found)
                return found
        return None


def better(new: Found, old: Found) -> bool:
    """Whether an end of the same kind is so much better that it is worth another population."""
    if new.feasible:
        return not old.feasible or new.descent.cost < SAME_END * old.descent.cost
    return new.descent.margin > min(old.descent.margin, 0.0) + LESS_SHORT


class Pool:
    """Starts of one family: the most promising member of each class not yet descended into.

    Quasi-random programs and perturbations of good ends are screened in batches; a class that was a start or an end
    of a descent comes back only with a clearly better start.
    """

    def __init__(self, problem: Problem, family: Family, rng: np.random.Generator) -> None:
        self.problem, self.family, self.rng = problem, family, rng
        with undisturbed():  # the first one of a process reads tables
            self.sobol = qmc.Sobol(family.size, seed=rng)
        self.waiting: dict[bytes, tuple[float, Array]] = {}
        self.visited: dict[bytes, float] = {}
        self.bands_tried: set[bytes] = set()
        self.ends: dict[bytes, float] = {}  # cost of the best end known of each class
        self.population: Array | None = None  # (K, D), the family's, best first
        self.leading: Found | None = None  # its best; where that gets no better, a new one begins
        self.populations = 0  # begun so far
        self.met: set[bytes] = set()  # ends that were put into it
        self.given: list[
            tuple[Array, float]
        ] = []  # points to descend from before all others, with their merits
        self.edited = np.empty(
            (0, family.size)
        )  # edits of the best program that this family holds, best first
        self.around, self.near = Ends(), Ends()  # of descents and of populations, as judged
        self.screened = 0

    def _classes(self, z: Array, retention: Array) -> list[bytes]:
        """Basins: elution order, how many peaks have left by each corner of oven and carrier, and heating bands.

        A resolution has a kink where a peak passes from a hold into a ramp, and limits step from band to band: a
        descent crosses neither.
        """
        batch = self.family.batch(self.family.values(z))
        corners = np.concatenate([batch.oven_times[:, 1:], batch.carrier_times[:, 1:]], axis=1)
        left = (retention[:, :, None] < corners[:, None, :]).sum(axis=1)
        orders = np.argsort(retention, axis=1)
        return [
            row.tobytes()
            for row in np.concatenate([orders, left, self.family.bands(z)], axis=1).astype("<i2")
        ]

    def anywhere(self, count: int) -> Array:
        """Points (count, D) anywhere; of every other one some set points are at the ends of their ranges."""
        z: Array = self.sobol.random(count)
        z[1::2] = np.clip(0.5 + STRETCHED * (z[1::2] - 0.5), 0.0, 1.0)
        return z

    def screen(self, z: Array) -> Array:
        """Add points (K, D) to the waiting starts; gives their merits (K,), the lower the better."""
        z = self.family.ordered(z)
        merit, retention = self._merits(z)
        for value, point, key in zip(merit, z, self._classes(z, retention), strict=True):
            known = self.waiting[key][0] if key in self.waiting else self.visited.get(key, np.inf) - AGAIN
            if value < known:
                self.waiting[key] = (float(value), point)
        return merit

    def _merits(self, z: Array) -> tuple[Array, Array]:
        """Merits (K,) and retention times (K, M) [s] of points (K, D)."""
        assessment = self.problem.assess(self.family.batch(self.family.values(z)), "screen")
        self.screened += len(z)
        return np.log(assessment.cost) + LACK_WEIGHT * lack(self.problem, assessment), assessment.retention

    def give(self, z: Array) -> None:
        """A point (D,) to descend from before all others."""
        self.given.append((z, float(self.screen(z[None])[0])))

    def edit(self, z: Array) -> None:
        """Edits (K, D) of the best program: the best are members of the next populations.

        As starts of descents they left no time for other classes: with 80 compounds the best known was never found.
        """
        z = self.family.ordered(z)
        self.edited = z[np.argsort(self._merits(z)[0], kind="stable")]

    def with_edits(self, members: Array) -> Array:
        """First members (K, D) of a population, some of the last of them replaced by edits of the best program."""
        some = self.edited[: int(EDITED * len(members))]
        return np.concatenate([members[: len(members) - len(some)], some])

    def promising(self, count: int) -> Array:
        """Waiting starts (K, D), at most `count`: half of them the best, half any others."""
        order = sorted(self.waiting, key=lambda key: self.waiting[key][0])
        rest = order[count // 2 :]
        some = self.rng.permutation(len(rest))[: count - count // 2]
        keys = [*order[: count // 2], *(rest[at] for at in some)]
        return np.array([self.waiting[key][1] for key in keys]).reshape(-1, self.family.size)

    def widen(self, ends: list[Found]) -> None:
        """Screen new points: some anywhere, more around good ends at several distances."""
        points = [self.anywhere(BATCH)]
        for found in ends[:CENTRES]:
            scale = 10 ** self.rng.uniform(*PERTURBATION, (BATCH, 1))
            points.append(found.descent.z + scale * self.rng.standard_normal((BATCH, self.family.size)))
        self.screen(np.concatenate(points))

    def inherit(self, simpler: Family, ends: list[Found]) -> None:
        """Screen good programs of a family with a ramp less, each with all kinds of ramps added."""
        if ends:
            z = np.repeat([found.descent.z for found in ends[:CENTRES]], INHERITED, axis=0)
            more = self.family.split if simpler.ramps < self.family.ramps else self.family.widened
            self.screen(more(simpler, z, self.rng))

    def take(self, niche: bool = False) -> tuple[bytes, Array] | None:
        """The class and place of the most promising start, which is then visited.

        Points that are given come first. In a niche it is the most promising where one set point is near some value:
        most starts near good ends lead back to them.
        """
        if self.given:
            z, merit = self.given.pop(0)
            key = self.class_of(z)
            self.waiting.pop(key, None)
            self.visited[key] = merit
            return key, z
        if not self.waiting:
            return None
        best = min(merit for merit, _ in self.waiting.values())
        among = list(self.waiting)
        if niche:
            value, at = self.rng.random(), int(self.rng.integers(self.family.size))
            near = (abs(point[at] - value) < NICHE for _, point in self.waiting.values())
            among = [key for key, inside in zip(among, near, strict=True) if inside] or among
            best = min(self.waiting[key][0] for key in among)

        def order(key: bytes) -> tuple[bool, float]:
            merit = self.waiting[key][0]
            # Each combination of heating bands is tried once before others again, unless it is far behind.
            fresh = self._bands(key) not in self.bands_tried and merit < best + FRESH
            return (not fresh, merit)

        key = min(among, key=order)
        self.bands_tried.add(self._bands(key))
        self.visited[key], point = self.waiting.pop(key)
        return key, point

    def taken(self, key: bytes, merit: float) -> None:
        """Mark a class into which another worker descends from a start of that merit."""
        self.bands_tried.add(self._bands(key))
        self._visit(key, merit)

    def freed(self, key: bytes, merit: float) -> None:
        """Unmark a class into which another worker did not descend after all."""
        if self.visited.get(key) == merit:
            del self.visited[key]

    def _bands(self, key: bytes) -> bytes:
        """The part of a class that is its heating bands."""
        return key[len(key) - 2 * self.family.stepping.size :]

    def known(self, descent: Descent) -> bool:
        """Whether a descent ended where one as good ended before."""
        return descent.cost >= SAME_END * self.ends.get(self.end_class(descent), np.inf)

    def end_class(self, descent: Descent) -> bytes:
        """The class in which a descent ended."""
        return self.class_of(descent.z)

    def class_of(self, z: Array) -> bytes:
        """The class of a point (D,)."""
        assessment = self.problem.assess(self.family.batch(self.family.values(z[None])), "screen")
        return self._classes(z[None], assessment.retention)[0]

    def ended(self, key: bytes, found: Found) -> None:
        """Mark the class in which a descent ended."""
        if found.feasible:
            self.ends[key] = min(found.descent.cost, self.ends.get(key, np.inf))
        self._visit(key, float(np.log(found.descent.cost)) if found.feasible else np.inf)

    def _visit(self, key: bytes, merit: float) -> None:
        self.visited[key] = min(merit, self.visited.get(key, np.inf))
        if key in self.waiting and self.waiting[key][0] >= self.visited[key] - AGAIN:
            self.waiting.pop(key)
