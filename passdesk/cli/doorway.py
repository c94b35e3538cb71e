"""The command that shows a code to a reader."""

from __future__ import annotations

import secrets
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from passdesk.cli.common import REFUSED, model, now_us, opened, say, with_instance
from passdesk.core import clock, code, number, picture
from passdesk.services import access, finding
from passdesk.services.errors import CommandError
from passdesk.services.presenting import (
    MAX_TEXT,
    Moments,
    PresentCode,
    Presenter,
    text_in_picture,
    words_of,
)

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from passdesk.services.deciding import Answer

_PICTURES = {".png", ".jpg", ".jpeg", ".webp", ".gif", ".bmp"}


@click.command("present")
@click.argument("shown", metavar="IMAGE-OR-TEXT")
@click.option("--reader", required=True, help="The reader it is shown to.")
@click.option("--pin", help="Six digits.")
@click.option("--at", "at_text", metavar="TIME", help="Decide for this moment instead of now.")
@click.option("--presentation-id", help="Sent again with the same id, it gets the same answer.")
@with_instance
def present(  # the options of one presentation
    shown: str,
    reader: str,
    pin: str | None,
    at_text: str | None,
    presentation_id: str | None,
    folder: Path,
    *,
    as_json: bool,
) -> None:
    """Show a code, as a picture or as text, to a reader.

    Ends with 0 when it was granted, 3 when refused, 2 for wrong use. With --at it is spent only
    on an instance made by 'passdesk demo'; elsewhere it is a rehearsal that changes nothing.
    """
    text, problem = _read(shown)
    command = model(
        PresentCode,
        presentation_id=presentation_id or f"command-{secrets.token_hex(12)}",
        # An attempt whatever it is; what comes after the length of any code tells no more.
        text=text.strip()[:MAX_TEXT],
        pin=pin,
    )
    with opened(folder) as instance:
        with instance.store.reading() as connection:
            reader_id = access.reader_named(connection, reader)
            zone = finding.zone_of_reader(connection, reader_id)
        received_us = now_us()
        decided_for_us = received_us if at_text is None else _moment(at_text, zone)
        rehearsal = at_text is not None and not instance.demo
        presenter = Presenter(instance)
        answer = (presenter.rehearse if rehearsal else presenter.present)(
            command,
            reader_id=reader_id,
            by="command",
            moments=Moments(decided_for_us, received_us),
        )
    data = _data(answer, zone, problem, rehearsal=rehearsal)
    say(data, _text(data), as_json=as_json)
    if not answer.granted:
        sys.exit(REFUSED)


def _read(shown: str) -> tuple[str, str | None]:
    """Give the text that was shown, and what is wrong with a picture."""
    path = Path(shown)
    if shown.startswith(code.PREFIX) or not _names_a_file(path):
        return shown.encode(errors="replace").decode(), None  # bytes that are no text too
    try:
        with path.open("rb") as file:
            return text_in_picture(file.read(picture.MAX_IMAGE_BYTES + 1))
    except picture.PictureTooLargeError as error:
        raise CommandError.at("image", str(error)) from error
    except OSError as error:
        raise CommandError.at("image", f"{shown} cannot be read: {error.strerror}") from error


def _names_a_file(path: Path) -> bool:
    try:
        path.stat()
    except (FileNotFoundError, NotADirectoryError, PermissionError):
        return path.suffix.lower() in _PICTURES
    except (OSError, ValueError):  # too long, or with a zero byte: no file's name
        return False
    return path.name != ""


def _moment(text: str, zone: ZoneInfo) -> int:
    try:
        return clock.parse_instant(text, zone)
    except clock.LocalTimeError as error:
        raise CommandError.at("at", str(error)) from error


def _data(
    answer: Answer, zone: ZoneInfo, problem: str | None, *, rehearsal: bool
) -> dict[str, Any]:
    words = words_of(answer, zone)
    return {
        "granted": answer.granted,
        "reason": answer.reason.value if answer.reason else None,
        "pass": answer.pass_id,
        "number": number.display(answer.number) if answer.number else None,
        "entries_left": answer.entries_left,
        "again": answer.again,
        "spent": answer.spent,
        "decided_for": clock.format_instant(answer.moment_us, zone),
        "rehearsal": rehearsal,
        "headline": words.headline,
        "sentence": words.sentence,
        "detail": problem,
        "accompanies": [
            {
                "pass": guest.pass_id,
                "number": number.display(guest.number),
                "granted": guest.granted,
                "reason": guest.reason.value if guest.reason else None,
            }
            for guest in answer.accompanies
        ],
    }


def _text(data: dict[str, Any]) -> str:
    verdict = "Granted" if data["granted"] else f"Refused: {data['reason']}"
    if data["again"]:
        verdict += ", read again: nothing is spent and the door is not worked again"
    lines = [verdict, f"Guest is told: {data['headline']}. {data['sentence']}"]
    if data["number"]:
        left = data["entries_left"]
        entries = "no entry limit" if left is None else f"{left} entries left"
        lines.append(f"Pass {data['pass']}, pass number {data['number']}, {entries}")
    lines.append(f"Decided for {data['decided_for']}")
    lines += [
        f"Comes along: pass {guest['pass']}, {'granted' if guest['granted'] else guest['reason']}"
        for guest in data["accompanies"]
    ]
    if data["detail"]:
        lines.append(f"Picture: {data['detail']}")
    if data["rehearsal"]:
        lines.append("This was a rehearsal: nothing was spent and nothing was recorded.")
    return "\n".join(lines)
