"""Sealing: each record gets one position for good, and what is signed is what stands."""

from __future__ import annotations

import base64
import hashlib
import subprocess
import sys
import threading
from contextlib import contextmanager
from itertools import count
from typing import TYPE_CHECKING, Any

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from sqlalchemy import delete, event, insert, select, update

from passdesk.core.note import VerifierKey
from passdesk.services import sealing, verifying
from passdesk.services.sealing import DamagedTreeError
from passdesk.store.engine import Store
from passdesk.store.tables import checkpoints, records, tiles, tree
from tests.support import looking, tampering
from tests.support.place import NOW_US

if TYPE_CHECKING:
    from collections.abc import Iterator

    from sqlalchemy.sql.expression import Executable

    from passdesk.services.instance import Instance
    from passdesk.services.verifying import Verdict

SEALING = """
import sys, time
from pathlib import Path
from passdesk import settings
from passdesk.services import instance as instances, sealing
chosen = settings.load(Path(sys.argv[1]), {"PASSDESK_DATABASE_URL": sys.argv[2]})
instance = instances.open_instance(chosen)
total, idle = 0, 0
print("ready", flush=True)
sys.stdin.readline()
while sealed := instance.store.transact(lambda c: sealing.seal(c, instance.keyring, 1, most=50)):
    total += sealed
print(total)
"""


class PlantedError(Exception):
    """A fault that a test has planted."""


def seal(instance: Instance, most: int = sealing.MOST) -> int:
    return instance.store.transact(
        lambda connection: sealing.seal(connection, instance.keyring, NOW_US, most=most)
    )


def positions(instance: Instance) -> list[tuple[int, int | None]]:
    query = select(records.c.id, records.c.position).order_by(records.c.id)
    return [(row.id, row.position) for row in looking.rows(instance, query)]


def verified(instance: Instance) -> Verdict:
    with instance.store.reading() as connection:
        verifier = sealing.log_verifier(instance.keyring, sealing.origin(connection))
    return verifying.verify(instance.store, verifier)


def independent_root(leaves: list[bytes]) -> bytes:
    """The definition of RFC 9162 section 2.1.1, word for word."""
    if len(leaves) == 1:
        return hashlib.sha256(b"\x00" + leaves[0]).digest()
    k = 1
    while 2 * k < len(leaves):
        k *= 2
    return hashlib.sha256(
        b"\x01" + independent_root(leaves[:k]) + independent_root(leaves[k:])
    ).digest()


# --- what comes out ------------------------------------------------------------------------------


def test_a_checkpoint_is_opened_by_a_verifier_that_shares_no_code_with_it(
    instance: Instance,
) -> None:
    # C2SP signed-note and tlog-checkpoint, as shared/outside-checks.md puts them: origin, size and
    # root on a line each, an empty line, and a dash, the name and base64(key id + signature).
    tampering.fill(instance, 300)
    note = sealing.checkpoint(instance, NOW_US)
    text, _, signatures = note.partition("\n\n")
    origin, size, root = text.split("\n")
    dash, name, encoded = signatures.removesuffix("\n").split(" ")
    public = instance.keyring.log_key().public_key().public_bytes_raw()
    key_id = hashlib.sha256(name.encode() + b"\n\x01" + public).digest()[:4]
    assert (dash, name) == ("\N{EM DASH}", origin)
    assert base64.b64decode(encoded)[:4] == key_id
    Ed25519PublicKey.from_public_bytes(public).verify(
        base64.b64decode(encoded)[4:], f"{text}\n".encode()
    )
    bodies = looking.rows(instance, select(records.c.body).order_by(records.c.position))
    assert int(size) == len(bodies) > 300
    assert base64.b64decode(root) == independent_root([row.body for row in bodies])


def test_the_verifier_key_that_is_handed_out_is_the_key_that_signs(
    small_instance: Instance,
) -> None:
    with small_instance.store.reading() as connection:
        origin = sealing.origin(connection)
    handed_out = sealing.log_verifier(small_instance.keyring, origin).format()
    public = small_instance.keyring.log_key().public_key().public_bytes_raw()
    assert VerifierKey.parse(handed_out) == VerifierKey(origin, public)


def test_positions_follow_the_rows_and_stay(instance: Instance) -> None:
    tampering.fill(instance, 10)
    sealing.seal_all(instance, NOW_US)
    before = positions(instance)
    assert [position for _, position in before] == list(range(len(before)))
    tampering.fill(instance, 10, start=10)
    sealing.seal_all(instance, NOW_US)
    after = positions(instance)
    assert after[: len(before)] == before
    assert [position for _, position in after] == list(range(len(after)))


def test_a_record_that_was_committed_late_gets_a_later_position(instance: Instance) -> None:
    looking.change(instance, insert(records).values(id=900, **tampering.row_of(1)))
    sealing.seal_all(instance, NOW_US)
    newest = dict(positions(instance))[900]
    looking.change(instance, insert(records).values(id=500, **tampering.row_of(2)))
    sealing.seal_all(instance, NOW_US)
    assert newest is not None
    assert dict(positions(instance))[500] == newest + 1
    assert verified(instance).ok


def test_every_size_that_was_sealed_keeps_its_checkpoint(small_instance: Instance) -> None:
    notes = []
    for part in range(3):
        tampering.fill(small_instance, 5, start=5 * part)
        notes.append(sealing.checkpoint(small_instance, NOW_US + part))
    kept = looking.rows(small_instance, select(checkpoints).order_by(checkpoints.c.size))
    assert [row.note for row in kept] == notes
    assert [row.size for row in kept] == [kept[0].size, kept[0].size + 5, kept[0].size + 10]
    assert [row.made_us for row in kept] == [NOW_US, NOW_US + 1, NOW_US + 2]


def test_a_checkpoint_that_is_asked_for_covers_what_was_recorded_just_before(
    small_instance: Instance,
) -> None:
    first = sealing.checkpoint(small_instance, NOW_US)
    assert sealing.checkpoint(small_instance, NOW_US) == first
    tampering.fill(small_instance, 1)
    second = sealing.checkpoint(small_instance, NOW_US)
    assert int(second.split("\n")[1]) == int(first.split("\n")[1]) + 1


@pytest.mark.parametrize("most", [7, 255, 256, 257, 1000])
def test_the_tree_is_the_same_however_many_are_sealed_at_a_time(
    small_instance: Instance, most: int
) -> None:
    tampering.fill(small_instance, 600)
    sealed = []
    while number := seal(small_instance, most):
        sealed.append(number)
    assert max(sealed) == min(most, 602)
    assert sum(sealed) == 602
    assert verified(small_instance).ok


def test_all_that_waits_is_sealed_in_turns(instance: Instance) -> None:
    tampering.fill(instance, sealing.MOST + 1)
    waiting = len(positions(instance))
    assert sealing.seal_all(instance, NOW_US) == waiting
    assert len(looking.rows(instance, select(checkpoints.c.size))) == 2
    with instance.store.reading() as connection:
        assert sealing.unsealed(connection) == 0
    assert verified(instance).sealed == waiting


# --- nothing twice, nothing by halves ------------------------------------------------------------


def test_sealing_nothing_writes_nothing(instance: Instance) -> None:
    sealing.seal_all(instance, NOW_US)
    before = looking.dump(instance)
    assert seal(instance) == 0
    assert sealing.seal_all(instance, NOW_US + 1) == 0
    assert looking.dump(instance) == before


def test_looking_for_work_that_is_not_there_takes_no_write_lock(small_instance: Instance) -> None:
    sealing.seal_all(small_instance, NOW_US)
    with small_instance.store.writing():
        assert sealing.seal_all(small_instance, NOW_US) == 0


def test_two_threads_that_seal_at_once_do_nothing_twice(instance: Instance) -> None:
    tampering.fill(instance, 1000)
    waiting = len(positions(instance))
    totals: list[int] = []
    start = threading.Barrier(2)

    def work() -> None:
        store = Store(instance.settings.database_url)
        start.wait()
        total = 0
        while number := store.transact(
            lambda connection: sealing.seal(connection, instance.keyring, NOW_US, most=50)
        ):
            total += number
        totals.append(total)
        store.close()

    threads = [threading.Thread(target=work) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sum(totals) == waiting
    assert verified(instance).sealed == waiting
    assert verified(instance).ok


def test_two_processes_that_seal_at_once_do_nothing_twice(instance: Instance) -> None:
    tampering.fill(instance, 1000)
    waiting = len(positions(instance))
    chosen = instance.settings
    processes = [
        subprocess.Popen(
            [sys.executable, "-c", SEALING, str(chosen.instance), chosen.database_url],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        for _ in range(2)
    ]
    for process in processes:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
    ended = [process.communicate("go\n", timeout=60) for process in processes]
    assert sum(int(out) for out, _ in ended) == waiting
    assert verified(instance).sealed == waiting
    assert verified(instance).ok


@contextmanager
def failing_at(instance: Instance, statement: int) -> Iterator[list[str]]:
    """Let the so-manyeth statement of a write transaction fail; give those that were run."""
    run: list[str] = []

    def before(*arguments: Any) -> None:  # noqa: ANN401 # SQLAlchemy's
        if not arguments[2].startswith("BEGIN"):
            run.append(arguments[2])
        if len(run) == statement:
            raise PlantedError

    event.listen(instance.store.writes, "before_cursor_execute", before)
    try:
        yield run
    finally:
        event.remove(instance.store.writes, "before_cursor_execute", before)


def test_sealing_that_is_stopped_at_any_statement_changes_nothing(instance: Instance) -> None:
    tampering.fill(instance, 300)
    sealing.seal_all(instance, NOW_US)
    tampering.fill(instance, 300, start=300)
    before = looking.dump(instance)
    stopped = []
    for statement in count(1):
        with failing_at(instance, statement) as run:
            try:
                seal(instance)
            except PlantedError:
                stopped.append(run[-1].split()[0])
            else:
                break
        assert looking.dump(instance) == before
    # The lock, the positions, the tiles, the checkpoint, the size.
    assert stopped[0] == "SELECT"
    assert [word for word in stopped if word != "SELECT"] == [
        "UPDATE",
        "INSERT",
        "INSERT",
        "UPDATE",
    ]
    assert (verified(instance).ok, verified(instance).unsealed) == (True, 0)


@pytest.mark.parametrize("stored", [False, True])
def test_a_commit_that_fails_can_be_tried_again_whether_it_was_stored_or_not(
    instance: Instance, monkeypatch: pytest.MonkeyPatch, *, stored: bool
) -> None:
    tampering.fill(instance, 300)
    waiting = len(positions(instance))
    dialect = instance.store.writes.dialect
    commit = dialect.do_commit

    def fail(connection: Any) -> None:  # noqa: ANN401 # the driver's
        if stored:
            commit(connection)
        raise PlantedError

    with monkeypatch.context() as patched:
        patched.setattr(dialect, "do_commit", fail)
        with pytest.raises(PlantedError):
            seal(instance)
    assert verified(instance).unsealed == (0 if stored else waiting)
    assert seal(instance) == (0 if stored else waiting)
    assert verified(instance).ok
    assert verified(instance).sealed == waiting


# --- nothing is signed on top of something else --------------------------------------------------

FORGED = "passdesk/forged\n4\nAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA=\n\n\N{EM DASH} me AAAA\n"


@pytest.mark.parametrize(
    "damage",
    [
        update(tiles).values(hashes=bytes(32) * 256).where(tiles.c.level == 0),
        update(tiles).values(hashes=b""),
        delete(tiles),
        update(tree).values(size=tree.c.size - 1),
        update(tree).values(size=0),
        update(tree).values(origin="another/log"),
        update(tree).values(origin="no name"),
        delete(tree),
        delete(checkpoints),
        update(checkpoints).values(note=FORGED),
        delete(records).where(records.c.position == 301),
        insert(records).values(position=302, **tampering.row_of(7)),
    ],
    ids=lambda damage: " ".join(str(damage).split()[:6]),
)
def test_a_tree_that_is_not_the_signed_one_is_not_sealed_any_further(
    small_instance: Instance, damage: Executable
) -> None:
    tampering.fill(small_instance, 300)
    sealing.seal_all(small_instance, NOW_US)
    tampering.fill(small_instance, 1, start=300)
    looking.change(small_instance, damage)
    before = looking.dump(small_instance)
    with pytest.raises(DamagedTreeError):
        sealing.seal_all(small_instance, NOW_US)
    assert looking.dump(small_instance) == before


def test_the_newest_checkpoint_is_asked_for_by_size_and_not_by_time(
    small_instance: Instance,
) -> None:
    first = sealing.checkpoint(small_instance, NOW_US)
    tampering.fill(small_instance, 1)
    second = sealing.checkpoint(small_instance, NOW_US - 1)
    assert sealing.checkpoint(small_instance, NOW_US) == second != first
