"""Statements that are compiled once and run on the driver's own cursor.

A statement through SQLAlchemy's execution costs about three times the driver's own; on the way
from a presented code to its answer that is most of the time. Statements are still written with
SQLAlchemy's tables, so that both databases get their own text of the same statement. Use it only
with columns whose values need no conversion: integers, text, bytes, booleans.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Sequence

    from sqlalchemy.engine import Dialect
    from sqlalchemy.sql.expression import Executable


class Prepared:
    """One statement's text for one database, ready to run."""

    __slots__ = ("_constants", "_names", "_text")

    def __init__(self, statement: Executable, dialect: Dialect) -> None:
        """Compile the statement for the dialect of an engine."""
        compiled = statement.compile(dialect=dialect)  # type: ignore[attr-defined]
        self._text: str = compiled.string
        self._names: Sequence[str] | None = compiled.positiontup
        self._constants: dict[str, Any] = {
            name: bound.value for name, bound in compiled.binds.items() if bound.value is not None
        }

    def __call__(self, cursor: Any, **values: Any) -> Any:  # noqa: ANN401 # the driver's own types
        """Run it on a DB-API cursor with the statement's bound names; give the cursor back."""
        if self._constants:
            values = self._constants | values
        if self._names is None:
            return cursor.execute(self._text, values)
        return cursor.execute(self._text, [values[name] for name in self._names])
