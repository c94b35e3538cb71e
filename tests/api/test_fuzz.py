"""Anything at all may come in: it is answered, and never by an error of the service's own."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.api.calling import faults, new_pass, schema

if TYPE_CHECKING:
    from werkzeug.test import TestResponse

    from tests.api.calling import Api

# The place stays the same from example to example; what a pass leaves behind does no harm.
fuzzed = settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)

TEXTS = st.text(max_size=40) | st.sampled_from(
    ["", "\0", "\ud800", "<b>", "'; DROP TABLE passes; --", "\u202e", "x" * 500, "VP1:", "2030"]
)
SCALARS = st.none() | st.booleans() | st.integers() | st.floats() | TEXTS
ANYTHING = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(TEXTS, inner, max_size=4),
    max_leaves=12,
)
TIMES = TEXTS | st.sampled_from(
    ["2030-05-14T10:00", "2030-05-14T12:00:00Z", "1969-12-31T23:00Z", "9999-12-31T23:59",
     "2030-03-31T01:30", "2030-10-27T01:30", "2030-05-14T10:00+99:99"]
)  # fmt: skip
PASS_FIELDS = {
    "site": st.sampled_from(["Mill Lane", "Attic"]) | ANYTHING,
    "guest": TEXTS | ANYTHING,
    "organisation": TEXTS | ANYTHING,
    "guest_email": st.emails() | TEXTS,
    "host": st.emails() | TEXTS,
    "host_name": TEXTS,
    "purpose": TEXTS,
    "doors": st.lists(st.sampled_from(["Visitors", "Laboratory", "Attic"]) | TEXTS, max_size=4)
    | ANYTHING,
    "valid_from": TIMES,
    "valid_until": TIMES,
    "entries": st.integers(-1, 10_001) | ANYTHING,
    "escort": st.booleans() | ANYTHING,
    "escort_pass": st.booleans() | ANYTHING,
    "daily": st.fixed_dictionaries(
        {"first_minute": st.integers(), "end_minute": st.integers()},
        optional={"weekdays": st.integers()},
    )
    | ANYTHING,
    "requires": st.lists(st.sampled_from(["approval", "permit", "x"])) | ANYTHING,
    "carrier": st.sampled_from(["phone", "badge", "ring"]) | ANYTHING,
}
SHOWN_FIELDS = {
    "presentation_id": st.from_regex(r"[A-Za-z0-9._:-]{8,64}", fullmatch=True) | ANYTHING,
    "text": st.text(max_size=300) | st.text("VP1:0123ABC %", max_size=300) | ANYTHING,
    "pin": st.from_regex(r"[0-9]{6}", fullmatch=True) | ANYTHING,
    "reader_clock": TIMES | ANYTHING,
}


def post(api: Api, path: str, token: str, body: object) -> TestResponse:
    """Send a body that need be no good JSON, such as NaN and half a surrogate pair."""
    data = json.dumps(body)
    return api.call("POST", path, token, data=data, content_type="application/json")


def understood(answer: TestResponse, good: int) -> None:
    """See that an answer is good, or a problem that names what to mend."""
    if answer.status_code != good:
        assert answer.status_code in {400, 422}, answer.text
        assert faults(answer, answer.status_code)


@pytest.mark.parametrize(
    ("path", "token", "good"), [("/passes", "issue", 201), ("/presentations", "Front in", 200)]
)
def test_any_json_is_answered(kept: Api, path: str, token: str, good: int) -> None:
    @fuzzed
    @given(body=ANYTHING)
    def answered(body: object) -> None:
        understood(post(kept, path, token, body), good)

    answered()


@pytest.mark.parametrize(
    ("path", "token", "good"), [("/passes", "issue", 201), ("/presentations", "Front in", 200)]
)
def test_any_bytes_are_answered(kept: Api, path: str, token: str, good: int) -> None:
    @fuzzed
    @given(data=st.binary(max_size=200))
    def answered(data: bytes) -> None:
        parts: dict[str, Any] = {"data": data, "content_type": "application/json"}
        understood(kept.call("POST", path, token, **parts), good)

    answered()


def test_any_pass_is_answered_and_what_the_schema_refuses_is_refused(both: Api) -> None:
    @fuzzed
    @given(change=st.fixed_dictionaries({}, optional=PASS_FIELDS))
    def answered(change: dict[str, Any]) -> None:
        body = new_pass(**change)
        answer = post(both, "/passes", "issue", body)
        understood(answer, 201)
        if not schema("IssuePass").is_valid(body):
            assert answer.status_code in {400, 422}

    answered()


def test_any_presentation_is_answered_and_what_the_schema_refuses_is_refused(both: Api) -> None:
    @fuzzed
    @given(change=st.fixed_dictionaries({}, optional=SHOWN_FIELDS))
    def answered(change: dict[str, Any]) -> None:
        body = {**both.attempt(), "text": "VP1:", **change}
        answer = post(both, "/presentations", "Front in", body)
        if answer.status_code == 409:
            return  # two examples with one id
        understood(answer, 200)
        if not schema("ShowCode").is_valid(body):
            assert answer.status_code in {400, 422}

    answered()


@pytest.mark.parametrize("act", ["extensions", "withdrawal", "reinstatement", "codes"])
def test_any_change_of_a_pass_is_answered(both: Api, act: str) -> None:
    path = f"/passes/{both.issue()['pass']}/{act}"
    fields = st.fixed_dictionaries(
        {},
        optional={
            "because": TEXTS,
            "valid_until": TIMES,
            "more_entries": st.integers(-1, 10_001) | ANYTHING,
            "carrier": st.sampled_from(["phone", "badge"]) | ANYTHING,
        },
    )

    @fuzzed
    @given(body=fields)
    def answered(body: dict[str, Any]) -> None:
        understood(post(both, path, "issue", body), 201 if act == "codes" else 200)

    answered()


@pytest.mark.parametrize("name", ["text", "state", "before", "limit", "other"])
def test_any_query_is_answered(both: Api, name: str) -> None:
    @fuzzed
    @given(value=st.text(max_size=30) | st.integers().map(str))
    def answered(value: str) -> None:
        query = {name: value.encode("utf-8", "surrogatepass")}
        understood(both.get("/passes", "issue", query_string=query), 200)

    answered()


def test_any_picture_is_answered(kept: Api) -> None:
    starts = st.sampled_from(
        [b"", b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff", b"GIF89a", b"BM", b"RIFF"]
    )

    @fuzzed
    @given(image=st.builds(bytes.__add__, starts, st.binary(max_size=300)))
    def answered(image: bytes) -> None:
        answer = kept.present_image(image)
        if answer.status_code == 422:  # a few bytes can claim any number of pixels
            assert set(faults(answer, 422)) == {"image"}
        else:
            assert answer.status_code == 200
            assert answer.get_json()["reason"] == "unreadable"

    answered()


def test_any_path_is_answered(kept: Api) -> None:
    @fuzzed
    @given(reference=st.text(max_size=30))
    def answered(reference: str) -> None:
        escaped = "".join(f"%{byte:02X}" for byte in reference.encode("utf-8", "surrogatepass"))
        for path in (f"/passes/{escaped}", f"/records/{escaped}", f"/{escaped}"):
            answer = kept.app.test_client().get(
                f"/api/v1{path}", headers={"Authorization": f"Bearer {kept.tokens['audit']}"}
            )
            assert answer.status_code in {200, 404, 405}

    answered()
