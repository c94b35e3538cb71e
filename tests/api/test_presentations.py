"""Presentations over HTTP: texts and pictures."""

from __future__ import annotations

import hashlib
import io
from typing import TYPE_CHECKING, Any

import pytest
import segno
from PIL import Image

from passdesk.core import picture
from passdesk.core.code import UnreadableCodeError, parse
from passdesk.core.reasons import Reason
from passdesk.core.record import Kind
from passdesk.services import barring
from passdesk.services.issuing import code_text
from passdesk.services.presenting import MAX_TEXT
from passdesk.store.tables import presentations
from tests.api.calling import PROBLEM, faults
from tests.api.calling import picture as as_file
from tests.support import looking

if TYPE_CHECKING:
    from tests.api.calling import Api


def png(text: str, **options: Any) -> bytes:  # noqa: ANN401 # segno's
    """Draw any text as a QR symbol."""
    file = io.BytesIO()
    segno.make_qr(text, **options).save(file, kind="png", scale=3, border=4)
    return file.getvalue()


def blank(width: int = 200, height: int = 200) -> bytes:
    """Draw an empty picture."""
    file = io.BytesIO()
    Image.new("1", (width, height), 1).save(file, "PNG")
    return file.getvalue()


def side_by_side(*pictures: bytes) -> bytes:
    """Draw pictures beside each other."""
    parts = [Image.open(io.BytesIO(one)).convert("L") for one in pictures]
    whole = Image.new("L", (sum(p.width for p in parts), max(p.height for p in parts)), 255)
    left = 0
    for part in parts:
        whole.paste(part, (left, 0))
        left += part.width
    file = io.BytesIO()
    whole.save(file, "PNG")
    return file.getvalue()


# --- the answer ----------------------------------------------------------------------------------


def test_a_good_code_is_granted_and_the_relay_may_be_worked(kept: Api) -> None:
    made = kept.issue(entries=2)
    assert kept.present(made).get_json() == {
        "granted": True,
        "open": True,
        "again": False,
        "spent": True,
        "reason": None,
        "access_event": "granted",
        "onvif": "granted",
        "headline": "Come in",
        "sentence": "Please come in.",
        "pass": made["pass"],
        "number": made["number"],
        "entries_left": 1,
        "decided_for": "2030-05-14T10:00:00+01:00",
        "detail": None,
        "accompanies": [],
    }


def test_the_same_attempt_read_again_is_granted_and_opens_nothing(api: Api) -> None:
    made = api.issue()
    assert api.present(made).get_json()["open"]
    api.wait(0.05)
    again = api.present(made).get_json()
    assert (again["granted"], again["again"], again["open"], again["spent"]) == (
        True, True, False, False,
    )  # fmt: skip


def test_a_refusal_says_its_reason_in_the_words_of_the_open_standards(kept: Api) -> None:
    made = kept.issue(doors=["Laboratory"])
    answer = kept.present(made).get_json()
    assert (answer["granted"], answer["open"]) == (False, False)
    assert answer["reason"] == "wrong-door"
    # ASHRAE 135 (BACnetAccessEvent) and ONVIF, by the table of reasons in shared/decision.md.
    assert answer["access_event"] == "denied-point-no-access-rights"
    assert answer["onvif"] == "Unauthorized"
    assert answer["headline"] == "Not this door"


def test_every_reason_can_be_answered(kept: Api) -> None:
    listed = kept.get("/openapi.json").get_json()["components"]["schemas"]["Reason"]["enum"]
    assert listed == [reason.value for reason in Reason]


@pytest.mark.parametrize(
    ("window", "sentence"),
    [
        (("2030-05-14T11:00", "2030-05-14T12:00"), "Your pass begins at 11:00. "),
        (("2030-05-16T11:00", "2030-05-16T12:00"), "Your pass begins at 11:00 on 16 May. "),
    ],
)
def test_a_guest_who_comes_too_early_is_told_the_local_time(
    kept: Api, window: tuple[str, str], sentence: str
) -> None:
    made = kept.issue(valid_from=window[0], valid_until=window[1])
    answer = kept.present(made).get_json()
    assert answer["reason"] == "too-early"
    assert answer["sentence"].startswith(sentence)


def test_a_guest_who_comes_too_late_is_told_since_when(api: Api) -> None:
    made = api.issue()
    api.wait(90)
    answer = api.present(made).get_json()
    assert answer["reason"] == "expired"
    assert answer["sentence"].startswith("Your pass ended at 11:00. ")


def test_somebody_who_is_barred_reads_what_anybody_reads_who_has_to_wait(api: Api) -> None:
    barred, waiting = api.issue(), api.issue(requires=["approval"])
    command = {"pass": str(barred["pass"]), "because": "Threatened a colleague"}
    api.house.act(barring.bar, barring.BarGuest.model_validate(command))
    first, second = api.present(barred).get_json(), api.present(waiting).get_json()
    assert (first["reason"], second["reason"]) == ("barred", "requirement-missing")
    assert (first["headline"], first["sentence"]) == (second["headline"], second["sentence"])
    assert "Threatened" not in str(first)


def test_an_escort_lets_in_the_guest_who_waits(api: Api) -> None:
    guest, escort = api.issue(escort=True), api.issue(escort_pass=True, entries=0)
    assert api.present(guest).get_json()["reason"] == "escort-needed"
    answer = api.present(escort).get_json()
    assert answer["open"]
    assert answer["accompanies"] == [
        {"pass": guest["pass"], "number": guest["number"], "granted": True, "reason": None}
    ]


@pytest.mark.parametrize("shown", ["nonsense", "", "VP1:", "VP1:AAAA", "\0", "x" * MAX_TEXT])
def test_an_exit_reader_always_lets_out(kept: Api, shown: str) -> None:
    answer = kept.present(shown, "Front out").get_json()
    assert (answer["granted"], answer["open"], answer["headline"]) == (True, True, "Goodbye")


@pytest.mark.parametrize("clock", ["2030-05-14T08:55:00Z", "", "noon"])
def test_a_reader_whose_clock_is_wrong_is_told_and_lets_out_all_the_same(
    kept: Api, clock: str
) -> None:
    made = kept.issue()
    answer = kept.present(made, reader_clock=clock).get_json()
    assert answer["reason"] == "clock-wrong"
    assert kept.present(made, "Front out", reader_clock=clock).get_json()["open"]


# --- the same attempt sent twice -----------------------------------------------------------------


def test_an_attempt_sent_again_gets_the_same_answer_byte_for_byte(both: Api) -> None:
    guest, escort = both.issue(escort=True), both.issue(escort_pass=True, entries=0)
    late = both.issue(valid_from="2030-05-16T11:00", valid_until="2030-05-16T12:00")
    attempts: list[dict[str, Any]] = [
        {"shown": guest, **both.attempt()},
        {"shown": escort, **both.attempt()},
        {"shown": late, **both.attempt()},
        {"shown": "nonsense", **both.attempt()},
    ]
    answers = [both.present(**attempt).data for attempt in attempts]
    before = looking.count(both.instance, presentations)
    both.wait(60 * 24)
    both.post(f"/passes/{escort['pass']}/withdrawal", "issue", {"because": "Lost phone"})
    assert [both.present(**attempt).data for attempt in attempts] == answers
    assert looking.count(both.instance, presentations) == before


def test_a_picture_sent_again_gets_the_same_answer_byte_for_byte(kept: Api) -> None:
    made = kept.issue()
    for image in (png(made["code"]["text"]), blank(), b"broken"):
        attempt = kept.attempt()
        first = kept.present_image(image, **attempt)
        assert kept.present_image(image, **attempt).data == first.data


def test_a_picture_and_its_text_are_the_same_attempt(kept: Api) -> None:
    made = kept.issue()
    attempt = kept.attempt()
    first = kept.present_image(png(made["code"]["text"]), **attempt)
    assert kept.present(made, **attempt).data == first.data


def test_an_id_that_was_used_for_something_else_is_a_conflict(both: Api) -> None:
    first, second = both.issue(), both.issue()
    attempt = both.attempt()
    both.present(first, **attempt)
    answers = [
        both.present(second, **attempt),
        both.present(first, **attempt, pin="123456"),
        both.present_image(blank(), **attempt),
    ]
    assert [list(faults(answer, 409)) for answer in answers] == [["presentation_id"]] * 3
    assert both.present(second).get_json()["granted"]


def test_two_readers_may_use_one_id(kept: Api) -> None:
    made = kept.issue(entries=2)
    attempt = kept.attempt()
    assert kept.present(made, "Front in", **attempt).get_json()["entries_left"] == 1
    assert kept.present(made, "Side in", **attempt).get_json()["entries_left"] == 0


# --- what comes in -------------------------------------------------------------------------------


@pytest.mark.parametrize("around", [" {} ", "{}\r\n", "\t{}", "\v\f{}"])
def test_white_space_around_a_code_does_not_count(kept: Api, around: str) -> None:
    made = kept.issue()
    assert kept.present(around.format(made["code"]["text"])).get_json()["granted"]


def test_other_space_around_a_code_counts(kept: Api) -> None:
    made = kept.issue()
    answer = kept.present("\N{NO-BREAK SPACE}" + made["code"]["text"]).get_json()
    assert answer["reason"] == "unreadable"


@pytest.mark.parametrize(
    "text", ["", "hello", "VP1:", "vp1:abc", "<b>", "\0", "é" * 300, "x" * (MAX_TEXT + 1)]
)
def test_a_text_that_is_no_code_is_refused_and_recorded(kept: Api, text: str) -> None:
    answer = kept.present(text).get_json()
    assert (answer["granted"], answer["reason"]) == (False, "unreadable")
    assert answer["pass"] is None
    assert looking.last_record(kept.instance).data["reason"] == "unreadable"


def test_texts_that_are_too_long_for_a_code_are_told_apart(kept: Api) -> None:
    attempt = kept.attempt()
    kept.present("x" * 5000, **attempt)
    assert list(faults(kept.present("y" * 5000, **attempt), 409)) == ["presentation_id"]


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"presentation_id": "short"}, "presentation_id"),
        ({"presentation_id": "x" * 65}, "presentation_id"),
        ({"presentation_id": "with space"}, "presentation_id"),
        ({"presentation_id": "newline-here\n"}, "presentation_id"),
        ({"presentation_id": 12345678}, "presentation_id"),
        ({"text": None}, "text"),
        ({"text": ["a"]}, "text"),
        ({"pin": "12345"}, "pin"),
        ({"pin": "1234567"}, "pin"),
        ({"pin": "12345x"}, "pin"),
        ({"pin": "١٢٣٤٥٦"}, "pin"),
        ({"pin": 123456}, "pin"),
        ({"reader_clock": "x" * 41}, "reader_clock"),
        ({"reader": "Side in"}, "reader"),
        ({"reader_id": 2}, "reader_id"),
    ],
)
def test_what_does_not_fit_is_named(kept: Api, change: dict[str, Any], field: str) -> None:
    body = {**kept.attempt(), "text": "VP1:", **change}
    assert list(faults(kept.post("/presentations", "Front in", body), 422)) == [field]


# --- pictures ------------------------------------------------------------------------------------


def test_a_picture_of_a_code_is_granted(kept: Api) -> None:
    made = kept.issue()
    answer = kept.present_image(png(made["code"]["text"])).get_json()
    assert (answer["granted"], answer["detail"]) == (True, None)


def test_a_pin_comes_with_a_picture(kept: Api) -> None:
    made = kept.issue(pin=True)
    image = png(made["code"]["text"])
    assert kept.present_image(image).get_json()["reason"] == "pin-needed"
    assert kept.present_image(image, pin=made["new_pin"]).get_json()["granted"]


@pytest.mark.parametrize(
    ("image", "way_out"),
    [
        (blank(), "Take it again"),
        (side_by_side(png("VP1:A"), png("VP1:B")), "Cut it"),
        (b"", "Send it again"),
        (b"GIF89a", "Send it again"),
        (b"%PDF-1.7", "Send it again"),
        (png("VP1:A")[:200], "Send it again"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'/>", "Send it again"),
    ],
)
def test_a_picture_without_one_code_is_refused_recorded_and_told_the_way_out(
    kept: Api, image: bytes, way_out: str
) -> None:
    before = looking.count(kept.instance, presentations)
    answer = kept.present_image(image).get_json()
    assert (answer["granted"], answer["reason"]) == (False, "unreadable")
    assert answer["detail"].startswith("image: ")
    assert way_out in answer["detail"]
    assert looking.count(kept.instance, presentations) == before + 1
    assert looking.last_record(kept.instance).kind is Kind.PRESENTATION_DECIDED


def test_what_stands_for_a_picture_without_a_code_is_no_code() -> None:
    text = f"picture:{hashlib.sha256(b'broken').hexdigest()}"
    with pytest.raises(UnreadableCodeError):
        parse(text)


def test_two_pictures_without_a_code_are_told_apart(kept: Api) -> None:
    attempt = kept.attempt()
    kept.present_image(blank(100), **attempt)
    assert faults(kept.present_image(blank(101), **attempt), 409)


@pytest.mark.parametrize("image", [blank(), b"broken"])
def test_a_picture_without_a_code_is_let_out_at_the_exit(kept: Api, image: bytes) -> None:
    answer = kept.present_image(image, "Front out").get_json()
    assert (answer["granted"], answer["open"]) == (True, True)
    assert answer["detail"].startswith("image: ")


@pytest.mark.parametrize("text", ["https://example.org/", "9" * 6000])
def test_a_picture_of_another_code_is_unreadable(kept: Api, text: str) -> None:
    answer = kept.present_image(png(text, error="l")).get_json()
    assert (answer["reason"], answer["detail"]) == ("unreadable", None)


@pytest.mark.parametrize("kilobytes", [15, 17, 63, 65, 300, 2000])
def test_pictures_of_every_size_are_read(kept: Api, kilobytes: int) -> None:
    made = kept.issue()
    image = png(made["code"]["text"]).ljust(kilobytes * 1000, b"\0")
    assert kept.present_image(image).get_json()["granted"]


def test_a_picture_with_as_many_bytes_as_are_allowed_is_looked_at(kept: Api) -> None:
    image = blank().ljust(picture.MAX_IMAGE_BYTES, b"\0")
    assert kept.present_image(image).get_json()["reason"] == "unreadable"


@pytest.mark.parametrize("more", [1, 1_000_000])
def test_a_picture_with_too_many_bytes_is_named_and_no_attempt(kept: Api, more: int) -> None:
    before = looking.count(kept.instance, presentations)
    image = b"\0" * (picture.MAX_IMAGE_BYTES + more)
    assert list(faults(kept.present_image(image), 413)) == ["image"]
    assert looking.count(kept.instance, presentations) == before


def test_a_picture_with_too_many_pixels_is_named(kept: Api) -> None:
    image = blank(8000, 8000)
    assert len(image) < 30_000
    assert list(faults(kept.present_image(image), 422)) == ["image"]


def test_the_picture_must_come_as_a_file(kept: Api) -> None:
    answer = kept.send_form({**kept.attempt(), "image": "text"})
    assert list(faults(answer, 422)) == ["image"]


@pytest.mark.parametrize(
    ("fields", "field"),
    [
        ({"presentation_id": "x"}, "presentation_id"),
        ({"pin": "1"}, "pin"),
        ({"reader_clock": "x" * 41}, "reader_clock"),
        ({"colour": "red"}, "colour"),
    ],
)
def test_a_form_field_that_does_not_fit_is_named(
    kept: Api, fields: dict[str, str], field: str
) -> None:
    assert list(faults(kept.present_image(blank(), **fields), 422)) == [field]


def test_a_form_field_given_twice_is_named(kept: Api) -> None:
    answer = kept.send_form({**kept.attempt(), "image": [as_file(blank()), as_file(blank())]})
    assert list(faults(answer, 422)) == ["image"]
    answer = kept.send_form({**kept.attempt(), "image": as_file(blank()), "pin": ["1", "2"]})
    assert list(faults(answer, 422)) == ["pin"]


@pytest.mark.parametrize(
    "form",
    [
        {"presentation_id": "x" * 300_000},
        {f"field-{number}": "x" for number in range(11)},
    ],
)
def test_a_form_of_too_much_is_refused(kept: Api, form: dict[str, str]) -> None:
    assert list(faults(kept.send_form(form), 413)) == ["image"]


@pytest.mark.parametrize("content_type", ["multipart/form-data", "multipart/form-data; boundary="])
def test_a_form_without_its_boundary_lacks_its_fields(kept: Api, content_type: str) -> None:
    answer = kept.call(
        "POST", "/presentations/image", "Front in", data=b"--x--", content_type=content_type
    )
    assert list(faults(answer, 422)) == ["presentation_id", "image"]


def test_a_code_that_the_api_drew_is_the_code_that_the_services_know(kept: Api) -> None:
    made = kept.issue()
    with kept.instance.store.reading() as connection:
        text = code_text(connection, kept.instance.keyring, str(made["pass"]), "phone")
    assert text == made["code"]["text"]
    assert kept.present(text).mimetype != PROBLEM
