"""Opening the database and running transactions in it.

The contract: `Store.transact` returns only after the transaction is durable on disk (SQLite in
WAL mode with synchronous=FULL, PostgreSQL with synchronous_commit). It holds the only write lock
on SQLite from its first statement, so that what it reads cannot change before it writes. On
PostgreSQL it runs READ COMMITTED, rows that decide are locked by the statement that reads them,
and a transaction that lost a race (40001, 40P01, 23505) is run again from the start.
"""

from __future__ import annotations

import sqlite3
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, TypeVar

from sqlalchemy import Engine, create_engine, event
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError, DBAPIError
from sqlalchemy.pool import QueuePool

try:
    from pysqlite3 import dbapi2 as sqlite
except ImportError:  # the platform has no build of it; `passdesk doctor` says what that means
    sqlite = sqlite3

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from sqlalchemy import Connection

T = TypeVar("T")

BUSY_TIMEOUT_MS = 30_000
RETRIES = 20
# The pages that one presentation touches lie far apart; with a small cache most are read anew.
WRITER_CACHE_KIB = 64_000
# Moving the log's pages into the database costs flushes of its own; a commit writes about ten.
CHECKPOINT_PAGES = 4_000
# Serialisation failure, deadlock, and a row that somebody else put there first.
_LOST_RACE = {"40001", "40P01", "23505"}
_SUPPORTED = "use sqlite:///FILE or postgresql+psycopg://HOST/NAME"


class StoreError(Exception):
    """The database cannot be opened or used; the message says what to do."""


class Store:
    """A database with one way to read and one way to write.

    Attributes:
        dialect: 'sqlite' or 'postgresql'.
        reads: engine whose transactions only read.
        writes: engine whose transactions hold the write lock from their start (SQLite).
    """

    def __init__(self, url: str) -> None:
        """Make the engines; nothing is opened yet.

        Raises:
            StoreError: the URL is none, or names neither SQLite nor PostgreSQL.
        """
        self.url = url
        self._spare: list[Connection] = []
        self._closed = False
        try:
            self.dialect = make_url(url).get_backend_name()
        except ArgumentError as error:
            raise StoreError(f"database: {error}; {_SUPPORTED}") from error
        if self.dialect == "sqlite":
            self.reads = _sqlite(url, "BEGIN", cache_kib=2_000)
            self.writes = _sqlite(url, "BEGIN IMMEDIATE", cache_kib=WRITER_CACHE_KIB)
        elif self.dialect == "postgresql":
            self.writes = _postgresql(url)
            self.reads = self.writes.execution_options(isolation_level="REPEATABLE READ")
        else:
            raise StoreError(f"database: {self.dialect!r} is not supported; {_SUPPORTED}")

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Give a connection in a transaction that sees one state and changes nothing."""
        with self.reads.begin() as connection:
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """Give a connection in a write transaction; durable when the block ends without error.

        Raises:
            DBAPIError: also for what went wrong on a cursor of the driver's own, which SQLAlchemy
                has not seen.
        """
        driver_error = self.writes.dialect.loaded_dbapi.Error
        connection = self._spare.pop() if self._spare else self.writes.connect()
        try:
            with connection.begin():
                yield connection
        except BaseException as error:
            connection.close()  # the pool undoes what is left of its transaction
            if isinstance(error, driver_error):
                raise DBAPIError.instance(None, None, error, driver_error) from error
            raise
        # To fetch a connection costs half a commit, so this one is kept for the next write. One to
        # a server may have died by then: those go back to the pool, which looks.
        if self.dialect == "sqlite" and not self._closed:
            self._spare.append(connection)
        else:
            connection.close()

    def transact(self, work: Callable[[Connection], T]) -> T:
        """Run `work` in one write transaction and return its result once that is durable.

        `work` may run several times (PostgreSQL), so it must touch nothing but the connection.
        """
        for attempt in range(RETRIES):
            try:
                with self.writing() as connection:
                    return work(connection)
            except DBAPIError as error:
                state = getattr(error.orig, "sqlstate", None)
                if state not in _LOST_RACE or attempt == RETRIES - 1:
                    raise
        raise AssertionError  # the loop returns or raises

    def close(self) -> None:
        """Give every connection back to the system."""
        self._closed = True
        while self._spare:
            self._spare.pop().close()
        self.reads.dispose()
        self.writes.dispose()


def _sqlite(url: str, begin: str, *, cache_kib: int) -> Engine:
    engine = create_engine(
        url,
        module=sqlite,
        hide_parameters=True,  # they hold names and addresses; an error goes to a log
        poolclass=QueuePool,
        pool_size=8,
        max_overflow=56,
        connect_args={
            "check_same_thread": False,
            "timeout": BUSY_TIMEOUT_MS / 1000,
            # Once the driver's store of compiled statements is full, new ones are compiled at
            # every use: five times the cost of running them. Ours all fit.
            "cached_statements": 2_000,
        },
    )

    @event.listens_for(engine, "connect")
    def prepare(connection: Any, _record: object) -> None:  # noqa: ANN401 # the driver's own type
        connection.isolation_level = None  # transactions are begun by the listener below
        for pragma in (
            "journal_mode = WAL",
            "synchronous = FULL",
            "foreign_keys = ON",
            f"busy_timeout = {BUSY_TIMEOUT_MS}",
            "secure_delete = ON",
            f"cache_size = -{cache_kib}",
            f"wal_autocheckpoint = {CHECKPOINT_PAGES}",
        ):
            connection.execute(f"PRAGMA {pragma}").close()

    @event.listens_for(engine, "begin")
    def start(connection: Connection) -> None:
        # On the driver itself: through SQLAlchemy this word costs as much as a whole statement.
        driver: Any = connection.connection.dbapi_connection
        driver.execute(begin).close()

    return engine


def _postgresql(url: str) -> Engine:
    engine = create_engine(
        make_url(url).set(drivername="postgresql+psycopg"),
        hide_parameters=True,
        pool_size=8,
        max_overflow=56,
        pool_pre_ping=True,
        isolation_level="READ COMMITTED",
    )

    @event.listens_for(engine, "connect")
    def prepare(connection: Any, _record: object) -> None:  # noqa: ANN401 # the driver's own type
        # Whatever the server, the database or the user was told: an answer waits for the disk.
        connection.execute("SET synchronous_commit = on")
        connection.commit()

    return engine
