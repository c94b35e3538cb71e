"""One fair writer: whoever waits is served in order, and several may share one commit.

Free-running threads that each begin a write transaction are served unfairly by SQLite, and each
pays a disk flush of its own. Here they queue. The first in the queue leads: it takes the jobs
that have gathered, runs them in one transaction, commits, and hands the lead to the next who
waits. There is no thread of its own; a caller who is alone writes at once.
"""

from __future__ import annotations

import threading
from collections import deque
from typing import TYPE_CHECKING, Any, Generic, TypeVar, cast

from sqlalchemy.exc import OperationalError

if TYPE_CHECKING:
    from collections.abc import Callable

    from sqlalchemy import Connection

    from passdesk.store.engine import Store

T = TypeVar("T")


class _Ticket(Generic[T]):
    """A job in the queue, and the place where its caller sleeps."""

    __slots__ = ("alone", "done", "error", "job", "result", "wake")

    def __init__(self, job: Callable[[Connection], T], *, alone: bool) -> None:
        self.job = job
        self.alone = alone
        self.done = False
        self.result: T | None = None
        self.error: BaseException | None = None
        self.wake = threading.Lock()
        self.wake.acquire()


class Writer:
    """Runs jobs in write transactions, in the order in which they came.

    A job is durable on disk before its caller has the result. A job that raises changes nothing
    and harms no other job: the transaction it shared is undone and the others run again.
    """

    def __init__(self, store: Store, most: int) -> None:
        """Write to `store`, with at most `most` jobs in one commit."""
        self._store = store
        self._most = most
        self._mutex = threading.Lock()
        self._waiting: deque[_Ticket[Any]] = deque()
        self._led = False

    def run(self, job: Callable[[Connection], T], *, alone: bool = False) -> T:
        """Run a job and give its result once it is durable.

        Args:
            job: gets the connection; may run more than once, so it must change nothing else.
            alone: the job shares its transaction with no other.
        """
        ticket = _Ticket(job, alone=alone)
        with self._mutex:
            self._waiting.append(ticket)
            leads = not self._led
            self._led = True
        if not leads:
            self._sleep(ticket)
        if not ticket.done:
            self._lead()
        if ticket.error is not None:
            raise ticket.error
        return cast("T", ticket.result)

    def _sleep(self, ticket: _Ticket[Any]) -> None:
        """Wait until the job is done or the lead is handed over; interrupted, step out of line."""
        try:
            ticket.wake.acquire()
        except BaseException:
            with self._mutex:
                if ticket in self._waiting:
                    was_handed_the_lead = not ticket.wake.locked()
                    self._waiting.remove(ticket)
                    if was_handed_the_lead:
                        self._hand_over()
            raise

    def _hand_over(self) -> None:
        """Wake the next who waits, to lead; called with the mutex held."""
        self._led = bool(self._waiting)
        if self._waiting:
            self._waiting[0].wake.release()

    def _lead(self) -> None:
        batch = self._take()
        try:
            self._commit(batch)
        except BaseException as error:
            # The leader itself was interrupted: nobody may wait for ever.
            for ticket in batch:
                ticket.error = error
            raise
        finally:
            for ticket in batch:
                ticket.done = True
            with self._mutex:
                self._hand_over()
            for ticket in batch[1:]:
                ticket.wake.release()

    def _take(self) -> list[_Ticket[Any]]:
        with self._mutex:
            batch = [self._waiting.popleft()]
            while (
                self._waiting
                and len(batch) < self._most
                and not batch[0].alone
                and not self._waiting[0].alone
            ):
                batch.append(self._waiting.popleft())
            return batch

    def _commit(self, batch: list[_Ticket[Any]]) -> None:
        def together(connection: Connection) -> list[Any]:
            return [ticket.job(connection) for ticket in batch]

        try:
            results = self._store.transact(together)
        except Exception as error:  # noqa: BLE001 # kept for the caller whose job it is
            # A database that cannot be used is nobody's job's fault, and would fail each again.
            if len(batch) == 1 or isinstance(error, OperationalError):
                for ticket in batch:
                    ticket.error = error
                return
            for ticket in batch:
                self._commit([ticket])
            return
        for ticket, result in zip(batch, results, strict=True):
            ticket.result = result
