"""The records: all of them verified."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from sqlalchemy import select

from passdesk.services import sealing, verifying
from passdesk.store.tables import records
from scripts.benchmarks.floors import bare_root
from scripts.benchmarks.measuring import Row, take_turns
from scripts.benchmarks.stock import fill_log
from tests.support.gate import Gate, now_us

if TYPE_CHECKING:
    from passdesk.services.instance import Instance
    from scripts.benchmarks.workshop import Workshop

WANTED = 0.5


class Log:
    """A sealed log, and its records' bodies in memory."""

    def __init__(self, instance: Instance, size: int) -> None:
        """Fill and seal the log of a fresh instance."""
        self.size = size
        self._instance = instance
        Gate.build(instance)
        fill_log(instance, size)
        sealing.seal_all(instance, now_us())
        with instance.store.reading() as connection:
            in_order = select(records.c.body).order_by(records.c.position)
            self._bodies = list(connection.execute(in_order).scalars())
            self._log_key = sealing.log_verifier(instance.keyring, sealing.origin(connection))
        self._root = bare_root(self._bodies)

    def floor(self) -> float:
        """Hash the bodies and the tree over them; give the seconds that one record cost."""
        began = time.perf_counter()
        bare_root(self._bodies)
        return (time.perf_counter() - began) / len(self._bodies)

    def verify(self) -> float:
        """Verify the log; give the seconds that one record cost."""
        began = time.perf_counter()
        verdict = verifying.verify(self._instance.store, self._log_key)
        taken = time.perf_counter() - began
        if verdict.root != self._root:
            raise ValueError(f"the log was not verified: {verdict}")
        return taken / verdict.sealed


def audit(workshop: Workshop) -> list[Row]:
    """Verify a whole log, against hashing what it holds."""
    few, many = (Log(workshop.instance(), size) for size in workshop.sizes.records)
    small_floor, small, large_floor, large = take_turns(
        workshop.sizes.rounds, few.floor, few.verify, many.floor, many.verify
    )
    return [
        Row(f"audit verify, {few.size:,} records", small, small_floor, WANTED),
        Row(f"audit verify, {many.size:,} records", large, large_floor, WANTED, large / small),
    ]
