"""Presentations over HTTP: what a reader sends, and the answer that works its relay."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING, Annotated

from pydantic import AfterValidator, BaseModel, Field, StringConstraints, WithJsonSchema

from passdesk.api import reading
from passdesk.api.operations import JSON, Call, Operations, answer
from passdesk.api.problems import Problem, ProblemError
from passdesk.core import clock, number, picture
from passdesk.core.reasons import Reason
from passdesk.services.access import Scope
from passdesk.services.models import Command
from passdesk.services.presenting import (
    MAX_TEXT,
    Moments,
    Pin,
    PresentationId,
    PresentCode,
    text_in_picture,
    words_of,
)

if TYPE_CHECKING:
    from flask import Response

    from passdesk.services.deciding import Accompanied, Answer

ReaderClock = Annotated[
    str,
    StringConstraints(max_length=40),
    Field(description="the reader's own clock, ISO 8601 with an offset"),
]

_READER = frozenset({Scope.READER})
_GRANTED = "granted"
_WHITE_SPACE = " \t\n\v\f\r"

presentations = Operations("presentations", "Codes that are shown to readers.")


def presentable(text: str) -> str:
    """Give what a text presents: itself without white space around it.

    A text that is longer than any code is an attempt too, to be refused and recorded like others:
    a digest stands for it, which no code reads like.
    """
    shown = text.strip(_WHITE_SPACE)
    if len(shown) <= MAX_TEXT:
        return shown
    return f"text:{hashlib.sha256(shown.encode()).hexdigest()}"


class ShowCode(PresentCode):
    """One attempt: the text of a code, as a reader has read it."""

    text: Annotated[
        str,
        AfterValidator(presentable),
        Field(description="all that was read; white space around it does not count"),
    ]


class ShowPicture(Command):
    """One attempt: a picture of a code."""

    presentation_id: PresentationId
    image: Annotated[
        bytes,
        WithJsonSchema({"type": "string", "contentMediaType": "application/octet-stream"}),
        Field(description="PNG, JPEG, WebP, GIF or BMP with one code in it"),
    ]
    pin: Pin | None = None
    reader_clock: ReaderClock | None = None


class Companion(BaseModel):
    """A guest who waited, and whose waiting this escort's presentation has ended."""

    model_config = {"populate_by_name": True}

    pass_: Annotated[int, Field(alias="pass")]
    number: str
    granted: bool
    reason: Reason | None


class Decision(BaseModel):
    """The answer to a presentation, for good: sent again, it gets the same."""

    model_config = {"populate_by_name": True}

    granted: bool
    open: Annotated[bool, Field(description="work the relay; only this says so")]
    again: Annotated[bool, Field(description="the same attempt read again; nothing was spent")]
    spent: Annotated[bool, Field(description="an entry was taken")]
    reason: Annotated[Reason | None, Field(description="why it was refused, for staff")]
    access_event: Annotated[str, Field(description="BACnetAccessEvent of ASHRAE 135")]
    onvif: Annotated[str, Field(description="reason as ONVIF's access control names it")]
    headline: Annotated[str, Field(description="for the guest, at most three words")]
    sentence: Annotated[str, Field(description="for the guest, with what to do next")]
    pass_: Annotated[int | None, Field(alias="pass", description="null: the code names none")]
    number: Annotated[str | None, Field(description="its pass number")]
    entries_left: Annotated[int | None, Field(description="null without a limit or a pass")]
    decided_for: Annotated[str, Field(description="ISO 8601 with the site's offset")]
    detail: Annotated[str | None, Field(description="what is wrong with a picture")]
    accompanies: tuple[Companion, ...]


@presentations.add(
    "POST", "/presentations",
    scopes=_READER, body=ShowCode, answers={JSON: Decision}, conflicts=True,
    example={
        "presentation_id": "front-in-20300514-000172",
        "text": "VP1:...",
        "reader_clock": "2030-05-14T09:01:07Z",
    },
)  # fmt: skip
def present_code(call: Call, body: ShowCode) -> Response:
    """Decide one presentation.

    The answer is given once it is on disk. Sent again with the same presentation id and the same
    content it gets the same answer, and counts once; with other content it is a conflict.
    """
    return _present(call, body)


@presentations.add(
    "POST", "/presentations/image",
    scopes=_READER, form=ShowPicture, answers={JSON: Decision}, conflicts=True,
)  # fmt: skip
def present_picture(call: Call, form: ShowPicture) -> Response:
    """Decide one presentation of a picture.

    A picture without a code, with several, or that cannot be opened is an attempt like any other:
    refused as unreadable, recorded, and `detail` says what to do. A reader at the exit lets out.
    """
    if len(form.image) > picture.MAX_IMAGE_BYTES:
        message = f"has more than {picture.MAX_IMAGE_BYTES} bytes; send a smaller picture"
        raise ProblemError.at(413, "image", message)
    try:
        text, wrong = text_in_picture(form.image)
    except picture.PictureTooLargeError as error:
        raise ProblemError.at(422, "image", str(error)) from error
    command = reading.model(ShowCode, {**form.model_dump(exclude={"image"}), "text": text})
    return _present(call, command, None if wrong is None else f"image: {wrong}")


def _present(call: Call, command: PresentCode, detail: str | None = None) -> Response:
    caller = call.caller
    if caller is None or caller.reader_id is None or caller.zone is None:
        raise ProblemError(Problem(403, "This token names no reader."))
    decided = call.backing.presenter.present(
        command,
        reader_id=caller.reader_id,
        by=call.by,
        moments=Moments(call.now_us, call.now_us),
    )
    return answer(_view(decided, caller.zone, detail))


def _view(decided: Answer, zone_name: str, detail: str | None) -> Decision:
    zone = clock.zone_named(zone_name)
    words = words_of(decided, zone)
    reason = decided.reason
    return Decision(
        granted=decided.granted,
        open=decided.granted and not decided.again,
        again=decided.again,
        spent=decided.spent,
        reason=reason,
        access_event=reason.access_event if reason else _GRANTED,
        onvif=reason.onvif if reason else _GRANTED,
        headline=words.headline,
        sentence=words.sentence,
        pass_=decided.pass_id,
        number=None if decided.number is None else number.display(decided.number),
        entries_left=decided.entries_left,
        decided_for=clock.format_instant(decided.moment_us, zone),
        detail=detail,
        accompanies=tuple(_companion(guest) for guest in decided.accompanies),
    )


def _companion(guest: Accompanied) -> Companion:
    return Companion(
        pass_=guest.pass_id,
        number=number.display(guest.number),
        granted=guest.granted,
        reason=guest.reason,
    )
