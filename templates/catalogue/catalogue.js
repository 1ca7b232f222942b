"use strict";
(() => {
  const table = document.getElementById("sessions");
  const body = table.tBodies[0];
  const first = body.rows.length;
  const rows = [...body.rows];
  const words = new Intl.Collator(undefined, { numeric: true, sensitivity: "base" });
  const fold = (text) => text.normalize("NFKD").replace(/[\u0300-\u036f]/g, "").toLowerCase();
  const texts = new Map();
  const text = (row) => texts.get(row) ?? texts.set(row, fold(row.textContent)).get(row);

  // rows beyond the first are text until somebody searches, sorts or asks for more
  const complete = () => {
    const rest = document.querySelector("noscript");
    if (!rest) return;
    const parsed = new DOMParser().parseFromString(rest.textContent, "text/html");
    rows.push(...[...parsed.querySelectorAll("tbody tr")].map((row) => document.adoptNode(row)));
    rest.remove();
  };
  let found = rows;
  let most = first;
  const more = document.getElementById("more");
  const show = () => {
    body.replaceChildren(...found.slice(0, most));
    more.hidden = !document.querySelector("noscript") && found.length <= most;
  };
  const button = document.createElement("button");
  button.type = "button";
  button.textContent = "Show more";
  button.addEventListener("click", () => {
    complete();
    most += first;
    show();
  });
  more.append(button);

  // what a cell sorts by: a level; just beyond what was tested where it was not reached by then
  const level = (said) => {
    const found = /(\d+(?:\.\d+)?)/.exec(said);
    if (!found) return NaN;
    const beyond = /not by/.test(said) ? 0.01 : /perhaps/.test(said) ? 0.005 : 0;
    return Number(found[1]) + beyond;
  };
  const named = (row) => row.querySelector("a, b").textContent;
  const keys = (column) => (row) => {
    if (column === 0) return named(row);
    const said = row.cells[column].textContent.trim();
    return column === 1 ? said : level(said);
  };
  const unknown = (key) => key === "" || Number.isNaN(key);

  const sort = (column, down) => {
    const key = keys(column);
    complete();
    const kept = new Map(rows.map((row) => [row, key(row)]));
    rows.sort((a, b) => {
      const [one, other] = [kept.get(a), kept.get(b)];
      // what can't be told stands last, whichever way
      if (unknown(one) || unknown(other)) return unknown(one) - unknown(other);
      const order = typeof one === "string" ? words.compare(one, other) : one - other;
      return down ? -order : order;
    });
    find();
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
    if (wanted.length) complete();
    found = rows.filter((row) => wanted.every((word) => text(row).includes(word)));
    count.textContent = wanted.length ? `${found.length} of ${all}` : all;
    show();
  };
  search.form.addEventListener("submit", (event) => event.preventDefault());
  search.addEventListener("input", find);
  search.form.hidden = false;
  more.hidden = !document.querySelector("noscript");
  if (search.value) find();  // what the browser kept of an earlier visit
})();
