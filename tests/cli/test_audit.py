"""Reading the records by commands, and proving that nobody has edited them."""

from __future__ import annotations

import base64
import hashlib
from typing import TYPE_CHECKING, Any

import pytest
from sqlalchemy import delete, func, insert, select, update

from passdesk.core.record import Kind
from passdesk.services import sealing
from passdesk.store.tables import checkpoints, records, texts, tiles, tree
from tests.support import looking
from tests.support.place import NOW_US

if TYPE_CHECKING:
    from pathlib import Path

    from passdesk.services.instance import Instance
    from tests.cli.calling import Cli
    from tests.support.place import House

ALTERED = 1


def sealed(within: Instance) -> int:
    """Seal all records; give how many there are."""
    sealing.seal_all(within, NOW_US)
    return looking.count(within, records)


def altered(cli: Cli, *args: str) -> dict[str, Any]:
    """Verify what was altered; give what is wrong first."""
    verdict = cli.data("audit", "verify", *args, status=ALTERED)
    assert (verdict["ok"], verdict["root"]) == (False, None)
    flaw: dict[str, Any] = verdict["first_bad"]
    return flaw


# --- read --------------------------------------------------------------------------------------


def test_records_are_listed_newest_first_by_kind_and_page(cli: Cli) -> None:
    made = cli.issue()
    cli.data("present", made["code"], "--reader", "Front in")
    kinds = [entry["kind"] for entry in cli.data("audit", "list", "--limit", "3")]
    assert kinds == ["presentation.decided", "code.made", "pass.issued"]
    (decided,) = cli.data("audit", "list", "--kind", "presentation.decided")
    assert (decided["at"], decided["by"], decided["position"]) == (
        "2030-05-14T09:00:00Z", "command", None,
    )  # fmt: skip
    assert decided["data"]["granted"] is True
    assert len(decided["data"]["digest"]) == 64  # 32 bytes, as JSON can hold them
    everything = cli.data("audit", "list")
    pages = cli.data("audit", "list", "--limit", "2")
    for _ in range(2):
        pages += cli.data("audit", "list", "--limit", "2", "--after", str(pages[-1]["id"]))
    assert pages == everything[:6]


def test_a_record_is_one_line_that_names_nobody(cli: Cli, within: Instance) -> None:
    cli.issue(guest="Ilse Varga", entries="0")
    sealing.seal_all(within, NOW_US)
    cli.data("pass", "withdraw", "1", "--because", "Called off by Ilse")
    withdrawn, coded, issued = cli("audit", "list", "--limit", "3").rows
    assert withdrawn.split()[1:6] == [
        "not", "sealed", "2030-05-14T09:00:00Z", "command", "pass.withdrawn",
    ]  # fmt: skip
    assert withdrawn.split()[6:8] == ["pass", "1,"]
    assert "carrier phone" in coded
    assert all(pair in issued for pair in ("pass 1, ", "limit 0, ", "groups [1]"))
    assert not any(word in cli("audit", "list").out for word in ("Ilse", "Varga", "example"))


def test_a_record_that_was_altered_beyond_reading_is_listed_as_that(
    cli: Cli, within: Instance
) -> None:
    last = looking.count(within, records)
    looking.change(within, update(records).where(records.c.id == last).values(body=b"nothing"))
    (entry,) = cli.data("audit", "list", "--limit", "1")
    assert (entry["id"], entry["kind"], entry["data"]) == (last, None, None)
    assert cli("audit", "list").rows[0].endswith("cannot be read: it was altered")


def test_yes_and_no_are_words(cli: Cli) -> None:
    cli("present", "nonsense", "--reader", "Front in")
    (row,) = cli("audit", "list", "--kind", "presentation.decided").rows
    assert "spent no, " in row


@pytest.mark.parametrize(
    ("args", "field"),
    [
        (("--limit", "0"), "limit"),
        (("--limit", "10001"), "limit"),
        (("--kind", "nothing.happened"), "kind"),
        (("--after", "0"), "after"),
        (("--after", "9" * 30), "after"),
        (("--after", "999999"), "after"),
    ],
)
def test_a_list_that_cannot_be_given_names_what_is_wrong(
    cli: Cli, args: tuple[str, ...], field: str
) -> None:
    assert list(cli.faults("audit", "list", *args)) == [field]


# --- verified ----------------------------------------------------------------------------------


def test_records_that_nobody_edited_are_found_good(cli: Cli, within: Instance) -> None:
    size = sealed(within)
    cli.issue()
    verdict = cli.data("audit", "verify")
    note = cli.data("audit", "checkpoint")["checkpoint"]
    # C2SP tlog-checkpoint: origin, size in decimal, base64 of the root, each on a line.
    _, total, _ = note.split("\n")[:3]
    assert (verdict["sealed"], verdict["unsealed"], total) == (size, 2, str(size + 2))
    assert cli.data("audit", "verify")["root"] == base64.b64decode(note.split("\n")[2]).hex()


def test_a_person_is_told_what_is_protected_and_what_is_not(cli: Cli, within: Instance) -> None:
    size = sealed(within)
    cli.issue()
    good, not_yet, end = cli("audit", "verify").out.splitlines()
    assert good == f"{size} sealed records are as they were signed."
    assert not_yet == "2 are not sealed yet: these are not protected."
    assert end.endswith("--checkpoint FILE.")


def test_before_anything_is_sealed_that_is_said(empty: Cli) -> None:
    verdict = empty.data("audit", "verify")
    # The root of no records: SHA-256 of nothing (RFC 9162 section 2.1.1).
    assert verdict["root"] == hashlib.sha256(b"").hexdigest()
    assert (verdict["sealed"], verdict["unsealed"]) == (0, 2)


def test_an_edited_record_is_found_and_named(cli: Cli, within: Instance) -> None:
    sealed(within)
    r = records.c
    body = looking.rows(within, select(r.body).where(r.position == 3))[0][0]
    edited = (
        update(records).where(r.position == 3).values(body=body.replace(b"command", b"token:1"))
    )
    looking.change(within, edited)
    flaw = altered(cli)
    assert (flaw["position"], flaw["id"]) == (3, 4)
    said = cli("audit", "verify")
    assert (said.status, said.out) == (
        ALTERED,
        f"ALTERED: {flaw['what']} First bad record: position 3 (id 4).\n",
    )


def test_a_removed_record_is_named_by_its_place(cli: Cli, within: Instance) -> None:
    sealed(within)
    looking.change(within, delete(records).where(records.c.position == 5))
    assert (altered(cli)["position"], altered(cli)["id"]) == (5, None)
    assert cli("audit", "verify").out.endswith("First bad record: position 5.\n")


def test_what_is_wrong_beside_the_records_has_no_place(cli: Cli, within: Instance) -> None:
    sealed(within)
    slipped_in = insert(texts).values(
        about="pass", about_id=1, key=bytes(32), commitment=bytes(32), body="x", created_us=1
    )
    looking.change(within, slipped_in)
    flaw = altered(cli)
    assert (flaw["position"], flaw["id"]) == (None, None)
    assert cli("audit", "verify").out == "ALTERED: Free text 1 belongs to no record.\n"


def test_records_cut_off_at_the_end_are_found_by_a_checkpoint_from_before(
    cli: Cli, within: Instance, tmp_path: Path
) -> None:
    sealed(within)
    c = checkpoints.c
    before = {
        name: looking.rows(within, select(table))
        for name, table in (("tree", tree), ("tiles", tiles))
    }
    cli.issue()
    kept = tmp_path / "kept.txt"
    assert cli("audit", "checkpoint", "--out", str(kept)).out == f"The checkpoint is in {kept}.\n"
    assert cli.data("audit", "verify", "--checkpoint", str(kept))["ok"]
    assert "checkpoint FILE" not in cli("audit", "verify", "--checkpoint", str(kept)).out
    # Everything that tells of the newest records is taken away, as if they had never been.
    (size,) = {row.size for row in before["tree"]}
    looking.change(
        within,
        delete(records).where(records.c.position >= size),
        delete(checkpoints).where(c.size > size),
        delete(tiles),
        *(tiles.insert().values(row._asdict()) for row in before["tiles"]),
        update(tree).values(size=size),
    )
    assert cli.data("audit", "verify")["ok"]
    flaw = altered(cli, "--checkpoint", str(kept))
    assert (flaw["position"], flaw["id"]) == (size, None)


def test_a_checkpoint_is_a_signed_note_of_all_that_waits(cli: Cli, within: Instance) -> None:
    told = cli.data("audit", "checkpoint")
    # C2SP signed-note: text, an empty line, and signature lines that begin with an em dash.
    text, _, signature = told["checkpoint"].partition("\n\n")
    origin, size, root = text.split("\n")
    assert size == str(looking.count(within, records))
    assert len(base64.b64decode(root, validate=True)) == 32
    assert signature.startswith(f"\N{EM DASH} {origin} ")
    # The key: name, key id in hexadecimal, base64 of the kind of key and the key.
    name, key_id, key = told["verifier_key"].split("+", 2)
    raw = base64.b64decode(key)
    assert (name, raw[0]) == (origin, 1)
    assert key_id == hashlib.sha256(f"{name}\n".encode() + raw).hexdigest()[:8]
    assert base64.b64decode(signature.split()[2])[:4].hex() == key_id
    assert cli("audit", "checkpoint").out == told["checkpoint"]
    waiting = select(func.count()).where(records.c.position.is_(None))
    assert looking.rows(within, waiting)[0][0] == 0


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (None, "No such file or directory"),
        (b"\xff\xfe", "is no text, so no checkpoint"),
        (b"", "a note is text"),
        (b"hello\n", "a note is text"),
    ],
)
def test_a_file_that_is_no_checkpoint_is_refused(
    cli: Cli, tmp_path: Path, content: bytes | None, says: str
) -> None:
    path = tmp_path / "kept.txt"
    if content is not None:
        path.write_bytes(content)
    faults = cli.faults("audit", "verify", "--checkpoint", str(path))
    assert list(faults) == ["checkpoint"]
    assert says in faults["checkpoint"]


def test_a_checkpoint_of_another_log_is_refused(cli: Cli, demo_cli: Cli, tmp_path: Path) -> None:
    theirs = tmp_path / "theirs.txt"
    demo_cli.data("audit", "checkpoint", "--out", str(theirs))
    faults = cli.faults("audit", "verify", "--checkpoint", str(theirs))
    assert "is no checkpoint that this log's key has signed" in faults["checkpoint"]


def test_a_checkpoint_goes_only_where_it_can_be_written(cli: Cli, tmp_path: Path) -> None:
    faults = cli.faults("audit", "checkpoint", "--out", str(tmp_path / "no" / "where"))
    assert "cannot be written: No such file or directory" in faults["out"]
    assert list(cli.faults("audit", "checkpoint", "--out", str(tmp_path))) == ["out"]


def test_a_log_whose_beginning_is_gone_is_found(cli: Cli, within: Instance) -> None:
    sealed(within)
    looking.change(within, delete(tree))
    flaw = altered(cli)
    assert (flaw["position"], flaw["id"]) == (None, None)
    assert cli("audit", "verify").out == f"ALTERED: {flaw['what']}\n"
    assert list(cli.faults("audit", "checkpoint", status=ALTERED)) == ["records"]


def test_nothing_is_signed_on_top_of_a_tree_that_was_altered(cli: Cli, within: Instance) -> None:
    sealed(within)
    cli.issue()
    looking.change(within, update(tiles).values(hashes=bytes(32)))
    before = looking.dump(within)
    faults = cli.faults("audit", "checkpoint", status=ALTERED)
    assert "nothing is sealed" in faults["records"]
    assert looking.dump(within) == before


def test_the_records_of_each_kind_of_database_are_verified(either: Cli, house: House) -> None:
    either.issue()
    note = either.data("audit", "checkpoint")["checkpoint"]
    verdict = either.data("audit", "verify")
    assert (verdict["ok"], verdict["sealed"]) == (True, int(note.split("\n")[1]))
    (entry,) = either.data("audit", "list", "--kind", Kind.CODE_MADE.value)
    assert entry["data"]["carrier"] == "phone"
    edited = update(records).where(records.c.position == 2).values(at_us=1)
    looking.change(house.instance, edited)
    assert altered(either)["position"] == 2
