"""Pass numbers: eight characters to read out at a desk, the last of which checks the others.

The alphabet has 31 characters, none of which looks like another. 31 is prime, so a weighted sum
modulo 31 finds every single slip (no weight is a multiple of 31) and every swap of two characters
(no two weights differ by one). It is the pure system of ISO/IEC 7064 with weights of our own.

A pass number is a handle to find a pass by, never a credential at a door.
"""

from __future__ import annotations

import string

ALPHABET = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"
LENGTH = 8
NUMBERS = len(ALPHABET) ** (LENGTH - 1)
"""How many pass numbers there are: 27,512,614,111."""

_WEIGHTS = range(LENGTH, 0, -1)
_BASE = len(ALPHABET)
_HALF = LENGTH // 2
_WRITTEN_ALIKE = str.maketrans(string.ascii_lowercase, string.ascii_uppercase, " -")


class PassNumberError(ValueError):
    """The text is no pass number; the message says what is wrong with it and what to do."""


def make(payload: int) -> str:
    """Return the pass number that stands for `payload`, at least 0 and below `NUMBERS`.

    The caller chooses it at random, so that one number tells nothing about others. Raises
    ValueError for a payload out of bounds.
    """
    if not 0 <= payload < NUMBERS:
        raise ValueError(f"a pass number stands for a value from 0 to {NUMBERS - 1}")
    characters = ""
    for _ in range(LENGTH - 1):
        payload, value = divmod(payload, _BASE)
        characters = ALPHABET[value] + characters
    return characters + ALPHABET[-_weighted_sum(characters) % _BASE]


def parse(text: str) -> str:
    """Return the pass number in `text`, in capitals, without spaces and hyphens.

    Raises PassNumberError for a wrong length, for a character that no pass number has, and for
    characters that do not fit together.
    """
    number = text.translate(_WRITTEN_ALIKE)
    for character in number:
        if character not in ALPHABET:
            raise PassNumberError(
                f"A pass number has no {character!r}. It never uses 0, 1, I, L or O: look again."
            )
    if len(number) != LENGTH:
        raise PassNumberError(f"A pass number has {LENGTH} characters, this has {len(number)}.")
    if _weighted_sum(number) % _BASE:
        raise PassNumberError(
            "One character is wrong or two are swapped: read the pass number again."
        )
    return number


def display(number: str) -> str:
    """Return a pass number as people see it, in two halves: `XXXX-XXXX`."""
    return f"{number[:_HALF]}-{number[_HALF:]}"


def _weighted_sum(characters: str) -> int:
    return sum(
        weight * ALPHABET.index(character)
        for weight, character in zip(_WEIGHTS, characters, strict=False)
    )
