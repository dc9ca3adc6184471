"""The benchmark's page in a browser: what its script does, and what nothing in it can do.

A small real benchmark with hostile names makes the page. Roles, states and keys are held against
the WAI-ARIA Authoring Practices (W3C: patterns button, slider and sortable table), and against
WCAG 2.2: 1.1.1 text alternatives, 2.1.1 keyboard, 2.2.2 what blinks can be stopped, 2.3.1 three
flashes a second at most, 2.4.7 focus visible, 2.3.3 motion can be switched off.
"""

import base64
import io
import json
import os
import threading
import time
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
from PIL import Image
from selenium.webdriver import ActionChains, Chrome, ChromeOptions
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.remote.webelement import WebElement
from selenium.webdriver.support.ui import Select

from stacktruth.runners.bench.report.report import write_report

CHROMIUM, DRIVER = "/usr/bin/chromium", "/usr/bin/chromedriver"
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--force-color-profile=srgb",
    "--force-device-scale-factor=1",
    "--window-size=1280,900",
)
#: The whole page is promised to stay below this, bytes.
PAGE_LIMIT = 15_000_000


def test_there_is_a_browser() -> None:
    """Without one the tests below are skipped, which no build server may do."""
    missing = [path for path in (CHROMIUM, DRIVER) if not Path(path).exists()]
    if missing and not os.environ.get("CI"):
        pytest.skip(
            f"no browser: {', '.join(missing)}: install Debian's chromium and chromium-driver"
        )
    assert not missing


@pytest.fixture(scope="module")
def page(small_bench) -> Path:
    """Write the page."""
    return write_report(small_bench.folder)


@pytest.fixture(scope="module")
def chromium(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Chrome]:
    """Start a browser that has never been anywhere, and writes down what it asks for."""
    if not (Path(CHROMIUM).exists() and Path(DRIVER).exists()):
        if os.environ.get("CI"):
            pytest.fail("no browser")
        pytest.skip("no browser")
    options = ChromeOptions()
    options.binary_location = CHROMIUM
    for flag in (*FLAGS, f"--user-data-dir={tmp_path_factory.mktemp('profile')}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"performance": "ALL", "browser": "ALL"})
    driver = Chrome(options=options, service=Service(DRIVER))
    yield driver
    driver.quit()


@pytest.fixture
def browser(chromium: Chrome, page: Path) -> Iterator[Chrome]:
    """Open the page afresh; whatever is done with it, nothing may be complained of."""
    for kind in ("performance", "browser"):
        chromium.get_log(kind)
    chromium.get(page.as_uri())
    full_size(chromium)
    yield chromium
    assert [entry["message"] for entry in chromium.get_log("browser")] == []


def compare(browser: Chrome) -> WebElement:
    """Return the first scene's comparison, in sight."""
    found = browser.find_element(By.CSS_SELECTOR, ".compare")
    browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", found)
    return found


def seen(element: WebElement) -> np.ndarray:
    """Return what an element looks like on the screen."""
    return np.asarray(Image.open(io.BytesIO(element.screenshot_as_png)).convert("RGB"))


def picture(browser: Chrome, scene: int, crop: int, index: int) -> np.ndarray:
    """Return a picture of the page as it is stored."""
    crops = browser.find_elements(By.CSS_SELECTOR, ".scene")[scene]
    group = crops.find_elements(By.CSS_SELECTOR, ".crop")[crop]
    source = group.find_elements(By.TAG_NAME, "img")[index].get_attribute("src")
    return imagecodecs.webp_decode(base64.b64decode(source.partition(",")[2]))


def stage(browser: Chrome) -> np.ndarray:
    """Return what the first comparison shows."""
    return seen(compare(browser).find_element(By.CLASS_NAME, "stage"))


def slider(browser: Chrome) -> WebElement:
    """Return its divider."""
    return compare(browser).find_element(By.CSS_SELECTOR, "input[type=range]")


def button(browser: Chrome, name: str) -> WebElement:
    """Return one of its buttons."""
    return compare(browser).find_element(By.XPATH, f".//button[text()='{name}']")


def chooser(browser: Chrome, label: str) -> Select:
    """Return one of its lists by the words of its label."""
    path = f".//label[starts-with(normalize-space(), '{label}')]//select"
    return Select(compare(browser).find_element(By.XPATH, path))


def full_size(browser: Chrome) -> None:
    """Show pictures pixel for pixel, and not as large as there is room for."""
    chooser(browser, "size").select_by_visible_text("100 %")


class TestTables:
    """Sorting."""

    @pytest.mark.parametrize("column", [0, 1, 6])
    def test_a_heading_sorts(self, browser: Chrome, column: int) -> None:
        """Down, then up, as Python sorts; the state is told to a screen reader."""
        table = browser.find_element(By.CSS_SELECTOR, "#standing table:not(.map)")

        def cells() -> list[str]:
            rows = table.find_elements(By.CSS_SELECTOR, "tbody tr")
            return [row.find_elements(By.CSS_SELECTOR, "th, td")[column].text for row in rows]

        before = cells()
        assert len(set(before)) > 2
        numbers = {text: float(text) if column else text for text in before if text != "-"}
        rising = sorted((t for t in before if t != "-"), key=numbers.__getitem__)
        blank = [text for text in before if text == "-"]
        heading = table.find_elements(By.CSS_SELECTOR, "thead th")[column]
        heading.find_element(By.TAG_NAME, "button").click()
        assert heading.get_attribute("aria-sort") == "descending"
        # Names first go from A to Z: that is what one wants of a list.
        assert cells() == ([*reversed(rising)] if column else rising) + blank
        heading.find_element(By.TAG_NAME, "button").send_keys(Keys.ENTER)
        assert heading.get_attribute("aria-sort") == "ascending"
        assert cells() == (rising if column else [*reversed(rising)]) + blank


class TestChoices:
    """Part of the stacks, chosen by how they were shot."""

    @pytest.fixture
    def stances(self, chromium: Chrome, page_of_two_stances: Path) -> Iterator[Chrome]:
        """Open a page of two stances and two rigs, the second of one stance alone."""
        chromium.get_log("browser")
        chromium.get(page_of_two_stances.as_uri())
        yield chromium
        assert [entry["message"] for entry in chromium.get_log("browser")] == []

    @staticmethod
    def lists(browser: Chrome, factor: str) -> list[Select]:
        """Return the lists of a factor, above the first figure and above the map."""
        path = f".choosers select[data-factor={factor}]"
        return [Select(one) for one in browser.find_elements(By.CSS_SELECTOR, path)]

    @staticmethod
    def first(browser: Chrome) -> tuple[str, str]:
        """Return the sentence, and which method is first in each of the figures."""
        names = browser.find_elements(By.CSS_SELECTOR, ".dots:not(.ranks) .name")
        return browser.find_element(By.CLASS_NAME, "answer").text, names[0].text

    def test_a_choice_changes_sentence_figures_and_map(self, stances: Chrome) -> None:
        """By keys: stepped, the focus map; braced, the wavelet; both lists say so; and back."""
        top, below = self.lists(stances, "stance")
        whole = self.first(stances)
        assert not whole[0].startswith("With")
        top._el.send_keys(Keys.ARROW_DOWN)
        assert self.first(stances)[0].startswith("With stance stepped: focus-map lost least")
        assert self.first(stances)[1] == "focus-map"
        assert below.first_selected_option.text == "stepped"
        kinds = stances.find_element(By.CSS_SELECTOR, "[data-told=kinds]")
        assert not kinds.find_elements(By.TAG_NAME, "table")  # these scenes are of one kind
        below.select_by_visible_text("braced")
        assert self.first(stances) == (
            stances.find_element(By.CSS_SELECTOR, "[role=status] .answer").text,
            "wavelet",
        )
        assert stances.find_element(By.CSS_SELECTOR, ".ranks li:nth-last-child(2)").text.startswith(
            "wavelet"
        )
        stances.find_element(By.XPATH, "//button[text()='All stacks']").send_keys(Keys.ENTER)
        assert self.first(stances) == whole
        assert top.first_selected_option.text == "all (2)"

    def test_what_was_not_shot_cannot_be_chosen(self, stances: Chrome) -> None:
        """The second rig was held braced alone: chosen, it leaves no other stance."""
        self.lists(stances, "rig")[0].select_by_visible_text("field-2x")
        able = {one.text: one.is_enabled() for one in self.lists(stances, "stance")[0].options}
        assert able == {"all (2)": True, "stepped": False, "braced": True}

    def test_choices_are_named_and_stay_where_they_are(self, stances: Chrome) -> None:
        """A name for each control (WCAG 4.1.2), the list in use where it was, also on a phone."""
        for control in stances.find_elements(By.CSS_SELECTOR, ".choosers select, .choosers button"):
            assert control.accessible_name.strip()
        size = {"width": 390, "height": 844, "deviceScaleFactor": 1, "mobile": True}
        stances.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
        try:
            used = self.lists(stances, "stance")[1]
            where = "return arguments[0].getBoundingClientRect().top"
            stances.execute_script("arguments[0].scrollIntoView({block: 'center'})", used._el)
            before = stances.execute_script(where, used._el)
            used.select_by_visible_text("braced")
            assert stances.execute_script(where, used._el) == pytest.approx(before, abs=2)
            assert stances.execute_script("return document.documentElement.scrollWidth") <= 390
        finally:
            stances.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


class TestSlide:
    """The divider."""

    def test_each_side_of_the_divider_shows_its_picture(self, browser: Chrome) -> None:
        """Pixel for pixel: the ideal on the left, the oracle on the right of the middle."""
        shown = stage(browser)
        ideal, oracle = picture(browser, 0, 0, 0), picture(browser, 0, 0, 2)
        assert shown.shape == ideal.shape
        middle = shown.shape[1] // 2
        np.testing.assert_array_equal(shown[:, : middle - 3], ideal[:, : middle - 3])
        np.testing.assert_array_equal(shown[:, middle + 3 :], oracle[:, middle + 3 :])
        assert (ideal[:, middle:] != oracle[:, middle:]).any()

    def test_the_divider_follows_the_mouse(self, browser: Chrome) -> None:
        """Dragged to a quarter, the divider is at a quarter, and so are the pictures."""
        place = compare(browser).find_element(By.CLASS_NAME, "stage")
        width = place.size["width"]
        drag = ActionChains(browser).move_to_element(place).click_and_hold()
        drag.move_by_offset(-width // 4, 10).release().perform()
        assert abs(float(slider(browser).get_attribute("value")) - 25) <= 1
        shown, oracle = stage(browser), picture(browser, 0, 0, 2)
        start = width // 4 + 5
        np.testing.assert_array_equal(shown[:, start:], oracle[:, start:])
        ActionChains(browser).move_by_offset(width // 3, 0).perform()  # no button held
        assert abs(float(slider(browser).get_attribute("value")) - 25) <= 1

    def test_the_divider_follows_the_keyboard(self, browser: Chrome) -> None:
        """Arrows go by one, Home and End to the ends (ARIA slider pattern); focus shows."""
        divider = slider(browser)
        divider.send_keys(Keys.ARROW_RIGHT, Keys.ARROW_RIGHT, Keys.ARROW_LEFT)
        assert divider.get_attribute("value") == "51"
        assert divider.get_attribute("aria-valuetext").startswith("51 % ideal, the rest oracle")
        assert divider.get_attribute("aria-label")
        assert browser.switch_to.active_element == divider
        assert divider.value_of_css_property("outline-style") != "none"
        divider.send_keys(Keys.END)
        np.testing.assert_array_equal(stage(browser)[:, :-3], picture(browser, 0, 0, 0)[:, :-3])
        divider.send_keys(Keys.HOME)
        np.testing.assert_array_equal(stage(browser)[:, 3:], picture(browser, 0, 0, 2)[:, 3:])

    def test_any_two_pictures_of_any_crop_can_be_compared(self, browser: Chrome) -> None:
        """Error map against the mean, of the second crop; swapped they change sides."""
        chooser(browser, "crop").select_by_index(1)
        chooser(browser, "left").select_by_visible_text("error of focus-map")
        right = chooser(browser, "right")
        right.select_by_index(4)
        assert right.first_selected_option.text.startswith("mean")
        names = [option.text for option in right.options]
        error, mean = (
            picture(browser, 0, 1, names.index("error of focus-map")),
            picture(browser, 0, 1, 4),
        )
        half = error.shape[1] // 2
        shown = stage(browser)
        np.testing.assert_array_equal(shown[:, : half - 3], error[:, : half - 3])
        np.testing.assert_array_equal(shown[:, half + 3 :], mean[:, half + 3 :])
        button(browser, "Swap").click()
        shown = stage(browser)
        np.testing.assert_array_equal(shown[:, : half - 3], mean[:, : half - 3])
        np.testing.assert_array_equal(shown[:, half + 3 :], error[:, half + 3 :])

    def test_pictures_grow_by_whole_pixels(self, browser: Chrome) -> None:
        """At 200 % each pixel is four, in all scenes at once; nothing is smoothed."""
        chooser(browser, "size").select_by_visible_text("200 %")
        shown, ideal = stage(browser), picture(browser, 0, 0, 0)
        twice = ideal.repeat(2, axis=0).repeat(2, axis=1)
        assert shown.shape == twice.shape
        half = twice.shape[1] // 2
        np.testing.assert_array_equal(shown[:, : half - 3], twice[:, : half - 3])
        second = browser.find_elements(By.CSS_SELECTOR, ".stage")[1]
        assert second.size["width"] == twice.shape[1]

    def test_a_picture_is_as_large_as_there_is_room_for(self, browser: Chrome) -> None:
        """By whole pixels of the screen: one more would be too wide, or higher than 0.8 of it."""
        ideal = picture(browser, 0, 0, 0)
        chooser(browser, "size").select_by_visible_text("fit")
        box = compare(browser).find_element(By.CLASS_NAME, "stage").size
        times, rest = divmod(box["width"], ideal.shape[1])
        assert rest == 0
        assert box["height"] == times * ideal.shape[0]
        room = compare(browser).size["width"]
        most = browser.execute_script("return 0.8 * window.innerHeight")
        assert box["width"] <= room
        assert box["height"] <= most
        assert box["width"] + ideal.shape[1] > room or box["height"] + ideal.shape[0] > most

    def test_what_one_looks_at_stays_where_it_is(self, browser: Chrome) -> None:
        """Larger pictures above push the chooser of the last scene nowhere on the screen."""
        last = browser.find_elements(By.CSS_SELECTOR, ".compare")[-1]
        path = ".//label[starts-with(normalize-space(), 'size')]//select"
        size = last.find_element(By.XPATH, path)
        browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", size)
        where = "return arguments[0].getBoundingClientRect().top"
        before = browser.execute_script(where, size)
        for name in ("400 %", "100 %", "fit"):
            Select(size).select_by_visible_text(name)
            assert browser.execute_script(where, size) == pytest.approx(before, abs=2)


class TestBeside:
    """Pictures of a crop beside each other."""

    def test_the_chosen_ones_alone_are_shown(self, browser: Chrome) -> None:
        """The ideal and, by a key, the mean, in every crop of this scene; then all again."""
        scene = browser.find_element(By.CSS_SELECTOR, ".scene")
        browser.execute_script("arguments[0].querySelector('details').open = true", scene)

        def shown() -> list[list[str]]:
            crops = scene.find_elements(By.CSS_SELECTOR, ".crop")
            figures = [crop.find_elements(By.TAG_NAME, "figure") for crop in crops]
            return [[one.text for one in own if one.is_displayed()] for own in figures]

        whole = shown()
        assert len(whole) == 3
        path = ".//fieldset//button[text()='ideal alone']"
        scene.find_element(By.XPATH, path).send_keys(Keys.ENTER)
        assert shown() == [["ideal"]] * 3
        box = scene.find_element(By.XPATH, ".//fieldset/label[starts-with(., ' mean')]/input")
        box.send_keys(Keys.SPACE)
        assert shown() == [["ideal", whole[0][4]]] * 3
        assert whole[0][4].startswith("mean")
        scene.find_element(By.XPATH, ".//fieldset//button[text()='All']").click()
        assert shown() == whole


class TestBlink:
    """Two pictures in turn."""

    def test_it_blinks_until_it_is_stopped(self, browser: Chrome) -> None:
        """Both pictures come, in under three changes a second; the button says so."""
        blink = button(browser, "Blink")
        assert blink.get_attribute("aria-pressed") == "false"
        shown = self._watched(browser, blink.click, seconds=2.4)
        assert blink.get_attribute("aria-pressed") == "true"
        assert {kind for kind, _ in shown} == {"first", "second"}
        assert 2 <= len(shown) - 1 <= 3 * 2.4
        assert min(np.diff([at for _, at in shown])) > 1000 / 3
        still = self._watched(browser, blink.click, seconds=1.6)
        assert blink.get_attribute("aria-pressed") == "false"
        assert len(still) <= 1

    @staticmethod
    def _watched(browser: Chrome, act, *, seconds: float) -> list[tuple[str, float]]:
        """Act, and note by the browser's own clock which picture is shown alone from then on."""
        browser.execute_script(
            """
            const stage = document.querySelector(".stage");
            window.noted = [];
            new MutationObserver(() => {
              const {shown} = stage.dataset;
              if (shown !== "both" && shown !== window.noted.at(-1)?.[0]) {
                window.noted.push([shown, performance.now()]);
              }
            }).observe(stage, {attributes: true});
            """
        )
        act()
        time.sleep(seconds)
        return browser.execute_script("return window.noted")

    def test_keys_blink_flip_and_slide(self, browser: Chrome) -> None:
        """B blinks and stops; F shows one whole picture, then the other; the arrows slide again."""
        divider = slider(browser)
        divider.send_keys("b")
        assert button(browser, "Blink").get_attribute("aria-pressed") == "true"
        divider.send_keys("b")
        assert button(browser, "Blink").get_attribute("aria-pressed") == "false"
        for index in (0, 2):
            divider.send_keys("f")
            np.testing.assert_array_equal(stage(browser), picture(browser, 0, 0, index))
        divider.send_keys(Keys.ARROW_RIGHT)
        half = stage(browser).shape[1] // 2
        np.testing.assert_array_equal(
            stage(browser)[:, : half - 3], picture(browser, 0, 0, 0)[:, : half - 3]
        )

    def test_less_motion_is_respected(self, chromium: Chrome, page: Path) -> None:
        """Asked for less motion nothing blinks, by button or key; flipping by hand still works."""
        media = {"name": "prefers-reduced-motion", "value": "reduce"}
        chromium.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [media]})
        try:
            chromium.get(page.as_uri())
            full_size(chromium)
            assert not button(chromium, "Blink").is_enabled()
            assert "nothing blinks: your system asks for less motion" in compare(chromium).text
            divider = slider(chromium)
            shown = self._watched(chromium, lambda: divider.send_keys("b"), seconds=1.6)
            assert shown == []
            divider.send_keys("f")
            np.testing.assert_array_equal(stage(chromium), picture(chromium, 0, 0, 0))
        finally:
            chromium.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})

    def test_less_motion_asked_for_later_stops_it(self, browser: Chrome) -> None:
        """A blink that runs ends when the system's setting changes."""
        button(browser, "Blink").click()
        media = {"name": "prefers-reduced-motion", "value": "reduce"}
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [media]})
        try:
            assert self._watched(browser, lambda: None, seconds=1.6) == []
            assert button(browser, "Blink").get_attribute("aria-pressed") == "false"
        finally:
            browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})


class TestClosed:
    """Nothing leaves the page, and nothing in it becomes code."""

    def test_no_request_leaves(self, browser: Chrome, page: Path) -> None:
        """Everything is used once; all that was asked for is the file and data in it."""
        chooser(browser, "crop").select_by_index(2)
        chooser(browser, "left").select_by_index(5)
        for name in ("Swap", "Flip", "Blink", "Blink"):
            button(browser, name).click()
        events = [json.loads(entry["message"]) for entry in browser.get_log("performance")]
        asked = [
            event["message"]["params"]["request"]["url"]
            for event in events
            if event["message"]["method"] == "Network.requestWillBeSent"
        ]
        assert page.as_uri() in asked
        assert {url.partition(",")[0] for url in asked if url != page.as_uri()} <= {
            "data:image/webp;base64",
            "data:image/png;base64",
        }

    def test_the_policy_keeps_even_code_from_asking(self, chromium: Chrome, page: Path) -> None:
        """A server of ours hears nothing of fetch, picture, script, style, frame and form."""
        heard: list[str] = []

        class Listener(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                heard.append(self.path)
                self.send_response(204)
                self.end_headers()

            def log_message(self, *_: object) -> None:
                pass

        server = ThreadingHTTPServer(("127.0.0.1", 0), Listener)
        threading.Thread(target=server.serve_forever, daemon=True).start()
        try:
            chromium.get(page.as_uri())
            chromium.execute_async_script(
                """
                const [at, done] = arguments;
                const tries = {img: "src", script: "src", iframe: "src", audio: "src"};
                for (const [name, source] of Object.entries(tries)) {
                  const element = document.createElement(name);
                  element[source] = `${at}/${name}`;
                  document.body.append(element);
                }
                const sheet = document.createElement("link");
                sheet.rel = "stylesheet";
                sheet.href = `${at}/style`;
                document.head.append(sheet);
                const script = document.createElement("script");
                script.textContent = "window.ran = true";
                document.body.append(script);
                const form = document.createElement("form");
                form.action = `${at}/form`;
                document.body.append(form);
                form.submit();
                fetch(`${at}/fetch`).catch(() => {}).finally(() => setTimeout(done, 500));
                """,
                f"http://127.0.0.1:{server.server_port}",
            )
            assert heard == []
            assert chromium.execute_script("return window.ran") is None
            assert chromium.current_url == page.as_uri()
        finally:
            server.shutdown()
            server.server_close()
            chromium.get_log("browser")  # the refusals, told there by design

    def test_names_stay_text(self, browser: Chrome, hostile: str) -> None:
        """The hostile title, scene, method and reason are read as they are, and do nothing."""
        assert hostile in browser.title
        assert hostile in browser.find_element(By.TAG_NAME, "h1").text
        headings = [item.text for item in browser.find_elements(By.CSS_SELECTOR, ".scene h3")]
        assert headings == ["pickets", hostile]
        options = [option.text for option in chooser(browser, "left").options]
        assert any(option.startswith(f"{hostile}:merge") for option in options)
        alts = browser.execute_script("return [...document.images].map((image) => image.alt)")
        assert any(hostile in alt for alt in alts)
        assert f"No picture of {hostile}:fail: failed: ValueError: {hostile}" in (
            browser.find_element(By.CSS_SELECTOR, ".scene").text
        )
        assert browser.execute_script(
            """return [document.scripts.length, document.querySelectorAll("[onerror], b").length,
            [...document.images].filter((image) => !image.src.startsWith("data:")).length]"""
        ) == [1, 0, 0]


class TestForAll:
    """Without a script, without sight, on a phone."""

    def test_without_a_script_all_pictures_stand_side_by_side(
        self, chromium: Chrome, page: Path
    ) -> None:
        """Each picture is decoded and takes up room; no control that would do nothing is there."""
        chromium.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
        try:
            chromium.get(page.as_uri())
            sizes = chromium.execute_script(
                """return [...document.images].map((image) => {
                  const box = image.getBoundingClientRect();
                  return [image.naturalWidth, box.width, box.height, image.checkVisibility()];
                })"""
            )
            found = chromium.execute_script(
                "return document.querySelectorAll('button, select, input, .compare').length"
            )
            words = chromium.find_element(By.TAG_NAME, "body").text
        finally:
            chromium.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})
        assert found == 0
        assert "by a click" not in words
        assert len(sizes) == 2 * (2 + 3 * 12 + 1 + 4 + 1)
        for natural, width, height, visible in sizes:
            assert natural > 0
            assert width > 0
            assert height > 0
            assert visible

    def test_all_pictures_and_controls_have_names(self, browser: Chrome) -> None:
        """Alternative text on each picture, a name for each control (WCAG 1.1.1, 4.1.2)."""
        browser.execute_script("document.querySelectorAll('details').forEach((d) => d.open = true)")
        for image in browser.find_elements(By.TAG_NAME, "img"):
            assert image.get_attribute("alt").strip()
        controls = browser.find_elements(By.CSS_SELECTOR, "button, select, input")
        assert len(controls) > 10
        for control in controls:
            assert control.accessible_name.strip()

    def test_nothing_is_cut_on_a_phone(self, browser: Chrome) -> None:
        """At 390 px the page itself does not scroll sideways (WCAG 1.4.10 has 320 px)."""
        narrow = {"width": 390, "height": 844, "deviceScaleFactor": 1, "mobile": True}
        for width in (390, 320):
            size = {**narrow, "width": width}
            browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
            try:
                wide = browser.execute_script("return document.documentElement.scrollWidth")
                assert wide <= width
            finally:
                browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})

    def test_the_page_is_small(self, page: Path) -> None:
        """Two scenes of fourteen as in the standard suite, times seven, are still within limits."""
        assert page.stat().st_size * 7 < PAGE_LIMIT
