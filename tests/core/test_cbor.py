"""Deterministic CBOR: the examples of RFC 8949, what must not get through, the rules."""

from __future__ import annotations

import struct
from enum import IntEnum, IntFlag, StrEnum

import cbor2
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from passdesk.core import cbor
from passdesk.core.cbor import CborError

# RFC 8949 appendix A, table 6: every example of a type that is used here.
RFC_EXAMPLES: list[tuple[cbor.Value, str]] = [
    (0, "00"),
    (1, "01"),
    (10, "0a"),
    (23, "17"),
    (24, "1818"),
    (25, "1819"),
    (100, "1864"),
    (1000, "1903e8"),
    (1000000, "1a000f4240"),
    (1000000000000, "1b000000e8d4a51000"),
    (18446744073709551615, "1bffffffffffffffff"),
    (-18446744073709551616, "3bffffffffffffffff"),
    (-1, "20"),
    (-10, "29"),
    (-100, "3863"),
    (-1000, "3903e7"),
    (False, "f4"),
    (True, "f5"),
    (None, "f6"),
    (b"", "40"),
    (b"\x01\x02\x03\x04", "4401020304"),
    ("", "60"),
    ("a", "6161"),
    ("IETF", "6449455446"),
    ('"\\', "62225c"),
    ("\u00fc", "62c3bc"),
    ("\u6c34", "63e6b0b4"),
    ("\U00010151", "64f0908591"),
    ([], "80"),
    ([1, 2, 3], "83010203"),
    ([1, [2, 3], [4, 5]], "8301820203820405"),
    (list(range(1, 26)), "98190102030405060708090a0b0c0d0e0f101112131415161718181819"),
    ({}, "a0"),
    ({1: 2, 3: 4}, "a201020304"),
    ({"a": 1, "b": [2, 3]}, "a26161016162820203"),
    (["a", {"b": "c"}], "826161a161626163"),
    (
        {"a": "A", "b": "B", "c": "C", "d": "D", "e": "E"},
        "a56161614161626142616361436164614461656145",
    ),
]

# The same table: what is well-formed but of a type that is not used here.
RFC_EXAMPLES_REFUSED = {
    "bignum": "c249010000000000000000",
    "negative bignum": "c349010000000000000000",
    "half float": "f93c00",
    "single float": "fa47c35000",
    "double float": "fb3ff199999999999a",
    "infinity": "f97c00",
    "not a number": "f97e00",
    "undefined": "f7",
    "simple(16)": "f0",
    "simple(255)": "f8ff",
    "date and time as text": "c074323031332d30332d32315432303a30343a30305a",
    "date and time as number": "c11a514b67b0",
    "base16 expected": "d74401020304",
    "embedded CBOR": "d818456449455446",
    "URI": "d82076687474703a2f2f7777772e6578616d706c652e636f6d",
    "indefinite byte string": "5f42010243030405ff",
    "indefinite text string": "7f657374726561646d696e67ff",
    "indefinite array": "9f018202039f0405ffff",
    "indefinite map": "bf61610161629f0203ffff",
}

KEYS = st.integers(-(2**64), 2**64 - 1) | st.binary(max_size=8) | st.text(max_size=8)
ATOMS = KEYS | st.booleans() | st.none()
VALUES = st.recursive(
    ATOMS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(KEYS, inner, max_size=4),
    max_leaves=10,
)


@pytest.mark.parametrize(("value", "encoded"), RFC_EXAMPLES)
def test_the_examples_of_the_standard_hold_both_ways(value: cbor.Value, encoded: str) -> None:
    assert cbor.encode(value).hex() == encoded
    assert cbor.decode(bytes.fromhex(encoded)) == value


def test_map_keys_are_ordered_by_their_bytes() -> None:
    # RFC 8949 section 4.2.1: 10, 100, -1, "z", "aa", [100], [-1], false, in this order (arrays are
    # no keys here). The older order, shorter first, puts -1 before 100 and false before "z".
    keys: list[cbor.Key] = [10, 100, -1, "z", "aa", False]
    backwards = dict.fromkeys(reversed(keys), 0)
    assert (
        cbor.encode(backwards).hex()
        == "a60a00" + "186400" + "2000" + "617a00" + "62616100" + "f400"
    )
    assert cbor.encode(backwards) != cbor2.dumps(backwards, canonical=True)


@pytest.mark.parametrize("encoded", RFC_EXAMPLES_REFUSED.values(), ids=list(RFC_EXAMPLES_REFUSED))
def test_types_that_are_not_used_are_refused(encoded: str) -> None:
    cbor2.loads(bytes.fromhex(encoded))  # well-formed: it is not for that reason
    with pytest.raises(CborError):
        cbor.decode(bytes.fromhex(encoded))
    with pytest.raises(CborError):
        cbor.decode(bytes.fromhex("81" + encoded))


@pytest.mark.parametrize(
    "encoded",
    [
        pytest.param("", id="nothing"),
        pytest.param("1817", id="integer longer than needed"),
        pytest.param("190017", id="integer in two bytes instead of none"),
        pytest.param("1a00000017", id="integer in four bytes instead of none"),
        pytest.param("1b0000000000000017", id="integer in eight bytes instead of none"),
        pytest.param("3800", id="negative integer longer than needed"),
        pytest.param("580141", id="byte string length longer than needed"),
        pytest.param("780161", id="text length longer than needed"),
        pytest.param("980101", id="array length longer than needed"),
        pytest.param("b8010102", id="map length longer than needed"),
        pytest.param("0000", id="bytes behind it"),
        pytest.param("a1010200", id="bytes behind a map"),
        pytest.param("a203040102", id="keys out of order"),
        pytest.param("a2200018640a", id="keys in length-first order"),
        pytest.param("a201020103", id="the same key twice"),
        pytest.param("a201020102", id="the same entry twice"),
        pytest.param("a201f4f5f4", id="keys that are equal in Python"),
        pytest.param("a1810000", id="an array as key"),
        pytest.param("a1a00000", id="a map as key"),
        pytest.param("a1f93c0000", id="a float as key"),
        pytest.param("1c", id="a reserved head"),
        pytest.param("ff", id="a break alone"),
        pytest.param("f801", id="a simple value longer than needed"),
        pytest.param("44010203", id="a byte string cut short"),
        pytest.param("830102", id="an array cut short"),
        pytest.param("5b7fffffffffffffff", id="a byte string longer than any memory"),
        pytest.param("9bffffffffffffffff", id="an array longer than any memory"),
        pytest.param("bb7fffffffffffffff", id="a map longer than any memory"),
        pytest.param("61ff", id="text that is not UTF-8"),
        pytest.param("63eda080", id="text with half a character"),
        pytest.param("62c080", id="text with an overlong zero"),
    ],
)
def test_any_other_encoding_is_refused(encoded: str) -> None:
    with pytest.raises(CborError):
        cbor.decode(bytes.fromhex(encoded))


@pytest.mark.parametrize("tag", [*range(300), 1004, 43000, 55799, 2**32, 2**64 - 1])
def test_no_tag_passes_whatever_it_tags(tag: int) -> None:
    # cbor2 decodes two dozen tags by itself, among them references that make a list hold itself.
    head = bytes([0xC0 | tag]) if tag < 24 else b"\xdb" + struct.pack(">Q", tag)
    for content in ("00", "40", "60", "80", "a0", "4101", "820001", "81d81d00"):
        with pytest.raises(CborError):
            cbor.decode(head + bytes.fromhex(content))


@pytest.mark.parametrize("depth", [1, 4, 9])
def test_arrays_and_maps_are_nested_no_deeper_than_asked(depth: int) -> None:
    deepest: cbor.Value = []
    for _ in range(depth - 1):
        deepest = {1: deepest}
    encoded = cbor.encode(deepest, max_depth=depth)
    assert cbor.decode(encoded, max_depth=depth) == deepest
    with pytest.raises(CborError):
        cbor.encode([deepest], max_depth=depth)
    with pytest.raises(CborError):
        cbor.decode(b"\x81" + encoded, max_depth=depth)


def test_four_deep_is_the_most_unless_asked_otherwise() -> None:
    assert cbor.decode(cbor.encode([{1: [[]]}])) == [{1: [[]]}]
    with pytest.raises(CborError):
        cbor.encode([{1: [[[]]]}])
    with pytest.raises(CborError):
        cbor.decode(bytes.fromhex("81a1018181" + "80"))


def test_very_deep_nesting_is_refused_rather_than_followed() -> None:
    with pytest.raises(CborError):
        cbor.decode(b"\x81" * 100_000)
    endless: list[object] = []
    endless.append(endless)
    with pytest.raises(CborError):
        cbor.encode(endless)


class Flag(IntFlag):
    """An integer that is not exactly an int."""

    ON = 1


class Number(IntEnum):
    """Another."""

    ONE = 1


class Word(StrEnum):
    """Text that is not exactly a str."""

    YES = "yes"


@pytest.mark.parametrize(
    "value",
    [
        1.0,
        2**64,
        -(2**64) - 1,
        bytearray(b"a"),
        memoryview(b"a"),
        {1, 2},
        object(),
        Flag.ON,
        Number.ONE,
        Word.YES,
        "half a character: \ud800",
        [1.5],
        {1: {2: 1.5}},
        {(1, 2): 3},
        {1.5: 2},
        {b"k": {"\ud800": 1}},
        cbor2.CBORTag(1, 0),
        cbor2.undefined,
    ],
    ids=lambda value: type(value).__name__,
)
def test_a_value_without_an_encoding_here_is_refused(value: object) -> None:
    with pytest.raises(CborError):
        cbor.encode(value)


def test_a_tuple_is_written_as_an_array() -> None:
    assert cbor.encode((1, (2, 3))) == cbor.encode([1, [2, 3]])


@given(VALUES)
def test_what_is_written_is_read_back(value: cbor.Value) -> None:
    assert cbor.decode(cbor.encode(value, max_depth=50), max_depth=50) == value


@given(VALUES)
def test_another_implementation_reads_the_same(value: cbor.Value) -> None:
    assert cbor2.loads(cbor.encode(value, max_depth=50)) == value


@given(st.dictionaries(KEYS, st.integers(0, 9), min_size=2, max_size=6), st.data())
def test_the_order_in_which_a_map_was_made_does_not_matter(
    value: dict[cbor.Key, cbor.Value], data: st.DataObject
) -> None:
    keys = data.draw(st.permutations(list(value)))
    assert cbor.encode({key: value[key] for key in keys}) == cbor.encode(value)


@given(st.binary(max_size=60))
@example(bytes.fromhex("d81c81d81d00"))
@example(bytes.fromhex("d90102" + "81" + "d81c" + "80"))
def test_any_bytes_are_read_or_refused_and_nothing_else(data: bytes) -> None:
    try:
        value = cbor.decode(data)
    except CborError:
        return
    assert cbor.encode(value) == data


@given(VALUES, st.data())
def test_one_changed_byte_gives_another_value_or_none(
    value: cbor.Value, data: st.DataObject
) -> None:
    encoded = bytearray(cbor.encode(value, max_depth=50))
    at = data.draw(st.integers(0, len(encoded) - 1))
    encoded[at] ^= data.draw(st.integers(1, 255))
    try:
        other = cbor.decode(bytes(encoded), max_depth=50)
    except CborError:
        return
    assert cbor.encode(other, max_depth=50) == encoded
