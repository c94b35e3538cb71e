#!/usr/bin/env python3
"""Show every pass more often than it allows, from many processes at once, and count the grants.

    scripts/race.py --processes 8 --passes 10000 --entries 3 --database sqlite
    scripts/race.py --processes 8 --passes 10000 --entries 3 --database postgresql

Every process has an instance, a presenter and a reader of its own, and comes to the passes in the
same order as the others. Each pass must be granted exactly as often as it allows: by the answers,
by its count, and by the presentations that are kept. Exit status: 0 when that is so, else 1.
"""

from __future__ import annotations

import argparse
import multiprocessing
import queue
import sys
import tempfile
import time
from concurrent.futures import wait
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import func, select

from passdesk import settings
from passdesk.services import instance as instances
from passdesk.store.tables import passes, presentations
from tests.support import postgresql, racing
from tests.support.gate import Gate, now_us

if TYPE_CHECKING:
    from collections.abc import Iterator

    from passdesk.services.instance import Instance

REPORT_EVERY_S = 5


@contextmanager
def database(kind: str, folder: Path) -> Iterator[str]:
    """Give the address of an empty database that flushes at every commit."""
    if kind == "sqlite":
        yield f"sqlite:///{folder / 'race.db'}"
        return
    with postgresql.cluster() as socket:
        postgresql.execute(socket, "CREATE DATABASE race")
        yield postgresql.url(socket, "race")


def laps(gate: Gate, options: argparse.Namespace) -> list[racing.Lap]:
    """Give what each process has to do, so that each pass is shown more often than it allows."""
    texts = tuple(gate.codes(options.passes, entries=options.entries))
    return [
        racing.Lap(
            racing.Ground.of(gate.instance),
            name=f"process-{number}",
            reader_id=reader.id,
            texts=texts,
            times=options.entries // options.processes + 1,
            threads=options.threads,
            at_us=now_us(),
        )
        for number, reader in enumerate(gate.readers)
    ]


def run(all_laps: list[racing.Lap], began: float) -> list[list[int]]:
    """Run the race and say how it goes; give how often each process was granted each pass."""
    total = sum(len(lap.texts) * lap.times for lap in all_laps)
    with multiprocessing.Manager() as manager, racing.pool(len(all_laps)) as pool:
        passed: Any = manager.Queue()
        started = [pool.executor.submit(racing.run_lap, lap, passed) for lap in all_laps]
        shown, said = 0, time.monotonic()
        while not all(each.done() for each in started) or not passed.empty():
            try:
                shown += passed.get(timeout=0.2)
            except queue.Empty:
                continue
            if time.monotonic() - said >= REPORT_EVERY_S:
                said = time.monotonic()
                print(f"{shown:,} of {total:,} shown after {said - began:.0f} s", flush=True)
        wait(started)
        return [each.result() for each in started]


def counted(instance: Instance, entries: int) -> tuple[int, int, int]:
    """Give what the database says: entries used, presentations granted, passes not used up."""
    used = select(func.sum(passes.c.entries_used))
    granted = select(func.count()).select_from(presentations).where(presentations.c.granted)
    other = select(func.count()).select_from(passes).where(passes.c.entries_used != entries)
    with instance.store.reading() as connection:
        return (
            connection.execute(used).scalar_one(),
            connection.execute(granted).scalar_one(),
            connection.execute(other).scalar_one(),
        )


def arguments_of(arguments: list[str] | None) -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--processes", type=int, default=8, help="how many come at once")
    parser.add_argument("--threads", type=int, default=2, help="how many in each process")
    parser.add_argument("--passes", type=int, default=10_000, help="how many there are")
    parser.add_argument("--entries", type=int, default=3, help="how many each allows")
    parser.add_argument("--database", choices=("sqlite", "postgresql"), default="sqlite")
    return parser.parse_args(arguments)


def main(arguments: list[str] | None = None) -> int:
    """Run the program; return its exit status."""
    options = arguments_of(arguments)
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as folder, database(options.database, Path(folder)) as url:
        environ = {"PASSDESK_DATABASE_URL": url}
        instance = instances.create(settings.load(Path(folder) / "instance", environ), now_us())
        gate = Gate.build(instance, readers=options.processes, reread_seconds=0)
        all_laps = laps(gate, options)
        print(f"{options.passes:,} passes made after {time.monotonic() - began:.0f} s", flush=True)
        tallies = run(all_laps, began)
        used, kept, other = counted(instance, options.entries)
        instance.close()
    told = sum(map(sum, tallies))
    wrong = sum(each != options.entries for each in map(sum, zip(*tallies, strict=True)))
    expected = options.passes * options.entries
    shown = sum(len(lap.texts) * lap.times for lap in all_laps)
    print(
        f"{options.database}, {options.processes} processes: {shown:,} shown, {told:,} granted, "
        f"{kept:,} kept, {used:,} entries used, {expected:,} expected; passes granted other than "
        f"{options.entries} times: {wrong} by the answers, {other} by their count; "
        f"{time.monotonic() - began:.0f} s"
    )
    return 0 if told == kept == used == expected and not wrong and not other else 1


if __name__ == "__main__":
    sys.exit(main())
