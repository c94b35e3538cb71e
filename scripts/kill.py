#!/usr/bin/env python3
"""Kill what decides, again and again, and see that every answer it gave still stands.

    scripts/kill.py --kills 200 --database sqlite
    scripts/kill.py --kills 20 --database postgresql --what service

A worker presents codes from several threads as fast as it can; the service is asked over HTTP, and
must also be back at once. `tests/support/killing.py` says what is looked for. Exit status: 0
without a finding, 1 with one.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from tests.support import postgresql
from tests.support.killing import Campaign
from tests.support.killing_service import Victim, kill_service, service_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

DATABASES = ("sqlite", "postgresql")
TARGETS = ("worker", "service")
REPORT_EVERY = 10
BACK_SECONDS = 3


@contextmanager
def database(kind: str, folder: Path) -> Iterator[str]:
    """Give the address of a fresh database that flushes every commit to disk."""
    if kind == "sqlite":
        yield f"sqlite:///{folder / 'passdesk.db'}"
        return
    with postgresql.cluster(durable=True) as socket:
        postgresql.execute(socket, "CREATE DATABASE killed")
        yield postgresql.url(socket, "killed")


@contextmanager
def victim(what: str, campaign: Campaign) -> Iterator[Callable[[], list[str]]]:
    """Give what kills once, and lists what it found."""
    if what == "worker":
        yield campaign.kill_worker
        return
    service = service_of(campaign)
    service.start()
    try:
        yield lambda: kill_service(
            campaign, service, campaign.draw.choice(list(Victim)), back_seconds=BACK_SECONDS
        )
    finally:
        service.stop()


def findings(kill: Callable[[], list[str]], kills: int, say: Callable[[str], None]) -> list[str]:
    """Kill so many times; stop at the first time that finds something."""
    for number in range(1, kills + 1):
        if found := kill():
            return [f"kill {number}: {finding}" for finding in found]
        if number % REPORT_EVERY == 0:
            say(f"{number} kills")
    return []


def main(arguments: list[str] | None = None) -> int:
    """Run the program; return its exit status."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--kills", type=int, default=200, help="how many times")
    parser.add_argument("--database", choices=DATABASES, default="sqlite")
    parser.add_argument("--what", choices=TARGETS, default="worker", help="what is killed")
    parser.add_argument("--seed", type=int, default=1, help="the same seed draws the same moments")
    options = parser.parse_args(arguments)
    began = time.monotonic()

    def say(what: str) -> None:
        print(f"{what} after {time.monotonic() - began:.0f} s", flush=True)

    with ExitStack() as opened:
        folder = Path(opened.enter_context(tempfile.TemporaryDirectory()))
        url = opened.enter_context(database(options.database, folder))
        campaign = Campaign(folder / "instance", url, options.seed)
        opened.callback(campaign.close)
        kill = opened.enter_context(victim(options.what, campaign))
        found = findings(kill, options.kills, say)
    print(*found, sep="\n", end="\n" if found else "")
    say(
        f"{campaign.kills} kills of a {options.what} on {options.database} (seed {options.seed}): "
        f"{len(found)} findings, {len(campaign.told):,} answers; {campaign.in_the_air:,} "
        f"presentations were cut short, {campaign.landed:,} of them kept all the same;"
    )
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
