#!/usr/bin/env python3
"""Tamper with the records in every way there is, and see that each time the first bad one is named.

    scripts/tamper.py --each 1000 --records 2000 --database sqlite

Records are altered, deleted, inserted, reordered and truncated by somebody who can write the
database but has no key; `tests/support/tampering.py` says how. An auditor verifies with the log's
public key and the newest checkpoint. Exit status: 0 if all was found and rightly named, 1 if not.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING

from passdesk import settings
from passdesk.services import instance as instances
from passdesk.services import verifying
from tests.support import postgresql, tampering
from tests.support.place import NOW_US

if TYPE_CHECKING:
    from collections.abc import Iterator

DATABASES = ("sqlite", "postgresql")
PARTS = 20
REPORT_EVERY = 100


@contextmanager
def database(kind: str, folder: Path) -> Iterator[str]:
    """Give the address of a fresh database."""
    if kind == "sqlite":
        yield f"sqlite:///{folder / 'passdesk.db'}"
        return
    with postgresql.cluster(durable=False) as socket:
        postgresql.execute(socket, "CREATE DATABASE tampered")
        yield postgresql.url(socket, "tampered")


def misses(log: tampering.Log, each: int, seed: int) -> Iterator[str | None]:
    """Tamper so many times in each way; give None for each that is found, else what was missed."""
    for way in tampering.WAYS:
        for number in range(1, each + 1):
            tried = tampering.attempt(log, way, Random(f"{seed} {way} {number}"))  # noqa: S311 - to repeat it
            yield (
                None
                if tried.named
                else f"{way} {number}: position {tried.expected}, but {tried.verdict.first_bad}"
            )


def main(arguments: list[str] | None = None) -> int:
    """Run the program; return its exit status."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--each", type=int, default=1000, help="how many times in each way")
    parser.add_argument("--records", type=int, default=2000, help="how many there are")
    parser.add_argument("--database", choices=DATABASES, default="sqlite")
    parser.add_argument("--seed", type=int, default=1, help="the same seed tampers the same")
    options = parser.parse_args(arguments)
    began, tried, missed = time.monotonic(), 0, 0
    with ExitStack() as opened:
        folder = Path(opened.enter_context(tempfile.TemporaryDirectory()))
        url = opened.enter_context(database(options.database, folder))
        chosen = settings.load(folder / "instance", {"PASSDESK_DATABASE_URL": url})
        instance = opened.enter_context(closing(instances.create(chosen, NOW_US)))
        log = tampering.Log.of(
            instance, tampering.fill_and_seal(instance, options.records, parts=PARTS)
        )
        for tried, miss in enumerate(misses(log, options.each, options.seed), start=1):
            if miss:
                missed += 1
                print(miss)
            if tried % REPORT_EVERY == 0:
                print(f"{tried:,} after {time.monotonic() - began:.0f} s", flush=True)
        whole = verifying.verify(log.store, log.verifier, checkpoint_note=log.note)
    print(
        f"{tried:,} changes to {log.size:,} records on {options.database} (seed {options.seed}), "
        f"{options.each:,} each {', '.join(tampering.WAYS)}: {missed} missed, "
        f"{time.monotonic() - began:.0f} s; the log is {'whole' if whole.ok else 'NOT whole'}"
    )
    return 0 if whole.ok and not missed else 1


if __name__ == "__main__":
    sys.exit(main())
