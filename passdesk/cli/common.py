"""What every command shares: its instance, its output, and how it says what is wrong."""

from __future__ import annotations

import functools
import json
import sys
import time
import unicodedata
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn, TypeVar

import click
from pydantic import BaseModel, ValidationError
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table
from sqlalchemy.exc import DatabaseError

from passdesk import settings
from passdesk.services import instance as instances
from passdesk.services.errors import CommandError, Fault, faults_of
from passdesk.services.keyring import KeyringError
from passdesk.store.engine import StoreError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from passdesk.services.instance import Instance

T = TypeVar("T")
M = TypeVar("M", bound=BaseModel)

FAILED = 1
WRONG_USE = 2
REFUSED = 3
# No line is this long: nothing is folded.
WIDE = 100_000
_CONTROLS = {"Cc", "Cs", "Zl", "Zp"}

# What a parameter of a command is called as a field, where that differs.
_FIELDS = {
    "at_text": "at",
    "bar_id": "bar",
    "checkpoint_file": "checkpoint",
    "folder": "instance",
    "reference": "pass",
    "shown": "image",
    "token_id": "token",
}


def now_us() -> int:
    """Read the clock: microseconds UTC. A command does so once."""
    return time.time_ns() // 1000


def with_instance(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command `--instance` and `--json`, and say what goes wrong on its way."""

    @click.option(
        "--instance",
        "folder",
        type=click.Path(path_type=Path, file_okay=False),
        default=Path("instance"),
        show_default=True,
        envvar="PASSDESK_INSTANCE",
        help="Folder of the instance.",
    )
    @click.option("--json", "as_json", is_flag=True, help="Answer in JSON.")
    @functools.wraps(command)
    def wrapped(*args: Any, folder: Path, as_json: bool, **kwargs: Any) -> None:  # noqa: ANN401
        try:
            command(*args, folder=folder, as_json=as_json, **kwargs)
        except ValidationError as error:
            fail(faults_of(error), as_json=as_json)
        except CommandError as error:
            fail(error.faults, as_json=as_json)
        except KeyringError as error:
            fail((Fault("keys", str(error)),), as_json=as_json)
        except (StoreError, settings.SettingError) as error:
            fail((Fault("instance", str(error)),), as_json=as_json)
        except DatabaseError as error:
            reason = " ".join(str(error.orig).split())
            fail((Fault("database", f"cannot be used: {reason}"),), as_json=as_json)
        except BrokenPipeError:  # whoever reads the answer has seen enough
            raise
        except OSError as error:
            message = f"{error.filename or folder}: {error.strerror}"
            fail((Fault("instance", message),), as_json=as_json)

    return wrapped


def fail(faults: Sequence[Fault], *, as_json: bool, status: int = WRONG_USE) -> NoReturn:
    """Say what is wrong with which field, and end: as wrong use, unless another status is given."""
    if as_json:
        errors = [{"field": fault.field, "message": fault.message} for fault in faults]
        click.echo(json.dumps({"errors": errors}, ensure_ascii=False))
    for fault in faults if not as_json else ():
        click.echo(f"{_as_typed(fault.field)}: {fault.message}", err=True)
    sys.exit(status)


def fault_of(error: click.UsageError) -> Fault:
    """Say which field an option or argument stands for that click cannot use."""
    param = getattr(error, "param", None)
    field = getattr(error, "option_name", "command") if param is None else _field_of(param)
    return Fault(field, error.format_message())


def _field_of(param: click.Parameter) -> str:
    name = param.name or ""
    return _FIELDS.get(name, name)


def _as_typed(field: str) -> str:
    """Give the option of the running command by which a field is given, if it is one."""
    name = field.partition(".")[0]
    options = (p for p in click.get_current_context().command.params if isinstance(p, click.Option))
    return next((option.opts[0] for option in options if _field_of(option) == name), field)


@contextmanager
def opened(folder: Path) -> Iterator[Instance]:
    """Open the instance in a folder."""
    instance = instances.open_instance(settings.load(folder))
    try:
        yield instance
    finally:
        instance.close()


def model(kind: type[M], **fields: Any) -> M:  # noqa: ANN401 # the model's fields
    """Make a command model, leaving out what was not given."""
    return kind.model_validate({name: value for name, value in fields.items() if value is not None})


def names(text: str | None) -> tuple[str, ...] | None:
    """Split a list of names at its commas; None stays None."""
    if text is None:
        return None
    return tuple(name for part in text.split(",") if (name := part.strip()))


def write_file(path: Path, content: bytes) -> None:
    """Write the file that `--out` has named.

    Raises:
        CommandError: it cannot be written.
    """
    try:
        path.write_bytes(content)
    except OSError as error:
        raise CommandError.at("out", f"{path} cannot be written: {error.strerror}") from error


def say(data: Any, text: str, *, as_json: bool) -> None:  # noqa: ANN401 # anything JSON can hold
    """Print an answer, for a program or for a person."""
    click.echo(json.dumps(data, ensure_ascii=False, indent=2) if as_json else text)


def show_table(rows: Sequence[Sequence[str]], *columns: str) -> None:
    """Print rows under their headings."""
    table = Table(box=None, pad_edge=False, header_style="bold")
    for column in columns:
        table.add_column(column, overflow="fold")
    for row in rows:
        # Names are data: what looks like markup in them is shown as it is.
        table.add_row(*(_plain(cell) for cell in row))
    # What goes into a file or another program is not folded to a screen that is not there.
    width = None if sys.stdout.isatty() else WIDE
    Console(highlight=False, markup=False, emoji=False, width=width).print(table)


def _plain(text: str) -> str:
    """Replace what would move the cursor or colour the screen; whatever has a shape stays."""
    return "".join(
        "\N{REPLACEMENT CHARACTER}" if unicodedata.category(character) in _CONTROLS else character
        for character in text
    )


@contextmanager
def progress(what: str) -> Iterator[Callable[[int, int], None]]:
    """Show how far long work is, where a person watches; give what is told (done, all)."""
    columns = (TextColumn(what), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    console = Console(stderr=True)
    with Progress(
        *columns, console=console, transient=True, disable=not console.is_terminal
    ) as bar:
        task = bar.add_task(what, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)
