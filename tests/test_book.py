"""The book is built strictly by its one command, whole, and readable without a network."""

import fcntl
import os
import re
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote

import pytest
from selenium.webdriver import Chrome, ChromeOptions
from selenium.webdriver.chrome.service import Service

HOUSE = Path(__file__).resolve().parents[1]
#: What a browser fetches by itself.
FETCHED = {"img": "src", "script": "src", "link": "href", "iframe": "src"}


CHROMIUM, DRIVER = "/usr/bin/chromium", "/usr/bin/chromedriver"
#: A telephone and a desktop, CSS pixels.
WIDTHS = (390, 1280)
#: How far a page can be pushed sideways, and which pictures of it are broken or stick out.
MEASURED = """
const root = document.documentElement, wide = root.clientWidth;
const bad = [...document.images].filter(
  one => !one.naturalWidth || one.getBoundingClientRect().right > wide + 1);
return [root.scrollWidth - wide, bad.map(one => one.src), wide];
"""


class Page(HTMLParser):
    """Collects what a page fetches, what it points to, and what may be pointed to in it."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.fetched: list[str] = []
        self.linked: list[str] = []
        self.anchors = {""}
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        """Note an element's addresses and its name."""
        told = dict(attrs)
        self.anchors.add(told.get("id") or "")
        if tag in FETCHED and told.get(FETCHED[tag]):
            self.fetched.append(told[FETCHED[tag]])
        if tag == "a" and told.get("href"):
            self.linked.append(told["href"])


@pytest.fixture(scope="module")
def book(tmp_path_factory):
    """Build the book, once for all processes of the tests: warnings are errors."""
    place = tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        place = place.parent
    html = place / "book"
    with (place / "book.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not (html / "index.html").exists():
            build(html, place / "trees")
    pages = sorted(html.rglob("*.html"))
    return html, {path: Page(path.read_text(encoding="utf-8")) for path in pages}


def build(html, trees):
    """Build the book to a folder, which is there only when all went well."""
    asked = [sys.executable, "-m", "sphinx", "-W", "--keep-going", "-q", "-b", "html"]
    asked += ["-d", str(trees), "docs", f"{html}.part"]
    ran = subprocess.run(asked, cwd=HOUSE, capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stderr
    Path(f"{html}.part").rename(html)


@pytest.mark.slow
def test_every_written_page_is_in_the_book(book):
    """One HTML page for each source; the four parts have their pages."""
    html, pages = book
    sources = [
        path.relative_to(HOUSE / "docs").with_suffix(".html")
        for end in ("*.md", "*.rst")
        for path in (HOUSE / "docs").rglob(end)
        if not {"generated", "_build"} & set(path.parts)
    ]
    assert len(sources) > 20
    assert {html / name for name in sources} <= set(pages)


@pytest.mark.slow
def test_the_book_needs_no_network(book):
    """Style, scripts and pictures lie in the folder, and style sheets fetch nothing either."""
    html, pages = book
    for path, page in pages.items():
        for target in page.fetched:
            assert not re.match(r"(https?:)?//", target), f"{path.name}: {target}"
    for sheet in html.rglob("*.css"):
        fetched = re.findall(r"(?:@import|url\()\s*[\"']?(?:https?:)?//", sheet.read_text())
        assert fetched == [], sheet


@pytest.mark.slow
def test_links_within_the_book_lead_somewhere(book):
    """Each relative address is a file, and what stands after # is a name in it."""
    _, pages = book
    for path, page in pages.items():
        for target in (*page.linked, *page.fetched):
            if re.match(r"[a-z]+:", target):
                continue
            name, _, anchor = unquote(target).partition("#")
            found = (path.parent / name.partition("?")[0]).resolve() if name else path
            assert found.exists(), f"{path.name}: {target}"
            if anchor and found.suffix == ".html":
                assert anchor in pages[found].anchors, f"{path.name}: {target}"


@pytest.mark.slow
def test_each_kind_of_the_scene_language_has_its_picture(book):
    """The page shows as many pictures as the language has kinds, and none is missing."""
    html, pages = book
    page = pages[html / "reference" / "scene_language.html"]
    assert len([name for name in page.fetched if name.endswith(".png")]) > 40


@pytest.mark.slow
def test_reference_names_every_option(book):
    """What each command's own help lists stands on the page of commands."""
    from stacktruth.runners.cli import COMMANDS, build_parser

    html, _ = book
    text = (html / "reference" / "commands.html").read_text(encoding="utf-8")
    parser = build_parser()
    for name in COMMANDS:
        assert f"stacktruth {name}" in text
        own = parser._subparsers._group_actions[0].choices[name].format_help()
        for option in re.findall(r"(?<!\S)(--[a-z-]+)", own):
            assert option in ("--help", "--debug", "--no-progress") or option in text, option


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    """Start a browser, which no build server may lack."""
    missing = [path for path in (CHROMIUM, DRIVER) if not Path(path).exists()]
    if missing:
        (pytest.fail if os.environ.get("CI") else pytest.skip)(f"no browser: {missing}")
    options = ChromeOptions()
    options.binary_location = CHROMIUM
    for flag in ("headless", "no-sandbox", "disable-gpu", "no-first-run", "disable-sync"):
        options.add_argument(f"--{flag}")
    options.add_argument(f"--user-data-dir={tmp_path_factory.mktemp('browser')}")
    found = Chrome(options=options, service=Service(DRIVER))
    yield found
    found.quit()


@pytest.mark.slow
@pytest.mark.parametrize("width", WIDTHS)
def test_no_page_scrolls_sideways(width, book, browser):
    """On a telephone and a desktop; wide tables scroll in their own box, pictures fit."""
    size = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    _, pages = book
    for path in pages:
        browser.get(path.as_uri())
        beyond, broken, wide = browser.execute_script(MEASURED)
        assert wide > width - 20
        assert (beyond, broken) == (0, []), (path.name, width)
