"""What a guest is told at a door, and what a picture of a code presents."""

from __future__ import annotations

import hashlib
import io
from typing import TYPE_CHECKING

import pytest
from PIL import Image

from passdesk.core import symbol
from passdesk.core.picture import PictureTooLargeError
from passdesk.core.reasons import Reason
from passdesk.services.presenting import text_in_picture, words_of
from tests.support.place import DAY_US, HOUR_US, NOW_US, ZONE

if TYPE_CHECKING:
    from tests.support.place import House


@pytest.mark.parametrize(
    ("reader", "headline"), [("Front in", "Come in"), ("Front out", "Goodbye")]
)
def test_who_may_pass_is_told_so(small_house: House, reader: str, headline: str) -> None:
    answer = small_house.present(small_house.issue(), reader)
    assert words_of(answer, ZONE).headline == headline


def test_who_comes_too_early_is_told_when_to_come_back(small_house: House) -> None:
    answer = small_house.present(small_house.issue(), minutes=-90)
    assert words_of(answer, ZONE).sentence == "Your pass begins at 10:00. Please come back then."


def test_a_time_on_another_day_comes_with_its_day(small_house: House) -> None:
    answer = small_house.present(small_house.issue(), minutes=60 * 24)
    assert answer.moment_us == NOW_US + DAY_US
    assert answer.hint_us == NOW_US + HOUR_US
    sentence = words_of(answer, ZONE).sentence
    assert sentence == "Your pass ended at 11:00 on 14 May. Please ask the desk."


@pytest.mark.parametrize("text", ["nothing", "VP1:NOTHING"])
def test_what_is_refused_for_no_time_is_told_without_one(small_house: House, text: str) -> None:
    answer = small_house.present(text)
    assert answer.reason is Reason.UNREADABLE
    assert words_of(answer, ZONE).headline == "Not read"


def test_a_picture_of_a_code_presents_its_text(small_house: House) -> None:
    issued = small_house.issue()
    text, fault = text_in_picture(symbol.make(issued.text).to_png(6))
    assert (text, fault) == (issued.text, None)
    assert small_house.present(text).granted


def test_a_picture_without_a_code_is_an_attempt_that_is_refused(small_house: House) -> None:
    file = io.BytesIO()
    Image.new("L", (200, 200), 255).save(file, "PNG")
    for image in (file.getvalue(), b"no picture"):
        text, fault = text_in_picture(image)
        assert text == f"picture:{hashlib.sha256(image).hexdigest()}"
        assert fault
        assert small_house.present(text).reason is Reason.UNREADABLE


def test_a_picture_that_is_too_large_is_not_looked_at() -> None:
    with pytest.raises(PictureTooLargeError):
        text_in_picture(b"\0" * 20_000_000)
