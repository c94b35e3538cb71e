"""What stands beside the body of a record, held against the body: its columns and its free text.

The tree protects bodies only. The columns are there to search by, and free text is there to be
erased; either could be edited without a body's knowing, so both are compared with it. That the
body itself is the sealed one has been seen by then.
"""

from __future__ import annotations

import re
import struct
from itertools import repeat
from typing import TYPE_CHECKING, Any, NamedTuple

from passdesk.core import cbor, record
from passdesk.core.record import COMMITMENT_KEY_LENGTH, Kind, RecordError

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

# A record is a map of five, whose first keys are `v` and `at` and whose last is `kind`. Of any
# time since the second hour of 1970 the head takes eight bytes before the time's own eight.
_HEAD = b"\xa5" + cbor.encode({"v": record.VERSION, "at": 1 << 62})[1:-8]
_HEAD_LENGTH = len(_HEAD) + 8
_TAILS = {kind.encode(): cbor.encode({"kind": kind.value})[1:] for kind in Kind}
_NO_TAIL = b"\xff"

_COMMITMENT_HEAD = re.compile(re.escape(cbor.encode(bytes(COMMITMENT_KEY_LENGTH))[:2]))
_WITHOUT_TEXT = frozenset({Kind.PRESENTATION_DECIDED.encode(), Kind.CODE_SHOWN.encode()})


def columns_agree(at_us: Sequence[Any], kinds: Sequence[bytes], bodies: Sequence[bytes]) -> bool:
    """Say whether the columns of records say what their bodies say.

    All at once and by the bytes, as decoding costs twice as much as hashing. A False may be
    wrong of times in the first hours of 1970: `column_agrees` then says of each record.
    """
    heads = b"".join([body[:_HEAD_LENGTH] for body in bodies])
    if len(heads) != _HEAD_LENGTH * len(bodies):
        return False
    parts = struct.unpack(">" + f"{len(_HEAD)}sQ" * len(bodies), heads)
    return (
        parts[1::2] == tuple(at_us)
        and set(parts[::2]) == {_HEAD}
        and all(map(bytes.endswith, bodies, map(_TAILS.get, kinds, repeat(_NO_TAIL))))
    )


def column_agrees(at_us: object, kind: bytes, body: bytes) -> bool:
    """Say whether the columns of one record say what its body says."""
    try:
        read = record.decode(body)
    except RecordError:
        return False
    return (read.at_us, read.kind.encode()) == (at_us, kind)


class Text(NamedTuple):
    """A row of free text; `about` and `body` are UTF-8."""

    id: int
    about: bytes
    about_id: int
    key: bytes
    commitment: bytes
    body: bytes


class Texts:
    """The free texts that are kept, of which each must belong to a record.

    A record that commits to a text names what the text is about by the same word: a text about
    `pass` 7 belongs to a record whose field `pass` is 7.
    """

    def __init__(self, rows: Iterable[Text]) -> None:
        self._unclaimed: dict[bytes, list[Text]] = {}
        for text in rows:
            self._unclaimed.setdefault(text.commitment, []).append(text)

    def claim(self, kinds: Sequence[bytes], bodies: Sequence[bytes]) -> tuple[int, str] | None:
        """Take the texts that belong to records off the list.

        Gives the first record whose text is wrong, by its place among these, and says what is
        wrong with it; None if there is no such record.
        """
        if not self._unclaimed:
            return None
        for place, (kind, body) in enumerate(zip(kinds, bodies, strict=True)):
            if kind not in _WITHOUT_TEXT and type(body) is bytes and (wrong := self._claim(body)):
                return place, wrong
        return None

    def _claim(self, body: bytes) -> str | None:
        for head in _COMMITMENT_HEAD.finditer(body):
            commitment = body[head.end() : head.end() + 32]
            for text in self._unclaimed.pop(commitment, ()):
                if not _is_whole(text):
                    return (
                        f"The free text that is kept for this record, text {text.id}, was altered."
                    )
                if not _is_about(text, body):
                    return f"The free text of this record, text {text.id}, was moved elsewhere."
        return None

    def first_unclaimed(self) -> int | None:
        """Give the row of a text that belongs to no record, None if there is none."""
        return min((text.id for kept in self._unclaimed.values() for text in kept), default=None)


def _is_whole(text: Text) -> bool:
    if not all(isinstance(value, bytes) for value in (text.key, text.commitment, text.body)):
        return False
    try:
        return record.verify_commitment(
            text.key, text.body.decode("utf-8", "surrogatepass"), text.commitment
        )
    except (RecordError, UnicodeDecodeError):
        return False


def _is_about(text: Text, body: bytes) -> bool:
    try:
        data = record.decode(body).data
        return data.get(text.about.decode()) == text.about_id
    except (RecordError, UnicodeDecodeError):
        return False
