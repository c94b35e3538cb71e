"""The record tree against published values, an independent implementation and the definition."""

from __future__ import annotations

from functools import cache
from hashlib import sha256
from typing import TYPE_CHECKING

import pymerkle
import pytest
from hypothesis import given
from hypothesis import strategies as st

from passdesk.core import merkle
from passdesk.core.merkle import EMPTY_ROOT, ProofError, RootBuilder, TileKey, TreeError

if TYPE_CHECKING:
    from collections.abc import Sequence

# Leaves and roots of the Certificate Transparency reference trees, as published with the
# transparency-dev/merkle project (testonly/constants.go).
REFERENCE_LEAVES = [
    bytes.fromhex(leaf)
    for leaf in (
        "",
        "00",
        "10",
        "2021",
        "3031",
        "40414243",
        "5051525354555657",
        "606162636465666768696a6b6c6d6e6f",
    )
]
REFERENCE_ROOTS = [
    "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
]

LARGEST = 600
SIZES = st.integers(1, LARGEST)


class Tiles(dict[TileKey, bytes]):
    """A store of tiles in memory that notes which of them were read."""

    def __init__(self) -> None:
        super().__init__()
        self.read: list[TileKey] = []

    def tile(self, level: int, index: int) -> bytes:
        self.read.append(TileKey(level, index))
        return self[TileKey(level, index)]


def hashes(count: int) -> list[bytes]:
    return [merkle.leaf_hash(number.to_bytes(4, "big")) for number in range(count)]


def grown(leaves: Sequence[bytes]) -> Tiles:
    tiles = Tiles()
    tiles.update(merkle.append(tiles, 0, leaves))
    return tiles


LEAVES = tuple(hashes(LARGEST))
TILES = grown(LEAVES)


# The definitions of RFC 9162 sections 2.1.1, 2.1.3.1 and 2.1.4.1, word for word: over leaf
# hashes, as the range [start, end) of LEAVES.


def split(width: int) -> int:
    k = 1
    while 2 * k < width:
        k *= 2
    return k


@cache
def mth(start: int, end: int) -> bytes:
    if end - start == 1:
        return LEAVES[start]
    k = split(end - start)
    return sha256(b"\x01" + mth(start, start + k) + mth(start + k, end)).digest()


def path(m: int, start: int, end: int) -> list[bytes]:
    if end - start == 1:
        return []
    k = split(end - start)
    if m < k:
        return [*path(m, start, start + k), mth(start + k, end)]
    return [*path(m - k, start + k, end), mth(start, start + k)]


def subproof(m: int, start: int, end: int, *, known: bool) -> list[bytes]:
    if m == end - start:
        return [] if known else [mth(start, end)]
    k = split(end - start)
    if m <= k:
        return [*subproof(m, start, start + k, known=known), mth(start + k, end)]
    return [*subproof(m - k, start + k, end, known=False), mth(start, start + k)]


# Published values


def test_the_empty_tree_has_the_hash_of_nothing() -> None:
    # RFC 9162 section 2.1.1: SHA-256 of the empty string.
    assert EMPTY_ROOT.hex() == REFERENCE_ROOTS[0]
    assert merkle.root(Tiles(), 0) == RootBuilder().root() == EMPTY_ROOT


@pytest.mark.parametrize("size", range(9))
def test_roots_are_those_of_the_reference_trees(size: int) -> None:
    tiles = grown([merkle.leaf_hash(leaf) for leaf in REFERENCE_LEAVES])
    assert merkle.root(tiles, size).hex() == REFERENCE_ROOTS[size]


# The seven-leaf example of RFC 6962 section 2.1.3 by the names of its nodes: leaves a to g,
# h = a b, i = c d, j = e f, k = h i, l = j g.
SEVEN = dict(zip("abcdefg", LEAVES, strict=False))
for above, below in {"h": "ab", "i": "cd", "j": "ef", "k": "hi", "l": "jg"}.items():
    SEVEN[above] = merkle.node_hash(*(SEVEN[name] for name in below))


@pytest.mark.parametrize(
    ("position", "nodes"), [(0, "bil"), (3, "chl"), (4, "fgk"), (6, "jk")], ids=lambda x: f"{x}"
)
def test_inclusion_in_the_seven_leaf_example(position: int, nodes: str) -> None:
    assert merkle.inclusion_proof(TILES, position, 7) == [SEVEN[name] for name in nodes]


@pytest.mark.parametrize(
    ("first", "nodes"), [(3, "cdhl"), (4, "l"), (6, "jgk")], ids=lambda x: f"{x}"
)
def test_consistency_in_the_seven_leaf_example(first: int, nodes: str) -> None:
    assert merkle.consistency_proof(TILES, first, 7) == [SEVEN[name] for name in nodes]


def test_tiles_of_seventy_thousand_leaves_are_as_published() -> None:
    # The example of C2SP tlog-tiles, 'Partial Tiles': 273 full tiles and one of 112 hashes at
    # level 0, one full and one of 17 at level 1, one of 1 at level 2.
    tiles = grown([LEAVES[0]] * 70_000)
    widths = {(key.level, key.index): len(content) // 32 for key, content in tiles.items()}
    assert widths == {
        **dict.fromkeys(((0, index) for index in range(273)), 256),
        (0, 273): 112,
        (1, 0): 256,
        (1, 1): 17,
        (2, 0): 1,
    }


# An independent implementation: pymerkle (SHA-256 with the prefixes of RFC 9162 is its default).


@pytest.fixture(scope="module")
def independent() -> pymerkle.InmemoryTree:
    return pymerkle.InmemoryTree.init_from_entries(
        [number.to_bytes(4, "big") for number in range(300)]
    )


@pytest.mark.parametrize("size", range(1, 301))
def test_roots_and_proofs_agree_with_an_independent_tree(
    size: int, independent: pymerkle.InmemoryTree
) -> None:
    assert merkle.root(TILES, size) == independent.get_root(size)
    for place in {0, size // 5, size // 2, (size - 1) & ~7, size - 1}:
        theirs = independent.prove_inclusion(place + 1, size)
        assert [LEAVES[place], *merkle.inclusion_proof(TILES, place, size)] == theirs.path
        # Its consistency proofs have a form of their own, so they are held against our roots.
        first = place + 1
        pymerkle.verify_consistency(
            merkle.root(TILES, first),
            merkle.root(TILES, size),
            independent.prove_consistency(first, size),
            first,
            size,
        )


@given(size=SIZES, data=st.data())
def test_roots_and_proofs_are_those_of_the_definition(size: int, data: st.DataObject) -> None:
    assert merkle.root(TILES, size) == mth(0, size)
    position = data.draw(st.integers(0, size - 1))
    assert merkle.inclusion_proof(TILES, position, size) == path(position, 0, size)
    first = data.draw(st.integers(1, size))
    expected = subproof(first, 0, size, known=True)
    assert merkle.consistency_proof(TILES, first, size) == expected


# Appending


@given(st.lists(st.integers(0, 300), max_size=6))
def test_any_way_to_split_the_appending_gives_the_same_tiles(steps: list[int]) -> None:
    tiles, size = Tiles(), 0
    for step in steps:
        leaves = LEAVES[size : size + step]
        tiles.update(merkle.append(tiles, size, leaves))
        size += len(leaves)
    assert tiles == grown(LEAVES[:size])
    assert merkle.root(tiles, size) == (mth(0, size) if size else EMPTY_ROOT)


@pytest.mark.parametrize(
    ("size", "read"),
    [
        (256, [TileKey(1, 0)]),
        (257, [TileKey(0, 1)]),
        (511, [TileKey(0, 1), TileKey(1, 0)]),
        (65_535, [TileKey(0, 255), TileKey(1, 0)]),
        (65_536, []),
    ],
)
def test_appending_reads_the_right_edge_and_no_more(size: int, read: list[TileKey]) -> None:
    tiles = Tiles()
    tiles.update(dict.fromkeys(read, LEAVES[0] * 255))
    merkle.append(tiles, size, [LEAVES[1]] * (256 if size % 256 == 0 else 1))
    assert tiles.read == read


def test_appending_gives_whole_tiles_that_begin_as_before() -> None:
    before = grown(LEAVES[:300])
    changed = merkle.append(before, 300, LEAVES[300:303])
    assert changed == {TileKey(0, 1): b"".join(LEAVES[256:303])}


def test_appending_nothing_changes_nothing() -> None:
    assert merkle.append(TILES, 300, []) == {}


def test_a_tile_that_has_grown_still_answers_for_the_smaller_tree() -> None:
    for size in (1, 255, 256, 257):
        assert merkle.root(TILES, size) == merkle.root(grown(LEAVES[:size]), size)


# What cannot be asked, and what a store must not have lost


@pytest.mark.parametrize("leaf", [b"", LEAVES[0][:31], LEAVES[0] + b"\x00"], ids=len)
def test_what_is_no_hash_is_not_appended(leaf: bytes) -> None:
    with pytest.raises(TreeError, match="32 bytes"):
        merkle.append(Tiles(), 0, [LEAVES[0], leaf])
    with pytest.raises(TreeError, match="32 bytes"):
        RootBuilder().add(leaf)


def test_what_is_not_whole_hashes_is_no_tile() -> None:
    with pytest.raises(TreeError, match="32 bytes"):
        RootBuilder().add_tile(LEAVES[0] + LEAVES[1][:-1])


def test_a_tree_of_less_than_nothing_is_refused() -> None:
    with pytest.raises(TreeError, match="-1 leaves"):
        merkle.append(Tiles(), -1, [])
    with pytest.raises(TreeError, match="-1 leaves"):
        merkle.root(Tiles(), -1)


@pytest.mark.parametrize(("position", "size"), [(-1, 5), (5, 5), (0, 0)])
def test_a_leaf_that_the_tree_does_not_have_cannot_be_proven(position: int, size: int) -> None:
    with pytest.raises(TreeError, match=f"no leaf {position}"):
        merkle.inclusion_proof(TILES, position, size)
    with pytest.raises(ProofError, match=f"no leaf {position}"):
        merkle.verify_inclusion(LEAVES[0], position, size, [], LEAVES[0])


@pytest.mark.parametrize(("first", "second"), [(-1, 5), (6, 5)])
def test_a_tree_does_not_begin_with_a_larger_one(first: int, second: int) -> None:
    with pytest.raises(TreeError, match=f"begin with one of {first}"):
        merkle.consistency_proof(TILES, first, second)
    with pytest.raises(ProofError, match=f"begin with one of {first}"):
        merkle.verify_consistency(first, second, EMPTY_ROOT, EMPTY_ROOT, [])


def test_a_store_that_lost_hashes_is_found_out_by_name() -> None:
    tiles = grown(LEAVES[:300])
    tiles[TileKey(0, 1)] = tiles[TileKey(0, 1)][:-1]
    with pytest.raises(TreeError, match=r"level=0, index=1.*must hold 44 hashes"):
        merkle.root(tiles, 300)
    with pytest.raises(TreeError, match=r"level=0, index=1.*must hold 44 hashes"):
        merkle.append(tiles, 300, [LEAVES[300]])


# Verifying


@given(size=SIZES, data=st.data())
def test_every_leaf_is_proven_and_only_at_its_place(size: int, data: st.DataObject) -> None:
    position = data.draw(st.integers(0, size - 1))
    proof = merkle.inclusion_proof(TILES, position, size)
    merkle.verify_inclusion(LEAVES[position], position, size, proof, mth(0, size))
    elsewhere = data.draw(st.integers(0, size).filter(lambda place: place != position))
    with pytest.raises(ProofError):
        merkle.verify_inclusion(LEAVES[position], elsewhere, size, proof, mth(0, size))


@given(second=SIZES, data=st.data())
def test_every_earlier_tree_is_proven(second: int, data: st.DataObject) -> None:
    first = data.draw(st.integers(1, second))
    proof = merkle.consistency_proof(TILES, first, second)
    merkle.verify_consistency(first, second, mth(0, first), mth(0, second), proof)


def flipped(value: bytes, bit: int) -> bytes:
    return (int.from_bytes(value, "big") ^ 1 << bit).to_bytes(len(value), "big")


BITS = st.integers(0, 255)


@given(size=st.integers(2, LARGEST), bit=BITS, data=st.data())
def test_no_bit_of_an_inclusion_proof_can_be_changed(
    size: int, bit: int, data: st.DataObject
) -> None:
    position = data.draw(st.integers(0, size - 1))
    given_values = [
        LEAVES[position],
        mth(0, size),
        *merkle.inclusion_proof(TILES, position, size),
    ]
    place = data.draw(st.integers(0, len(given_values) - 1))
    given_values[place] = flipped(given_values[place], bit)
    leaf, root, *proof = given_values
    with pytest.raises(ProofError):
        merkle.verify_inclusion(leaf, position, size, proof, root)


@given(second=st.integers(2, LARGEST), bit=BITS, data=st.data())
def test_no_bit_of_a_consistency_proof_can_be_changed(
    second: int, bit: int, data: st.DataObject
) -> None:
    first = data.draw(st.integers(1, second - 1))
    given_values = [
        mth(0, first),
        mth(0, second),
        *merkle.consistency_proof(TILES, first, second),
    ]
    place = data.draw(st.integers(0, len(given_values) - 1))
    given_values[place] = flipped(given_values[place], bit)
    first_root, second_root, *proof = given_values
    with pytest.raises(ProofError):
        merkle.verify_consistency(first, second, first_root, second_root, proof)


@given(size=st.integers(2, LARGEST), data=st.data())
def test_no_hash_of_a_proof_can_be_left_out_or_added(size: int, data: st.DataObject) -> None:
    place = data.draw(st.integers(1, size - 1))
    included = merkle.inclusion_proof(TILES, place, size)
    consistent = merkle.consistency_proof(TILES, place, size)
    for altered in (included[:-1], included[1:], [*included, LEAVES[0]]):
        with pytest.raises(ProofError):
            merkle.verify_inclusion(LEAVES[place], place, size, altered, mth(0, size))
    for altered in (consistent[:-1], consistent[1:], [*consistent, LEAVES[0]]):
        with pytest.raises(ProofError):
            merkle.verify_consistency(place, size, mth(0, place), mth(0, size), altered)


@given(size=st.integers(2, LARGEST), data=st.data())
def test_a_proof_for_one_size_proves_nothing_of_another(size: int, data: st.DataObject) -> None:
    # A root does not hold its tree's size, and by the RFC's algorithm some proofs hold for
    # several sizes: it is the signed checkpoint that ties the two. So each size has its root.
    place = data.draw(st.integers(1, size - 1))
    other = data.draw(st.integers(1, LARGEST).filter(lambda other: other not in {place, size}))
    included = merkle.inclusion_proof(TILES, place, size)
    with pytest.raises(ProofError):
        merkle.verify_inclusion(LEAVES[place], place, other, included, mth(0, other))
    consistent = merkle.consistency_proof(TILES, place, size)
    with pytest.raises(ProofError):
        merkle.verify_consistency(place, other, mth(0, place), mth(0, other), consistent)
    with pytest.raises(ProofError):
        merkle.verify_consistency(other, size, mth(0, other), mth(0, size), consistent)


def test_a_rewritten_record_breaks_the_promise_of_an_earlier_root() -> None:
    forged = [*LEAVES[:40], merkle.leaf_hash(b"what never happened"), *LEAVES[41:]]
    tiles = grown(forged)
    proof = merkle.consistency_proof(tiles, 100, LARGEST)
    with pytest.raises(ProofError):
        merkle.verify_consistency(100, LARGEST, mth(0, 100), merkle.root(tiles, LARGEST), proof)


@pytest.mark.parametrize("size", [0, 1, 300])
def test_a_tree_begins_with_the_empty_tree_and_with_itself(size: int) -> None:
    root = merkle.root(TILES, size)
    assert merkle.consistency_proof(TILES, 0, size) == []
    assert merkle.consistency_proof(TILES, size, size) == []
    merkle.verify_consistency(0, size, EMPTY_ROOT, root, [])
    merkle.verify_consistency(size, size, root, root, [])


@pytest.mark.parametrize(
    ("first", "first_root", "proof"),
    [
        (0, EMPTY_ROOT, [LEAVES[0]]),
        (0, LEAVES[0], []),
        (300, mth(0, 300), [LEAVES[0]]),
        (300, mth(0, 299), []),
    ],
)
def test_nothing_but_the_empty_proof_fits_where_none_is_needed(
    first: int, first_root: bytes, proof: list[bytes]
) -> None:
    with pytest.raises(ProofError):
        merkle.verify_consistency(first, 300, first_root, mth(0, 300), proof)


@pytest.mark.parametrize("first", [3, 4])
def test_no_proof_is_no_proof(first: int) -> None:
    with pytest.raises(ProofError, match="too short"):
        merkle.verify_consistency(first, 7, mth(0, first), mth(0, 7), [])


def test_the_root_of_a_part_cannot_pass_for_that_of_the_whole() -> None:
    with pytest.raises(ProofError, match="too short"):
        merkle.verify_inclusion(LEAVES[0], 0, 4, [LEAVES[1]], mth(0, 2))
    with pytest.raises(ProofError, match="too short"):
        merkle.verify_consistency(1, 4, LEAVES[0], mth(0, 2), [LEAVES[1]])


def test_the_root_of_the_whole_cannot_pass_for_that_of_a_part() -> None:
    with pytest.raises(ProofError, match="too long"):
        merkle.verify_inclusion(LEAVES[1], 0, 1, [LEAVES[0]], mth(0, 2))
    with pytest.raises(ProofError, match="too long"):
        merkle.verify_consistency(1, 2, LEAVES[0], mth(0, 4), [LEAVES[1], mth(2, 4)])


def test_two_hashes_cannot_pass_for_one() -> None:
    # With lengths unchecked, an empty 'leaf' beside both halves of a node hashes to that node.
    with pytest.raises(ProofError, match="32 bytes"):
        merkle.verify_inclusion(b"", 1, 2, [LEAVES[0] + LEAVES[1]], mth(0, 2))
    with pytest.raises(ProofError, match="32 bytes"):
        merkle.verify_consistency(1, 2, b"", mth(0, 2), [LEAVES[0] + LEAVES[1]])


# A log of ten million records


class Uniform:
    """Tiles, made when asked for, of a tree whose leaves are all the same."""

    def __init__(self, size: int) -> None:
        self.size = size
        self.reads = 0
        self.complete = [LEAVES[0]]
        while len(self.complete) <= size.bit_length():
            self.complete.append(merkle.node_hash(self.complete[-1], self.complete[-1]))

    def tile(self, level: int, index: int) -> bytes:
        self.reads += 1
        width = min(256, (self.size >> 8 * level) - 256 * index)
        return self.complete[8 * level] * width

    def root(self, size: int) -> bytes:
        """Follow the definition; every complete subtree of one height is the same."""
        if size & (size - 1) == 0:
            return self.complete[size.bit_length() - 1]
        k = split(size)
        return sha256(b"\x01" + self.root(k) + self.root(size - k)).digest()


@pytest.mark.parametrize("place", [1, 255, 256, 65_536, 5_000_000, 8_388_608, 9_999_935, 9_999_999])
def test_a_question_to_ten_million_records_reads_few_tiles(place: int) -> None:
    tiles = Uniform(10_000_000)
    root = merkle.root(tiles, tiles.size)
    assert tiles.reads == 3  # one for each level
    assert root == tiles.root(tiles.size)
    included = merkle.inclusion_proof(tiles, place, tiles.size)
    assert tiles.reads <= 3 + 6
    merkle.verify_inclusion(LEAVES[0], place, tiles.size, included, root)
    consistent = merkle.consistency_proof(tiles, place, tiles.size)
    assert tiles.reads <= 3 + 6 + 6
    merkle.verify_consistency(place, tiles.size, tiles.root(place), root, consistent)


# The builder


@given(st.lists(st.tuples(st.booleans(), st.integers(0, 300)), max_size=5))
def test_leaves_and_tiles_may_be_added_in_any_mixture(steps: list[tuple[bool, int]]) -> None:
    builder, size = RootBuilder(), 0
    for singly, step in steps:
        leaves = LEAVES[size : size + step]
        if singly:
            for leaf in leaves:
                builder.add(leaf)
        else:
            builder.add_tile(b"".join(leaves))
        size += len(leaves)
        assert builder.size == size
        if step % 2:  # asking in between changes nothing
            assert builder.root() == merkle.root(TILES, size)
    assert builder.root() == merkle.root(TILES, size)


def test_the_builder_gives_every_tile_that_the_store_must_hold() -> None:
    leaves = hashes(66_000)
    builder, given_tiles = RootBuilder(), Tiles()
    for start in range(0, len(leaves), 256):
        given_tiles.update(builder.add_tile(b"".join(leaves[start : start + 256])))
    assert given_tiles == grown(leaves)
    assert builder.root() == merkle.root(given_tiles, len(leaves))


def test_the_builder_keeps_one_tile_for_each_level() -> None:
    builder = RootBuilder()
    for leaf in hashes(66_000):
        builder.add(leaf)
    assert len(builder._loose) < 256
    assert sorted(builder._edge) == [0, 1, 2]
