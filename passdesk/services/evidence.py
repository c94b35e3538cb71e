"""The rows that verifying goes through, on the driver's own cursors.

Through SQLAlchemy they cost twice as much as hashing them does. Text is read as the bytes that
are stored, as after an edit or a fault of the disk they need not be text at all.
"""

from __future__ import annotations

from contextlib import ExitStack, contextmanager
from itertools import count, islice
from typing import TYPE_CHECKING, Any, TypeAlias

from sqlalchemy import LargeBinary, bindparam, cast, func, select

from passdesk.core.merkle import TILE_WIDTH
from passdesk.services.agreeing import Text
from passdesk.store.prepared import Prepared
from passdesk.store.tables import checkpoints, records, texts, tiles, tree

if TYPE_CHECKING:
    from collections.abc import Iterator

    from sqlalchemy import Column, ColumnElement, Connection, Select

    from passdesk.store.engine import Store

Row: TypeAlias = tuple[Any, ...]

_ROWS_AT_A_TIME = 16 * TILE_WIDTH


@contextmanager
def snapshot(store: Store) -> Iterator[Connection]:
    """Give a connection whose every statement sees the same state of the database."""
    with store.reads.connect() as connection:
        if store.dialect == "postgresql":
            connection.execution_options(isolation_level="REPEATABLE READ")
        transaction = connection.begin()
        try:
            yield connection
        finally:
            transaction.rollback()  # as a damaged file cannot even commit what changed nothing


class Evidence:
    """What a database holds of the records, read within one transaction; `close` it in the end.

    Attributes:
        error: what the driver raises where rows cannot be read.
    """

    def __init__(self, connection: Connection) -> None:
        driver: Any = connection.connection.driver_connection
        self._driver = driver
        self._dialect = connection.dialect
        self._numbers = count(1)
        self._cursors = ExitStack()
        if self._dialect.name == "sqlite":
            # Text where there must be none may not even be text: reading on, it is found as such.
            self._cursors.callback(setattr, driver, "text_factory", str)
            driver.text_factory = _any_text
        driver_module: Any = self._dialect.dbapi
        self.error: type[Exception] = driver_module.DatabaseError
        self._cursor = connection.connection.cursor()
        self._tile = Prepared(
            select(tiles.c.hashes).where(
                tiles.c.level == bindparam("level"), tiles.c.place == bindparam("place")
            ),
            self._dialect,
        )
        self._id = Prepared(
            select(func.max(records.c.id)).where(records.c.position == bindparam("position")),
            self._dialect,
        )

    def close(self) -> None:
        """Give the cursors back."""
        self._cursors.close()
        self._cursor.close()

    def tree(self) -> Row:
        """Give the log's name and the number of its records, (None, 0) if even that is gone."""
        return next(self._rows(select(self._bytes(tree.c.origin), tree.c.size)), (None, 0))

    def count_unsealed(self) -> int:
        """Count the records that wait to be sealed."""
        statement = select(func.count()).where(records.c.position.is_(None))
        return int(next(self._rows(statement))[0])

    def sealed(self) -> Iterator[list[Row]]:
        """Give sealed records in their order: position, at_us, kind, body; a tile's at a time."""
        statement = (
            select(records.c.position, records.c.at_us, self._bytes(records.c.kind), records.c.body)
            .where(records.c.position.is_not(None))
            .order_by(records.c.position)
        )
        return self._batches(self._rows(statement))

    def unsealed(self) -> Iterator[list[Row]]:
        """Give records that wait to be sealed: kind and body."""
        statement = select(self._bytes(records.c.kind), records.c.body)
        return self._batches(self._rows(statement.where(records.c.position.is_(None))))

    def texts(self) -> Iterator[Text]:
        """Give the free texts."""
        t = texts.c
        about, body = self._bytes(t.about), self._bytes(t.body)
        statement = select(t.id, about, t.about_id, t.key, t.commitment, body)
        return (Text(*row) for row in self._rows(statement))

    def checkpoints(self) -> Iterator[Row]:
        """Give the stored checkpoints, the smallest first: size and note."""
        statement = select(checkpoints.c.size, self._bytes(checkpoints.c.note))
        return self._rows(statement.order_by(checkpoints.c.size))

    def tile(self, level: int, index: int) -> bytes:
        """Give the hashes of a tile, none if it is not stored."""
        row = self._tile(self._cursor, level=level, place=index).fetchone()
        return row[0] if row and isinstance(row[0], bytes) else b""

    def record_id(self, position: object) -> int | None:
        """Give the row of the record at a position, None if there is none."""
        found: int | None = self._id(self._cursor, position=position).fetchone()[0]
        return found

    def _bytes(self, column: Column[str]) -> ColumnElement[bytes]:
        if self._dialect.name == "postgresql":
            return func.convert_to(column, "UTF8")
        return cast(column, LargeBinary)

    def _rows(self, statement: Select[Any]) -> Iterator[Row]:
        if self._dialect.name == "postgresql":
            # A cursor with a name stays at the server, which sends a part at a time.
            cursor = self._driver.cursor(f"evidence_{next(self._numbers)}", binary=True)
            cursor.itersize = _ROWS_AT_A_TIME
        else:
            cursor = self._driver.cursor()
        self._cursors.callback(cursor.close)
        Prepared(statement, self._dialect)(cursor)
        rows: Iterator[Row] = cursor
        return rows

    def _batches(self, rows: Iterator[Row]) -> Iterator[list[Row]]:
        """Part rows into lists as long as a tile; what is read before an error is given too."""
        while True:
            batch: list[Row] = []
            try:
                batch.extend(islice(rows, TILE_WIDTH))
            except self.error:
                if batch:
                    yield batch
                raise
            if not batch:
                return
            yield batch


def _any_text(stored: bytes) -> str:
    return stored.decode(errors="replace")
