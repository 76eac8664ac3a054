// Sorting and filtering. Without this script the pages are read as they are.
"use strict";

(() => {
  const collator = new Intl.Collator(undefined, { numeric: true, sensitivity: "base" });
  const LONG = 12;

  // What a cell is sorted by: a number, words, or nothing, which comes last either way.
  const keyOf = (cell) => {
    if (!cell || cell.classList.contains("missing")) return null;
    return cell.dataset.k === undefined ? cell.textContent.trim() : Number(cell.dataset.k);
  };

  const compare = (a, b, sign) => {
    if (a === null || b === null) return (a === null) - (b === null);
    if (typeof a === "number" && typeof b === "number") return sign * (a - b);
    return sign * collator.compare(String(a), String(b));
  };

  const sortable = (table) => {
    const body = table.tBodies[0];
    const heads = [...table.tHead.rows[0].cells];
    heads.forEach((head, column) => {
      const button = document.createElement("button");
      button.type = "button";
      button.append(...head.childNodes);
      head.append(button);
      button.addEventListener("click", () => {
        // Figures are wanted from the largest down first, words from A on.
        const first = head.classList.contains("number") ? "descending" : "ascending";
        const other = first === "ascending" ? "descending" : "ascending";
        const order = head.getAttribute("aria-sort") === first ? other : first;
        heads.forEach((one) => one.removeAttribute("aria-sort"));
        head.setAttribute("aria-sort", order);
        const sign = order === "ascending" ? 1 : -1;
        const keyed = [...body.rows].map((row) => [keyOf(row.cells[column]), row]);
        keyed.sort((a, b) => compare(a[0], b[0], sign));
        body.append(...keyed.map((pair) => pair[1]));
      });
    });
  };

  const counted = (shown, all, what) => `${shown} of ${all} ${what}`;

  const filterable = (table) => {
    const rows = [...table.tBodies[0].rows];
    if (rows.length < LONG) return;
    const line = document.createElement("div");
    line.className = "filter";
    const label = document.createElement("label");
    const input = document.createElement("input");
    const output = document.createElement("output");
    input.type = "search";
    input.autocomplete = "off";
    label.append("Only rows with ", input);
    line.append(label, output);
    table.closest(".wide").before(line);
    const texts = new Map(rows.map((row) => [row, row.textContent.toLowerCase()]));
    input.addEventListener("input", () => {
      const words = input.value.toLowerCase().split(/\s+/).filter(Boolean);
      let shown = 0;
      for (const [row, text] of texts) {
        row.hidden = !words.every((word) => text.includes(word));
        shown += row.hidden ? 0 : 1;
      }
      output.textContent = words.length === 0 ? "" : counted(shown, rows.length, "rows");
    });
  };

  // The kinds of work become boxes to choose from.
  const kinds = (list) => {
    const lines = [...document.querySelectorAll(".work > li")];
    const items = [...list.querySelectorAll("li[data-kind]")];
    if (items.length < 2) return;
    const chosen = new Set(items.map((item) => item.dataset.kind));
    const line = document.createElement("div");
    line.className = "filter";
    const output = document.createElement("output");
    const group = document.createElement("div");
    group.className = "filter";
    group.setAttribute("role", "group");
    group.setAttribute("aria-label", "Kinds of work that are shown");
    const show = () => {
      let shown = 0;
      for (const one of lines) {
        one.hidden = !chosen.has(one.dataset.kind);
        shown += one.hidden ? 0 : 1;
      }
      output.textContent = shown === lines.length ? "" : counted(shown, lines.length, "lines are shown");
    };
    for (const item of items) {
      const label = document.createElement("label");
      const box = document.createElement("input");
      box.type = "checkbox";
      box.checked = true;
      box.addEventListener("change", () => {
        if (box.checked) chosen.add(item.dataset.kind); else chosen.delete(item.dataset.kind);
        show();
      });
      label.append(box, ...item.childNodes);
      group.append(label);
      item.remove();
    }
    line.append(group, output);
    list.before(line);
    if (list.children.length === 0) list.remove();
  };

  document.querySelectorAll("figure.table table").forEach((table) => {
    sortable(table);
    filterable(table);
  });
  document.querySelectorAll("ul.kinds").forEach(kinds);
})();
