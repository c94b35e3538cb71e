"""Tampering with the records, told as attacks, and what verifying says of each."""

from __future__ import annotations

import secrets
from contextlib import closing
from random import Random
from typing import TYPE_CHECKING, Any

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from sqlalchemy import Connection, delete, insert, select, text, update

from passdesk.core import merkle, note, record
from passdesk.core.note import Checkpoint
from passdesk.core.record import Kind
from passdesk.services import sealing, verifying
from passdesk.services.errors import CommandError
from passdesk.services.walking import Flaw
from passdesk.store.tables import checkpoints, guests, records, texts, tiles, tree
from tests.support import looking, tampering
from tests.support.place import NOW_US
from tests.support.tampering import Log

if TYPE_CHECKING:
    from pathlib import Path

    from sqlalchemy.sql.expression import Executable

    from passdesk.services.instance import Instance
    from passdesk.services.verifying import Verdict
    from tests.support.place import House

EACH = {"sqlite": 50, "postgresql": 10}


def verified(log: Log, earlier: str | None = None) -> Verdict:
    return verifying.verify(log.store, log.verifier, checkpoint_note=earlier)


def flaw_of(log: Log, earlier: str | None = None) -> Flaw:
    verdict = verified(log, earlier)
    assert verdict.first_bad is not None
    assert (verdict.ok, verdict.root) == (False, None)
    return verdict.first_bad


def a_log(instance: Instance, count: int = 40, *, parts: int = 4) -> Log:
    """Give a log with two records more than `count`, and a checkpoint after each part."""
    return Log.of(instance, tampering.fill_and_seal(instance, count, parts=parts))


def at(position: int) -> Any:  # noqa: ANN401 # a condition
    return records.c.position == position


# --- nothing was done ----------------------------------------------------------------------------


@pytest.mark.parametrize("count", [0, 254, 600])
def test_a_log_that_nobody_touched_is_whole(instance: Instance, count: int) -> None:
    log = a_log(instance, count, parts=3)
    rows = looking.rows(instance, select(records.c.body).order_by(records.c.id))
    builder = merkle.RootBuilder()
    for row in rows:
        builder.add(merkle.leaf_hash(row.body))
    verdict = verified(log, log.note)
    assert verdict == verifying.Verdict(count + 2, 0, builder.root(), None)
    assert verdict.ok


def test_a_log_that_was_never_sealed_is_whole_and_says_that_nothing_is_protected(
    instance: Instance,
) -> None:
    with instance.store.reading() as connection:
        verifier = sealing.log_verifier(instance.keyring, sealing.origin(connection))
    verdict = verifying.verify(instance.store, verifier)
    assert (verdict.ok, verdict.sealed, verdict.unsealed) == (True, 0, 2)
    assert verdict.root == merkle.EMPTY_ROOT


def test_records_that_are_not_sealed_are_counted_and_not_vouched_for(instance: Instance) -> None:
    log = a_log(instance)
    tampering.fill(instance, 7, start=40)
    looking.change(instance, update(records).where(records.c.id == 45).values(body=b"edited"))
    assert (verified(log).ok, verified(log).sealed, verified(log).unsealed) == (True, 42, 7)


def test_progress_is_told_up_to_the_end(small_instance: Instance) -> None:
    log, told = a_log(small_instance, 600), []
    verifying.verify(log.store, log.verifier, progress=lambda done, size: told.append((done, size)))
    assert told == [(256, 602), (512, 602), (602, 602)]


def test_what_is_sealed_meanwhile_is_not_half_seen(instance: Instance) -> None:
    log = a_log(instance, 600)

    def meanwhile(done: int, _size: int) -> None:
        if done == 256:
            tampering.fill(instance, 300, start=600)
            sealing.seal_all(instance, NOW_US)

    verdict = verifying.verify(log.store, log.verifier, progress=meanwhile)
    assert (verdict.ok, verdict.sealed, verdict.unsealed) == (True, 602, 0)
    assert verified(log, log.note).sealed == 902


def test_a_record_of_1970_is_read_as_any_other(small_instance: Instance) -> None:
    # Times this early have a shorter encoding, which the fast comparison does not know.
    small_instance.act("command", 5, lambda act: act.record(Kind.KEY_ENDED, {"kid": b"1"}))
    log = a_log(small_instance)
    assert verified(log).ok
    looking.change(small_instance, update(records).where(at(2)).values(at_us=6))
    assert flaw_of(log).position == 2


def test_tiles_above_the_lowest_are_whole_too(small_instance: Instance) -> None:
    # One tile of level 1 is full at 65,536 records.
    template = tampering.row_of(0)
    head, tail = template["body"][:8], template["body"][16:]
    with small_instance.store.writing() as connection:
        connection.execute(
            insert(records),
            [
                {**template, "at_us": at_us, "body": head + at_us.to_bytes(8, "big") + tail}
                for at_us in range(NOW_US, NOW_US + 65_600)
            ],
        )
    log = Log.of(small_instance, sealing.checkpoint(small_instance, NOW_US))
    assert verified(log).ok
    levels = looking.rows(small_instance, select(tiles.c.level, tiles.c.place))
    assert {(1, 0), (2, 0)} < {tuple(row) for row in levels}
    change(log, edit_tile(small_instance, 1, 255))
    assert flaw_of(log).position == 65_280  # the next checkpoint comes after the tile's end
    change(log, edit_tile(small_instance, 1, 200))
    assert flaw_of(log) == Flaw(
        None, None, "The tree was altered above position 51455; the records were not."
    )


# --- five ways to tamper -------------------------------------------------------------------------


@pytest.mark.parametrize("way", tampering.WAYS)
def test_the_first_record_that_was_tampered_with_is_named(instance: Instance, way: str) -> None:
    log = a_log(instance, 2_000, parts=12)
    for number in range(EACH[log.store.dialect]):
        tried = tampering.attempt(log, way, Random(f"{way} {number}"))  # noqa: S311 - to repeat it
        assert tried.named, (number, tried)
    assert verified(log, log.note).ok


def test_the_row_of_the_bad_record_is_named_with_its_position(instance: Instance) -> None:
    log = a_log(instance)
    looking.change(instance, update(records).where(at(17)).values(body=b"edited"))
    assert (flaw_of(log).position, flaw_of(log).record_id) == (17, 18)


@pytest.mark.parametrize(
    ("values", "position"),
    [
        ({"at_us": NOW_US - 1}, 30),
        ({"kind": "pass.extended"}, 30),
        ({"kind": "no.kind"}, 30),
        ({"kind": ""}, 30),
        ({"position": -1}, -1),
        ({"position": 1000}, 30),
    ],
)
def test_a_column_that_says_otherwise_than_the_record_is_found(
    small_instance: Instance, values: dict[str, Any], position: int
) -> None:
    log = a_log(small_instance)
    looking.change(small_instance, update(records).where(at(30)).values(values))
    assert flaw_of(log).position == position


@pytest.mark.parametrize("body", [b"short", bytes(40), b"\xa0"])
def test_what_is_no_record_is_found_though_it_was_sealed(
    small_instance: Instance, body: bytes
) -> None:
    looking.change(small_instance, insert(records).values({**tampering.row_of(0), "body": body}))
    assert flaw_of(a_log(small_instance)).position == 2


def test_two_records_at_one_position_are_found(instance: Instance) -> None:
    log = a_log(instance)
    row = tampering.row_of(5)
    looking.change(
        instance,
        text("DROP INDEX uq_records_position"),
        insert(records).values(position=20, **row),
    )
    assert flaw_of(log).position == 20


# --- what only SQLite stores ---------------------------------------------------------------------


@pytest.mark.parametrize(
    "edit",
    [
        "body = 'text'",
        "body = CAST(body AS TEXT)",
        "body = CAST(x'ff' AS TEXT)",
        "kind = CAST(x'ff' AS TEXT)",
        "kind = CAST(kind AS BLOB) || x'ff'",
        "at_us = 'noon'",
        "position = 'thirty'",
        "position = 30.5",
    ],
)
def test_a_value_of_a_wrong_type_is_found(small_instance: Instance, edit: str) -> None:
    log = a_log(small_instance)
    looking.change(small_instance, text(f"UPDATE records SET {edit} WHERE position = 30"))  # noqa: S608 - a test's own
    assert flaw_of(log).position == 30


@pytest.mark.parametrize(
    "edit",
    [
        "UPDATE tree SET size = 'many'",
        "UPDATE tree SET origin = CAST(x'ff' AS TEXT)",
        "UPDATE tiles SET hashes = 'text'",
        "UPDATE checkpoints SET note = CAST(x'ff' AS TEXT)",
        "UPDATE checkpoints SET size = -size",
    ],
)
def test_a_wrong_type_elsewhere_is_found(small_instance: Instance, edit: str) -> None:
    log = a_log(small_instance)
    looking.change(small_instance, text(edit))
    assert not verified(log).ok


def on_disk(log: Log, instance: Instance) -> Path:
    """Give the database's file, with everything in it and nobody at it."""
    with log.store.reads.connect() as connection:
        connection.connection.cursor().execute("PRAGMA wal_checkpoint(TRUNCATE)")
    log.store.close()
    return instance.settings.instance / "passdesk.db"


def test_a_bit_that_flipped_in_the_file_is_found(small_instance: Instance) -> None:
    log = a_log(small_instance, 600)
    kept = looking.rows(small_instance, select(records.c.position, records.c.body))
    draw = Random(1)  # noqa: S311 - to repeat it
    path = on_disk(log, small_instance)
    whole = path.read_bytes()
    for position, body in draw.sample([tuple(row) for row in kept], 50):
        assert whole.count(body) == 1
        flipped = bytearray(whole)
        flipped[whole.index(body) + draw.randrange(len(body))] ^= 1 << draw.randrange(8)
        path.write_bytes(flipped)
        assert flaw_of(log).position == position
        log.store.close()
    path.write_bytes(whole)
    assert verified(log).ok


def test_a_file_that_cannot_be_read_to_its_end_is_said_to_be_so(small_instance: Instance) -> None:
    log = a_log(small_instance, 600)
    body = looking.rows(small_instance, select(records.c.body).where(at(300)))[0].body
    path = on_disk(log, small_instance)
    whole = path.read_bytes()
    page = whole.index(body) // 4096 * 4096
    path.write_bytes(whole[:page] + bytes(100) + whole[page + 100 :])
    flaw = flaw_of(log)
    assert flaw.sentence.startswith("The database cannot be read from here on: ")
    assert flaw.position is not None
    assert 256 <= flaw.position <= 300


# --- free text -----------------------------------------------------------------------------------


@pytest.fixture
def withdrawn(house: House) -> Log:
    """Give the log of a place where a pass was withdrawn for a reason."""
    house.withdraw(house.issue(), "Shared with a stranger")
    house.withdraw(house.issue(), "Lost on the train")
    return Log.of(house.instance, sealing.checkpoint(house.instance, NOW_US))


def position_of_second_reason(log: Log) -> int:
    with log.store.reading() as connection:
        query = select(records.c.position).where(records.c.kind == Kind.PASS_WITHDRAWN)
        return max(connection.execute(query).scalars().all(), default=0)


def change(log: Log, statement: Executable) -> None:
    with log.store.writing() as connection:
        connection.execute(statement)


def test_free_text_that_is_kept_as_it_was_is_whole(withdrawn: Log) -> None:
    assert verified(withdrawn).ok


def test_a_reason_that_was_rewritten_is_found(withdrawn: Log) -> None:
    change(withdrawn, update(texts).where(texts.c.id == 2).values(body="Called off"))
    flaw = flaw_of(withdrawn)
    assert flaw.position == position_of_second_reason(withdrawn)
    assert "text 2" in flaw.sentence


@pytest.mark.parametrize("values", [{"key": b"short"}, {"key": bytes(32)}])
def test_a_reason_whose_key_was_changed_is_found(withdrawn: Log, values: dict[str, Any]) -> None:
    change(withdrawn, update(texts).where(texts.c.id == 2).values(values))
    assert flaw_of(withdrawn).position == position_of_second_reason(withdrawn)


def test_a_reason_that_was_rewritten_with_a_commitment_of_its_own_belongs_to_no_record(
    withdrawn: Log,
) -> None:
    key = secrets.token_bytes(32)
    forged = {"key": key, "body": "Forged", "commitment": record.commit(key, "Forged")}
    change(withdrawn, update(texts).where(texts.c.id == 2).values(forged))
    assert flaw_of(withdrawn) == Flaw(None, None, "Free text 2 belongs to no record.")


@pytest.mark.parametrize("values", [{"about_id": 1}, {"about": "bar"}])
def test_a_reason_that_was_moved_to_something_else_is_found(
    withdrawn: Log, values: dict[str, Any]
) -> None:
    change(withdrawn, update(texts).where(texts.c.id == 2).values(values))
    assert flaw_of(withdrawn).position == position_of_second_reason(withdrawn)


def test_a_reason_of_a_record_that_waits_to_be_sealed_is_whole_and_checked(house: House) -> None:
    house.withdraw(house.issue(), "Lost on the train")
    log = Log.of(house.instance, "")
    assert verified(log).ok
    change(log, update(texts).values(body="Called off"))
    assert "not sealed yet" in flaw_of(log).sentence
    change(log, update(records).values(body=b"\x58\x20" + bytes(32)))
    assert "belongs to no record" in flaw_of(log).sentence


@pytest.mark.parametrize(
    "edit",
    ["body = CAST(x'ff' AS TEXT)", "body = 7", "key = 'text'", "about = CAST(x'ff' AS TEXT)"],
)
def test_a_reason_of_a_wrong_type_is_found(small_house: House, edit: str) -> None:
    small_house.withdraw(small_house.issue(), "Lost on the train")
    log = Log.of(small_house.instance, sealing.checkpoint(small_house.instance, NOW_US))
    looking.change(small_house.instance, text(f"UPDATE texts SET {edit}"))  # noqa: S608 - a test's own
    assert "text 1" in flaw_of(log).sentence


def test_a_reason_that_was_erased_with_its_key_leaves_the_log_whole(withdrawn: Log) -> None:
    # Promise 8: personal data can be erased, and the log holds without it.
    change(withdrawn, delete(texts))
    change(withdrawn, update(guests).values(name="erased", organisation=None, email=None))
    assert verified(withdrawn, withdrawn.note).ok


# --- the tree is rewritten too -------------------------------------------------------------------


def edit_tile(instance: Instance, level: int, place: int) -> Executable:
    """Give the statement that changes one hash of a level's first tile."""
    query = select(tiles.c.hashes).where(tiles.c.level == level, tiles.c.place == 0)
    hashes = bytearray(looking.rows(instance, query)[0].hashes)
    hashes[32 * place] ^= 1
    return (
        update(tiles).where(tiles.c.level == level, tiles.c.place == 0).values(hashes=bytes(hashes))
    )


def test_a_hash_of_a_record_that_was_changed_is_found(small_instance: Instance) -> None:
    log = a_log(small_instance)
    looking.change(small_instance, edit_tile(small_instance, 0, 25))
    assert flaw_of(log).position == 25


def test_a_hash_above_records_that_are_proven_is_not_blamed_on_them(
    small_instance: Instance,
) -> None:
    log = a_log(small_instance, 600)
    looking.change(small_instance, edit_tile(small_instance, 1, 1))
    flaw = flaw_of(log)
    assert (flaw.position, flaw.record_id) == (None, None)
    assert "the records were not" in flaw.sentence


@pytest.mark.parametrize(("level", "position"), [(0, 0), (1, None)])
def test_a_tile_that_is_gone_is_found(
    small_instance: Instance, level: int, position: int | None
) -> None:
    log = a_log(small_instance, 600)
    looking.change(small_instance, delete(tiles).where(tiles.c.level == level))
    assert flaw_of(log).position == position


def forge(connection: Connection, position: int) -> None:
    """Alter a record and all that follows from it, but for what must be signed."""
    row = {key: value for key, value in tampering.row_of(10**6).items() if key != "id"}
    connection.execute(update(records).where(at(position)).values(row))
    tampering.rebuild(connection)


@pytest.mark.parametrize(("position", "named"), [(5, 0), (12, 12), (33, 32), (41, 32)])
def test_whoever_rewrites_the_tree_is_found_by_the_next_signed_root(
    instance: Instance, position: int, named: int
) -> None:
    log = a_log(instance)  # there are checkpoints of 12, 22, 32 and 42 records
    with instance.store.writing() as connection:
        forge(connection, position)
    flaw = flaw_of(log)
    assert flaw.position == named
    assert flaw.record_id == named + 1


def test_whoever_takes_the_checkpoints_away_too_leaves_records_without_one(
    instance: Instance,
) -> None:
    log = a_log(instance)
    with instance.store.writing() as connection:
        forge(connection, 33)
        connection.execute(delete(checkpoints).where(checkpoints.c.size > 33))
    flaw = flaw_of(log)
    assert (flaw.position, flaw.record_id) == (32, 33)
    assert "no signed checkpoint" in flaw.sentence


def test_whoever_signs_with_a_key_of_their_own_is_found(instance: Instance) -> None:
    log = a_log(instance)
    with instance.store.writing() as connection:
        forge(connection, 33)
        root = merkle.root(sealing.StoredTiles(connection), log.size)
        forged = note.sign_note(
            Checkpoint(log.verifier.name, log.size, root).text(),
            log.verifier.name,
            Ed25519PrivateKey.generate(),
        )
        connection.execute(
            update(checkpoints).where(checkpoints.c.size == log.size).values(note=forged)
        )
    flaw = flaw_of(log)
    assert flaw.position == 32
    assert "no signature of this log" in flaw.sentence


def test_a_stored_checkpoint_that_was_taken_from_another_size_is_found(
    small_instance: Instance,
) -> None:
    log = a_log(small_instance)
    looking.change(
        small_instance, update(checkpoints).where(checkpoints.c.size == 22).values(note=log.note)
    )
    assert flaw_of(log).position == 12


@pytest.mark.parametrize(
    ("damage", "position"),
    [
        (delete(tree), None),
        (update(tree).values(origin="another/log"), None),
        (update(tree).values(size=43), 42),
        (update(tree).values(size=41), 41),
        (delete(checkpoints), 0),
    ],
)
def test_what_holds_the_tree_together_is_checked(
    small_instance: Instance, damage: Executable, position: int | None
) -> None:
    log = a_log(small_instance)
    looking.change(small_instance, damage)
    assert flaw_of(log).position == position


# --- with a checkpoint that was kept elsewhere ---------------------------------------------------


def cut_back(log: Log, size: int) -> None:
    """Make everything in the database as it was when the tree had a size that was signed."""
    with log.store.writing() as connection:
        connection.execute(delete(records).where(records.c.position >= size))
        tampering.rebuild(connection)


def test_a_log_that_was_cut_back_to_an_earlier_moment_is_found_by_a_later_checkpoint_only(
    instance: Instance,
) -> None:
    log = a_log(instance)
    cut_back(log, 22)
    assert verified(log).ok
    flaw = flaw_of(log, log.note)
    assert (flaw.position, flaw.record_id) == (22, None)
    assert "gone" in flaw.sentence


def test_a_log_that_was_cut_back_and_written_anew_is_found_by_an_earlier_checkpoint(
    instance: Instance,
) -> None:
    log = a_log(instance)
    cut_back(log, 22)
    tampering.fill(instance, 60, start=1000)
    sealing.seal_all(instance, NOW_US)
    assert verified(log).ok
    flaw = flaw_of(log, log.note)
    assert flaw.position == 22
    assert "given checkpoint of 42 records" in flaw.sentence


def test_every_checkpoint_that_was_kept_holds_for_a_log_that_has_grown(
    small_instance: Instance,
) -> None:
    log = a_log(small_instance)
    kept = looking.rows(small_instance, select(checkpoints.c.note))
    looking.change(small_instance, delete(checkpoints).where(checkpoints.c.size < 42))
    for row in kept:
        assert verified(log, row.note).ok


def test_two_signed_roots_of_one_size_blame_no_record(small_instance: Instance) -> None:
    log = a_log(small_instance)
    other = note.sign_note(
        Checkpoint(log.verifier.name, 42, bytes(32)).text(),
        log.verifier.name,
        small_instance.keyring.log_key(),
    )
    assert flaw_of(log, other).position is None


@pytest.mark.parametrize("earlier", ["", "no checkpoint", "a\n1\nAAAA\n\n\N{EM DASH} a AAAAAAAA\n"])
def test_a_file_that_is_no_checkpoint_is_refused(small_instance: Instance, earlier: str) -> None:
    log = a_log(small_instance)
    with pytest.raises(CommandError, match="checkpoint: is no checkpoint"):
        verified(log, earlier)


def test_a_checkpoint_of_another_log_is_refused(small_instance: Instance) -> None:
    log = a_log(small_instance)
    name = log.verifier.name
    theirs = note.sign_note(
        Checkpoint(name, 3, bytes(32)).text(), name, Ed25519PrivateKey.generate()
    )
    with pytest.raises(CommandError) as raised:
        verified(log, theirs)
    assert [fault.field for fault in raised.value.faults] == ["checkpoint"]


def test_a_log_is_not_the_one_of_another_key(small_instance: Instance) -> None:
    log = a_log(small_instance)
    public = Ed25519PrivateKey.generate().public_key().public_bytes_raw()
    stranger = note.VerifierKey(log.verifier.name, public)
    verdict = verifying.verify(log.store, stranger)
    assert verdict.first_bad is not None
    assert verdict.first_bad.position == 0


def test_verifying_closes_what_it_opened(instance: Instance) -> None:
    log = a_log(instance)
    looking.change(instance, update(records).where(at(3)).values(body=b""))
    for _ in range(20):
        with closing(log.store.reads.raw_connection()):
            flaw_of(log)
    assert log.store.reads.pool.checkedout() == 0  # type: ignore[attr-defined] # a QueuePool
