// The page begins.

import { byId, canvas, given, state, ui, view } from "./app.mjs";
import { goTo, redraw, showAll } from "./showing.mjs";
import { keepNow, offerResume } from "./keeping.mjs";

byId("packages").append(...given.packages.map((body) => new Option(body.name)));
byId("f-surface").append(...given.surfaces.map((name) => new Option(name)));
byId("step-marks").hidden = byId("save-marks").hidden = given.picture.kind !== "frame";
window.addEventListener("resize", redraw);
window.addEventListener("pagehide", keepNow);
document.addEventListener("visibilitychange", () => document.hidden && keepNow());
canvas.addEventListener("focus", redraw);
canvas.addEventListener("blur", redraw);

const image = new Image();
image.addEventListener("load", () => {
  ui.picture = image;
  ui.dirty = false;
  showAll();
  goTo("corners");
  offerResume();
  document.body.dataset.ready = "yes";
});
image.src = given.picture.url;
// For tests: what is there, to be read only.
window.thermscanLayout = { state, view, ui };
