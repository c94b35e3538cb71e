"""The field types of the command models, and how faults in them are told."""

from __future__ import annotations

import json
import unicodedata
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from passdesk.services.commissioning import AddArea, AddDoor, AddSchedule, AddSite, AddSpecialDay
from passdesk.services.errors import CommandError, Fault, NotFoundError, faults_of
from passdesk.services.issuing import IssuePass
from passdesk.services.models import Command, Email, Name, PersonName, RowId, Sentence
from passdesk.services.presenting import PresentCode


class Everything(Command):
    """One field of each type."""

    name: Name = "n"
    person: PersonName = "p"
    email: Email = "e@example.org"
    sentence: Sentence = "s"
    row: RowId = 1


def faults(model: type[Command], **fields: Any) -> tuple[Fault, ...]:  # noqa: ANN401 # any input
    with pytest.raises(ValidationError) as refused:
        model.model_validate(fields)
    return faults_of(refused.value)


# --- names -------------------------------------------------------------------------------------

AWKWARD = [
    'O\'Brien "Bo" & <b>Söhne</b>',
    "'; DROP TABLE guests; --",
    "{{ 7 * 7 }} ${x} %s %(n)s",
    "\u202eevil\u202c \u05d3\u05d5\u05d3 \u200f(CEO)",
    "山田 太郎",
    "=HYPERLINK(1)",
    "\U0001f9d1\u200d\U0001f527",
    "x",
]


@pytest.mark.parametrize("name", AWKWARD)
def test_quotes_markup_and_any_script_are_kept_as_they_are(name: str) -> None:
    assert Everything(name=name).name == name
    assert Everything(person=name).person == name


def test_blanks_around_a_name_are_left_out() -> None:
    assert Everything(person="\u3000 Ilse Varga \n").person == "Ilse Varga"


@pytest.mark.parametrize(("field", "most"), [("name", 120), ("person", 200)])
def test_a_name_is_as_long_as_its_column_and_no_longer(field: str, most: int) -> None:
    assert getattr(Everything.model_validate({field: "ü" * most}), field) == "ü" * most
    assert [fault.field for fault in faults(Everything, **{field: "ü" * (most + 1)})] == [field]


@pytest.mark.parametrize("field", ["name", "person", "sentence"])
@pytest.mark.parametrize("text", ["", " ", "\n\t", "\u3000"])
def test_nothing_is_no_name(field: str, text: str) -> None:
    assert [fault.field for fault in faults(Everything, **{field: text})] == [field]


@pytest.mark.parametrize("field", ["name", "person"])
@pytest.mark.parametrize(
    "character", ["\0", "\n", "\r", "\t", "\x1b", "\x7f", "\x85", "\u2028", "\u2029"]
)
def test_a_name_holds_no_character_that_ends_a_line_or_has_no_shape(
    field: str, character: str
) -> None:
    (fault,) = faults(Everything, **{field: f"Ilse{character}Varga"})
    assert fault == Fault(field, "holds control characters such as line breaks; leave them out")


def test_half_a_character_is_refused_and_no_crash() -> None:
    assert [fault.field for fault in faults(Everything, person="\ud800")] == ["person"]


def test_a_name_is_composed_so_that_it_is_found_however_it_was_typed() -> None:
    # Unicode standard annex 15: e and a combining acute accent are canonically equal to é.
    assert Everything(name="Caf\u0065\u0301").name == "Caf\u00e9"


def test_a_name_that_composing_makes_longer_is_measured_afterwards() -> None:
    # Unicode's composition exclusions: U+FB2C becomes three characters.
    assert [fault.field for fault in faults(Everything, person="\ufb2c" * 67)] == ["person"]
    assert len(Everything(person="\ufb2c" * 66).person) == 198


@given(st.text(max_size=300))
def test_whatever_is_accepted_as_a_name_fits_its_column(text: str) -> None:
    try:
        name = Everything(person=text).person
    except ValidationError:
        return
    assert 1 <= len(name) <= 200
    assert len(name.splitlines()) == 1
    assert unicodedata.is_normalized("NFC", name)


# --- free text, mail addresses, numbers of rows ------------------------------------------------


def test_free_text_may_have_lines() -> None:
    assert Everything(sentence="Called off.\r\n\tAsk Ana.").sentence == "Called off.\r\n\tAsk Ana."


@pytest.mark.parametrize("character", ["\0", "\x1b", "\x7f", "\x85"])
def test_free_text_holds_nothing_that_a_database_or_a_screen_stumbles_over(character: str) -> None:
    (fault,) = faults(Everything, sentence=f"Called{character}off")
    assert fault == Fault("sentence", "holds control characters; leave them out")


def test_free_text_has_an_end() -> None:
    assert faults(Everything, sentence="x" * 501)[0].field == "sentence"


@pytest.mark.parametrize(
    ("typed", "kept"),
    [
        ("Ana.Sousa@Example.ORG", "ana.sousa@example.org"),
        ("  ana@example.org ", "ana@example.org"),
        ("o'brien+visit@mail.example.co.uk", "o'brien+visit@mail.example.co.uk"),
        ("\uff42ob@example.org", "bob@example.org"),  # a wide b
        ("j\u00f6rg@example.org", "j\u00f6rg@example.org"),
        ("a@xn--bcher-kva.example", "a@xn--bcher-kva.example"),
        ("a" * 64 + "@example.org", "a" * 64 + "@example.org"),
    ],
)
def test_a_mail_address_is_kept_in_lower_case(typed: str, kept: str) -> None:
    assert Everything(email=typed).email == kept


@pytest.mark.parametrize(
    "typed",
    [
        "ana",
        "ana@",
        "@example.org",
        "ana@example",
        "ana@@example.org",
        "ana@example..org",
        "ana sousa@example.org",
        "ana@example.org, b@example.org",
        "Ana <ana@example.org>",
        '"ana"@example.org',
        "ana@[127.0.0.1]",
        "ana@exa_mple.org",
        "ana@example.org\nBcc: all@example.org",
        "ana\u2028@example.org",
        "ana@ex\u0430mple.org",  # a letter that only looks like one
        "a" * 65 + "@example.org",
        "\u0130" * 33 + "@example.org",  # in lower case it is two characters long
        "a@" + "b." * 126 + "org",
    ],
)
def test_what_is_no_mail_address_is_refused(typed: str) -> None:
    assert {fault.field for fault in faults(Everything, email=typed)} == {"email"}


@pytest.mark.parametrize("number", [0, -1, 2**63, 10**400, "one", 1.5])
def test_a_number_that_no_row_can_have_is_refused(number: object) -> None:
    assert faults(Everything, row=number)[0].field == "row"


def test_the_largest_number_of_a_row_is_accepted() -> None:
    assert Everything(row=2**63 - 1).row == 2**63 - 1


# --- models and faults -------------------------------------------------------------------------


def test_a_field_that_is_not_known_is_refused_by_name() -> None:
    assert [fault.field for fault in faults(Everything, colour="green")] == ["colour"]


def test_a_command_does_not_change_once_it_is_made() -> None:
    with pytest.raises(ValidationError):
        Everything().name = "other"  # type: ignore[misc]


SECRET = "zQ7secretzQ7"
ISSUE = {
    "guest": "Ilse Varga",
    "host": "tomas.brand@example.org",
    "doors": ["Visitors"],
    "valid_from": "2030-05-14T10:00",
    "valid_until": "2030-05-14T11:00",
}


@pytest.mark.parametrize(
    ("model", "fields", "field"),
    [
        (IssuePass, {**ISSUE, "guest": f"{SECRET}\0"}, "guest"),
        (IssuePass, {**ISSUE, "guest": [SECRET]}, "guest"),
        (IssuePass, {**ISSUE, "guest_email": SECRET}, "guest_email"),
        (IssuePass, {**ISSUE, "entries": SECRET}, "entries"),
        (IssuePass, {**ISSUE, "carrier": SECRET}, "carrier"),
        (IssuePass, {**ISSUE, "doors": SECRET}, "doors"),
        (IssuePass, {**ISSUE, "doors": [SECRET * 20]}, "doors.0"),
        (IssuePass, {**ISSUE, "valid_from": SECRET * 20}, "valid_from"),
        (IssuePass, {**ISSUE, "daily": SECRET}, "daily"),
        (IssuePass, {**ISSUE, "requires": [SECRET]}, "requires.0"),
        (IssuePass, {**ISSUE, "purpose": {SECRET: SECRET}}, "purpose"),
        (PresentCode, {"presentation_id": SECRET + "!", "text": "VP1:"}, "presentation_id"),
        (PresentCode, {"presentation_id": "p" * 8, "text": SECRET * 400}, "text"),
        (PresentCode, {"presentation_id": "p" * 8, "text": "VP1:", "pin": SECRET}, "pin"),
        (AddArea, {"name": "hall", "passback": SECRET}, "passback"),
        (AddDoor, {"name": SECRET * 20, "from_area": "a", "to_area": "b"}, "name"),
        (AddSpecialDay, {"name": "Closed", "day": SECRET}, "day"),
    ],
)
def test_a_fault_names_the_field_and_does_not_repeat_what_was_sent(
    model: type[Command], fields: dict[str, object], field: str
) -> None:
    with pytest.raises(ValidationError) as refused:
        model.model_validate_json(json.dumps(fields))
    found = faults_of(refused.value)
    assert found[0].field == field
    assert all(fault.message for fault in found)
    assert SECRET not in repr(found)
    assert SECRET not in str(refused.value)


@pytest.mark.parametrize(
    ("model", "fields", "field", "way_out"),
    [
        (AddSite, {"zone": "Mars/Olympus"}, "zone", "give an IANA name such as Europe/Lisbon"),
        (AddSchedule, {"weekly": "weekdays"}, "weekly", "such as 'mon-fri 08:00-18:00 pass'"),
        (AddSchedule, {"weekly": "mon 08:00-18:00 maybe"}, "weekly", "the mode is one of: free"),
        (AddSpecialDay, {"day": "2030-12-24", "hours": {"always": "tue 10:00-12:00"}}, "hours",
         "without a day, such as '10:00-14:00 pass'"),
        (AddSpecialDay, {"day": "2030-12-24", "hours": {"always": "-tue 10:00-12:00"}}, "hours",
         "without a day"),
        (AddSpecialDay, {"day": "2030-12-24", "hours": {"always": "10:00-25:00"}}, "hours",
         "times are hours and minutes"),
    ],
)  # fmt: skip
def test_hours_and_zones_that_make_no_sense_are_refused_with_the_way_out(
    model: type[Command], fields: dict[str, object], field: str, way_out: str
) -> None:
    (fault,) = faults(model, name="n", **fields)
    assert fault.field == field
    assert way_out in fault.message


def test_an_error_says_all_its_faults() -> None:
    error = CommandError(Fault("doors", "are closed"), Fault("guest", "is away"))
    assert str(error) == "doors: are closed; guest: is away"
    assert NotFoundError.at("door", "is not known").faults == (Fault("door", "is not known"),)


def test_what_is_no_object_at_all_is_a_fault_of_the_request() -> None:
    with pytest.raises(ValidationError) as refused:
        Everything.model_validate_json("[]")
    assert [fault.field for fault in faults_of(refused.value)] == ["request"]
