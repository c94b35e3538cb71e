"""What does not add up is found: each wrong thing is planted once."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from sqlalchemy import delete, insert, select, update

from passdesk.services.presenting import Presenter
from passdesk.store.tables import passes, presentations, records
from tests.support.gate import Gate
from tests.support.killed import Answered, present
from tests.support.looking import change
from tests.support.tallying import kept, tally, verify

if TYPE_CHECKING:
    from sqlalchemy.sql.expression import Executable

    from passdesk.services.instance import Instance

FIRST = select(presentations.c.id).order_by(presentations.c.id).limit(1).scalar_subquery()
DECISIONS = records.c.kind == "presentation.decided"
LAST_RECORD = select(records.c.id).order_by(records.c.id.desc()).limit(1).scalar_subquery()


@pytest.fixture
def told(small_instance: Instance) -> dict[str, Answered]:
    """Show a pass of two entries three times; give the answers."""
    gate = Gate.build(small_instance, reread_seconds=0)
    (text,) = gate.codes(1, entries=2)
    presenter, reader = Presenter(small_instance), gate.readers[0].id
    names = [f"attempt-{number}" for number in range(3)]
    return {name: present(presenter, reader, name, text) for name in names}


def test_what_the_service_wrote_adds_up(
    small_instance: Instance, told: dict[str, Answered]
) -> None:
    assert [answer.granted for answer in told.values()] == [True, True, False]
    assert tally(small_instance, told) == []
    assert kept(small_instance) == told
    assert verify(small_instance) == []


@pytest.mark.parametrize(
    ("planted", "sentence"),
    [
        (delete(presentations).where(presentations.c.id == FIRST), "was answered and is lost"),
        (delete(presentations).where(presentations.c.id == FIRST), "that are not there: ['1']"),
        (
            update(presentations).where(presentations.c.id == FIRST).values(reason="expired"),
            "presentation attempt-0 was answered",
        ),
        (
            update(presentations).where(presentations.c.id == FIRST).values(reason="expired"),
            "the record of presentation attempt-0 tells something else",
        ),
        (
            update(presentations).where(presentations.c.id == FIRST).values(spent=False),
            "pass 1 counts 2 entries and granted 1",
        ),
        (update(passes).values(entries_used=3), "pass 1 counts 3 entries and granted 2"),
        (update(passes).values(entry_limit=1), "pass 1 granted 2 entries of 1"),
        (
            delete(records).where(records.c.id == LAST_RECORD),
            "presentation attempt-2 has not exactly one record",
        ),
        (
            insert(records).from_select(
                ["at_us", "kind", "body"],
                select(records.c.at_us, records.c.kind, records.c.body)
                .where(DECISIONS)
                .order_by(records.c.id)
                .limit(1),
            ),
            "presentation attempt-0 has not exactly one record",
        ),
    ],
)
def test_what_does_not_add_up_is_named(
    small_instance: Instance, told: dict[str, Answered], planted: Executable, sentence: str
) -> None:
    change(small_instance, planted)
    found = tally(small_instance, told)
    assert any(sentence in finding for finding in found), found


def test_a_record_that_was_altered_after_it_was_sealed_is_found(
    small_instance: Instance,
    told: dict[str, Answered],
) -> None:
    assert verify(small_instance) == []
    assert told
    change(
        small_instance, update(records).where(records.c.id == LAST_RECORD).values(body=b"\x00" * 90)
    )
    found = verify(small_instance)
    assert len(found) == 1
    assert found[0].startswith("the log: ")
