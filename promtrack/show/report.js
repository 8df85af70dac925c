"use strict";

// Tables are put in order by the buttons in their heads; without a script they simply stay as they are.
for (const table of document.querySelectorAll("table.sortable")) {
  const body = table.tBodies[0];
  const heads = [...table.tHead.rows[0].cells];
  const said = document.getElementById("said");
  const key = (row, column) => {
    const cell = row.cells[column];
    return cell.dataset.value === undefined ? cell.textContent.trim() : Number(cell.dataset.value);
  };

  const compare = (a, b) => {
    const blank = (value) => typeof value === "number" && Number.isNaN(value);
    if (blank(a) || blank(b)) return Number(blank(a)) - Number(blank(b));
    return typeof a === "number" ? a - b : a.localeCompare(b, "en", { numeric: true });
  };

  heads.forEach((head, column) => {
    const label = head.textContent.trim();
    const button = document.createElement("button");
    button.type = "button";
    button.append(...head.childNodes);
    head.replaceChildren(button);
    button.addEventListener("click", () => {
      const down = head.getAttribute("aria-sort") === "ascending";
      const rows = [...body.rows];
      rows.sort((a, b) => {
        const left = key(a, column), right = key(b, column);
        const order = compare(left, right);
        const unknown = Number.isNaN(left) || Number.isNaN(right);
        return down && !unknown ? -order : order;
      });
      body.append(...rows);
      heads.forEach((other) => other.removeAttribute("aria-sort"));
      head.setAttribute("aria-sort", down ? "descending" : "ascending");
      said.textContent = `Sorted by ${label}, ${down ? "descending" : "ascending"}.`;
    });
  });
}

// A table that is wider than its box says so.
for (const box of document.querySelectorAll(".scroll")) {
  new ResizeObserver(() => box.classList.toggle("wide", box.scrollWidth > box.clientWidth + 1)).observe(box);
}

// On a narrow screen a figure fits the width; a tap makes it as large as its letters ask for.
const phone = matchMedia("(max-width: 40rem)");
const pictures = [...document.querySelectorAll("figure:not(.legible) > picture")];
const magnify = (picture) => { if (phone.matches) picture.setAttribute("aria-pressed", String(picture.getAttribute("aria-pressed") !== "true")); };
const asButtons = () => {
  for (const picture of pictures) {
    for (const [name, value] of [["role", "button"], ["tabindex", "0"], ["aria-pressed", "false"], ["aria-label", "Magnify the figure"]]) {
      if (phone.matches) picture.setAttribute(name, value); else picture.removeAttribute(name);
    }
  }
};
for (const picture of pictures) {
  picture.addEventListener("click", () => magnify(picture));
  picture.addEventListener("keydown", (event) => { if (event.key === "Enter" || event.key === " ") { magnify(picture); event.preventDefault(); } });
}
phone.addEventListener("change", asButtons);
asButtons();

// Some browsers cannot seek in a data address; a blob address holds the same bytes and can.
const video = document.querySelector("video");
if (video?.dataset.embedded !== undefined) {
  const source = video.querySelector("source");
  const [, kind, data] = source.src.match(/^data:([^;]+);base64,(.*)$/s);
  const bytes = Uint8Array.from(atob(data), (letter) => letter.charCodeAt(0));
  video.src = URL.createObjectURL(new Blob([bytes], { type: kind }));
}

// The still that paper shows stands in the player until it plays.
const still = document.querySelector("img.poster");
if (video && still) video.poster = still.src;

// Links lead into folds, and paper gets them all open.
const folds = [...document.querySelectorAll("details")];
let open = [];
addEventListener("beforeprint", () => { open = folds.filter((fold) => fold.open); folds.forEach((fold) => { fold.open = true; }); });
addEventListener("afterprint", () => folds.forEach((fold) => { fold.open = open.includes(fold); }));
