"""The tree over the audit records: hashes, tiles, proofs and their verification.

The tree is the Merkle tree of RFC 9162 section 2.1 with SHA-256 (the same hashes as RFC 6962).
It is kept in tiles, so that a store holds one row for up to 256 hashes instead of one for each:
hash `j` of tile `(level, index)` is the root of the complete subtree over the leaves from
`(index * 256 + j) * 256**level` on, `256**level` of them. Level 0 holds leaf hashes, and a full
tile gives one hash to the level above it. A tile only ever grows at its end, so what was read
for a smaller tree is still true in a larger one.

Two halves that trust different things: `append`, `root` and the proofs believe the tiles they
read; `verify_inclusion` and `verify_consistency` believe nothing but the roots they are given.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import reduce
from hashlib import sha256
from typing import TYPE_CHECKING, Final, Protocol

if TYPE_CHECKING:
    from collections.abc import Sequence

HASH_LENGTH: Final = 32
TILE_HEIGHT: Final = 8
TILE_WIDTH: Final = 1 << TILE_HEIGHT
TILE_BYTES: Final = TILE_WIDTH * HASH_LENGTH
EMPTY_ROOT: Final = sha256(b"").digest()


class TreeError(ValueError):
    """A position or size that the tree does not have, or a tile that lacks what it must hold."""


class ProofError(ValueError):
    """A proof that does not show what it claims to show."""


@dataclass(frozen=True, slots=True)
class TileKey:
    """The place of a tile: its level (0 holds leaf hashes) and its index within the level."""

    level: int
    index: int


class TileReader(Protocol):
    """Where tiles are read from."""

    def tile(self, level: int, index: int) -> bytes:
        """Return the hashes of a tile, 32 bytes each, concatenated.

        It may hold more hashes than the tree in question needs, never fewer, and none that a
        smaller tree did not have in the same place.
        """


def leaf_hash(data: bytes) -> bytes:
    """Return the hash of a leaf that holds `data` (RFC 9162 section 2.1.1)."""
    return sha256(b"\x00" + data).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    """Return the hash of the node above two 32-byte hashes (RFC 9162 section 2.1.1)."""
    return sha256(b"\x01" + left + right).digest()


def root(reader: TileReader, size: int) -> bytes:
    """Return the root of the first `size` leaves (RFC 9162 section 2.1.1).

    Reads one tile per level. Raises TreeError if `size` is negative or a tile is too short.
    """
    if size < 0:
        raise TreeError(f"a tree cannot have {size} leaves")
    return _Subtrees(reader).root(0, size) if size else EMPTY_ROOT


def append(reader: TileReader, size: int, leaves: Sequence[bytes]) -> dict[TileKey, bytes]:
    """Return every tile that changes when leaf hashes are appended, with its whole new content.

    `size` is the number of leaves before; only the partial tiles at the right edge are read.
    They are believed: whoever signs the new root compares `root(reader, size)` with the last
    signed one first. Raises TreeError if `size` is negative, a leaf hash is not 32 bytes long
    or a tile is too short.
    """
    if size < 0:
        raise TreeError(f"a tree cannot have {size} leaves")
    if any(len(leaf) != HASH_LENGTH for leaf in leaves):
        raise TreeError(f"a leaf hash has {HASH_LENGTH} bytes")
    return _grow(reader, size, b"".join(leaves))


def inclusion_proof(reader: TileReader, position: int, size: int) -> list[bytes]:
    """Return the proof that a leaf is in a tree (RFC 9162 section 2.1.3.1), leaf end first.

    `position` counts from 0, `size` is the number of leaves of the tree. Raises TreeError if
    the tree has no such leaf or a tile is too short.
    """
    if not 0 <= position < size:
        raise TreeError(f"a tree of {size} leaves has no leaf {position}")
    subtrees, proof = _Subtrees(reader), []
    start, end = 0, size
    while end - start > 1:
        middle = start + _left_width(end - start)
        if position < middle:
            proof.append(subtrees.root(middle, end))
            end = middle
        else:
            proof.append(subtrees.root(start, middle))
            start = middle
    return proof[::-1]


def consistency_proof(reader: TileReader, first: int, second: int) -> list[bytes]:
    """Return the proof that one tree begins with another (RFC 9162 section 2.1.4.1).

    `first` and `second` are the numbers of leaves of the two. Nothing is to be proven of the
    empty tree or of a tree and itself: then the proof is empty. Raises TreeError if `first` is
    negative or more than `second`, or a tile is too short.
    """
    if not 0 <= first <= second:
        raise TreeError(f"a tree of {second} leaves does not begin with one of {first}")
    subtrees, proof = _Subtrees(reader), []
    start, end = 0, second if first else 0
    while first != end:
        middle = start + _left_width(end - start)
        if first <= middle:
            proof.append(subtrees.root(middle, end))
            end = middle
        else:
            proof.append(subtrees.root(start, middle))
            start = middle
    if start:  # else what is left is the whole first tree, whose root the verifier has
        proof.append(subtrees.root(start, end))
    return proof[::-1]


def verify_inclusion(
    leaf: bytes, position: int, size: int, proof: Sequence[bytes], expected_root: bytes
) -> None:
    """Check that a leaf hash stands at a position of a tree (RFC 9162 section 2.1.3.2).

    `position` counts from 0, `size` and `expected_root` are the tree's. Raises ProofError if
    the proof does not show it.
    """
    if not 0 <= position < size:
        raise ProofError(f"a tree of {size} leaves has no leaf {position}")
    _require_hashes(leaf, *proof)
    # Names and steps are the RFC's: fn and sn are where the way from the leaf, and the one from
    # the last leaf, stand in the level reached; step 1 is the first check above.
    fn, sn, hashed = position, size - 1, leaf  # steps 2 and 3
    for sibling in proof:  # step 4
        if sn == 0:
            raise ProofError("the proof is too long")
        if fn & 1 or fn == sn:
            hashed = node_hash(sibling, hashed)
            fn, sn = _skip_levels_without_sibling(fn, sn)
        else:
            hashed = node_hash(hashed, sibling)
        fn, sn = fn >> 1, sn >> 1
    if sn != 0:  # step 5, first half
        raise ProofError("the proof is too short")
    if hashed != expected_root:  # step 5, second half
        raise ProofError("the proof leads to another root")


def verify_consistency(
    first: int, second: int, first_root: bytes, second_root: bytes, proof: Sequence[bytes]
) -> None:
    """Check that one tree begins with another (RFC 9162 section 2.1.4.2).

    `first` and `second` are the numbers of leaves of the two. Every tree begins with the empty
    tree, and with itself; both need an empty proof. Raises ProofError if the proof does not
    show it.
    """
    if not 0 <= first <= second:
        raise ProofError(f"a tree of {second} leaves does not begin with one of {first}")
    if first in (0, second):
        expected = second_root if first else EMPTY_ROOT
        if proof or first_root != expected:
            raise ProofError("the proof or the root of the first tree is not what it must be")
        return
    if not proof:  # step 1
        raise ProofError("the proof is too short")
    _require_hashes(first_root, *proof)
    roots = _consistent_roots(first, second, first_root, proof)
    if roots != (first_root, second_root):  # step 7, second half
        raise ProofError("the proof leads to other roots")


class RootBuilder:
    """Builds a tree from its leaf hashes in order, keeping one tile per level.

    For going through a whole log: memory does not grow with the log, and `add_tile` gives the
    tiles as they must be, to compare with the ones a store holds.
    """

    def __init__(self) -> None:
        self._size = 0
        self._edge: dict[int, bytes] = {}
        self._loose: list[bytes] = []

    @property
    def size(self) -> int:
        """The number of leaves added so far."""
        return self._size + len(self._loose)

    def tile(self, level: int, index: int) -> bytes:  # noqa: ARG002 - TileReader's; only the right edge is ever asked for
        """Return the tile of a level at the right edge of the tree."""
        return self._edge[level]

    def add(self, leaf: bytes) -> None:
        """Add one leaf hash. Raises TreeError if it is not 32 bytes long."""
        if len(leaf) != HASH_LENGTH:
            raise TreeError(f"a leaf hash has {HASH_LENGTH} bytes")
        self._loose.append(leaf)
        if len(self._loose) == TILE_WIDTH:
            self._settle()

    def add_tile(self, hashes: bytes) -> dict[TileKey, bytes]:
        """Add leaf hashes, 32 bytes each, concatenated, and return the tiles that they change.

        Adding 256 at a time from the first leaf on gives each tile of level 0 once, with the
        tiles above it whenever they gain a hash. Raises TreeError if `hashes` is not a whole
        number of hashes.
        """
        if len(hashes) % HASH_LENGTH:
            raise TreeError(f"a leaf hash has {HASH_LENGTH} bytes")
        self._settle()
        return self._extend(hashes)

    def root(self) -> bytes:
        """Return the root of the leaves added so far; more may be added after it."""
        self._settle()
        return root(self, self._size)

    def _settle(self) -> None:
        self._extend(b"".join(self._loose))
        self._loose.clear()

    def _extend(self, hashes: bytes) -> dict[TileKey, bytes]:
        changed = _grow(self, self._size, hashes)
        self._edge.update((key.level, content) for key, content in changed.items())
        self._size += len(hashes) // HASH_LENGTH
        return changed


class _Subtrees:
    """Roots of subtrees out of tiles, for one question: each tile is read once."""

    def __init__(self, reader: TileReader) -> None:
        self._reader = reader
        self._tiles: dict[tuple[int, int], bytes] = {}

    def root(self, start: int, end: int) -> bytes:
        """Return MTH(D[start:end]), where RFC 9162 splits a tree at `start` or it is 0."""
        complete = []
        while start < end:
            height = (end - start).bit_length() - 1
            complete.append(self._complete(height, start >> height))
            start += 1 << height
        return reduce(lambda right, left: node_hash(left, right), reversed(complete))

    def _complete(self, height: int, index: int) -> bytes:
        level, within = divmod(height, TILE_HEIGHT)
        tile, offset = divmod(index << within, TILE_WIDTH)
        return _fold(self._hashes(level, tile, offset, offset + (1 << within)))

    def _hashes(self, level: int, index: int, start: int, end: int) -> bytes:
        key = (level, index)
        if key not in self._tiles:
            self._tiles[key] = self._reader.tile(level, index)
        return _take(self._tiles[key], start, end, TileKey(level, index))


def _take(content: bytes, start: int, end: int, key: TileKey) -> bytes:
    if len(content) < end * HASH_LENGTH:
        raise TreeError(f"{key} is {len(content)} bytes long and must hold {end} hashes")
    return content[start * HASH_LENGTH : end * HASH_LENGTH]


def _fold(hashes: bytes) -> bytes:
    """Return the root over a power of two of hashes; on whole levels, as it is the hot loop."""
    while len(hashes) > HASH_LENGTH:
        pairs = range(0, len(hashes), 2 * HASH_LENGTH)
        hashes = b"".join([sha256(b"\x01" + hashes[i : i + 64]).digest() for i in pairs])
    return hashes


def _grow(reader: TileReader, size: int, hashes: bytes) -> dict[TileKey, bytes]:
    changed: dict[TileKey, bytes] = {}
    level = 0
    while hashes:
        first, partial = divmod(size, TILE_WIDTH)
        if partial:
            before = reader.tile(level, first)
            hashes = _take(before, 0, partial, TileKey(level, first)) + hashes
        tiles = [hashes[i : i + TILE_BYTES] for i in range(0, len(hashes), TILE_BYTES)]
        changed.update((TileKey(level, first + i), content) for i, content in enumerate(tiles))
        hashes = b"".join([_fold(content) for content in tiles if len(content) == TILE_BYTES])
        level, size = level + 1, first
    return changed


def _left_width(width: int) -> int:
    """Return the largest power of two smaller than `width`: where RFC 9162 splits a tree."""
    return 1 << (width - 1).bit_length() - 1


def _require_hashes(*hashes: bytes) -> None:
    # A hash of another length could shift bytes between the two sides of a node.
    if any(len(item) != HASH_LENGTH for item in hashes):
        raise ProofError(f"every hash of a proof has {HASH_LENGTH} bytes")


def _skip_levels_without_sibling(fn: int, sn: int) -> tuple[int, int]:
    while fn and not fn & 1:
        fn, sn = fn >> 1, sn >> 1
    return fn, sn


def _consistent_roots(
    first: int, second: int, first_root: bytes, proof: Sequence[bytes]
) -> tuple[bytes, bytes]:
    """Return the roots of both trees that a proof leads to (RFC 9162 2.1.4.2, steps 2 to 7)."""
    whole = first & (first - 1) == 0  # a power of two: the first tree is a subtree of the second
    seed, *siblings = [first_root, *proof] if whole else proof  # step 2
    fn, sn = first - 1, second - 1  # step 3
    while fn & 1:  # step 4
        fn, sn = fn >> 1, sn >> 1
    fr = sr = seed  # step 5
    for sibling in siblings:  # step 6
        if sn == 0:
            raise ProofError("the proof is too long")
        if fn & 1 or fn == sn:
            fr, sr = node_hash(sibling, fr), node_hash(sibling, sr)
            fn, sn = _skip_levels_without_sibling(fn, sn)
        else:
            sr = node_hash(sr, sibling)
        fn, sn = fn >> 1, sn >> 1
    if sn != 0:  # step 7, first half
        raise ProofError("the proof is too short")
    return fr, sr
