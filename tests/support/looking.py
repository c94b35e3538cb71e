"""Looking into an instance past its services, and planting what no service would write."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from sqlalchemy import func, select, update

from passdesk.core import record
from passdesk.store.engine import Store
from passdesk.store.tables import areas, metadata, records, sites

if TYPE_CHECKING:
    from collections.abc import Iterator

    from sqlalchemy import Connection, Row, Table
    from sqlalchemy.sql.expression import Executable, Select

    from passdesk.core.record import Kind, Record
    from passdesk.services.instance import Instance


@contextmanager
def elsewhere(instance: Instance) -> Iterator[Connection]:
    """Give a connection that shares nothing with the instance but the database."""
    store = Store(instance.settings.database_url)
    try:
        with store.reading() as connection:
            yield connection
    finally:
        store.close()


def rows(instance: Instance, query: Select[Any]) -> list[Row[Any]]:
    """Give the rows of a query, as a connection of its own sees them."""
    with elsewhere(instance) as connection:
        return list(connection.execute(query).all())


def row(instance: Instance, table: Table, row_id: int) -> Any:  # noqa: ANN401 # a row
    """Give one row by its id."""
    return rows(instance, select(table).where(table.c.id == row_id))[0]


def count(instance: Instance, table: Table) -> int:
    """Give how many rows a table has."""
    return int(rows(instance, select(func.count()).select_from(table))[0][0])


def dump(instance: Instance) -> dict[str, list[tuple[Any, ...]]]:
    """Give every row of every table."""
    with elsewhere(instance) as connection:
        return {
            table.name: [tuple(r) for r in connection.execute(select(table).order_by(*table.c))]
            for table in metadata.sorted_tables
        }


def change(instance: Instance, *statements: Executable) -> None:
    """Write what no service would."""
    with instance.store.writing() as connection:
        for statement in statements:
            connection.execute(statement)


def records_of(instance: Instance, *kinds: Kind) -> list[Record]:
    """Give the records of some kinds, or all of them, oldest first."""
    query = select(records.c.body).order_by(records.c.id)
    found = [record.decode(body) for (body,) in rows(instance, query)]
    return [one for one in found if not kinds or one.kind in kinds]


def last_record(instance: Instance) -> Record:
    """Give the newest record."""
    return records_of(instance)[-1]


def alter_area(instance: Instance, name: str, **values: object) -> None:
    """Let an area ask for something else, and its doors be read anew."""
    change(
        instance,
        update(areas).where(areas.c.name == name).values(**values),
        update(sites).values(version=sites.c.version + 1),
    )
