"""Reading passes, doors, tokens and keys: states, pages, searches."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as with_settings
from hypothesis import strategies as st
from pydantic import ValidationError
from sqlalchemy import delete, insert, select, update

from passdesk.core.code import Proof
from passdesk.services import access, commissioning, finding
from passdesk.services.finding import FindPasses, PassState, PassView
from passdesk.services.instance import make_signing_key
from passdesk.store.tables import bars, codes, passes, readers, signing_keys
from tests.support import looking
from tests.support.place import DAY_US, NOW_US, ZONE

if TYPE_CHECKING:
    from passdesk.services.instance import Instance
    from tests.support.place import House


def find(instance: Instance, now_us: int = NOW_US, **fields: Any) -> list[PassView]:  # noqa: ANN401
    """Find passes."""
    with instance.store.reading() as connection:
        return finding.find_passes(connection, FindPasses.model_validate(fields), now_us)


def ids(instance: Instance, now_us: int = NOW_US, **fields: Any) -> list[int]:  # noqa: ANN401
    return [view.pass_ for view in find(instance, now_us, **fields)]


# --- how a pass stands -------------------------------------------------------------------------

# What is stored of a pass, and what it means at NOW_US; the first of several facts that are listed
# is the one that is told.
STANDS: tuple[tuple[PassState, dict[str, Any]], ...] = (
    (PassState.VALID, {"entries_used": 0}),
    (PassState.VALID, {"valid_from_us": NOW_US}),
    (PassState.VALID, {"valid_until_us": NOW_US + 1}),
    (PassState.VALID, {"entry_limit": 0, "entries_used": 10**6}),
    (PassState.VALID, {"entry_limit": 3, "entries_used": 2}),
    (PassState.USED_UP, {"entry_limit": 3, "entries_used": 3}),
    (PassState.USED_UP, {"entry_limit": 3, "entries_used": 4}),
    (PassState.UPCOMING, {"valid_from_us": NOW_US + 1}),
    (PassState.UPCOMING, {"valid_from_us": NOW_US + 1, "entries_used": 1}),
    (PassState.EXPIRED, {"valid_until_us": NOW_US}),
    (PassState.EXPIRED, {"valid_until_us": NOW_US, "entries_used": 1}),
    (PassState.WITHDRAWN, {"withdrawn_us": NOW_US}),
    (PassState.WITHDRAWN, {"withdrawn_us": NOW_US + DAY_US}),
    (PassState.WITHDRAWN, {"withdrawn_us": 1, "valid_until_us": NOW_US, "entries_used": 1}),
)


@pytest.mark.parametrize(("state", "stored"), STANDS)
def test_how_a_pass_stands_follows_from_what_is_stored(
    small_house: House, state: PassState, stored: dict[str, Any]
) -> None:
    small_house.issue()
    looking.change(small_house.instance, update(passes).values(**stored))
    (view,) = find(small_house.instance)
    assert view.state is state
    assert [found for found in PassState if ids(small_house.instance, state=found)] == [state]


BARS: dict[str, tuple[dict[str, Any], bool]] = {
    "for good": ({}, True),
    "until later": ({"until_us": NOW_US + 1}, True),
    "until now": ({"until_us": NOW_US}, False),
    "ended": ({"ended_us": NOW_US}, False),
    "of somebody else": ({"guest_id": 2, "email": "other@example.com"}, False),
    "of the same address": ({"guest_id": 2, "email": "ilse@example.com"}, True),
    "of another without address": ({"guest_id": 2, "email": None}, False),
}


@pytest.mark.parametrize(("bar", "holds"), BARS.values(), ids=BARS)
@pytest.mark.parametrize("email", ["ilse@example.com", None])
def test_a_guest_is_barred_by_themselves_or_by_their_address(
    house: House, bar: dict[str, Any], email: str | None, *, holds: bool
) -> None:
    house.issue(guest_email=email)
    house.issue(guest="Somebody Else", guest_email="other@example.com")
    row = {"guest_id": 1, "email": email, "started_us": 1, **bar}
    looking.change(house.instance, insert(bars).values(**row))
    if bar.get("email") == "ilse@example.com" and email is None:
        holds = False  # nobody is barred by an address that they do not have
    state = PassState.BARRED if holds else PassState.VALID
    (view,) = [view for view in find(house.instance) if view.guest == "Ilse Varga"]
    assert view.state is state
    assert 1 in ids(house.instance, state=state)


_near = st.sampled_from([NOW_US - 1, NOW_US, NOW_US + 1])


@with_settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    rows=st.lists(
        st.fixed_dictionaries(
            {
                "valid_from_us": _near,
                "valid_until_us": _near,
                "withdrawn_us": st.none() | _near,
                "entry_limit": st.integers(0, 2),
                "entries_used": st.integers(0, 3),
            }
        ),
        min_size=4,
        max_size=4,
    ),
    bar=st.none() | st.tuples(st.none() | _near, st.none() | _near),
)
def test_the_database_and_the_program_agree_on_every_state(
    four: House, rows: list[dict[str, Any]], bar: tuple[int | None, int | None] | None
) -> None:
    looking.change(
        four.instance,
        delete(bars),
        *(update(passes).where(passes.c.id == n).values(**row) for n, row in enumerate(rows, 1)),
    )
    if bar is not None:
        until_us, ended_us = bar
        row = {"guest_id": 1, "started_us": 1, "until_us": until_us, "ended_us": ended_us}
        looking.change(four.instance, insert(bars).values(**row))
    told = {view.pass_: view.state for view in find(four.instance)}
    chosen = {pass_id: state for state in PassState for pass_id in ids(four.instance, state=state)}
    assert chosen == told
    # Each pass is in one state only.
    assert sum(len(ids(four.instance, state=state)) for state in PassState) == 4


@pytest.fixture
def four(house: House) -> House:
    """Give a place with four passes, two of them of one guest."""
    for guest in ("A", "A", "B", "C"):
        house.issue(guest=guest, guest_email=f"{guest}@example.com")
    return house


# --- what is told of a pass --------------------------------------------------------------------


def test_all_that_is_told_of_a_pass(house: House) -> None:
    issued = house.issue(
        doors=("Visitors", "Laboratory"), organisation="Northlight", purpose="Survey", entries=3,
        pin=True, escort=True, carrier="badge",
    )  # fmt: skip
    (view,) = find(house.instance)
    assert view == PassView(
        pass_=issued.pass_id,
        number=issued.number,
        state=PassState.VALID,
        site="Mill Lane",
        guest="Ilse Varga",
        organisation="Northlight",
        host="tomas.brand@example.org",
        purpose="Survey",
        doors=("Laboratory", "Visitors"),
        valid_from="2030-05-14T10:00:00+01:00",
        valid_until="2030-05-14T11:00:00+01:00",
        zone="Europe/Lisbon",
        entries=3,
        entries_used=0,
        entries_left=3,
        pin=True,
        escort=True,
        escort_pass=False,
        carriers=("badge",),
    )
    with house.instance.store.reading() as connection:
        assert finding.pass_view(connection, issued.pass_id, NOW_US) == view
        assert finding.count_passes(connection) == 1


def test_entries_left_are_never_below_none(small_house: House) -> None:
    small_house.issue()
    looking.change(small_house.instance, update(passes).values(entries_used=7))
    assert (find(small_house.instance)[0].entries_left, find(small_house.instance)[0].entries) == (
        0, 1,
    )  # fmt: skip


@pytest.mark.parametrize("proof", list(Proof))
def test_what_a_pass_asks_for_is_told_one_by_one(small_house: House, proof: Proof) -> None:
    small_house.issue()
    looking.change(small_house.instance, update(passes).values(proof=int(proof)))
    (view,) = find(small_house.instance)
    assert [view.pin, view.escort, view.escort_pass] == [
        proof is Proof.PIN, proof is Proof.ESCORT_NEEDED, proof is Proof.ESCORT_PASS,
    ]  # fmt: skip


def test_only_live_codes_have_a_carrier(small_house: House) -> None:
    small_house.issue()
    looking.change(small_house.instance, update(codes).values(ended_us=NOW_US))
    assert find(small_house.instance)[0].carriers == ()


# --- lists -------------------------------------------------------------------------------------


def test_pages_follow_one_another_without_gap_or_overlap(house: House) -> None:
    for n in range(5):
        house.issue(guest=f"Guest {n}")
    assert ids(house.instance) == [5, 4, 3, 2, 1]
    pages = [ids(house.instance, limit=2)]
    while pages[-1]:
        pages.append(ids(house.instance, limit=2, before=pages[-1][-1]))
    assert pages == [[5, 4], [3, 2], [1], []]
    assert ids(house.instance, before=2**63 - 1) == [5, 4, 3, 2, 1]


def test_a_page_of_a_state_is_as_long_as_it_can_be(house: House) -> None:
    for n in range(6):
        house.issue(guest=f"Guest {n}")
    even = update(passes).where(passes.c.id % 2 == 0).values(withdrawn_us=1)
    looking.change(house.instance, even)
    assert ids(house.instance, state="withdrawn", limit=2) == [6, 4]
    assert ids(house.instance, state="withdrawn", limit=2, before=4) == [2]


GUESTS = (
    ("100% Cotton", "A_B GmbH"),
    ("1000 Cotton", "AxB GmbH"),
    ("O'Hara \\ Söhne", None),
    ("[a-z]* ?", "ANA REIS"),
)


SEARCHES = {
    "%": [1],
    "100%": [1],
    "_": [1],
    "A_B": [1],
    "a_b": [1],
    "\\": [3],
    "o'hara": [3],
    "Söhne": [3],
    "[a-z]": [4],
    "*": [4],
    "?": [4],
    "ana re": [4],
    "cotton": [2, 1],
    "gmbh": [2, 1],
    "Tomas": [4, 3, 2, 1],
    "TOMAS.BRAND@": [4, 3, 2, 1],
    "example.org": [4, 3, 2, 1],
    "/": [],
    "100_": [],
    "%%": [],
    "' OR 1=1 --": [],
    "  cotton ": [2, 1],
    "So\u0308hne": [3],  # the same letter, made of two characters
}


def test_a_search_takes_every_character_as_it_is(house: House) -> None:
    for name, organisation in GUESTS:
        house.issue(guest=name, organisation=organisation, host_name="Tomas Brand")
    assert {text: ids(house.instance, text=text) for text in SEARCHES} == SEARCHES


@pytest.mark.parametrize(
    "fields",
    [
        {"before": 0},
        {"before": 2**63},
        {"limit": 0},
        {"limit": finding.MAX_PAGE + 1},
        {"text": ""},
        {"text": " "},
        {"text": "x" * 201},
        {"text": "a\0b"},
        {"text": "a\ud800"},
        {"state": "fine"},
        {"colour": "red"},
    ],
)
def test_a_search_that_cannot_be_made_is_refused(fields: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        FindPasses.model_validate(fields)


# --- doors, readers, tokens, keys --------------------------------------------------------------


def test_every_door_is_listed_with_what_is_at_it(house: House) -> None:
    looking.change(
        house.instance, update(readers).where(readers.c.name == "Side out").values(ended_us=1)
    )
    with house.instance.store.reading() as connection:
        listed = [door.model_dump(by_alias=True) for door in finding.list_doors(connection)]
    front, side, lab, yard = listed
    assert front == {
        "site": "Mill Lane",
        "name": "Front",
        "from": "outside",
        "to": "hall",
        "groups": ("Visitors",),
        "readers": (
            {"name": "Front in", "direction": "entry"},
            {"name": "Front out", "direction": "exit"},
        ),
    }
    assert side["readers"] == ({"name": "Side in", "direction": "entry"},)
    assert (lab["from"], lab["to"], lab["groups"]) == ("hall", "laboratory", ("Laboratory",))
    assert [reader["name"] for reader in yard["readers"]] == ["Yard in"]


def test_the_zone_of_a_reader_is_that_of_its_site(house: House) -> None:
    c = commissioning
    house.act(c.add_site, c.AddSite(name="Harbour", zone="Europe/Oslo"))
    for name in ("outside", "quay"):
        house.act(c.add_area, c.AddArea(site="Harbour", name=name))
    gate = c.AddDoor(site="Harbour", name="Gate", from_area="outside", to_area="quay")
    house.act(c.add_door, gate)
    wanted = {"site": "Harbour", "name": "Gate in", "door": "Gate", "direction": "entry"}
    reader_id = house.act(c.add_reader, c.AddReader.model_validate(wanted))
    with house.instance.store.reading() as connection:
        zones = [
            finding.zone_of_reader(connection, reader)
            for reader in (house.readers["Front in"], reader_id)
        ]
    assert [zone.key for zone in zones] == [ZONE.key, "Europe/Oslo"]


def test_tokens_are_listed_without_their_secrets(house: House) -> None:
    for fields in (
        {"name": "desk", "scope": "issue"},
        {"name": "gate", "scope": "reader", "reader": "Lab in"},
    ):
        house.act(access.add_token, access.AddToken.model_validate(fields))
    house.act(access.end_token, access.EndToken(token=1))
    with house.instance.store.reading() as connection:
        listed = [view.model_dump() for view in finding.list_tokens(connection)]
    assert listed == [
        {"token": 1, "name": "desk", "scope": "issue", "reader": None, "ended": True},
        {"token": 2, "name": "gate", "scope": "reader", "reader": "Lab in", "ended": False},
    ]


def test_keys_that_verify_are_listed_the_oldest_first(house: House) -> None:
    for _ in range(2):
        house.instance.act("command", NOW_US, make_signing_key)
    k = signing_keys
    looking.change(
        house.instance,
        update(k).where(k.c.id == 1).values(retired_us=NOW_US),
        update(k).where(k.c.id == 2).values(ended_us=NOW_US),
    )
    stored = [row.public for row in looking.rows(house.instance, select(k).order_by(k.c.id))]
    with house.instance.store.reading() as connection:
        found = [key.public_bytes_raw() for key in finding.public_keys(connection)]
    # One that signs no more still verifies; one that was ended does not.
    assert found == [stored[0], stored[2]]
