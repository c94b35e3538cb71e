"""What goes wrong, and how that is said."""

from __future__ import annotations

import gzip
import json
import secrets
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from sqlalchemy import event, text
from sqlalchemy.engine import make_url

from passdesk.api import reading
from passdesk.services import finding
from passdesk.store.engine import Store
from passdesk.store.tables import presentations
from tests.api.calling import API, PROBLEM, faults, new_pass
from tests.support import looking, postgresql

if TYPE_CHECKING:
    from collections.abc import Iterator

    from sqlalchemy import Connection
    from sqlalchemy.engine.interfaces import DBAPIConnection
    from werkzeug.test import TestResponse

    from tests.api.calling import Api

VALID = json.dumps(new_pass())
PIN = "739164"
SHOWN = "VP1:NOT%A$CODE"


def send(api: Api, body: bytes | str, content_type: str = "application/json") -> TestResponse:
    """Send any bytes to where passes are made."""
    return api.call("POST", "/passes", "issue", data=body, content_type=content_type)


# --- bodies --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"{",
        b"nonsense",
        b"{'guest': 'x'}",
        b'{"guest": "a", "guest": "b"}',
        b'{"daily": {"first_minute": 1, "first_minute": 2}}',
        b'{"entries": NaN}',
        b'{"entries": Infinity}',
        b'{"entries": -Infinity}',
        b'{"entries": 1' + b"0" * 5000 + b"}",
        b'{"guest": "\xff"}',
        b'{"guest": "\xed\xa0\x80"}',
        rb'{"guest": "\ud800"}',
        b'{"guest": "a\nb"}',
        b'\xef\xbb\xbf{"guest": "a"}',
        VALID.encode("utf-16"),
        VALID.encode("utf-8") + b"x",
        b'{"guest": ' * 6000,
        b"[" * 60_000,
        b'{"guest":' + b"[" * 300 + b"]" * 300 + b"}",
        gzip.compress(VALID.encode()),
        b"\x00",
    ],
)
def test_a_body_that_is_no_strict_json_is_refused_naming_the_body(kept: Api, body: bytes) -> None:
    assert list(faults(send(kept, body), 400)) == ["body"]


@pytest.mark.parametrize("body", ["[]", "null", "7", '"text"', "true"])
def test_json_that_is_no_object_does_not_fit(kept: Api, body: str) -> None:
    assert list(faults(send(kept, body), 422)) == ["request"]


@pytest.mark.parametrize(
    "content_type",
    ["", "text/plain", "application/x-www-form-urlencoded", "application/merge-patch+json"],
)
def test_a_body_of_another_type_is_refused(kept: Api, content_type: str) -> None:
    assert list(faults(send(kept, VALID, content_type), 415)) == ["content-type"]


@pytest.mark.parametrize("content_type", ["application/json; charset=utf-8", "Application/JSON"])
def test_the_type_is_read_as_types_are(kept: Api, content_type: str) -> None:
    assert send(kept, VALID, content_type).status_code == 201


def test_a_picture_must_come_in_a_form(kept: Api) -> None:
    answer = kept.post("/presentations/image", "Front in", {})
    assert list(faults(answer, 415)) == ["content-type"]


@pytest.mark.parametrize("more", [1, 20_000_000])
def test_a_body_that_is_too_large_is_refused(kept: Api, more: int) -> None:
    body = VALID.ljust(reading.MAX_JSON_BYTES + more)
    assert list(faults(send(kept, body), 413)) == ["body"]


def test_a_body_of_the_largest_size_is_read(kept: Api) -> None:
    assert send(kept, VALID.ljust(reading.MAX_JSON_BYTES)).status_code == 201


# --- paths and methods ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    "path",
    ["/", "", "/nothing", "/passes/", "//doors", "/doors/", "/passes/1/nothing", "/records/a/proof",
     "/passes/1/codes/phone.gif", "/%00", "/doors%2F", "/../doors"],
)  # fmt: skip
def test_a_path_that_is_not_there_is_a_problem(kept: Api, path: str) -> None:
    assert faults(kept.get(path, "issue"), 404) == {}


@pytest.mark.parametrize(
    ("method", "path", "allowed"),
    [
        ("DELETE", "/passes/1", {"GET", "HEAD"}),
        ("PUT", "/passes", {"GET", "HEAD", "POST"}),
        ("GET", "/presentations", {"POST"}),
        ("OPTIONS", "/doors", {"GET", "HEAD"}),
        ("TRACE", "/doors", {"GET", "HEAD"}),
        ("BREW", "/doors", {"GET", "HEAD"}),
    ],
)
def test_a_method_that_a_path_has_not_is_a_problem_that_names_those_it_has(
    kept: Api, method: str, path: str, allowed: set[str]
) -> None:
    answer = kept.call(method, path, "issue")
    assert faults(answer, 405) == {}
    assert {name.strip() for name in answer.headers["Allow"].split(",")} == allowed


# --- nothing is told that should not be ----------------------------------------------------------


@pytest.mark.parametrize(
    "change",
    [
        {"pin": PIN + "0"},
        {"pin": int(PIN)},
        {"pin": [PIN]},
        {"text": {"a": SHOWN}},
        {"text": [SHOWN]},
        {"presentation_id": 7},
        {"reader_clock": 7},
        {"reader_clock": "x" * 41},
        {"unknown": PIN},
    ],
)
def test_a_problem_never_repeats_the_pin_or_what_was_shown(
    kept: Api, change: dict[str, Any], caplog: pytest.LogCaptureFixture
) -> None:
    body = {"text": SHOWN, "pin": PIN, **kept.attempt(), **change}
    answers = [
        kept.post("/presentations", "Front in", body),
        kept.call(
            "POST", "/presentations", "Front in",
            data=json.dumps(body) + "x", content_type="application/json",
        ),
        kept.send_form({name: str(value) for name, value in body.items()}),
    ]  # fmt: skip
    for answer in answers:
        assert answer.mimetype == PROBLEM
        assert PIN not in answer.text
        assert SHOWN not in answer.text
    assert PIN not in caplog.text
    assert SHOWN not in caplog.text


def test_a_conflict_does_not_repeat_them_either(kept: Api) -> None:
    made = kept.issue(pin=True)
    attempt = kept.attempt()
    kept.present(made, **attempt, pin=made["new_pin"])
    answer = kept.present(SHOWN, **attempt, pin=PIN)
    assert faults(answer, 409)
    assert PIN not in answer.text
    assert SHOWN not in answer.text


def test_what_nobody_has_foreseen_is_logged_and_told_by_a_reference_only(
    api: Api, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(*_: object) -> None:
        raise RuntimeError("the inside of the service")

    monkeypatch.setattr(finding, "list_doors", broken)
    answer = api.get("/doors", "issue")
    assert faults(answer, 500) == {}
    assert "inside" not in answer.text
    assert answer.get_json(force=True)["reference"] in caplog.text
    assert "the inside of the service" in caplog.text
    (logged,) = caplog.records
    assert logged.name == "passdesk"


def test_what_a_failed_statement_held_is_not_logged(
    both: Api, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    name = secrets.token_hex(8)

    def broken(connection: Connection, *_: object) -> None:
        connection.execute(text("SELECT :name FROM nowhere"), {"name": name})

    monkeypatch.setattr(finding, "list_doors", broken)
    assert both.get("/doors", "issue").status_code in {500, 503}
    assert "nowhere" in caplog.text
    assert name not in caplog.text


# --- the database is away ------------------------------------------------------------------------


@contextmanager
def away(api: Api) -> Iterator[None]:
    """Take the database away, and bring it back."""
    url = make_url(api.instance.settings.database_url)
    if url.get_backend_name() == "postgresql":
        socket = str(url.query["host"])
        postgresql.execute(socket, f"ALTER DATABASE {url.database} ALLOW_CONNECTIONS false")
        end_connections(socket, str(url.database))
        yield
        postgresql.execute(socket, f"ALTER DATABASE {url.database} ALLOW_CONNECTIONS true")
        return
    api.instance.store.close()
    path = Path(str(url.database))
    aside = path.with_suffix(".aside")
    path.rename(aside)
    path.mkdir()
    yield
    api.instance.store.close()
    path.rmdir()
    aside.rename(path)


def end_connections(socket: str, database: str) -> None:
    """End every connection to a PostgreSQL database."""
    postgresql.execute(
        socket,
        f"SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = '{database}'",  # noqa: S608 # a name that the tests made
    )


def test_without_a_database_everything_says_so_and_afterwards_works_again(both: Api) -> None:
    made, attempt = both.issue(), both.attempt()
    with away(both):
        answers = [
            both.get("/health"),
            both.get("/keys"),
            both.get("/doors", "issue"),
            both.present(made, **attempt),
            both.post("/passes", "issue", new_pass()),
            both.get("/checkpoint", "audit"),
        ]
        page = both.app.test_client().get("/")
    for answer in answers:
        assert faults(answer, 503) == {}
        assert int(answer.headers["Retry-After"]) > 0
    assert (page.status_code, page.mimetype) == (503, "text/html")
    assert both.get("/health").status_code == 200
    assert both.present(made, **attempt).get_json()["spent"]


def test_connections_that_were_lost_meanwhile_are_made_anew(both: Api) -> None:
    made = both.issue()
    url = make_url(both.instance.settings.database_url)
    if url.get_backend_name() == "postgresql":
        end_connections(str(url.query["host"]), str(url.database))
    else:
        both.instance.store.close()
    assert both.present(made).get_json()["granted"]


def test_a_full_disk_grants_nothing_and_the_attempt_can_be_sent_again(
    api: Api, caplog: pytest.LogCaptureFixture
) -> None:
    made = api.issue(entries=0)
    full = True

    @event.listens_for(api.instance.store.writes, "begin")
    def limit(connection: Connection) -> None:
        pages = "1" if full else "1000000"
        connection.exec_driver_sql(f"PRAGMA max_page_count = {pages}")

    for _ in range(200):
        api.wait(1)
        attempt = api.attempt()
        answer = api.present(made, **attempt)
        if answer.status_code != 200:
            break
    assert faults(answer, 503) == {}
    assert "full" in caplog.text
    written = looking.count(api.instance, presentations)
    full = False
    assert api.present(made, **attempt).get_json()["granted"]
    assert looking.count(api.instance, presentations) == written + 1


def test_a_database_that_somebody_holds_for_too_long_is_away(api: Api) -> None:
    made = api.issue()

    holder = Store(api.instance.settings.database_url)

    @event.listens_for(api.instance.store.writes, "connect")
    def hurry(connection: DBAPIConnection, _: object) -> None:
        connection.cursor().execute("PRAGMA busy_timeout = 50")

    api.instance.store.close()
    with holder.writing():
        assert faults(api.present(made), 503) == {}
    holder.close()
    assert api.present(made).get_json()["granted"]


# --- headers -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("path", "status"),
    [("/health", 200), ("/nothing", 404), ("/doors", 401), ("/openapi.json", 200), ("/keys", 200)],
)
def test_every_answer_has_the_headers_that_keep_browsers_from_guessing(
    kept: Api, path: str, status: int
) -> None:
    answer = kept.app.test_client().get(API + path)
    assert answer.status_code == status
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert answer.headers["Referrer-Policy"] == "no-referrer"
    assert answer.headers["Cache-Control"] == "no-store"
    assert answer.headers["Content-Security-Policy"].startswith("default-src 'none';")
    assert answer.headers["Server"] == "passdesk"
    assert not {"X-Powered-By", "Set-Cookie"} & set(answer.headers.keys())


def test_no_page_of_elsewhere_may_read_the_api(kept: Api) -> None:
    headers = {"Origin": "https://elsewhere.example.org"}
    answer = kept.get("/health", headers=headers)
    assert not [name for name, _ in answer.headers if name.startswith("Access-Control")]
