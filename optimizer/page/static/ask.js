// Asking the server, and making what is shown: every text is set as text, so that a name is never markup.

const KEY = "rampwright-key";

export const find = (id) => document.getElementById(id);
export const hasKey = () => Boolean(sessionStorage.getItem(KEY));

export function make(tag, attributes = {}, ...inside) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith("on")) made.addEventListener(name.slice(2), value);
    else if (typeof value === "boolean") made.toggleAttribute(name, value);
    else made.setAttribute(name, value);
  }
  made.append(...inside);
  return made;
}

export function list(id, texts) {
  find(id).replaceChildren(...texts.map((each) => make("li", {}, each)));
}

/** A command as it is typed; no line ends within one of its words. */
export const command = (text) => make("code", {}, ...text.split(" ").flatMap((word, number) => [number ? " " : "", make("span", {}, word)]));

export const percent = (share) => `${share > 0.995 && share < 1 ? (100 * share).toFixed(1) : (100 * share).toFixed(0)} %`;

export class Refused extends Error {}

export async function ask(name, document_, signal) {
  let answer;
  try {
    answer = await fetch(`/ask/${name}`, {
      method: "POST",
      headers: { "Content-Type": "application/json", Authorization: `Bearer ${sessionStorage.getItem(KEY)}` },
      body: JSON.stringify(document_),
      signal,
    });
  } catch (error) {
    if (error.name !== "AbortError") gone("The server of this page has ended. What you tried is kept in this tab: start rampwright open again, and copy the set points from below.");
    throw error;
  }
  find("gone").hidden = true;
  const told = await answer.json();
  if (answer.status === 401) lock();
  if (!answer.ok) throw new Refused(told.error);
  return told;
}

/** Ask, and put what is refused into an element; null where nothing came of it. */
export async function askFor(name, document_, where) {
  try {
    find(where).textContent = "";
    return await ask(name, document_);
  } catch (error) {
    find(where).textContent = error instanceof Refused ? error.message : "The server of this page has ended.";
    return null;
  }
}

export function gone(text) {
  find("gone").textContent = text;
  find("gone").hidden = false;
}

export function lock(why = "") {
  sessionStorage.removeItem(KEY);
  find("page").hidden = true;
  find("locked").hidden = false;
  find("enter-refused").textContent = why;
  find("code").focus();
}

/** The form for the code that the terminal shows; `entered` is called once there is a key. */
export function enterWith(entered) {
  find("enter").addEventListener("submit", async (event) => {
    event.preventDefault();
    const answer = await fetch("/enter", { method: "POST", body: new URLSearchParams({ code: find("code").value }) });
    if (!answer.ok) return lock("That is not the code that works now: look at the terminal again.");
    sessionStorage.setItem(KEY, (await answer.json()).token);
    find("locked").hidden = true;
    entered();
  });
}
