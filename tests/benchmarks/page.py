"""
What a move of the pointer costs on the layout page, in a real browser, with many parts.

    python tests/benchmarks/page.py [--parts 1000] [--moves 60]

Milliseconds of the page's script and drawing for each move of a dragged corner, a dragged part and a dragged picture,
and for the release, with the canvas read back so that nothing is put off. Aim: none above 33 ms (30 pictures a second).
Needs chromium, chromium-driver and selenium. Wall clock: on a loaded machine look at the median.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import cv2

from thermscan.layout.board import Board, Part
from thermscan.layout.picture import read_photo
from thermscan.layout.placing import page_text
from thermscan.layout.surfaces import surface_named

CORNERS = [(120.0, 90.0), (1480.0, 110.0), (1460.0, 930.0), (140.0, 910.0)]
SIZE_MM = (320.0, 200.0)
# Moves the pointer in a circle about where it was pressed; each move with the picture that follows it is one number.
DRAG = """
const [kind, x, y, moves, done] = arguments;
const page = window.thermscanLayout;
document.getElementById(`step-${kind === "part" || kind === "upright" ? "parts" : "corners"}`).click();
const canvas = document.getElementById("canvas");
const send = (type, at) => {
  const room = canvas.getBoundingClientRect();
  const place = { clientX: room.left + at[0], clientY: room.top + at[1] };
  canvas.dispatchEvent(new PointerEvent(type, { ...place, pointerId: 1, bubbles: true, button: 0, isPrimary: true }));
};
canvas.setPointerCapture = () => {};
const timed = (work) => new Promise((resolve) => {
  let start = 0;
  requestAnimationFrame(() => { start = performance.now(); });
  const before = performance.now();
  work();
  const handled = performance.now() - before;
  // The page's own drawing was asked for by the work, and runs before this; the canvas is read so that it is done.
  requestAnimationFrame(() => {
    canvas.getContext("2d").getImageData(0, 0, 1, 1);
    resolve(handled + performance.now() - start);
  });
});
(async () => {
  const from = page.view.toScreen([x, y]);
  await timed(() => send("pointerdown", from));
  const times = [];
  for (let k = 1; k <= moves; k += 1) {
    const turn = (2 * Math.PI * k) / moves;
    const at = [from[0] + 30 * Math.sin(turn), from[1] + 20 - 20 * Math.cos(turn)];
    times.push(await timed(() => send("pointermove", at)));
  }
  const release = await timed(() => send("pointerup", from));
  done(JSON.stringify({ times, release }));
})();
"""


def board_of(parts: int) -> Board:
    """So many parts in rows."""
    surface = surface_named("plastic")
    cols = int(np.ceil(np.sqrt(parts * SIZE_MM[0] / SIZE_MM[1])))
    step = SIZE_MM[0] / (cols + 1), SIZE_MM[1] / (int(np.ceil(parts / cols)) + 1)
    made = tuple(
        Part(
            f"U{k + 1}", 0.7 * step[0], 0.5 * step[1], (k % cols + 1) * step[0], (k // cols + 1) * step[1], 0.0, surface
        )
        for k in range(parts)
    )
    outline = np.array([[0.0, 0.0], [SIZE_MM[0], 0.0], SIZE_MM, [0.0, SIZE_MM[1]]])
    return Board("page", None, outline, 1.6, surface_named("solder-mask"), made)


def opened(path: Path) -> Any:
    """A browser that shows the page."""
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = str(shutil.which("chromium"))
    for argument in ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"):
        options.add_argument(argument)
    browser = webdriver.Chrome(options=options, service=Service(str(shutil.which("chromedriver"))))
    browser.set_window_size(1280, 860)
    browser.set_script_timeout(120)
    browser.get(path.as_uri())
    while browser.execute_script("return document.body.dataset.ready") != "yes":
        pass
    return browser


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--parts", type=int, default=1000)
    options.add_argument("--moves", type=int, default=60)
    given = options.parse_args()
    picture = np.random.default_rng(1).integers(60, 110, (1000, 1600, 3)).astype(np.uint8)
    board = board_of(given.parts)
    middle = board.parts[given.parts // 2]
    with tempfile.TemporaryDirectory() as folder:
        photo, page = Path(folder, "photo.png"), Path(folder, "page.html")
        cv2.imwrite(str(photo), picture)
        page.write_text(page_text(read_photo(photo), board=board), encoding="utf-8")
        browser = opened(page)
        try:
            click = (
                "const c = document.getElementById('canvas'); c.setPointerCapture = () => {};"
                "const r = c.getBoundingClientRect();"
                "const p = window.thermscanLayout.view.toScreen([arguments[0], arguments[1]]);"
                "for (const t of ['pointerdown', 'pointerup']) c.dispatchEvent(new PointerEvent(t,"
                "{clientX: r.left + p[0], clientY: r.top + p[1], pointerId: 1, bubbles: true, button: 0}));"
            )
            for corner in CORNERS:
                browser.execute_script(click, *corner)
            print(f"{given.parts} parts, picture 1600 x 1000; milliseconds a move")
            print(f"{'dragged':>24} {'median':>8} {'95 %':>8} {'most':>8} {'release':>8}")
            for kind, place in (
                ("corner", CORNERS[0]), ("picture", (800.0, 500.0)),
                ("part", (middle.x_mm, middle.y_mm)), ("upright", (1.0, 1.0)),
            ):  # fmt: skip
                told = json.loads(browser.execute_async_script(DRAG, kind, *place, given.moves))
                low, high, most = np.percentile(told["times"], [50, 95, 100])
                print(f"{kind:>24} {low:8.1f} {high:8.1f} {most:8.1f} {told['release']:8.1f}", flush=True)
        finally:
            browser.quit()


if __name__ == "__main__":
    main()
