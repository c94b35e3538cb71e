"""Who may call what."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from sqlalchemy import update

from passdesk.services import access
from passdesk.services.instance import open_instance
from passdesk.store.tables import readers, records, tokens
from tests.api.calling import API, faults
from tests.support import looking
from tests.support.place import NOW_US

if TYPE_CHECKING:
    from werkzeug.test import TestResponse

    from tests.api.calling import Api

# Every route and who may use it; `anyone` needs no token. A route without a line here fails below.
ROUTES = {
    "api.issue_pass": {"issue"},
    "api.find_passes": {"issue", "audit"},
    "api.get_pass": {"issue", "audit"},
    "api.extend_pass": {"issue"},
    "api.withdraw_pass": {"issue"},
    "api.reinstate_pass": {"issue"},
    "api.recode_pass": {"issue"},
    "api.get_svg": {"issue"},
    "api.get_png": {"issue"},
    "api.present_code": {"reader"},
    "api.present_picture": {"reader"},
    "api.list_doors": {"issue", "audit"},
    "api.list_records": {"audit"},
    "api.get_record": {"audit"},
    "api.prove_record": {"audit"},
    "api.get_checkpoint": {"audit"},
    "api.prove_consistency": {"audit"},
    "api.list_keys": {"anyone"},
    "api.get_health": {"anyone"},
    "api.get_description": {"anyone"},
    "web.start": {"anyone"},
    "web.static": {"anyone"},
}
CALLERS = {
    "nobody": None,
    "a stranger": "Bearer nonsense",
    "an ended token": "Bearer {ended}",
    "reader": "Bearer {reader}",
    "issue": "Bearer {issue}",
    "audit": "Bearer {audit}",
}


def authorized(api: Api, caller: str) -> dict[str, str]:
    """Give the header of a caller."""
    header = CALLERS[caller]
    if header is None:
        return {}
    ended, secret = api.house.act(
        access.add_token, access.AddToken(name="ended", scope=access.Scope.ISSUE)
    )
    api.house.act(access.end_token, access.EndToken(token=ended))
    secrets = {**api.tokens, "ended": secret, "reader": api.tokens["Front in"]}
    return {"Authorization": header.format(**secrets)}


def every_route(api: Api, headers: dict[str, str]) -> dict[str, TestResponse]:
    """Call every route there is with some headers; give the answers by endpoint."""
    made = api.issue()
    values = {
        "reference": made["pass"],
        "carrier": "phone",
        "position": 0,
        "filename": "passdesk.css",
    }
    answers = {}
    client = api.app.test_client()
    for rule in api.app.url_map.iter_rules():
        methods = {"GET", "POST"} & (rule.methods or set())
        path = rule.build({name: values[name] for name in rule.arguments})
        assert path is not None
        assert len(methods) == 1
        answers[rule.endpoint] = client.open(
            path[1], method=methods.pop(), headers=headers, buffered=True
        )
    return answers


def test_every_route_has_its_callers_written_down(api: Api) -> None:
    assert {rule.endpoint for rule in api.app.url_map.iter_rules()} == set(ROUTES)


@pytest.mark.parametrize("caller", CALLERS)
def test_every_route_answers_those_who_may_call_it_and_nobody_else(api: Api, caller: str) -> None:
    for endpoint, answer in every_route(api, authorized(api, caller)).items():
        allowed = ROUTES[endpoint]
        if "anyone" in allowed or caller in allowed:
            assert answer.status_code not in {401, 403}, endpoint
        else:
            known = caller in {"reader", "issue", "audit"}
            assert faults(answer, 403 if known else 401) == {}, endpoint
            assert answer.headers["WWW-Authenticate"].startswith('Bearer realm="passdesk"')


def test_unknown_and_ended_tokens_get_the_same_answer(kept: Api) -> None:
    stranger = kept.get("/passes", headers=authorized(kept, "a stranger"))
    ended = kept.get("/passes", headers=authorized(kept, "an ended token"))
    assert stranger.data == ended.data
    assert stranger.headers == ended.headers


def test_the_answers_say_what_rfc_6750_says(kept: Api) -> None:
    # RFC 6750 section 3: no error code without a token; invalid_token; insufficient_scope, whose
    # `scope` names what is needed.
    nobody = kept.get("/doors").headers["WWW-Authenticate"]
    stranger = kept.get("/doors", "nonsense").headers["WWW-Authenticate"]
    reader = kept.get("/doors", "Front in").headers["WWW-Authenticate"]
    assert nobody == 'Bearer realm="passdesk"'
    assert stranger == 'Bearer realm="passdesk", error="invalid_token"'
    assert reader.endswith('error="insufficient_scope", scope="audit issue"')


@pytest.mark.parametrize(
    ("header", "status"),
    [
        ("Bearer {issue}", 200),
        ("bearer {issue}", 200),
        ("BEARER  {issue} ", 200),
        ("{issue}", 401),
        ("Basic {issue}", 401),
        ("Bearer", 401),
        ("Bearer ", 401),
        ("Bearer {issue} {issue}", 401),
        ("Bearer {issue}=", 401),
        ("Bearer \u00e9", 401),
        ("Bearer " + "x" * 5000, 401),
    ],
)
def test_the_authorization_header_is_read_strictly(kept: Api, header: str, status: int) -> None:
    headers = {"Authorization": header.format(**kept.tokens)}
    assert kept.get("/doors", headers=headers).status_code == status


def test_a_token_is_looked_for_before_the_body_is_read(kept: Api) -> None:
    answer = kept.call("POST", "/passes", data="{", content_type="text/plain")
    assert answer.status_code == 401


def test_a_token_that_another_process_ends_is_refused_from_then_on(both: Api) -> None:
    assert both.get("/doors", "issue").status_code == 200
    elsewhere = open_instance(both.instance.settings)
    elsewhere.act("command", NOW_US, access.end_token, access.EndToken(token=1))
    elsewhere.close()
    assert both.get("/doors", "issue").status_code == 401


def test_a_token_that_another_process_makes_is_good_from_then_on(both: Api) -> None:
    elsewhere = open_instance(both.instance.settings)
    command = access.AddToken(name="new", scope=access.Scope.AUDIT)
    _, secret = elsewhere.act("command", NOW_US, access.add_token, command)
    elsewhere.close()
    assert both.get("/doors", secret).status_code == 200


def test_the_token_of_a_reader_that_was_ended_is_no_token(api: Api) -> None:
    reader_id = api.house.readers["Front in"]
    end = update(readers).where(readers.c.id == reader_id).values(ended_us=NOW_US)
    looking.change(api.instance, end)
    assert api.present("VP1:").status_code == 401


def test_a_reader_token_without_a_reader_opens_nothing(api: Api) -> None:
    looking.change(api.instance, update(tokens).values(reader_id=None))
    answer = api.app.test_client().post(
        f"{API}/presentations",
        json={**api.attempt(), "text": "VP1:"},
        headers={"Authorization": f"Bearer {api.tokens['Front out']}"},
    )
    assert faults(answer, 403) == {}


def test_a_caller_is_who_the_services_say(both: Api) -> None:
    for name, secret in both.tokens.items():
        caller = access.Callers(both.instance.store).find(secret)
        assert caller is not None
        path = {"issue": "/passes/1/codes", "audit": "/records"}.get(name, "/presentations")
        assert both.call("GET", path, secret).status_code in {200, 404, 405}
        assert caller.scope == (name if name in {"issue", "audit"} else "reader")


def test_a_reader_speaks_for_itself_only(kept: Api) -> None:
    made = kept.issue()
    body = {**kept.attempt(), "text": made["code"]["text"], "reader": "Front in"}
    assert list(faults(kept.post("/presentations", "Side in", body), 422)) == ["reader"]
    kept.present(made, "Side in")
    (newest,) = kept.get("/records?limit=1", "audit").get_json()["records"]
    assert newest["by"] == f"reader:{kept.house.readers['Side in']}"


def test_refused_callers_leave_no_trace(api: Api) -> None:
    before = looking.count(api.instance, records)
    client = api.app.test_client()
    for caller in ("nobody", "a stranger", "audit"):
        secret = {"audit": api.tokens["audit"]}.get(caller, "nonsense")
        headers = {"Authorization": f"Bearer {secret}"}
        client.post(f"{API}/presentations", json={"text": "VP1:"}, headers=headers)
        client.post(f"{API}/passes", json={}, headers=headers)
    assert looking.count(api.instance, records) == before
