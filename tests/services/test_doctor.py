"""What is commonly wrong with an instance is found, and how to mend it is said."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING, Any, NamedTuple

import pytest
from sqlalchemy import delete, select, text, update

from passdesk import settings
from passdesk.core.clock import MICROSECONDS
from passdesk.services import commissioning, doctor, sealing
from passdesk.services.doctor import Verdict, examine
from passdesk.store.tables import areas, readers, records, signing_keys
from tests.support import looking
from tests.support.place import NOW_US

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from passdesk.services.instance import Instance
    from tests.support.place import House


def found(instance: Instance, now_us: int = NOW_US) -> dict[str, list[tuple[str, str]]]:
    """Examine an instance; give verdicts and details by what was looked at."""
    said: dict[str, list[tuple[str, str]]] = {}
    for one in examine(instance.settings, now_us):
        said.setdefault(one.what, []).append((one.verdict, one.detail))
    return said


def verdicts(instance: Instance, what: str, now_us: int = NOW_US) -> list[str]:
    return [verdict for verdict, _ in found(instance, now_us)[what]]


def test_a_place_that_is_well_is_found_good(house: House) -> None:
    c = commissioning
    sealing.seal_all(house.instance, NOW_US)
    house.act(c.add_door, c.AddDoor(
        name="Cellar", from_area="hall", to_area="laboratory", schedules=("always",),
        groups=("Nothing",),
    ))  # fmt: skip
    house.act(c.add_reader, c.AddReader.model_validate(
        {"name": "Cellar in", "door": "Cellar", "direction": "entry"}
    ))  # fmt: skip
    said = found(house.instance)
    looked_at = ["keys", "disk", "database", "sqlite", "signing key", "clock", "records", "place"]
    if house.instance.store.dialect != "sqlite":
        looked_at.remove("sqlite")
    assert list(said) == looked_at
    assert {verdict for what in said if what != "disk" for verdict, _ in said[what]} == {"good"}
    assert said["place"] == [("good", "5 doors, each with schedule, group and reader")]


def test_an_instance_in_which_nothing_was_set_up_has_nothing_wrong(instance: Instance) -> None:
    assert Verdict.WRONG not in {one.verdict for one in examine(instance.settings, NOW_US)}


# --- keys --------------------------------------------------------------------------------------


class Harm(NamedTuple):
    """A way to harm the keys, and what is said of it."""

    do: Callable[[Path], object]
    says: str


HARMS = {
    "folder that others can read": Harm(lambda keys: keys.chmod(0o755), "run 'chmod 700 "),
    "key that others can read": Harm(
        lambda keys: (keys / "log.pem").chmod(0o644), "run 'chmod 600 "
    ),
    "no key of the log": Harm(lambda keys: (keys / "log.pem").unlink(), "log.pem: not found"),
    "no key of digests": Harm(lambda keys: (keys / "digest.key").unlink(), "digest.key: not found"),
    "half a key of digests": Harm(
        lambda keys: (keys / "digest.key").write_bytes(b"short"), "is no key of 32 bytes"
    ),
    "no keys": Harm(shutil.rmtree, "no such folder; run 'passdesk init'"),
}


@pytest.mark.parametrize("harm", HARMS.values(), ids=HARMS)
def test_keys_that_cannot_be_used_are_found(small_house: House, harm: Harm) -> None:
    harm.do(small_house.instance.settings.keys)
    ((verdict, detail),) = found(small_house.instance)["keys"]
    assert verdict == "wrong"
    assert harm.says in detail


def test_a_lost_signing_key_is_found(small_house: House) -> None:
    (lost,) = small_house.instance.settings.keys.glob("issuer-*.pem")
    lost.unlink()
    ((verdict, detail),) = found(small_house.instance)["signing key"]
    assert (verdict, detail.split(":")[0]) == ("wrong", str(lost))


@pytest.mark.parametrize("column", ["retired_us", "ended_us"])
def test_an_instance_that_can_sign_no_code_is_found(house: House, column: str) -> None:
    looking.change(house.instance, update(signing_keys).values({column: 1}))
    assert found(house.instance)["signing key"] == [
        ("wrong", "there is none, so no pass can be made")
    ]


# --- database, disk, clock ---------------------------------------------------------------------


def test_a_database_of_another_version_is_found(instance: Instance) -> None:
    looking.change(instance, text("UPDATE alembic_version SET version_num = '0000'"))
    ((verdict, detail),) = found(instance)["database"]
    assert verdict == "wrong"
    assert detail.startswith("at version 0000, wants ")
    assert detail.endswith("; run 'passdesk init'")
    assert "records" not in found(instance)  # nothing is read from tables that may not be there


def _no_file(path: Path) -> None:
    path.unlink()


def _no_database(path: Path) -> None:
    path.write_bytes(b"garbage " * 1000)


def _a_folder(path: Path) -> None:
    path.unlink()
    path.mkdir()


@pytest.mark.parametrize(
    ("harm", "says"),
    [
        (_no_file, "at version none, wants "),
        (_no_database, "cannot be opened: file is not a database"),
        (_a_folder, "cannot be opened: unable to open database file"),
    ],
)
def test_a_database_that_is_none_is_found(
    small_instance: Instance, harm: Callable[[Path], None], says: str
) -> None:
    small_instance.close()
    for left in small_instance.settings.instance.glob("passdesk.db-*"):
        left.unlink()
    harm(small_instance.settings.instance / "passdesk.db")
    ((verdict, detail),) = found(small_instance)["database"]
    assert verdict == "wrong"
    assert detail.startswith(says)


def test_a_server_that_does_not_answer_is_found_in_one_line(small_instance: Instance) -> None:
    url = {"PASSDESK_DATABASE_URL": "postgresql+psycopg://127.0.0.1:1/passdesk"}
    chosen = settings.load(small_instance.settings.instance, url)
    (detail,) = [one.detail for one in examine(chosen, NOW_US) if one.what == "database"]
    assert detail.startswith("cannot be opened: connection failed")
    assert "\n" not in detail


def test_a_place_without_an_instance_is_found(tmp_path: Path) -> None:
    said = {one.what: one.verdict for one in examine(settings.load(tmp_path / "no", {}), NOW_US)}
    assert said == {"keys": "wrong", "instance": "wrong", "database": "wrong"}


@pytest.mark.parametrize(("free", "verdict"), [(499_999_999, "look"), (500_000_000, "good")])
def test_little_room_on_the_disk_is_found(
    small_instance: Instance, monkeypatch: pytest.MonkeyPatch, free: int, verdict: str
) -> None:
    class Usage(NamedTuple):
        free: int

    monkeypatch.setattr(shutil, "disk_usage", lambda _folder: Usage(free))
    ((said, detail),) = found(small_instance)["disk"]
    assert (said, detail.split(";")[0]) == (verdict, f"{free // 1_000_000} MB free")


def test_an_old_sqlite_is_found(small_instance: Instance, monkeypatch: pytest.MonkeyPatch) -> None:
    # 3.51.3 mended a race that can damage the write-ahead log (sqlite.org/changes.html, from
    # memory).
    assert doctor.SAFE_SQLITE == (3, 51, 3)
    assert verdicts(small_instance, "sqlite") == ["good"]
    monkeypatch.setattr(doctor, "SAFE_SQLITE", (99, 0, 0))
    ((verdict, detail),) = found(small_instance)["sqlite"]
    assert verdict == "look"
    assert detail.endswith("install pysqlite3")


@pytest.mark.parametrize(
    ("seconds", "verdict"), [(0, "good"), (-60, "good"), (-61, "wrong"), (86_400, "good")]
)
def test_a_clock_behind_the_records_is_found(
    instance: Instance, seconds: int, verdict: str
) -> None:
    assert verdicts(instance, "clock", NOW_US + seconds * MICROSECONDS) == [verdict]


def test_a_clock_with_no_record_to_hold_it_against_is_good(instance: Instance) -> None:
    looking.change(instance, delete(records))
    assert verdicts(instance, "clock", 0) == ["good"]


@pytest.mark.parametrize(("seconds", "verdict"), [(10, "good"), (11, "look")])
def test_records_that_wait_too_long_to_be_sealed_are_found(
    instance: Instance, seconds: int, verdict: str
) -> None:
    later = NOW_US + seconds * MICROSECONDS
    assert verdicts(instance, "records", later) == [verdict]
    sealing.seal_all(instance, later)
    assert found(instance, later)["records"] == [("good", "0 not sealed yet")]


# --- the place ---------------------------------------------------------------------------------


def add(house: House, job: Callable[..., Any], kind: Any, **fields: Any) -> None:  # noqa: ANN401
    house.act(job, kind.model_validate(fields))


def test_doors_and_groups_that_can_never_work_are_named(house: House) -> None:
    c = commissioning
    add(house, c.add_door, c.AddDoor, name="Attic", from_area="hall", to_area="laboratory")
    add(house, c.add_group, c.AddGroup, name="Annexe")
    assert found(house.instance)["place"] == [
        ("look", "Attic: door without a schedule is always closed"),
        ("look", "Attic: door without a group, no pass names it"),
        ("look", "Attic: door without a reader"),
        ("look", "Annexe: door group without a door"),
        ("look", "Nothing: door group without a door"),
    ]


def test_a_door_whose_only_reader_was_ended_is_named(house: House) -> None:
    yard = select(readers.c.id).where(readers.c.name == "Yard in").scalar_subquery()
    looking.change(house.instance, update(readers).where(readers.c.id == yard).values(ended_us=1))
    assert ("look", "Yard: door without a reader") in found(house.instance)["place"]


def test_a_site_where_no_entry_is_ever_counted_is_named(house: House) -> None:
    looking.change(house.instance, update(areas).values(outside=False))
    assert found(house.instance)["place"][0] == (
        "look", "Mill Lane: site without an area that is outside, no door counts entries",
    )  # fmt: skip
