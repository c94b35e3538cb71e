"""What the command models are made of: one model per job, used by page, API, command and file."""

import re
import unicodedata
from typing import Annotated

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StringConstraints,
)

_EMAIL = re.compile(r"[^@\s\"<>,;:\\()\[\]]{1,64}@[a-z0-9-]+(\.[a-z0-9-]+)+")


# What ends a line or has no shape: control characters, line and paragraph separators.
_UNPRINTABLE = {"Cc", "Zl", "Zp"}


def _composed(value: object) -> object:
    """Compose characters before the length is measured, which that can change."""
    return unicodedata.normalize("NFC", value) if isinstance(value, str) else value


def _lowered(value: object) -> object:
    """Write what looks alike alike, in lower case, before the length is measured."""
    return unicodedata.normalize("NFKC", value).lower() if isinstance(value, str) else value


def _printable(text: str) -> str:
    if any(unicodedata.category(character) in _UNPRINTABLE for character in text):
        raise ValueError("holds control characters such as line breaks; leave them out")
    return text


def _readable(text: str) -> str:
    if any(unicodedata.category(character) == "Cc" for character in re.sub(r"[\t\r\n]", "", text)):
        raise ValueError("holds control characters; leave them out")
    return text


def _email(text: str) -> str:
    # One that looks like another must not be another: bars go by the address.
    if any(unicodedata.category(character) == "Cf" for character in text):
        raise ValueError("holds characters that cannot be seen; type it anew")
    if not _EMAIL.fullmatch(text):
        raise ValueError("is no mail address; write it as name@example.org")
    return text


def _text(most: int) -> object:
    return StringConstraints(strip_whitespace=True, min_length=1, max_length=most)


Name = Annotated[str, _text(120), BeforeValidator(_composed), AfterValidator(_printable)]
"""A name of a thing: site, door, group, schedule."""

PersonName = Annotated[str, _text(200), BeforeValidator(_composed), AfterValidator(_printable)]
"""A name of a person or an organisation, in one field and any script."""

Email = Annotated[
    str,
    _text(254),
    BeforeValidator(_composed),
    BeforeValidator(_lowered),
    AfterValidator(_printable),
    AfterValidator(_email),
]
"""A mail address, kept in lower case."""

Sentence = Annotated[str, _text(500), AfterValidator(_readable)]
"""Free text of a person; it is kept in a row that can be erased, never in a record."""

TimeText = Annotated[
    str,
    StringConstraints(strip_whitespace=True, min_length=1, max_length=40),
    Field(
        description="ISO 8601 date and time; without an offset it is local to the site",
        examples=["2030-05-14T13:30", "2030-05-14T12:30:00Z"],
    ),
]

MAX_ROW = 2**63 - 1
RowId = Annotated[int, Field(ge=1, le=MAX_ROW)]
"""The number of a row; a larger one fits in no database."""

PassReference = Annotated[
    str,
    StringConstraints(strip_whitespace=True, min_length=1, max_length=20),
    Field(description="a pass id, or a pass number such as 3H9R-TD6W"),
]


class Command(BaseModel):
    """What every command model has: no unknown fields, no changes once made, no echo of input."""

    model_config = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=True)
