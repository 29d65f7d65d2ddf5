// The pictures, drawn as SVG; every text is set as text, so that a name is never markup.

const NAMESPACE = "http://www.w3.org/2000/svg";

export function svg(tag, attributes = {}, text = null) {
  const made = document.createElementNS(NAMESPACE, tag);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  if (text !== null) made.textContent = text;
  return made;
}

/** A linear scale from values to pixels. */
export function scale(from, to, left, right) {
  const of = (value) => left + ((value - from) / (to - from || 1)) * (right - left);
  of.inverse = (pixel) => from + ((pixel - left) / (right - left || 1)) * (to - from);
  return of;
}

export function ticks(from, to, count) {
  const rough = (to - from) / Math.max(count, 1) || 1;
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((each) => each * power).find((each) => each >= rough);
  const found = [];
  for (let at = Math.ceil(from / step); at * step <= to + 1e-9; at += 1) found.push(Number((at * step).toPrecision(10)));
  return found;
}

export function path(xs, ys, x, y) {
  let text = "";
  for (let at = 0; at < xs.length; at += 1) text += `${at ? "L" : "M"}${x(xs[at]).toFixed(1)} ${y(ys[at]).toFixed(1)}`;
  return text;
}

const NAMES = 134, GAP = 16, AXIS = 34, LEFT = 58, RIGHT = 14, NARROW = 560;

/** Where everything of the large picture lies, for a width in pixels; `frozen` keeps the scales while something is dragged. */
export function layout(width, told, schedules, cornersOf, frozen) {
  const small = width < NARROW;
  const heights = small ? [170, 130, 90] : [250, 180, 110];
  const signalTop = NAMES, signalBottom = signalTop + heights[0];
  const ovenTop = signalBottom + GAP, ovenBottom = ovenTop + heights[1];
  const carrierTop = ovenBottom + GAP, carrierBottom = carrierTop + heights[2];
  const box = { width, small, signalTop, signalBottom, ovenTop, ovenBottom, carrierTop, carrierBottom, height: carrierBottom + AXIS };
  if (frozen) return { ...frozen, ...box };
  const end = told.run_time * 1.04;
  const temperatures = told.oven[1], { lowest, highest } = told.reach;
  const top = Math.min(highest + 12, Math.max(...temperatures) + 50), bottom = Math.min(lowest, ...temperatures) - 8;
  const values = cornersOf(schedules.carrier).map((each) => each.v);
  const most = Math.max(...values), least = Math.min(...values);
  const upper = Math.max(most * 1.15, Math.min(Math.max(...told.reach.most) * 1.08, most * 2.2));
  const lower = Math.max(0, Math.min(least * 0.8, least - 0.1 * (upper - least)));
  return {
    ...box,
    x: scale(0, end, LEFT, width - RIGHT),
    signal: scale(0, signalMost(told), signalBottom, signalTop),
    oven: scale(bottom, top, ovenBottom, ovenTop),
    carrier: scale(lower, upper, carrierBottom, carrierTop),
    domain: { end, bottom, top, lower, upper },
  };
}

/** The highest signal that matters: a solvent or a matrix peak is cut, and marked. */
function signalMost(told) {
  const counted = told.peaks.filter((each) => ["target", "internal standard"].includes(each.role)).map((each) => each.height);
  return Math.min(Math.max(...(counted.length ? counted : [100])) * 1.06, 106);
}

/** What is not touched: axes, shades, traces, names. */
export function drawn(view, told, schedules, cornersOf, ghosts) {
  const { x } = view, parts = [];
  const add = (tag, attributes, text) => parts.push(svg(tag, attributes, text));
  const hatch = svg("pattern", { id: "cannot", width: 7, height: 7, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" });
  hatch.append(svg("rect", { class: "hatch-ground", width: 7, height: 7 }), svg("path", { class: "hatch", d: "M0 0V7" }));
  const defs = svg("defs");
  for (const [name, top, bottom] of [["signal", view.signalTop - 3, view.signalBottom], ["oven", view.ovenTop, view.ovenBottom], ["carrier", view.carrierTop, view.carrierBottom]]) {
    const clip = svg("clipPath", { id: `clip-${name}` });
    clip.append(svg("rect", { x: LEFT, y: top, width: view.width - LEFT - RIGHT, height: bottom - top }));
    defs.append(clip);
  }
  defs.append(hatch);
  parts.push(defs);

  // Axes, times beneath the lowest panel.
  for (const at of ticks(0, view.domain.end, view.small ? 5 : 10)) {
    add("path", { class: "grid", d: `M${x(at)} ${view.signalTop}V${view.carrierBottom}` });
    add("text", { class: "minute", x: x(at), y: view.carrierBottom + 15 }, String(at));
  }
  add("text", { class: "unit", x: view.width - RIGHT, y: view.carrierBottom + 30, "text-anchor": "end" }, "min");
  const axis = (of, from, to, top, bottom, count, title) => {
    for (const at of count ? ticks(from, to, count) : []) {
      add("path", { class: "grid", d: `M${LEFT} ${of(at)}H${view.width - RIGHT}` });
      add("text", { class: "value", x: LEFT - 12, y: of(at) + 4 }, String(at));
    }
    add("text", { class: "unit", x: LEFT + 6, y: top + 14 }, title);
    add("rect", { class: "frame", x: LEFT, y: top, width: view.width - LEFT - RIGHT, height: bottom - top });
  };

  // What oven and pneumatics cannot do.
  const { reach } = told, right = view.width - RIGHT;
  const shade = (d, where) => add("path", { class: "cannot", d, fill: "url(#cannot)", "clip-path": `url(#clip-${where})` });
  const above = view.oven(reach.highest), below = view.oven(reach.lowest);
  shade(`M${LEFT} ${view.ovenTop}H${right}V${above}H${LEFT}Z`, "oven");
  shade(`M${LEFT} ${view.ovenBottom}H${right}V${below}H${LEFT}Z`, "oven");
  for (const [times, temperatures] of reach.fastest) {
    if (times.length > 1) shade(`${path(times, temperatures, x, view.oven)}V${view.ovenTop}H${x(times[0])}Z`, "oven");
  }
  shade(`${path(reach.times, reach.most, x, view.carrier)}L${right} ${view.carrier(reach.most.at(-1))}V${view.carrierTop}H${LEFT}Z`, "carrier");
  shade(`${path(reach.times, reach.least, x, view.carrier)}L${right} ${view.carrier(reach.least.at(-1))}V${view.carrierBottom}H${LEFT}Z`, "carrier");

  axis(view.signal, 0, -1, view.signalTop, view.signalBottom, 0, "");
  axis(view.oven, view.domain.bottom, view.domain.top, view.ovenTop, view.ovenBottom, view.small ? 4 : 6, "oven, °C");
  const { keys } = schedules.carrier;
  axis(view.carrier, view.domain.lower, view.domain.upper, view.carrierTop, view.carrierBottom, 4, `${keys.name.toLowerCase()}, ${keys.unit}`);

  ghosts.forEach((ghost, number) => {
    if (!ghost.told) return;
    const strength = signalMost(ghost.told) / signalMost(told);
    add("path", { class: `ghost ghost-${number + 1}`, d: path(ghost.told.trace[0], ghost.told.trace[1].map((each) => each / strength), x, view.signal), "clip-path": "url(#clip-signal)" });
    add("path", { class: `ghost ghost-${number + 1}`, d: path(ghost.told.oven[0], ghost.told.oven[1], x, view.oven), "clip-path": "url(#clip-oven)" });
  });

  add("path", { class: "signal", d: path(told.trace[0], told.trace[1], x, view.signal), "clip-path": "url(#clip-signal)" });
  const most = view.signal.inverse(view.signalTop);
  for (const peak of told.peaks) {
    if (peak.height > most) add("path", { class: "cut", d: `M${x(peak.time) - 5} ${view.signalTop + 9}l5 -7l5 7Z` });
  }
  for (const part of names(view, told, most)) parts.push(part);
  const profile = (schedule, of, where) => {
    const found = cornersOf(schedule);
    const times = [...found.map((each) => each.t), Math.max(told.run_time, found.at(-1).t)];
    add("path", { class: `profile ${where}`, d: path(times, [...found.map((each) => each.v), found.at(-1).v], x, of), "clip-path": `url(#clip-${where})` });
  };
  profile(schedules.oven, view.oven, "oven");
  profile(schedules.carrier, view.carrier, "carrier");
  return parts;
}

/** Names over their peaks, moved apart where they would meet. */
function names(view, told, most) {
  const room = view.small ? 11 : 13, left = LEFT + 6, right = view.width - RIGHT - 2;
  const within = told.peaks.filter((each) => each.time <= view.domain.end);
  // Too many for this width: those that matter most are named, the table has all.
  const peaks = within.length * room <= right - left ? within : within.filter((each) => told.marked.includes(each.name));
  const at = peaks.map((each) => view.x(each.time));
  for (let number = 0; number < at.length; number += 1) at[number] = Math.max(at[number], number ? at[number - 1] + room : left);
  for (let number = at.length - 1, limit = right; number >= 0; number -= 1, limit -= room) at[number] = Math.min(at[number], limit);
  for (let number = at.length - 2; number >= 0; number -= 1) at[number] = Math.min(at[number], at[number + 1] - room);
  const parts = [];
  peaks.forEach((peak, number) => {
    const risk = told.marked.includes(peak.name) ? " critical" : "";
    const bottom = view.signalTop - 14, tip = view.signal(Math.min(peak.height, most)) - 2;
    parts.push(svg("path", { class: `name${risk}`, d: `M${at[number]} ${bottom + 2}L${view.x(peak.time)} ${Math.max(Math.min(tip, view.signalTop + 6), view.signalTop - 4)}V${tip}` }));
    const name = peak.name.length > 15 ? `${peak.name.slice(0, 14)}…` : peak.name;
    const text = svg("text", { class: `name${risk}`, transform: `translate(${at[number] + 4} ${bottom}) rotate(-90)` }, name);
    text.append(svg("title", {}, peak.name));
    parts.push(text);
  });
  return parts;
}

/** A pair enlarged: the trace, and the two by themselves. */
export function drawPair(target, pair) {
  const width = target.parentElement.clientWidth || 320, height = 190, bottom = height - 24;
  target.setAttribute("viewBox", `0 0 ${width} ${height}`);
  target.setAttribute("height", height);
  if (!pair) return target.replaceChildren(svg("text", { class: "unit", x: 12, y: 30 }, "No pair to enlarge."));
  const x = scale(pair.times[0], pair.times.at(-1), 10, width - 10), lower = Math.min(...pair.responses.map((own) => Math.max(...own)));
  // A pair of very unequal peaks is drawn so that the smaller one is seen; what is higher is cut.
  const y = scale(0, Math.min(106, Math.max(4 * lower, 2)), bottom, 22);
  const cut = (value) => Math.max(y(value), 18), parts = [];
  for (const at of ticks(pair.times[0], pair.times.at(-1), 4)) {
    parts.push(svg("path", { class: "grid", d: `M${x(at)} 22V${bottom}` }), svg("text", { class: "minute", x: x(at), y: height - 8 }, String(at)));
  }
  pair.responses.forEach((own, number) => {
    const d = `${path(pair.times, own, x, cut)}L${x(pair.times.at(-1))} ${bottom}L${x(pair.times[0])} ${bottom}Z`;
    parts.push(svg("path", { class: `pair-${number + 1}`, d }));
    const top = own.indexOf(Math.max(...own));
    if (y(own[top]) < 18) parts.push(svg("path", { class: "cut", d: `M${x(pair.times[top]) - 5} 24l5 -7l5 7Z` }));
    const [where, anchor] = number ? [width - 10, "end"] : [10, "start"];
    parts.push(svg("text", { class: `pair-name pair-name-${number + 1}`, x: where, y: 12, "text-anchor": anchor }, pair.names[number].slice(0, 22)));
  });
  const highest = pair.response.indexOf(Math.max(...pair.response)); // a solvent beside them, say
  const own = pair.responses.some((each) => y(Math.max(...each)) < 18);
  if (!own && y(pair.response[highest]) < 18) parts.push(svg("path", { class: "cut", d: `M${x(pair.times[highest]) - 5} 24l5 -7l5 7Z` }));
  parts.push(svg("path", { class: "signal", d: path(pair.times, pair.response, x, cut) }));
  parts.push(svg("path", { class: "axis", d: `M10 ${bottom}H${width - 10}` }));
  target.replaceChildren(...parts);
}

/** What was tried, as points of run time and probability. */
export function drawTrail(target, tried, current, confidence, chosen) {
  const width = target.parentElement.clientWidth || 320, height = 190, bottom = height - 34;
  target.setAttribute("viewBox", `0 0 ${width} ${height}`);
  target.setAttribute("height", height);
  const times = tried.map((each) => each.run_time);
  const low = Math.min(...times) * 0.95, high = Math.max(...times) * 1.05;
  const wide = high > 4 * low; // then a logarithmic axis keeps the short runs apart
  const straight = scale(wide ? Math.log(low) : low, wide ? Math.log(high) : high, 44, width - 14), y = scale(0, 100, bottom, 12);
  const x = (value) => straight(wide ? Math.log(value) : value);
  const parts = [];
  for (const at of [0, 50, 100]) parts.push(svg("path", { class: "grid", d: `M44 ${y(at)}H${width - 14}` }), svg("text", { class: "value", x: 38, y: y(at) + 4 }, `${at} %`));
  const marks = wide ? [1, 2, 5, 10, 20, 50, 100, 200, 500].filter((at) => at >= low && at <= high) : ticks(low, high, 5);
  for (const at of marks) parts.push(svg("text", { class: "minute", x: x(at), y: bottom + 15 }, String(at)));
  parts.push(svg("text", { class: "unit", x: width - 14, y: height - 4, "text-anchor": "end" }, "run time, min"));
  if (confidence > 0) parts.push(svg("path", { class: "asked", d: `M44 ${y(100 * confidence)}H${width - 14}` }));
  tried.forEach((each, number) => {
    const text = `${each.run_time.toFixed(2)} min, ${(100 * each.share).toFixed(0)} %`;
    const point = svg("g", { class: `tried${number === current ? " now" : ""}${each.runs ? "" : " cannot-run"}`, role: "button", tabindex: 0, "aria-label": `Return to number ${number + 1}: ${text}` });
    point.append(svg("circle", { class: "hit", cx: x(each.run_time), cy: y(100 * each.share), r: 12 }), svg("circle", { class: "dot", cx: x(each.run_time), cy: y(100 * each.share), r: number === current ? 6 : 4 }), svg("title", {}, text));
    point.addEventListener("click", () => chosen(number));
    point.addEventListener("keydown", (event) => {
      if (event.key === "Enter" || event.key === " ") (event.preventDefault(), chosen(number));
    });
    parts.push(point);
  });
  target.replaceChildren(...parts);
}
