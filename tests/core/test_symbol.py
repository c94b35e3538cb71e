"""The symbol: its size by ISO/IEC 18004, its pictures, and that two other decoders read it."""

from __future__ import annotations

import io
import re
import shutil
import subprocess
from random import Random
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

import pytest
import zxingcpp
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageChops, ImageDraw, ImageFilter

from passdesk.core import base45, code, symbol
from passdesk.core.symbol import SymbolError

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
USUAL = code.mint(code.Claims(bytes(range(16)), 1_893_488_400, 1_893_520_800, 4, (1, 3)), KEY)
LONGEST = code.mint(
    code.Claims(bytes(range(16)), 1_893_488_400, 1_893_520_800, 4, tuple(range(1, 24))), KEY
)

# ISO/IEC 18004 table 7: most alphanumeric characters at error level M.
CAPACITY_AT_M = {5: 122, 6: 154, 7: 178, 8: 221}


def opened(picture: bytes) -> Image.Image:
    return Image.open(io.BytesIO(picture))


# --- size and mode -------------------------------------------------------------------------------


@pytest.mark.parametrize(("version", "capacity"), CAPACITY_AT_M.items())
def test_the_version_is_the_smallest_that_holds_the_text(version: int, capacity: int) -> None:
    assert symbol.make("A" * capacity).version == version
    if version < symbol.MAX_VERSION:
        assert symbol.make("A" * (capacity + 1)).version == version + 1


@pytest.mark.parametrize("version", CAPACITY_AT_M)
def test_the_side_is_that_of_the_standard_with_the_quiet_zone(version: int) -> None:
    # ISO/IEC 18004: side = 17 + 4 x version, and a quiet zone of 4 modules around it.
    made = symbol.make("A" * CAPACITY_AT_M[version])
    assert made.side_modules == 17 + 4 * version + 8
    assert opened(made.to_png(3)).size == (3 * made.side_modules,) * 2


def test_the_longest_code_fits_version_8() -> None:
    assert len(LONGEST) == code.MAX_TEXT_LENGTH
    assert symbol.make(LONGEST).version == 8
    # One byte more is two characters more, and those need version 9.
    with pytest.raises(SymbolError, match="version 9"):
        symbol.make(LONGEST + "00")


@given(st.binary(min_size=80, max_size=144))
@settings(max_examples=15, deadline=None)
def test_every_code_is_at_most_version_8(message: bytes) -> None:
    assert symbol.make(code.PREFIX + base45.encode(message)).version <= 8


@pytest.mark.parametrize(
    "text",
    [
        pytest.param("", id="nothing"),
        pytest.param("vp1:", id="lower case"),
        pytest.param("VP1:_", id="a character outside the set"),
        pytest.param("VP1:Ä", id="a letter outside ASCII"),
        pytest.param("A" * 222, id="above version 8"),
        pytest.param("A" * 5000, id="above every version"),
    ],
)
def test_a_text_that_is_none_of_ours_has_no_symbol(text: str) -> None:
    with pytest.raises(SymbolError):
        symbol.make(text)


def test_even_a_short_text_is_no_micro_symbol_and_stays_at_level_m() -> None:
    made = symbol.make("12345")
    assert (made.version, made.side_modules) == (1, 29)
    read = zxingcpp.read_barcode(opened(made.to_png(4)))
    assert read is not None
    assert read.format == zxingcpp.BarcodeFormat.QRCode
    assert read.ec_level == "M"


# --- pictures ------------------------------------------------------------------------------------


def drawn(svg: bytes, scale: int) -> Image.Image:
    """Draw an SVG of ours: a white square and lines of one unit, from M, m and h alone."""
    root = ET.fromstring(svg)  # noqa: S314 - made here
    assert root.attrib["viewBox"] == f"0 0 {root.attrib['width']} {root.attrib['height']}"
    background, modules = root
    side = int(root.attrib["width"])
    assert background.attrib == {"fill": "#fff", "d": f"M0 0h{side}v{side}H0z"}
    picture = Image.new("1", (side * scale, side * scale), 1)
    draw = ImageDraw.Draw(picture)
    x = y = 0.0
    for command, *numbers in re.findall(r"([Mmh])(-?[\d.]+)(?: ([\d.]+))?", modules.attrib["d"]):
        first, second = (float(number or 0) for number in numbers)
        if command == "M":
            x, y = first, second - 0.5
        elif command == "h":
            corner = (x + first) * scale - 1, (y + 1) * scale - 1
            draw.rectangle([x * scale, y * scale, *corner], fill=0)
        x += first if command != "M" else 0
    return picture


@pytest.mark.parametrize("text", [USUAL, LONGEST])
def test_the_svg_shows_the_same_as_the_png(text: str) -> None:
    made = symbol.make(text)
    assert drawn(made.to_svg(), 4).tobytes() == opened(made.to_png(4)).convert("1").tobytes()


def test_the_svg_is_one_plain_element() -> None:
    svg = symbol.make(USUAL).to_svg()
    assert svg.startswith(b'<svg xmlns="http://www.w3.org/2000/svg" width="')
    assert not re.search(rb"<\?|<!|script|href|style=|class=| id=", svg)
    assert {element.tag.rpartition("}")[2] for element in ET.fromstring(svg).iter()} == {  # noqa: S314 - made here
        "svg",
        "path",
    }


def test_the_png_is_dark_on_white_with_its_white_border() -> None:
    picture = opened(symbol.make(USUAL).to_png(5))
    assert picture.format == "PNG"
    grey = picture.convert("L")
    assert set(grey.tobytes()) == {0, 255}
    assert grey.getpixel((0, 0)) == 255
    assert ImageChops.invert(grey).getbbox() == (20, 20, picture.width - 20, picture.height - 20)


def test_the_same_text_gives_the_same_pictures() -> None:
    one, other = symbol.make(USUAL), symbol.make(USUAL)
    assert (one.to_png(6), one.to_svg()) == (other.to_png(6), other.to_svg())


# --- two other decoders --------------------------------------------------------------------------


def on_paper(picture: Image.Image) -> Image.Image:
    paper = Image.new("L", (picture.width + 120, picture.height + 120), 235)
    paper.paste(picture, (60, 60))
    return paper


def noisy(picture: Image.Image) -> Image.Image:
    draw = Random(5)  # noqa: S311 - no secret
    noise = Image.frombytes("L", picture.size, draw.randbytes(picture.width * picture.height))
    return Image.blend(picture, noise, 0.25)


def in_perspective(picture: Image.Image) -> Image.Image:
    # Maps the output back to the input (Pillow's convention): the far edge is an eighth shorter.
    return picture.transform(
        picture.size,
        Image.Transform.PERSPECTIVE,
        (1.0, 0.06, -20.0, 0.02, 1.05, -15.0, 0.0, 0.00022),
        Image.Resampling.BICUBIC,
        fillcolor=235,
    )


RENDERINGS: dict[str, Callable[[symbol.Symbol], Image.Image]] = {
    "as sent by mail": lambda made: opened(made.to_png(8)).convert("L"),
    "the SVG drawn": lambda made: drawn(made.to_svg(), 5).convert("L"),
    # 4 printer dots a module at 200 dpi: 57 modules of version 8 are 29 mm wide.
    "on a badge at 200 dpi": lambda made: on_paper(opened(made.to_png(4)).convert("L")),
    "on a phone, not a whole number of pixels a module": lambda made: on_paper(
        opened(made.to_png(8)).convert("L").resize((371, 371), Image.Resampling.BICUBIC)
    ),
    "blurred": lambda made: opened(made.to_png(8)).convert("L").filter(ImageFilter.GaussianBlur(3)),
    "turned a little": lambda made: on_paper(opened(made.to_png(6)).convert("L")).rotate(
        9, Image.Resampling.BICUBIC, expand=True, fillcolor=235
    ),
    "upside down": lambda made: opened(made.to_png(5)).convert("L").rotate(180),
    "faded": lambda made: (
        opened(made.to_png(6)).convert("L").point(lambda value: 150 if value else 95)
    ),
    "noisy": lambda made: noisy(opened(made.to_png(6)).convert("L")),
    "in perspective": lambda made: in_perspective(on_paper(opened(made.to_png(7)).convert("L"))),
}


@pytest.mark.parametrize("text", [USUAL, LONGEST], ids=["usual", "longest"])
@pytest.mark.parametrize("rendering", RENDERINGS)
def test_two_other_decoders_read_the_symbol(text: str, rendering: str, tmp_path: Path) -> None:
    # zxing-cpp, and ZBar by Debian's zbar-tools.
    picture = RENDERINGS[rendering](symbol.make(text))
    assert [read.text for read in zxingcpp.read_barcodes(picture)] == [text]
    assert zbarimg(picture, tmp_path / "picture.png") == [text]


def zbarimg(picture: Image.Image, path: Path) -> list[str]:
    program = shutil.which("zbarimg")
    assert program, "zbarimg is missing: apt-get install zbar-tools"
    picture.save(path)
    command = [program, "--quiet", "--raw", "-Sdisable", "-Sqrcode.enable", str(path)]
    found = subprocess.run(command, check=False, capture_output=True, text=True)
    return found.stdout.splitlines()
