"""The QR symbol of a code (ISO/IEC 18004), as SVG for pages and print and as PNG for mail.

Always dark on white with the full quiet zone of four modules: a symbol drawn light on dark, or
without its white border, is not read by every scanner.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING

import segno

from passdesk.core import base45

if TYPE_CHECKING:
    from segno import QRCode

QUIET_ZONE_MODULES = 4
MAX_VERSION = 8

# The alphanumeric mode has the same 45 characters as Base45 (ISO/IEC 18004 section 7.3.4).
_ALPHANUMERIC = frozenset(base45.ALPHABET)


class SymbolError(ValueError):
    """The text is none for the symbol of a code: too long, or not in the alphanumeric set."""


@dataclass(frozen=True, slots=True)
class Symbol:
    """A QR symbol at error level M, in alphanumeric mode.

    Attributes:
        version: its size, 1 to 8.
    """

    version: int
    _drawn: QRCode

    @property
    def side_modules(self) -> int:
        """The length of a side in modules, with the quiet zone on both sides."""
        return 17 + 4 * self.version + 2 * QUIET_ZONE_MODULES

    def to_svg(self) -> bytes:
        """Return one SVG element, one unit a module, that a page can give any size."""
        side = self.side_modules
        rows = "".join(
            f"M{QUIET_ZONE_MODULES} {y}.5" + _strokes(row)
            for y, row in enumerate(self._drawn.matrix, start=QUIET_ZONE_MODULES)
        )
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{side}" height="{side}"'
            f' viewBox="0 0 {side} {side}" shape-rendering="crispEdges">'
            f'<path fill="#fff" d="M0 0h{side}v{side}H0z"/><path stroke="#000" d="{rows}"/></svg>'
        ).encode()

    def to_png(self, scale: int) -> bytes:
        """Return a PNG in black and white, `scale` pixels a module."""
        picture = io.BytesIO()
        self._drawn.save(picture, kind="png", scale=scale, border=QUIET_ZONE_MODULES, light="#fff")
        return picture.getvalue()


def make(text: str) -> Symbol:
    """Return the symbol of a code's text.

    Raises SymbolError for a character outside the alphanumeric set (one would turn the whole symbol
    to byte mode), for no text at all, and for a text that needs more than version 8. No text that
    `code.mint` returns does any of this.
    """
    if not text or not _ALPHANUMERIC.issuperset(text):
        raise SymbolError("the text is empty or not in the alphanumeric set of a QR symbol")
    try:
        # Never `segno.make`: it may choose Micro QR. Without `boost_error` the level stays M.
        drawn = segno.make_qr(text, error="m", mode="alphanumeric", boost_error=False)
    except segno.DataOverflowError as error:
        raise SymbolError("the text is too long for any QR symbol") from error
    version = int(drawn.version)
    if version > MAX_VERSION:
        raise SymbolError(f"the text needs symbol version {version}, above {MAX_VERSION}")
    return Symbol(version, drawn)


def _strokes(row: bytearray) -> str:
    """Return the dark runs of a row as lines, the light runs as moves."""
    runs = ((dark, len(list(run))) for dark, run in groupby(row))
    return "".join(f"h{length}" if dark else f"m{length} 0" for dark, length in runs)
