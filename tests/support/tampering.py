"""Somebody who can write the database, but has no key, tampers with the records.

Each way of tampering changes a connection's transaction and gives the position that verifying has
to name. The test and `scripts/tamper.py` do the same thing at different sizes: change, verify
within the transaction, take the change back.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import delete, func, insert, select, update

from passdesk.core import merkle, record
from passdesk.core.record import Kind, Record
from passdesk.services import sealing, verifying
from passdesk.store.tables import checkpoints, records, tiles, tree
from tests.support.place import NOW_US

if TYPE_CHECKING:
    from collections.abc import Callable
    from random import Random

    from sqlalchemy import Connection

    from passdesk.core.cbor import Value
    from passdesk.core.note import VerifierKey
    from passdesk.services.instance import Instance
    from passdesk.services.verifying import Verdict
    from passdesk.store.engine import Store

_place = records.c.position
_KINDS = (Kind.PRESENTATION_DECIDED, Kind.PASS_ISSUED, Kind.ENTRY_RETURNED, Kind.PASS_WITHDRAWN)
_AT_A_TIME = 10_000


# --- a log to tamper with ------------------------------------------------------------------------


def fill(instance: Instance, count: int, *, start: int = 0) -> None:
    """Append records that differ from one another; they are not sealed yet."""
    for first in range(start, start + count, _AT_A_TIME):
        numbers = range(first, min(first + _AT_A_TIME, start + count))
        with instance.store.writing() as connection:
            connection.execute(insert(records), [row_of(number) for number in numbers])


def fill_and_seal(instance: Instance, count: int, *, parts: int) -> str:
    """Append records and seal them in parts, so that there are checkpoints; give the newest."""
    for part in range(parts):
        start, end = (count * place // parts for place in (part, part + 1))
        fill(instance, end - start, start=start)
        sealing.seal_all(instance, NOW_US)
    return sealing.checkpoint(instance, NOW_US)


def row_of(number: int, kind: Kind | None = None) -> dict[str, Any]:
    """Give the columns of a made-up record."""
    kind = kind or _KINDS[number % len(_KINDS)]
    at_us = NOW_US + number * 1000
    data: dict[str, Value] = {
        "pass": number,
        "digest": number.to_bytes(32, "big"),
        "granted": number % 3 == 0,
    }
    body = record.encode(Record(at_us, kind, "reader:3", data))
    return {"at_us": at_us, "kind": kind.value, "body": body}


# --- ways to tamper ------------------------------------------------------------------------------


def alter(connection: Connection, draw: Random, size: int) -> int:
    """Change something of one record."""
    position = draw.randrange(size)
    row = connection.execute(select(records).where(_place == position)).one()
    flipped = bytearray(row.body)
    flipped[draw.randrange(len(flipped))] ^= 1 << draw.randrange(8)
    other = connection.execute(
        select(records.c.body).where(_place == (position + 1 + draw.randrange(size - 1)) % size)
    ).scalar_one()
    values: dict[str, Any] = draw.choice(
        [
            {"body": bytes(flipped)},
            {"body": row.body[:-1]},
            {"body": row.body + b"\x00"},
            {"body": b""},
            {"body": other},
            {"at_us": row.at_us + draw.choice([-1, 1, 3_600_000_000])},
            {"kind": draw.choice([kind.value for kind in Kind if kind != row.kind])},
        ]
    )
    connection.execute(update(records).where(_place == position).values(values))
    return position


def remove(connection: Connection, draw: Random, size: int) -> int:
    """Take one record out, and close the gap or not."""
    position = draw.randrange(size)
    way = draw.choice(["gap", "closed", "unsealed"])
    if way == "unsealed":
        connection.execute(update(records).where(_place == position).values(position=None))
        return position
    connection.execute(delete(records).where(_place == position))
    if way == "closed":
        _shift(connection, position + 1, -1)
        connection.execute(update(tree).values(size=size - 1))
    return position


def put_in(connection: Connection, draw: Random, size: int) -> int:
    """Put a forged record in, between others or behind the last."""
    position = draw.choice([draw.randrange(size), size])
    _shift(connection, position, 1)
    forged = row_of(draw.randrange(10**9, 10**10), Kind.PASS_WITHDRAWN)
    connection.execute(insert(records).values(position=position, **forged))
    if draw.random() < 1 / 2:
        connection.execute(update(tree).values(size=size + 1))
    return position


def reorder(connection: Connection, draw: Random, size: int) -> int:
    """Let two records, or a stretch of them, change places."""
    first, last = sorted(draw.sample(range(size), 2))
    if draw.random() < 1 / 2:
        moves = {first: last, last: first}
    else:
        last = min(last, first + 9)
        moves = {old: first + last - old for old in range(first, last + 1)}
    rows = connection.execute(select(records.c.id, _place).where(_place.in_(moves))).all()
    connection.execute(update(records).where(_place.in_(moves)).values(position=None))
    for row in rows:
        connection.execute(
            update(records).where(records.c.id == row.id).values(position=moves[row.position])
        )
    return first


def truncate(connection: Connection, draw: Random, size: int) -> int:
    """Cut the last records off, alone or with all in the database that tells of them."""
    left = draw.randrange(size)
    connection.execute(delete(records).where(_place >= left))
    if draw.random() < 3 / 4:
        covered = select(func.max(checkpoints.c.size)).where(checkpoints.c.size <= left)
        if draw.random() < 1 / 2 and (signed := connection.execute(covered).scalar()):
            # Just as it was at an earlier moment: only a checkpoint kept elsewhere tells.
            left = signed
            connection.execute(delete(records).where(_place >= left))
        rebuild(connection)
    return left


WAYS: dict[str, Callable[[Connection, Random, int], int]] = {
    "altered": alter,
    "deleted": remove,
    "inserted": put_in,
    "reordered": reorder,
    "truncated": truncate,
}


def rebuild(connection: Connection) -> None:
    """Make tiles, size and checkpoints fit the records that are there, as far as one can unsigned.

    Checkpoints of more records than there are go; the others stay.
    """
    bodies = connection.execute(
        select(records.c.body).where(_place.is_not(None)).order_by(_place)
    ).scalars()
    leaves = [merkle.leaf_hash(body) for body in bodies]
    connection.execute(delete(tiles))
    for key, hashes in merkle.append(sealing.StoredTiles(connection), 0, leaves).items():
        connection.execute(insert(tiles).values(level=key.level, place=key.index, hashes=hashes))
    connection.execute(update(tree).values(size=len(leaves)))
    connection.execute(delete(checkpoints).where(checkpoints.c.size > len(leaves)))


def _shift(connection: Connection, start: int, by: int) -> None:
    """Move all positions from one on, by way of negative ones, as no two may be alike."""
    connection.execute(update(records).where(_place >= start).values(position=-1 - _place))
    connection.execute(update(records).where(_place < 0).values(position=-1 - _place + by))


# --- trying one ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Log:
    """A log that is tampered with: where it is, and what an auditor has of it."""

    store: Store
    verifier: VerifierKey
    note: str
    size: int

    @classmethod
    def of(cls, instance: Instance, note: str) -> Log:
        """Give the log of an instance whose newest checkpoint is `note`."""
        with instance.store.reading() as connection:
            verifier = sealing.log_verifier(instance.keyring, sealing.origin(connection))
            size = connection.execute(select(tree.c.size)).scalar_one()
        return cls(instance.store, verifier, note, size)


@dataclass(frozen=True, slots=True)
class Attempt:
    """One tampering: which position had to be named, and what verifying said."""

    expected: int
    verdict: Verdict

    @property
    def named(self) -> bool:
        """Whether verifying named the first bad record."""
        flaw = self.verdict.first_bad
        return flaw is not None and flaw.position == self.expected


def attempt(log: Log, way: str, draw: Random) -> Attempt:
    """Tamper in one way, verify, and take it back."""
    with log.store.writes.connect() as connection, connection.begin() as transaction:
        expected = WAYS[way](connection, draw, log.size)
        verdict = verifying.verify_within(connection, log.verifier, checkpoint_note=log.note)
        transaction.rollback()
    return Attempt(expected, verdict)
