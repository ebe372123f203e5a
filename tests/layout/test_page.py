"""
The page on which a layout is made, driven in a real browser.

Needs Debian's chromium and chromium-driver and the selenium package; the accessibility check also needs
``npm ci --prefix tests/layout/page``, and the script tests need node. What is missing is skipped, and says so.
"""

# ruff: noqa: E501 - lists of cases and chains of clicks read better one a line
from __future__ import annotations

import json
import re
import shutil
import subprocess
import time
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thermscan.cli.main import main
from thermscan.layout.picture import picture_of_frame
from thermscan.layout.placing import page_text
from thermscan.layout.reading import read_board
from thermscan.layout.writing import write_board

HERE = Path(__file__).parent
AXE = HERE / "page" / "node_modules" / "axe-core" / "axe.min.js"
SIZE = (240.0, 120.0)
# Where the photo shows the board's corners.
CORNERS = [(200, 180), (1380, 120), (1450, 760), (150, 800)]


def test_the_scripts_pass_their_own_tests():
    node = shutil.which("node")
    if node is None:
        pytest.skip("node is not installed")
    ran = subprocess.run([node, "--test", str(HERE / "page")], capture_output=True, text=True, timeout=120, check=False)
    assert ran.returncode == 0, ran.stdout[-3000:]
    assert re.search(r"(?:#|ℹ) pass [1-9]", ran.stdout)


def test_the_scripts_share_one_module_without_two_things_of_one_name():
    page = page_text(picture_of_frame(np.eye(4)))
    script = page[page.rindex('<script type="module">') :]
    names = re.findall(r"^(?:async )?(?:function|class|const|let) (\w+)", script, re.MULTILINE)
    assert len(names) > 60
    assert len(names) == len(set(names))
    assert not re.search(r"^(?:import|export) ", script, re.MULTILINE)


NASTY = [
    "</script><script>alert(1)</script>",
    "<!--",
    "{{",
    "\u2028\u2029",
    "שלום\u202e",
    "🔥",
    "x" * 10_000,
    "/*STYLE*/",
    "\\u003c",
]


@given(st.one_of(st.sampled_from(NASTY), st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=60)))
@settings(max_examples=60, deadline=None)
def test_no_text_of_a_layout_can_break_the_page(text):
    from thermscan.layout.board import Board, Part
    from thermscan.layout.surfaces import surface_named

    part = Part(text, 9.0, 5.0, 20.0, 20.0, 0.0, surface_named("plastic"), kind=text, group=text, value=text, note=text)
    board = Board(text, text, np.array([[0, 0], [90, 0], [90, 50], [0, 50]]), 1.6, surface_named("tape"), (part,))
    page = page_text(picture_of_frame(np.eye(4)), board=board)
    # The page has two scripts and no other end of one, and what is in the first is what was given.
    assert page.lower().count("</script") == 2
    given_text = page[page.index('id="given">') + len('id="given">') : page.index("</script>")]
    document = json.loads(given_text)
    assert document["parts"][0]["ref"] == text
    assert document["board"]["name"] == text
    assert "<!--" not in given_text


def test_a_page_is_written_from_a_photo_a_colour_tiff_or_a_frame(tmp_path, capsys):
    photo = np.zeros((40, 60, 3), np.uint8)
    for name in ("board.jpg", "board.png", "board.tif"):
        cv2.imwrite(str(tmp_path / name), photo)
        assert main(["layout", "place", str(tmp_path / name), "--out", str(tmp_path / "p.html")]) == 0
        assert capsys.readouterr().out.endswith(
            "on the photo; keep the board.toml and parts.csv that it saves together\n"
        )
    cv2.imwrite(str(tmp_path / "frame.tiff"), np.full((40, 60), 29515, np.uint16) + np.arange(60, dtype=np.uint16))
    assert (
        main(["layout", "place", str(tmp_path / "frame.tiff"), "--unit", "cK", "--out", str(tmp_path / "p.html")]) == 0
    )
    assert capsys.readouterr().out.endswith("on the frame; keep the board.toml and parts.csv that it saves together\n")
    text = (tmp_path / "p.html").read_text(encoding="utf-8")
    assert not re.search(r"https?://", text)


@pytest.mark.parametrize(
    ("name", "data", "expected"),
    [
        ("lost.jpg", None, "lost.jpg: cannot be read (No such file or directory); check the name"),
        ("empty.jpg", b"", "empty.jpg: not a picture that can be read; give a JPEG or PNG photo, or a frame"),
        ("text.png", b"no picture", "text.png: not a picture that can be read; give a JPEG or PNG photo, or a frame"),
    ],
)
def test_what_is_no_picture_is_said_in_one_line(tmp_path, capsys, name, data, expected):
    if data is not None:
        (tmp_path / name).write_bytes(data)
    assert main(["layout", "place", str(tmp_path / name), "--out", str(tmp_path / "p.html")]) == 2
    assert capsys.readouterr().err.replace(f"{tmp_path}/", "") == expected + "\n"
    assert not (tmp_path / "p.html").exists()


# ---- in the browser --------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def downloads(tmp_path_factory) -> Path:
    return tmp_path_factory.mktemp("downloads")


@pytest.fixture(scope="module")
def browser(downloads: Path) -> Iterator[Any]:
    webdriver = pytest.importorskip("selenium.webdriver", reason="the selenium package is not installed")
    from selenium.webdriver.chrome.service import Service

    chromium, driver = shutil.which("chromium"), shutil.which("chromedriver")
    if chromium is None or driver is None:
        pytest.skip("chromium or chromium-driver is not installed")
    options = webdriver.ChromeOptions()
    options.binary_location = chromium
    for argument in (
        "--headless=new",
        "--no-sandbox",
        "--disable-gpu",
        "--disable-dev-shm-usage",
        "--window-size=1280,860",
    ):
        options.add_argument(argument)
    options.add_experimental_option("prefs", {"download.default_directory": str(downloads)})
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    started = webdriver.Chrome(options=options, service=Service(driver))
    started.set_window_size(1280, 860)  # about 1280 x 720 inside
    yield started
    started.quit()


class Page:
    """The page as a person uses it."""

    def __init__(self, browser: Any, path: Path) -> None:
        self.browser = browser
        browser.get(path.as_uri())
        self.wait(lambda: browser.execute_script("return document.body.dataset.ready") == "yes")

    def wait(self, done: Any, seconds: float = 20.0) -> None:
        end = time.monotonic() + seconds
        while not done():
            assert time.monotonic() < end, "the page did not come so far"
            time.sleep(0.05)

    def find(self, name: str) -> Any:
        return self.browser.find_element("id", name)

    def press(self, name: str) -> None:
        self.find(name).click()

    def keys(self, *keys: str) -> None:
        self.find("canvas").send_keys(*keys)

    def fill(self, name: str, text: str) -> None:
        from selenium.webdriver.common.keys import Keys

        field = self.find(name)
        field.clear()
        field.send_keys(text, Keys.ENTER)

    def choose(self, name: str, text: str) -> None:
        from selenium.webdriver.support.select import Select

        Select(self.find(name)).select_by_visible_text(text)

    def place(self, x: float, y: float) -> tuple[int, int]:
        """Where board millimetres or picture pixels stand, from the middle of the canvas."""
        script = """
            const room = document.getElementById("canvas").getBoundingClientRect();
            const [x, y] = window.thermscanLayout.view.toScreen([arguments[0], arguments[1]]);
            return [x - room.width / 2, y - room.height / 2];
        """
        across, down = self.browser.execute_script(script, x, y)
        return round(across), round(down)

    def click(self, x: float, y: float) -> None:
        from selenium.webdriver.common.action_chains import ActionChains

        ActionChains(self.browser, duration=0).move_to_element_with_offset(
            self.find("canvas"), *self.place(x, y)
        ).click().perform()

    def drag(self, start: tuple[float, float], end: tuple[float, float]) -> None:
        from selenium.webdriver.common.action_chains import ActionChains

        canvas = self.find("canvas")
        chain = (
            ActionChains(self.browser, duration=20)
            .move_to_element_with_offset(canvas, *self.place(*start))
            .click_and_hold()
        )
        chain.move_to_element_with_offset(canvas, *self.place(*end)).release().perform()

    def state(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(
            self.browser.execute_script("return JSON.stringify(window.thermscanLayout.state())")
        )
        return found

    def errors(self) -> list[str]:
        return [entry["message"] for entry in self.browser.get_log("browser") if entry["level"] == "SEVERE"]


def mark_corners(page: Page) -> None:
    for corner in CORNERS:
        page.click(*corner)
    page.press("step-parts")


@pytest.fixture
def photo(tmp_path: Path) -> Path:
    # Each test has a photo of its own, and so a drawer of its own in the browser's storage.
    rng = np.random.default_rng(abs(hash(tmp_path.name)) % 2**32)
    picture = rng.integers(60, 110, (1000, 1600, 3)).astype(np.uint8)
    cv2.fillPoly(picture, [np.array(CORNERS)], (60, 110, 40))
    path = tmp_path / "photo.png"
    cv2.imwrite(str(path), picture)
    return path


def page_for(browser: Any, tmp_path: Path, picture: Path, *options: str) -> Page:
    out = tmp_path / "place.html"
    assert main(["layout", "place", str(picture), "--out", str(out), *options]) == 0
    return Page(browser, out)


def saved(page: Page, downloads: Path, button: str, name: str) -> Path:
    target = downloads / name
    target.unlink(missing_ok=True)
    page.press(button)
    page.wait(target.exists)
    return target


def test_sixty_parts_are_placed_kept_over_a_reload_and_saved(browser, downloads, tmp_path, photo):
    page = page_for(browser, tmp_path, photo, "--width-mm", "240", "--height-mm", "120")
    mark_corners(page)
    page.fill("board-name", "Departure display")
    # A bank of memory: one by the mouse, the rest copied by the keyboard.
    page.fill("f-package", "dip 16")
    page.fill("f-ref", "U1")
    page.fill("f-group", "dram")
    page.fill("f-value", "64K x 1")
    page.choose("f-polarity", "left")
    page.press("snap")  # off until asked for
    page.keys("a")
    page.click(20, 20)
    page.keys("a", "r")
    page.fill("c-columns", "16")
    page.fill("c-rows", "3")
    page.fill("c-step-x", "12.7")
    page.fill("c-step-y", "25.4")
    page.keys("c")
    assert len(page.state()["parts"]) == 48
    # Twelve capacitors by keyboard alone, one step of five grid lines apart.
    from selenium.webdriver.common.keys import Keys

    page.keys(Keys.ESCAPE)
    page.fill("f-package", "CAP-RADIAL-8")
    page.fill("f-ref", "C1")
    page.fill("f-group", "")
    page.fill("f-value", "100 uF")
    page.click(20, 105)
    for _ in range(12):
        page.keys("n")
    state = page.state()
    assert [part["ref"] for part in state["parts"]][-1] == "C12"
    assert len(state["parts"]) == 60
    assert page.find("problem-count").text == "0"
    # Nothing is lost when the tab goes.
    time.sleep(0.5)
    page = Page(browser, tmp_path / "place.html")
    assert page.find("resume").is_displayed()
    page.press("resume-yes")
    assert page.state()["parts"] == state["parts"]
    board_file = saved(page, downloads, "save-board", "board.toml")
    saved(page, downloads, "save-parts", "parts.csv")
    assert main(["layout", "check", str(board_file)]) == 0
    board = read_board(board_file)
    assert (board.name, board.width_mm, board.height_mm, len(board.parts), board.remarks) == (
        "Departure display",
        240.0,
        120.0,
        60,
        (),
    )
    u1 = board.part("U1")
    assert (u1.package, u1.rotation_deg, u1.group, u1.value, u1.polarity) == ("DIP-16", 90.0, "dram", "64K x 1", "left")
    # On the grid: 20 mm is nearest to 8 x 2.54.
    assert (u1.x_mm, u1.y_mm) == (20.32, 20.32)
    assert (board.part("U48").x_mm, board.part("U48").y_mm) == pytest.approx((20.32 + 15 * 12.7, 20.32 + 2 * 25.4))
    assert board.part("C2").x_mm - board.part("C1").x_mm == pytest.approx(12.7)
    assert page.errors() == []


def test_a_layout_is_gone_on_with_and_saved_unchanged(browser, downloads, tmp_path, photo):
    source = tmp_path / "board.toml"
    source.write_text(
        '[board]\nname = "B"\nrevision = "2"\noutline_mm = [[0, 0], [240, 0], [240, 100], [220, 120], [0, 120]]\nsurface = "tape"\n'
        '[[part]]\nref = "<b>U1</b> שלום 🔥"\npackage = "DIP-40"\nat_mm = [60.1, 40.2]\nrotation_deg = 12.5\nmax_c = 85\nnote = "a, \\"b\\""\n'
        '[[part]]\nref = "K1"\nbody_mm = [20, 15]\nat_mm = [150, 40]\nsurface = "metal"\nemissivity = 0.4\npsi_jt_k_per_w = 8\n',
        encoding="utf-8",
    )
    page = page_for(browser, tmp_path, photo, "--layout", str(source))
    board_file = saved(page, downloads, "save-board", "board.toml")
    saved(page, downloads, "save-parts", "parts.csv")
    again, first = read_board(board_file), read_board(source)
    assert again.parts == first.parts
    assert np.array_equal(again.outline_mm, first.outline_mm)
    assert (again.name, again.revision, again.surface) == (first.name, first.revision, first.surface)
    assert page.errors() == []


def test_saved_files_are_loaded_again_and_bad_ones_refused(browser, tmp_path, photo):
    from thermscan.layout.board import Board, Part
    from thermscan.layout.surfaces import surface_named

    parts = (Part("<i>U1</i>", 20.0, 7.0, 30.0, 40.0, 30.0, surface_named("tape", 0.9), value="1 k"),)
    board = Board(
        "Loaded", "C", np.array([[0, 0], [90, 0], [90, 60], [0, 60]]), 1.6, surface_named("solder-mask"), parts
    )
    write_board(board, tmp_path / "board.toml", parts_name="parts.csv")
    page = page_for(browser, tmp_path, photo)
    page.find("load-files").send_keys(f"{tmp_path / 'board.toml'}\n{tmp_path / 'parts.csv'}")
    page.wait(lambda: page.find("status").text == "Loaded: 1 parts.")
    state = page.state()
    assert (state["board"]["name"], state["board"]["width_mm"]) == ("Loaded", 90)
    loaded = state["parts"][0]
    assert (loaded["ref"], loaded["emissivity"], loaded["rotation_deg"], loaded["value"]) == (
        "<i>U1</i>",
        0.9,
        30,
        "1 k",
    )
    (tmp_path / "bad.csv").write_text("a,b\n1,2\n")
    page.find("load-files").send_keys(str(tmp_path / "bad.csv"))
    page.wait(lambda: page.find("status").text == "Not loaded: no columns ref, x_mm and y_mm")
    assert page.state() == state


def test_dragging_snaps_undoes_and_shows_what_overlaps(browser, tmp_path, photo):
    from selenium.webdriver.common.keys import Keys

    page = page_for(browser, tmp_path, photo, "--width-mm", "240", "--height-mm", "120")
    mark_corners(page)
    page.keys("a")
    page.click(50, 50)
    page.click(120, 50)
    page.keys("a")
    before = page.state()["parts"]
    # Off until asked for: a part lies where it was clicked, to a picture pixel.
    assert before[0]["x_mm"] == pytest.approx(50, abs=0.5)
    assert before[0]["x_mm"] / 2.54 != pytest.approx(round(before[0]["x_mm"] / 2.54), abs=1e-3)
    page.press("snap")
    page.drag((before[1]["x_mm"], before[1]["y_mm"]), (60, 50))
    moved = page.state()["parts"][1]
    assert moved["x_mm"] == pytest.approx(round(60 / 2.54) * 2.54, abs=2.55)
    assert moved["x_mm"] / 2.54 == pytest.approx(round(moved["x_mm"] / 2.54), abs=1e-3)
    assert "U1 and U2 overlap by" in page.find("problems").text
    page.keys(Keys.CONTROL, "z")
    assert page.state()["parts"] == before
    assert page.find("problem-count").text == "0"
    page.keys(Keys.CONTROL, "y")
    assert page.state()["parts"][1] == moved
    page.press("snap")
    page.drag((moved["x_mm"], moved["y_mm"]), (300, 51.3))
    assert "U2 lies outside the board" in page.find("problems").text
    assert page.errors() == []


def test_what_stands_still_is_shown_as_if_it_were_drawn_anew(browser, tmp_path, photo):
    page = page_for(browser, tmp_path, photo, "--width-mm", "240", "--height-mm", "120")
    mark_corners(page)
    page.keys("a")
    for x, y in ((50, 50), (120, 50), (120, 90)):
        page.click(x, y)
    page.keys("a")
    compared = """
        const done = arguments[arguments.length - 1];
        const canvas = document.getElementById("canvas");
        const drawn = () => new Promise((resolve) => requestAnimationFrame(() => requestAnimationFrame(() => resolve(canvas.toDataURL()))));
        (async () => {
            const kept = await drawn();
            window.thermscanLayout.ui.still = null;
            window.dispatchEvent(new Event("resize"));
            done([kept === await drawn(), kept.length]);
        })();
    """
    seen = set()
    # A part dragged beside and onto another, which is marked then; the board dragged a little and far; a part dropped.
    for start, end in (((120, 50), (150, 60)), ((150, 60), (56, 52)), ((200, 20), (190, 24)), ((200, 20), (100, 60))):
        page.drag(start, end)
        alike, length = browser.execute_async_script(compared)
        assert alike, (start, end)
        seen.add(length)
    assert len(seen) == 4
    assert page.errors() == []


def test_arrows_move_by_the_grid_and_finely_with_shift(browser, tmp_path, photo):
    from selenium.webdriver.common.keys import Keys

    page = page_for(browser, tmp_path, photo, "--width-mm", "240", "--height-mm", "120")
    mark_corners(page)
    page.keys("n")
    start = page.state()["parts"][0]
    page.keys(Keys.ARROW_RIGHT, Keys.ARROW_RIGHT, Keys.ARROW_UP)
    now = page.state()["parts"][0]
    assert (now["x_mm"] - start["x_mm"], now["y_mm"] - start["y_mm"]) == pytest.approx((5.08, -2.54), abs=1e-6)
    page.keys(Keys.SHIFT, Keys.ARROW_DOWN)
    assert page.state()["parts"][0]["y_mm"] == pytest.approx(now["y_mm"] + 0.1, abs=1e-6)
    page.keys(Keys.DELETE)
    assert page.state()["parts"] == []


def test_corners_that_cross_are_told_and_parts_wait_for_them(browser, tmp_path, photo):
    page = page_for(browser, tmp_path, photo, "--width-mm", "240", "--height-mm", "120")
    page.press("step-parts")
    assert page.find("status").text == "Mark the four corners of the board first."
    for corner in (CORNERS[0], CORNERS[2], CORNERS[1], CORNERS[3]):
        page.click(*corner)
    assert page.find("status").text == "Check the corners: the corners cross over or make a dent."
    page.drag(CORNERS[2], (1455, 770))
    page.drag(CORNERS[1], (1380, 120))


def test_marks_on_a_frame_go_into_a_run_file(browser, downloads, tmp_path):
    frame = np.full((120, 160), 29515, np.uint16)
    corners = np.array([[20, 15], [140, 12], [146, 100], [14, 104]])
    warm = frame.copy()
    cv2.fillPoly(warm, [corners], 30515)
    cv2.imwrite(str(tmp_path / "frame.tiff"), warm)
    parts = "".join(
        f'[[part]]\nref = "U{i}"\npackage = "DIP-16"\nat_mm = [{x}, {y}]\n'
        for i, (x, y) in enumerate([(30, 20), (90, 20), (30, 60), (90, 60)], start=1)
    )
    (tmp_path / "board.toml").write_text(f"[board]\nwidth_mm = 120\nheight_mm = 80\n{parts}")
    page = page_for(
        browser, tmp_path, tmp_path / "frame.tiff", "--unit", "cK", "--layout", str(tmp_path / "board.toml")
    )
    for corner in corners:
        page.click(corner[0] + 0.5, corner[1] + 0.5)
    page.press("step-marks")
    for ref, (x, y) in {"U1": (45, 35), "U2": (115, 35), "U3": (42, 80), "U4": (118, 78)}.items():
        option = next(o for o in page.find("list").find_elements("tag name", "option") if o.text.startswith(ref))
        from selenium.webdriver.support.select import Select

        Select(page.find("list")).deselect_all()
        option.click()
        page.click(x, y)
    text = saved(page, downloads, "save-marks", "marks.toml").read_text()
    run_text = f'frames = ["frame.tiff"]\nunit = "cK"\nambient_c = 22\nlayout = "board.toml"\n{text}'
    (tmp_path / "run.toml").write_text(run_text)
    from thermscan.runs.reading import read_run

    run = read_run(tmp_path / "run.toml", overrides={})
    # A click falls on a whole screen pixel; a frame pixel is about five of them wide.
    assert np.array(run.corners_px) == pytest.approx(corners, abs=0.2)
    assert {mark.ref: mark.px for mark in run.landmarks}["U1"] == pytest.approx((44.5, 34.5), abs=0.2)
    assert tomllib.loads(run_text)["landmarks"][3]["ref"] == "U4"
    assert page.errors() == []


def test_300_parts_drag_without_a_slow_frame(browser, tmp_path, photo):
    from thermscan.layout.board import Board, Part
    from thermscan.layout.surfaces import surface_named

    plastic = surface_named("plastic")
    parts = [
        Part(f"U{i + 1}", 7.0, 5.0, 6.0 + 11.5 * (i % 20), 5.0 + 7.8 * (i // 20), 0.0, plastic, group="g")
        for i in range(300)
    ]
    board = Board("big", None, np.array([[0, 0], [240, 0], [240, 120], [0, 120]]), 1.6, plastic, tuple(parts))
    write_board(board, tmp_path / "board.toml")
    page = page_for(browser, tmp_path, photo, "--layout", str(tmp_path / "board.toml"))
    mark_corners(page)
    script = """
        const done = arguments[arguments.length - 1];
        const canvas = document.getElementById("canvas");
        const room = canvas.getBoundingClientRect();
        const { view, state } = window.thermscanLayout;
        const send = (type, [x, y]) => canvas.dispatchEvent(new PointerEvent(type, {
            pointerId: 1, button: 0, bubbles: true, clientX: room.left + x, clientY: room.top + y }));
        canvas.setPointerCapture = () => {};
        const part = state().parts[150];
        const start = view.toScreen([part.x_mm, part.y_mm]);
        const times = [];
        let count = 0;
        send("pointerdown", start);
        const next = () => {
            const began = performance.now();
            send("pointermove", [start[0] + count * 3, start[1] + Math.sin(count / 5) * 60]);
            // Asked for after the page's own, so it runs when the page has drawn.
            requestAnimationFrame(() => {
                times.push(performance.now() - began);
                count += 1;
                if (count < 40) requestAnimationFrame(next);
                else { send("pointerup", start); done([times, state().parts[150].x_mm - part.x_mm]); }
            });
        };
        requestAnimationFrame(next);
    """
    browser.set_script_timeout(60)
    times, moved = browser.execute_async_script(script)
    assert moved > 10
    times = sorted(times)
    # From one move to its drawing, the wait for the screen (16 ms) included. On a machine busy with other tests a few
    # waits are the machine's own: the third slowest of 40 is judged.
    print(f"frame times: median {times[20]:.1f} ms, third slowest {times[-3]:.1f} ms")
    assert times[-3] < 50.0


def test_the_page_has_no_serious_accessibility_fault(browser, tmp_path, photo):
    if not AXE.exists():
        pytest.skip("axe-core is not installed: npm ci --prefix tests/layout/page")
    page = page_for(browser, tmp_path, photo, "--width-mm", "240", "--height-mm", "120")
    mark_corners(page)
    page.keys("n", "n")
    page.browser.execute_script(AXE.read_text(encoding="utf-8"))
    found = page.browser.execute_async_script("axe.run().then(arguments[arguments.length - 1])")
    serious = [
        (rule["id"], rule["impact"], rule["nodes"][0]["html"][:120])
        for rule in found["violations"]
        if rule["impact"] in ("serious", "critical")
    ]
    assert serious == []
    assert len(found["passes"]) > 10


@pytest.mark.parametrize("size", [(1280, 720), (1024, 768), (820, 1180)])
def test_all_of_the_page_is_in_reach_at_usual_sizes(browser, tmp_path, photo, size):
    page = page_for(browser, tmp_path, photo, "--width-mm", "240", "--height-mm", "120")
    mark_corners(page)
    page.browser.set_window_size(*size)
    try:
        wide = page.browser.execute_script(
            "return [document.documentElement.scrollWidth, window.innerWidth, document.getElementById('canvas').clientWidth]"
        )
    finally:
        page.browser.set_window_size(1280, 860)
    assert wide[0] <= wide[1]
    assert wide[2] >= 450


def test_on_a_phone_the_picture_has_the_whole_width_and_the_fields_stand_below(browser, tmp_path, photo):
    page = page_for(browser, tmp_path, photo, "--width-mm", "240", "--height-mm", "120")
    size = {"width": 375, "height": 800, "deviceScaleFactor": 1, "mobile": True}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    try:
        stage, panel = page.find("stage").rect, page.find("panel").rect
        assert browser.execute_script("return document.documentElement.scrollWidth") <= 375
    finally:
        browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    assert stage["width"] >= 360
    assert panel["y"] >= stage["y"] + stage["height"] - 1
