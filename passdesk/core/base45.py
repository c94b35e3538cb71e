"""Base45 (RFC 9285): bytes as text that a QR symbol keeps in its alphanumeric mode.

Two bytes become three characters, a last single byte becomes two. Each byte string has exactly one
text, and each text that decodes is the text of exactly one byte string.
"""

from __future__ import annotations

import struct

ALPHABET = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ $%*+-./:"

_NO_VALUE = 0xFF
_VALUES = bytes(ALPHABET.find(chr(code)) & _NO_VALUE for code in range(256))


class Base45Error(ValueError):
    """The text is no Base45: a foreign character, a wrong length or a value too large."""


def encode(data: bytes) -> str:
    """Return `data` as Base45 text (RFC 9285 section 4.1)."""
    text: list[str] = []
    for (word,) in struct.iter_unpack(">H", data[: len(data) & ~1]):
        rest, first = divmod(word, 45)
        third, second = divmod(rest, 45)
        text += ALPHABET[first], ALPHABET[second], ALPHABET[third]
    if len(data) % 2:
        second, first = divmod(data[-1], 45)
        text += ALPHABET[first], ALPHABET[second]
    return "".join(text)


def decode(text: str) -> bytes:
    """Return the bytes of Base45 `text` (RFC 9285 section 4.2).

    Raises Base45Error for a character outside the upper-case alphabet, for a length that no byte
    string has, and for three characters above 65535 or two above 255 (section 6).
    """
    try:
        values = text.encode("ascii").translate(_VALUES)
    except UnicodeEncodeError as error:
        raise Base45Error("a character is outside the Base45 alphabet") from error
    if _NO_VALUE in values:
        raise Base45Error("a character is outside the Base45 alphabet")
    words, rest = divmod(len(values), 3)
    numbers = [
        first + 45 * second + 2025 * third
        for first, second, third in zip(values[0::3], values[1::3], values[2::3], strict=False)
    ]
    if rest == 1:
        raise Base45Error("a single character is left over")
    if rest:
        numbers.append(values[-2] + 45 * values[-1])
    try:
        return struct.pack(f">{words}H{'B' if rest else ''}", *numbers)
    except struct.error as error:
        raise Base45Error("a group of characters is larger than its bytes can hold") from error
