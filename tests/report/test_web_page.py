"""
The report's page in a real browser: pointed at, sorted, switched, printed, read aloud, and never asking for anything.

Needs Debian's chromium and chromium-driver; the accessibility check also needs ``npm ci --prefix tests/layout/page``.
"""

from __future__ import annotations

import base64
import io
import json
import re
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pypdf import PdfReader

from tests.report.built_inspections import build_inspection, with_look_before, with_part_texts, with_views
from thermscan.report.shown import Shown
from thermscan.report.web_page import report_page

AXE = Path(__file__).parents[1] / "layout" / "page" / "node_modules" / "axe-core" / "axe.min.js"
# Long names, markup, formulas, control and right-to-left characters, half characters.
NASTY = (
    "</script><script>window.hurt = 1</script>",
    "<img src=x onerror='window.hurt = 1'>",
    '"><svg onload="window.hurt=1">',
    "{{ 7 * 7 }} {% raw %}",
    '=HYPERLINK("http://x")',
    "\x1b[31m\u202eevil\x00",
    "\ud800 half",
    "x" * 4000,
)


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    webdriver = pytest.importorskip("selenium.webdriver", reason="the selenium package is not installed")
    chromium, driver = shutil.which("chromium"), shutil.which("chromedriver")
    if chromium is None or driver is None:
        pytest.skip("chromium or chromium-driver is not installed: sh .ci/setup --tests")
    options = webdriver.ChromeOptions()
    options.binary_location = chromium
    for argument in ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"):
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driven = webdriver.Chrome(options=options, service=webdriver.ChromeService(driver))
    try:
        yield driven
    finally:
        driven.quit()


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The pages that the tests look at, each made once."""
    folder = tmp_path_factory.mktemp("pages")
    sixty = build_inspection(60, flagged=6)
    made = {
        "sixty": report_page(sixty, Shown()),
        "german": report_page(sixty, Shown("de", "F")),
        "four": report_page(build_inspection(4, flagged=1, baseline=False), Shown()),
        "many": report_page(build_inspection(300, flagged=20, shape=(480, 640)), Shown()),
        "long": report_page(build_inspection(60, flagged=5, size_mm=(400.0, 60.0)), Shown()),
        "looks": report_page(with_views(with_look_before(build_inspection(24, flagged=4))), Shown()),
        "nasty": report_page(with_part_texts(build_inspection(16, flagged=4, shape=(96, 128)), *NASTY), Shown()),
    }
    for name, text in made.items():
        (folder / f"{name}.html").write_text(text, encoding="utf-8")
    return {name: folder / f"{name}.html" for name in made}


LOOKS = [("sixty", 1100, False), ("sixty", 375, True), ("nasty", 375, False), ("looks", 1100, True)]


def open_page(browser: Any, path: Path, *, width: int = 1100, dark: bool = False) -> None:
    size = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 500}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [scheme]})
    browser.get_log("browser")
    browser.get_log("performance")
    browser.get(path.as_uri())


def chosen(browser: Any) -> str:
    return str(browser.find_element("id", "chosen").text)


def column(browser: Any, number: int) -> list[str]:
    script = "return [...document.querySelectorAll(`#parts tbody tr:not([hidden]) > :nth-child(${arguments[0]})`)]"
    script += ".map(cell => cell.innerText)"

    return [str(text).strip() for text in browser.execute_script(script, number)]


@pytest.mark.parametrize("name", ["sixty", "nasty", "german"])
def test_it_asks_for_nothing_and_has_no_fault(browser: Any, pages: dict[str, Path], name: str) -> None:
    open_page(browser, pages[name])
    assert browser.get_log("browser") == []
    events = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]
    asked = [e["params"]["request"]["url"] for e in events if e["method"] == "Network.requestWillBeSent"]
    assert {url for url in asked if not url.startswith("data:")} == {pages[name].as_uri()}
    assert browser.execute_script("return window.hurt") is None


def test_a_part_pointed_at_focused_or_tapped_tells_its_numbers_and_reasons(
    browser: Any, pages: dict[str, Path]
) -> None:
    from selenium.webdriver import ActionChains, Keys

    inspection = build_inspection(60, flagged=6)
    finding = next(each for each in inspection.judgement.findings if each.ref)
    open_page(browser, pages["sixty"])
    part = browser.find_element("css selector", f"#view-board .part[aria-label^='{finding.ref}:']")
    assert "No part chosen" in chosen(browser)
    ActionChains(browser).move_to_element(part).perform()
    measured = next(each for each in inspection.measurements if each.part.ref == finding.ref)
    assert measured.mean_c is not None
    assert chosen(browser).startswith(finding.ref)
    assert f"{measured.mean_c:.1f} °C" in chosen(browser)
    assert finding.text in chosen(browser)
    # By keyboard alone: one stop for all parts, then the arrow keys.
    browser.execute_script(
        "arguments[0].focus()", browser.find_element("css selector", "#view-board .part[tabindex='0']")
    )
    first = chosen(browser)
    ActionChains(browser).send_keys(Keys.ARROW_UP).perform()
    assert chosen(browser) != first
    assert len(browser.find_elements("css selector", "#view-board .part[tabindex='0']")) == 1
    # From the table, too.
    browser.find_element("css selector", "#parts tbody .pick").click()
    assert chosen(browser).startswith("U1")


def test_the_views_are_switched_and_only_one_is_seen(browser: Any, pages: dict[str, Path]) -> None:
    open_page(browser, pages["sixty"])
    for name in ("camera", "difference", "board"):
        browser.find_element("css selector", f"input[value={name}]").click()
        seen = [f.get_attribute("id") for f in browser.find_elements("tag name", "figure") if f.is_displayed()]
        assert seen == [f"view-{name}"]
    assert not browser.find_elements("css selector", "input[value=photo]")
    open_page(browser, pages["four"])
    assert not browser.find_elements("css selector", "input[value=difference]")


def test_the_table_sorts_by_number_both_ways_and_what_was_not_measured_stays_last(
    browser: Any, pages: dict[str, Path]
) -> None:
    open_page(browser, pages["german"])
    heading = browser.find_elements("css selector", "#parts thead button")[4]
    for sign in (1, -1):
        heading.click()
        shown = column(browser, 5)
        numbers = [float(text.replace(",", ".")) for text in shown if text != "–"]
        assert numbers == sorted(numbers, reverse=sign < 0)
        assert len(numbers) > 30
        assert shown[len(numbers) :] == ["–"] * (len(shown) - len(numbers))
        assert len(shown) == 60
    browser.find_elements("css selector", "#parts thead button")[0].click()
    assert column(browser, 1)[:3] == ["C8", "C14", "C17"]  # by number within the letter
    browser.find_element("id", "search").send_keys("nicht messbar")
    assert len([text for text in column(browser, 1) if text]) == 14


def test_the_look_before_stands_beside_the_one_after_and_a_part_tells_both(
    browser: Any, pages: dict[str, Path]
) -> None:
    open_page(browser, pages["looks"])
    browser.find_element("css selector", "input[value=before]").click()
    before, after = (svg for svg in browser.find_elements("css selector", "#view-before svg.view"))
    assert before.rect["y"] == after.rect["y"]
    assert before.rect["x"] < after.rect["x"]
    headings = [heading.text for heading in browser.find_elements("css selector", "#view-before h3")]
    assert headings[0].startswith("Before, ")
    assert "as it came in" in headings[0]
    assert headings[1].startswith("After, ")
    # The first part's own heat changed by -9.2 K, as built; pointed at in the picture of either look.
    part = before.find_element("css selector", ".part[data-ref=p0]")
    browser.execute_script("arguments[0].dispatchEvent(new Event('mouseenter'))", part)
    assert "−9.2 K" in chosen(browser)
    open_page(browser, pages["looks"], width=375)
    browser.find_element("css selector", "input[value=before]").click()
    before, after = (svg for svg in browser.find_elements("css selector", "#view-before svg.view"))
    assert before.rect["y"] < after.rect["y"]


def test_every_view_is_shown_and_a_part_says_from_where_it_was_seen(browser: Any, pages: dict[str, Path]) -> None:
    inspection = with_views(build_inspection(24, flagged=4))
    open_page(browser, pages["looks"])
    browser.find_element("css selector", "input[value=views]").click()
    panes = browser.find_elements("css selector", "#view-views svg.view")
    assert len(panes) == 3
    for number, (pane, heading) in enumerate(
        zip(panes, browser.find_elements("css selector", "#view-views h3"), strict=True)
    ):
        seen = sum(number in each.seen_in for each in inspection.measurements)
        assert heading.text.startswith(f"View {number + 1}: side-{number + 1}.tiff")
        assert f"{seen} parts measured" in heading.text
        assert len(pane.find_elements("css selector", ".part:not(.apart)")) == seen
    index = next(i for i, each in enumerate(inspection.measurements) if i and each.measurable)
    part = panes[0].find_element("css selector", f".part[data-ref=p{index}]")
    browser.execute_script("arguments[0].dispatchEvent(new Event('mouseenter'))", part)
    told = ", ".join(str(n + 1) for n in inspection.measurements[index].seen_in)
    assert f"view {told} of 3" in chosen(browser)


@pytest.mark.parametrize("name", ["four", "sixty", "many", "long", "nasty", "looks"])
@pytest.mark.parametrize("width", [375, 1100])
def test_nothing_is_wider_than_the_window_and_no_labels_meet(
    browser: Any, pages: dict[str, Path], name: str, width: int
) -> None:
    open_page(browser, pages[name], width=width)
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width
    boxes = browser.execute_script(
        "return [...document.querySelectorAll('#view-board text.name, #view-board rect.flag')].map(e => "
        "{ const b = e.getBBox(), x = b.x + b.width / 2, y = b.y + b.height / 2; return e.transform.baseVal.length"
        " ? [x - b.height / 2, y - b.width / 2, b.height, b.width] : [b.x, b.y, b.width, b.height]; })"
    )
    assert len(boxes) >= 4
    low = np.array(boxes)[:, :2]
    high = low + np.array(boxes)[:, 2:]
    # A browser's own box of a text has room for accents above and below: 3 units of letters of 6 to 11.
    meet = ((low[:, None] + 3 < high[None] - 3) & (low[None] + 3 < high[:, None] - 3)).all(axis=2)
    assert int(np.triu(meet, 1).sum()) == 0
    width_of, height_of = browser.execute_script(
        "const v = document.querySelector('#view-board svg.view').viewBox.baseVal; return [v.width, v.height]"
    )
    assert low.min() >= -3
    assert (high <= np.array([width_of, height_of]) + 3).all()


@pytest.mark.parametrize(("name", "width", "dark"), LOOKS)
def test_axe_finds_no_serious_fault(browser: Any, pages: dict[str, Path], name: str, width: int, dark: bool) -> None:
    if not AXE.is_file():
        pytest.skip("axe-core is not installed: npm ci --prefix tests/layout/page")
    open_page(browser, pages[name], width=width, dark=dark)
    browser.execute_cdp_cmd("Runtime.evaluate", {"expression": AXE.read_text(encoding="utf-8")})
    found = browser.execute_async_script("axe.run(document, {}).then(arguments[0], e => arguments[0](String(e)))")
    assert isinstance(found, dict), found
    assert found["passes"]
    serious = [each for each in found["violations"] if each["impact"] in {"serious", "critical"}]
    assert [(each["id"], [node["html"][:120] for node in each["nodes"][:3]]) for each in serious] == []


def test_it_prints_all_views_and_the_whole_table(browser: Any, pages: dict[str, Path]) -> None:
    open_page(browser, pages["sixty"])
    printed = browser.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True})
    pdf = PdfReader(io.BytesIO(base64.b64decode(printed["data"])))
    text = " ".join(page.extract_text() for page in pdf.pages)
    assert 3 <= len(pdf.pages) <= 8
    for wanted in ("From above", "Against known-good", "Camera", "What was not compared", "U60", "Mains"):
        assert wanted in text
    assert "No part chosen" not in text
    assert float(pdf.pages[0].mediabox.width) == pytest.approx(210 / 25.4 * 72, abs=2)


def test_it_is_read_without_its_script(browser: Any, pages: dict[str, Path]) -> None:
    browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        open_page(browser, pages["sixty"])
        shown = browser.find_element("tag name", "body").text
        assert all(figure.is_displayed() for figure in browser.find_elements("tag name", "figure"))
    finally:
        browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})
    assert "What to do" in shown
    assert "Point at a part" not in shown


def test_a_name_that_turns_or_hides_is_shown_as_numbers(pages: dict[str, Path]) -> None:
    text = pages["nasty"].read_text(encoding="utf-8")
    assert not re.search("[\x00-\x08\x0b-\x1f\u202a-\u202e\u2066-\u2069]", text)
    assert "\\u001b[31m\\u202eevil\\u0000" in text
    assert "49" not in re.findall(r"\{\{ 7[^<]*", text)[0]
    assert text.count("<script") == 2


def test_the_first_page_names_what_was_not_compared_and_speaks_no_statistics() -> None:
    inspection = build_inspection(12, flagged=0, shape=(48, 64), baseline=False)
    parts = tuple(
        replace(each, compared_by=()) if each.measurement.part.ref in {"U1", "U2"} else each
        for each in inspection.judgement.parts
    )
    inspection = replace(inspection, judgement=replace(inspection.judgement, parts=parts))
    page = report_page(inspection, Shown())
    first = page[page.index('<section class="first"') : page.index('<section class="views"')]
    assert "held against nothing: U1, U2." in first
    for jargon in ("k = 1", "score", "FDR", "NETD", "sigma", "residual"):
        assert jargon not in first
    assert " safe " not in page.lower()
