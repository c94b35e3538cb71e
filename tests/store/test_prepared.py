"""Statements that run on the driver's own cursor."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from sqlalchemy import and_, bindparam, insert, literal_column, or_, select, update

from passdesk.store import migrating
from passdesk.store.engine import Store
from passdesk.store.prepared import Prepared
from passdesk.store.tables import areas, facts, records, sites, tree

if TYPE_CHECKING:
    from collections.abc import Iterator

    from sqlalchemy.sql.expression import Executable


class Desk:
    """A cursor in an open transaction, and the dialect to prepare for."""

    def __init__(self, store: Store, cursor: Any) -> None:  # noqa: ANN401 # the driver's own
        self._store = store
        self.cursor = cursor

    def prepare(self, statement: Executable) -> Prepared:
        return Prepared(statement, self._store.writes.dialect)

    def run(self, statement: Executable, **values: object) -> list[tuple[Any, ...]]:
        return [tuple(row) for row in self.prepare(statement)(self.cursor, **values).fetchall()]


@pytest.fixture
def desk(database_url: str) -> Iterator[Desk]:
    store = Store(database_url)
    migrating.migrate(store)
    with store.writing() as connection:
        cursor = connection.connection.cursor()
        yield Desk(store, cursor)
        cursor.close()
    store.close()


NOTE = (
    insert(facts)
    .values(name=bindparam("name"), value=bindparam("value"))
    .returning(facts.c.name, facts.c.value)
)


@pytest.mark.parametrize(
    "value",
    [
        "green",
        "",
        "'; DROP TABLE facts; --",
        "100 % %s %(name)s ? :name",
        "門\u202e\U0001d520",
        "a\nb",
    ],
)
def test_text_comes_back_as_it_was_given(desk: Desk, value: str) -> None:
    assert desk.run(NOTE, name="colour", value=value) == [("colour", value)]


def test_whole_numbers_bytes_truth_and_nothing_come_back_as_they_were_given(desk: Desk) -> None:
    body = bytes(range(256))
    write = insert(records).values(
        at_us=bindparam("at_us"),
        kind=bindparam("kind"),
        body=bindparam("body"),
        position=bindparam("position"),
    )
    columns = (records.c.at_us, records.c.body, records.c.position)
    values = {"at_us": 2**62, "kind": "log.opened", "body": body, "position": None}
    assert desk.run(write.returning(*columns), **values) == [(2**62, body, None)]
    site = insert(sites).values(name="Mill Lane", zone="UTC").returning(sites.c.id)
    site_id = desk.run(site)[0][0]
    area = insert(areas).values(
        site_id=bindparam("site_id"), name=bindparam("name"), outside=bindparam("outside")
    )
    for name, outside in (("hall", False), ("street", True)):
        found = desk.run(
            area.returning(areas.c.outside), site_id=site_id, name=name, outside=outside
        )
        assert found == [(outside,)]


def test_one_statement_runs_many_times_with_other_values(desk: Desk) -> None:
    write = desk.prepare(NOTE)
    for number in range(20):
        write(desk.cursor, name=f"n{number}", value=str(number)).fetchall()
    read = desk.prepare(select(facts.c.value).where(facts.c.name == bindparam("name")))
    assert [read(desk.cursor, name=f"n{n}").fetchone()[0] for n in range(20)] == [
        str(n) for n in range(20)
    ]


def test_a_name_that_stands_twice_is_given_once(desk: Desk) -> None:
    desk.run(NOTE, name="same", value="same")
    desk.run(NOTE, name="one", value="other")
    both = and_(facts.c.name == bindparam("word"), facts.c.value == bindparam("word"))
    assert desk.run(select(facts.c.name).where(both), word="same") == [("same",)]


def test_what_the_statement_says_itself_needs_not_be_given(desk: Desk) -> None:
    for name in ("a", "b", "c"):
        desk.run(NOTE, name=name, value="100 %")
    either = or_(facts.c.name == "a", facts.c.name == bindparam("other"))
    query = select(facts.c.name, literal_column("'5 %'")).where(either, facts.c.value == "100 %")
    assert desk.run(query.order_by(facts.c.name), other="c") == [("a", "5 %"), ("c", "5 %")]


def test_a_statement_may_set_what_is_in_no_place_of_its_own(desk: Desk) -> None:
    desk.run(insert(tree).values(id=1, origin="passdesk/1", size=3).returning(tree.c.id))
    grow = update(tree).where(tree.c.id == 1).values(size=tree.c.size + bindparam("more"))
    assert desk.run(grow.returning(tree.c.size), more=4) == [(7,)]


def test_a_value_that_is_left_out_is_an_error(desk: Desk) -> None:
    with pytest.raises(Exception, match="value"):
        desk.run(NOTE, name="colour")
