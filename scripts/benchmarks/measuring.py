"""How costs are taken, so that a busy machine does not decide what is found.

Nothing is measured by itself. A measure and its floor, or the same measure at two sizes, take
turns, round after round, so that whatever else the machine does is done to both. The best round of
each is what counts, as what a machine does beside only ever adds. A round is long enough to hold
its share of what happens now and then, such as the database's checkpoints.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable


@dataclass(frozen=True, slots=True)
class Sizes:
    """How much is done.

    Attributes:
        rounds: of each measure.
        calls: of what only computes, a round.
        commits: of what waits for the disk, a round; a fifth of them where it is slow.
        presentations: by many callers, a round.
        requests: over HTTP, a round; by one client a quarter of them.
        passes: stored, the small number and the large one.
        records: in the log, the small number and the large one.
    """

    rounds: int
    calls: int
    commits: int
    presentations: int
    requests: int
    passes: tuple[int, int]
    records: tuple[int, int]

    @property
    def turns(self) -> int:
        """The rounds, and the one before them that does not count."""
        return self.rounds + 1


FULL = Sizes(7, 2_000, 500, 2_000, 2_000, (1_000, 1_000_000), (100_000, 1_000_000))
QUICK = Sizes(5, 500, 100, 800, 800, (10_000, 100_000), (10_000, 100_000))


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table.

    Attributes:
        measure: what was done.
        cost: seconds for one of it.
        floor: seconds for one of what cannot be done without.
        wanted: the least ratio of the floor's cost to this one's, None where none is set.
        growth: cost at the large size over cost at the small one, None without sizes.
        most_growth: the most that is wanted of it, None where nothing is set.
    """

    measure: str
    cost: float
    floor: float
    wanted: float | None = None
    growth: float | None = None
    most_growth: float | None = None

    @property
    def ratio(self) -> float:
        """What share of the floor's rate is reached."""
        return self.floor / self.cost

    @property
    def falls_short(self) -> bool:
        """Whether less is reached than is wanted."""
        return (self.wanted is not None and self.ratio < self.wanted) or (
            self.most_growth is not None
            and self.growth is not None
            and self.growth > self.most_growth
        )


def take_turns(rounds: int, *works: Callable[[], float]) -> list[float]:
    """Let each work be done once to warm up, then in turns; give the best cost of each.

    Each round begins with another one, as the first may have it harder than those after it.

    Args:
        rounds: how often each is done.
        works: each does some of its work and gives the seconds that one piece cost.
    """
    for work in works:
        work()
    costs: list[list[float]] = [[] for _ in works]
    for turn in range(rounds):
        for place in range(len(works)):
            at = (turn + place) % len(works)
            costs[at].append(works[at]())
    return [min(of_one) for of_one in costs]


def cost_of(count: int, work: Callable[[], object]) -> float:
    """Do something so many times; give the seconds that one time cost."""
    began = time.perf_counter()
    for _ in range(count):
        work()
    return (time.perf_counter() - began) / count
