// What-ifs as switches: hydrogen, another column, pairs that are ignored, compounds that are left out. All that is asked carries them.

import { find, make } from "/static/ask.js";

let hydrogen = false, column = "";
let columns = []; // {name, text} of those that the laboratory owns
let ignored = [], leftOut = [];
let page = null; // { pair(): the two enlarged now, changed() }

export function switchesOf(given) {
  page = given;
}

/** As the server takes them. */
export const switches = () => ({ hydrogen, column, ignored, left_out: leftOut });

/** For a scenario that was read; names that it no longer has go. */
export function showSwitches(scenario) {
  const known = new Set(scenario.compounds);
  ignored = ignored.filter((pair) => pair.every((each) => known.has(each)));
  leftOut = leftOut.filter((each) => known.has(each));
  const already = scenario.gas === "hydrogen";
  find("hydrogen").disabled = already;
  find("hydrogen-text").textContent = already ? "Hydrogen is the carrier gas already" : `Hydrogen instead of ${scenario.gas}`;
  ({ columns } = scenario);
  if (!columns.some((each) => each.name === column)) column = "";
  find("column-field").hidden = !columns.length;
  find("column").replaceChildren(make("option", { value: "" }, "the one in use"), ...columns.map((each) => make("option", { value: each.name }, `${each.name}, ${each.text}`)));
  find("column").value = column;
  find("leave-out").replaceChildren(make("option", { value: "" }, "choose a compound"), ...scenario.compounds.map((each) => make("option", { value: each }, each)));
  showSet();
}

/** Switches in words; empty where nothing differs. */
export function inWords(set) {
  const owned = columns.find((each) => each.name === set.column);
  return [set.hydrogen ? "hydrogen" : "", owned ? `column ${owned.name}, ${owned.text} as on its tag` : "", ...set.left_out.map((each) => `${each} left out`), ...set.ignored.map((each) => `${each.join(" and ")} ignored`)].filter(Boolean).join("; ");
}

function showSet() {
  const row = (text, label, back) => make("li", {}, `${text} `, make("button", { type: "button", "aria-label": label, onclick: () => (back(), changed()) }, "Take back"));
  find("switched").replaceChildren(
    ...leftOut.map((name) => row(`${name} left out`, `Count ${name} again`, () => { leftOut = leftOut.filter((each) => each !== name); })),
    ...ignored.map((pair) => row(`${pair.join(" and ")} ignored`, `Count ${pair.join(" and ")} again`, () => { ignored = ignored.filter((each) => each !== pair); })));
  const said = inWords(switches());
  find("what-if-said").textContent = said ? `What if: ${said}. The scenario's files are as they were${column ? ", and so is the program: search from here for one that suits that column" : ""}.` : "";
}

function changed() {
  showSet();
  page.changed();
}

find("hydrogen").addEventListener("change", (event) => {
  hydrogen = event.target.checked;
  changed();
});
find("column").addEventListener("change", (event) => {
  column = event.target.value;
  changed();
});
find("leave-out").addEventListener("change", (event) => {
  const name = event.target.value;
  event.target.value = "";
  if (!name || leftOut.includes(name)) return;
  leftOut = [...leftOut, name];
  changed();
});
find("ignore-pair").addEventListener("click", () => {
  const pair = page.pair();
  if (!pair || ignored.some((each) => String(each) === String(pair))) return;
  ignored = [...ignored, pair];
  changed();
});
