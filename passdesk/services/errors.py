"""What goes wrong with a command, said so that a person can mend it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Self

if TYPE_CHECKING:
    from pydantic import ValidationError


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong with one field.

    Attributes:
        field: the command's field, dotted where it is inside another.
        message: what is wrong and what would be right, a sentence without the field's name.
    """

    field: str
    message: str


class CommandError(Exception):
    """A command cannot be carried out; nothing was changed."""

    def __init__(self, *faults: Fault) -> None:
        super().__init__("; ".join(f"{fault.field}: {fault.message}" for fault in faults))
        self.faults = faults

    @classmethod
    def at(cls, field: str, message: str) -> Self:
        """Make the error for one field."""
        return cls(Fault(field, message))


class NotFoundError(CommandError):
    """A field names something that does not exist."""


def faults_of(error: ValidationError) -> tuple[Fault, ...]:
    """Say what pydantic found wrong, without repeating what was sent."""
    return tuple(
        Fault(
            ".".join(str(part) for part in found["loc"]) or "request",
            found["msg"].removeprefix("Value error, "),
        )
        for found in error.errors(include_url=False, include_input=False, include_context=False)
    )
