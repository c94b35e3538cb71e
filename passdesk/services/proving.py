"""Reading the records, and the proofs that one of them, or all of them, stand unaltered.

A proof is worth what its checkpoint is worth: whoever checks it holds a checkpoint that this log
has signed, and follows the hashes of the proof to its root (`passdesk.core.merkle.verify_*`).
Proofs are read from tiles, a few rows for any size of log. What is shown of a record comes from
its body alone, which is what the tree protects.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import func, select

from passdesk.core import cbor, merkle, record
from passdesk.core.merkle import TreeError
from passdesk.services.errors import CommandError, NotFoundError
from passdesk.services.sealing import DamagedTreeError, StoredTiles
from passdesk.store.tables import checkpoints, records, tree

if TYPE_CHECKING:
    from collections.abc import Callable

    from sqlalchemy import ColumnElement, Connection, Select

    _Part = tuple[ColumnElement[bool], ColumnElement[int]]


_ID_END = 1 << 63


@dataclass(frozen=True, slots=True)
class InclusionProof:
    """That a record stands at a position of a tree (RFC 9162 section 2.1.3).

    Attributes:
        position: of the record, counted from 0.
        size: of the tree, in records.
        leaf_hash: of the record's body.
        hashes: the proof, leaf end first.
        body: the record itself, deterministic CBOR.
        checkpoint: the signed note of this size, None where none was signed of just this one.
    """

    position: int
    size: int
    leaf_hash: bytes
    hashes: tuple[bytes, ...]
    body: bytes
    checkpoint: str | None


@dataclass(frozen=True, slots=True)
class ConsistencyProof:
    """That a tree of `second` records begins with the tree of `first` (RFC 9162 section 2.1.4).

    Attributes:
        first: the smaller size, in records.
        second: the larger size, in records.
        hashes: the proof.
        checkpoint: the signed note of the larger size, None where none was signed of just this one.
    """

    first: int
    second: int
    hashes: tuple[bytes, ...]
    checkpoint: str | None


@dataclass(frozen=True, slots=True)
class Entry:
    """A record in a list.

    Attributes:
        id: of its row; it tells where a list goes on, and nothing else.
        position: in the tree, None until it is sealed.
        record: what it says, None if its body was altered so that it says nothing.
    """

    id: int
    position: int | None
    record: record.Record | None


def inclusion(connection: Connection, position: int, size: int | None = None) -> InclusionProof:
    """Prove that the record at a position is in the tree of a size, the newest by default.

    Raises:
        NotFoundError: names `position` or `size`, where there is no such one.
        DamagedTreeError: what the proof needs is not stored any more.
    """
    of = _size(connection, "size", size)
    if not 0 <= position < of:
        raise NotFoundError.at("position", f"a tree of {of} records has positions 0 to {of - 1}")
    body = connection.execute(
        select(records.c.body).where(records.c.position == position)
    ).scalar_one_or_none()
    if body is None:
        raise DamagedTreeError(f"the record at position {position} is gone")
    return InclusionProof(
        position,
        of,
        merkle.leaf_hash(body),
        _proof(lambda: merkle.inclusion_proof(StoredTiles(connection), position, of)),
        body,
        _checkpoint(connection, of),
    )


def consistency(connection: Connection, first: int, second: int | None = None) -> ConsistencyProof:
    """Prove that the tree of one size begins with that of another; the second is the newest.

    Raises:
        NotFoundError: names `first` or `second`, where the tree never had that size.
        CommandError: names `first`, where it is larger than the second.
        DamagedTreeError: what the proof needs is not stored any more.
    """
    smaller, larger = _size(connection, "first", first), _size(connection, "second", second)
    if smaller > larger:
        raise CommandError.at("first", f"is larger than the second size, {larger}; swap them")
    return ConsistencyProof(
        smaller,
        larger,
        _proof(lambda: merkle.consistency_proof(StoredTiles(connection), smaller, larger)),
        _checkpoint(connection, larger),
    )


def records_page(
    connection: Connection,
    *,
    limit: int,
    after: int | None = None,
    kind: record.Kind | None = None,
    oldest_first: bool = False,
) -> list[Entry]:
    """List records in the order of the tree, those that wait to be sealed at its end.

    Args:
        connection: a transaction that reads.
        limit: the most records to give.
        after: the `id` of the last entry of the page before; None for the first page.
        kind: give records of this kind only.
        oldest_first: begin with the first record instead of the newest.

    Raises:
        NotFoundError: names `after`, where there is no such record.
    """
    sealed = records.c.position.is_not(None)
    parts: list[_Part] = [(sealed, records.c.position), (~sealed, records.c.id)]
    if not oldest_first:
        parts.reverse()
    if after is not None:
        parts = _from_there_on(connection, after, parts, oldest_first=oldest_first)
    entries: list[Entry] = []
    for chosen, key in parts:
        statement = select(records.c.id, records.c.position, records.c.body).where(chosen)
        if kind is not None:
            statement = statement.where(_is_of(kind))
        statement = statement.order_by(key if oldest_first else key.desc())
        entries += _entries(connection, statement.limit(limit - len(entries)))
    return entries


def _from_there_on(
    connection: Connection, after: int, parts: list[_Part], *, oldest_first: bool
) -> list[_Part]:
    query = select(records.c.id, records.c.position).where(records.c.id == after)
    last = connection.execute(query).first() if 0 < after < _ID_END else None
    if last is None:
        raise NotFoundError.at("after", "there is no such record")
    waits = last.position is None
    if waits == oldest_first:
        parts = parts[1:]  # the last entry was in the second part already
    (chosen, key), *rest = parts
    seen = last.id if waits else last.position
    return [(chosen & (key > seen if oldest_first else key < seen), key), *rest]


def _entries(connection: Connection, statement: Select[Any]) -> list[Entry]:
    rows = connection.execute(statement).all()
    return [Entry(row.id, row.position, _read(row.body)) for row in rows]


def _read(body: bytes) -> record.Record | None:
    try:
        return record.decode(body)
    except record.RecordError:
        return None


def _is_of(kind: record.Kind) -> ColumnElement[bool]:
    """Say by a body's last bytes whether it is of a kind: `kind` is the last key of a record."""
    end = cbor.encode({"kind": kind.value})[1:]
    start = func.length(records.c.body) - (len(end) - 1)
    return func.substr(records.c.body, start, type_=records.c.body.type) == end


def _size(connection: Connection, field: str, asked: int | None) -> int:
    newest = int(connection.execute(select(tree.c.size)).scalar_one())
    if asked is None:
        return newest
    if not 0 < asked <= newest:
        raise NotFoundError.at(field, f"the tree has had sizes from 1 to {newest}")
    return asked


def _checkpoint(connection: Connection, size: int) -> str | None:
    return connection.execute(
        select(checkpoints.c.note).where(checkpoints.c.size == size)
    ).scalar_one_or_none()


def _proof(prove: Callable[[], list[bytes]]) -> tuple[bytes, ...]:
    try:
        return tuple(prove())
    except TreeError as error:
        raise DamagedTreeError(f"the stored tree is damaged: {error}") from error
