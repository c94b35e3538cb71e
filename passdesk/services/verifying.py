"""Verifying the records: is each of them, and what stands beside it, as it was signed.

Everything in the database is distrusted; what is trusted is the log's public key, and an earlier
checkpoint if one is given. All sealed records are read once in their order, in one snapshot:

1. positions follow one another without a gap, up to the size of the tree;
2. the hash of a record's body is the one in the tree's lowest tiles;
3. the columns beside a body say what the body says;
4. kept free text is what a record commits to, and is kept for what that record is about;
5. the tiles above hold the hashes that follow from those below;
6. every stored checkpoint, and the earlier one, is signed by the log's key, is of no more records
   than there are, and has the root that the records have at its size;
7. the newest stored checkpoint is of all the records.

The first that fails ends it. A record whose hash in the tree was rewritten too is found by the
next root (6), and then it is known only between which two checkpoints it stands.
"""

from __future__ import annotations

from contextlib import closing
from dataclasses import dataclass
from typing import TYPE_CHECKING

from passdesk.core.note import NoteError, open_note, parse_checkpoint
from passdesk.services.errors import CommandError
from passdesk.services.evidence import Evidence, snapshot
from passdesk.services.walking import Flaw, FlawError, Signed, Walk

if TYPE_CHECKING:
    from collections.abc import Callable

    from sqlalchemy import Connection

    from passdesk.core.note import VerifierKey
    from passdesk.store.engine import Store


@dataclass(frozen=True, slots=True)
class Verdict:
    """What verifying found.

    Attributes:
        sealed: records in the tree.
        unsealed: records that wait to be sealed: they are not protected yet.
        root: of the tree, 32 bytes; None if anything is wrong.
        first_bad: what is wrong first, None if nothing is.
    """

    sealed: int
    unsealed: int
    root: bytes | None
    first_bad: Flaw | None

    @property
    def ok(self) -> bool:
        """Whether all that is sealed is as it was signed."""
        return self.first_bad is None


def verify(
    store: Store,
    verifier: VerifierKey,
    *,
    checkpoint_note: str | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Verdict:
    """Verify all sealed records in one snapshot of a database.

    Args:
        store: the database.
        verifier: the log's public key, kept where nobody who writes the database can write.
        checkpoint_note: a checkpoint that was kept earlier, the whole text of its file. Without
            one, nobody can tell that records at the end were cut off together with all that told
            of them.
        progress: called now and then with the number of records done and of all.

    Raises:
        CommandError: names `checkpoint`, where the note is none that this log's key has signed.
    """
    with snapshot(store) as connection:
        return verify_within(
            connection, verifier, checkpoint_note=checkpoint_note, progress=progress
        )


def verify_within(
    connection: Connection,
    verifier: VerifierKey,
    *,
    checkpoint_note: str | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Verdict:
    """Verify as `verify` does, in a transaction that is open already."""
    given = [] if checkpoint_note is None else [_given(checkpoint_note, verifier)]
    with closing(Evidence(connection)) as evidence:
        walk = Walk(evidence, verifier, given)
        flaw = None
        try:
            for done in walk.steps():
                if progress is not None:
                    progress(done, walk.size)
        except FlawError as found:
            flaw = found.flaw
        except evidence.error as error:
            flaw = Flaw(walk.done, None, f"The database cannot be read from here on: {error}.")
        return Verdict(walk.size, walk.unsealed, walk.root, flaw)


def _given(note: str, verifier: VerifierKey) -> Signed:
    try:
        size = parse_checkpoint(open_note(note, verifier)).size
    except NoteError as error:
        raise CommandError.at(
            "checkpoint", f"is no checkpoint that this log's key has signed: {error}"
        ) from error
    return Signed(size, note.encode(), given=True)
