"""The start page, and pages that say what went wrong."""

from __future__ import annotations

import re
import shlex
from html.parser import HTMLParser
from typing import TYPE_CHECKING

import pytest

from passdesk import __version__
from passdesk.app import clock_us, create_app
from passdesk.services import commissioning
from passdesk.services.instance import note_fact
from passdesk.store.tables import records
from tests.support import looking
from tests.support.place import NOW_US

if TYPE_CHECKING:
    from werkzeug.test import TestResponse

    from passdesk.services.instance import Instance
    from tests.api.calling import Api

SITE = "<b>\"Mill\" & 'Lane'</b>"


class Page(HTMLParser):
    """What is on a page: its elements and attributes, its text, and the texts of its code."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.codes: list[str] = []
        self._in_code = False
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note an element."""
        self.elements.append((tag, dict(attrs)))
        if tag == "code":
            self._in_code = True
            self.codes.append("")

    def handle_endtag(self, tag: str) -> None:
        """Note the end of code."""
        if tag == "code":
            self._in_code = False

    def handle_data(self, data: str) -> None:
        """Note text."""
        self.text += data
        if self._in_code:
            self.codes[-1] += data

    def count(self, tag: str) -> int:
        """Count the elements of a kind."""
        return sum(found == tag for found, _ in self.elements)


def start(api: Api) -> Page:
    """Fetch the start page."""
    answer = api.app.test_client().get("/")
    assert (answer.status_code, answer.mimetype) == (200, "text/html")
    return Page(answer.text)


def figures(page: Page) -> dict[str, str]:
    """Give the figures on the start page."""
    lines = [line.strip() for line in page.text.splitlines() if line.strip()]
    names = ["Passes", "Doors", "Records, sealed", "Records, not sealed yet", "Version"]
    return {
        name: line.removeprefix(name)
        for name in names
        for line in lines
        if re.fullmatch(re.escape(name) + r"[0-9.]+", line)
    }


def test_the_start_page_says_what_there_is(api: Api) -> None:
    api.issue()
    waiting = looking.count(api.instance, records)
    assert figures(start(api)) == {
        "Passes": "1",
        "Doors": "4",
        "Records, sealed": "0",
        "Records, not sealed yet": str(waiting),
        "Version": __version__,
    }
    api.get("/checkpoint", "audit")
    sealed = figures(start(api))
    assert (sealed["Records, sealed"], sealed["Records, not sealed yet"]) == (str(waiting), "0")


def test_the_start_page_is_there_on_each_kind_of_database(both: Api) -> None:
    assert figures(start(both))["Doors"] == "4"


def test_the_start_page_names_the_description_of_the_api(kept: Api) -> None:
    links = [attributes["href"] for tag, attributes in start(kept).elements if tag == "a"]
    assert links == ["/api/v1/openapi.json"]


def test_the_start_page_warns_about_exits(kept: Api) -> None:
    text = " ".join(start(kept).text.split())
    assert "must never be the only way that a door opens from inside" in text


def test_the_commands_on_the_start_page_fit_the_place(kept: Api) -> None:
    commands = [shlex.split(code) for code in start(kept).codes if code.startswith("passdesk p")]
    assert [command[1:3] for command in commands] == [
        ["pass", "issue"], ["present", "pass.png"], ["pass", "list"],
    ]  # fmt: skip
    issue = dict(zip(commands[0][3::2], commands[0][4::2], strict=True))
    assert issue["--site"] == "Mill Lane"
    assert issue["--doors"] == "Visitors"
    assert issue["--from"] == "2030-05-14T10:00:00+01:00"
    assert issue["--until"] == "2030-05-14T18:00:00+01:00"
    assert commands[1][3:] == ["--reader", "Front in"]
    made = kept.issue(
        site=issue["--site"], doors=[issue["--doors"]], host=issue["--host"],
        valid_from=issue["--from"], valid_until=issue["--until"],
    )  # fmt: skip
    assert kept.present(made, commands[1][4]).get_json()["granted"]


def test_an_instance_without_a_place_says_what_to_set_up(small_instance: Instance) -> None:
    app = create_app(small_instance, lambda: NOW_US)
    page = Page(app.test_client().get("/").text)
    assert "No door with a reader has been set up yet" in page.text
    assert "passdesk site add" in page.codes


def test_an_instance_in_earnest_is_no_demo(kept: Api) -> None:
    assert "Demo" not in start(kept).text


def test_a_demo_says_so_and_names_its_site(small_instance: Instance) -> None:
    add = commissioning.AddSite(name=SITE, zone="Europe/Lisbon")
    small_instance.act("command", NOW_US, commissioning.add_site, add)
    small_instance.act("command", NOW_US, note_fact, "demo", "yes")
    answer = create_app(small_instance, lambda: NOW_US).test_client().get("/")
    assert "<b>" not in answer.text
    assert f"Demo. This is {SITE}, a place that does not exist." in Page(answer.text).text


def test_pages_need_no_script_and_no_style_but_the_sheet(kept: Api) -> None:
    client = kept.app.test_client()
    for path in ("/", "/nothing"):
        answer = client.get(path)
        policy = answer.headers["Content-Security-Policy"]
        assert "unsafe" not in policy
        assert "script-src" not in policy
        page = Page(answer.text)
        assert page.count("script") == page.count("style") == 0
        assert not [one for _, attributes in page.elements for one in attributes if one == "style"]
        assert not [
            one for _, attributes in page.elements for one in attributes if one.startswith("on")
        ]
        sheets = [attributes["href"] for tag, attributes in page.elements if tag == "link"]
        assert sheets == ["/static/passdesk.css"]


def test_pages_say_their_language_and_have_one_heading_and_one_main_part(kept: Api) -> None:
    client = kept.app.test_client()
    for path in ("/", "/nothing"):
        page = Page(client.get(path).text)
        assert dict(page.elements)["html"]["lang"] == "en"
        assert (page.count("h1"), page.count("main"), page.count("title")) == (1, 1, 1)


def test_the_sheet_is_small_and_loads_nothing_from_elsewhere(kept: Api) -> None:
    answer = sheet_of(kept)
    assert answer.mimetype == "text/css"
    assert len(answer.data) <= 12_000
    assert "url(" not in answer.text
    assert "@import" not in answer.text
    etag = answer.headers["ETag"]
    assert sheet_of(kept, {"If-None-Match": etag}).status_code == 304


def test_the_sheet_has_the_tokens_of_both_schemes_with_enough_contrast(kept: Api) -> None:
    sheet = sheet_of(kept).text
    light, dark = (
        dict(re.findall(r"--(\w+): (#[0-9a-f]{6});", part))
        for part in sheet.split("@media (prefers-color-scheme: dark)")[:2]
    )
    assert light.keys() == dark.keys()
    for scheme in (light, dark):
        # WCAG 2.2, success criteria 1.4.3 (text, 4.5:1) and 1.4.11 (marks, 3:1).
        for name in ("ink", "soft", "green"):
            assert contrast(scheme[name], scheme["paper"]) >= 4.5
        assert contrast(scheme["amber"], scheme["paper"]) >= 3


def sheet_of(api: Api, headers: dict[str, str] | None = None) -> TestResponse:
    """Fetch the sheet of styles."""
    client = api.app.test_client()
    return client.get("/static/passdesk.css", headers=headers, buffered=True)


def contrast(first: str, second: str) -> float:
    """Give the contrast ratio of two colours (WCAG 2.2, 'contrast ratio', 'relative luminance')."""
    lighter, darker = sorted((luminance(first), luminance(second)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def luminance(colour: str) -> float:
    """Give the relative luminance of a colour."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize("path", ["/static/../pages.py", "/static/%2e%2e/pages.py", "/static/"])
def test_only_what_is_in_its_folder_is_served(kept: Api, path: str) -> None:
    assert kept.app.test_client().get(path).status_code == 404


@pytest.mark.parametrize(
    ("method", "path", "status"), [("GET", "/nothing", 404), ("POST", "/", 405)]
)
def test_a_page_says_what_went_wrong(kept: Api, method: str, path: str, status: int) -> None:
    answer = kept.app.test_client().open(path, method=method)
    assert (answer.status_code, answer.mimetype) == (status, "text/html")
    assert Page(answer.text).count("h1") == 1


def test_the_clock_of_the_service_is_microseconds_since_1970() -> None:
    assert NOW_US // 10 < clock_us() < NOW_US * 10
