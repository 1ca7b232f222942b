"use strict";
// Reading the curves: a cursor that pointer, finger and arrow keys move over a drawing, and a
// line that says in words what stands there. Where the axes lie comes with the figure.
for (const figure of document.querySelectorAll(".upheld-report figure")) {
  const data = figure.querySelector(':scope > script[type="application/json"]');
  if (!data) continue;
  const d = JSON.parse(data.textContent);
  const octaves = (hz) => Math.log2(hz / d.low_hz);
  const shares = d.frequency_hz.map((hz) => octaves(hz) / octaves(d.high_hz));
  const drawings = [];
  for (const [svg, box] of [
    [figure.querySelector(".scroll svg"), [d.left, d.right, d.top, d.bottom]],
    [figure.querySelector(".phone svg"), d.phone_box],
  ]) {
    if (!svg || !box) continue;
    const size = svg.viewBox.baseVal;
    const [left, right] = [0, 1].map((i) => size.x + box[i] * size.width);
    const [top, bottom] = [2, 3].map((i) => size.y + box[i] * size.height);
    drawings.push({ svg, size, left, right, top, bottom });
  }
  if (!drawings.length) continue;

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
    id, type: "range", min: 0, max: shares.length - 1, step: 1, autocomplete: "off",
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
  (figure.querySelector(".phone") || figure.querySelector(".scroll")).after(box);

  for (const drawing of drawings) {
    drawing.mark = document.createElementNS("http://www.w3.org/2000/svg", "path");
    drawing.mark.setAttribute("class", "cursor");
    drawing.svg.append(drawing.mark);
  }
  const across = (drawing, share) => drawing.left + share * (drawing.right - drawing.left);

  function read() {
    const at = Number(cursor.value), words = d.frequency_words[at];
    cursor.setAttribute("aria-valuetext", words);
    place.textContent = words;
    lines.forEach((line, i) => { line.textContent = d.lines[i].words[at]; });
    for (const drawing of drawings) {
      const x = across(drawing, shares[at]);
      drawing.mark.setAttribute("d", `M${x} ${drawing.top}V${drawing.bottom}`);
    }
  }
  function follow(event, { svg, size, left, right, top, bottom }) {
    const shown = svg.getBoundingClientRect();
    const x = size.x + ((event.clientX - shown.left) / shown.width) * size.width;
    const y = size.y + ((event.clientY - shown.top) / shown.height) * size.height;
    if (y < top || y > bottom || x < left || x > right) return;
    const share = (x - left) / (right - left);
    const nearest = shares.reduce((best, one, i) =>
      (Math.abs(one - share) < Math.abs(shares[best] - share) ? i : best), 0);
    if (nearest === Number(cursor.value)) return;
    cursor.value = String(nearest);
    read();
  }
  cursor.addEventListener("input", () => {
    read();
    const scroll = figure.querySelector(".scroll"), [wide] = drawings;
    const x = across(wide, shares[Number(cursor.value)]) - wide.size.x;
    scroll.scrollLeft = x / wide.size.width * wide.svg.getBoundingClientRect().width
      - scroll.clientWidth / 2;
  });
  for (const drawing of drawings) {
    for (const moved of ["pointermove", "pointerdown"]) {
      drawing.svg.addEventListener(moved, (event) => follow(event, drawing));
    }
  }
  read();
}
