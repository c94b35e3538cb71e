"""Commands that make, fill and examine an instance, and say who may call it."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from passdesk import settings
from passdesk.cli.common import (
    FAILED,
    now_us,
    opened,
    progress,
    say,
    show_table,
    with_instance,
)
from passdesk.core import cose
from passdesk.services import access, demo, doctor, finding
from passdesk.services import instance as instances

if TYPE_CHECKING:
    from pathlib import Path

    from passdesk.services.doctor import Finding


@click.command("init")
@with_instance
def init(folder: Path, *, as_json: bool) -> None:
    """Make an instance: keys, database and the first signing key; or bring one forward."""
    chosen = settings.load(folder)
    instances.create(chosen, now_us()).close()
    say({"instance": str(folder)}, f"The instance in {folder} is ready.", as_json=as_json)


@click.command("demo")
@with_instance
def load_demo(folder: Path, *, as_json: bool) -> None:
    """Fill a new instance with a place and a week of visits that are all invented."""
    instance = instances.create(settings.load(folder), now_us())
    try:
        with progress("Inventing a week of visits") as tell:
            summary = demo.load(instance, now_us(), tell)
    finally:
        instance.close()
    say(
        summary,
        f"Demo data is in {folder}: {summary['doors']} doors, {summary['passes']} passes, "
        f"{summary['presentations']} presentations.",
        as_json=as_json,
    )


@click.command("doctor")
@with_instance
def examine(folder: Path, *, as_json: bool) -> None:
    """Look for what is commonly wrong, and say how to mend it. Ends with 1 if anything is."""
    findings = doctor.examine(settings.load(folder), now_us())
    if as_json:
        say([_finding(found) for found in findings], "", as_json=True)
    else:
        show_table(
            [(found.verdict.value, found.what, found.detail) for found in findings],
            "Verdict", "What", "Detail",
        )  # fmt: skip
    if any(found.verdict is doctor.Verdict.WRONG for found in findings):
        sys.exit(FAILED)


def _finding(found: Finding) -> dict[str, str]:
    return {"verdict": found.verdict.value, "what": found.what, "detail": found.detail}


@click.group("key")
def key() -> None:
    """Keys that sign codes."""


@key.command("list")
@with_instance
def list_keys(folder: Path, *, as_json: bool) -> None:
    """List the public keys, as hex and as a COSE key set."""
    with opened(folder) as instance, instance.store.reading() as connection:
        found = finding.public_keys(connection)
    keys = [(cose.key_id(key).hex(), key.public_bytes_raw().hex()) for key in found]
    key_set = cose.key_set(found)
    data = {
        "keys": [{"kid": kid, "x": public} for kid, public in keys],
        "cose_key_set": key_set.hex(),
    }
    if as_json:
        say(data, "", as_json=True)
        return
    show_table(keys, "Key id", "Public key")
    click.echo(f"COSE key set: {key_set.hex()}")


@click.group("token")
def token() -> None:
    """Tokens with which other programs call the API."""


@token.command("add")
@click.argument("name")
@click.option("--scope", type=click.Choice([s.value for s in access.Scope]), required=True)
@click.option("--reader", help="For the scope 'reader': the one reader it speaks for.")
@with_instance
def add_token(name: str, scope: str, reader: str | None, folder: Path, *, as_json: bool) -> None:
    """Make a token; its secret is told just this once."""
    command = access.AddToken(name=name, scope=access.Scope(scope), reader=reader)
    with opened(folder) as instance:
        token_id, secret = instance.act("command", now_us(), access.add_token, command)
    say(
        {"token": token_id, "secret": secret},
        f"Token {token_id}, told just this once: {secret}",
        as_json=as_json,
    )


@token.command("list")
@with_instance
def list_tokens(folder: Path, *, as_json: bool) -> None:
    """List tokens without their secrets."""
    with opened(folder) as instance, instance.store.reading() as connection:
        found = finding.list_tokens(connection)
    if as_json:
        say([view.model_dump() for view in found], "", as_json=True)
        return
    rows = [
        (str(v.token), v.name, v.scope, v.reader or "", "ended" if v.ended else "good")
        for v in found
    ]
    show_table(rows, "Token", "Name", "Scope", "Reader", "State")


@token.command("end")
@click.argument("token_id", metavar="TOKEN", type=int)
@with_instance
def end_token(token_id: int, folder: Path, *, as_json: bool) -> None:
    """End a token at once."""
    with opened(folder) as instance:
        instance.act("command", now_us(), access.end_token, access.EndToken(token=token_id))
    say({"token": token_id}, f"Token {token_id} is ended.", as_json=as_json)


SERVICE_COMMANDS = (init, load_demo, examine, key, token)
