// Values of marks, enlarging, and selections that light up in every chart of the page.
// The charts are complete without this. Nothing is fetched, no text becomes code or markup, nothing is stored.
"use strict";
(() => {
  const said = JSON.parse(document.getElementById("chart-words").textContent);
  const SVG = "http://www.w3.org/2000/svg";
  const charts = [];
  const fill = (words, values) => words.replace(/\{(\w+)\}/g, (whole, name) => values[name] ?? whole);
  const make = (name, attributes, text) => {
    const made = document.createElementNS(SVG, name);
    for (const key in attributes) made.setAttribute(key, attributes[key]);
    if (text !== undefined) made.textContent = text;
    return made;
  };
  const numbers = (text) => (text.match(/-?[\d.]+(?:e-?\d+)?/g) || []).map(Number);

  // ticks: steps of 1, 2 or 5 times a power of ten; times in steps of minutes, hours, days
  const DAY = 864e5;
  const STEPS = [1, 2, 5, 10, 15, 30, 60, 120, 180, 360, 720, 1440, 2880, 10080, 20160, 43200, 86400].map((m) => m * 6e4);
  const ticks = (low, high, most) => {
    const power = Math.floor(Math.log10((high - low) / most));
    const factor = [1, 2, 5, 10].find((f) => (high - low) / (f * 10 ** power) <= most) || 10;
    const step = factor * 10 ** power;
    const decimals = Math.max(0, -power - (factor === 10 ? 1 : 0));
    const found = [];
    for (let n = Math.ceil(low / step - 1e-9); n * step <= high + step * 1e-9; n++) found.push([n * step, number(n * step, decimals)]);
    return found;
  };
  // the same in local time: the hour that a clock leaves out has no tick, the one that comes twice has two
  const timeTicks = (low, high, most, stretches) => {
    const step = STEPS.find((s) => (high - low) / s <= most) || Math.ceil((high - low) / most / DAY) * DAY;
    const found = [];
    stretches.forEach(([start, offset], i) => {
      const from = Math.max(low, start);
      const until = i + 1 < stretches.length ? Math.min(high, stretches[i + 1][0] - 1) : high;
      for (let n = Math.ceil((from + offset) / step); n * step - offset <= until; n++) found.push([n * step - offset, time(n * step, step < DAY ? 1 : 0)]);
    });
    return found;
  };
  const number = (value, decimals) =>
    value.toFixed(decimals).replace(/^-(?=.*[1-9])/, "\u2212").replace(/^-/, "");
  // of a time that is local already; parts: 0 the day, 1 month, day and minute, 2 everything to the second
  const time = (at, parts) => {
    const iso = new Date(at).toISOString();
    return parts === 0 ? iso.slice(0, 10) : (parts === 1 ? iso.slice(5, 16) : iso.slice(0, 19)).replace("T", " ");
  };

  // whether the marks of two charts stand for the same things
  const akin = (one, other) => one.data.keys && other.data.keys && one.data.set === other.data.set;

  class Chart {
    constructor(figure, frame, svg, data) {
      Object.assign(this, { figure, frame, svg, data });
      [this.width, this.height] = data.area;
      this.full = data.domain;
      this.view = [...this.full];
      this.at = null;
      this.box = null;
      this.hint = charts.length ? "" : said.hint; // once a page
      this.order = data.points.map((_, i) => i).sort((a, b) => data.points[a][0] - data.points[b][0] || data.points[a][1] - data.points[b][1]);
      this.collect();
      this.tools();
      this.listen();
    }

    // take over the marks of the drawing, with where each stands in the whole chart
    collect() {
      const { svg } = this;
      this.axes = [...svg.querySelectorAll(".axis")];
      this.lined = svg.querySelector(".lines");
      this.marked = svg.querySelector(".marks");
      for (const name of ["rects", "segments", "path", "points"]) {
        const group = svg.querySelector("." + name);
        this[name] = group ? [...group.children] : [];
      }
      this.own = make("g", {});
      this.lined.after(this.own);
      this.over = make("g", {});
      this.marked.append(this.over);
      this.lines = this.segments.map((line) => {
        const [x, y] = numbers(line.getAttribute("transform") || "0 0");
        return [x, y, x + Number(line.getAttribute("x2") || 0), y + Number(line.getAttribute("y2") || 0)];
      });
      this.bars = this.rects.map((bar) => numbers(bar.getAttribute("d")));
      this.polylines = this.path.map((line) => numbers(line.getAttribute("d")));
      const words = (name) => [...svg.querySelectorAll(`.${name} text`)].map((word) => [word, parseFloat(word.getAttribute("x")), +word.getAttribute("y")]);
      this.words = { inside: words("inside"), right: words("right"), below: words("below") };
      this.plainTicks = svg.querySelector(".ticks");
    }

    tools() {
      const bar = document.createElement("div");
      bar.className = "tools";
      const button = (word, act) => {
        const made = document.createElement("button");
        made.type = "button";
        made.textContent = word;
        made.setAttribute("aria-label", fill(said.of, { word, chart: this.frame.getAttribute("aria-label") }));
        made.addEventListener("click", act);
        bar.append(made);
      };
      button(said.previous, () => this.step(-1));
      button(said.next, () => this.step(1));
      button(said.enlarge, () => this.enlarge());
      button(said.reduce, () => this.zoom(2));
      button(said.whole, () => this.whole());
      this.readout = document.createElement("p");
      this.readout.className = "readout";
      this.readout.setAttribute("role", "status");
      this.readout.textContent = this.hint;
      const under = document.createElement("div");
      under.className = "under";
      under.append(bar, this.readout);
      this.frame.after(under);
    }

    // lines stand in pixels of the drawing, marks and words at percents of its width
    percent(px) { return `${(100 * px) / this.width}%`; }
    x(value) { return ((value - this.view[0]) / (this.view[1] - this.view[0])) * this.width; }
    y(value) { return ((this.view[3] - value) / (this.view[3] - this.view[2])) * this.height; }
    // from pixels of the whole chart to pixels of what is shown
    across(px) { return this.x(this.full[0] + (px / this.width) * (this.full[1] - this.full[0])); }
    down(py) { return this.y(this.full[3] - (py / this.height) * (this.full[3] - this.full[2])); }
    get enlarged() { return this.view.some((end, i) => end !== this.full[i]); }
    shown(i) {
      const [x, y] = this.data.points[i];
      return x >= this.view[0] && x <= this.view[1] && y >= this.view[2] && y <= this.view[3];
    }

    draw() {
      const { width, height, enlarged } = this;
      for (const part of [this.lined, this.marked]) part.classList.toggle("cut", enlarged);
      this.points.forEach((mark, i) => {
        const [x, y] = this.data.points[i];
        mark.setAttribute("x", this.percent(this.x(x)));
        mark.setAttribute("y", this.y(y));
      });
      this.segments.forEach((line, i) => {
        const [x, y, x2, y2] = this.lines[i];
        line.removeAttribute("transform");
        line.setAttribute("x1", this.across(x));
        line.setAttribute("x2", this.across(x2));
        line.setAttribute("y1", this.down(y));
        line.setAttribute("y2", this.down(y2));
      });
      this.rects.forEach((bar, i) => {
        const [x, y, w, h] = this.bars[i];
        const [a, b, c, d] = [this.across(x), this.down(y), this.across(x + w), this.down(y + h)];
        bar.setAttribute("d", `M${a},${b}H${c}V${d}H${a}Z`);
      });
      this.path.forEach((line, i) => {
        const ends = this.polylines[i];
        let d = "";
        for (let n = 0; n + 1 < ends.length; n += 2) d += `${n ? "L" : "M"}${this.across(ends[n])},${this.down(ends[n + 1])}`;
        line.setAttribute("d", d);
      });
      const place = (list, both) => {
        for (const [word, x, y] of list) {
          const px = both === "y" ? x : this.across((x * width) / 100);
          const py = both === "x" ? y : this.down(y);
          word.setAttribute("x", both === "y" ? "100%" : this.percent(px));
          word.setAttribute("y", py);
          const out = (both !== "y" && (px < -1 || px > width + 1)) || (both !== "x" && (py < -40 || py > height + 12));
          word.setAttribute("visibility", enlarged && out ? "hidden" : "visible");
        }
      };
      place(this.words.inside);
      place(this.words.below, "x");
      place(this.words.right, "y");
      this.own.replaceChildren();
      for (const axis of [...this.axes, this.plainTicks]) axis && axis.setAttribute("visibility", enlarged ? "hidden" : "visible");
      if (enlarged) this.drawAxes();
      this.mark();
    }

    drawAxes() {
      const { height, data } = this;
      const line = (x1, y1, x2, y2, colour) => this.own.append(make("line", { x1, y1, x2, y2, stroke: `var(--${colour})` }));
      line("0%", height + 0.5, "100%", height + 0.5, "inner");
      if (data.axes[0]) {
        const most = Math.max(2, Math.floor(this.svg.clientWidth / (data.timed ? 90 : 60)));
        for (const [value, word] of data.timed ? timeTicks(this.view[0], this.view[1], most, data.timed) : ticks(this.view[0], this.view[1], most)) {
          const x = this.percent(this.x(value));
          line(x, height, x, height + 4, "inner");
          this.own.append(make("text", { x, y: height + 18, fill: "var(--ink)", "text-anchor": "middle" }, word));
        }
      }
      if (data.axes[1]) {
        line(0, 0, 0, height, "inner");
        for (const [value, word] of ticks(this.view[2], this.view[3], 6)) {
          const y = this.y(value);
          line("0%", y, "100%", y, "grid");
          line(-4, y, 0, y, "inner");
          this.own.append(make("text", { x: -8, y: y + 4, fill: "var(--ink)", "text-anchor": "end" }, word));
        }
      }
    }

    // what stands at the pointer or at the chosen mark
    describe(i) {
      const { data } = this;
      const [x, y] = data.points[i];
      const parts = [];
      const told = this.told(i);
      if (told) parts.push(told);
      const add = (name, value) => parts.push(fill(said.value, { name, value }));
      if (data.timed) add(data.titles[0], this.local(x));
      else if (data.axes[0] && data.decimals[0] !== undefined) add(data.titles[0], number(x, data.decimals[0]));
      else if (data.places.length && !told)
        parts.push(data.places.reduce((a, b) => (Math.abs(b[0] - x) < Math.abs(a[0] - x) ? b : a))[1]);
      if (data.axes[1] && data.decimals[1] !== undefined) add(data.titles[1], number(y, data.decimals[1]));
      return parts.join(" \u00b7 ");
    }

    // what a mark stands for may be told in another chart that shows the same thing
    told(i) {
      const from = [this, ...charts].find((chart) => chart.data.said && (chart === this || akin(this, chart)));
      if (!from) return "";
      return from.data.said[from === this ? i : from.data.keys.indexOf(this.data.keys[i])] || "";
    }

    // a time by the clock of the site; where the clock changes within the chart, with what it was ahead of UTC
    local(at) {
      const { timed } = this.data;
      const [, offset, name] = timed.findLast(([start]) => start <= at) || timed[0];
      return time(at + offset, 2) + (timed.length > 1 ? ` ${name}` : "");
    }

    choose(i) {
      this.at = i;
      if (i === null) this.readout.textContent = this.box ? this.summary : this.hint;
      else this.readout.textContent = this.describe(i);
      for (const chart of charts) {
        if (chart !== this) chart.at = i !== null && akin(this, chart) ? chart.data.keys.indexOf(this.data.keys[i]) : null;
        if (chart.at === -1) chart.at = null;
        chart.mark();
      }
    }

    step(by) {
      const seen = this.order.filter((i) => this.shown(i));
      if (!seen.length) return;
      const place = seen.indexOf(this.at);
      this.choose(seen[place < 0 ? (by > 0 ? 0 : seen.length - 1) : Math.min(Math.max(place + by, 0), seen.length - 1)]);
    }

    // the next mark to the right that stands for a signal or a failure; after the last one the first
    signal() {
      const found = this.order.filter((i) => this.shown(i) && /-(signal|out)\b/.test(this.points[i].getAttribute("href")));
      const after = this.order.indexOf(this.at);
      if (found.length) this.choose(found.find((i) => this.order.indexOf(i) > after) ?? found[0]);
    }

    mark() {
      this.over.replaceChildren();
      if (this.box) {
        const [x0, x1, y0, y1] = this.box;
        this.over.append(make("rect", {
          x: this.percent(this.x(x0)), width: this.percent(Math.max(this.x(x1) - this.x(x0), 1)), y: this.y(y1), height: Math.max(this.y(y0) - this.y(y1), 1), class: "brush",
        }));
      }
      if (this.at !== null && this.shown(this.at)) {
        const [x, y] = this.data.points[this.at];
        this.over.append(make("circle", { cx: this.percent(this.x(x)), cy: this.y(y), r: 10, class: "ring" }));
      }
    }

    zoom(factor) {
      const [x0, x1, y0, y1] = this.view;
      const middle = this.at !== null && this.shown(this.at) ? this.data.points[this.at] : [(x0 + x1) / 2, (y0 + y1) / 2];
      const part = (low, high, at, least, most) => {
        const span = Math.min((high - low) * factor, most - least);
        let from = at - ((at - low) / (high - low)) * span;
        from = Math.min(Math.max(from, least), most - span);
        return [from, from + span];
      };
      const next = [...part(x0, x1, middle[0], this.full[0], this.full[1])];
      next.push(...(this.data.axes[1] ? part(y0, y1, middle[1], this.full[2], this.full[3]) : [y0, y1]));
      if ((this.full[1] - this.full[0]) / (next[1] - next[0]) > 64) return;
      const whole = next[1] - next[0] >= (this.full[1] - this.full[0]) * 0.999 && next[3] - next[2] >= (this.full[3] - this.full[2]) * 0.999;
      this.view = whole ? [...this.full] : next;
      this.draw();
    }

    enlarge() {
      if (!this.box) {
        this.zoom(0.5);
        return;
      }
      const [x0, x1, y0, y1] = this.box;
      const least = (this.full[1] - this.full[0]) / 64;
      const grow = Math.max(0, least - (x1 - x0)) / 2;
      this.view = [x0 - grow, x1 + grow, y0, y1];
      this.box = null; // all that is shown was selected; the others stay dim
      this.draw();
    }

    whole() {
      this.view = [...this.full];
      select(null);
      this.draw();
      this.choose(null);
    }

    listen() {
      let start = null;
      const where = (event) => {
        const box = this.svg.getBoundingClientRect();
        return [((event.clientX - box.left) / box.width) * this.width, ((event.clientY - box.top) / box.height) * this.height];
      };
      const clamp = ([px, py]) => [Math.min(Math.max(px, 0), this.width), Math.min(Math.max(py, 0), this.height)];
      const nearest = ([px, py]) => {
        let best = null, least = 26 * 26;
        const stretched = this.svg.getBoundingClientRect().width / this.width;
        this.data.points.forEach(([x, y], i) => {
          const far = ((this.x(x) - px) * stretched) ** 2 + (this.y(y) - py) ** 2;
          if (far < least && this.shown(i)) [best, least] = [i, far];
        });
        return best;
      };
      this.svg.addEventListener("pointerdown", (event) => {
        if (event.button || event.pointerType === "touch") return;
        start = clamp(where(event));
        this.svg.setPointerCapture(event.pointerId);
        event.preventDefault();
        this.frame.focus({ preventScroll: true });
      });
      this.svg.addEventListener("pointermove", (event) => {
        const at = where(event);
        if (!start) {
          this.choose(nearest(at));
          return;
        }
        const [px, py] = clamp(at);
        if (Math.abs(px - start[0]) < 6) return;
        const [a, b] = [Math.min(px, start[0]), Math.max(px, start[0])];
        // a drag that goes across takes the whole height, one that goes down as well takes a box
        const [c, d] = Math.abs(py - start[1]) < 28 ? [0, this.height] : [Math.min(py, start[1]), Math.max(py, start[1])];
        const [x0, x1, y0, y1] = this.view;
        const value = (p) => x0 + (p / this.width) * (x1 - x0);
        const level = (p) => y1 - (p / this.height) * (y1 - y0);
        select(this, [value(a), value(b), level(d), level(c)]);
      });
      this.svg.addEventListener("pointerup", (event) => {
        if (start && Math.abs(clamp(where(event))[0] - start[0]) < 6) {
          select(null);
          this.choose(nearest(where(event)));
        }
        start = null;
      });
      this.svg.addEventListener("pointercancel", () => { start = null; });
      this.svg.addEventListener("pointerleave", () => { if (!start) this.choose(null); });
      // a finger comes without hovering: a tap tells what lies nearest to it
      this.svg.addEventListener("click", (event) => { if (event.pointerType === "touch") this.choose(nearest(where(event))); });
      this.svg.addEventListener("dblclick", () => this.enlarge());
      this.frame.addEventListener("keydown", (event) => {
        const before = this.at;
        const act = {
          ArrowRight: () => this.step(1), ArrowLeft: () => this.step(-1),
          Home: () => { this.at = null; this.step(1); }, End: () => { this.at = null; this.step(-1); },
          n: () => this.signal(),
          "+": () => this.enlarge(), "-": () => this.zoom(2), Escape: () => this.whole(),
        }[event.key];
        if (!act || event.ctrlKey || event.altKey || event.metaKey) return;
        event.preventDefault();
        act();
        if (event.shiftKey && this.at !== null && event.key !== "+") {
          if (this.from === undefined || this.from === null) this.from = before ?? this.at;
          const [a, b] = [this.data.points[this.from][0], this.data.points[this.at][0]];
          const little = (this.view[1] - this.view[0]) / 400;
          select(this, [Math.min(a, b) - little, Math.max(a, b) + little, this.full[2], this.full[3]]);
        } else this.from = null;
      });
    }
  }

  // a selection in one chart, shown in all: by what the marks stand for, else by the quantity they share
  function select(source, box) {
    const keys = new Set();
    const ranges = {};
    for (const chart of charts) chart.box = chart === source ? box : null;
    if (source) {
      const inside = ([x, y]) => x >= box[0] && x <= box[1] && y >= box[2] && y <= box[3];
      const chosen = source.data.points.filter(inside);
      source.data.points.forEach((point, i) => inside(point) && source.data.keys && keys.add(source.data.keys[i]));
      if (source.data.axes[0]) ranges[source.data.titles[0]] = [box[0], box[1]];
      if (source.data.axes[1] && box[3] - box[2] < (source.view[3] - source.view[2]) * 0.999) ranges[source.data.titles[1]] = [box[2], box[3]];
      const told = source.data.decimals[1] !== undefined ? 1 : 0;
      const values = source.data.decimals[told] === undefined ? [] : chosen.map((point) => point[told]);
      source.summary = fill(said.selected, { n: chosen.length, total: source.data.points.length })
        + (values.length
          ? " \u00b7 " + fill(said.range, { name: source.data.titles[told], low: number(Math.min(...values), source.data.decimals[told]), high: number(Math.max(...values), source.data.decimals[told]) })
          : "");
      source.readout.textContent = source.summary;
    }
    for (const chart of charts) {
      // marks of a chart of bars are only some of what it shows, so bars are linked by their quantity
      const byKeys = source && !source.rects.length && akin(source, chart);
      const [across, up] = chart.data.titles.map((title) => ranges[title]);
      const within = (value, range) => !range || (value >= range[0] && value <= range[1]);
      // two charts that count different things share no numbers, only a time
      const shared = source && source.data.keys && chart.data.keys && !byKeys ? across && chart.data.timed : across || up;
      const linked = source && (chart === source || byKeys || shared);
      chart.points.forEach((mark, i) => {
        const [x, y] = chart.data.points[i];
        const lit = !linked
          || (chart === source ? x >= box[0] && x <= box[1] && y >= box[2] && y <= box[3]
            : byKeys ? keys.has(chart.data.keys[i]) : within(x, across) && within(y, up));
        mark.classList.toggle("dim", !lit);
      });
      chart.rects.forEach((bar, i) => {
        const [x, , w] = chart.bars[i];
        const middle = chart.full[0] + ((x + w / 2) / chart.width) * (chart.full[1] - chart.full[0]);
        const range = chart === source ? [box[0], box[1]] : across;
        bar.classList.toggle("dim", !!source && !!range && !within(middle, range));
      });
      chart.mark();
    }
  }

  for (const figure of document.querySelectorAll("figure")) {
    const frame = figure.querySelector(".chart");
    const svg = frame && frame.querySelector("svg");
    const data = frame && frame.querySelector("script");
    if (!svg || !data) continue;
    const values = { places: [], decimals: [], ...JSON.parse(data.textContent) };
    if (values.timed) for (const point of values.points) point[0] += values.start;
    values.decimals = values.decimals.map((places) => places ?? undefined);
    if (values.keys === "x") values.keys = values.points.map((point) => point[0]);
    if (values.points.length !== svg.querySelectorAll(".points > *").length) continue;
    if (!values.points.length && !svg.querySelector(".rects")) continue;
    charts.push(new Chart(figure, frame, svg, values));
  }
})();
