"""Commands on the records: read them, check them, sign what stands."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from passdesk.cli.common import (
    FAILED,
    fail,
    now_us,
    opened,
    progress,
    say,
    show_table,
    with_instance,
    write_file,
)
from passdesk.core import clock, record
from passdesk.services import proving, sealing, verifying
from passdesk.services.errors import CommandError, Fault
from passdesk.services.verifying import Verdict
from passdesk.services.walking import Flaw

if TYPE_CHECKING:
    from passdesk.core.note import VerifierKey
    from passdesk.services.instance import Instance
    from passdesk.services.proving import Entry


@click.group("audit")
def audit() -> None:
    """Records: what happened, and the proof that nobody has edited it."""


@audit.command("list")
@click.option("--kind", type=click.Choice([kind.value for kind in record.Kind]))
@click.option("--limit", type=click.IntRange(1, 10_000), default=50, show_default=True)
@click.option(
    "--after",
    type=click.IntRange(1, 2**63 - 1),
    help="The id of the last record of the page before.",
)
@with_instance
def list_records(
    kind: str | None, limit: int, after: int | None, folder: Path, *, as_json: bool
) -> None:
    """List records, newest first. They hold references only, no names and no free text."""
    with opened(folder) as instance, instance.store.reading() as connection:
        entries = proving.records_page(
            connection,
            limit=limit,
            after=after,
            kind=record.Kind(kind) if kind else None,
        )
    if as_json:
        say([_data(entry) for entry in entries], "", as_json=True)
        return
    show_table([_row(entry) for entry in entries], "Id", "Position", "At", "By", "Kind", "Says")


def _data(entry: Entry) -> dict[str, Any]:
    said = entry.record
    return {
        "id": entry.id,
        "position": entry.position,
        "at": clock.format_utc(said.at_us) if said else None,
        "by": said.by if said else None,
        "kind": said.kind.value if said else None,
        "data": _plain(said.data) if said else None,
    }


def _plain(value: Any) -> Any:  # noqa: ANN401 # whatever a record holds
    """Give a record's value as JSON can hold it: bytes in hexadecimal."""
    if isinstance(value, bytes):
        return value.hex()
    if isinstance(value, list):
        return [_plain(item) for item in value]
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    return value


def _row(entry: Entry) -> tuple[str, ...]:
    position = "not sealed" if entry.position is None else str(entry.position)
    if entry.record is None:
        return str(entry.id), position, "", "", "", "cannot be read: it was altered"
    said = entry.record
    pairs = (f"{key} {_short(value)}" for key, value in said.data.items() if value is not None)
    at = clock.format_utc(said.at_us)
    return str(entry.id), position, at, said.by, said.kind.value, ", ".join(pairs)


def _short(value: Any) -> str:  # noqa: ANN401 # whatever a record holds
    if isinstance(value, bytes):
        return f"{value[:4].hex()}…"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)


@audit.command("verify")
@click.option(
    "--checkpoint",
    "checkpoint_file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="A checkpoint from before, as 'audit checkpoint' wrote it.",
)
@with_instance
def verify(checkpoint_file: Path | None, folder: Path, *, as_json: bool) -> None:
    """Check every record, the tree and the checkpoints. Ends with 1 if anything was altered."""
    note = None if checkpoint_file is None else _read(checkpoint_file)
    try:
        with opened(folder) as instance, progress("Verifying") as tell:
            verdict = verifying.verify(
                instance.store, _verifier(instance), checkpoint_note=note, progress=tell
            )
    except sealing.DamagedTreeError as error:
        verdict = Verdict(0, 0, None, Flaw(None, None, str(error)))
    say(_verdict(verdict), _sentences(verdict, earlier=note is not None), as_json=as_json)
    if not verdict.ok:
        sys.exit(FAILED)


def _verifier(instance: Instance) -> VerifierKey:
    with instance.store.reading() as connection:
        return sealing.log_verifier(instance.keyring, sealing.origin(connection))


def _read(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except OSError as error:
        raise CommandError.at("checkpoint", f"{path} cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise CommandError.at("checkpoint", f"{path} is no text, so no checkpoint") from error


def _verdict(verdict: Verdict) -> dict[str, Any]:
    flaw = verdict.first_bad
    return {
        "ok": verdict.ok,
        "sealed": verdict.sealed,
        "unsealed": verdict.unsealed,
        "root": verdict.root.hex() if verdict.root else None,
        "first_bad": None
        if flaw is None
        else {"position": flaw.position, "id": flaw.record_id, "what": flaw.sentence},
    }


def _sentences(verdict: Verdict, *, earlier: bool) -> str:
    flaw = verdict.first_bad
    if flaw is not None:
        row = "" if flaw.record_id is None else f" (id {flaw.record_id})"
        where = (
            "" if flaw.position is None else f" First bad record: position {flaw.position}{row}."
        )
        return f"ALTERED: {flaw.sentence}{where}"
    lines = [f"{verdict.sealed} sealed records are as they were signed."]
    if verdict.unsealed:
        lines.append(f"{verdict.unsealed} are not sealed yet: these are not protected.")
    if not earlier:
        lines.append(
            "Whether records at the end were cut off can be told only against a checkpoint that "
            "was kept elsewhere: --checkpoint FILE."
        )
    return "\n".join(lines)


@audit.command("checkpoint")
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), help="File to write it to.")
@with_instance
def checkpoint(out: Path | None, folder: Path, *, as_json: bool) -> None:
    """Seal what waits and give the newest signed checkpoint. Keep it away from this machine."""
    with opened(folder) as instance:
        try:
            note = sealing.checkpoint(instance, now_us())
            key = _verifier(instance).format()
        except sealing.DamagedTreeError as error:
            fail([Fault("records", str(error))], as_json=as_json, status=FAILED)
    if out is not None:
        write_file(out, note.encode())
    data = {"checkpoint": note, "verifier_key": key, "out": str(out) if out else None}
    text = note.rstrip("\n") if out is None else f"The checkpoint is in {out}."
    say(data, text, as_json=as_json)
