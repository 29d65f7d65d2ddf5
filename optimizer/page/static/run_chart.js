// A run that was made: its trace with baseline and limits, names over the peaks, the prediction mirrored beneath.

import { path, scale, svg, ticks } from "/static/chart.js";

const HIGH = 8; // times the middle one's height, above which a peak is cut and marked
const LEFT = 12, RIGHT = 12, NAMES = 112, AXIS = 34, MIDDLE = 26;

/** From where to where the whole run goes, in min. */
export function wholeOf(run) {
  const { times, peaks } = run.picture;
  if (times.length) return [times[0], times.at(-1)];
  return [Math.min(...peaks) * 0.9, Math.max(...peaks) * 1.05];
}

/** The end of a scale for heights, and whether something is cut there. */
function topOf(heights) {
  const known = heights.filter((each) => each > 0).sort((a, b) => a - b);
  if (!known.length) return [1, false];
  const middle = known[Math.floor((known.length - 1) / 2)], most = known.at(-1);
  return most > HIGH * middle ? [HIGH * middle, true] : [most * 1.08, false];
}

const within = (range) => (t) => t >= range[0] && t <= range[1];

export function drawRun(target, run, range) {
  const width = target.parentElement.clientWidth || 600, small = width < 560;
  const { picture, compared } = run;
  const upper = small ? 170 : 240, lower = compared ? (small ? 90 : 130) : 0;
  const top = NAMES, base = top + upper, mirror = base + (compared ? MIDDLE : 0), bottom = mirror + lower, height = bottom + AXIS;
  target.setAttribute("viewBox", `0 0 ${width} ${height}`);
  target.setAttribute("height", height);
  const x = scale(range[0], range[1], LEFT, width - RIGHT), inside = within(range), parts = [];
  const add = (tag, attributes, text = null) => parts.push(svg(tag, attributes, text));
  const clip = svg("clipPath", { id: "clip-run" });
  clip.append(svg("rect", { x: LEFT, y: top - 4, width: width - LEFT - RIGHT, height: bottom - top + 4 }));
  const defs = svg("defs");
  defs.append(clip);
  parts.push(defs);
  for (const at of ticks(range[0], range[1], small ? 4 : 9)) {
    add("path", { class: "grid", d: `M${x(at)} ${top}V${bottom}` });
    add("text", { class: "minute", x: x(at), y: bottom + 15 }, String(at));
  }
  add("text", { class: "unit", x: width - RIGHT, y: bottom + 30, "text-anchor": "end" }, "min");

  const shownPeaks = picture.peaks.map((t, number) => ({ t, number })).filter(({ t }) => inside(t));
  const [most, cuts] = topOf(shownPeaks.map(({ number }) => picture.heights[number] ?? 0));
  let y;
  if (picture.times.length) {
    const rows = picture.times.map((t, row) => row).filter((row) => inside(picture.times[row]));
    const zero = picture.baseline.length ? Math.min(...rows.map((row) => picture.baseline[row])) : Math.min(...rows.map((row) => picture.signal[row]));
    const highest = shownPeaks.length ? zero + most : Math.max(...rows.map((row) => picture.signal[row]));
    y = scale(zero - 0.04 * (highest - zero), highest, base, top);
    const of = (values) => path(rows.map((row) => picture.times[row]), rows.map((row) => values[row]), x, y);
    shownPeaks.forEach(({ number }) => {
      const [from, to] = picture.limits[number];
      const own = rows.filter((row) => picture.times[row] >= from && picture.times[row] <= to);
      if (own.length < 2 || !picture.baseline.length) return;
      const up = path(own.map((row) => picture.times[row]), own.map((row) => picture.signal[row]), x, y);
      const back = [...own].reverse().map((row) => `L${x(picture.times[row]).toFixed(1)} ${y(picture.baseline[row]).toFixed(1)}`).join("");
      add("path", { class: `area-of-peak${number % 2 ? " odd" : ""}`, d: `${up}${back}Z`, "clip-path": "url(#clip-run)" });
      for (const at of [from, to]) {
        const row = own.reduce((best, each) => (Math.abs(picture.times[each] - at) < Math.abs(picture.times[best] - at) ? each : best));
        const level = Math.min(Math.max(y(picture.baseline[row]), top), base);
        add("path", { class: "limit", d: `M${x(at)} ${level - 9}V${level + 5}` });
      }
    });
    if (picture.baseline.length) add("path", { class: "baseline", d: of(picture.baseline), "clip-path": "url(#clip-run)" });
    add("path", { class: "signal", d: of(picture.signal), "clip-path": "url(#clip-run)" });
    shownPeaks.forEach(({ t, number }) => {
      if (cuts && picture.heights[number] > most) add("path", { class: "cut", d: `M${x(t) - 5} ${top + 9}l5 -7l5 7Z` });
    });
  } else {
    y = scale(0, most, base, top);
    shownPeaks.forEach(({ t, number }) => {
      const tall = picture.heights[number] ?? most / 2;
      add("path", { class: "signal", d: `M${x(t)} ${base}V${Math.max(y(tall), top)}` });
      if (tall > most) add("path", { class: "cut", d: `M${x(t) - 5} ${top + 9}l5 -7l5 7Z` });
    });
  }
  add("path", { class: "axis", d: `M${LEFT} ${base}H${width - RIGHT}` });
  names(run, shownPeaks, x, width, top, small).forEach((each) => parts.push(each));
  if (compared) beneath(add, compared, { x, inside, base, mirror, bottom, width });
  target.replaceChildren(...parts);
}

function names(run, shownPeaks, x, width, top, small) {
  const room = small ? 11 : 13;
  let peaks = shownPeaks;
  if (peaks.length * room > width - LEFT - RIGHT) peaks = peaks.filter(({ number }) => run.peaks[number]?.doubtful);
  const at = peaks.map(({ t }) => x(t));
  for (let n = 0; n < at.length; n += 1) at[n] = Math.max(at[n], n ? at[n - 1] + room : LEFT + 6);
  for (let n = at.length - 1, limit = width - RIGHT - 4; n >= 0; n -= 1, limit -= room) at[n] = Math.min(at[n], limit);
  for (let n = at.length - 2; n >= 0; n -= 1) at[n] = Math.min(at[n], at[n + 1] - room);
  return peaks.flatMap(({ t, number }, n) => {
    const row = run.peaks[number], name = row?.name || "no name", doubt = row?.doubtful ? " critical" : "";
    const short = name.length > 14 ? `${name.slice(0, 13)}…` : name;
    const text = svg("text", { class: `name${doubt}`, transform: `translate(${at[n] + 4} ${top - 14}) rotate(-90)` }, row?.doubtful ? `${short} ?` : short);
    text.append(svg("title", {}, name));
    return [svg("path", { class: `name${doubt}`, d: `M${at[n]} ${top - 12}L${x(t)} ${top - 3}` }), text];
  });
}

/** The predicted trace upside down, and on the line between the two each predicted time with its 95 % interval. */
function beneath(add, compared, { x, inside, base, mirror, bottom, width }) {
  const [times, response] = compared.trace, rows = times.map((t, row) => row).filter((row) => inside(times[row]));
  const apex = (t) => {
    const near = rows.filter((row) => Math.abs(times[row] - t) < 0.05);
    return near.length ? Math.max(...near.map((row) => response[row])) : 0;
  };
  const seen = compared.peaks.filter((each) => each.predicted !== null && inside(each.predicted));
  const [most] = topOf(seen.map((each) => apex(each.predicted)));
  const y = scale(0, most, mirror, bottom - 4);
  add("path", { class: "predicted", d: path(rows.map((row) => times[row]), rows.map((row) => Math.min(response[row], most)), x, y), "clip-path": "url(#clip-run)" });
  add("path", { class: "axis", d: `M${LEFT} ${mirror}H${width - RIGHT}` });
  add("text", { class: "unit", x: LEFT, y: bottom - 4 }, "predicted");
  const middle = (base + mirror) / 2;
  for (const each of seen) {
    const half = each.half ?? 0, off = each.off !== null && Math.abs(each.off) > 2 ? " off" : "";
    add("path", { class: `interval${off}`, d: `M${x(each.predicted - half)} ${middle}H${x(each.predicted + half)}` });
    add("path", { class: `interval end${off}`, d: `M${x(each.predicted)} ${middle - 4}V${middle + 4}` });
    if (each.found !== null && inside(each.found)) add("circle", { class: `found${off}`, cx: x(each.found), cy: middle, r: 3.2 });
  }
}
