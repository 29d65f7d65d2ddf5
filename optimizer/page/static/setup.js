// A scenario set up by form: every declared key with unit, range and meaning, what is wrong with it beside it.

import { ask, askFor, find, list, make, Refused } from "/static/ask.js";

const CHECK = 500; // ms without a change after which the form is checked
const OPEN = ["title", "column", "carrier", "compounds", "scouting_runs", "goal"]; // what most scenarios state
const FIRST = ["title", "column", "carrier", "scouting_runs", "goal", "instrument", "inlet", "compounds", "current"];
const NAMES = {
  title: "Title", column: "Column", carrier: "Carrier gas", instrument: "Instrument", inlet: "Inlet", detector: "Detector", compounds: "Compounds",
  scouting_runs: "Scouting runs", current: "Method in use", goal: "Goal", tolerances: "Tolerances", analytes: "Single compounds", pairs: "Single pairs",
  groups: "Groups", fit: "Fit", search: "Search", leave_out: "Compounds left out", matching: "Table of names",
  columns: "Columns you own",
};
// Shown though they need not be stated.
const MAIN = ["inner_diameter_mm", "film_thickness_um", "hold_up_min", "hold_min", "ramps", "outlet", "role", "min_resolution", "ignore"];
// Needed of a column whose wall has a film, as most have.
const COATED = ["inner_diameter_mm", "film_thickness_um"], NOT_COATED = ["packed", "layer_thickness_um"];
const ONE = { scouting_runs: "run", analytes: "compound", pairs: "pair", groups: "group", ramps: "ramp", heating_limits: "band" };
let page = null; // { written(view) }
let schema = null, tree = null, version = "", file = "";
let headed = new Set(); // tables that the file has, which may say nothing
let tables = {}; // what was pasted, by the name of its file
let pressed = false; // whether what is missing is told
let soon = null, latest = 0;

export function setUpOf(given) {
  page = given;
}

export async function showForm() {
  if (tree) return;
  await readForm();
}

async function readForm() {
  const found = await askFor("form", {}, "form-refused");
  if (!found) return;
  ({ schema, tree, version, file } = found);
  headed = new Set(Object.keys(tree));
  tables = {};
  pressed = false;
  draw();
  check();
}

// ---- fields -----------------------------------------------------------------------------------------------------

const plain = (text) => (text ?? "").replaceAll(/`|\*|\[\[?|\]\]?/g, "").trim();
const resolved = (declared) => (declared.$ref ? { ...schema.$defs[declared.$ref.split("/").at(-1)], ...declared } : declared);
const isTable = (declared) => Boolean(declared.properties);
const dotted = (place) => place.map((each, n) => (typeof each === "number" ? `[${each + 1}]` : n ? `.${each}` : each)).join("");

function words(text) {
  const number = text.trim().replace(",", ".");
  return /^[-+]?(\d+\.?\d*|\.\d+)(e[-+]?\d+)?$/i.test(number) ? Number(number) : text.trim();
}

function rangeOf(declared) {
  if (declared["x-range"]) return plain(declared["x-range"]);
  const { minimum, maximum } = declared;
  return minimum === undefined ? "" : `${minimum} to ${maximum}`;
}

/** A field for one value; `holder` is the table that it stands in. */
function valueField(holder, key, declared, place, needed) {
  const id = `field-${dotted(place)}`, said = `said-${dotted(place)}`, value = holder[key];
  const set = (given) => {
    if (given === "" || given === undefined || (Array.isArray(given) && !given.length)) delete holder[key];
    else holder[key] = given;
    changed();
  };
  const known = { id, "data-place": dotted(place), ...(needed ? { "data-needed": "1" } : {}), "aria-describedby": `${said} wrong-${dotted(place)}` };
  const usual = declared["x-default"] ?? (declared.default === undefined ? "" : String(declared.default));
  let field;
  if (declared.enum || declared.type === "boolean") {
    const choices = declared.enum ?? ["true", "false"];
    const none = needed ? "choose" : `as usual${usual && usual !== "undefined" ? `: ${plain(usual)}` : ""}`;
    field = make("select", known, make("option", { value: "" }, none), ...choices.map((each) => make("option", { value: each }, each)));
    field.value = value === undefined ? "" : String(value);
    field.addEventListener("change", () => set(declared.type === "boolean" && field.value ? field.value === "true" : field.value));
  } else if (declared.type === "array") {
    field = make("textarea", { ...known, rows: "3", spellcheck: "false" });
    field.value = (value ?? []).join("\n");
    field.addEventListener("change", () => set(field.value.split(/[\n\t;]/).map((each) => each.trim()).filter(Boolean)));
  } else {
    const text = declared.type === "string";
    field = make("input", { ...known, autocomplete: "off", spellcheck: "false", placeholder: needed ? "" : declared["x-default"] ? `if empty: ${plain(usual)}` : plain(usual), ...(text ? {} : { inputmode: "decimal" }) });
    field.value = value === undefined ? "" : String(value);
    field.addEventListener("change", () => set(text ? field.value.trim() : words(field.value)));
  }
  const unit = declared["x-unit"] ? `, ${declared["x-unit"]}` : "";
  const range = declared.enum ? "" : rangeOf(declared);
  const note = [plain(declared.description), range, declared.type === "array" ? "one a line" : ""].filter(Boolean).join("; ");
  return make("div", { class: "key" },
    make("label", { for: id }, key, make("span", { class: "quiet" }, `${unit}${needed ? ", needed" : ""}`)), field,
    make("p", { class: "quiet", id: said }, note), make("p", { class: "missed wrong", id: `wrong-${dotted(place)}`, "data-wrong": dotted(place) }));
}

/** All keys of a table; pressures in psi or bar only where the file has them so. */
function fields(holder, declared, place) {
  const needed = new Set([...(declared.required ?? []), ...(dotted(place) === "column" && !NOT_COATED.some((key) => key in holder) ? COATED : [])]);
  const keys = Object.keys(declared.properties).filter((key) => {
    const other = key.replace(/(psi|bar)(?=$|_)/, "kPa");
    if (other !== key && other in declared.properties) return key in holder;
    return !["psi", "bar"].some((unit) => key.replace("kPa", unit) !== key && key.replace("kPa", unit) in holder);
  });
  const made = (key) => part(holder, key, declared.properties[key], [...place, key], needed.has(key));
  const rare = needed.size ? keys.filter((key) => !needed.has(key) && !(key in holder) && !MAIN.includes(key)) : [];
  const shown = keys.filter((key) => !rare.includes(key)).map(made);
  if (!rare.length) return shown;
  const more = make("details", { class: "rare", "data-key": `${dotted(place)} more` }, make("summary", {}, `${rare.length} more that may be stated`), make("div", { class: "keys" }, ...rare.map(made)));
  return [...shown, more];
}

/** What stands under one key: a value, a table, a choice of tables or a list of them. */
function part(holder, key, given, place, needed) {
  const declared = resolved(given);
  if (declared.oneOf) return carrierPart(holder, key, declared, place);
  if (isTable(declared)) return tablePart(holder, key, declared, place, needed);
  if (declared.type === "array" && declared.items.$ref) return listPart(holder, key, declared, place);
  const made = valueField(holder, key, declared, place, needed);
  if (key === "peaks" && place[0] === "scouting_runs") made.append(pasteField(holder, place));
  return made;
}

const titled = (key) => NAMES[key] ?? `${key[0].toUpperCase()}${key.slice(1).replaceAll("_", " ")}`;
const legend = (key) => make("legend", {}, titled(key));
const wrong = (place) => make("p", { class: "missed wrong", "data-wrong": dotted(place) });

function tablePart(holder, key, declared, place, needed) {
  if (needed) holder[key] ??= {};
  const box = make("fieldset", {}, legend(key), wrong(place));
  if (holder[key] === undefined) {
    box.append(make("p", { class: "quiet" }, plain(declared.description)), make("button", { type: "button", onclick: () => {
      holder[key] = {};
      redraw();
    } }, `State ${key.replaceAll("_", " ")}`));
    return box;
  }
  box.append(...fields(holder[key], declared, place));
  if (!needed) box.append(remove(`Leave ${key.replaceAll("_", " ")} out`, () => delete holder[key]));
  return box;
}

function carrierPart(holder, key, declared, place) {
  const kinds = declared.oneOf.map(resolved), modes = kinds.flatMap((each) => each.properties.mode.enum ?? [each.properties.mode.const]);
  holder[key] ??= { mode: modes[0] };
  const kind = kinds.find((each) => (each.properties.mode.enum ?? [each.properties.mode.const]).includes(holder[key].mode)) ?? kinds[0];
  const id = `field-${dotted([...place, "mode"])}`;
  const mode = make("select", { id, "data-place": dotted([...place, "mode"]) }, ...modes.map((each) => make("option", { value: each }, each)));
  mode.value = holder[key].mode;
  mode.addEventListener("change", () => {
    holder[key] = { mode: mode.value };
    redraw();
  });
  const rest = { ...kind, properties: Object.fromEntries(Object.entries(kind.properties).filter(([each]) => each !== "mode")) };
  return make("fieldset", {}, legend(key), wrong(place), make("div", { class: "key" }, make("label", { for: id }, "mode"), mode, wrong([...place, "mode"])), ...fields(holder[key], rest, place));
}

function listPart(holder, key, declared, place) {
  const one = ONE[key] ?? "entry", item = resolved(declared.items);
  const box = make("div", { class: "entries" }, place.length > 1 ? make("p", {}, make("b", {}, key.replaceAll("_", " ")), make("span", { class: "quiet" }, ` ${plain(declared.description)}`)) : "", wrong(place));
  (holder[key] ?? []).forEach((each, number) => {
    const here = [...place, number];
    box.append(make("fieldset", {}, make("legend", {}, `${one} ${number + 1}`), wrong(here), ...fields(each, item, here), remove(`Remove ${one} ${number + 1}`, () => {
      holder[key].splice(number, 1);
      if (!holder[key].length) delete holder[key];
    })));
  });
  box.append(make("button", { type: "button", onclick: () => {
    holder[key] = [...(holder[key] ?? []), begunWith(key, holder[key]?.at(-1))];
    redraw(`field-${dotted([...place, holder[key].length - 1, Object.keys(item.properties)[0]])}`);
  } }, `Add a ${one}`));
  return box;
}

/** A further run is made like the one before, mostly with another rate. */
function begunWith(key, before) {
  if (key !== "scouting_runs") return {};
  const begun = { name: undefined, peaks: undefined, hold_up_min: undefined }; // in the order of the form, and so of the file
  return before
    ? { ...begun, oven: structuredClone(before.oven), carrier: structuredClone(before.carrier) }
    : { ...begun, oven: { start_C: undefined, hold_min: undefined, ramps: [{ rate_C_per_min: undefined, to_C: undefined }] } };
}

function remove(text, done) {
  return make("button", { type: "button", onclick: () => {
    done();
    redraw();
  } }, text);
}

/** A table copied from a spreadsheet, kept under the name of the run. */
function pasteField(holder, place) {
  const id = `paste-${dotted(place)}`;
  const box = make("textarea", { id, rows: "4", spellcheck: "false", wrap: "off", placeholder: "compound\tretention_min\twidth_half_min\tarea" });
  box.value = tables[holder.peaks] ?? "";
  box.addEventListener("change", () => {
    delete tables[holder.peaks];
    if (box.value.trim()) {
      const stem = (holder.name ?? "").replaceAll(/[^A-Za-z0-9_-]+/g, "_").replace(/^[_-]+/, "") || `run_${place[1] + 1}`;
      holder.peaks = holder.peaks?.endsWith(".csv") ? holder.peaks : `${stem}.csv`;
      tables[holder.peaks] = box.value;
      find(`field-${dotted(place)}`).value = holder.peaks;
    }
    changed();
  });
  return make("div", { class: "paste" }, make("label", { for: id }, "or paste its peak table from a spreadsheet, with its headings"), box);
}

// ---- the form ---------------------------------------------------------------------------------------------------

function draw() {
  const keys = [...FIRST, ...Object.keys(schema.properties).filter((key) => !FIRST.includes(key))];
  const open = new Set([...find("form-parts").querySelectorAll("details[open]")].map((each) => each.dataset.key));
  find("form-file").textContent = version ? `Each key as the file has it: ${file}` : `${file} is not there yet: fill in what is needed, and write it.`;
  const parts = keys.map((key) => {
    const declared = resolved(schema.properties[key]), count = stated(tree[key]);
    const summary = make("summary", {}, make("b", {}, titled(key)), make("span", { class: "quiet", "data-count": key }));
    const always = isTable(declared) && (!declared.required?.length || (schema.required ?? []).includes(key));
    const inside = always ? fields((tree[key] ??= {}), declared, [key]) : [part(tree, key, schema.properties[key], [key], false)];
    const showing = open.size ? open.has(key) : OPEN.includes(key) || count > 0;
    return make("details", { "data-key": key, open: showing }, summary, always ? wrong([key]) : "", make("div", { class: "keys" }, ...inside));
  });
  find("form-parts").replaceChildren(...parts);
  counts();
  for (const each of find("form-parts").querySelectorAll(".rare")) each.open = open.has(each.dataset.key);
}

/** Beside the heading of a part: how much of it the file states. */
function counts() {
  for (const each of document.querySelectorAll("#form-parts [data-count]")) {
    const { count: key } = each.dataset, count = stated(tree[key]), declared = schema.properties[key];
    const none = (schema.required ?? []).includes(key) ? "to fill in" : declared.type === "array" ? "none" : declared.type === "string" ? "" : "as usual";
    each.textContent = count ? (declared.type === "string" ? "" : ` ${count} stated`) : ` ${none}`;
  }
}

const stated = (value) => (value === undefined ? 0 : Array.isArray(value) ? value.length : typeof value === "object" ? Object.keys(value).length : 1);

function redraw(focus = null) {
  draw();
  if (focus) document.getElementById(focus)?.focus();
  changed();
}

function changed() {
  clearTimeout(soon);
  counts();
  find("form-said").textContent = "";
  soon = setTimeout(check, CHECK);
}

/** What is sent: tables that say nothing are left out where neither file nor schema has them. */
function document_() {
  const made = structuredClone(tree);
  for (const [key, value] of Object.entries(made)) {
    const empty = value && typeof value === "object" && !stated(value);
    if (empty && !headed.has(key) && !(schema.required ?? []).includes(key)) delete made[key];
  }
  return { tree: made, tables: Object.fromEntries(Object.entries(tables).filter(([name]) => (tree.scouting_runs ?? []).some((run) => run.peaks === name))), version };
}

async function check() {
  latest += 1;
  const own = latest;
  try {
    const found = await ask("check-form", document_());
    if (own === latest) tell(found);
  } catch (error) {
    if (error instanceof Refused && own === latest) find("form-refused").textContent = error.message;
  }
}

function tell({ problems, warnings = [] }) {
  find("form-refused").textContent = "";
  for (const each of document.querySelectorAll("#form-parts [data-wrong]")) each.textContent = "";
  for (const each of document.querySelectorAll("#form-parts [aria-invalid]")) each.removeAttribute("aria-invalid");
  const elsewhere = [];
  const told = pressed ? problems : problems.filter((each) => !/ is missing\b/.test(each.text));
  for (const each of told) {
    const text = each.text.startsWith(`${file}: `) ? each.text.slice(file.length + 2) : each.text;
    const place = nearest(each.at);
    if (!place) {
      elsewhere.push(each.text);
      continue;
    }
    place.append(make("span", {}, text), make("br"));
    for (let box = place.closest("details"); box; box = box.parentElement.closest("details")) box.open = true;
    document.getElementById(`field-${place.dataset.wrong}`)?.setAttribute("aria-invalid", "true");
  }
  list("form-problems", elsewhere);
  list("form-warnings", warnings);
  const blank = [...document.querySelectorAll("#form-parts [data-needed]")].filter((each) => !each.value).length;
  const missing = Math.max(problems.length - told.length, problems.length && !pressed ? blank : 0);
  find("form-state").textContent = problems.length ? `${told.length ? `${told.length} to correct` : ""}${told.length && missing ? ", " : ""}${missing ? `${missing} still to fill in` : ""}.` : "Nothing is wrong with it.";
}

/** The place for a message: that of its key, else of the table around it. */
function nearest(at) {
  for (let key = at; key; key = key.includes(".") || key.includes("[") ? key.replace(/(\.[^.[]+|\[\d+\])$/, "") : "") {
    const found = document.querySelector(`#form-parts [data-wrong="${CSS.escape(key)}"]`);
    if (found) return found;
  }
  return null;
}

find("write-form").addEventListener("click", async () => {
  clearTimeout(soon);
  pressed = true;
  latest += 1;
  find("form-state").textContent = "";
  find("form-said").textContent = "Checking and writing.";
  const found = await askFor("write-form", document_(), "form-refused");
  find("form-said").textContent = "";
  if (!found) return;
  tell(found);
  if (!found.written) {
    document.querySelector("#form-parts [aria-invalid]")?.focus();
    find("form-said").textContent = "Nothing was written: see beside the fields.";
    return;
  }
  await readForm();
  const runs = (tree.scouting_runs ?? []).length;
  find("form-said").textContent = `Written: ${found.written.join(", ")}.${runs ? " Fitting the runs." : " Next: work out which run to make first, under Campaign."}`;
  await page.written(runs ? "program" : null);
});
find("read-form").addEventListener("click", readForm);
