// The campaign: runs made, the next one proposed, a run that was made looked at, its names approved, put in, taken out.

import { ask, askFor, find, list, make, percent, Refused } from "/static/ask.js";
import { svg } from "/static/chart.js";
import { drawRun, wholeOf } from "/static/run_chart.js";

const LOOK = 400; // ms between looks at the search for a next run
const AS_PROPOSED = "proposed", NOT_SAID = ""; // of the select
let page = null; // { starts(), written(view), startFrom(program), now() }
let run = null; // what is looked at
let range = null; // of its picture, min
let asked = null; // how it was asked for
let watching = false;

export function campaignOf(given) {
  page = given;
}

export async function showCampaign() {
  const state = await askFor("campaign", {}, "campaign-refused");
  if (!state) return;
  find("runs").tBodies[0].replaceChildren(...state.runs.map((each) => make("tr", {},
    make("th", { scope: "row", class: "t" }, each.name), make("td", { class: "t" }, each.day || "–"), make("td", {}, String(each.peaks)),
    make("td", { class: "t" }, each.undo ? make("button", { type: "button", "aria-label": `Take run ${each.name} out again`, onclick: undo }, "Take out again") : ""))));
  find("no-runs").hidden = state.runs.length > 0;
  const rows = state.stages.map((each) => make("tr", {},
    make("th", { scope: "row" }, String(each.injections)), make("td", { class: "t" }, each.last_run), make("td", {}, each.run_time_min === null ? "–" : each.run_time_min.toFixed(2)),
    make("td", {}, each.pass_probability === null ? "–" : percent(each.pass_probability)), make("td", { class: "t" }, each.proposed || "–")));
  find("stages").tBodies[0].replaceChildren(...rows);
  find("stages-box").hidden = !rows.length;
  find("next-now").textContent = state.proposed ? `Proposed: ${state.proposed}. It is among the programs to start from.` : "";
  const box = find("made-with"), chosen = box.value, labels = page.starts().map((each) => each.label).filter((each) => each !== "next run proposed");
  const first = state.has_proposal ? make("option", { value: AS_PROPOSED }, "the run that was proposed") : make("option", { value: NOT_SAID }, "choose its program");
  box.replaceChildren(first, ...(page.now() ? [make("option", { value: "now" }, "the program shown now")] : []), ...labels.map((each) => make("option", { value: `start:${each}` }, each)));
  if ([...box.options].some((each) => each.value === chosen)) box.value = chosen;
  showNext(state.proposing);
  if (state.proposing.at_work) watchNext();
}

// ---- the next run -----------------------------------------------------------------------------------------------

function showNext(state) {
  find("next-run").hidden = state.at_work;
  find("stop-next").hidden = find("next-progress").hidden = !state.at_work;
  find("next-progress").value = state.share ?? 0;
  find("next-said").textContent = state.error ?? state.text ?? "";
  const points = state.set_points ?? [];
  find("next-set-points").hidden = !points.length;
  find("next-set-points").textContent = points.join("\n");
}

async function watchNext() {
  if (watching) return;
  watching = true;
  let state = { at_work: true };
  while (state.at_work) {
    await new Promise((done) => setTimeout(done, LOOK));
    try {
      state = await ask("next-run", {});
    } catch {
      break;
    }
    showNext(state);
  }
  watching = false;
  await page.written(null); // what it proposes is among the programs to start from
  showCampaign();
}

find("next-run").addEventListener("click", async () => {
  const state = await askFor("next-run", { seconds: find("next-seconds").valueAsNumber }, "campaign-refused");
  if (!state) return;
  showNext(state);
  watchNext();
});
find("stop-next").addEventListener("click", async () => {
  const state = await askFor("next-run", { stop: true }, "campaign-refused");
  if (state) showNext(state);
});

// ---- a run that was made ----------------------------------------------------------------------------------------

/** A file, or what was pasted, as name and base64. */
async function fileAsked() {
  const pasted = find("run-paste").value, [chosen] = find("run-file").files;
  const named = find("run-name").value.trim() || "run";
  const file = dropped ?? chosen ?? (pasted.trim() ? new File([`${pasted.trimEnd()}\n`], `${named}.csv`) : null);
  if (!file) return null;
  const bytes = new Uint8Array(await file.arrayBuffer());
  let text = "";
  for (let at = 0; at < bytes.length; at += 0x8000) text += String.fromCharCode(...bytes.subarray(at, at + 0x8000));
  return { name: file.name, data: btoa(text) };
}

let dropped = null;

function details() {
  const chosen = find("made-with").value, text = (id) => find(id).value.trim() || null;
  const program = chosen === AS_PROPOSED ? null : chosen === "now" ? page.now() : chosen.slice("start:".length);
  const holdUp = text("run-hold-up");
  return { program, name: text("run-name"), day: text("run-day"), hold_up_min: holdUp === null ? null : Number(holdUp.replace(",", ".")) || holdUp };
}

async function look(more) {
  const found = await askFor("look-at-run", { ...asked, ...more }, "run-refused");
  if (!found) return;
  const again = run?.ticket === found.ticket;
  run = found;
  if (!again) range = wholeOf(run);
  showRun();
  if (!again) find("looked-title").focus();
}

find("made").addEventListener("submit", async (event) => {
  event.preventDefault();
  const file = await fileAsked();
  if (!file) return void (find("run-refused").textContent = "Choose a file, drop one, or paste a table first.");
  if (find("made-with").value === NOT_SAID) return void (find("run-refused").textContent = "Say which program it was made with.");
  asked = details();
  find("approved").checked = false;
  find("drop-said").textContent = "Reading it, and predicting what it is held against.";
  await look({ file });
  find("drop-said").textContent = "";
});

/** Of standard deviations; no sign before 0.0. */
const signed = (value) => { const text = Math.abs(value).toFixed(1); return text === "0.0" ? text : `${value > 0 ? "+" : "−"}${text}`; };

function showRun() {
  find("looked").hidden = !run;
  if (!run) return;
  find("looked-title").textContent = run.ready ? `Run ${run.run}, from ${run.file}` : `${run.file}: name its peaks`;
  find("looked-with").textContent = run.ready ? `Made with: ${run.origin}${run.day ? `; day: ${run.day}` : ""}.` : "No run has names yet from which they could be proposed: type them, and leave a peak empty that is none of the sample's.";
  find("looked-program").textContent = run.ready ? run.program.join("\n") : "";
  list("run-notes", run.notes);
  drawRun(find("run-picture"), run, range);
  const compared = new Map((run.compared?.peaks ?? []).map((each) => [each.name, each]));
  find("known-names").replaceChildren(...run.compounds.map((each) => make("option", { value: each })));
  find("run-peaks").tBodies[0].replaceChildren(...run.peaks.map((each, number) => {
    const beside = compared.get(each.name);
    const row = make("tr", each.doubtful ? { class: "critical" } : {}, make("td", {}, each.time.toFixed(3)), make("td", { class: "t" }, nameField(each, number)));
    const sure = each.sure === undefined || !each.proposed ? "–" : each.name === each.proposed ? percent(each.sure) : `by hand; proposed ${each.proposed}, ${percent(each.sure)}`;
    row.append(make("td", {}, run.named ? "named in the file" : sure), make("td", { class: "t" }, each.or_else || "–"),
      make("td", {}, beside?.predicted == null ? "–" : `${beside.predicted.toFixed(3)} ± ${(beside.half ?? 0).toFixed(3)}`),
      make("td", beside?.off != null && Math.abs(beside.off) > 2 ? { class: "missed" } : {}, beside?.off == null ? "–" : `${signed(beside.off)} sd`),
      make("td", {}, make("button", { type: "button", "aria-label": `Zoom on the peak at ${each.time.toFixed(3)} min`, onclick: () => zoomOn(number) }, "Zoom")));
    return row;
  }));
  const said = run.compared ? [run.compared.says, run.compared.critical, run.compared.refit, ...run.compared.remarks].filter(Boolean) : [];
  list("compared-said", said);
  find("compared-box").hidden = !said.length;
  list("doubts", run.doubts ?? []);
  find("doubts-box").hidden = !(run.doubts ?? []).length;
  find("name-them").hidden = run.ready;
  find("approval").hidden = !run.ready;
}

function nameField(each, number) {
  if (run.named) return each.name;
  const field = make("input", { value: each.name, list: "known-names", "aria-label": `Name of the peak at ${each.time.toFixed(3)} min`, autocomplete: "off", placeholder: "no name" });
  field.addEventListener("change", () => {
    find("approved").checked = false;
    run.peaks[number].name = field.value.trim();
    if (run.ready) look({ ticket: run.ticket, names: run.peaks.map((peak) => peak.name) });
  });
  return field;
}

find("name-them").addEventListener("click", () => look({ ticket: run.ticket, names: run.peaks.map((each) => each.name) }));
find("approve").addEventListener("click", async () => {
  if (!find("approved").checked) return void (find("run-refused").textContent = "Look at the peaks and their names first, and say so.");
  const done = await askFor("approve-run", { ticket: run.ticket, accept: true }, "run-refused");
  if (!done) return;
  run = dropped = null;
  find("made").reset();
  find("drop-said").textContent = "";
  showRun();
  await page.written(null);
  await showCampaign();
  find("campaign-said").textContent = `${done.said} The fit includes it now.`;
});

async function undo() {
  const done = await askFor("undo-run", {}, "campaign-refused");
  if (!done) return;
  await page.written(null);
  await showCampaign();
  find("campaign-said").textContent = done.said;
}

// ---- its picture ------------------------------------------------------------------------------------------------

function zoom(from, to) {
  const [first, last] = wholeOf(run), least = (last - first) / 500;
  const wide = Math.min(Math.max(to - from, least), last - first), start = Math.min(Math.max(from, first), last - wide);
  range = [start, start + wide];
  drawRun(find("run-picture"), run, range);
}

function zoomOn(number) {
  const t = run.picture.peaks[number], [first, last] = wholeOf(run);
  const [from, to] = run.picture.limits?.[number] ?? [t - (last - first) / 60, t + (last - first) / 60];
  const half = 2.5 * Math.max(to - t, t - from, (last - first) / 400);
  zoom(t - half, t + half);
  find("run-picture").scrollIntoView({ block: "nearest" });
}

const by = (share, moved) => () => {
  const middle = (range[0] + range[1]) / 2 + moved * (range[1] - range[0]), half = (share * (range[1] - range[0])) / 2;
  zoom(middle - half, middle + half);
};
find("zoom-in").addEventListener("click", by(0.5, 0));
find("zoom-out").addEventListener("click", by(2, 0));
find("zoom-left").addEventListener("click", by(1, -0.4));
find("zoom-right").addEventListener("click", by(1, 0.4));
find("zoom-whole").addEventListener("click", () => zoom(...wholeOf(run)));

/** A stretch drawn with the mouse is zoomed on. */
let drawnFrom = null;
const minuteAt = (event) => {
  const box = find("run-picture").getBoundingClientRect();
  return range[0] + Math.min(Math.max((event.clientX - box.left - 12) / (box.width - 24), 0), 1) * (range[1] - range[0]);
};
find("run-picture").addEventListener("pointerdown", (event) => {
  if (!event.button && event.pointerType === "mouse") drawnFrom = { t: minuteAt(event), x: event.clientX };
});
find("run-picture").addEventListener("pointermove", (event) => {
  if (!drawnFrom) return;
  const box = find("run-picture").getBoundingClientRect();
  find("run-picture").querySelector(".stretch")?.remove();
  const [a, b] = [drawnFrom.x, event.clientX].sort((one, other) => one - other);
  find("run-picture").append(svg("rect", { class: "stretch", x: a - box.left, y: 0, width: b - a, height: box.height }));
});
addEventListener("pointerup", (event) => {
  if (!drawnFrom) return;
  const from = drawnFrom;
  drawnFrom = null;
  find("run-picture").querySelector(".stretch")?.remove();
  if (Math.abs(event.clientX - from.x) > 6) zoom(...[from.t, minuteAt(event)].sort((a, b) => a - b));
});
new ResizeObserver(() => {
  if (run) drawRun(find("run-picture"), run, range);
}).observe(find("run-figure"));

for (const kind of ["dragover", "dragleave", "drop"]) {
  find("drop").addEventListener(kind, (event) => {
    event.preventDefault();
    find("drop").classList.toggle("over", kind === "dragover");
    if (kind !== "drop") return;
    [dropped] = event.dataTransfer.files;
    find("drop-said").textContent = dropped ? `${dropped.name} is here: say how it was made, then look at it.` : "";
  });
}
find("run-file").addEventListener("change", () => {
  dropped = null;
  find("drop-said").textContent = "";
});
