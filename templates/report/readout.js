"use strict";
// Reading the curves: a cursor that pointer, finger and arrow keys move over a drawing, and a
// line that says in words what stands there. Where the axes lie comes with the figure.
for (const figure of document.querySelectorAll(".upheld-report figure")) {
  const data = figure.querySelector(':scope > script[type="application/json"]');
  const svg = figure.querySelector("svg");
  if (!data || !svg) continue;
  const d = JSON.parse(data.textContent);
  const size = svg.viewBox.baseVal;
  const octaves = (hz) => Math.log2(hz / d.low_hz);
  const width = (d.right - d.left) * size.width, left = size.x + d.left * size.width;
  const across = d.frequency_hz.map((hz) => left + (octaves(hz) / octaves(d.high_hz)) * width);

  const add = (parent, name, text, attributes) => {
    const made = document.createElement(name);
    for (const [key, value] of Object.entries(attributes || {})) made.setAttribute(key, value);
    made.textContent = text;
    parent.append(made);
    return made;
  };
  const box = document.createElement("div");
  box.className = "reading";
  const id = `${figure.id}-cursor`;
  add(box, "label", d.label, { for: id });
  const cursor = add(box, "input", "", {
    id, type: "range", min: 0, max: across.length - 1, step: 1, autocomplete: "off",
  });
  cursor.value = String(d.start);
  const says = add(box, "div", "", { role: "status", "aria-live": "polite", class: "says" });
  const place = add(says, "p", "", { class: "frequency" });
  const list = add(says, "ul", "");
  const lines = d.lines.map((line) => {
    const item = add(list, "li", "");
    add(item, "b", line.name);
    add(item, "span", " ");
    return add(item, "span", "");
  });
  figure.querySelector(".scroll").after(box);

  const mark = document.createElementNS("http://www.w3.org/2000/svg", "path");
  mark.setAttribute("class", "cursor");
  svg.append(mark);

  function read() {
    const at = Number(cursor.value), words = d.frequency_words[at];
    cursor.setAttribute("aria-valuetext", words);
    place.textContent = words;
    lines.forEach((line, i) => { line.textContent = d.lines[i].words[at]; });
    const from = size.y + d.top * size.height, to = size.y + d.bottom * size.height;
    mark.setAttribute("d", `M${across[at]} ${from}V${to}`);
  }
  function follow(event) {
    const shown = svg.getBoundingClientRect();
    const x = size.x + ((event.clientX - shown.left) / shown.width) * size.width;
    const y = size.y + ((event.clientY - shown.top) / shown.height) * size.height;
    const inside = y >= size.y + d.top * size.height && y <= size.y + d.bottom * size.height;
    if (!inside || x < left || x > left + width) return;
    const nearest = across.reduce((best, one, i) =>
      (Math.abs(one - x) < Math.abs(across[best] - x) ? i : best), 0);
    if (nearest === Number(cursor.value)) return;
    cursor.value = String(nearest);
    read();
  }
  cursor.addEventListener("input", () => {
    read();
    const scroll = figure.querySelector(".scroll"), shown = svg.getBoundingClientRect();
    const x = (across[Number(cursor.value)] - size.x) / size.width * shown.width;
    scroll.scrollLeft = x - scroll.clientWidth / 2;
  });
  svg.addEventListener("pointermove", follow);
  svg.addEventListener("pointerdown", follow);
  read();
}
