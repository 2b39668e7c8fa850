"use strict";
// Makes pages of a board quicker to use. All of them say the same without it.

// Overview: references found by name and by outcome, and arrow keys that walk from rule to rule.
const overview = document.querySelector("table.overview:not(.builds)");
const rows = overview ? [...overview.tBodies] : [];
if (rows.length > 7) {
  const find = document.createElement("form");
  find.className = "find";
  find.setAttribute("role", "search");
  const name = document.createElement("input");
  name.type = "search";
  name.setAttribute("aria-label", "reference");
  name.autocomplete = "off";
  const outcome = document.createElement("select");
  for (const said of ["any outcome", "fail", "unsure", "pass"]) outcome.add(new Option(said, said));
  outcome.setAttribute("aria-label", "outcome");
  const count = document.createElement("output");
  const labelled = (said, field) => {
    const label = document.createElement("label");
    label.append(said + " ", field);
    return label;
  };
  find.append(labelled("reference", name), labelled("outcome", outcome), count);
  const show = () => {
    const wanted = name.value.trim().toLowerCase();
    let shown = 0;
    for (const row of rows) {
      const head = row.rows[0].cells[0];
      row.hidden =
        !head.textContent.toLowerCase().includes(wanted) ||
        (outcome.selectedIndex > 0 && row.dataset.outcome !== outcome.value);
      shown += !row.hidden;
    }
    count.value = `${shown} of ${rows.length} references`;
  };
  find.addEventListener("submit", (event) => event.preventDefault());
  find.addEventListener("input", show);
  show();
  overview.before(find);
}

document.addEventListener("keydown", (event) => {
  const cell = event.target.closest?.(".overview th, .overview td");
  const step = { ArrowUp: [-1, 0], ArrowDown: [1, 0], ArrowLeft: [0, -1], ArrowRight: [0, 1] }[event.key];
  if (!cell || !step || event.altKey || event.ctrlKey || event.metaKey || event.shiftKey) return;
  const lines = [...cell.closest("table").querySelectorAll("tbody:not([hidden]) tr")];
  const line = lines.indexOf(cell.parentElement);
  for (let down = line + step[0], across = cell.cellIndex + step[1]; ; down += step[0], across += step[1]) {
    const next = lines[down]?.cells[across];
    if (!next) return;
    const link = next.querySelector("a");
    if (link) {
      event.preventDefault();
      link.focus();
      return;
    }
  }
});

// A finding that is led to is unfolded and focused.
const unfold = () => {
  const wanted = location.hash.length > 1 && document.getElementById(location.hash.slice(1));
  const folded = wanted && wanted.closest("details");
  if (!folded) return;
  folded.open = true;
  wanted.focus();
  wanted.scrollIntoView({ block: "center" });
};
addEventListener("hashchange", unfold);
unfold();
