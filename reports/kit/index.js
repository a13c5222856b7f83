// Search and filters of the index. Without this the whole list stands there; with it the list narrows.
// Nothing is fetched, no text becomes code or markup, nothing is stored.
"use strict";
(() => {
  const said = JSON.parse(document.getElementById("filter-words").textContent);
  const fill = (words, values) => words.replace(/\{(\w+)\}/g, (whole, name) => values[name] ?? whole);
  const plain = (text) => text.normalize("NFKD").replace(/[\u0300-\u036f]/g, "").toLowerCase();
  const rows = [];
  const groups = [];
  for (const table of document.querySelectorAll("#table-work table, #table-lots table")) {
    const columns = [...table.tHead.rows[0].cells].map((cell) => cell.dataset.column);
    const scroll = table.closest(".scroll");
    const lots = scroll.id === "table-lots";
    const group = { parts: [scroll], rows: [] };
    groups.push(group);
    for (const row of table.tBodies[0].rows) {
      const found = { row, lots, values: {}, shown: true };
      columns.forEach((name, i) => { if (name) found.values[name] = row.cells[i].textContent.trim(); });
      group.rows.push(found);
      rows.push(found);
    }
  }
  const others = [...document.querySelectorAll("#others-list li")].map((row) => ({ row, values: {}, shown: true }));
  const lots = rows.filter((row) => row.lots);
  if (!lots.length) return;

  const bar = document.createElement("div");
  bar.className = "filter";
  bar.setAttribute("role", "search");
  bar.setAttribute("aria-label", said.title);
  const field = (word, control) => {
    const label = document.createElement("label");
    label.append(word, control);
    bar.append(label);
    return control;
  };
  const search = field(said.text, document.createElement("input"));
  search.type = "search";
  search.autocomplete = "off";
  const choices = {};
  for (const name of ["verdict", "material", "supplier", "meter"]) {
    // a lot read by two meters is found under each
    const values = new Set(lots.flatMap((row) => parts(name, row)).filter(Boolean));
    if (!values.size) continue;
    const select = document.createElement("select");
    select.append(new Option(said.all, ""));
    for (const value of [...values].sort((a, b) => a.localeCompare(b))) select.append(new Option(value, value));
    choices[name] = field(said[name], select);
    select.addEventListener("change", narrow);
  }
  const clear = document.createElement("button");
  clear.type = "button";
  clear.textContent = said.clear;
  clear.addEventListener("click", () => {
    search.value = "";
    for (const name in choices) choices[name].value = "";
    narrow();
    search.focus();
  });
  const count = document.createElement("p");
  count.setAttribute("role", "status");
  bar.append(clear, count);

  function parts(name, row) {
    const value = row.values[name] || "";
    return name === "meter" ? value.split(", ") : [value];
  }

  function show(item, on) {
    if (item.shown === on) return;
    item.shown = on;
    item.row.hidden = !on;
  }

  function narrow() {
    const words = plain(search.value).split(/\s+/).filter(Boolean);
    const wanted = Object.keys(choices).filter((name) => choices[name].value);
    for (const item of [...rows, ...others]) {
      item.text ??= plain(item.row.textContent);
      show(item, words.every((word) => item.text.includes(word))
        && (!item.lots || wanted.every((name) => parts(name, item).includes(choices[name].value))));
      const fold = item.row.closest("details");
      if (fold && words.length && item.shown) fold.open = true;
    }
    for (const group of groups) {
      const empty = !group.rows.some((row) => row.shown);
      for (const part of group.parts) part.hidden = empty;
    }
    count.textContent = fill(said.count, { n: lots.filter((row) => row.shown).length, total: lots.length });
  }

  let waiting = 0;
  search.addEventListener("input", () => {
    clearTimeout(waiting);
    waiting = setTimeout(narrow, 120);
  });
  const list = document.getElementById("table-lots");
  list.before(bar);
  narrow();

  // a click on a head sorts: by number where all cells are numbers, else by words; again turns it round
  const number = (cell) => Number.parseFloat(cell.textContent.replace("\u2212", "-"));
  const heads = [...list.querySelectorAll("thead th")];
  heads.forEach((head, place) => {
    const button = document.createElement("button");
    button.type = "button";
    button.className = "sort";
    button.append(...head.childNodes);
    head.append(button);
    button.addEventListener("click", () => {
      const up = head.getAttribute("aria-sort") !== "ascending";
      for (const other of heads) other.removeAttribute("aria-sort");
      head.setAttribute("aria-sort", up ? "ascending" : "descending");
      const body = list.querySelector("tbody");
      const sorted = [...body.rows].sort((a, b) => {
        const [one, other] = [a.cells[place], b.cells[place]];
        const order = head.className === "n" ? (number(one) || 0) - (number(other) || 0) : one.textContent.localeCompare(other.textContent);
        return up ? order : -order;
      });
      body.append(...sorted);
    });
  });
})();
