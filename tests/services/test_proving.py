"""Proofs that hold against independent code, and lists of records."""

from __future__ import annotations

from contextlib import contextmanager
from itertools import pairwise
from typing import TYPE_CHECKING

import pymerkle
import pytest
from sqlalchemy import delete, event, select, update

from passdesk.core import merkle
from passdesk.core.note import open_note, parse_checkpoint
from passdesk.core.record import Kind
from passdesk.services import proving, sealing
from passdesk.services.errors import CommandError, NotFoundError
from passdesk.services.sealing import DamagedTreeError
from passdesk.store.tables import checkpoints, records, tiles
from tests.support import looking, tampering
from tests.support.place import NOW_US

if TYPE_CHECKING:
    from collections.abc import Iterator

    from sqlalchemy import Connection
    from sqlalchemy.sql.expression import Executable

    from passdesk.services.instance import Instance
    from passdesk.services.proving import ConsistencyProof, Entry, InclusionProof


def bodies(instance: Instance) -> list[bytes]:
    query = select(records.c.body).order_by(records.c.position)
    return [row.body for row in looking.rows(instance, query)]


def inclusion(instance: Instance, position: int, size: int | None = None) -> InclusionProof:
    with instance.store.reading() as connection:
        return proving.inclusion(connection, position, size)


def consistency(instance: Instance, first: int, second: int | None = None) -> ConsistencyProof:
    with instance.store.reading() as connection:
        return proving.consistency(connection, first, second)


# --- proofs --------------------------------------------------------------------------------------


def test_inclusion_is_proven_as_an_independent_tree_proves_it(instance: Instance) -> None:
    # pymerkle is an independent implementation of the tree of RFC 9162.
    tampering.fill_and_seal(instance, 600, parts=4)
    kept = bodies(instance)
    independent = pymerkle.InmemoryTree.init_from_entries(kept)
    for position in {*range(0, 602, 37), 0, 254, 255, 256, 511, 512, 600, 601}:
        for size in {position + 1, 601, 602} & set(range(position + 1, 603)):
            proof = inclusion(instance, position, size)
            theirs = independent.prove_inclusion(position + 1, size)
            assert [proof.leaf_hash, *proof.hashes] == theirs.path
            assert (proof.position, proof.size, proof.body) == (position, size, kept[position])
            root = independent.get_root(size)
            merkle.verify_inclusion(proof.leaf_hash, position, size, proof.hashes, root)
            assert proof.leaf_hash == merkle.leaf_hash(proof.body)


def test_a_proof_comes_with_the_checkpoint_that_it_is_checked_against(instance: Instance) -> None:
    note = tampering.fill_and_seal(instance, 40, parts=4)
    log = tampering.Log.of(instance, note)
    proof = inclusion(instance, 17)
    assert proof.checkpoint == note == consistency(instance, 3).checkpoint
    signed = parse_checkpoint(open_note(note, log.verifier))
    assert signed.size == proof.size == log.size
    merkle.verify_inclusion(proof.leaf_hash, 17, signed.size, proof.hashes, signed.root)


def test_a_size_that_was_never_signed_has_a_proof_and_no_checkpoint(
    small_instance: Instance,
) -> None:
    tampering.fill_and_seal(small_instance, 40, parts=4)
    assert inclusion(small_instance, 5, 23).checkpoint is None
    assert consistency(small_instance, 5, 23).checkpoint is None


def test_each_kept_checkpoint_is_shown_to_be_the_beginning_of_the_next(instance: Instance) -> None:
    # pymerkle's consistency proofs have a form of their own, so ours are checked against its roots.
    tampering.fill_and_seal(instance, 600, parts=9)
    independent = pymerkle.InmemoryTree.init_from_entries(bodies(instance))
    query = select(checkpoints.c.size).order_by(checkpoints.c.size)
    sizes = [row.size for row in looking.rows(instance, query)]
    assert len(sizes) == 9
    for first, second in [*pairwise(sizes), (sizes[0], sizes[-1]), (1, 602), (602, 602)]:
        proof = consistency(instance, first, second)
        assert (proof.first, proof.second) == (first, second)
        merkle.verify_consistency(
            first,
            second,
            independent.get_root(first),
            independent.get_root(second),
            proof.hashes,
        )


@contextmanager
def reads(connection: Connection) -> Iterator[list[str]]:
    run: list[str] = []
    listener = ("before_cursor_execute", lambda *arguments: run.append(arguments[2]))
    event.listen(connection, *listener)
    yield run
    event.remove(connection, *listener)


def test_a_proof_reads_a_few_rows_however_many_records_there_are(instance: Instance) -> None:
    counts = []
    for count in (600, 6_000):
        tampering.fill_and_seal(instance, count, parts=1)
        with instance.store.reading() as connection, reads(connection) as run:
            proving.inclusion(connection, 300)
        # The size, the record, the checkpoint, and tiles: one row each.
        counts.append(len(run) - 3)
    assert counts[0] <= counts[1] <= 4


@pytest.mark.parametrize(
    ("position", "size", "field"),
    [
        (12, None, "position"),
        (-1, None, "position"),
        (1 << 70, None, "position"),
        (5, 5, "position"),
        (0, 13, "size"),
        (0, 0, "size"),
        (0, -1, "size"),
        (0, 1 << 70, "size"),
    ],
)
def test_what_is_not_in_the_tree_cannot_be_proven(
    small_instance: Instance, position: int, size: int | None, field: str
) -> None:
    tampering.fill_and_seal(small_instance, 10, parts=1)
    tampering.fill(small_instance, 1)
    with pytest.raises(NotFoundError) as raised:
        inclusion(small_instance, position, size)
    assert [fault.field for fault in raised.value.faults] == [field]


@pytest.mark.parametrize(
    ("first", "second", "field"),
    [(0, None, "first"), (13, None, "first"), (3, 13, "second"), (3, 0, "second"), (7, 6, "first")],
)
def test_sizes_that_do_not_follow_one_another_cannot_be_compared(
    small_instance: Instance, first: int, second: int | None, field: str
) -> None:
    tampering.fill_and_seal(small_instance, 10, parts=1)
    with pytest.raises(CommandError) as raised:
        consistency(small_instance, first, second)
    assert [fault.field for fault in raised.value.faults] == [field]


@pytest.mark.parametrize(
    "damage",
    [delete(tiles), update(tiles).values(hashes=b"short"), delete(records)],
    ids=["no tiles", "short tiles", "no records"],
)
def test_a_damaged_tree_proves_nothing(small_instance: Instance, damage: Executable) -> None:
    tampering.fill_and_seal(small_instance, 10, parts=1)
    looking.change(small_instance, damage)
    with pytest.raises(DamagedTreeError):
        inclusion(small_instance, 3)


def test_consistency_is_not_proven_from_damaged_tiles(small_instance: Instance) -> None:
    tampering.fill_and_seal(small_instance, 10, parts=1)
    looking.change(small_instance, delete(tiles))
    with pytest.raises(DamagedTreeError):
        consistency(small_instance, 3)


# --- lists ---------------------------------------------------------------------------------------


def listed(  # the arguments of `records_page`
    instance: Instance,
    limit: int,
    *,
    after: int | None = None,
    kind: Kind | None = None,
    oldest_first: bool = False,
) -> list[Entry]:
    with instance.store.reading() as connection:
        return proving.records_page(
            connection, limit=limit, after=after, kind=kind, oldest_first=oldest_first
        )


def all_pages(instance: Instance, limit: int, *, oldest_first: bool) -> list[Entry]:
    pages = [listed(instance, limit, oldest_first=oldest_first)]
    while len(pages[-1]) == limit:
        pages.append(listed(instance, limit, after=pages[-1][-1].id, oldest_first=oldest_first))
    return [entry for page in pages for entry in page]


@pytest.mark.parametrize("limit", [1, 3, 100])
@pytest.mark.parametrize("oldest_first", [False, True])
def test_pages_meet_without_a_gap_and_what_waits_is_newest(
    instance: Instance, limit: int, *, oldest_first: bool
) -> None:
    tampering.fill_and_seal(instance, 10, parts=2)
    tampering.fill(instance, 5, start=10)
    entries = all_pages(instance, limit, oldest_first=oldest_first)
    if not oldest_first:
        entries.reverse()
    assert [entry.position for entry in entries] == [*range(12), None, None, None, None, None]
    assert [entry.id for entry in entries] == list(range(1, 18))
    made = [entry.record.data["pass"] for entry in entries[2:] if entry.record]
    assert made == list(range(15))


def test_the_order_is_the_trees_and_not_the_rows(instance: Instance) -> None:
    for row_id in (900, 500):
        row = tampering.row_of(row_id)
        looking.change(instance, records.insert().values(id=row_id, **row))
        sealing.seal_all(instance, NOW_US)
    assert [entry.id for entry in listed(instance, 3)] == [500, 900, 2]
    assert [entry.id for entry in listed(instance, 3, after=500)] == [900, 2, 1]


def test_sealing_between_two_pages_neither_repeats_nor_leaves_out(instance: Instance) -> None:
    sealing.seal_all(instance, NOW_US)
    tampering.fill(instance, 6)
    first = listed(instance, 3)
    sealing.seal_all(instance, NOW_US)
    second = listed(instance, 3, after=first[-1].id)
    assert [entry.id for entry in [*first, *second]] == [8, 7, 6, 5, 4, 3]


@pytest.mark.parametrize("oldest_first", [False, True])
def test_a_list_of_one_kind_has_no_other(instance: Instance, *, oldest_first: bool) -> None:
    tampering.fill_and_seal(instance, 20, parts=1)
    tampering.fill(instance, 20, start=20)
    found = listed(instance, 7, kind=Kind.PASS_WITHDRAWN, oldest_first=oldest_first)
    made = [entry.record.data["pass"] for entry in found if entry.record]
    assert made == ([3, 7, 11, 15, 19, 23, 27] if oldest_first else [39, 35, 31, 27, 23, 19, 15])
    assert {entry.record.kind for entry in found if entry.record} == {Kind.PASS_WITHDRAWN}
    assert len(listed(instance, 100, kind=Kind.LOG_OPENED)) == 1
    assert listed(instance, 100, kind=Kind.TOKEN_ENDED) == []


def test_what_is_shown_comes_from_the_record_whatever_its_row_says(instance: Instance) -> None:
    shown = listed(instance, 1)
    looking.change(instance, update(records).values(kind="pass.issued", at_us=1))
    assert listed(instance, 1) == shown


def test_a_record_that_says_nothing_any_more_is_listed_all_the_same(instance: Instance) -> None:
    tampering.fill_and_seal(instance, 3, parts=1)
    looking.change(
        instance, update(records).where(records.c.position == 4).values(body=b"scribble")
    )
    newest = listed(instance, 1)[0]
    assert (newest.position, newest.record) == (4, None)


@pytest.mark.parametrize("after", [0, -1, 99, 1 << 70])
def test_a_list_does_not_go_on_after_a_record_that_is_not_there(
    small_instance: Instance, after: int
) -> None:
    with pytest.raises(NotFoundError, match="after"):
        listed(small_instance, 5, after=after)
