"use strict";
// What makes a report answer to its reader: candidates to switch, chromatograms to zoom, peaks to point at, set points
// to copy. Everything it shows is on the page already; without it, and on paper, the page stands as it is.
(() => {
  const SVG = "http://www.w3.org/2000/svg";
  const LEFT = 46, RIGHT = 14, HEAD = 18, SIGNAL = 180, TRACE = 36, GAP = 20, FOOT = 34; // px
  const PITCH = 15; // px from name to name
  const NARROWEST = 1e-3; // of the run, that a view can show
  const TALLEST = 1e5, LEAST = 1e-3;
  const UNEQUAL = 0.2, CUT_AT = 2.5; // of a pair's heights, as in the drawn picture of it
  const NEAR = 14; // px from an apex that still point at it
  const DRAGGED = 6; // px below which a drag is a click

  function add(parent, name, attributes = {}, text = "") {
    const made = document.createElementNS(SVG, name);
    for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
    if (text) made.textContent = text;
    return parent.appendChild(made);
  }

  const words = (element) => element.textContent.replace(/\s+/g, " ").trim();
  const clamped = (value, low, high) => Math.min(Math.max(value, low), high);

  /** Round values between two bounds, about `count` of them, and the decimals they are written with. */
  function ticks(low, high, count) {
    const raw = (high - low) / Math.max(count, 1);
    const power = 10 ** Math.floor(Math.log10(raw));
    const step = [1, 2, 5, 10].map((digit) => digit * power).find((each) => each >= 0.75 * raw);
    const decimals = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
    const found = [];
    for (let i = Math.ceil(low / step - 1e-9); i * step <= high + 1e-9 * step; i++) found.push(i * step);
    return { values: found, decimals };
  }

  /** Where a rising list of values first reaches one. */
  function reached(values, value) {
    let low = 0, high = values.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (values[middle] < value) low = middle + 1; else high = middle;
    }
    return low;
  }

  function valueAt(times, values, t) {
    const i = clamped(reached(times, t), 1, times.length - 1);
    const share = clamped((t - times[i - 1]) / (times[i] - times[i - 1] || 1), 0, 1);
    return values[i - 1] + share * (values[i] - values[i - 1]);
  }

  /** Places in a row as near as can be to those wanted, a pitch apart, between two bounds. */
  function spaced(wanted, pitch, low, high) {
    const right = [], left = [], last = wanted.length - 1;
    wanted.forEach((x, i) => { right[i] = i ? Math.max(x, right[i - 1] + pitch) : x; });
    for (let i = last; i >= 0; i--) left[i] = i < last ? Math.min(wanted[i], left[i + 1] - pitch) : wanted[i];
    const places = right.map((x, i) => (x + left[i]) / 2); // of two rows with room, their middle has room, too
    for (let i = last; i >= 0; i--) places[i] = Math.min(places[i], i < last ? places[i + 1] - pitch : high);
    for (let i = 0; i <= last; i++) places[i] = Math.max(places[i], i ? places[i - 1] + pitch : low);
    return places;
  }

  class Chart {
    constructor(figure) {
      this.data = JSON.parse(figure.querySelector("script[type='application/json']").textContent);
      this.figure = figure;
      this.svg = figure.querySelector("svg.live-chart");
      this.readout = figure.querySelector(".row");
      this.under = figure.querySelector(".under");
      this.table = document.querySelector(`#${figure.closest("section").id}-risks table.peaks`);
      this.rows = this.table ? [...this.table.tBodies[0].rows] : [];
      this.chosen = -1;
      this.over = document.createElementNS(SVG, "g"); // what goes with the pointer
      this.top = HEAD + this.room();
      this.whole();
      for (const button of figure.querySelectorAll("button[data-do]")) {
        button.addEventListener("click", () => this.does(button.dataset.do));
        if (button.dataset.do === "pair" && !this.data.window) button.hidden = true;
      }
      this.listen();
      for (const each of figure.querySelectorAll(".viewer")) each.hidden = false;
      figure.classList.add("live");
      new ResizeObserver(() => this.draw()).observe(this.svg.parentElement);
      this.forget();
      this.say();
    }

    /** How much room the names above the signal need, in px. */
    room() {
      const pen = document.createElement("canvas").getContext("2d");
      const family = getComputedStyle(this.svg).fontFamily;
      const lengths = this.data.peaks.map((peak) => {
        pen.font = `700 12px ${family}`; // as a chosen one is written
        return pen.measureText(`◆ ${peak.label}`).width; // any may be critical in the next candidate
      });
      return 22 + Math.max(0, ...lengths);
    }

    listen() {
      this.svg.addEventListener("keydown", (event) => this.key(event));
      this.svg.addEventListener("pointerdown", (event) => {
        if (event.button) return;
        this.start = this.across(event);
        this.svg.setPointerCapture(event.pointerId);
      });
      this.svg.addEventListener("pointermove", (event) => this.move(event));
      this.svg.addEventListener("pointerup", (event) => {
        const [from, to] = [this.start, this.across(event)].sort((a, b) => a - b);
        const dragged = this.start !== undefined && to - from > DRAGGED;
        this.forget();
        if (dragged) this.show(this.time(from), this.time(to)); else this.point(event);
      });
      this.svg.addEventListener("pointercancel", () => this.forget());
      this.svg.addEventListener("pointerleave", () => { if (this.start === undefined) this.forget(); });
      this.svg.addEventListener("dblclick", () => this.does("whole"));
      this.rows.forEach((row, i) => row.addEventListener("pointerenter", () => {
        this.choose(this.data.peaks.findIndex((peak) => peak.number === i + 1));
      }));
    }

    does(what) {
      const span = this.to - this.from;
      if (what === "in") this.zoom(0.5);
      if (what === "out") this.zoom(2);
      if (what === "earlier") this.show(this.from - span / 4, this.to - span / 4);
      if (what === "later") this.show(this.from + span / 4, this.to + span / 4);
      if (what === "taller") this.scale = Math.min(this.scale * 2, TALLEST);
      if (what === "lower") this.scale = Math.max(this.scale / 2, Math.min(1, this.data.signal_range[1] / 106));
      if (what === "pair" && this.data.window) {
        const [from, to] = this.data.window;
        const pair = this.data.peaks.filter((peak) => peak.critical).map((peak) => peak.height);
        // A pair too unequal to see both is cut: the smaller one is what matters.
        const height = Math.min(...pair) < UNEQUAL * Math.max(...pair) ? CUT_AT * Math.min(...pair) : Math.max(...pair);
        this.scale = clamped((0.85 * this.data.signal_range[1]) / height, LEAST, TALLEST);
        this.show(from - (to - from) / 4, to + (to - from) / 4);
      }
      if (what === "whole") this.whole();
      this.draw();
    }

    key(event) {
      if (event.ctrlKey || event.metaKey || event.altKey) return;
      const last = this.data.peaks.length - 1;
      const to = { ArrowRight: this.chosen + 1, ArrowLeft: Math.max(this.chosen, 1) - 1, Home: 0, End: last };
      const keys = {
        "+": "in", "=": "in", "-": "out", _: "out", ArrowUp: "taller", ArrowDown: "lower", 0: "whole", c: "pair",
      };
      this.over.replaceChildren();
      if (event.shiftKey && event.key === "ArrowLeft") this.does("earlier");
      else if (event.shiftKey && event.key === "ArrowRight") this.does("later");
      else if (event.key in to) this.choose(Math.min(to[event.key], last), true);
      else if (event.key in keys) this.does(keys[event.key]);
      else if (event.key === "Escape") this.choose(-1);
      else return;
      event.preventDefault();
    }

    whole() {
      this.from = 0;
      this.to = this.data.end;
      this.scale = 1;
    }

    zoom(times) {
      const peak = this.data.peaks[this.chosen];
      const seen = peak && peak.time >= this.from && peak.time <= this.to;
      const centre = seen ? peak.time : (this.from + this.to) / 2;
      this.show(centre - (centre - this.from) * times, centre + (this.to - centre) * times);
    }

    /** Show a stretch of time, kept within the run. */
    show(from, to) {
      const span = clamped(to - from, NARROWEST * this.data.end, this.data.end);
      this.from = clamped((from + to - span) / 2, 0, this.data.end - span);
      this.to = this.from + span;
      this.draw();
    }

    choose(index, into_view = false) {
      if (index === this.chosen) return;
      this.rows.forEach((row) => row.classList.remove("shown"));
      this.chosen = index;
      const peak = this.data.peaks[index];
      if (peak) {
        this.rows[peak.number - 1]?.classList.add("shown");
        const room = (this.to - this.from) / 2;
        const outside = peak.time < this.from || peak.time > this.to;
        if (into_view && outside) this.show(peak.time - room, peak.time + room);
      }
      this.say();
      this.draw();
    }

    /** The row of the chosen peak, as the peak table has it, and the same for those who do not see it. */
    say() {
      const peak = this.data.peaks[this.chosen];
      this.readout.replaceChildren();
      const cells = peak ? this.cells(peak) : [];
      if (!peak) this.readout.textContent = "Point at a peak, or use the arrow keys.";
      for (const [head, value] of cells) {
        const part = document.createElement("span");
        const name = document.createElement("span");
        name.className = "head";
        name.textContent = head;
        part.append(name, " ", value);
        this.readout.append(part, " ");
      }
      const text = cells.map((cell) => cell.join(" ")).join("; ");
      this.svg.setAttribute("aria-valuenow", peak ? peak.number : 0);
      this.svg.setAttribute("aria-valuetext", text || "no peak chosen");
    }

    cells(peak) {
      const row = this.rows[peak.number - 1];
      if (row) {
        const heads = [...this.table.tHead.rows[0].cells].map(words);
        return [...row.cells].map((cell, i) => [heads[i], words(cell)]).filter((cell) => cell[1]);
      }
      const sure = peak.half === null ? "" : ` ± ${peak.half.toFixed(3)}`;
      return [
        ["no.", String(peak.number)], ["compound", peak.name], ["retention, min", peak.time.toFixed(3) + sure],
        ["elutes at, °C", peak.temperature.toFixed(1)],
      ];
    }

    across(event) {
      return clamped(event.clientX - this.svg.getBoundingClientRect().left - LEFT, 0, this.width);
    }

    time(x) {
      return this.from + (x / this.width) * (this.to - this.from);
    }

    x(t) {
      return ((t - this.from) / (this.to - this.from)) * this.width;
    }

    move(event) {
      const x = this.across(event);
      this.over.replaceChildren();
      const height = this.bottom - this.top;
      if (this.start !== undefined && Math.abs(x - this.start) > DRAGGED) {
        const left = LEFT + Math.min(x, this.start);
        add(this.over, "rect", { class: "drawn-over", x: left, y: this.top, width: Math.abs(x - this.start), height });
      } else if (event.pointerType !== "touch") {
        add(this.over, "path", { class: "cursor", d: `M${LEFT + x} ${this.top}v${height}` });
        const t = this.time(x);
        const read = this.data.traces.map((trace) => {
          const value = valueAt(trace.times, trace.values, t);
          const beside = trace.ambient ? ` (${(value + trace.ambient).toFixed(trace.decimals)} absolute)` : "";
          return `${trace.name} ${value.toFixed(trace.decimals)} ${trace.unit}${beside}`;
        });
        this.under.textContent = `At ${t.toFixed(3)} min: ${read.join("; ")}.`;
        this.point(event);
      }
    }

    /** Choose the peak that a pointer is at, if it is at one. */
    point(event) {
      if (event.clientY - this.svg.getBoundingClientRect().top > this.top + SIGNAL) return;
      const x = this.across(event);
      let nearest = -1, least = Infinity;
      this.data.peaks.forEach((peak, i) => {
        const away = Math.abs(this.x(peak.time) - x);
        const reach = Math.max(NEAR, this.x(this.from + peak.reach));
        if (away <= reach && away < least) [nearest, least] = [i, away];
      });
      if (nearest >= 0) this.choose(nearest);
    }

    forget() {
      this.start = undefined;
      this.over.replaceChildren();
      this.under.textContent = "";
    }

    draw() {
      const full = Math.floor(this.svg.parentElement.clientWidth);
      if (!full) return; // not shown: drawn when it is
      this.width = full - LEFT - RIGHT;
      this.svg.replaceChildren();
      const signal = this.data.signal;
      const [low, high] = this.data.signal_range.map((each) => each / this.scale);
      const inside = this.panel(this.top, SIGNAL, low, high, "", "signal");
      const y = (value) => ((high - value) / (high - low)) * SIGNAL;
      for (const peak of this.data.peaks) {
        if (peak.half === null) continue;
        const width = this.x(this.from + 2 * peak.half);
        add(inside, "rect", { class: "band", x: this.x(peak.time - peak.half), y: 0, width, height: SIGNAL });
      }
      for (const each of this.data.critical) {
        const line = this.line(each.times, each.values, y);
        if (!line) continue;
        const start = line.slice(1, line.indexOf(" "));
        add(inside, "path", { class: "critical-area", d: `${line}V${y(0)}H${start}Z` });
      }
      add(inside, "path", { class: "signal", d: this.line(signal.times, signal.values, y) });
      this.names(y);
      this.pair(inside, y);
      const scale = this.scale === 1 ? "" : `, × ${Number(this.scale.toPrecision(3))}`;
      const title = `signal, % of highest${scale}${this.close() ? `; critical pair: ${this.data.pair}` : ""}`;
      add(this.svg, "text", { x: LEFT, y: 12, class: "title" }, title);
      let top = this.top + SIGNAL;
      for (const trace of this.data.traces) {
        top += GAP;
        const [bottom, above] = trace.range;
        const within = this.panel(top, TRACE, bottom, above, `${trace.name}, ${trace.unit}`, trace.kind);
        const height = (value) => ((above - value) / (above - bottom)) * TRACE;
        add(within, "path", { class: trace.kind, d: this.line(trace.times, trace.values, height) });
        top += TRACE;
      }
      this.bottom = top;
      this.clock(top);
      this.svg.setAttribute("viewBox", `0 0 ${full} ${top + FOOT}`);
      this.svg.setAttribute("width", full);
      this.svg.setAttribute("height", top + FOOT);
      this.svg.append(this.over);
    }

    /** Whether the view is of the critical pair alone. */
    close() {
      const [from, to] = this.data.window ?? [0, Infinity];
      return this.to > from && this.from < to && this.to - this.from < 4 * (to - from);
    }

    /** The valley of the critical pair, where the view is of it. */
    pair(inside, y) {
      if (!this.data.valley || !this.close()) return;
      const [t, value] = this.data.valley, x = this.x(t), at = y(value);
      add(inside, "path", { class: "valley", d: `M${x - 5} ${at - 9}l5 8l5 -8z` });
    }

    /** A frame with its scale; what is drawn in the part that is returned is cut off at its edges. */
    panel(top, height, low, high, title, kind) {
      let count = height / (title ? 28 : 45), marks = ticks(low, high, count);
      while (marks.values.length < 2 && count < 8) marks = ticks(low, high, ++count); // one value is no scale
      for (const value of marks.values) {
        const y = top + ((high - value) / (high - low)) * height;
        add(this.svg, "path", { class: "grid", d: `M${LEFT} ${y}h${this.width}` });
        add(this.svg, "text", { class: "value", x: LEFT - 6, y: y + 4 }, value.toFixed(marks.decimals));
      }
      for (const t of ticks(this.from, this.to, this.width / 80).values) {
        add(this.svg, "path", { class: "grid", d: `M${LEFT + this.x(t)} ${top}v${height}` });
      }
      add(this.svg, "path", { class: "frame", d: `M${LEFT} ${top}v${height}h${this.width}` });
      if (title) add(this.svg, "text", { class: `title of-${kind}`, x: LEFT, y: top - 5 }, title);
      return add(this.svg, "svg", { x: LEFT, y: top, width: this.width, height, overflow: "hidden" });
    }

    clock(top) {
      const marks = ticks(this.from, this.to, this.width / 80);
      for (const t of marks.values) {
        add(this.svg, "text", { class: "minute", x: LEFT + this.x(t), y: top + 16 }, t.toFixed(marks.decimals));
      }
      add(this.svg, "text", { class: "minute", x: LEFT + this.width / 2, y: top + 31 }, "time, min");
    }

    /** The part of a curve that is in view, as a path. */
    line(times, values, y) {
      const from = Math.max(this.from, times[0]), to = Math.min(this.to, times[times.length - 1]);
      if (!(from < to)) return "";
      const points = [];
      const add = (t, value) => {
        points.push(`${this.x(t).toFixed(2)} ${clamped(y(value), -1e4, 1e4).toFixed(2)}`);
      };
      add(from, valueAt(times, values, from));
      for (let i = reached(times, from); times[i] < to; i++) add(times[i], values[i]);
      add(to, valueAt(times, values, to));
      return `M${points.join("L")}`;
    }

    /** Names above the signal, in as much room as there is: the chosen and the critical, then the highest. */
    names(y) {
      const seen = this.data.peaks
        .map((peak, i) => ({ ...peak, chosen: i === this.chosen }))
        .filter((peak) => peak.time >= this.from && peak.time <= this.to);
      const first = (peak) => (peak.chosen ? 2e3 : 0) + (peak.critical ? 1e3 : 0) + peak.height;
      const fit = Math.max(Math.floor(this.width / PITCH), 1);
      const shown = seen.sort((a, b) => first(b) - first(a)).slice(0, fit).sort((a, b) => a.time - b.time);
      const places = spaced(shown.map((peak) => this.x(peak.time)), PITCH, 0, this.width);
      shown.forEach((peak, i) => {
        const kind = `name${peak.critical ? " critical" : ""}${peak.chosen ? " chosen" : ""}`;
        const apex = clamped(y(peak.height) - 3, 2, SIGNAL), x = LEFT + this.x(peak.time), at = LEFT + places[i];
        add(this.svg, "path", { class: kind, d: `M${x} ${this.top + apex}V${this.top - 1}L${at} ${this.top - 13}` });
        if (peak.height > this.data.signal_range[1] / this.scale) {
          add(this.svg, "path", { class: "cut", d: `M${x - 4} ${this.top + 8}l4 -7l4 7z` });
        }
        const text = `${peak.critical ? "◆ " : ""}${peak.label}`;
        add(this.svg, "text", { class: kind, transform: `translate(${at + 4} ${this.top - 16}) rotate(-90)` }, text);
      });
    }
  }

  /** One program at a time, or all of them; what is read, the chromatogram above all, stays where it is. */
  function switching() {
    const sections = [...document.querySelectorAll("section.candidate")];
    const box = document.querySelector(".switch");
    for (const link of document.querySelectorAll("a[href^='#']")) link.addEventListener("click", () => unfold(link.hash));
    window.addEventListener("hashchange", () => unfold(location.hash));
    unfold(location.hash);
    if (!box) return;
    const names = ".beside > .chart, h2, h3, caption, summary";
    const shown = () => sections.filter((section) => !section.classList.contains("away"));
    const parts = () => shown().flatMap((section) => [...section.querySelectorAll(names)]).filter((e) => e.checkVisibility());
    const seen = (each, top) => {
      const place = each.getBoundingClientRect();
      return each.matches(".chart") ? place.bottom > top + 80 && place.top < innerHeight - 80 : place.top < top + 80;
    };
    const called = (each) => each.matches(".chart") ? "chart" : each.tagName === "H2" && !each.querySelector(".which")
      ? "first" : words(each).replace(/\d+$/, "");
    function show(id) {
      const top = Math.max(box.getBoundingClientRect().bottom, 0);
      const before = parts();
      const read = before.find((each) => each.matches(".chart") && seen(each, top))
        ?? before.filter((each) => !each.matches(".chart") && seen(each, top)).pop();
      const offset = read && read.getBoundingClientRect().top;
      for (const each of sections) each.classList.toggle("away", id !== "all" && each.dataset.of !== id);
      for (const each of box.querySelectorAll("input")) each.checked = each.value === id;
      document.body.classList.toggle("one", id !== "all");
      const same = read && parts().find((each) => called(each) === called(read));
      if (same) window.scrollBy({ top: same.getBoundingClientRect().top - offset, behavior: "instant" });
    }
    function follow(hash) {
      const section = document.getElementById(decodeURIComponent(hash.slice(1)))?.closest("section.candidate");
      if (!section || !section.classList.contains("away")) return;
      show(section.dataset.of);
      section.scrollIntoView();
    }
    box.hidden = false;
    box.addEventListener("change", (event) => show(event.target.value));
    document.addEventListener("click", (event) => {
      const link = event.target.closest("a[href^='#']");
      if (link) follow(link.hash);
    });
    window.addEventListener("hashchange", () => follow(location.hash));
    show(sections[0].dataset.of);
    follow(location.hash);
  }

  /** Folded parts that a link leads to open. */
  function unfold(hash) {
    const part = hash.length > 1 && document.getElementById(decodeURIComponent(hash.slice(1)));
    if (part?.localName === "details") part.open = true;
  }

  /** Tables that sort by the column whose head is pressed; again: the other way round. */
  function sorting() {
    for (const table of document.querySelectorAll("table.sorts")) {
      const body = table.tBodies[0];
      for (const head of table.querySelectorAll("thead th:not(.fixed)")) {
        const button = document.createElement("button");
        button.type = "button";
        button.className = "sort";
        button.append(...head.childNodes);
        head.append(button);
        button.addEventListener("click", () => {
          const up = head.getAttribute("aria-sort") !== "ascending";
          for (const each of table.querySelectorAll("th[aria-sort]")) each.removeAttribute("aria-sort");
          head.setAttribute("aria-sort", up ? "ascending" : "descending");
          const value = (row) => words(row.cells[head.cellIndex]);
          const number = (text) => parseFloat(text.replace(/^(over|under) /, ""));
          const order = (a, b) => {
            const [x, y] = [number(value(a)), number(value(b))];
            return Number.isNaN(x) || Number.isNaN(y)
              ? Number.isNaN(x) - Number.isNaN(y) || value(a).localeCompare(value(b)) : x - y;
          };
          body.append(...[...body.rows].sort((a, b) => (up ? order(a, b) : order(b, a))));
        });
      }
    }
  }

  /** Into the clipboard; where the browser does not let us, the text is shown and marked, to be copied by hand. */
  async function copy(box) {
    const details = box.querySelector("details"), text = box.querySelector("pre"), status = box.querySelector("[role=status]");
    try {
      await navigator.clipboard.writeText(text.textContent);
      status.textContent = "Copied.";
    } catch {
      details.open = true;
      getSelection().selectAllChildren(text);
      status.textContent = document.execCommand("copy") ? "Copied." : "Marked below: copy it with Ctrl+C or ⌘C.";
    }
  }

  /** Boxes that scroll can be reached with the keyboard, and say what they hold. */
  function scrolling() {
    const named = (box) => {
      const heads = [...document.querySelectorAll("h2, h3")];
      const above = heads.filter((each) => each.compareDocumentPosition(box) & Node.DOCUMENT_POSITION_FOLLOWING).pop();
      return words(box.querySelector("caption") ?? above ?? document.querySelector("h1"));
    };
    const watch = new ResizeObserver((entries) => {
      for (const { target } of entries) {
        const scrolls = target.scrollWidth > target.clientWidth;
        for (const [name, value] of [["tabindex", "0"], ["role", "region"], ["aria-label", named(target)]]) {
          if (scrolls) target.setAttribute(name, value); else target.removeAttribute(name);
        }
      }
    });
    for (const box of document.querySelectorAll(".wide")) watch.observe(box);
  }

  for (const figure of document.querySelectorAll("figure.chart")) new Chart(figure);
  for (const box of document.querySelectorAll(".copy")) {
    const button = box.querySelector("button");
    button.hidden = false;
    button.addEventListener("click", () => copy(box));
  }
  switching();
  sorting();
  scrolling();
})();
