"use strict";
(() => {
  const table = document.getElementById("skis");
  if (!table) return;
  const body = table.tBodies[0];
  const rows = [...body.rows];
  const find = document.getElementById("find");
  const word = document.getElementById("word");
  const count = document.getElementById("count");
  const compare = new Intl.Collator("en", { numeric: true }).compare;
  document.documentElement.classList.add("scripted");

  const sectionOf = (row) => document.getElementById(row.dataset.section);

  const filter = () => {
    const wanted = find.value.trim().toLowerCase();
    let shown = 0;
    for (const row of rows) {
      const fits = row.textContent.toLowerCase().includes(wanted) && (!word.value || row.dataset.verdict === word.value);
      row.hidden = !fits;
      const section = sectionOf(row);
      if (section) section.hidden = !fits;
      shown += fits;
    }
    count.textContent = `${shown} of ${rows.length} shown`;
  };

  const sort = (head) => {
    const down = head.getAttribute("aria-sort") === "ascending";
    for (const other of table.tHead.rows[0].cells) other.removeAttribute("aria-sort");
    head.setAttribute("aria-sort", down ? "descending" : "ascending");
    const at = head.cellIndex;
    const number = "number" in head.dataset;
    const value = (row) => {
      const cell = row.cells[at];
      if (!number) return cell.dataset.value ?? cell.textContent.trim();
      return cell.dataset.value ? Number(cell.dataset.value) : null;
    };
    const keyed = [...body.rows].map((row) => [value(row), row]);
    keyed.sort(([a], [b]) => {
      if (a === null || b === null) return (a === null) - (b === null);
      return (number ? a - b : compare(a, b)) * (down ? -1 : 1);
    });
    body.append(...keyed.map(([, row]) => row));
  };

  for (const head of table.tHead.rows[0].cells) {
    const button = document.createElement("button");
    button.type = "button";
    button.append(...head.childNodes);
    button.addEventListener("click", () => sort(head));
    head.append(button);
  }
  find.addEventListener("input", filter);
  word.addEventListener("change", filter);
  find.addEventListener("keydown", (event) => {
    const first = [...body.rows].find((row) => !row.hidden);
    if (event.key === "Enter" && first) sectionOf(first)?.scrollIntoView();
  });
  filter();
})();
