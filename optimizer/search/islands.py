"""The search within its budget: islands that learn from one another, on as many cores as there are.

An island is a search of its own, with its own seed. All make a few steps from what they know, then each learns what the
others found, in the same order however many processes they are spread over: cores decide how long a search takes,
not what a number of rounds finds.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from math import ceil

from models.column.programs import Program
from models.engine.compiled import is_kept
from optimizer.base.clock import ROUND, Progress, now, round_done, rounds_are_counted, wall
from optimizer.base.interruption import postponed, signals_so_far, stop_if_asked
from optimizer.base.processes import MOST, Apart, Here, LostWorkerError, Workers, can_be_started, end_early
from optimizer.goal.goal import Problem
from optimizer.search.found import Found, Searched, rank
from optimizer.search.program_space import Family
from optimizer.search.search import Ended, Search, keep
from optimizer.search.study import SharedStudy

ISLANDS = MOST  # whatever the number of cores, which thus changes no result
STEPS = 5  # of each island between exchanges
ALONE = (
    3.0  # s of budget below which a search is one island, in this process: the others would hardly have begun
)
SCREENED = 2048  # programs of each family before the first descent, by all islands
SCREENED_PER_SECOND = 1600  # and of all families together, for each second of the budget
LEAST_SCREENED = 256  # by each island; and so many at once
SEEDS_APART = 1_000_003  # between the seeds of islands; the first has the search's own
LATE = 0.5  # of what a search gets that finds nothing: its processes' start counts up to that
WAIT = 0.1  # s between looks at the clock while others work


@dataclass(frozen=True)
class _Given:
    """What a worker begins with: a search's input, and the numbers of its islands, of how many; or a lone one, made."""

    problem: Problem
    families: list[Family]
    seed: int
    screened: int
    islands: tuple[int, ...]
    of: int
    known: Sequence[Program] = ()
    lone: Search | None = None


@dataclass(frozen=True)
class _Order:
    """Steps to make, by island, after learning what others found."""

    steps: dict[int, int]
    news: list[tuple[int, Ended]]


@dataclass(frozen=True)
class _Answer:
    """What an island did: a family screened, or a step; `last` of the order."""

    island: int
    screened: str = ""
    ended: Ended | None = None
    last: bool = False


@dataclass
class _Exchange:
    """What has come in since the last order, by island, and the workers that have not ended theirs."""

    busy: set[int]
    found: dict[int, list[Ended]] = field(default_factory=dict)


def search(
    problem: Problem,
    families: list[Family],
    seconds: float,
    seed: int,
    progress: Progress | None = None,
    clock: Callable[[], float] = now,
    shared: SharedStudy | None = None,
    cores: int | None = None,
    without: float | None = None,
    given: Sequence[Program] = (),
    best: Callable[[Program], None] | None = None,
) -> Searched:
    """Search for the shortest program of each family within a time budget [s].

    A Ctrl-C, or a process that ends by itself, ends the search with what was found so far. With a seed and the same
    number of rounds the same
    programs are found; a time budget decides how many there are. `clock` tells what is spent of it: benchmarks
    on a machine with other work give the processor's time. With a shared study what other workers found belongs to
    what is found, and the seed is this worker's own.

    Parameters
    ----------
    cores : processes to spread the islands over; None for a lone island in this process, as with a shared study
    without : budget [s] after which the search ends if nothing it found meets the goal, be it before or after
        `seconds`; it begins when all processes are at work, or when half as much is gone
    given : programs to begin from, beside the method in use: what is found is no worse, where a family holds them
    best : called with each program that meets the goal and is shorter than those before
    """
    state = Searched({number: [] for number in range(len(families))})
    started, began, signals = wall(), clock(), signals_so_far()
    islands = 1 if cores is None or shared is not None or seconds < ALONE else ISLANDS

    def spent() -> float:
        stop_if_asked()
        if signals_so_far() > signals:  # one that was lost on its way here
            raise KeyboardInterrupt
        return clock() - began

    def limit() -> float:
        return seconds if without is None or leading is not None else state.late + without

    share = int(SCREENED_PER_SECOND * seconds / max(len(families), 1)) // 256 * 256
    screened = min(max(share, LEAST_SCREENED), SCREENED) // islands
    if shared is not None:  # others screen, too
        screened //= shared.at_work
    screened = max(screened // LEAST_SCREENED, 1) * LEAST_SCREENED
    workers: Workers | None = None
    lone: Search | None = None
    exchange, words, shortest = _Exchange(set()), "", float("inf")
    try:
        first = Search(problem, families, seed, state, shared)
        first.begin(given)
        if islands == 1:
            lone = first
            workers, homes = (
                Here(island_work, _Given(problem, families, seed, screened, (0,), 1, lone=lone)),
                {0: 0},
            )
        else:
            workers, homes = _begun(problem, families, seed, screened, given, min(cores or 1, islands))
        exchange.busy, starting = set(homes.values()), set(homes.values())
        leading, state.late = _leading(state, families, exchange), LATE * (without or 0.0)
        while (done := spent()) < (until := limit()):
            if not exchange.busy:
                news = [] if lone else _merged(state, families, exchange)
                steps = _steps(islands, until - done)
                exchange = _Exchange({homes[island] for island in steps})
                for worker in exchange.busy:
                    own = {island: number for island, number in steps.items() if homes[island] == worker}
                    workers.order(worker, _Order(own, news))
            answered = workers.answer(min(until - done, WAIT))
            if answered is None:
                continue
            worker, answer = answered
            if worker in starting:
                starting.discard(worker)
                state.late = state.late if starting else min(done, state.late)
            if answer.last:
                exchange.busy.discard(worker)
            if not answer.screened:
                round_done()
            if answer.ended is not None:
                exchange.found.setdefault(answer.island, []).append(answer.ended)
            leading = _leading(state, families, exchange)
            if best is not None and leading is not None and leading.descent.cost < shortest:
                shortest = leading.descent.cost
                best(_program_of(problem, leading))
            said, words = words, _in_words(answer, leading)
            if progress and not (answer.screened and words == said):
                progress(min(done / seconds, 0.99), words)
    except KeyboardInterrupt:
        state.interrupted = True
    except LostWorkerError as lost:
        if not (state.all() or any(exchange.found.values())):
            raise
        state.interrupted = True
        if progress:
            progress(0.99, str(lost))
    finally:
        if workers is not None:
            workers.end()
        end_early()
    with postponed(1) as stop_asked:  # what was found is not lost to a Ctrl-C that comes a moment too late
        if lone is None:
            _merged(state, families, exchange)
        if shared is not None:
            shared.leave()
            if lone is not None:
                lone.take_over()
            state.study = shared.note
    state.interrupted |= stop_asked()
    state.seconds = wall() - started
    return state


def _begun(
    problem: Problem,
    families: list[Family],
    seed: int,
    screened: int,
    known: Sequence[Program],
    processes: int,
) -> tuple[Workers, dict[int, int]]:
    """Workers with all islands, and whose each island is."""
    if not (can_be_started() and is_kept()):
        processes = 1
    homes = {island: island % processes for island in range(ISLANDS)}
    given = [
        _Given(
            problem,
            families,
            seed,
            screened,
            tuple(island for island, home in homes.items() if home == worker),
            ISLANDS,
            known,
        )
        for worker in range(processes)
    ]
    return Here(island_work, given[0]) if processes == 1 else Apart(island_work, given), homes


def island_work(given: _Given, orders: Iterator[_Order]) -> Iterator[_Answer]:
    """What a worker does: screen, then make the steps of each order."""
    searches = {0: given.lone} if given.lone else {island: _island(given, island) for island in given.islands}
    batches = given.screened // LEAST_SCREENED
    left = len(searches) * len(given.families) * batches
    for island, each in searches.items():
        for pool in each.pools:
            for _ in range(batches):
                pool.screen(pool.anywhere(LEAST_SCREENED))
                left -= 1
                yield _Answer(island, pool.family.name, last=not left)
    for order in orders:
        left = sum(order.steps.values())
        for island, steps in order.steps.items():
            for whose, ended in order.news:
                if whose != island:
                    searches[island].learn(ended)
            for _ in range(steps):
                left -= 1
                yield _Answer(island, ended=searches[island].step(), last=not left)


def _island(given: _Given, island: int) -> Search:
    state = Searched({number: [] for number in range(len(given.families))})
    seed = given.seed + SEEDS_APART * island
    search = Search(given.problem, given.families, seed, state, None, island / given.of)
    search.begin(given.known)
    return search


def _steps(islands: int, left: float) -> dict[int, int]:
    """Steps of each island up to the next exchange, where `left` [s] is; with rounds counted no more than fit."""
    most = 1 if islands == 1 else STEPS
    rounds = min(ceil(left / ROUND), most * islands) if rounds_are_counted() else most * islands
    steps = {island: rounds // islands + (island < rounds % islands) for island in range(islands)}
    return {island: number for island, number in steps.items() if number}


def _merged(state: Searched, families: list[Family], exchange: _Exchange) -> list[tuple[int, Ended]]:
    """What islands found, in their order; it then belongs to what the search found."""
    news = [(island, each) for island in sorted(exchange.found) for each in exchange.found[island]]
    for _, each in news:
        state.programs += each.programs
        number, family = each.claim.family, families[each.claim.family]
        keep(state.best[number], Found(family, each.judged))
        if each.refused is not None:
            state.refuse(Found(family, each.refused))
        if state.nominal and each.end.descent.backoff is None:
            keep(state.nominal[number], Found(family, each.end.descent))
    exchange.found.clear()
    return news


def _leading(state: Searched, families: list[Family], exchange: _Exchange) -> Found | None:
    """The best so far, if it meets the goal."""
    found = [
        Found(families[each.claim.family], each.judged) for own in exchange.found.values() for each in own
    ]
    best = min([*state.all()[:1], *found], key=rank, default=None)
    return best if best is not None and best.feasible else None


def _program_of(problem: Problem, found: Found) -> Program:
    """The program of an end, as the search has it: not on the instrument's steps but for its own end."""
    family, values = found.family, found.family.values(found.descent.z)
    end = float(problem.assess(family.batch(values[None]), "screen").run_time[0])
    return family.program(values, end, problem.scenario.instrument.steps.time)


def _in_words(answer: _Answer, leading: Found | None) -> str:
    """What is being done, and the best so far."""
    if answer.screened:
        return f"screening {answer.screened}"
    if leading is None:
        return "best so far: nothing meets the goal yet"
    return f"best so far: {leading.descent.cost / 60:.2f} min ({leading.family.name})"
