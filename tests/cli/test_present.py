"""Showing a code to a reader by a command: as a picture, as text, as anything."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import pytest
from PIL import Image, ImageFilter

from passdesk.core import symbol
from passdesk.core.record import Kind
from passdesk.store.tables import presentations
from tests.cli.calling import REFUSED, Cli
from tests.support import looking
from tests.support.place import MINUTE_US, NOW_US

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from passdesk.services.instance import Instance
    from tests.support.place import House

UNREADABLE = "unreadable"


def picture_of(text: str, scale: int = 8) -> Image.Image:
    return Image.open(io.BytesIO(symbol.make(text).to_png(scale))).convert("L")


def beside(first: Image.Image, second: Image.Image) -> Image.Image:
    both = Image.new("L", (first.width + second.width, max(first.height, second.height)), 255)
    both.paste(first, (0, 0))
    both.paste(second, (first.width, 0))
    return both


def photo_of(picture: Image.Image) -> Image.Image:
    """Give a picture as a phone takes it: askew, on a grey table, a little out of focus, dim."""
    table = Image.new("L", (picture.width * 2, picture.height * 2), 120)
    table.paste(picture, (picture.width // 2, picture.height // 3))
    askew = table.rotate(27, resample=Image.Resampling.BICUBIC, fillcolor=120)
    return askew.filter(ImageFilter.GaussianBlur(1.5)).point(lambda grey: 30 + grey // 2)


def refusal(cli: Cli, shown: str, *options: str) -> str:
    """Show something to a reader that refuses it; give the reason."""
    reader = () if "--reader" in options else ("--reader", "Front in")
    told = cli.data("present", shown, *reader, *options, status=REFUSED)
    assert told["granted"] is False
    return str(told["reason"])


# --- granted -----------------------------------------------------------------------------------


def test_a_good_code_is_granted_and_an_entry_is_spent(cli: Cli) -> None:
    made = cli.issue(entries="2")
    told = cli.data("present", made["code"], "--reader", "Front in")
    assert told == {
        "granted": True,
        "reason": None,
        "pass": made["pass"],
        "number": made["number"],
        "entries_left": 1,
        "again": False,
        "spent": True,
        "decided_for": "2030-05-14T10:00:00+01:00",
        "rehearsal": False,
        "headline": told["headline"],
        "sentence": told["sentence"],
        "detail": None,
        "accompanies": [],
    }


def test_a_person_is_told_the_same_in_words(cli: Cli) -> None:
    made = cli.issue()
    told = cli("present", made["code"], "--reader", "Front in")
    assert told.status == 0
    first, guest, which, moment = told.out.splitlines()
    assert first == "Granted"
    assert guest.startswith("Guest is told: ")
    assert which == f"Pass 1, pass number {made['number']}, 0 entries left"
    assert moment == "Decided for 2030-05-14T10:00:00+01:00"
    again = cli("present", made["code"], "--reader", "Front in")
    assert again.out.startswith("Granted, read again: nothing is spent and the door is not worked")
    refused = cli("present", made["code"], "--reader", "Side in")
    assert (refused.status, refused.out.splitlines()[0]) == (REFUSED, "Refused: used-up")


@pytest.mark.parametrize(
    ("name", "draw"),
    [
        ("code.png", lambda picture: picture),
        ("CODE.PNG", lambda picture: picture),
        ("code.jpg", lambda picture: picture),
        ("code.webp", lambda picture: picture),
        ("code.bmp", lambda picture: picture),
        ("code.gif", lambda picture: picture),
        ("turned.png", lambda picture: picture.rotate(90, expand=True)),
        ("twice.png", lambda picture: beside(picture, picture)),
        ("photo.jpeg", photo_of),
        # A picture is known by what is in it where its name does not say.
        ("no-ending", lambda picture: picture),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_a_picture_of_a_good_code_is_granted(
    cli: Cli, tmp_path: Path, name: str, draw: Callable[[Image.Image], Image.Image]
) -> None:
    path = tmp_path / name
    kind = {"jpg": "JPEG", "no-ending": "PNG"}.get(name.rpartition(".")[2])
    draw(picture_of(cli.issue()["code"])).save(path, kind)
    assert cli.data("present", str(path), "--reader", "Front in")["granted"]


@pytest.mark.parametrize("around", ["{}\n", "\r\n\t {} ", "  {}"])
def test_white_space_around_a_code_does_not_count(cli: Cli, around: str) -> None:
    shown = around.format(cli.issue()["code"])
    assert cli.data("present", shown, "--reader", "Front in")["granted"]


def test_a_pin_that_is_asked_for_comes_with_the_code(cli: Cli) -> None:
    made = cli.issue("--pin")
    wrong = f"{(int(made['pin']) + 1) % 10**6:06d}"
    assert refusal(cli, made["code"]) == "pin-needed"
    assert refusal(cli, made["code"], "--pin", wrong) == "wrong-pin"
    told = cli.data("present", made["code"], "--reader", "Front in", "--pin", made["pin"])
    assert told["spent"]


def test_an_escort_is_told_who_comes_along(cli: Cli) -> None:
    guest = cli.issue("--escort")
    escort = cli.issue("--escort-pass", guest="Jon Pell")
    assert refusal(cli, guest["code"]) == "escort-needed"
    told = cli.data("present", escort["code"], "--reader", "Front in")
    assert told["accompanies"] == [
        {"pass": guest["pass"], "number": guest["number"], "granted": True, "reason": None}
    ]


def test_a_person_reads_who_comes_along_and_who_does_not(cli: Cli) -> None:
    waiting, escort = [cli.issue("--escort") for _ in range(2)], cli.issue("--escort-pass")
    for guest in waiting:
        refusal(cli, guest["code"])
    cli.data("pass", "withdraw", "1", "--because", "Called off")
    said = cli("present", escort["code"], "--reader", "Front in")
    assert said.out.splitlines()[4:] == [
        "Comes along: pass 2, granted",
        "Comes along: pass 1, withdrawn",
    ]


# --- refused -----------------------------------------------------------------------------------


def _no_picture(_cli: Cli) -> bytes:
    return b"this is no picture\n"


def _blank(_cli: Cli) -> bytes:
    blank = io.BytesIO()
    Image.new("L", (300, 300), 255).save(blank, "PNG")
    return blank.getvalue()


def _two(cli: Cli) -> bytes:
    both = io.BytesIO()
    beside(*(picture_of(cli.issue()["code"]) for _ in range(2))).save(both, "PNG")
    return both.getvalue()


def _half(cli: Cli) -> bytes:
    return symbol.make(cli.issue()["code"]).to_png(8)[:400]


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (_no_picture, "cannot be opened"),
        (_blank, "No code was found"),
        (_two, "more than one code"),
        (_half, "cannot be opened"),
        (lambda _cli: b"", "cannot be opened"),
    ],
    ids=["no-picture", "blank", "two", "half", "empty"],
)
def test_a_picture_without_one_code_is_an_attempt_that_is_refused(
    cli: Cli, within: Instance, tmp_path: Path, content: Callable[[Cli], bytes], says: str
) -> None:
    path = tmp_path / "shown.png"
    path.write_bytes(content(cli))
    told = cli.data("present", str(path), "--reader", "Front in", status=REFUSED)
    assert told["reason"] == UNREADABLE
    assert says in told["detail"]
    assert f"Picture: {told['detail']}\n" in cli("present", str(path), "--reader", "Front in").out
    # Recorded like any other.
    assert looking.last_record(within).data["reason"] == UNREADABLE
    assert looking.count(within, presentations) == 2


@pytest.mark.parametrize(
    "shown",
    [
        "",
        "   ",
        "\n",
        ".",
        "HTTPS://EXAMPLE.ORG/MENU",
        "VP1:",
        "VP1:" + "0" * 220,
        "VP1:é",
        "vp1:abc",
        "x" * 4096,
        "x" * 10_000,
        "VP1:" + "A" * 10_000,
        "x" * 100_000 + ".png",
        "a\0b",
        "a\0b.png",
        "/no/such/folder\0/code.png",
        "\udcff\udcfe binary \x00\x01\x02",
        "\u202eevil",
        "😀" * 2000,
        "'; DROP TABLE passes; --",
        "/" * 5000,
    ],
    ids=lambda text: ascii(text)[:24],
)
def test_whatever_text_is_shown_is_refused_and_recorded(
    cli: Cli, within: Instance, shown: str
) -> None:
    assert refusal(cli, shown) == UNREADABLE
    assert looking.last_record(within).kind is Kind.PRESENTATION_DECIDED
    assert looking.count(within, presentations) == 1


@pytest.mark.parametrize("shown", ["", "nonsense", "a\0b", "x" * 10_000, "\udcff"])
def test_a_reader_at_the_exit_lets_out_whatever_is_shown(cli: Cli, shown: str) -> None:
    told = cli.data("present", shown, "--reader", "Front out")
    assert (told["granted"], told["spent"], told["reason"]) == (True, False, None)


def test_a_reader_at_the_exit_lets_out_whatever_is_in_a_picture(cli: Cli, tmp_path: Path) -> None:
    for content in (_no_picture, _blank, _two):
        (tmp_path / "shown.png").write_bytes(content(cli))
        assert cli.data("present", str(tmp_path / "shown.png"), "--reader", "Front out")["granted"]


@pytest.mark.parametrize(
    ("at", "reason"),
    [
        ("2030-05-14T08:58:59", "too-early"),
        ("2030-05-14T17:01:00", "expired"),
        ("2030-05-14T08:00Z", None),
        ("2030-05-14T16:59:59", None),
    ],
)
def test_the_moment_that_is_decided_for_counts(cli: Cli, at: str, reason: str | None) -> None:
    code = cli.issue()["code"]
    status = 0 if reason is None else REFUSED
    told = cli.data("present", code, "--reader", "Front in", "--at", at, status=status)
    assert told["reason"] == reason


# --- another moment: a rehearsal, but for the demo ---------------------------------------------


def test_another_moment_is_a_rehearsal_that_changes_nothing(cli: Cli, within: Instance) -> None:
    code = cli.issue("--pin")["code"]
    before = looking.dump(within)
    for shown, at in ((code, "2030-05-14T12:00"), ("nonsense", "2030-05-14T12:00")):
        told = cli.data("present", shown, "--reader", "Front in", "--at", at, "--pin", "000000",
                        status=REFUSED)  # fmt: skip
        assert told["rehearsal"]
        assert told["decided_for"] == "2030-05-14T12:00:00+01:00"
    said = cli("present", code, "--reader", "Front in", "--at", "2030-05-14T12:00")
    assert said.out.endswith("This was a rehearsal: nothing was spent and nothing was recorded.\n")
    assert looking.dump(within) == before


def test_a_rehearsal_says_what_would_be_and_leaves_the_entry(cli: Cli) -> None:
    made = cli.issue()
    for _ in range(2):
        told = cli.data("present", made["code"], "--reader", "Front in", "--at", "2030-05-14T12:00")
        assert (told["granted"], told["entries_left"]) == (True, 0)
    assert cli.data("pass", "show", "1")["entries_left"] == 1


def test_on_the_demo_another_moment_is_spent_and_both_times_are_recorded(demo_cli: Cli) -> None:
    made = demo_cli.issue(doors="Grounds", until="2030-05-20T17:00")
    told = demo_cli.data(
        "present", made["code"], "--reader", "Lodge in", "--at", "2030-05-15T07:00"
    )
    assert (told["granted"], told["spent"], told["rehearsal"]) == (True, True, False)
    told = demo_cli.data(
        "present", made["code"], "--reader", "Lodge in", "--at", "2030-05-15T08:00",
        status=REFUSED,
    )  # fmt: skip
    assert told["reason"] == "used-up"
    (entry,) = demo_cli.data("audit", "list", "--limit", "1")
    assert entry["at"] == "2030-05-14T09:00:00Z"
    assert entry["data"]["moment-us"] == NOW_US + (22 * 60) * MINUTE_US


# --- sent again --------------------------------------------------------------------------------


def test_the_same_presentation_gets_the_same_answer_and_counts_once(cli: Cli) -> None:
    made = cli.issue(entries="5")
    shown = ("present", made["code"], "--reader", "Front in", "--presentation-id", "gate-000001")
    assert [cli.data(*shown)["entries_left"] for _ in range(3)] == [4, 4, 4]
    assert cli.data("pass", "show", "1")["entries_used"] == 1


def test_one_presentation_with_two_contents_is_a_conflict(cli: Cli) -> None:
    made = cli.issue()
    again = ("--reader", "Front in", "--presentation-id", "gate-000001")
    cli.data("present", made["code"], *again)
    for other in (("something else",), (made["code"], "--pin", "123456")):
        assert list(cli.faults("present", *other, *again)) == ["presentation_id"]


# --- wrong use ---------------------------------------------------------------------------------


def test_a_picture_that_is_not_looked_at_is_wrong_use(
    cli: Cli, within: Instance, tmp_path: Path
) -> None:
    heavy, wide = tmp_path / "heavy.png", tmp_path / "wide.png"
    heavy.write_bytes(bytes(12_000_000))
    Image.new("1", (10_000, 5_000), 1).save(wide)
    (tmp_path / "folder").mkdir()
    (tmp_path / "folder.png").mkdir()
    for name, says in {
        "heavy.png": "too large",
        "wide.png": "too many pixels",
        "missing.png": "missing.png cannot be read: No such file or directory",
        "missing.JPEG": "No such file or directory",
        "folder": "Is a directory",
        "folder.png": "Is a directory",
        "wide.png/code.png": "Not a directory",
    }.items():
        faults = cli.faults("present", str(tmp_path / name), "--reader", "Front in")
        assert list(faults) == ["image"]
        assert says in faults["image"]
    assert looking.count(within, presentations) == 0


def test_a_file_without_end_is_read_to_its_limit_only(cli: Cli, tmp_path: Path) -> None:
    (tmp_path / "endless.png").symlink_to("/dev/zero")
    faults = cli.faults("present", str(tmp_path / "endless.png"), "--reader", "Front in")
    assert "too large" in faults["image"]


@pytest.mark.parametrize(
    ("options", "field", "says"),
    [
        (("--reader", "Back door"), "reader", "known are: Front in, Front out"),
        (("--reader", ""), "reader", "'' is not known here"),
        ((), "reader", "Missing option '--reader'"),
        (("--reader", "Front in", "--pin", "12345"), "pin", ""),
        (("--reader", "Front in", "--pin", "1234567"), "pin", ""),
        (("--reader", "Front in", "--pin", "¹²³⁴⁵⁶"), "pin", ""),
        (("--reader", "Front in", "--presentation-id", "short"), "presentation_id", ""),
        (("--reader", "Front in", "--presentation-id", "x" * 65), "presentation_id", ""),
        (("--reader", "Front in", "--at", "soon"), "at", "'soon' is no date and time"),
        (("--reader", "Front in", "--at", "2030-05-14"), "at", "without a time"),
        (("--reader", "Front in", "--at", "1969-05-14T10:00"), "at", "outside the years"),
        (("--reader", "Front in", "--at", "9999-12-31T23:59"), "at", "outside the years"),
        (("--reader", "Front in", "--at", "2031-03-30T01:30"), "at", "does not exist"),
        (("--reader", "Front in", "--at", "2030-10-27T01:30"), "at", "occurs twice"),
    ],
)
def test_wrong_use_names_the_field(
    cli: Cli, options: tuple[str, ...], field: str, says: str
) -> None:
    faults = cli.faults("present", "nonsense", *options)
    assert list(faults) == [field]
    assert says in faults[field]


def test_nothing_shown_at_all_is_wrong_use(cli: Cli) -> None:
    assert list(cli.faults("present", "--reader", "Front in")) == ["image"]


# --- on each kind of database ------------------------------------------------------------------


def test_a_code_is_presented_on_each_kind_of_database(either: Cli, house: House) -> None:
    made = either.issue("--escort")
    assert refusal(either, made["code"]) == "escort-needed"
    before = looking.dump(house.instance)
    told = either.data(
        "present", made["code"], "--reader", "Front in", "--at", "2030-05-14T20:00",
        status=REFUSED,
    )  # fmt: skip
    assert (told["reason"], told["rehearsal"]) == ("expired", True)
    assert looking.dump(house.instance) == before
    assert refusal(either, "a\0b") == UNREADABLE
    escort = either.issue("--escort-pass", guest="Jon Pell")
    assert either.data("present", escort["code"], "--reader", "Front in")["accompanies"]
    assert either.data("present", "anything", "--reader", "Front out")["granted"]
