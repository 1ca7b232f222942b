"use strict";
(() => {
  const table = document.getElementById("sessions");
  const body = table.tBodies[0];
  const rows = [...body.rows];
  const words = new Intl.Collator(undefined, { numeric: true, sensitivity: "base" });
  const fold = (text) => text.normalize("NFKD").replace(/[\u0300-\u036f]/g, "").toLowerCase();
  const texts = new Map(rows.map((row) => [row, fold(row.textContent)]));

  // what a cell sorts by: a level; just beyond what was tested where it was not reached by then
  const level = (text) => {
    const found = /(\d+(?:\.\d+)?)/.exec(text);
    if (!found) return NaN;
    const beyond = /not by/.test(text) ? 0.01 : /perhaps/.test(text) ? 0.005 : 0;
    return Number(found[1]) + beyond;
  };
  const named = (row) => row.querySelector("a, b").textContent;
  const keys = (column) => (row) => {
    if (column === 0) return named(row);
    const text = row.cells[column].textContent.trim();
    return column === 1 ? text : level(text);
  };
  const unknown = (key) => key === "" || Number.isNaN(key);

  const sort = (column, down) => {
    const key = keys(column);
    const kept = rows.map((row) => [key(row), row]);
    kept.sort(([one], [other]) => {
      // what can't be told stands last, whichever way
      if (unknown(one) || unknown(other)) return unknown(one) - unknown(other);
      const order = typeof one === "string" ? words.compare(one, other) : one - other;
      return down ? -order : order;
    });
    body.append(...kept.map(([, row]) => row));
  };

  const heads = [...table.tHead.rows[0].cells];
  heads.forEach((head, column) => {
    const button = document.createElement("button");
    button.type = "button";
    button.append(...head.childNodes);
    head.append(button);
    button.addEventListener("click", () => {
      const before = head.getAttribute("aria-sort");
      // levels from the highest down first, words and days from the first on
      const down = before ? before === "ascending" : column > 1;
      heads.forEach((one) => one.removeAttribute("aria-sort"));
      head.setAttribute("aria-sort", down ? "descending" : "ascending");
      sort(column, down);
    });
  });
  table.classList.add("live");

  const count = document.getElementById("count");
  const all = count.textContent;
  const search = document.getElementById("search");
  const find = () => {
    const wanted = fold(search.value).split(/\s+/).filter(Boolean);
    let shown = 0;
    for (const row of rows) {
      const found = wanted.every((word) => texts.get(row).includes(word));
      row.hidden = !found;
      shown += found;
    }
    count.textContent = wanted.length ? `${shown} of ${all}` : all;
  };
  search.form.addEventListener("submit", (event) => event.preventDefault());
  search.addEventListener("input", find);
  search.form.hidden = false;
  if (search.value) find();  // what the browser kept of an earlier visit
})();
