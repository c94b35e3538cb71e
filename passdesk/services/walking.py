"""The way through all sealed records, from the first to the last, up to the first flaw.

Nothing is believed but the log's public key. What each step checks stands in the list of
`passdesk.services.verifying`.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from hashlib import sha256
from itertools import takewhile
from operator import attrgetter
from typing import TYPE_CHECKING, Any, NamedTuple

from passdesk.core.merkle import HASH_LENGTH, TILE_BYTES, TILE_WIDTH, RootBuilder, leaf_hash
from passdesk.core.note import Checkpoint, open_note, parse_checkpoint
from passdesk.services.agreeing import Texts, column_agrees, columns_agree

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from passdesk.core.merkle import TileKey
    from passdesk.core.note import VerifierKey
    from passdesk.services.evidence import Evidence, Row

_NOT_IN_THE_TREE = (
    "This is not the record that the tree has here: one was altered, moved, put in or taken out."
)


@dataclass(frozen=True, slots=True)
class Flaw:
    """What is wrong first.

    Attributes:
        position: in the tree, of the first record that is bad or cannot be shown to be good;
            None where no record is at fault.
        record_id: its row, None where there is none.
        sentence: what is wrong.
    """

    position: int | None
    record_id: int | None
    sentence: str


class FlawError(Exception):
    """The first flaw was found."""

    def __init__(self, flaw: Flaw) -> None:
        super().__init__(flaw.sentence)
        self.flaw = flaw


class Signed(NamedTuple):
    """A checkpoint to check: of how many records, the whole note, and whether it was given."""

    size: int
    note: bytes
    given: bool

    @property
    def name(self) -> str:
        """What to call it in a sentence."""
        return f"the {'given' if self.given else 'stored'} checkpoint of {self.size} records"


def _stored(evidence: Evidence) -> Iterator[Signed]:
    for size, note in evidence.checkpoints():
        yield Signed(size, note, given=False)


class Walk:
    """One way through the records.

    Attributes:
        size: of the tree, in records.
        unsealed: records that wait to be sealed.
        root: of the tree, once everything was found to be right.
    """

    size = 0
    unsealed = 0
    root: bytes | None = None

    def __init__(self, evidence: Evidence, verifier: VerifierKey, given: Iterable[Signed]) -> None:
        self._evidence = evidence
        self._verifier = verifier
        self._builder = RootBuilder()
        self._edge: dict[int, tuple[TileKey, bytes]] = {}  # of each level its unfinished tile
        self._signed = heapq.merge(_stored(evidence), given, key=attrgetter("size"))
        self._next: Signed | None = None
        self._proven = 0  # so many records have been seen to be the signed ones
        self._sealed = 0  # the same, by a stored checkpoint

    @property
    def done(self) -> int:
        """The number of records that were found to be right."""
        return self._builder.size

    def steps(self) -> Iterator[int]:
        """Go through everything, and say now and then how many records are done.

        Raises FlawError at the first thing that is wrong.
        """
        self.unsealed = self._evidence.count_unsealed()
        origin, size = self._evidence.tree()
        if origin != self._verifier.name.encode() or type(size) is not int:
            raise self._flaw(None, "The row of the tree is not that of this log.")
        self.size = size
        texts = Texts(self._evidence.texts())
        self._next = next(self._signed, None)
        self._check_signed()
        for rows in self._evidence.sealed():
            self._take(rows, texts)
            yield self.done
        self._finish()
        self._require_claimed(texts)
        self.root = self._builder.root()

    def _take(self, rows: list[Row], texts: Texts) -> None:
        """Check the rows of one tile of level 0; those before the first bad one are good."""
        positions, at_us, kinds, bodies = zip(*rows, strict=True)
        expected = range(self.done, min(self.done + len(rows), self.size))
        hashes = _hashes(bodies)
        stored = self._evidence.tile(0, self.done // TILE_WIDTH)
        good, flaw = len(rows), None
        if not (
            positions == tuple(expected)
            and len(hashes) == len(rows) * HASH_LENGTH
            and stored.startswith(hashes)
            and columns_agree(at_us, kinds, bodies)
        ):
            good, flaw = self._first_fault(rows, hashes, stored)
        if claimed := texts.claim(kinds[:good], bodies[:good]):
            good, sentence = claimed
            flaw = self._flaw(self.done + good, sentence)
        self._grow(hashes[: good * HASH_LENGTH])
        if flaw is not None:
            raise flaw

    def _first_fault(
        self, rows: list[Row], hashes: bytes, stored: bytes
    ) -> tuple[int, FlawError | None]:
        """Give how many rows are good, and what is wrong with the next."""
        for place, (position, at_us, kind, body) in enumerate(rows):
            expected = self.done + place
            here = slice(place * HASH_LENGTH, (place + 1) * HASH_LENGTH)
            if position != expected:
                return place, self._misplaced(position, expected)
            if position >= self.size:
                return place, self._flaw(
                    position, "This record was put in: the tree ends before it."
                )
            if not hashes[here] or hashes[here] != stored[here]:
                return place, self._flaw(position, _NOT_IN_THE_TREE)
            if not column_agrees(at_us, kind, body):
                return place, self._flaw(
                    position, "The time or the kind in its row is not the one in the record."
                )
        return len(rows), None

    def _misplaced(self, position: object, expected: int) -> FlawError:
        if not isinstance(position, int):
            return self._flaw(expected, "A record was put in whose position is no number.")
        if position > expected:
            return self._flaw(expected, "The record at this position is gone.")
        return self._flaw(position, "A record was put in at this position.")

    def _grow(self, hashes: bytes) -> None:
        while hashes:
            room = (self._next.size - self.done) * HASH_LENGTH if self._next else len(hashes)
            for key, content in self._builder.add_tile(hashes[:room]).items():
                self._edge[key.level] = (key, content)
                if len(content) == TILE_BYTES:
                    self._compare(key, content)
            hashes = hashes[room:]
            self._check_signed()

    def _compare(self, key: TileKey, content: bytes) -> None:
        """Hold a tile above the lowest against the stored one."""
        stored = self._evidence.tile(key.level, key.index) if key.level else content
        if stored.startswith(content):
            return
        first = key.index * TILE_WIDTH + _first_difference(stored, content)
        start, end = (place * TILE_WIDTH**key.level for place in (first, first + 1))
        start, end = max(start, self._proven), min(end, self.done)
        if start < end:
            raise self._flaw(
                start,
                f"A record from here to position {end - 1} was altered, or the tree above them.",
            )
        raise self._flaw(
            None, f"The tree was altered above position {end - 1}; the records were not."
        )

    def _check_signed(self) -> None:
        """Check the signed checkpoints that are of as many records as are done."""
        while self._next is not None and self._next.size <= self.done:
            signed = self._next
            if self._open(signed).root != self._builder.root():
                raise self._flaw(
                    self._unproven(signed.size),
                    f"The records from here to position {signed.size - 1} are not those that "
                    f"{signed.name} was signed over.",
                )
            self._proven = signed.size
            self._sealed = self._sealed if signed.given else signed.size
            self._next = next(self._signed, None)

    def _open(self, signed: Signed) -> Checkpoint:
        try:
            checkpoint = parse_checkpoint(open_note(signed.note.decode(), self._verifier))
        except ValueError:  # a NoteError, or bytes that are no text
            checkpoint = None
        if checkpoint is None or (checkpoint.origin, checkpoint.size) != (
            self._verifier.name,
            signed.size,
        ):
            raise self._flaw(
                self._unproven(signed.size),
                f"Nothing shows the records from here on to be right: {signed.name} has no "
                "signature of this log.",
            )
        return checkpoint

    def _unproven(self, size: int) -> int | None:
        return self._proven if self._proven < size else None

    def _finish(self) -> None:
        """Check that nothing is missing at the end."""
        if self.done < self.size:
            raise self._flaw(self.done, "The record at this position is gone.")
        for key, content in self._edge.values():
            self._compare(key, content)
        if self._next is not None:
            self._open(self._next)
            raise self._flaw(
                self.done, f"The records from here on are gone: they are in {self._next.name}."
            )
        if self._sealed < self.done:
            raise self._flaw(self._sealed, "The records from here on are in no signed checkpoint.")

    def _require_claimed(self, texts: Texts) -> None:
        for rows in self._evidence.unsealed():
            kinds, bodies = zip(*rows, strict=True)
            if claimed := texts.claim(kinds, bodies):
                raise self._flaw(None, f"Of a record that is not sealed yet: {claimed[1]}")
        if (text := texts.first_unclaimed()) is not None:
            raise self._flaw(None, f"Free text {text} belongs to no record.")

    def _flaw(self, position: int | None, sentence: str) -> FlawError:
        return FlawError(
            Flaw(
                position,
                None if position is None else self._evidence.record_id(position),
                sentence,
            )
        )


def _hashes(bodies: Sequence[Any]) -> bytes:
    """Return the leaf hashes of bodies, up to the first that an edit has turned into no bytes."""
    try:
        # `merkle.leaf_hash`, without a call for each of very many.
        return b"".join([sha256(b"\x00" + body).digest() for body in bodies])
    except TypeError:
        return b"".join(map(leaf_hash, takewhile(lambda body: isinstance(body, bytes), bodies)))


def _first_difference(stored: bytes, computed: bytes) -> int:
    """Return which hash is the first to differ; there is one."""
    spans = (slice(at, at + HASH_LENGTH) for at in range(0, len(computed), HASH_LENGTH))
    return next(place for place, span in enumerate(spans) if stored[span] != computed[span])
