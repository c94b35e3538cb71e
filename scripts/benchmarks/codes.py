"""Codes: one is read and checked, and drawn."""

from __future__ import annotations

from typing import TYPE_CHECKING

import segno
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from passdesk.core import code, symbol
from passdesk.core.clock import MICROSECONDS
from passdesk.core.code import Claims
from scripts.benchmarks.measuring import Row, cost_of, take_turns
from tests.support.gate import DAY_US, now_us

if TYPE_CHECKING:
    from scripts.benchmarks.workshop import Workshop

PNG_SCALE = 8
DRAWN_LESS_OFTEN = 20
"""Drawing a symbol takes as long as checking so many codes."""

KEY = Ed25519PrivateKey.generate()


def verify(workshop: Workshop) -> list[Row]:
    """Read a code and check its signature, against the check alone."""
    text, public, calls = _text(), KEY.public_key(), workshop.sizes.calls

    def read() -> None:
        code.verify(code.parse(text), public)

    floor, cost = take_turns(
        workshop.sizes.rounds,
        lambda: cost_of(calls, workshop.floors.verify),
        lambda: cost_of(calls, read),
    )
    return [Row("verify a code", cost, floor)]


def render(workshop: Workshop) -> list[Row]:
    """Draw a code, against making the symbol's modules alone."""
    text, calls = _text(), max(1, workshop.sizes.calls // DRAWN_LESS_OFTEN)
    floor, png, svg = take_turns(
        workshop.sizes.rounds,
        lambda: cost_of(calls, lambda: segno.make_qr(text, error="m", boost_error=False)),
        lambda: cost_of(calls, lambda: symbol.make(text).to_png(PNG_SCALE)),
        lambda: cost_of(calls, lambda: symbol.make(text).to_svg()),
    )
    return [Row("render a code, PNG", png, floor), Row("render a code, SVG", svg, floor)]


def _text() -> str:
    start, end = now_us() // MICROSECONDS, (now_us() + DAY_US) // MICROSECONDS
    return code.mint(Claims(bytes(range(16)), start, end, 1, (1, 2)), KEY)
