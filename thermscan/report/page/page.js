"use strict";
(() => {
  const root = document.documentElement;
  root.classList.add("script");
  const details = JSON.parse(document.getElementById("details").textContent);
  const figures = [...document.querySelectorAll(".views figure")];
  const parts = [...document.querySelectorAll(".part")];
  const rows = [...document.querySelectorAll("#parts tbody tr")];
  const chosen = document.getElementById("chosen");
  let kept = null;

  const figureOf = (view) => document.getElementById("view-" + view);
  const show = (view) => figures.forEach((figure) => { figure.hidden = figure !== figureOf(view); });
  const radios = [...document.querySelectorAll("input[name=view]")];
  radios.forEach((radio) => radio.addEventListener("change", () => show(radio.value)));
  show((radios.find((radio) => radio.checked) || radios[0]).value);

  const tell = (ref) => {
    const about = details[ref];
    parts.forEach((part) => part.classList.toggle("on", part.dataset.ref === ref));
    rows.forEach((row) => row.classList.toggle("on", row.dataset.ref === ref));
    if (!about) return;
    const heading = document.createElement("h3");
    heading.textContent = about.name;
    const list = document.createElement("dl");
    for (const [name, value] of about.facts) {
      const term = document.createElement("dt"), said = document.createElement("dd"), text = document.createElement("bdi");
      term.textContent = name;
      text.textContent = value;
      said.append(text);
      list.append(term, said);
    }
    chosen.replaceChildren(heading, list);
  };
  const keep = (ref) => { kept = ref; tell(ref); };

  const middle = (part) => {
    const box = part.getBBox();
    return [box.x + box.width / 2, box.y + box.height / 2];
  };
  const turns = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
  const neighbour = (part, [dx, dy]) => {
    const [x, y] = middle(part);
    let best = null, least = Infinity;
    for (const other of part.ownerSVGElement.querySelectorAll(".part")) {
      if (other === part) continue;
      const [ox, oy] = middle(other), along = (ox - x) * dx + (oy - y) * dy, across = Math.abs((ox - x) * dy - (oy - y) * dx);
      const far = along + 2.5 * across;
      if (along > 0.5 && far < least) { best = other; least = far; }
    }
    return best;
  };
  parts.forEach((part) => {
    const ref = part.dataset.ref;
    part.addEventListener("mouseenter", () => tell(ref));
    part.addEventListener("mouseleave", () => { if (kept) tell(kept); });
    part.addEventListener("click", () => keep(ref));
    part.addEventListener("focus", () => keep(ref));
    part.addEventListener("keydown", (event) => {
      if (event.key === "Enter" || event.key === " ") { event.preventDefault(); keep(ref); }
      const next = turns[event.key] && neighbour(part, turns[event.key]);
      if (!next) return;
      event.preventDefault();
      part.setAttribute("tabindex", "-1");
      next.setAttribute("tabindex", "0");
      next.focus();
    });
  });
  rows.forEach((row) => row.querySelector(".pick").addEventListener("click", () => keep(row.dataset.ref)));

  const body = document.querySelector("#parts tbody");
  const headings = [...document.querySelectorAll("#parts thead th")];
  const collator = new Intl.Collator(root.lang, { numeric: true });
  headings.forEach((heading, index) => heading.querySelector("button").addEventListener("click", () => {
    const down = heading.getAttribute("aria-sort") === "ascending";
    headings.forEach((other) => other.removeAttribute("aria-sort"));
    heading.setAttribute("aria-sort", down ? "descending" : "ascending");
    const value = (row) => {
      const cell = row.children[index];
      return cell.dataset.sort === undefined ? cell.textContent.trim() : cell.dataset.sort === "" ? null : Number(cell.dataset.sort);
    };
    const sorted = rows.map((row, place) => [value(row), place, row]).sort(([a, i], [b, j]) => {
      // What could not be measured stays at the end, whichever way.
      if (a === null || b === null) return (a === null) - (b === null) || i - j;
      const order = typeof a === "number" ? a - b : collator.compare(a, b);
      return (down ? -order : order) || i - j;
    });
    body.append(...sorted.map(([, , row]) => row));
  }));

  const search = document.getElementById("search");
  search.addEventListener("input", () => {
    const wanted = search.value.trim().toLowerCase();
    rows.forEach((row) => { row.hidden = !row.textContent.toLowerCase().includes(wanted); });
  });
})();
