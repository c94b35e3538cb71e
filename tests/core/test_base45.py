"""Base45: the examples of RFC 9285, the `base45` package as a second implementation, the rules."""

from __future__ import annotations

import base45 as other_base45
import pytest
from hypothesis import given
from hypothesis import strategies as st

from passdesk.core import base45
from passdesk.core.base45 import Base45Error

# RFC 9285 sections 4.3 (encoding) and 4.4 (decoding).
RFC_EXAMPLES = [
    (b"AB", "BB8"),
    (b"Hello!!", "%69 VD92EX0"),
    (b"base-45", "UJCLQE7W581"),
    (b"ietf!", "QED8WEX0"),
]


@pytest.mark.parametrize(("data", "text"), RFC_EXAMPLES)
def test_the_examples_of_the_standard_hold_both_ways(data: bytes, text: str) -> None:
    assert base45.encode(data) == text
    assert base45.decode(text) == data


def test_the_alphabet_is_that_of_the_standard() -> None:
    # RFC 9285 section 4.2, table 1: value 10 is A, 35 is Z, 36 is space, 44 is the colon.
    values = {"0": 0, "9": 9, "A": 10, "Z": 35, " ": 36, "$": 37, "%": 38, "*": 39, "+": 40}
    values |= {"-": 41, ".": 42, "/": 43, ":": 44}
    assert {character: base45.ALPHABET.index(character) for character in values} == values
    assert len(set(base45.ALPHABET)) == 45


@given(st.binary(max_size=200))
def test_another_implementation_writes_and_reads_the_same(data: bytes) -> None:
    # The `base45` package from the registry.
    text = base45.encode(data)
    assert text == other_base45.b45encode(data).decode()
    assert base45.decode(text) == other_base45.b45decode(text) == data


@pytest.mark.parametrize(
    "text",
    [
        # RFC 9285 section 6: 65536 ("GGW") must be refused; 65535 is "FGW".
        pytest.param("GGW", id="three characters above two bytes"),
        pytest.param(":::", id="the largest three characters"),
        pytest.param("FGWGGW", id="the second group above two bytes"),
        pytest.param("::", id="the largest two characters"),
        pytest.param("V5", id="two characters above one byte"),
        pytest.param("A", id="one character"),
        pytest.param("BB8A", id="one character left over"),
        pytest.param("bb8", id="lower case"),
        pytest.param("BB_", id="a character outside the alphabet"),
        pytest.param("BB\n", id="a line end"),
        pytest.param("BB\0", id="a zero"),
        pytest.param("BB\x7f", id="the last of ASCII"),
        pytest.param("BBÄ", id="a letter outside ASCII"),
        pytest.param("BB\u0661", id="a digit outside ASCII"),
        pytest.param("BB\ud800", id="half a character"),
    ],
)
def test_what_no_bytes_encode_to_is_refused(text: str) -> None:
    with pytest.raises(Base45Error):
        base45.decode(text)


def test_the_largest_groups_that_fit_are_read() -> None:
    assert base45.decode("FGW") == b"\xff\xff"
    assert base45.decode("U5") == b"\xff"


def test_nothing_is_nothing() -> None:
    assert base45.encode(b"") == ""
    assert base45.decode("") == b""


@given(st.text(alphabet=base45.ALPHABET, max_size=12))
def test_a_text_that_decodes_is_the_only_text_of_its_bytes(text: str) -> None:
    try:
        data = base45.decode(text)
    except Base45Error:
        return
    assert base45.encode(data) == text


@given(st.text(max_size=50))
def test_any_text_is_read_or_refused_and_nothing_else(text: str) -> None:
    try:
        data = base45.decode(text)
    except Base45Error:
        return
    assert base45.encode(data) == text
