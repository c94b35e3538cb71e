"""An instance: made, completed, opened, or refused with what to do."""

from __future__ import annotations

import shutil
import stat
from typing import TYPE_CHECKING

import pytest
from sqlalchemy import delete, select, text, update

from passdesk import settings
from passdesk.core import cose
from passdesk.core.record import Kind
from passdesk.services import instance as instances
from passdesk.services.keyring import KeyringError
from passdesk.store import migrating
from passdesk.store.engine import StoreError
from passdesk.store.tables import signing_keys, tree
from tests.support import looking
from tests.support.place import MINUTE_US, NOW_US

if TYPE_CHECKING:
    from pathlib import Path

    from passdesk.services.acts import Act
    from passdesk.services.instance import Instance


def files_of(instance: Instance) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in instance.settings.keys.iterdir()}


def test_a_new_instance_has_its_keys_one_signing_key_and_an_open_log(instance: Instance) -> None:
    key = looking.rows(instance, select(signing_keys))[0]
    log_key = cose.thumbprint(instance.keyring.log_key().public_key())
    assert cose.key_id(instance.keyring.issuer(key.kid).public_key()) == key.kid
    assert (key.created_us, key.retired_us, key.ended_us) == (NOW_US, None, None)
    assert looking.rows(instance, select(tree)) == [(1, f"passdesk/{log_key[:8].hex()}", 0)]
    assert [(one.kind, one.by, one.at_us, one.data) for one in looking.records_of(instance)] == [
        (Kind.LOG_OPENED, "command", NOW_US, {"log": log_key}),
        (Kind.KEY_MADE, "command", NOW_US, {"kid": key.kid}),
    ]
    assert stat.S_IMODE(instance.settings.keys.stat().st_mode) == 0o700


def test_making_it_again_changes_nothing(instance: Instance) -> None:
    rows, files = looking.dump(instance), files_of(instance)
    instances.create(instance.settings, NOW_US + MINUTE_US).close()
    assert looking.dump(instance) == rows
    assert files_of(instance) == files


def test_an_instance_that_was_made_can_be_opened(instance: Instance) -> None:
    opened = instances.open_instance(instance.settings)
    assert looking.count(opened, signing_keys) == 1
    assert not opened.demo
    opened.close()


def test_a_place_without_an_instance_is_refused_with_what_makes_one(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="no instance here; run 'passdesk init'"):
        instances.open_instance(settings.load(tmp_path, {}))
    assert list(tmp_path.iterdir()) == []


def test_a_database_that_is_gone_is_refused_with_what_to_do(small_instance: Instance) -> None:
    small_instance.close()
    (small_instance.settings.instance / "passdesk.db").unlink()
    with pytest.raises(StoreError, match=r"is at version none, .*run 'passdesk init'"):
        instances.open_instance(small_instance.settings)


@pytest.mark.parametrize("version", ["0000", "9999"])
def test_a_database_of_another_version_is_refused_with_both_versions(
    instance: Instance, version: str
) -> None:
    other = text("UPDATE alembic_version SET version_num = :version")
    looking.change(instance, other.bindparams(version=version))
    wanted = migrating.newest()
    with pytest.raises(StoreError, match=f"at version {version}, this program wants {wanted}"):
        instances.open_instance(instance.settings)


def test_keys_that_others_can_read_are_refused(small_instance: Instance) -> None:
    small_instance.settings.keys.chmod(0o755)
    with pytest.raises(KeyringError, match="chmod 700"):
        instances.open_instance(small_instance.settings)
    with pytest.raises(KeyringError, match="chmod 700"):
        instances.create(small_instance.settings, NOW_US)


def test_an_instance_that_was_broken_off_is_completed(instance: Instance) -> None:
    # The keys were made, and then nothing.
    looking.change(instance, delete(signing_keys), delete(tree), text("DELETE FROM records"))
    files = files_of(instance)
    instances.create(instance.settings, NOW_US).close()
    kinds = [one.kind for one in looking.records_of(instance)]
    assert kinds == [Kind.LOG_OPENED, Kind.KEY_MADE]
    assert files.items() <= files_of(instance).items()


def test_lost_keys_are_not_quietly_replaced(instance: Instance) -> None:
    # With a new key of the log nobody could prove any more what stands in it.
    backup = instance.settings.instance / "backup"
    shutil.move(instance.settings.keys, backup)
    rows = looking.dump(instance)
    for _ in range(2):
        with pytest.raises(KeyringError, match="restore the backup of the keys"):
            instances.create(instance.settings, NOW_US)
    assert looking.dump(instance) == rows
    shutil.copytree(backup, instance.settings.keys, dirs_exist_ok=True)
    instances.create(instance.settings, NOW_US).close()


def test_an_act_is_durable_and_carries_who_and_when(instance: Instance) -> None:
    def job(act: Act, first: int, *, second: int) -> int:
        assert (act.by, act.now_us) == ("token:7", NOW_US + 1)
        instances.note_fact(act, "colour", "green")
        return first + second

    assert instance.act("token:7", NOW_US + 1, job, 40, second=2) == 42
    with looking.elsewhere(instance) as connection:
        assert instances.fact(connection, "colour") == "green"
        assert instances.fact(connection, "shape") is None


def test_an_act_that_raises_changes_nothing(instance: Instance) -> None:
    rows = looking.dump(instance)

    def job(act: Act) -> None:
        act.keep_text("pass", 1, "a reason")
        act.record(Kind.PLACE_CHANGED, {"id": 1})
        instances.note_fact(act, "colour", "green")
        raise LookupError

    with pytest.raises(LookupError):
        instance.act("command", NOW_US, job)
    assert looking.dump(instance) == rows


def test_an_instance_with_the_demo_says_so(instance: Instance) -> None:
    instance.act("command", NOW_US, instances.note_fact, "demo", "yes")
    assert instance.demo


def test_a_second_signing_key_does_not_end_the_first(instance: Instance) -> None:
    kid = instance.act("command", NOW_US + 5, instances.make_signing_key)
    keys = looking.rows(instance, select(signing_keys).order_by(signing_keys.c.id))
    assert [key.ended_us for key in keys] == [None, None]
    assert keys[1].kid == kid
    assert looking.last_record(instance).data == {"kid": kid}


def test_a_signing_key_whose_file_is_lost_is_named_when_it_is_needed(instance: Instance) -> None:
    kid = looking.rows(instance, select(signing_keys))[0].kid
    (instance.settings.keys / f"issuer-{kid.hex()}.pem").unlink()
    looking.change(instance, update(signing_keys).values(retired_us=1))
    opened = instances.open_instance(instance.settings)
    with pytest.raises(KeyringError, match=f"issuer-{kid.hex()}.pem: not found"):
        opened.keyring.issuer(kid)
    opened.close()
