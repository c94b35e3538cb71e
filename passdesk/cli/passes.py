"""Commands that make, show, change and end passes."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args

import click

from passdesk.cli.common import (
    model,
    names,
    now_us,
    opened,
    say,
    show_table,
    with_instance,
    write_file,
)
from passdesk.core import symbol
from passdesk.services import barring, finding, issuing, lockdown, withdrawing
from passdesk.services.errors import CommandError

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from passdesk.services.finding import PassView
    from passdesk.services.issuing import Issued

PNG_SCALE = 8
_carrier = click.option(
    "--carrier", type=click.Choice(get_args(issuing.Carrier)), default="phone", show_default=True
)
_out = click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    help="File for the code, ending in .png or .svg.",
)


@click.group("pass")
def pass_() -> None:
    """Passes: what one guest may do for one visit."""


@pass_.command("issue")
@click.option("--guest", required=True, help="Name of the guest.")
@click.option("--host", required=True, help="Mail address of the host.")
@click.option("--doors", required=True, help="Door groups, separated by commas.")
@click.option("--from", "valid_from", required=True, help="Start, ISO 8601; local without offset.")
@click.option("--until", "valid_until", required=True, help="End, not itself included.")
@click.option("--entries", type=int, default=1, show_default=True, help="0 for no limit.")
@click.option("--organisation")
@click.option("--guest-email")
@click.option("--host-name", help="For a host who is not known yet.")
@click.option("--purpose")
@click.option("--pin", is_flag=True, help="Ask for a PIN too; it is told just once.")
@click.option("--escort", is_flag=True, help="Only together with an escort.")
@click.option("--escort-pass", is_flag=True, help="A colleague's pass, which accompanies guests.")
@click.option("--requires", help="What must be met first, such as approval,permit.")
@click.option("--site", help="Needed only where there are several sites.")
@_carrier
@_out
@with_instance
def issue(folder: Path, out: Path | None, *, as_json: bool, **fields: Any) -> None:  # noqa: ANN401
    """Make a pass and its code."""
    _check_out(out)
    fields |= {key: names(fields[key]) for key in ("doors", "requires")}
    command = model(issuing.IssuePass, **fields)
    drawn = issuing.draw_pin() if command.pin else None
    with opened(folder) as instance:
        now = now_us()
        issued = instance.act("command", now, issuing.issue, command, drawn)
        with instance.store.reading() as connection:
            view = finding.pass_view(connection, issued.pass_id, now)
    _tell(issued, view, out, as_json=as_json)


def _check_out(out: Path | None) -> None:
    """See before anything is made that its code can be written."""
    if out is None:
        return
    if out.suffix.lower() not in {".png", ".svg"}:
        raise CommandError.at("out", "must end in .png or .svg")
    if not out.parent.is_dir():
        raise CommandError.at("out", f"there is no folder {out.parent}; make it first")


def _write_code(made: symbol.Symbol, out: Path) -> None:
    svg = out.suffix.lower() == ".svg"
    write_file(out, made.to_svg() if svg else made.to_png(PNG_SCALE))


def _tell(issued: Issued, view: PassView, out: Path | None, *, as_json: bool) -> None:
    made = symbol.make(issued.text)
    if out is not None:
        try:
            _write_code(made, out)
        except CommandError as error:
            # The pass is there, and what is told just once must not be lost.
            pin = f"; its PIN is {issued.pin}" if issued.pin else ""
            way = f"'passdesk pass show {issued.pass_id} --out FILE' writes the code of the pass"
            message = f"{error.faults[0].message}; {way}, which was made{pin}"
            raise CommandError.at("out", message) from error
    data = {
        **view.model_dump(mode="json", by_alias=True),
        "carrier": issued.carrier,
        "code": issued.text,
        "version": made.version,
        "pin": issued.pin,
        "out": str(out) if out else None,
    }
    lines = [
        f"Pass {issued.pass_id} for {view.guest}, pass number {issued.number}",
        f"Valid   {view.valid_from} until {view.valid_until} ({view.zone})",
        f"Entries {view.entries or 'no limit'}",
        f"Doors   {', '.join(view.doors)}",
        f"Code    symbol version {made.version}" + (f", written to {out}" if out else ""),
    ]
    if issued.pin:
        lines.append(f"PIN     {issued.pin} (told just this once)")
    say(data, "\n".join(lines), as_json=as_json)


@pass_.command("show")
@click.argument("reference", metavar="PASS")
@click.option(
    "--carrier", type=click.Choice(get_args(issuing.Carrier)), help="Write this carrier's code."
)
@_out
@with_instance
def show(
    reference: str, carrier: str | None, out: Path | None, folder: Path, *, as_json: bool
) -> None:
    """Show a pass by its id or its pass number; with --out also write its code."""
    _check_out(out)
    with opened(folder) as instance, instance.store.reading() as connection:
        view = _view(connection, reference)
        if out is not None:
            chosen = carrier or next(iter(view.carriers), "phone")
            text = issuing.code_text(connection, instance.keyring, reference, chosen)
            _write_code(symbol.make(text), out)
    say(view.model_dump(mode="json", by_alias=True), _text(view), as_json=as_json)


def _view(connection: Connection, reference: str) -> PassView:
    found = issuing.find_pass(connection, reference, lock=False)
    return finding.pass_view(connection, found.id, now_us())


def _text(view: PassView) -> str:
    asked = [
        word
        for word, wanted in (
            ("PIN", view.pin),
            ("escort", view.escort),
            ("is an escort pass", view.escort_pass),
        )
        if wanted
    ]
    left = (
        "no limit" if view.entries_left is None else f"{view.entries_left} of {view.entries} left"
    )
    return "\n".join(
        (
            f"Pass {view.pass_}, pass number {view.number}: {view.state.value}",
            f"Guest   {view.guest}" + (f", {view.organisation}" if view.organisation else ""),
            f"Host    {view.host}",
            f"Valid   {view.valid_from} until {view.valid_until} ({view.zone})",
            f"Entries {left}, {view.entries_used} used",
            f"Doors   {', '.join(view.doors)} at {view.site}",
            f"Asks    {', '.join(asked) or 'nothing beside the code'}",
            f"Codes   {', '.join(view.carriers) or 'none live'}",
        )
    )


@pass_.command("list")
@click.option("--text", help="Part of a guest's, an organisation's or a host's name.")
@click.option("--state", type=click.Choice([state.value for state in finding.PassState]))
@click.option("--before", type=int, help="Only passes with an id below this.")
@click.option("--limit", type=int, default=50, show_default=True)
@with_instance
def list_passes(folder: Path, *, as_json: bool, **fields: Any) -> None:  # noqa: ANN401
    """List passes, newest first."""
    command = model(finding.FindPasses, **fields)
    with opened(folder) as instance, instance.store.reading() as connection:
        found = finding.find_passes(connection, command, now_us())
    if as_json:
        say([view.model_dump(mode="json", by_alias=True) for view in found], "", as_json=True)
        return
    rows = [
        (
            str(view.pass_),
            view.number,
            view.state.value,
            view.guest,
            view.host,
            _when(view),
            "no limit" if view.entries_left is None else f"{view.entries_left}/{view.entries}",
        )
        for view in found
    ]
    show_table(rows, "Pass", "Number", "State", "Guest", "Host", "Valid", "Left")


def _when(view: PassView) -> str:
    """Give a window in short: the day once when both ends are on it."""
    (day, start), (last, end) = (
        time[:16].split("T") for time in (view.valid_from, view.valid_until)
    )
    return f"{day} {start} to {end}" if day == last else f"{day} {start} to {last} {end}"


@pass_.command("extend")
@click.argument("reference", metavar="PASS")
@click.option("--until", "valid_until", help="New end, later than the present one.")
@click.option("--more-entries", type=int, default=0, help="Entries to add.")
@with_instance
def extend(
    reference: str, valid_until: str | None, more_entries: int, folder: Path, *, as_json: bool
) -> None:
    """Let a pass last longer, or add entries; its codes stay as they are."""
    command = model(
        issuing.ExtendPass,
        **{"pass": reference, "valid_until": valid_until, "more_entries": more_entries},
    )
    with opened(folder) as instance:
        instance.act("command", now_us(), issuing.extend, command)
        with instance.store.reading() as connection:
            view = _view(connection, reference)
    say(view.model_dump(mode="json", by_alias=True), _text(view), as_json=as_json)


@pass_.command("recode")
@click.argument("reference", metavar="PASS")
@_carrier
@_out
@with_instance
def recode(reference: str, carrier: str, out: Path | None, folder: Path, *, as_json: bool) -> None:
    """Make a new code for a carrier; the carrier's earlier code ends, the count goes on."""
    _check_out(out)
    command = model(issuing.RecodePass, **{"pass": reference, "carrier": carrier})
    with opened(folder) as instance:
        now = now_us()
        issued = instance.act("command", now, issuing.recode, command)
        with instance.store.reading() as connection:
            view = finding.pass_view(connection, issued.pass_id, now)
    _tell(issued, view, out, as_json=as_json)


@pass_.command("withdraw")
@click.argument("reference", metavar="PASS")
@click.option("--because", required=True, help="Why, in a sentence.")
@with_instance
def withdraw(reference: str, because: str, folder: Path, *, as_json: bool) -> None:
    """End a pass at once."""
    command = model(withdrawing.WithdrawPass, **{"pass": reference, "because": because})
    with opened(folder) as instance:
        pass_id = instance.act("command", now_us(), withdrawing.withdraw, command)
    say({"pass": pass_id}, f"Pass {pass_id} is withdrawn.", as_json=as_json)


@pass_.command("reinstate")
@click.argument("reference", metavar="PASS")
@click.option("--because", required=True, help="Why, in a sentence.")
@with_instance
def reinstate(reference: str, because: str, folder: Path, *, as_json: bool) -> None:
    """Take a withdrawal back; entries that were spent stay spent."""
    command = model(withdrawing.ReinstatePass, **{"pass": reference, "because": because})
    with opened(folder) as instance:
        pass_id = instance.act("command", now_us(), withdrawing.reinstate, command)
    say({"pass": pass_id}, f"Pass {pass_id} is good again.", as_json=as_json)


@click.group("bar")
def bar() -> None:
    """Bars: the list of those who may not enter."""


@bar.command("add")
@click.argument("reference", metavar="PASS")
@click.option("--because", required=True, help="Why, in a sentence.")
@click.option("--until", help="End of the bar, ISO 8601; without it the bar holds until ended.")
@with_instance
def add_bar(
    reference: str, because: str, until: str | None, folder: Path, *, as_json: bool
) -> None:
    """Bar the guest of a pass, and every guest of the same mail address."""
    command = model(barring.BarGuest, **{"pass": reference, "because": because, "until": until})
    with opened(folder) as instance:
        bar_id = instance.act("command", now_us(), barring.bar, command)
    say({"bar": bar_id}, f"The guest is barred (bar {bar_id}).", as_json=as_json)


@bar.command("end")
@click.argument("bar_id", metavar="BAR", type=int)
@click.option("--because", required=True, help="Why, in a sentence.")
@with_instance
def end_bar(bar_id: int, because: str, folder: Path, *, as_json: bool) -> None:
    """Take a bar off the list."""
    command = model(barring.UnbarGuest, bar=bar_id, because=because)
    with opened(folder) as instance:
        instance.act("command", now_us(), barring.unbar, command)
    say({"bar": bar_id}, f"Bar {bar_id} is ended.", as_json=as_json)


@click.group("lockdown")
def lockdown_() -> None:
    """Lockdown: take nobody in. Leaving is never stopped."""


def _lockdown(folder: Path, *, on: bool, as_json: bool, **fields: str | None) -> None:
    command = model(lockdown.ChangeLockdown, **fields)
    with opened(folder) as instance:
        job = lockdown.start if on else lockdown.end
        lockdown_id = instance.act("command", now_us(), job, command)
    place = fields["area"] or fields["site"] or "The site"
    state = "is locked down: nobody is let in, everybody can leave" if on else "is open again"
    say({"lockdown": lockdown_id, "on": on}, f"{place} {state}.", as_json=as_json)


@lockdown_.command("on")
@click.option("--site", help="Needed only where there are several sites.")
@click.option("--area", help="Only this area.")
@click.option("--because", required=True, help="Why, in a sentence.")
@with_instance
def lockdown_on(folder: Path, *, as_json: bool, **fields: str | None) -> None:
    """Start a lockdown."""
    _lockdown(folder, on=True, as_json=as_json, **fields)


@lockdown_.command("off")
@click.option("--site", help="Needed only where there are several sites.")
@click.option("--area", help="Only this area.")
@click.option("--because", required=True, help="Why, in a sentence.")
@with_instance
def lockdown_off(folder: Path, *, as_json: bool, **fields: str | None) -> None:
    """End a lockdown."""
    _lockdown(folder, on=False, as_json=as_json, **fields)


PASS_COMMANDS = (pass_, bar, lockdown_)
