#!/usr/bin/env python3
"""Measure what Passdesk costs, against what cannot be done without, in one run.

    scripts/bench [--quick] [--only NAME]...

The table gives rates: figure is ours; floor is that of the bare work (a signature, a row on disk, a
symbol, hashing, a route that always says the same) with the same libraries on the same machine;
ratio is figure over floor. Growth is the cost of one at the large size over that at the small one.
A measure and its floor take turns, and the best round of each counts, so that a busy machine
changes the figures more than the ratios. Exit status: 0 when nothing falls short of what is
wanted, otherwise 1.
"""

from __future__ import annotations

import argparse
import sys
import time
from typing import TYPE_CHECKING

from scripts.benchmarks.audit import audit
from scripts.benchmarks.codes import render, verify
from scripts.benchmarks.measuring import FULL, QUICK, Row, Sizes
from scripts.benchmarks.passes import caller, callers, issue, stored
from scripts.benchmarks.web import http
from scripts.benchmarks.workshop import Workshop

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

MEASURES: dict[str, Callable[[Workshop], list[Row]]] = {
    "issue": issue,
    "verify": verify,
    "caller": caller,
    "callers": callers,
    "http": http,
    "render": render,
    "audit": audit,
    "stored": stored,
}
HEADINGS = ("measure", "figure", "floor", "ratio", "wanted", "growth")


def measured(names: Iterable[str], sizes: Sizes) -> list[Row]:
    """Take the measures of these names; tell the error stream of each as it is done."""
    rows = []
    with Workshop(sizes) as workshop:
        for name in names:
            began = time.monotonic()
            rows += MEASURES[name](workshop)
            print(f"{name}: {time.monotonic() - began:.1f} s", file=sys.stderr, flush=True)
    return rows


def table(rows: Iterable[Row]) -> str:
    """Write the table, its columns aligned."""
    lines = [HEADINGS, *map(_cells, rows)]
    widths = [max(map(len, column)) for column in zip(*lines, strict=True)]
    return "\n".join(
        "  ".join([line[0].ljust(widths[0]), *map(str.rjust, line[1:], widths[1:])]).rstrip()
        for line in lines
    )


def shortfalls(rows: Iterable[Row]) -> list[str]:
    """Say of each row that falls short what it has and what is wanted."""
    return [
        f"{row.measure}: has {row.ratio:.2f} and growth {_growth(row)}, wanted is {_wanted(row)}"
        for row in rows
        if row.falls_short
    ]


def _cells(row: Row) -> tuple[str, ...]:
    return (
        row.measure,
        f"{1 / row.cost:,.0f}/s",
        f"{1 / row.floor:,.0f}/s",
        f"{row.ratio:.2f}",
        _wanted(row),
        _growth(row),
    )


def _wanted(row: Row) -> str:
    least = [] if row.wanted is None else [f"at least {row.wanted}"]
    most = [] if row.most_growth is None else [f"growth at most {row.most_growth}"]
    return ", ".join(least + most) or "-"


def _growth(row: Row) -> str:
    return "-" if row.growth is None else f"{row.growth:.2f}"


def main(arguments: list[str] | None = None) -> int:
    """Run the program; return its exit status."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--quick", action="store_true", help="small sizes, in about half a minute")
    parser.add_argument("--only", action="append", choices=MEASURES, help="take just this measure")
    options = parser.parse_args(arguments)
    rows = measured(options.only or MEASURES, QUICK if options.quick else FULL)
    print(table(rows))
    short = shortfalls(rows)
    if short:
        print("", "Below what is wanted:", *short, sep="\n")
    else:
        print("", "Nothing is below what is wanted.", sep="\n")
    return 1 if short else 0


if __name__ == "__main__":
    sys.exit(main())
