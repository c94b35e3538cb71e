"""The program that measures: every row is there. How fast anything is, no test may ask."""

from __future__ import annotations

import pytest
from pymerkle import InmemoryTree

from scripts import bench
from scripts.benchmarks.floors import bare_root
from scripts.benchmarks.measuring import Row, Sizes, take_turns

TINY = Sizes(
    rounds=1, calls=3, commits=2, presentations=40, requests=40, passes=(5, 50), records=(30, 300)
)
ROWS = [
    "issue a pass, 5 passes stored",
    "issue a pass, 50 passes stored",
    "verify a code",
    "present, one caller",
    "present, 40 callers",
    "HTTP, 1 client",
    "HTTP, 8 clients",
    "HTTP, 40 clients",
    "render a code, PNG",
    "render a code, SVG",
    "audit verify, 30 records",
    "audit verify, 300 records",
    "present, 5 passes stored",
    "present, 50 passes stored",
]


def row(**changes: float) -> Row:
    return Row(**{"measure": "digging", "cost": 0.002, "floor": 0.001, **changes})  # type: ignore[arg-type] # a name beside numbers


def test_every_measure_gives_its_rows_in_one_run() -> None:
    rows = bench.measured(bench.MEASURES, TINY)
    assert [row.measure for row in rows] == ROWS
    assert all(row.cost > 0 and row.floor > 0 for row in rows)
    assert [row.measure for row in rows if row.growth] == [ROWS[1], ROWS[11], ROWS[13]]


def test_the_table_has_rates_and_their_ratio() -> None:
    lines = bench.table([row(wanted=0.4), row(growth=1.25, most_growth=1.3)]).splitlines()
    assert [line.split() for line in lines] == [
        ["measure", "figure", "floor", "ratio", "wanted", "growth"],
        ["digging", "500/s", "1,000/s", "0.50", "at", "least", "0.4", "-"],
        ["digging", "500/s", "1,000/s", "0.50", "growth", "at", "most", "1.3", "1.25"],
    ]


@pytest.mark.parametrize(
    ("given", "short"),
    [
        (row(), []),
        (row(wanted=0.5), []),
        (row(wanted=0.51), ["digging: has 0.50 and growth -, wanted is at least 0.51"]),
        (row(growth=1.3, most_growth=1.3), []),
        (
            row(growth=1.31, most_growth=1.3),
            ["digging: has 0.50 and growth 1.31, wanted is growth at most 1.3"],
        ),
    ],
)
def test_what_falls_short_is_said(given: Row, short: list[str]) -> None:
    assert bench.shortfalls([given]) == short


@pytest.mark.parametrize(("wanted", "status"), [(0.4, 0), (0.6, 1)])
def test_the_exit_status_says_whether_anything_falls_short(
    wanted: float, status: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(bench, "MEASURES", {"digging": lambda _workshop: [row(wanted=wanted)]})
    assert bench.main(["--only", "digging"]) == status
    assert ("Below what is wanted:" in capsys.readouterr().out) == bool(status)


def test_a_measure_and_its_floor_take_turns_and_the_best_round_counts() -> None:
    done = []

    def work(name: str, *costs: float) -> float:
        done.append(name)
        return costs[done.count(name) - 1]

    found = take_turns(3, lambda: work("floor", 0, 3, 1, 2), lambda: work("ours", 0, 4, 5, 6))
    assert found == [1, 4]
    assert done == ["floor", "ours", "floor", "ours", "ours", "floor", "floor", "ours"]


@pytest.mark.parametrize("size", [1, 2, 3, 7, 64, 100])
def test_the_bare_root_is_the_root(size: int) -> None:
    # Outside check: the tree of pymerkle, whose hashes are those of RFC 9162 section 2.1.
    bodies = [bytes([number]) for number in range(size)]
    tree = InmemoryTree(algorithm="sha256")
    for body in bodies:
        tree.append_entry(body)
    assert bare_root(bodies) == tree.get_root()
