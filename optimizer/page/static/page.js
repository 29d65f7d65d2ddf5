// The page: what is tried and shown now, and what is asked of the server, of which the latest question wins.

import { ask, command, enterWith, find, gone, hasKey, list, lock, make, percent, Refused } from "/static/ask.js";
import { campaignOf, showCampaign } from "/static/campaign.js";
import { drawn, drawPair, drawTrail, layout, svg } from "/static/chart.js";
import { cornerText, corners, moved, nudged, programOf, schedulesOf, shown } from "/static/schedule.js";
import { searchFrom, showUnder, watchSearch } from "/static/searching.js";
import { setUpOf, showForm } from "/static/setup.js";
import { showSwitches, switches, switchesOf } from "/static/switches.js";

const KEPT = "rampwright-tried";
const WAIT = 350; // ms without a key after which a nudged program is simulated
const MOST_GHOSTS = 3, FIRST_MARGINS = 10;

/** Asks for predictions: while one is awaited the next is kept, and of several only the latest. */
class Following {
  #busy = false;
  #next = null;
  #era = 0; // counts what was dropped, of which no answer is wanted any more

  want(question, answered) {
    this.#next = { question, answered, era: this.#era };
    if (!this.#busy) this.#ask();
  }

  drop() {
    this.#next = null;
    this.#era += 1;
  }

  async #ask() {
    this.#busy = true;
    while (this.#next) {
      const { question, answered, era } = this.#next;
      this.#next = null;
      try {
        const message = await ask("predict", question);
        if (era === this.#era) answered(message, null);
      } catch (error) {
        if (error instanceof Refused && era === this.#era) answered(null, error.message);
      }
    }
    this.#busy = false;
  }
}

// ---- what is tried ----------------------------------------------------------------------------------------------

const following = new Following();
let scenario = null; // what the server said of it
let told = null; // the prediction that is shown, and its schedules
let schedules = null;
let pinned = null;
let past = [], future = []; // programs to undo and redo
let tried = []; // {program, run_time, share, runs}
let ghosts = []; // {label, program, told}
let starts = [], chosenFiles = [];
let view = null, frozen = null, dragged = null;
let ahead = null; // schedules that are asked for and not answered yet: a next move goes on from there
let sure = null, soon = null; // the question for a simulation that is awaited, and the timer of the next
let allMargins = false;

const same = (a, b) => JSON.stringify(a) === JSON.stringify(b);
const question = (program, certainty) => ({ program, certainty, pair: pinned ?? "critical", what_if: switches() });

function accept(message) {
  told = message;
  schedules = schedulesOf(message.program);
  told.marked = told.probability?.risk ?? told.critical ?? [];
  find("changed").hidden = !message.changed;
  show();
}

function refuse(why) {
  if (find("refused").textContent !== why) find("refused").textContent = why;
}

/** Whether a moved program may stand: it breaks no limit of column and instrument, or no more of them than before. */
const allowed = (message) => !message.cannot_run.length || (told && message.cannot_run.length <= told.cannot_run.length);

/** A program that a person is still moving: seen at once, refused where it cannot be run. */
function follow(wanted) {
  stopSimulating();
  ahead = wanted;
  following.want(question(programOf(wanted), "quick"), (message, why) => {
    if (ahead === wanted) ahead = null;
    if (message && allowed(message)) {
      accept(message);
      refuse("");
    } else refuse(`Refused: ${why ?? message.cannot_run.join("; ")}`);
  });
}

/** A program as it stands after a move, to be simulated and kept; `whatever` it breaks when it was only chosen. */
async function settle(program, { whatever = false, note = true } = {}) {
  stopSimulating();
  following.drop();
  ahead = null;
  const own = new AbortController();
  sure = own;
  try {
    const first = await ask("predict", question(program, "quick"), own.signal);
    if (sure !== own) return;
    if (!whatever && !allowed(first)) {
      show();
      return refuse(`Refused: ${first.cannot_run.join("; ")}`);
    }
    accept(first);
    refuse("");
    const message = await ask("predict", question(first.program, "exact"), own.signal);
    if (sure !== own) return;
    accept(message);
    if (note) keep(message);
    say(message);
  } catch (error) {
    if (error instanceof Refused && sure === own) (show(), refuse(`Refused: ${error.message}`));
  } finally {
    if (sure === own) {
      sure = null;
      busy(false);
    }
  }
}

/** Whether what is shown is still to be simulated. */
function busy(still) {
  find("verdict").setAttribute("aria-busy", String(still));
}

function stopSimulating() {
  clearTimeout(soon);
  soon = null;
  sure?.abort();
  sure = null;
  busy(true);
}

function keep(message) {
  const at = tried.findIndex((each) => same(each.program, message.program));
  const entry = { program: message.program, run_time: message.run_time, share: message.probability.share, runs: !message.cannot_run.length };
  if (at < 0) tried.push(entry);
  else tried[at] = entry;
  remember();
  showTrail();
}

function remember() {
  const kept = { path: scenario.path, program: told.program, past, future, tried, pinned };
  try {
    sessionStorage.setItem(KEPT, JSON.stringify(kept));
  } catch {
    // A full store keeps what it had.
  }
}

/** Before a change: where undo leads back to. */
function step() {
  if (told && !same(past.at(-1), told.program)) past.push(told.program);
  if (past.length > 200) past.shift();
  future = [];
  buttons();
}

function choose(program) {
  step();
  settle(program, { whatever: true });
}

function back(from, to) {
  if (!from.length) return;
  to.push(told.program);
  settle(from.pop(), { whatever: true, note: false }).then(remember);
  buttons();
}

function buttons() {
  find("undo").disabled = !past.length;
  find("redo").disabled = !future.length;
}

// ---- showing ----------------------------------------------------------------------------------------------------

function show() {
  showPicture();
  showVerdict();
  showSetPoints();
  showMargins();
  showPair();
  showPeaks();
  buttons();
}

/** Bounds in %, with a decimal where they would else be the same. */
function intervalOf(bounds) {
  const [low, high] = bounds.map((each) => (100 * each).toFixed(0));
  return low === high ? bounds.map((each) => Number((100 * each).toFixed(1))).join(" to ") : `${low} to ${high}`;
}

function showVerdict() {
  find("run").textContent = `${told.run_time.toFixed(2)} min`;
  find("cycle").textContent = told.cycle_time === null ? "" : `injection to injection ${told.cycle_time.toFixed(1)} min`;
  const known = told.probability, exact = told.certainty === "exact";
  find("share").textContent = known ? percent(known.share) : "–";
  find("share").className = known && known.share >= scenario.confidence ? "met" : "missed";
  find("sure").textContent = !known ? "" : exact ? `simulated, 95 % interval ${intervalOf(known.interval)} %` : "by first derivatives";
  find("rs").textContent = told.resolution === null ? "–" : told.resolution.toFixed(2);
  find("rs").className = told.resolution !== null && told.resolution < told.needed ? "missed" : "";
  find("critical").textContent = told.critical ? `needs ${told.needed.toFixed(2)}: ${told.critical.join(" and ")}` : "";
  const [missed] = known?.missed ?? [];
  find("risk").textContent = known?.risk ? `${known.risk.join(" and ")}, missed in ${percent(known.risk_share)}` : "none";
  find("missed").textContent = missed && missed[1] > (known.risk_share ?? 0) ? `more often missed: ${missed[0]}, in ${percent(missed[1])}` : "";
  find("broken").textContent = told.cannot_run.length ? `Cannot be run: ${told.cannot_run.join("; ")}.` : "";
  find("as-text").textContent = told.set_points.join("\n");
  list("cautions", told.cautions);
  if (told.certainty === "exact") list("warnings", told.warnings);
  find("warnings-box").hidden = !find("warnings").childElementCount;
}

/** For those who do not see the picture, when a program stands. */
function say(message) {
  const known = message.probability;
  find("said").textContent = `Run ${message.run_time.toFixed(2)} min, ${percent(known.share)} probability of meeting every requirement`
    + (message.critical ? `, resolution ${message.resolution.toFixed(2)} of ${message.critical.join(" and ")}, which need ${message.needed.toFixed(2)}.` : ".");
}

function showPeaks() {
  find("peaks").tBodies[0].replaceChildren(...told.peaks.map((peak) => {
    const row = make("tr", told.marked.includes(peak.name) ? { class: "critical" } : {}, make("th", { scope: "row", class: "t" }, peak.name));
    row.append(...peak.texts.map((each) => make("td", {}, each)));
    return row;
  }));
}

function showMargins() {
  const rows = told.margins.slice(0, allMargins ? undefined : FIRST_MARGINS);
  find("margins").replaceChildren(...rows.map((each) => {
    const figure = each.margin === null ? "–" : `${each.margin < 0 ? "−" : "+"}${Math.abs(100 * each.margin) < 9.95 ? Math.abs(100 * each.margin).toFixed(1) : Math.abs(100 * each.margin).toFixed(0)} %`;
    const row = make("li", { class: each.kept ? (each.binding ? "binds" : "") : "broken" }, make("span", { class: "margin" }, figure), make("span", { class: "what" }, each.text));
    if (each.pair) {
      const on = same(pinned, each.pair);
      row.append(make("button", { type: "button", "aria-pressed": String(on), "aria-label": `Enlarge ${each.pair.join(" and ")}`, onclick: () => pin(on ? null : each.pair) }, on ? "Pinned" : "Enlarge"));
    }
    return row;
  }));
  const more = told.margins.length - FIRST_MARGINS;
  find("more-margins").hidden = more <= 0;
  find("more-margins").textContent = allMargins ? "Show fewer" : `Show ${more} more`;
}

function pin(pair) {
  pinned = pair;
  settle(told.program, { whatever: true, note: false }).then(remember);
}

function showPair() {
  const { pair } = told;
  find("pair-title").textContent = pinned ? "Pinned pair, enlarged" : "Pair at risk, enlarged";
  find("unpin").hidden = !pinned;
  drawPair(find("pair"), pair);
  if (!pair) return void (find("pair-text").textContent = pinned ? `${pinned.join(" and ")}: not both elute.` : "");
  const range = pair.half_interval === null ? "" : ` ± ${pair.half_interval.toFixed(2)}`;
  const needs = pair.needed === null ? "not counted" : `needs ${pair.needed.toFixed(2)}`;
  find("pair-text").textContent = `${pair.names.join(" and ")}: Rs ${pair.resolution.toFixed(2)}${range} (95 %), ${needs}`;
}

function showTrail() {
  const now = tried.findIndex((each) => same(each.program, told.program));
  if (tried.length) drawTrail(find("trail"), tried, now, scenario.confidence, (number) => choose(tried[number].program));
}

// ---- the picture and its corners --------------------------------------------------------------------------------

const layers = { still: svg("g", { "aria-hidden": "true" }), oven: svg("g"), carrier: svg("g") };
find("chart").append(layers.still, layers.carrier, layers.oven);

function showPicture() {
  const width = find("picture").clientWidth;
  if (!width) return;
  view = layout(width, told, schedules, corners, frozen);
  find("chart").setAttribute("viewBox", `0 0 ${view.width} ${view.height}`);
  find("chart").setAttribute("height", view.height);
  layers.still.replaceChildren(...drawn(view, told, schedules, corners, ghosts));
  showHandles("oven", view.oven);
  showHandles("carrier", view.carrier);
}

function showHandles(name, y) {
  const schedule = schedules[name], found = corners(schedule), layer = layers[name];
  while (layer.childElementCount > found.length) layer.lastElementChild.remove();
  while (layer.childElementCount < found.length) layer.append(handle(name, layer.childElementCount));
  let last = null;
  found.forEach((corner, number) => {
    const x = view.x(corner.t), own = layer.children[number];
    // A corner on top of the one before it stands a little to the right, so that both can be taken.
    const at = last !== null && x - last < 13 ? last + 13 : x;
    last = at;
    own.setAttribute("transform", `translate(${Math.min(at, view.width - 8)} ${y(corner.v)})`);
    own.setAttribute("class", `corner ${name} ${corner.part}`);
    own.setAttribute("aria-label", cornerText(schedule, number));
    own.setAttribute("aria-valuenow", shown(corner.v));
    own.setAttribute("aria-valuetext", cornerText(schedule, number));
    own.querySelector("title").textContent = cornerText(schedule, number);
  });
}

function handle(name, number) {
  const made = svg("g", { role: "slider", tabindex: 0, "aria-orientation": "vertical" });
  made.append(svg("circle", { class: "hit", r: 20 }), svg("circle", { class: "dot", r: 6.5 }), svg("rect", { class: "dot", x: -5.5, y: -5.5, width: 11, height: 11 }), svg("title"));
  made.addEventListener("pointerdown", (event) => {
    if (event.button) return;
    event.preventDefault();
    made.focus({ preventScroll: true });
    made.setPointerCapture(event.pointerId);
    step();
    frozen = { ...view };
    const box = find("chart").getBoundingClientRect(), corner = corners(schedules[name])[number];
    // What was taken beside its middle is moved from there, so that it does not jump.
    dragged = {
      name, number, began: schedules, program: told.program,
      dx: event.clientX - box.left - view.x(corner.t), dy: event.clientY - box.top - view[name](corner.v),
    };
  });
  made.addEventListener("pointermove", (event) => {
    if (dragged?.name !== name || dragged.number !== number) return;
    const box = find("chart").getBoundingClientRect();
    const t = Math.max(frozen.x.inverse(event.clientX - box.left - dragged.dx), 0);
    const v = frozen[name].inverse(event.clientY - box.top - dragged.dy);
    follow({ ...dragged.began, [name]: moved(dragged.began[name], number, t, v, scenario.steps) });
  });
  const ended = () => {
    if (dragged?.name !== name || dragged.number !== number) return;
    const before = dragged.program, why = find("refused").textContent;
    dragged = frozen = null;
    if (ahead) return void settle(programOf(ahead));
    if (same(before, told.program)) {
      past.pop();
      show();
      return busy(Boolean(sure));
    }
    settle(told.program, { whatever: true }).then(() => refuse(why));
  };
  made.addEventListener("pointerup", ended);
  made.addEventListener("pointercancel", ended);
  made.addEventListener("keydown", (event) => {
    const [across, up] = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1], PageUp: [0, 10], PageDown: [0, -10] }[event.key] ?? [0, 0];
    if ((!across && !up) || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    const first = !soon; // of a row of keys, which are undone together
    if (first) step();
    const from = ahead ?? schedules;
    follow({ ...from, [name]: nudged(from[name], number, across, up, scenario.steps) });
    soon = setTimeout(() => settle(programOf(ahead ?? schedules)), WAIT);
  });
  return made;
}

// ---- the table of set points ------------------------------------------------------------------------------------

function showSetPoints() {
  const box = find("set-points");
  const shape = JSON.stringify([schedules.oven.ramps.length, schedules.carrier.ramps.length, schedules.carrier.keys.name]);
  if (box.dataset.shape !== shape) {
    box.replaceChildren(table("oven"), table("carrier"));
    box.dataset.shape = shape;
  }
  for (const input of box.querySelectorAll("input")) {
    const { schedule, ramp, key } = input.dataset;
    const holder = ramp === "-1" ? schedules[schedule] : schedules[schedule].ramps[Number(ramp)];
    if (document.activeElement !== input || input.dataset.sent) input.value = shown(holder[key]);
    delete input.dataset.sent;
  }
}

function table(name) {
  const schedule = schedules[name], { keys } = schedule, { steps } = scenario;
  const cell = (ramp, key, step, label) => make("td", {}, make("input", {
    type: "number", step: "any", inputmode: "decimal", "aria-label": `${keys.name}, ${ramp < 0 ? "start" : `ramp ${ramp + 1}`}: ${label}`,
    "data-schedule": name, "data-ramp": String(ramp), "data-key": key, title: `in steps of ${shown(step)}`, onchange: typed,
  }));
  const time = (ramp) => cell(ramp, "hold", steps.time_min, "hold, min");
  const constant = !schedule.ramps.length && name === "carrier";
  const head = make("tr", {}, make("th", { scope: "col", class: "t" }, keys.name));
  if (keys.rate) head.append(make("th", { scope: "col" }, keys.rateUnit));
  head.append(make("th", { scope: "col" }, keys.unit));
  if (!constant) head.append(make("th", { scope: "col" }, "hold, min"));
  head.append(make("td"));
  const first = make("tr", {}, make("th", { scope: "row", class: "t" }, constant ? "constant" : "start"));
  if (keys.rate) first.append(make("td"));
  first.append(cell(-1, "start", steps[keys.step], keys.unit));
  if (!constant) first.append(time(-1));
  first.append(make("td"));
  const rows = schedule.ramps.map((_, at) => make("tr", {}, make("th", { scope: "row", class: "t" }, `ramp ${at + 1}`),
    cell(at, "rate", steps[keys.rateStep], keys.rateUnit), cell(at, "to", steps[keys.step], `to ${keys.unit}`), time(at),
    make("td", {}, make("button", { type: "button", "aria-label": `Remove ramp ${at + 1} of ${keys.name.toLowerCase()}`, onclick: () => ramps(name, at) }, "✕"))));
  const made = make("table", {}, make("thead", {}, head), make("tbody", {}, first, ...rows));
  const box = make("div", {}, make("div", { class: "wide" }, made));
  if (keys.rate) box.append(make("button", { type: "button", onclick: () => ramps(name, null) }, `Add a ramp of ${keys.name.toLowerCase()}`));
  return box;
}

function typed(event) {
  const { schedule, ramp, key } = event.target.dataset, value = event.target.valueAsNumber;
  event.target.dataset.sent = "1";
  if (!Number.isFinite(value)) return void (showSetPoints(), refuse("Refused: expected a number"));
  const made = structuredClone({ ...schedules[schedule], keys: null });
  made.keys = schedules[schedule].keys;
  (ramp === "-1" ? made : made.ramps[Number(ramp)])[key] = value;
  step();
  settle(programOf({ ...schedules, [schedule]: made }));
}

/** One ramp less, or one more at the end: a fifth of the run long where that is allowed. */
function ramps(name, at) {
  const made = structuredClone({ ...schedules[name], keys: null });
  made.keys = schedules[name].keys;
  if (at !== null) made.ramps.splice(at, 1);
  else {
    const last = made.ramps.at(-1), from = last?.to ?? made.start, { steps } = scenario;
    const most = name === "oven" ? told.reach.highest : Math.min(...told.reach.most);
    const to = Math.max(Math.min(name === "oven" ? from + 20 : from * 1.2, most), from + steps[made.keys.step]);
    made.ramps.push({ rate: last?.rate ?? (name === "oven" ? 10 : Math.max((to - from) / Math.max(told.run_time / 5, 0.1), steps[made.keys.rateStep])), to, hold: 0 });
    if (name === "carrier" && !last) made.hold = Math.max(told.run_time / 2, 0);
  }
  step();
  settle(programOf({ ...schedules, [name]: made }));
}

// ---- starts and ghosts ------------------------------------------------------------------------------------------

function showStarts() {
  const box = find("starts"), chosen = box.value;
  box.replaceChildren(...starts.map((each, number) => make("option", { value: String(number) }, each.label)));
  if (chosen && Number(chosen) < starts.length) box.value = chosen;
  for (const id of ["take", "ghost"]) find(id).disabled = !starts.length;
}

async function addGhost(label, program) {
  ghosts = [...ghosts.filter((each) => !same(each.program, program)), { label, program, told: null }].slice(-MOST_GHOSTS);
  const own = ghosts.at(-1);
  try {
    own.told = await ask("predict", { program, certainty: "none", what_if: switches() });
  } catch (error) {
    ghosts = ghosts.filter((each) => each !== own);
    if (error instanceof Refused) refuse(error.message);
  }
  showGhosts();
}

function showGhosts() {
  find("ghosts").replaceChildren(...ghosts.map((each, number) => make("li", { class: `ghost-${number + 1}` },
    make("span", { class: "swatch", "aria-hidden": "true" }), `${each.label}${each.told ? `, ${each.told.run_time.toFixed(2)} min ` : " "}`,
    make("button", { type: "button", "aria-label": `Take away ${each.label}`, onclick: () => {
      ghosts = ghosts.filter((other) => other !== each);
      showGhosts();
    } }, "Take away"))));
  if (told) showPicture();
}

find("take").addEventListener("click", () => choose(starts[Number(find("starts").value)].program));
find("ghost").addEventListener("click", () => {
  const start = starts[Number(find("starts").value)];
  addGhost(start.label, start.program);
});
find("file").addEventListener("change", async (event) => {
  const [file] = event.target.files;
  if (!file) return;
  try {
    const found = await ask("program", { name: file.name, text: await file.text() });
    chosenFiles.push(...found.starts);
    starts.push(...found.starts);
    showStarts();
    find("starts").value = String(starts.length - 1);
    choose(found.starts[0].program);
  } catch (error) {
    if (error instanceof Refused) refuse(error.message);
  }
  event.target.value = "";
});

// ---- saving -----------------------------------------------------------------------------------------------------

find("save").addEventListener("submit", async (event) => {
  event.preventDefault();
  find("saved").replaceChildren("Drawing and writing.");
  try {
    const done = await ask("save", { program: told.program, name: find("name").value.trim(), what_if: switches() });
    find("saved").replaceChildren(`Written into ${done.folder}: ${done.files.join(", ")}. The same from a terminal: `, command(done.command));
    find("name").value = done.name;
    read({});
  } catch (error) {
    find("saved").replaceChildren(make("span", { class: "missed" }, error instanceof Refused ? error.message : "Nothing was written: the server has ended."));
  }
});

// ---- beginning --------------------------------------------------------------------------------------------------

const VIEWS = ["program", "campaign", "setup"];

function go(name) {
  for (const each of VIEWS) {
    find(`view-${each}`).hidden = each !== name;
    find(`to-${each}`).setAttribute("aria-current", each === name ? "page" : "false");
  }
  if (name === "campaign") showCampaign();
  if (name === "setup") showForm();
  if (name === "program" && told) show();
}

async function read(asked) {
  const found = await ask("state", asked);
  find("title").textContent = found.title;
  document.title = `${found.title} - rampwright`;
  find("path").textContent = found.path === found.title ? "" : found.path;
  starts = [...found.starts, ...chosenFiles];
  showStarts();
  find("to-program").disabled = !found.ready;
  list("problems", found.ready || found.new ? [] : found.problems);
  scenario = found.ready ? found : null;
  if (!scenario) return;
  list("goal", scenario.goal);
  find("notes").textContent = scenario.notes.join(" ");
  find("name").value ||= scenario.name;
  find("seconds").value ||= scenario.seconds;
  showSwitches(scenario);
}

/** After the scenario's files were written from here: what was tried is held against them anew. */
async function written(to) {
  const had = Boolean(told);
  await read({});
  if (!scenario) return to && go(to);
  tried = [];
  watchSearch(); // what was found before is forgotten
  if (had) await settle(told.program, { whatever: true });
  else await first();
  ghosts.forEach((each) => addGhost(each.label, each.program));
  if (to) go(to);
}

async function first() {
  const kept = JSON.parse(sessionStorage.getItem(KEPT) ?? "null");
  if (kept?.path === scenario.path) {
    ({ past, future, tried, pinned } = kept);
    await settle(kept.program, { whatever: true });
  } else if (starts.length) await settle(starts[0].program, { whatever: true });
  else gone("There is nothing to start from yet: add a [current] table to the scenario, or choose a program file.");
}

async function begin() {
  if (!hasKey()) return lock();
  try {
    await read({});
  } catch (error) {
    if (error instanceof Refused && hasKey()) gone(error.message);
    return;
  }
  find("page").hidden = false;
  go(scenario ? "program" : "setup");
  if (scenario) await first();
  document.body.dataset.ready = "1";
  watchSearch(); // one may be at work from before, or have ended
}

for (const each of VIEWS) find(`to-${each}`).addEventListener("click", () => go(each));
enterWith(begin);
campaignOf({ starts: () => starts, written, startFrom: (program) => (go("program"), choose(program)), now: () => told?.program ?? null });
setUpOf({ written });
switchesOf({ pair: () => told?.pair?.names ?? null, changed: () => {
  tried = [];
  if (told) settle(told.program, { whatever: true });
  ghosts.forEach((each) => addGhost(each.label, each.program));
  showUnder();
} });
searchFrom({
  program: () => told.program, show: choose, behind: addGhost, saved: () => read({}),
  simulated: (candidates) => {
    const news = candidates.filter((each) => each.share !== null && !tried.some((other) => same(other.program, each.program)));
    if (!news.length || !told) return;
    tried.push(...news.map(({ program, run_time, share, runs }) => ({ program, run_time, share, runs })));
    remember();
    showTrail();
  },
});

find("again").addEventListener("click", async () => {
  try {
    await read({ again: true });
    await written();
  } catch (error) {
    if (error instanceof Refused) refuse(error.message);
  }
});
find("undo").addEventListener("click", () => back(past, future));
find("redo").addEventListener("click", () => back(future, past));
find("unpin").addEventListener("click", () => pin(null));
find("more-margins").addEventListener("click", () => {
  allMargins = !allMargins;
  showMargins();
});
document.addEventListener("keydown", (event) => {
  if (!(event.ctrlKey || event.metaKey) || event.key.toLowerCase() !== "z" || event.target.matches?.("input, textarea")) return;
  event.preventDefault();
  if (event.shiftKey) back(future, past);
  else back(past, future);
});
new ResizeObserver(() => {
  if (!told || dragged) return;
  showPicture();
  showPair();
  showTrail();
}).observe(find("picture"));
begin();
