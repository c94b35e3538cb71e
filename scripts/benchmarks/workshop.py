"""Where measures are taken: a folder, the floors, and instances made in it when asked for."""

from __future__ import annotations

import tempfile
from contextlib import ExitStack
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, Self

from passdesk import settings
from passdesk.services import instance as instances
from scripts.benchmarks.floors import Floors, floors
from scripts.benchmarks.stock import Stock
from tests.support.gate import now_us

if TYPE_CHECKING:
    from types import TracebackType

    from passdesk.services.instance import Instance
    from scripts.benchmarks.measuring import Sizes


class Workshop:
    """A folder that is gone afterwards, with all that was made in it.

    Commits are only worth measuring on a real disk: where the folder for temporary files is kept
    in memory, set TMPDIR to another.

    Attributes:
        sizes: how much is done.
        folder: where files can be put.
        floors: what costs are compared with.
    """

    def __init__(self, sizes: Sizes) -> None:
        self.sizes = sizes
        self._opened = ExitStack()
        self._numbers = count()
        self._large: Stock | None = None

    def __enter__(self) -> Self:
        self.folder = Path(self._opened.enter_context(tempfile.TemporaryDirectory()))
        self.floors: Floors = self._opened.enter_context(floors(self.folder))
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._opened.close()

    def instance(self) -> Instance:
        """Make an instance on SQLite."""
        folder = self.folder / f"instance-{next(self._numbers)}"
        made = instances.create(settings.load(folder, {}), now_us())
        self._opened.callback(made.close)
        return made

    def stock(self, passes: int) -> Stock:
        """Make an instance with so many passes."""
        return Stock(self.instance(), passes)

    def large_stock(self) -> Stock:
        """Give the instance with the large number of passes, which is made once."""
        if self._large is None:
            self._large = self.stock(self.sizes.passes[1])
        return self._large
