"""The whole way of a visit over HTTP, from the pass to the proof of what happened."""

from __future__ import annotations

import itertools
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

from passdesk.app import create_app
from passdesk.core import merkle
from passdesk.core.note import VerifierKey, open_note, parse_checkpoint
from tests.api.calling import API
from tests.support.place import MINUTE_US, NOW_US

if TYPE_CHECKING:
    from passdesk.core.note import Checkpoint
    from tests.api.calling import Api


def checkpoint(api: Api) -> Checkpoint:
    """Fetch a checkpoint and check its signature, with what the API publishes and no more."""
    verifier = VerifierKey.parse(api.get("/keys").get_json()["log"])
    return parse_checkpoint(open_note(api.get("/checkpoint", "audit").text, verifier))


def test_a_visit_from_the_pass_to_the_proof_of_what_happened(both: Api) -> None:
    api = both
    made = api.issue()
    earlier = checkpoint(api)

    picture = api.get(made["code"]["png"].removeprefix("/api/v1"), "issue").data
    first = api.present_image(picture).get_json()
    assert (first["granted"], first["open"], first["spent"]) == (True, True, True)
    assert (first["pass"], first["number"], first["entries_left"]) == (
        made["pass"], made["number"], 0,
    )  # fmt: skip

    api.wait(0.05)
    again = api.present(made).get_json()
    assert (again["granted"], again["again"], again["open"]) == (True, True, False)

    api.wait(1)
    assert api.present(made).get_json()["reason"] == "used-up"

    path = f"/passes/{made['number']}/withdrawal"
    withdrawn = api.post(path, "issue", {"because": "Visit called off"}).get_json()
    assert withdrawn["state"] == "withdrawn"
    assert api.present(made).get_json()["reason"] == "withdrawn"

    newest = checkpoint(api)
    listed = api.get("/records?kind=presentation.decided&oldest_first=true", "audit").get_json()
    decided = [one for one in listed["records"] if one["data"]["pass"] == made["pass"]]
    assert [(one["data"]["granted"], one["data"]["reason"]) for one in decided] == [
        (True, None), (True, None), (False, "used-up"), (False, "withdrawn"),
    ]  # fmt: skip

    for one in decided:
        proof = api.get(f"/records/{one['position']}/proof", "audit").get_json()
        leaf = merkle.leaf_hash(bytes.fromhex(proof["body"]))
        assert leaf.hex() == proof["leaf_hash"]
        hashes = [bytes.fromhex(found) for found in proof["hashes"]]
        merkle.verify_inclusion(leaf, one["position"], newest.size, hashes, newest.root)

    query = f"?first={earlier.size}&second={newest.size}"
    proof = api.get(f"/checkpoints/consistency{query}", "audit").get_json()
    hashes = [bytes.fromhex(found) for found in proof["hashes"]]
    merkle.verify_consistency(earlier.size, newest.size, earlier.root, newest.root, hashes)


def test_many_at_once_get_exactly_the_entries_of_the_pass(both: Api) -> None:
    text = both.issue(entries=5)["code"]["text"]
    moments = itertools.count(NOW_US, MINUTE_US)  # no two attempts are the same one read again
    app = create_app(both.instance, lambda: next(moments))

    def show(number: int) -> bool:
        reader = ("Front in", "Side in")[number % 2]
        answer = app.test_client().post(
            f"{API}/presentations",
            json={"presentation_id": f"at-once-{number:04d}", "text": text},
            headers={"Authorization": f"Bearer {both.tokens[reader]}"},
        )
        assert answer.status_code == 200
        return bool(answer.get_json()["open"])

    with ThreadPoolExecutor(8) as pool:
        assert sum(pool.map(show, range(40))) == 5
