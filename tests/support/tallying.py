"""Whether what the database holds adds up, and agrees with what readers were told."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

from sqlalchemy import select

from passdesk.core import record
from passdesk.services import sealing, verifying
from passdesk.services.evidence import snapshot
from passdesk.store.tables import passes, presentations, records
from tests.support.gate import now_us
from tests.support.killed import Answered

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from sqlalchemy import Connection, Row

    from passdesk.services.instance import Instance

DECIDED = record.Kind.PRESENTATION_DECIDED


def tally(instance: Instance, told: Mapping[str, Answered]) -> list[str]:
    """List what does not add up.

    Args:
        instance: opened anew, by nobody who was killed.
        told: the answers that readers have had, by presentation id.
    """
    with snapshot(instance.store) as connection:
        rows = connection.execute(select(presentations).order_by(presentations.c.id)).all()
        return [
            *_answers(rows, told),
            *_counts(connection, rows),
            *_records(connection, rows),
        ]


def kept(instance: Instance) -> dict[str, Answered]:
    """Give every answer in the register, by presentation id."""
    with snapshot(instance.store) as connection:
        return _kept(connection.execute(select(presentations)).all())


def verify(instance: Instance) -> list[str]:
    """Seal what waits and verify all records; list what is wrong."""
    sealing.seal_all(instance, now_us())
    with instance.store.reading() as connection:
        origin = sealing.origin(connection)
    log_key = sealing.log_verifier(instance.keyring, origin)
    verdict = verifying.verify(instance.store, log_key)
    wrong = [] if verdict.first_bad is None else [f"the log: {verdict.first_bad.sentence}"]
    return wrong + (["the log: records wait after sealing"] if verdict.unsealed else [])


def _kept(rows: Sequence[Row[Any]]) -> dict[str, Answered]:
    return {
        row.presentation_id: Answered(bool(row.granted), bool(row.spent), row.reason, row.pass_id)
        for row in rows
    }


def _answers(rows: Sequence[Row[Any]], told: Mapping[str, Answered]) -> Iterator[str]:
    """Every answer is in the register, once, and says there what it said at the door."""
    times = Counter((row.reader_id, row.presentation_id) for row in rows)
    for (_, presentation_id), number in times.items():
        if number > 1:
            yield f"presentation {presentation_id} is there {number} times"
    register = _kept(rows)
    for presentation_id, answer in told.items():
        if presentation_id not in register:
            yield f"presentation {presentation_id} was answered and is lost: {answer}"
        elif register[presentation_id] != answer:
            yield (
                f"presentation {presentation_id} was answered {answer} "
                f"and is kept as {register[presentation_id]}"
            )


def _counts(connection: Connection, rows: Sequence[Row[Any]]) -> Iterator[str]:
    """The count of each pass is the number of entries that were granted, within its limit."""
    entries = Counter(row.pass_id for row in rows if row.granted and row.spent)
    for found in connection.execute(select(passes).order_by(passes.c.id)):
        counted = entries[found.id]
        if found.entries_used != counted:
            yield f"pass {found.id} counts {found.entries_used} entries and granted {counted}"
        if found.entry_limit and counted > found.entry_limit:
            yield f"pass {found.id} granted {counted} entries of {found.entry_limit}"


def _records(connection: Connection, rows: Sequence[Row[Any]]) -> Iterator[str]:
    """Every decision has one record, which says what was decided."""
    query = select(records.c.body).where(records.c.kind == DECIDED).order_by(records.c.id)
    data = [record.decode(body).data for body in connection.execute(query).scalars()]
    times = Counter(fields["presentation"] for fields in data)
    for row in rows:
        if times.pop(row.id, 0) != 1:
            yield f"presentation {row.presentation_id} has not exactly one record"
    if times:
        yield f"records tell of presentations that are not there: {sorted(map(str, times))}"
    by_row = {fields["presentation"]: fields for fields in data}
    for row in rows:
        fields = by_row.get(row.id)
        told = (bool(row.granted), bool(row.spent), row.reason, row.pass_id)
        if fields and tuple(fields[key] for key in ("granted", "spent", "reason", "pass")) != told:
            yield f"the record of presentation {row.presentation_id} tells something else"
