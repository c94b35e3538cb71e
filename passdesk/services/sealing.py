"""Sealing: giving records their place in the tree, and signing what then stands.

A record is appended in the transaction of the change that it tells of, and has no position yet.
Sealing gives positions to all that wait, in the order of their rows, extends the tiles of
`passdesk.core.merkle`, and signs a checkpoint of the new size, all in one transaction. A record
that was committed late (on PostgreSQL a lower row may appear after a higher one) gets a later
position; a position, once given, stays.

Contract: when `seal` has committed, every position below the size of the tree has one record,
and the newest checkpoint is signed over exactly that tree. Two who seal at once wait for each
other at the one row of `tree`, and nothing is done twice. The signature is the part that somebody
who can write the database cannot make, so nothing is ever signed on top of a tree that is not the
one signed last.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import bindparam, func, insert, select, update
from sqlalchemy.dialects import postgresql, sqlite

from passdesk.core import merkle
from passdesk.core.merkle import EMPTY_ROOT, TileKey, TreeError
from passdesk.core.note import (
    Checkpoint,
    NoteError,
    VerifierKey,
    open_note,
    parse_checkpoint,
    sign_note,
)
from passdesk.store.tables import checkpoints, records, tiles, tree

if TYPE_CHECKING:
    from sqlalchemy import Connection, Select

    from passdesk.services.instance import Instance
    from passdesk.services.keyring import Keyring

MOST = 5_000
"""Records in one transaction: few enough that who waits at a door does not notice."""

_WAITING = records.c.position.is_(None)


class DamagedTreeError(Exception):
    """The stored tree is not the one that was signed; `passdesk audit verify` says where."""


class StoredTiles:
    """The tiles in the database, for `passdesk.core.merkle`."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def tile(self, level: int, index: int) -> bytes:
        """Return the hashes of a tile. Raises TreeError if it is not stored."""
        hashes = self._connection.execute(
            select(tiles.c.hashes).where(tiles.c.level == level, tiles.c.place == index)
        ).scalar_one_or_none()
        if hashes is None:
            raise TreeError(f"{TileKey(level, index)} is not stored")
        return bytes(hashes)


def seal(connection: Connection, keyring: Keyring, now_us: int, *, most: int = MOST) -> int:
    """Seal the records that wait, at most `most` of them; give how many that were.

    Args:
        connection: a write transaction of its own; the caller commits it.
        keyring: holds the key that signs.
        now_us: the moment of sealing, microseconds UTC.
        most: the largest number to seal.

    Raises:
        DamagedTreeError: the stored tree is not the one signed last, so nothing may be added.
    """
    origin, size = _tree_row(connection, _TREE.with_for_update())
    _require_signed(connection, log_verifier(keyring, origin), size)
    placed = connection.execute(_GIVE_POSITIONS, {"size": size, "most": most}).all()
    if not placed:
        return 0
    stored = StoredTiles(connection)
    leaves = [merkle.leaf_hash(body) for _, body in sorted(map(tuple, placed))]
    _write_tiles(connection, merkle.append(stored, size, leaves))
    size += len(leaves)
    text = Checkpoint(origin, size, merkle.root(stored, size)).text()
    connection.execute(
        insert(checkpoints).values(
            size=size, note=sign_note(text, origin, keyring.log_key()), made_us=now_us
        )
    )
    connection.execute(update(tree).values(size=size))
    return len(leaves)


def seal_all(instance: Instance, now_us: int) -> int:
    """Seal every record that waits; give how many that were.

    When nothing waits this only reads. Otherwise it takes its turn with whoever else writes,
    anew for every `MOST` records. Raises DamagedTreeError as `seal` does.
    """
    with instance.store.reading() as connection:
        if connection.execute(_FIRST_WAITING).first() is None:
            return 0

    def job(connection: Connection) -> int:
        return seal(connection, instance.keyring, now_us)

    total = sealed = instance.writer.run(job, alone=True)
    while sealed == MOST:
        sealed = instance.writer.run(job, alone=True)
        total += sealed
    return total


def checkpoint(instance: Instance, now_us: int) -> str:
    """Seal every record that waits and give the newest signed checkpoint.

    Raises DamagedTreeError as `seal` does.
    """
    seal_all(instance, now_us)
    with instance.store.reading() as connection:
        return str(connection.execute(_NEWEST).scalar_one())


def unsealed(connection: Connection) -> int:
    """Count the records that wait to be sealed and are not protected yet."""
    return connection.execute(
        select(func.count()).select_from(records).where(_WAITING)
    ).scalar_one()


def origin(connection: Connection) -> str:
    """Give the log's name, under which its checkpoints are signed.

    Raises DamagedTreeError if it is gone.
    """
    return _tree_row(connection, _TREE)[0]


def log_verifier(keyring: Keyring, origin: str) -> VerifierKey:
    """Give the public half of the key that signs checkpoints; `format()` is what to hand out.

    Raises:
        KeyringError: the key is not here.
        DamagedTreeError: the origin can be no log's name.
    """
    try:
        return VerifierKey(origin, keyring.log_key().public_key().public_bytes_raw())
    except NoteError as error:
        raise DamagedTreeError(f"the log's name was altered: {error}") from error


# In order, as then PostgreSQL takes the index of those that wait, whatever it believes.
_FIRST_WAITING = select(records.c.id).where(_WAITING).order_by(records.c.id).limit(1)
_TREE = select(tree.c.origin, tree.c.size)
_NEWEST = select(checkpoints.c.note).order_by(checkpoints.c.size.desc()).limit(1)


def _tree_row(connection: Connection, query: Select[Any]) -> tuple[str, int]:
    row = connection.execute(query).first()
    if row is None:
        raise DamagedTreeError("the row of the tree is gone; run 'passdesk audit verify'")
    return row.origin, row.size


def _give_positions() -> Any:  # noqa: ANN401 # an update that returns rows has no simple type
    # One statement, so that on PostgreSQL the rows that are numbered are the rows that are read.
    waiting = (
        select(records.c.id, (func.row_number().over(order_by=records.c.id) - 1).label("turn"))
        .where(_WAITING)
        .order_by(records.c.id)
        .limit(bindparam("most"))
        .subquery()
    )
    return (
        update(records)
        .where(records.c.id == waiting.c.id)
        .values(position=waiting.c.turn + bindparam("size"))
        .returning(records.c.position, records.c.body)
    )


_GIVE_POSITIONS = _give_positions()


def _require_signed(connection: Connection, verifier: VerifierKey, size: int) -> None:
    last = connection.execute(select(func.max(records.c.position)).where(~_WAITING)).scalar()
    newest = connection.execute(_NEWEST).scalar_one_or_none()
    try:
        signed = (
            Checkpoint(verifier.name, 0, EMPTY_ROOT)
            if newest is None
            else parse_checkpoint(open_note(newest, verifier))
        )
        root = merkle.root(StoredTiles(connection), size)
    except (NoteError, TreeError) as error:
        raise DamagedTreeError(f"nothing is sealed, as the tree is damaged: {error}") from error
    if signed != Checkpoint(verifier.name, size, root) or last != (size - 1 if size else None):
        raise DamagedTreeError(
            f"nothing is sealed, as the tree of {size} records is not the one signed last, "
            f"of {signed.size}; run 'passdesk audit verify'"
        )


def _write_tiles(connection: Connection, changed: dict[TileKey, bytes]) -> None:
    dialect = postgresql if connection.dialect.name == "postgresql" else sqlite
    statement = dialect.insert(tiles)
    connection.execute(
        statement.on_conflict_do_update(
            index_elements=[tiles.c.level, tiles.c.place],
            set_={"hashes": statement.excluded.hashes},
        ),
        [
            {"level": key.level, "place": key.index, "hashes": hashes}
            for key, hashes in changed.items()
        ],
    )
