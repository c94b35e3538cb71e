"""Passes over HTTP."""

from __future__ import annotations

import io
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any

import pytest
import zxingcpp
from PIL import Image
from sqlalchemy import update

from passdesk.services import commissioning
from passdesk.store.engine import Store
from passdesk.store.tables import passes
from tests.api.calling import faults, new_pass

if TYPE_CHECKING:
    from tests.api.calling import Api

MARKUP = "<script>alert(\"x\")</script> & 'quotes'"
RIGHT_TO_LEFT = "\u05d0\u05d9\u05dc\u05d4 \u200f\u0627\u0644\u0639\u0631\u0628\u064a\u0629"


def test_a_pass_is_made_and_its_answer_says_all_of_it(kept: Api) -> None:
    answer = kept.post("/passes", "issue", new_pass(entries=3, organisation="Varga & Co"))
    made = answer.get_json()
    code = made.pop("code")
    assert answer.headers["Location"] == f"/api/v1/passes/{made['pass']}"
    assert made.pop("new_pin") is None
    assert kept.get(f"/passes/{made['pass']}", "issue").get_json() == made
    assert made["state"] == "valid"
    assert (made["entries"], made["entries_used"], made["entries_left"]) == (3, 0, 3)
    assert made["valid_from"] == "2030-05-14T10:00:00+01:00"
    assert made["carriers"] == [code["carrier"]] == ["phone"]
    assert code["text"].startswith("VP1:")


def test_a_pin_is_told_once(kept: Api) -> None:
    made = kept.issue(pin=True)
    assert made["pin"] is True
    assert len(made["new_pin"]) == 6
    shown = kept.get(f"/passes/{made['pass']}", "issue").text
    assert made["new_pin"] not in shown
    recoded = kept.post(f"/passes/{made['pass']}/codes", "issue", {"carrier": "badge"})
    assert recoded.get_json()["new_pin"] is None


@pytest.mark.parametrize("text", [MARKUP, RIGHT_TO_LEFT, "O'Brien", '"', "日本 太郎", "a\\b"])
def test_names_come_back_as_they_were_given(api: Api, text: str) -> None:
    made = api.issue(guest=text, organisation=text, purpose=text)
    shown = api.get(f"/passes/{made['pass']}", "issue").get_json()
    assert (shown["guest"], shown["organisation"], shown["purpose"]) == (text, text, text)
    found = api.get("/passes", "issue", query_string={"text": text}).get_json()
    assert [one["pass"] for one in found["passes"]] == [made["pass"]]


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"guest": ""}, "guest"),
        ({"guest": "a\nb"}, "guest"),
        ({"guest": 7}, "guest"),
        ({"guest": None}, "guest"),
        ({"host": "nobody"}, "host"),
        ({"doors": []}, "doors"),
        ({"doors": ["Attic"]}, "doors"),
        ({"doors": "Visitors"}, "doors"),
        ({"site": "Elsewhere"}, "site"),
        ({"valid_from": "tomorrow"}, "valid_from"),
        ({"valid_until": "2030-05-14T09:00"}, "valid_until"),
        ({"entries": -1}, "entries"),
        ({"entries": True}, "entries"),
        ({"entries": "3"}, "entries"),
        ({"pin": "yes"}, "pin"),
        ({"escort": True, "escort_pass": True}, "escort_pass"),
        ({"daily": {"first_minute": 600, "end_minute": 500}}, "daily"),
        ({"daily": {"first_minute": "ten", "end_minute": 500}}, "daily.first_minute"),
        ({"carrier": "ring"}, "carrier"),
        ({"pass": "1"}, "pass"),
        ({"x" * 300: 1}, "x" * 80),
    ],
)
def test_what_does_not_fit_is_named(kept: Api, change: dict[str, Any], field: str) -> None:
    found = faults(kept.post("/passes", "issue", new_pass(**change)), 422)
    assert list(found) == [field]


def test_of_very_many_faults_some_are_told(kept: Api) -> None:
    body = new_pass(**{f"unknown-{number}": 1 for number in range(1000)})
    answer = kept.post("/passes", "issue", body)
    assert len(faults(answer, 422)) == 20
    assert len(answer.data) < 5000


def test_passes_are_listed_newest_first_a_page_at_a_time(api: Api) -> None:
    made = [api.issue()["pass"] for _ in range(5)]
    first = api.get("/passes?limit=3", "issue").get_json()
    assert [one["pass"] for one in first["passes"]] == made[:1:-1]
    second = api.get(f"/passes?limit=3&before={first['next']}", "audit").get_json()
    assert [one["pass"] for one in second["passes"]] == made[1::-1]
    assert second["next"] is None


def test_passes_are_found_by_state_and_name(api: Api) -> None:
    kept, ended = api.issue(guest="Ana Reis"), api.issue(guest="Ana Reis")
    api.issue(guest="Somebody else")
    api.post(f"/passes/{ended['pass']}/withdrawal", "issue", {"because": "Called off"})
    found = api.get("/passes?state=valid&text=ana+r", "issue").get_json()
    assert [one["pass"] for one in found["passes"]] == [kept["pass"]]


@pytest.mark.parametrize(
    ("query", "field"),
    [
        ("state=fine", "state"),
        ("limit=0", "limit"),
        ("limit=201", "limit"),
        ("limit=ten", "limit"),
        ("before=0", "before"),
        ("before=9223372036854775808", "before"),
        ("before=" + "9" * 5000, "before"),
        ("text=", "text"),
        ("text=%00", "text"),
        ("text=" + "a" * 201, "text"),
        ("colour=red", "colour"),
        ("limit=1&limit=2", "limit"),
    ],
)
def test_a_query_that_does_not_fit_is_named(kept: Api, query: str, field: str) -> None:
    assert list(faults(kept.get(f"/passes?{query}", "issue"), 422)) == [field]


@pytest.mark.parametrize("written", ["{number}", "{lower}", "{plain}", "{spaced}", "{id}"])
def test_a_pass_is_found_by_its_id_or_its_number_as_people_write_it(
    kept: Api, written: str
) -> None:
    made = kept.issue()
    number = made["number"]
    forms = {"lower": number.lower(), "plain": number.replace("-", "")}
    spaced = number.replace("-", " ")
    path = written.format(number=number, id=made["pass"], spaced=spaced, **forms)
    assert kept.get(f"/passes/{path}", "issue").get_json()["pass"] == made["pass"]


@pytest.mark.parametrize("reference", ["77", "3H9R-TD6X", "nobody", "9" * 19])
def test_a_pass_that_is_not_there_is_not_found(kept: Api, reference: str) -> None:
    assert list(faults(kept.get(f"/passes/{reference}", "issue"), 404)) == ["pass"]


@pytest.mark.parametrize(
    "reference", ["%20", "-1", "a" * 21, "%00", "%F0%9F%9A%AA", "1;2", "..", "9" * 5000]
)
def test_a_reference_that_cannot_be_one_is_no_path(kept: Api, reference: str) -> None:
    assert faults(kept.get(f"/passes/{reference}", "issue"), 404) == {}


def test_looking_at_a_pass_waits_for_nobody_who_changes_it(both: Api) -> None:
    made = both.issue()
    elsewhere = Store(both.instance.settings.database_url)
    with ThreadPoolExecutor(1) as pool, elsewhere.writing() as connection:
        connection.execute(update(passes).values(entries_used=1))
        for path in ("", "/codes/phone.png"):
            looking = pool.submit(both.get, f"/passes/{made['pass']}{path}", "issue")
            assert looking.result(timeout=10).status_code == 200
    elsewhere.close()


def test_a_pass_is_extended(kept: Api) -> None:
    made = kept.issue()
    path = f"/passes/{made['pass']}/extensions"
    body = {"valid_until": "2030-05-14T12:00", "more_entries": 2}
    shown = kept.post(path, "issue", body).get_json()
    assert shown["valid_until"] == "2030-05-14T12:00:00+01:00"
    assert shown["entries"] == 3
    assert list(faults(kept.post(path, "issue", {}), 422)) == ["valid_until"]


def test_a_withdrawal_is_taken_back(kept: Api) -> None:
    made = kept.issue()
    path = f"/passes/{made['pass']}"
    because = {"because": "A mistake\nof ours"}
    assert kept.post(f"{path}/withdrawal", "issue", because).get_json()["state"] == "withdrawn"
    assert list(faults(kept.post(f"{path}/withdrawal", "issue", because), 422)) == ["pass"]
    assert kept.post(f"{path}/reinstatement", "issue", because).get_json()["state"] == "valid"
    assert list(faults(kept.post(f"{path}/reinstatement", "issue", because), 422)) == ["pass"]


def test_a_reason_that_the_database_cannot_keep_is_named(both: Api) -> None:
    made = both.issue()
    body = {"because": "zero\0inside"}
    answer = both.post(f"/passes/{made['pass']}/withdrawal", "issue", body)
    assert list(faults(answer, 422)) == ["because"]


@pytest.mark.parametrize("act", ["extensions", "withdrawal", "reinstatement", "codes"])
def test_what_is_to_be_done_to_a_pass_that_is_not_there_is_not_found(kept: Api, act: str) -> None:
    body = {"withdrawal": {"because": "x"}, "reinstatement": {"because": "x"}}.get(act, {})
    assert list(faults(kept.post(f"/passes/77/{act}", "issue", body), 404)) == ["pass"]


def test_a_new_code_ends_the_earlier_one_of_its_carrier_only(kept: Api) -> None:
    phone = kept.issue(entries=0)
    path = f"/passes/{phone['pass']}/codes"
    badge = kept.post(path, "issue", {"carrier": "badge"}).get_json()
    assert badge["carriers"] == ["badge", "phone"]
    newer = kept.post(path, "issue", {}).get_json()
    assert newer["code"]["carrier"] == "phone"
    assert kept.present(phone).get_json()["reason"] == "withdrawn"
    assert kept.present(badge).get_json()["granted"]
    assert kept.present(newer).get_json()["granted"]


@pytest.mark.parametrize(("scale", "pixels"), [("", 8), ("?scale=1", 1), ("?scale=20", 20)])
def test_the_png_of_a_code_has_the_size_that_was_asked_for(
    kept: Api, scale: str, pixels: int
) -> None:
    made = kept.issue()
    answer = kept.get(f"/passes/{made['pass']}/codes/phone.png{scale}", "issue")
    assert answer.mimetype == "image/png"
    assert answer.headers["Cache-Control"] == "no-store"
    picture = Image.open(io.BytesIO(answer.data))
    # ISO/IEC 18004: a side has 17 + 4 x version modules, and a quiet zone of 4 on each side.
    modules, left = divmod(picture.width - 8 * pixels - 17 * pixels, 4 * pixels)
    assert (left, modules <= 8) == (0, True)


def test_the_png_of_a_code_is_read_by_an_independent_decoder(kept: Api) -> None:
    made = kept.issue()
    answer = kept.get(f"/passes/{made['pass']}/codes/phone.png", "issue")
    (found,) = zxingcpp.read_barcodes(Image.open(io.BytesIO(answer.data)).convert("L"))
    assert found.text == made["code"]["text"]


def test_the_svg_of_a_code_needs_nothing_that_the_policy_forbids(kept: Api) -> None:
    made = kept.issue()
    answer = kept.get(f"/passes/{made['pass']}/codes/phone.svg", "issue")
    assert answer.mimetype == "image/svg+xml"
    assert answer.text.startswith("<svg ")
    assert "style" not in answer.text
    assert answer.headers["Cache-Control"] == "no-store"


@pytest.mark.parametrize("scale", ["0", "21", "big", "", "-1"])
def test_a_size_that_does_not_fit_is_named(kept: Api, scale: str) -> None:
    made = kept.issue()
    answer = kept.get(f"/passes/{made['pass']}/codes/phone.png?scale={scale}", "issue")
    assert list(faults(answer, 422)) == ["scale"]


@pytest.mark.parametrize("kind", ["svg", "png"])
def test_a_carrier_without_a_code_is_not_found(kept: Api, kind: str) -> None:
    made = kept.issue()
    answer = kept.get(f"/passes/{made['pass']}/codes/badge.{kind}", "issue")
    assert list(faults(answer, 404)) == ["carrier"]
    assert faults(kept.get(f"/passes/{made['pass']}/codes/ring.{kind}", "issue"), 404) == {}


def test_with_several_sites_the_site_must_be_said(api: Api) -> None:
    add = commissioning.AddSite(name="Second", zone="Europe/Lisbon")
    api.house.act(commissioning.add_site, add)
    assert list(faults(api.post("/passes", "issue", new_pass()), 422)) == ["site"]
    assert api.issue(site="Mill Lane")["site"] == "Mill Lane"
