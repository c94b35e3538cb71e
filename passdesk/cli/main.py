"""The passdesk command, put together from its parts."""

from __future__ import annotations

import os
import zoneinfo
from typing import Any

import click

from passdesk import __version__
from passdesk.cli.audit import audit
from passdesk.cli.common import fail, fault_of
from passdesk.cli.doorway import present
from passdesk.cli.passes import PASS_COMMANDS
from passdesk.cli.place import PLACE_COMMANDS
from passdesk.cli.service import SERVICE_COMMANDS
from passdesk.cli.serving import serve


class _Commands(click.Group):
    """Commands that say in JSON, where that is asked for, which option cannot be used."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        ctx.obj = "--json" in args
        return super().parse_args(ctx, args)

    def invoke(self, ctx: click.Context) -> Any:  # noqa: ANN401 # click's
        try:
            return super().invoke(ctx)
        except click.UsageError as error:
            if not ctx.obj:
                raise
            fail([fault_of(error)], as_json=True)


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="passdesk")
def main() -> None:
    """Visitor passes as signed QR codes: for a time, counted at the door, recorded for good."""
    # Server, commands and readers must agree on every zone: use the package's data, not the
    # system's, which differs from machine to machine.
    zoneinfo.reset_tzpath(())
    # Whatever is written, the database above all, holds personal data: for its owner alone.
    os.umask(0o077)


for _command in (*SERVICE_COMMANDS, serve, *PLACE_COMMANDS, *PASS_COMMANDS, present, audit):
    main.add_command(_command)
