"""What can differ from one instance to the next, and where it is read."""

from __future__ import annotations

from dataclasses import FrozenInstanceError
from pathlib import Path

import pytest

from passdesk import settings
from passdesk.services import instance as instances
from passdesk.settings import SettingError
from tests.support.place import NOW_US

FOLDER = Path("/srv/visitors")


def test_with_nothing_said_an_instance_is_all_in_its_folder() -> None:
    chosen = settings.load(FOLDER, {})
    assert chosen.instance == FOLDER
    assert chosen.database_url == "sqlite:////srv/visitors/passdesk.db"
    assert chosen.keys == FOLDER / "keys"
    assert chosen.lock_file == FOLDER / "serve.lock"


def test_a_folder_is_kept_whole_so_that_a_change_of_place_moves_nothing() -> None:
    chosen = settings.load(Path("instance"), {})
    assert chosen.instance.is_absolute()
    assert chosen.instance.name == "instance"


@pytest.mark.parametrize("name", ["Mill Lane", "50%20", "who?", "a#b", "a&b=c", "門"])
def test_whatever_the_folder_is_called_the_database_is_in_it(tmp_path: Path, name: str) -> None:
    chosen = settings.load(tmp_path / name, {})
    instances.create(chosen, NOW_US).close()
    assert (tmp_path / name / "passdesk.db").stat().st_size > 0


def test_the_environment_is_read() -> None:
    chosen = settings.load(
        FOLDER,
        {
            "PASSDESK_DATABASE_URL": "postgresql+psycopg://desk@/visitors",
            "PASSDESK_LEEWAY_SECONDS": "120",
            "PASSDESK_SERVER_THREADS": "4",
        },
    )
    assert chosen.database_url == "postgresql+psycopg://desk@/visitors"
    assert chosen.leeway_seconds == 120
    assert chosen.server_threads == 4


def test_what_is_set_to_nothing_is_as_good_as_not_set() -> None:
    names = ("PASSDESK_DATABASE_URL", "PASSDESK_LEEWAY_SECONDS", "PASSDESK_SERVER_THREADS")
    assert settings.load(FOLDER, dict.fromkeys(names, "")) == settings.load(FOLDER, {})


# shared/decision.md: 60 s by default, 300 s at most.
def test_the_leeway_is_a_minute_unless_it_is_said() -> None:
    assert settings.load(FOLDER, {}).leeway_seconds == 60


@pytest.mark.parametrize("seconds", [0, 1, 300])
def test_the_leeway_can_be_anything_up_to_five_minutes(seconds: int) -> None:
    chosen = settings.load(FOLDER, {"PASSDESK_LEEWAY_SECONDS": str(seconds)})
    assert chosen.leeway_seconds == seconds


@pytest.mark.parametrize(
    "text",
    ["301", "-1", "+5", "1.5", "6O", " 60", "60\n", "1_0", "\u0663", "\u00b2", "1e2", "9" * 5000],
)
def test_a_leeway_that_is_no_number_in_its_range_is_refused_by_name(text: str) -> None:
    with pytest.raises(SettingError, match=r"PASSDESK_LEEWAY_SECONDS: .* from 0 to 300$"):
        settings.load(FOLDER, {"PASSDESK_LEEWAY_SECONDS": text})


@pytest.mark.parametrize("text", ["0", "513", "many"])
def test_a_number_of_threads_out_of_its_range_is_refused_by_name(text: str) -> None:
    with pytest.raises(SettingError, match=r"PASSDESK_SERVER_THREADS: .* from 1 to 512$"):
        settings.load(FOLDER, {"PASSDESK_SERVER_THREADS": text})


def test_a_refused_value_is_told_but_not_at_any_length() -> None:
    with pytest.raises(SettingError) as refused:
        settings.load(FOLDER, {"PASSDESK_SERVER_THREADS": "x" * 5000})
    assert len(str(refused.value)) < 120


def test_settings_do_not_change_once_they_are_read() -> None:
    chosen = settings.load(FOLDER, {})
    with pytest.raises(FrozenInstanceError):
        chosen.leeway_seconds = 300  # type: ignore[misc]


def test_the_server_finds_the_instance_that_was_meant_for_it() -> None:
    chosen = settings.load(FOLDER, {})
    assert settings.served_instance(settings.to_serve(chosen)) == FOLDER
