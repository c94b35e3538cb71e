"""Passes in one process: made, presented by one caller, by many, and among a million others."""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

from passdesk.services import issuing
from scripts.benchmarks.measuring import Row, cost_of, take_turns
from tests.support.gate import now_us

if TYPE_CHECKING:
    from collections.abc import Callable

    from scripts.benchmarks.stock import Stock
    from scripts.benchmarks.workshop import Workshop

CALLERS = 40
WANTED_OF_ONE = 0.5
WANTED_OF_MANY = 0.35
MOST_GROWTH = 1.3
SELDOM = 5
"""A pass is made so many times more slowly than it is presented."""


def issue(workshop: Workshop) -> list[Row]:
    """Make a pass in an act of its own, against a signature and a commit."""
    commits = max(1, workshop.sizes.commits // SELDOM)

    def issuing_in(stock: Stock) -> Callable[[], float]:
        def one() -> None:
            stock.instance.act("command", now_us(), issuing.issue, stock.gate.pass_command())

        return lambda: cost_of(commits, one)

    floor, few, many = take_turns(
        workshop.sizes.rounds,
        lambda: cost_of(commits, workshop.floors.sign_and_commit),
        issuing_in(workshop.stock(workshop.sizes.passes[0])),
        issuing_in(workshop.large_stock()),
    )
    return _at_both_sizes("issue a pass", workshop, (few, many), floor)


def caller(workshop: Workshop) -> list[Row]:
    """Present codes one after the other, against a check and a commit each."""
    sizes = workshop.sizes
    stock = workshop.stock(sizes.passes[0])
    floor, cost = take_turns(
        sizes.rounds,
        lambda: cost_of(sizes.commits, workshop.floors.verify_and_commit),
        lambda: _one_by_one(stock, sizes.commits),
    )
    return [Row("present, one caller", cost, floor, wanted=WANTED_OF_ONE)]


def callers(workshop: Workshop) -> list[Row]:
    """Present codes from many threads at once, against a check each by one core."""
    sizes = workshop.sizes
    stock = workshop.stock(sizes.passes[0])
    floor, cost = take_turns(
        sizes.rounds,
        lambda: cost_of(sizes.calls, workshop.floors.verify),
        lambda: _at_once(stock, sizes.presentations),
    )
    return [Row(f"present, {CALLERS} callers", cost, floor, wanted=WANTED_OF_MANY)]


def stored(workshop: Workshop) -> list[Row]:
    """Present codes one after the other, among few passes and among many."""
    sizes = workshop.sizes
    few, many = workshop.stock(sizes.passes[0]), workshop.large_stock()
    floor, among_few, among_many = take_turns(
        sizes.rounds,
        lambda: cost_of(sizes.commits, workshop.floors.verify_and_commit),
        lambda: _one_by_one(few, sizes.commits),
        lambda: _one_by_one(many, sizes.commits),
    )
    return _at_both_sizes("present", workshop, (among_few, among_many), floor, MOST_GROWTH)


def _at_both_sizes(
    measure: str,
    workshop: Workshop,
    costs: tuple[float, float],
    floor: float,
    most_growth: float | None = None,
) -> list[Row]:
    few, many = workshop.sizes.passes
    return [
        Row(f"{measure}, {few:,} passes stored", costs[0], floor),
        Row(
            f"{measure}, {many:,} passes stored", costs[1], floor,
            growth=costs[1] / costs[0], most_growth=most_growth,
        ),
    ]  # fmt: skip


def _one_by_one(stock: Stock, presentations: int) -> float:
    texts = iter(stock.codes(presentations))
    return cost_of(presentations, lambda: stock.present(next(texts)))


def _at_once(stock: Stock, presentations: int) -> float:
    texts = stock.codes(presentations)

    def present(number: int) -> None:
        for text in texts[number::CALLERS]:
            stock.present(text)

    with ThreadPoolExecutor(CALLERS) as pool:
        began = time.perf_counter()
        for _ in pool.map(present, range(CALLERS)):
            pass  # what a caller raised is raised here
        return (time.perf_counter() - began) / presentations
