"""Uploaded pictures: the formats people send, the limits, and what is broken or hostile."""

from __future__ import annotations

import io
import struct
import subprocess
import sys
import zlib
from pathlib import Path
from random import Random
from typing import Any

import pytest
import segno
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from passdesk.core import picture, symbol
from passdesk.core.picture import (
    NoCodeError,
    PictureError,
    PictureTooLargeError,
    SeveralCodesError,
)

TEXT = "VP1:THE CODE OF A PASS"
OTHER = "VP1:ANOTHER PASS"
ROOT = Path(__file__).parents[2]


def shown(text: str = TEXT) -> Image.Image:
    return Image.open(io.BytesIO(symbol.make(text).to_png(6))).convert("L")


def saved(image: Image.Image, image_format: str = "PNG", **options: Any) -> bytes:  # noqa: ANN401 - passed on
    file = io.BytesIO()
    image.save(file, image_format, **options)
    return file.getvalue()


def side_by_side(*images: Image.Image) -> Image.Image:
    whole = Image.new("L", (sum(image.width for image in images), images[0].height), 255)
    at = 0
    for image in images:
        whole.paste(image, (at, 0))
        at += image.width
    return whole


# --- what people send ----------------------------------------------------------------------------


@pytest.mark.parametrize("image_format", picture.FORMATS)
def test_a_code_is_read_from_each_format(image_format: str) -> None:
    assert picture.read_codes(saved(shown().convert("RGB"), image_format)) == [TEXT]


@pytest.mark.parametrize("mode", ["1", "L", "LA", "P", "RGB", "RGBA"])
def test_a_code_is_read_in_each_mode_of_a_png(mode: str) -> None:
    assert picture.read_codes(saved(shown().convert(mode))) == [TEXT]


def test_a_code_is_read_from_sixteen_bits_a_pixel() -> None:
    grey = shown()
    deep = struct.pack(f"<{grey.width * grey.height}H", *(value * 257 for value in grey.tobytes()))
    assert picture.read_codes(saved(Image.frombytes("I;16", grey.size, deep))) == [TEXT]


def test_a_code_is_read_from_a_jpeg_for_print() -> None:
    assert picture.read_codes(saved(shown().convert("CMYK"), "JPEG")) == [TEXT]


def test_what_is_transparent_is_white() -> None:
    # Dark modules on nothing: put on black, nothing would be seen.
    clear = Image.new("LA", shown().size, (0, 0))
    clear.putalpha(shown().point(lambda value: 255 - value))
    assert picture.read_codes(saved(clear)) == [TEXT]
    assert picture.read_codes(saved(clear.convert("RGBA"), "WEBP", lossless=True)) == [TEXT]


def test_a_palette_with_a_transparent_colour_is_put_on_white() -> None:
    indexed = shown().convert("P")
    assert picture.read_codes(saved(indexed, "GIF", transparency=indexed.getpixel((0, 0)))) == [
        TEXT
    ]


def test_a_png_with_one_transparent_grey_or_colour_is_put_on_white() -> None:
    # Black is the transparent one, so nothing is left on white, and there is no code to read.
    for mode, black in (("L", 0), ("RGB", (0, 0, 0))):
        assert picture.read_codes(saved(shown().convert(mode), transparency=black)) == []
        assert picture.read_codes(saved(shown().convert(mode))) == [TEXT]


@pytest.mark.parametrize("degrees", [90, 180, 270, 30])
def test_a_turned_code_is_read(degrees: int) -> None:
    turned = shown().rotate(degrees, Image.Resampling.BICUBIC, expand=True, fillcolor=255)
    assert picture.read_codes(saved(turned)) == [TEXT]


def test_a_code_light_on_dark_is_read() -> None:
    assert picture.read_codes(saved(shown().point(lambda value: 255 - value))) == [TEXT]


def test_of_an_animation_the_first_frame_counts() -> None:
    for image_format in ("GIF", "WEBP", "PNG"):
        animation = saved(
            shown().convert("RGB"),
            image_format,
            save_all=True,
            append_images=[shown(OTHER).resize(shown().size).convert("RGB")],
        )
        assert picture.read_codes(animation) == [TEXT]


def test_all_codes_of_a_picture_are_read() -> None:
    both = saved(side_by_side(shown(), shown(OTHER)))
    assert sorted(picture.read_codes(both)) == [OTHER, TEXT]


def test_a_picture_without_a_code_has_none() -> None:
    assert picture.read_codes(saved(Image.new("RGB", (200, 100), "white"))) == []
    assert picture.read_codes(saved(Image.new("1", (1, 1)))) == []


def test_micro_symbols_are_not_read() -> None:
    file = io.BytesIO()
    segno.make_micro("12345").save(file, kind="png", scale=8, border=4)
    assert picture.read_codes(file.getvalue()) == []


# --- the limits ----------------------------------------------------------------------------------


def png_header(width: int, height: int) -> bytes:
    """Return a PNG that claims a size and has no pixels."""
    size = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    chunks = [(b"IHDR", size), (b"IDAT", b"")]
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
        for name, data in chunks
    )


def test_a_file_of_too_many_bytes_is_refused_unopened(monkeypatch: pytest.MonkeyPatch) -> None:
    def opens(*_: object, **__: object) -> None:
        pytest.fail("it was opened")

    monkeypatch.setattr(Image, "open", opens)
    with pytest.raises(PictureTooLargeError):
        picture.read_codes(bytes(picture.MAX_IMAGE_BYTES + 1))


@pytest.mark.parametrize(
    ("width", "height"),
    [
        (8001, 5000),
        (10_000, 10_000),  # where Pillow warns
        (20_000, 20_000),  # where Pillow refuses
        (2**31 - 1, 2**31 - 1),
        (65_536, 1),  # few pixels, and a side that the decoder does not take
        (1, 65_536),
    ],
)
def test_too_many_pixels_are_refused_by_the_header_alone(width: int, height: int) -> None:
    with pytest.raises(PictureTooLargeError):
        picture.read_codes(png_header(width, height))


def test_a_very_large_picture_leaves_no_warning_in_the_log() -> None:
    # In a process of its own, since pytest has its own way with warnings.
    program = """
import sys
from passdesk.core import picture
try:
    picture.read_codes(sys.stdin.buffer.read())
except picture.PictureTooLargeError:
    print("refused")
"""
    command = [sys.executable, "-c", program]
    image = png_header(10_000, 10_000)
    done = subprocess.run(command, check=True, capture_output=True, input=image, cwd=ROOT)
    assert (done.stdout.strip(), done.stderr) == (b"refused", b"")


@pytest.mark.parametrize("image_format", picture.FORMATS)
def test_no_format_gets_its_pixels_decoded_past_the_limit(
    image_format: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def decoded(*_: object) -> None:
        pytest.fail("the pixels were decoded")

    monkeypatch.setattr(picture, "_on_white", decoded)
    image = saved(Image.new("RGB", (101, 100)), image_format)
    with pytest.raises(PictureTooLargeError):
        picture.read_codes(image, max_pixels=10_000)


def test_the_limits_themselves_are_allowed() -> None:
    image = saved(shown())
    pixels = shown().width * shown().height
    assert picture.read_codes(image, max_bytes=len(image), max_pixels=pixels) == [TEXT]
    with pytest.raises(PictureTooLargeError):
        picture.read_codes(image, max_bytes=len(image) - 1)
    with pytest.raises(PictureTooLargeError):
        picture.read_codes(image, max_pixels=pixels - 1)


# --- what is broken ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "image",
    [
        pytest.param(b"", id="nothing"),
        pytest.param(b"VP1:TEXT", id="text"),
        pytest.param(b"<svg xmlns='http://www.w3.org/2000/svg'/>", id="SVG"),
        pytest.param(b"%PDF-1.7\n", id="PDF"),
        pytest.param(saved(shown(), "TIFF"), id="TIFF"),
        pytest.param(saved(shown(), "PPM"), id="PPM"),
        pytest.param(saved(shown().convert("RGB"), "ICO"), id="ICO"),
        pytest.param(png_header(100, 100), id="PNG without pixels"),
        pytest.param(png_header(0, 100), id="PNG without width"),
    ],
)
def test_what_is_no_picture_of_these_formats_is_refused(image: bytes) -> None:
    with pytest.raises(PictureError, match="cannot be opened") as caught:
        picture.read_codes(image)
    assert type(caught.value) is PictureError


@pytest.mark.parametrize("image_format", picture.FORMATS)
def test_a_picture_cut_short_is_refused(image_format: str) -> None:
    image = saved(shown().convert("RGB"), image_format)
    with pytest.raises(PictureError):
        picture.read_codes(image[: len(image) // 2])


@pytest.mark.parametrize("image_format", picture.FORMATS)
def test_a_broken_picture_is_read_or_refused_and_raises_nothing_else(image_format: str) -> None:
    draw = Random(image_format)  # noqa: S311 - no secret
    whole = saved(shown().convert("RGB"), image_format)
    for _ in range(60):
        broken = bytearray(whole)
        for _ in range(draw.randint(1, 6)):
            broken[draw.randrange(len(broken))] = draw.randrange(256)
        try:
            codes = picture.read_codes(bytes(broken), max_pixels=200_000)
        except PictureError:
            continue
        assert codes in ([], [TEXT])


@given(st.binary(max_size=200), st.sampled_from([b"", b"\x89PNG\r\n\x1a\n", b"GIF89a", b"BM"]))
@settings(deadline=None)
def test_any_bytes_are_refused_and_raise_nothing_else(noise: bytes, start: bytes) -> None:
    try:
        assert picture.read_codes(start + noise, max_pixels=10_000) == []
    except PictureError:
        return


# --- the one that is meant -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("texts", "meant"),
    [
        ([TEXT], TEXT),
        (["HTTPS://EXAMPLE.ORG", TEXT, "A PARCEL"], TEXT),
        ([TEXT, TEXT], TEXT),
        (["A PARCEL"], "A PARCEL"),
        (["A PARCEL", "A PARCEL"], "A PARCEL"),
    ],
)
def test_the_one_code_that_is_meant(texts: list[str], meant: str) -> None:
    assert picture.one_code(texts) == meant


@pytest.mark.parametrize(
    "texts", [[TEXT, OTHER], ["A PARCEL", "ANOTHER"], [TEXT, "A PARCEL", OTHER]]
)
def test_of_several_codes_none_is_guessed(texts: list[str]) -> None:
    with pytest.raises(SeveralCodesError, match="only one is left"):
        picture.one_code(texts)


def test_without_a_code_the_message_says_how_to_take_the_picture() -> None:
    with pytest.raises(NoCodeError, match="Take it again"):
        picture.one_code([])


@pytest.mark.parametrize("error", [PictureTooLargeError, NoCodeError, SeveralCodesError])
def test_one_except_clause_catches_all_that_can_be_wrong(error: type[Exception]) -> None:
    assert issubclass(error, PictureError)
