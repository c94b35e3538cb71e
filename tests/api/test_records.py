"""The records and their proofs over HTTP."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from sqlalchemy import delete, update

from passdesk.core import merkle
from passdesk.core.note import open_note, parse_checkpoint
from passdesk.core.record import Kind
from passdesk.services import sealing
from passdesk.store.tables import records, tiles, tree
from tests.api.calling import faults
from tests.support import looking
from tests.support.place import NOW_US

if TYPE_CHECKING:
    from passdesk.services.acts import Act
    from tests.api.calling import Api


def test_records_are_listed_newest_first_a_page_at_a_time(api: Api) -> None:
    whole = api.get("/records?limit=500", "audit").get_json()["records"]
    listed, query = [], "?limit=7"
    while query:
        page = api.get(f"/records{query}", "audit").get_json()
        listed += page["records"]
        query = page["next"] and f"?limit=7&after={page['next']}"
    assert listed == whole
    assert [one["id"] for one in whole] == sorted((one["id"] for one in whole), reverse=True)


def test_records_are_listed_by_kind_oldest_first(api: Api) -> None:
    listed = api.get("/records?kind=token.made&oldest_first=true", "audit").get_json()["records"]
    assert {one["kind"] for one in listed} == {"token.made"}
    assert listed[0] == {
        "id": listed[0]["id"],
        "position": None,
        "at": "2030-05-14T09:00:00Z",
        "kind": "token.made",
        "by": "command",
        "data": {"token": 1, "scope": "issue", "reader": None},
    }


def test_records_name_who_acted(api: Api) -> None:
    made = api.issue()
    api.present(made)
    newest = api.get("/records?limit=3", "audit").get_json()["records"]
    reader = api.house.readers["Front in"]
    assert [one["by"] for one in newest] == [f"reader:{reader}", "token:1", "token:1"]


def test_records_hold_bytes_lists_and_nothing_personal(api: Api) -> None:
    api.issue(guest="Ilse Varga", purpose="Interview")
    answer = api.get("/records?kind=pass.issued", "audit")
    assert answer.get_json()["records"][0]["data"]["groups"] == [1]
    coded = api.get("/records?kind=code.made", "audit").get_json()["records"][0]["data"]
    assert len(bytes.fromhex(coded["code"])) == 16
    assert "Varga" not in answer.text
    assert "Interview" not in answer.text


def test_what_is_nested_in_a_record_is_shown_too(api: Api) -> None:
    def plant(act: Act, _: object) -> None:
        act.record(Kind.PLACE_CHANGED, {"parts": {"list": [b"\x01", None], "word": "door"}})

    api.house.act(plant, None)
    (newest,) = api.get("/records?limit=1", "audit").get_json()["records"]
    assert newest["data"] == {"parts": {"list": ["01", None], "word": "door"}}


def test_a_checkpoint_seals_first(api: Api) -> None:
    waiting = looking.count(api.instance, records)
    answer = api.get("/checkpoint", "audit")
    assert answer.mimetype == "text/plain"
    with api.instance.store.reading() as connection:
        verifier = sealing.log_verifier(api.instance.keyring, sealing.origin(connection))
    assert parse_checkpoint(open_note(answer.text, verifier)).size == waiting
    sealed = api.get("/records?limit=1", "audit").get_json()["records"][0]
    assert sealed["position"] == waiting - 1


def test_a_sealed_record_is_shown_by_its_position(api: Api) -> None:
    api.get("/checkpoint", "audit")
    shown = api.get("/records/0", "audit").get_json()
    assert (shown["position"], shown["kind"]) == (0, "log.opened")


def test_every_record_is_proven_in_every_tree_that_was_signed(api: Api) -> None:
    checkpoints = []
    for _ in range(3):
        api.issue()
        note = api.get("/checkpoint", "audit").text
        checkpoints.append(parse_checkpoint(note.partition("\n\n")[0] + "\n"))
    for signed in checkpoints:
        for position in (0, signed.size // 2, signed.size - 1):
            path = f"/records/{position}/proof?size={signed.size}"
            proof = api.get(path, "audit").get_json()
            leaf = merkle.leaf_hash(bytes.fromhex(proof["body"]))
            hashes = [bytes.fromhex(one) for one in proof["hashes"]]
            merkle.verify_inclusion(leaf, position, signed.size, hashes, signed.root)
            assert proof["checkpoint"].startswith(signed.text())


def test_a_tree_that_was_never_signed_has_no_checkpoint(api: Api) -> None:
    api.get("/checkpoint", "audit")
    assert api.get("/records/0/proof?size=1", "audit").get_json()["checkpoint"] is None
    answer = api.get("/checkpoints/consistency?first=1&second=2", "audit")
    assert answer.get_json()["checkpoint"] is None


@pytest.mark.parametrize("path", ["/records/0", "/records/0/proof", "/records/999999999999999999"])
def test_a_record_that_is_not_sealed_is_not_found_by_a_position(api: Api, path: str) -> None:
    assert list(faults(api.get(path, "audit"), 404)) == ["position"]


@pytest.mark.parametrize("position", ["-1", "first", "1" * 19, "9" * 5000, "%D9%A1", "0x1", "1.0"])
def test_a_position_that_cannot_be_one_is_no_path(kept: Api, position: str) -> None:
    assert faults(kept.get(f"/records/{position}", "audit"), 404) == {}


@pytest.mark.parametrize(
    ("path", "field"),
    [
        ("/records?limit=0", "limit"),
        ("/records?limit=501", "limit"),
        ("/records?after=0", "after"),
        ("/records?after=99999", "after"),
        ("/records?after=9223372036854775808", "after"),
        ("/records?kind=tea.made", "kind"),
        ("/records?oldest_first=maybe", "oldest_first"),
        ("/records/0/proof?size=0", "size"),
        ("/records/0/proof?size=99999", "size"),
        ("/records/0/proof?size=99999999999999999999", "size"),
        ("/checkpoints/consistency", "first"),
        ("/checkpoints/consistency?first=0", "first"),
        ("/checkpoints/consistency?first=99999", "first"),
        ("/checkpoints/consistency?first=1&second=99999", "second"),
        ("/checkpoints/consistency?first=2&second=1", "first"),
    ],
)
def test_a_query_that_does_not_fit_is_named(kept: Api, path: str, field: str) -> None:
    kept.get("/checkpoint", "audit")
    assert list(faults(kept.get(path, "audit"), 422)) == [field]


def test_a_record_that_was_made_unreadable_is_shown_as_such(api: Api) -> None:
    api.get("/checkpoint", "audit")
    row_id = api.get("/records?limit=1&oldest_first=true", "audit").get_json()["records"][0]["id"]
    edit = update(records).where(records.c.id == row_id).values(body=b"nonsense")
    looking.change(api.instance, edit)
    nothing = {"position": 0, "at": None, "kind": None, "by": None, "data": None}
    listed = api.get("/records?limit=1&oldest_first=true", "audit").get_json()["records"][0]
    assert listed == {**nothing, "id": row_id}
    assert api.get("/records/0", "audit").get_json() == nothing


def test_a_damaged_tree_is_told_and_nothing_is_sealed_on_it(
    api: Api, caplog: pytest.LogCaptureFixture
) -> None:
    api.get("/checkpoint", "audit")
    api.issue()
    looking.change(api.instance, delete(tiles))
    answer = api.get("/checkpoint", "audit")
    assert answer.status_code == 500
    problem = answer.get_json(force=True)
    assert "damaged" in problem["detail"]
    assert problem["reference"] in caplog.text
    assert api.get("/records/0/proof", "audit").status_code == 500


def test_reading_changes_nothing_but_that_a_checkpoint_seals(api: Api) -> None:
    made = api.issue()
    api.get("/checkpoint", "audit")
    paths = [
        "/records", "/records/0", "/records/0/proof", "/checkpoint",
        "/checkpoints/consistency?first=1", "/passes", f"/passes/{made['pass']}", "/doors",
    ]  # fmt: skip
    before = looking.dump(api.instance)
    for path in paths:
        for method in ("GET", "HEAD"):
            assert api.call(method, path, "audit").status_code == 200
    for path in ("svg", "png"):
        api.get(f"/passes/{made['pass']}/codes/phone.{path}", "issue")
    for path in ("/keys", "/health", "/openapi.json"):
        api.get(path)
    assert looking.dump(api.instance) == before


def test_sealing_is_what_happens_within_a_second_anyway(api: Api) -> None:
    sealing.seal_all(api.instance, NOW_US)
    before = looking.rows(api.instance, tree.select())
    api.get("/checkpoint", "audit")
    assert looking.rows(api.instance, tree.select()) == before
