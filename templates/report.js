"use strict";
// Niceties only: sort and filter the table of residuals, and tie a checkpoint's row to its mark in the drawings.
(() => {
  const table = document.getElementById("residual-table");
  if (!table) return;
  const body = table.tBodies[0];
  const rows = [...body.rows];

  const key = (row, column) => {
    const text = row.cells[column].textContent.trim().replace("\u2212", "-");
    const number = Number(text);
    return text !== "" && Number.isFinite(number) ? number : text;
  };
  const compare = (a, b) => {
    if (typeof a === "number" && typeof b === "number") return a - b;
    if (typeof a === "number") return -1;
    if (typeof b === "number") return 1;
    return a.localeCompare(b, undefined, { numeric: true });
  };
  [...table.tHead.rows[0].cells].forEach((head, column) => {
    const button = document.createElement("button");
    button.type = "button";
    button.className = "sorter";
    button.textContent = head.textContent;
    button.title = "Sort by this column";
    head.replaceChildren(button);
    button.addEventListener("click", () => {
      const down = head.getAttribute("aria-sort") === "ascending";
      for (const other of table.tHead.rows[0].cells) other.removeAttribute("aria-sort");
      head.setAttribute("aria-sort", down ? "descending" : "ascending");
      const sorted = rows.slice().sort((a, b) => compare(key(a, column), key(b, column)));
      body.append(...(down ? sorted.reverse() : sorted));
    });
  });

  const tools = document.createElement("div");
  tools.className = "tools";
  const label = document.createElement("label");
  label.textContent = "Show rows with ";
  const search = document.createElement("input");
  search.type = "search";
  label.append(search);
  const count = document.createElement("span");
  count.setAttribute("role", "status");
  tools.append(label, count);
  table.parentElement.before(tools);
  search.addEventListener("input", () => {
    const wanted = search.value.trim().toLowerCase();
    let shown = 0;
    for (const row of rows) {
      row.hidden = !row.textContent.toLowerCase().includes(wanted);
      if (!row.hidden) shown += 1;
    }
    count.textContent = wanted ? `${shown} of ${rows.length} rows` : "";
  });

  const byCheckpoint = new Map();
  for (const part of document.querySelectorAll("[data-checkpoint]")) {
    const id = part.getAttribute("data-checkpoint");
    if (!byCheckpoint.has(id)) byCheckpoint.set(id, []);
    byCheckpoint.get(id).push(part);
  }
  const light = (part, on) => {
    for (const other of byCheckpoint.get(part.getAttribute("data-checkpoint"))) other.classList.toggle("lit", on);
  };
  for (const parts of byCheckpoint.values()) {
    for (const part of parts) {
      part.addEventListener("mouseenter", () => light(part, true));
      part.addEventListener("mouseleave", () => light(part, false));
      if (part.tagName.toLowerCase() === "g") {
        part.addEventListener("click", () => {
          const row = parts.find((p) => p.tagName === "TR");
          if (row) row.scrollIntoView({ block: "center" });
        });
      }
    }
  }
})();
