"""Opening the database and running transactions in it."""

from __future__ import annotations

import runpy
import sqlite3
import sys
import threading
from typing import TYPE_CHECKING

import pytest
from sqlalchemy import insert, select, text, update
from sqlalchemy.exc import DBAPIError

from passdesk.store import engine, migrating
from passdesk.store.engine import Store, StoreError
from passdesk.store.tables import facts

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from sqlalchemy import Connection, Engine


@pytest.fixture
def store(database_url: str) -> Iterator[Store]:
    """Give a store with all tables, once of each kind."""
    made = Store(database_url)
    migrating.migrate(made)
    yield made
    made.close()


@pytest.fixture
def sqlite_store(tmp_path: Path) -> Iterator[Store]:
    """Give a store on SQLite with all tables."""
    made = Store(f"sqlite:///{tmp_path / 'passdesk.db'}")
    migrating.migrate(made)
    yield made
    made.close()


@pytest.fixture
def postgresql_store(postgresql_url: str) -> Iterator[Store]:
    """Give a store on PostgreSQL with all tables."""
    made = Store(postgresql_url)
    yield made
    made.close()


def note(connection: Connection, name: str, value: str = "yes") -> None:
    connection.execute(insert(facts).values(name=name, value=value))


def noted(store: Store, name: str) -> str | None:
    """Give what a fresh connection finds."""
    fresh = Store(store.url)
    try:
        with fresh.reading() as connection:
            query = select(facts.c.value).where(facts.c.name == name)
            return connection.execute(query).scalar_one_or_none()
    finally:
        fresh.close()


class LostRaceError(Exception):
    """What a driver raises, as far as the store looks at it."""

    def __init__(self, sqlstate: str) -> None:
        super().__init__(sqlstate)
        self.sqlstate = sqlstate


def lost_race(sqlstate: str) -> DBAPIError:
    return DBAPIError("statement", {}, LostRaceError(sqlstate))


# --- opening -----------------------------------------------------------------------------------


@pytest.mark.parametrize("url", ["mysql://example.org/pass", "passdesk.db", "", "::::"])
def test_another_kind_of_database_is_refused_with_the_two_ways_out(url: str) -> None:
    with pytest.raises(StoreError, match="use sqlite:///FILE or postgresql"):
        Store(url)


@pytest.mark.parametrize("engine_name", ["reads", "writes"])
@pytest.mark.parametrize(
    ("pragma", "value"),
    [
        ("journal_mode", "wal"),
        # 2 is FULL: in WAL mode the log is flushed at every commit (sqlite.org/pragma.html).
        ("synchronous", 2),
        ("foreign_keys", 1),
        ("secure_delete", 1),
        ("busy_timeout", 30_000),
    ],
)
def test_every_connection_to_sqlite_is_set_up(
    sqlite_store: Store, engine_name: str, pragma: str, value: object
) -> None:
    chosen: Engine = getattr(sqlite_store, engine_name)
    with chosen.begin() as connection:
        assert connection.exec_driver_sql(f"PRAGMA {pragma}").scalar() == value


@pytest.mark.parametrize(
    ("setting", "value"),
    [("synchronous_commit", "on"), ("transaction_isolation", "read committed")],
)
def test_every_connection_to_postgresql_is_set_up(
    postgresql_store: Store, setting: str, value: str
) -> None:
    with postgresql_store.writing() as connection:
        assert connection.execute(text(f"SHOW {setting}")).scalar() == value


def test_postgresql_flushes_at_commit_even_where_it_was_told_not_to(postgresql_url: str) -> None:
    first = Store(postgresql_url)
    with first.writing() as connection:
        name = connection.execute(text("SELECT current_database()")).scalar()
        connection.execute(text(f"ALTER DATABASE {name} SET synchronous_commit = off"))
    first.close()
    second = Store(postgresql_url)
    with second.reading() as connection:
        assert connection.execute(text("SHOW synchronous_commit")).scalar() == "on"
    second.close()


def test_without_its_own_sqlite_the_one_of_the_language_is_used(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setitem(sys.modules, "pysqlite3", None)
    assert runpy.run_path(engine.__file__)["sqlite"] is sqlite3


# --- transactions ------------------------------------------------------------------------------


def test_a_transaction_is_there_for_others_when_transact_returns(store: Store) -> None:
    store.transact(lambda connection: note(connection, "colour"))
    assert noted(store, "colour") == "yes"


def test_the_result_of_the_work_is_given(store: Store) -> None:
    assert store.transact(lambda _: 42) == 42


def test_work_that_raises_leaves_nothing(store: Store) -> None:
    def work(connection: Connection) -> None:
        note(connection, "colour")
        raise LookupError

    with pytest.raises(LookupError):
        store.transact(work)
    assert noted(store, "colour") is None


def test_a_reader_sees_the_state_from_before_a_transaction_that_is_open(store: Store) -> None:
    with store.writing() as connection:
        note(connection, "colour")
        assert noted(store, "colour") is None


def test_the_write_lock_of_sqlite_is_held_from_the_first_statement(sqlite_store: Store) -> None:
    path = sqlite_store.url.removeprefix("sqlite:///")
    driver = sqlite_store.writes.dialect.loaded_dbapi
    with sqlite_store.writing() as connection:
        connection.execute(select(facts)).all()  # so far it has only read
        other = driver.connect(path, timeout=0, isolation_level=None)
        with pytest.raises(driver.OperationalError, match="locked"):
            other.execute("BEGIN IMMEDIATE")
        other.close()


def test_nothing_changes_between_what_a_transaction_reads_and_what_it_writes(store: Store) -> None:
    # Read, then write what was read plus one: the pattern that loses updates when it can.
    store.transact(lambda connection: note(connection, "count", "0"))
    query = select(facts.c.value).where(facts.c.name == "count").with_for_update()

    def add_one(connection: Connection) -> None:
        value = int(connection.execute(query).scalar_one()) + 1
        connection.execute(update(facts).where(facts.c.name == "count").values(value=str(value)))

    def add_many() -> None:
        for _ in range(10):
            store.transact(add_one)

    threads = [threading.Thread(target=add_many) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert noted(store, "count") == "80"


# --- lost races --------------------------------------------------------------------------------


def test_a_row_that_somebody_else_put_there_first_is_found_at_the_second_attempt(
    postgresql_store: Store,
) -> None:
    seen: list[str | None] = []

    def work(connection: Connection) -> None:
        query = select(facts.c.value).where(facts.c.name == "colour")
        seen.append(connection.execute(query).scalar_one_or_none())
        if len(seen) == 1:
            with postgresql_store.writing() as other:
                note(other, "colour", "theirs")
            note(connection, "colour", "ours")

    postgresql_store.transact(work)
    assert seen == [None, "theirs"]
    assert noted(postgresql_store, "colour") == "theirs"


# PostgreSQL's documentation, appendix A: 40001 serialization_failure, 40P01 deadlock_detected,
# 23505 unique_violation.
@pytest.mark.parametrize("sqlstate", ["40001", "40P01", "23505"])
def test_a_transaction_that_lost_a_race_runs_again(sqlite_store: Store, sqlstate: str) -> None:
    runs = 0

    def work(connection: Connection) -> str:
        nonlocal runs
        runs += 1
        note(connection, "run", str(runs))
        if runs < 3:
            raise lost_race(sqlstate)
        return "won"

    assert sqlite_store.transact(work) == "won"
    assert noted(sqlite_store, "run") == "3"


def test_a_race_that_is_lost_for_ever_is_given_up_with_its_error(sqlite_store: Store) -> None:
    runs = 0

    def work(_: Connection) -> None:
        nonlocal runs
        runs += 1
        raise lost_race("40001")

    with pytest.raises(DBAPIError, match="40001"):
        sqlite_store.transact(work)
    assert runs == engine.RETRIES


@pytest.mark.parametrize("sqlstate", ["23503", "22001", "57P01"])
def test_any_other_fault_of_the_database_is_told_at_once(
    sqlite_store: Store, sqlstate: str
) -> None:
    runs = 0

    def work(_: Connection) -> None:
        nonlocal runs
        runs += 1
        raise lost_race(sqlstate)

    with pytest.raises(DBAPIError, match=sqlstate):
        sqlite_store.transact(work)
    assert runs == 1
