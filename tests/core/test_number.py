"""Pass numbers: every slip and neighbour swap is found, and people are told what is wrong."""

from __future__ import annotations

import random
from itertools import pairwise, product

import pytest
from hypothesis import given
from hypothesis import strategies as st
from stdnum.iso7064 import mod_37_2

from passdesk.core import number
from passdesk.core.number import ALPHABET, PassNumberError

PAYLOADS = st.integers(0, number.NUMBERS - 1)
SAMPLE = [random.Random(31).randrange(number.NUMBERS) for _ in range(400)]  # noqa: S311 - no secret


def single_slips(text: str, alphabet: str) -> list[str]:
    return [
        text[:at] + character + text[at + 1 :]
        for at, character in product(range(len(text)), alphabet)
        if character != text[at]
    ]


def neighbour_swaps(text: str) -> list[str]:
    return [
        text[:at] + text[at + 1] + text[at] + text[at + 2 :]
        for at, (left, right) in enumerate(pairwise(text))
        if left != right
    ]


def is_pass_number(text: str) -> bool:
    try:
        number.parse(text)
    except PassNumberError:
        return False
    return True


def test_the_alphabet_has_31_characters_and_no_look_alikes() -> None:
    assert len(set(ALPHABET)) == 31
    assert not set("01ILO") & set(ALPHABET)


def test_every_single_slip_is_found() -> None:
    for payload in SAMPLE:
        slips = single_slips(number.make(payload), ALPHABET)
        assert len(slips) == 8 * 30
        assert not any(is_pass_number(slip) for slip in slips)


def test_every_swap_of_neighbours_is_found() -> None:
    for payload in SAMPLE:
        assert not any(is_pass_number(swap) for swap in neighbour_swaps(number.make(payload)))


def test_every_pair_of_neighbours_is_told_from_its_swap_at_every_place() -> None:
    # All 31 x 31 pairs at all seven places, the check character's included.
    for at, left, right in product(range(7), ALPHABET, ALPHABET):
        characters = list("2" * 8)
        characters[at : at + 2] = left, right
        swapped = list(characters)
        swapped[at : at + 2] = right, left
        remainders = {number._weighted_sum("".join(order)) % 31 for order in (characters, swapped)}
        assert len(remainders) == (1 if left == right else 2)


def test_the_method_is_that_of_iso_7064() -> None:
    # ISO/IEC 7064 MOD 37-2 as in python-stdnum: a pure system, whose weighted sum must be 1 modulo
    # a prime. Held to the tests above it finds all slips and swaps too, as ours does with 31 and 0.
    for payload in SAMPLE[:50]:
        body = number.make(payload)[:7]
        text = body + mod_37_2.calc_check_digit(body)
        others = single_slips(text, mod_37_2_alphabet(text)) + neighbour_swaps(text)
        assert mod_37_2.is_valid(text)
        assert not any(mod_37_2.is_valid(other) for other in others)


def mod_37_2_alphabet(text: str) -> str:
    return "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ" + ("*" if text.endswith("*") else "")


def test_the_exact_numbers() -> None:
    # Pinned, since numbers are written on badges. The sum by hand for 1: 2 x 1 = 2, so the check
    # value is 29, the character Y.
    assert number.make(0) == "22222222"
    assert number.make(1) == "2222223Y"
    assert number.make(31**6) == "3222222S"
    assert number.make(number.NUMBERS - 1) == "ZZZZZZZ6"


def test_there_are_31_to_the_seventh_power_of_them() -> None:
    assert number.NUMBERS == 27_512_614_111


@given(PAYLOADS)
def test_a_number_is_eight_characters_and_parses_to_itself(payload: int) -> None:
    text = number.make(payload)
    assert len(text) == 8
    assert number.parse(text) == text


@given(PAYLOADS, PAYLOADS)
def test_different_payloads_have_different_numbers(one: int, other: int) -> None:
    assert (number.make(one) == number.make(other)) == (one == other)


@given(PAYLOADS)
def test_people_may_write_it_as_they_like(payload: int) -> None:
    text = number.make(payload)
    shown = number.display(text)
    assert shown == f"{text[:4]}-{text[4:]}"
    for written in (shown, shown.lower(), f" {text[:4]} {text[4:]} ", "-".join(text)):
        assert number.parse(written) == text


@pytest.mark.parametrize("payload", [-1, number.NUMBERS])
def test_a_payload_out_of_bounds_is_refused(payload: int) -> None:
    with pytest.raises(ValueError, match="from 0 to 27512614110"):
        number.make(payload)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "has 8 characters, this has 0"),
        ("2222-222", "has 8 characters, this has 7"),
        ("2222-2222-2", "has 8 characters, this has 9"),
        ("2222-2220", "no '0'. It never uses 0, 1, I, L or O"),
        ("O222-2222", "no 'O'"),
        ("2222_2222", "no '_'"),
        ("2222\n2222", r"no '\n'"),
        ("222-2222-\u017f", "no '\u017f'"),  # a long s, which becomes S as a capital letter
        ("2222\u20112222", "no '\u2011'"),
        ("2222-2223", "One character is wrong or two are swapped"),
        ("2222-22Y3", "One character is wrong or two are swapped"),
    ],
)
def test_what_is_wrong_is_said(text: str, message: str) -> None:
    with pytest.raises(PassNumberError) as caught:
        number.parse(text)
    assert message in str(caught.value)


@given(st.text(max_size=20))
def test_any_text_is_a_number_or_refused_and_nothing_else(text: str) -> None:
    assert not is_pass_number(text) or number.parse(text).isascii()


def test_about_one_in_31_random_texts_is_a_number() -> None:
    draw = random.Random(2)  # noqa: S311 - no secret
    texts = ["".join(draw.choices(ALPHABET, k=8)) for _ in range(31_000)]
    assert 900 < sum(map(is_pass_number, texts)) < 1100
