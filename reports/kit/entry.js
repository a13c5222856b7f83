// While readings are typed: mean and standard deviation so far, what is far off or outside, Enter to the next cell. What is typed is
// kept in this browser until it was taken, so that a lost connection loses nothing. Without this the form works all the same.
"use strict";
(() => {
  const said = JSON.parse(document.getElementById("entry-words").textContent);
  const store = (work) => { try { return work(window.localStorage); } catch { return null; } };
  const PREFIX = "annealog entry ";
  if (said.sent) {
    store((kept) => Object.keys(kept).filter((key) => key.startsWith(PREFIX) && JSON.parse(kept[key]).number === said.sent)
      .forEach((key) => kept.removeItem(key)));
    return;
  }
  const form = document.getElementById("entry-form");
  if (!form) return;
  const fill = (words, values) => words.replace(/\{(\w+)\}/g, (whole, name) => values[name] ?? whole);
  const cells = [...form.querySelectorAll("input[data-cell]")];
  const boxes = [...form.elements].filter((box) => box.name && box.name !== "form" && box.type !== "submit");
  const key = PREFIX + said.key;
  const place = document.getElementById("entry-said");
  const number = (box) => {
    const text = box.value.trim().replace(",", ".");
    return text === "" ? null : Number(text);
  };
  const tell = () => {
    const read = cells.map((box) => ({ box, value: number(box) })).filter((one) => one.value !== null);
    const good = read.map((one) => one.value).filter((value) => Number.isFinite(value) && value > 0);
    const sorted = [...good].sort((a, b) => a - b);
    const middle = sorted.length % 2 ? sorted[(sorted.length - 1) / 2] : (sorted[sorted.length / 2 - 1] + sorted[sorted.length / 2]) / 2;
    const mean = good.reduce((sum, value) => sum + value, 0) / good.length;
    const s = Math.sqrt(good.reduce((sum, value) => sum + (value - mean) ** 2, 0) / (good.length - 1));
    const lines = [];
    if (good.length) {
      lines.push(fill(said.running, { n: good.length, of: cells.length, mean: mean.toPrecision(5), s: good.length > 1 ? s.toPrecision(2) : "\u2013" }));
    }
    for (const { box, value } of read) {
      const wrong = !(Number.isFinite(value) && value > 0);
      const far = !wrong && good.length > 2 && Math.abs(value - middle) > said.far * middle;
      const out = !wrong && !far && ((said.lower !== null && value < said.lower) || (said.upper !== null && value > said.upper));
      box.setAttribute("aria-invalid", String(wrong || far));
      if (wrong || far || out) lines.push(fill(wrong ? said.no_number : far ? said.is_far : said.is_out, { cell: box.dataset.cell, value: box.value }));
    }
    for (const box of cells) if (number(box) === null) box.removeAttribute("aria-invalid");
    place.replaceChildren(...lines.map((line) => Object.assign(document.createElement("p"), { textContent: line })));
  };
  const keep = () => store((kept) => kept.setItem(key, JSON.stringify({ number: form.elements.number.value, values: boxes.map((box) => [box.name, box.value]) })));
  const before = store((kept) => JSON.parse(kept.getItem(key)));
  if (before && !said.back) {
    for (const [name, value] of before.values) if (form.elements[name]) form.elements[name].value = value;
    document.getElementById("entry-kept").hidden = false;
  }
  document.getElementById("entry-forget").addEventListener("click", () => {
    store((kept) => kept.removeItem(key));
    window.location.reload();
  });
  form.addEventListener("input", () => { keep(); tell(); });
  form.addEventListener("keydown", (event) => {
    const at = cells.indexOf(event.target);
    if (event.key !== "Enter" || at < 0 || at === cells.length - 1) return;
    event.preventDefault();
    cells[at + 1].focus();
    cells[at + 1].select();
  });
  form.addEventListener("submit", (event) => {
    keep();
    if (navigator.onLine) return;
    event.preventDefault();
    place.prepend(Object.assign(document.createElement("p"), { textContent: said.offline }));
  });
  tell();
})();
