"""The revisions make the tables that the program knows, on both databases."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import delete, insert, inspect, select
from sqlalchemy.exc import IntegrityError

from passdesk.store import migrating
from passdesk.store.engine import Store
from passdesk.store.tables import codes, facts, metadata, passes, readers, records, tokens
from tests.support import looking, postgresql

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from sqlalchemy import Connection, Insert

    from tests.support.place import House


@pytest.fixture(params=["sqlite", "postgresql"])
def empty(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Store]:
    """Give a store whose database has nothing in it."""
    if request.param == "sqlite":
        store = Store(f"sqlite:///{tmp_path / 'empty.db'}")
        yield store
        store.close()
        return
    socket = request.getfixturevalue("postgresql_cluster")
    postgresql.execute(socket, "CREATE DATABASE pd_empty TEMPLATE template0")
    store = Store(postgresql.url(socket, "pd_empty"))
    yield store
    store.close()
    postgresql.execute(socket, "DROP DATABASE pd_empty WITH (FORCE)")


def tables_of(store: Store) -> set[str]:
    with store.reading() as connection:
        return set(inspect(connection).get_table_names())


def run(store: Store, job: Any, target: str) -> None:  # noqa: ANN401 # a command of Alembic
    config = migrating._config()
    with store.writing() as connection:
        config.attributes["connection"] = connection
        job(config, target)


def test_the_revisions_make_what_the_program_knows(empty: Store) -> None:
    migrating.migrate(empty)
    with empty.reading() as connection:
        context = MigrationContext.configure(connection, opts={"compare_server_default": True})
        assert compare_metadata(context, metadata) == []
    assert tables_of(empty) == {*metadata.tables, "alembic_version"}


def test_there_is_one_newest_revision() -> None:
    heads = ScriptDirectory.from_config(migrating._config()).get_heads()
    assert heads == [migrating.newest()]


def test_an_empty_database_has_no_revision_and_a_migrated_one_the_newest(empty: Store) -> None:
    assert migrating.revision(empty) is None
    migrating.migrate(empty)
    assert migrating.revision(empty) == migrating.newest()


def test_migrating_twice_changes_nothing(empty: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    migrating.migrate(empty)
    with empty.writing() as connection:
        connection.execute(insert(facts).values(name="colour", value="green"))
    run(empty, command.upgrade, "head")  # asked for past the look at the revision, too
    monkeypatch.setattr(command, "upgrade", None)
    migrating.migrate(empty)
    with empty.reading() as connection:
        assert connection.execute(select(facts.c.value)).scalars().all() == ["green"]


def test_going_back_to_the_start_leaves_no_table(empty: Store) -> None:
    migrating.migrate(empty)
    run(empty, command.downgrade, "base")
    assert tables_of(empty) == {"alembic_version"}
    migrating.migrate(empty)
    assert tables_of(empty) == {*metadata.tables, "alembic_version"}


def test_a_migration_that_breaks_off_leaves_the_database_as_it_was(empty: Store) -> None:
    def broken(connection: Connection) -> None:
        config = migrating._config()
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
        raise LookupError

    with pytest.raises(LookupError):
        empty.transact(broken)
    assert tables_of(empty) == set()


# --- what the comparison does not see ----------------------------------------------------------

KEY = {"kid": b"k" * 4, "public": b"p" * 32, "created_us": 1}


def refuses(house: House, statement: Insert, constraint: str) -> None:
    with (
        house.instance.store.writing() as connection,
        pytest.raises(IntegrityError, match=constraint),
        connection.begin_nested(),
    ):
        connection.execute(statement)


@pytest.mark.parametrize(
    ("statement", "constraint"),
    [
        (
            insert(readers).values(door_id=1, name="Up", direction="up"),
            "ck_readers_direction",
        ),
        (
            insert(tokens).values(name="root", scope="all", digest=b"d" * 32, created_us=1),
            "ck_tokens_scope",
        ),
        (
            insert(codes).values(
                code_id=b"c" * 16, pass_id=1, carrier="fax", key_id=1, payload=b"", created_us=1
            ),
            "ck_codes_carrier",
        ),
    ],
    ids=["direction", "scope", "carrier"],
)
def test_the_database_refuses_words_it_does_not_know(
    house: House, statement: Insert, constraint: str
) -> None:
    house.issue()
    refuses(house, statement, constraint)


def test_the_database_allows_one_live_code_for_each_carrier(house: House) -> None:
    issued = house.issue()
    code = looking.rows(house.instance, select(codes))[0]._asdict() | {"code_id": b"2" * 16}
    code.pop("id")
    ended = code | {"ended_us": 5, "code_id": b"3" * 16}
    looking.change(house.instance, insert(codes).values(ended))
    badge = code | {"carrier": "badge", "code_id": b"4" * 16}
    looking.change(house.instance, insert(codes).values(badge))
    with pytest.raises(IntegrityError):
        looking.change(house.instance, insert(codes).values(code))
    assert issued.carrier == "phone"


def test_the_database_gives_each_place_in_the_tree_once(house: House) -> None:
    row = {"at_us": 1, "kind": "log.opened", "body": b"", "position": 7}
    looking.change(house.instance, insert(records).values(row))
    with pytest.raises(IntegrityError):
        looking.change(house.instance, insert(records).values(row))


def test_the_number_of_a_record_is_never_given_twice(small_house: House) -> None:
    # sqlite.org/autoinc.html: without AUTOINCREMENT the number of a removed last row comes again.
    instance = small_house.instance
    query = select(records.c.id).order_by(records.c.id.desc()).limit(1)
    last = looking.rows(instance, query)[0].id
    looking.change(instance, delete(records).where(records.c.id == last))
    small_house.issue()
    numbers = [row.id for row in looking.rows(instance, select(records.c.id))]
    assert last not in numbers
    assert max(numbers) > last


def test_a_row_that_is_referred_to_cannot_be_removed(house: House) -> None:
    house.present(house.issue())
    with pytest.raises(IntegrityError):
        looking.change(house.instance, delete(passes))
