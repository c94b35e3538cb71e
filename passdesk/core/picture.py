"""Codes in an uploaded picture: bytes in, the texts of the QR symbols out.

A picture comes from anyone, so its size is bounded three times before it costs anything: in bytes,
in pixels by its header alone, and to the first frame. Only the formats that people send are opened.
"""

from __future__ import annotations

import io
import warnings
from typing import TYPE_CHECKING

import zxingcpp
from PIL import Image

from passdesk.core.code import PREFIX

if TYPE_CHECKING:
    from collections.abc import Iterable

MAX_IMAGE_BYTES = 10_000_000
MAX_IMAGE_PIXELS = 40_000_000
MAX_IMAGE_SIDE = 65_535
FORMATS = ("PNG", "JPEG", "WEBP", "GIF", "BMP")

# Pillow warns of a very large picture before its size can be asked for. As an error the warning
# reaches the caller as a refusal instead of the log; this is how Pillow's manual has it done.
warnings.simplefilter("error", Image.DecompressionBombWarning)
_BOMBS = (Image.DecompressionBombWarning, Image.DecompressionBombError)

_TOO_MANY_BYTES = "The picture's file is too large. Send a smaller one, or a screenshot of it."
_TOO_MANY_PIXELS = "The picture has too many pixels. Send a smaller one, or cut it to the code."

# The usual QR code only: `QRCode` would stand for Micro QR and others of the family too.
_FULL_QR = zxingcpp.BarcodeFormats(zxingcpp.BarcodeFormat.QRCodeModel2)


class PictureError(ValueError):
    """The picture does not give a code; the message says why and what to do."""


class PictureTooLargeError(PictureError):
    """The picture has too many bytes or pixels."""


class NoCodeError(PictureError):
    """There is no code in the picture."""


class SeveralCodesError(PictureError):
    """There is more than one code in the picture."""


def read_codes(
    image: bytes, *, max_bytes: int = MAX_IMAGE_BYTES, max_pixels: int = MAX_IMAGE_PIXELS
) -> list[str]:
    """Return the texts of all QR symbols in a PNG, JPEG, WebP, GIF or BMP picture.

    Symbols may be rotated, mirrored, or light on dark. Of an animation the first frame counts, and
    what is transparent is white. An empty list means that there is no symbol.

    Raises PictureTooLargeError for more than `max_bytes` bytes or `max_pixels` pixels, PictureError
    for a picture that is broken or in another format.
    """
    if len(image) > max_bytes:
        raise PictureTooLargeError(_TOO_MANY_BYTES)
    symbols = zxingcpp.read_barcodes(
        _in_grey(image, max_pixels), formats=_FULL_QR, text_mode=zxingcpp.TextMode.Plain
    )
    return [symbol.text for symbol in symbols]


def one_code(texts: Iterable[str]) -> str:
    """Return the one text that is meant, of those in a picture.

    That is the only one that starts with `VP1:`, or if none does, the only one there is: what is
    wrong with it is then said by whoever reads it. The same text twice is one.

    Raises NoCodeError or SeveralCodesError, whose messages say what to do.
    """
    distinct = dict.fromkeys(texts)
    ours = [text for text in distinct if text.startswith(PREFIX)]
    candidates = ours or list(distinct)
    if not candidates:
        raise NoCodeError(
            "No code was found in the picture. Take it again: straight from the front, in focus,"
            " with the whole code and its white border in the picture."
        )
    if len(candidates) > 1:
        raise SeveralCodesError(
            "There is more than one code in the picture. Cut it so that only one is left."
        )
    return candidates[0]


def _in_grey(image: bytes, max_pixels: int) -> Image.Image:
    """Return the first frame in grey on white, having looked at the size before the pixels."""
    try:
        with Image.open(io.BytesIO(image), formats=FORMATS) as picture:
            _check_size(picture.width, picture.height, max_pixels)
            return _on_white(picture)
    except PictureTooLargeError:
        raise
    except _BOMBS as error:
        raise PictureTooLargeError(_TOO_MANY_PIXELS) from error
    except Exception as error:  # what a decoder raises on hostile bytes is anyone's guess
        raise PictureError(
            "The picture cannot be opened: it is incomplete or none of PNG, JPEG, WebP, GIF and"
            " BMP. Send it again, or take a screenshot of it."
        ) from error


def _check_size(width: int, height: int, max_pixels: int) -> None:
    # The decoder raises on a longer side, however few pixels there are.
    if width * height > max_pixels or max(width, height) > MAX_IMAGE_SIDE:
        raise PictureTooLargeError(_TOO_MANY_PIXELS)


def _on_white(picture: Image.Image) -> Image.Image:
    if not picture.has_transparency_data:
        return picture.convert("L")
    # Converted only where it must be: a copy of a large picture is some 160 MB.
    with_alpha = picture if "A" in picture.getbands() else picture.convert("RGBA")
    white = Image.new("L", picture.size, "white")
    white.paste(picture.convert("L"), mask=with_alpha.getchannel("A"))
    return white
