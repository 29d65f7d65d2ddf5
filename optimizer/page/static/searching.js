// A search from the program that is shown: begun, followed, stopped, its candidates listed and saved.

import { ask, command, find, make, percent, Refused } from "/static/ask.js";
import { inWords, switches } from "/static/switches.js";

const LOOK = 300; // ms between looks at a search
let page = null; // what the program's view does with it
let watching = false;
let under = null; // the switches of the search whose candidates are listed

/** `given`: program() shown now, show(program), behind(label, program), simulated(candidates), saved(). */
export function searchFrom(given) {
  page = given;
}

export async function watchSearch(asked = {}) {
  try {
    showSearch(await ask("search", asked));
  } catch (error) {
    if (error instanceof Refused) find("search-said").textContent = error.message;
    return;
  }
  if (watching) return;
  watching = true;
  while (find("search-box").dataset.awaited) {
    await new Promise((done) => setTimeout(done, LOOK));
    try {
      showSearch(await ask("search", {}));
    } catch {
      break;
    }
  }
  watching = false;
}

function showSearch(state) {
  const { at_work: atWork, finishing = false, candidates = [] } = state;
  find("search").hidden = atWork;
  find("stop").hidden = find("progress").hidden = !atWork;
  find("progress").value = state.share ?? 0;
  find("search-said").textContent = state.error ?? state.text ?? "";
  find("search-box").dataset.awaited = atWork || finishing ? "1" : "";
  find("save-search").hidden = atWork || finishing || !candidates.length;
  find("candidates").replaceChildren(...candidates.map((each) => make("li", {},
    `${each.run_time.toFixed(2)} min, ${each.share === null ? "–" : percent(each.share)}${each.runs ? "" : ", cannot be run"} `,
    make("button", { type: "button", "aria-label": `Show ${each.label}`, onclick: () => page.show(each.program) }, "Show"), " ",
    make("button", { type: "button", "aria-label": `Draw ${each.label} behind`, onclick: () => page.behind(each.label, each.program) }, "Draw behind"))));
  under = candidates.length ? state.what_if ?? null : null;
  showUnder();
  if (!atWork && !finishing && sameSwitches()) page.simulated(candidates); // on the way they are not simulated yet
}

const sameSwitches = () => !under || JSON.stringify(under) === JSON.stringify(switches());

/** Candidates of other switches than the page has now say so. */
export function showUnder() {
  find("searched-under").textContent = sameSwitches() ? "" : `Found with other what-ifs than are set now: ${inWords(under) || "none"}.`;
}

find("search").addEventListener("click", () => {
  find("search-saved").textContent = "";
  watchSearch({ program: page.program(), seconds: find("seconds").valueAsNumber, what_if: switches() });
});
find("stop").addEventListener("click", () => {
  find("search-said").textContent = "stopping";
  watchSearch({ stop: true });
});
find("save-search").addEventListener("click", async () => {
  find("search-saved").replaceChildren("Drawing and writing.");
  try {
    const done = await ask("save-search", {});
    find("search-saved").replaceChildren(`Written into ${done.folder}, with report.html. From a terminal: `, command(done.command));
    page.saved();
  } catch (error) {
    find("search-saved").textContent = error instanceof Refused ? error.message : "Nothing was written: the server has ended.";
  }
});
