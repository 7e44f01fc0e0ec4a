// Asking the ledger, and its states: waiting, slow, failed, locked.

import { el } from "./dom.js";
import { TOKEN, remember, remembered } from "./kept.js";

const SLOW_MS = 4000;
const GIVE_UP_MS = 30000;
const MOST_PAGES = 20;

export class Trouble extends Error {
  constructor(status, problem = {}) {
    super(problem.detail ?? problem.title ?? `status ${status}`);
    this.status = status;
    this.problem = problem;
  }
}

export async function fetched(path, parameters, signal, accept = "application/json") {
  const address = new URL(path, location.origin);
  for (const [name, value] of Object.entries(parameters)) if (value) address.searchParams.set(name, value);
  const token = remembered("sessionStorage", TOKEN);
  const headers = { Accept: accept, ...(token && { Authorization: `Bearer ${token}` }) };
  const response = await fetch(address, { headers, signal });
  if (response.ok) return response;
  throw new Trouble(response.status, await response.json().catch(() => ({})));
}

export const ask = async (path, parameters, signal) => (await fetched(path, parameters, signal)).json();

export async function askAll(path, parameters, signal) {
  const items = [];
  let next = path;
  for (let page = 0; next && page < MOST_PAGES; page += 1) {
    const response = await fetched(next, page ? {} : { limit: 500, ...parameters }, signal);
    items.push(...(await response.json()).items);
    const link = /<([^>]+)>\s*;[^,]*rel="?next"?/.exec(response.headers.get("Link") ?? "");
    const address = link && new URL(link[1], location.origin);
    next = address && address.pathname + address.search;
  }
  return items;
}

/* States */

// Returns a function which does `work(signal)`, shows how it goes in `place`, and replaces an older one.
export function answering(place, more, work) {
  let current = null;
  return async function again() {
    current?.abort();
    const mine = new AbortController();
    current = mine;
    more.setAttribute("aria-busy", "true");
    place.replaceChildren(el("p", { class: "state" }, "Asking the ledger …"));
    const slow = setTimeout(() => showSlow(place, again), SLOW_MS);
    const end = setTimeout(() => mine.abort("too long"), GIVE_UP_MS);
    try {
      await work(mine.signal);
    } catch (fault) {
      if (current === mine) showTrouble(place, more, fault, again);
    } finally {
      clearTimeout(slow);
      clearTimeout(end);
      if (current === mine) more.removeAttribute("aria-busy");
    }
  };
}

const againButton = (again, label = "Ask again") => el("button", { type: "button", onclick: again }, label);

function showSlow(place, again) {
  const words = "Still asking. The ledger is slow to answer; it may be busy, or the network weak.";
  place.replaceChildren(
    el("div", { class: "state" }, el("p", {}, words), againButton(again, "Stop and ask again")),
  );
}

export function showTrouble(place, more, fault, again) {
  more.replaceChildren();
  if (fault.status === 401 || fault.status === 403) return showLocked(place, fault, again);
  const said = fault.status
    ? refusal(fault)
    : ["The ledger did not answer. It may be switched off, or the network down."];
  if (!fault.status && !(fault instanceof TypeError) && fault !== "too long") console.error(fault);
  return place.replaceChildren(
    el(
      "div",
      { class: "notice trouble" },
      said.map((line) => el("p", {}, line)),
      againButton(again),
    ),
  );
}

function refusal({ status, problem, message }) {
  if (status >= 500) {
    const number = problem.instance ? ` Tell whoever looks after it this number: ${problem.instance}` : "";
    return [`The ledger failed while answering; your question is not at fault.${number}`];
  }
  if (status === 429) return ["The ledger has been asked too often. Wait a minute, then ask again."];
  const faults = (problem.errors ?? []).map((error) => error.detail);
  return [
    status === 404 ? `Not in the ledger: ${message}` : `The ledger cannot answer this: ${message}`,
    ...faults,
  ];
}

function showLocked(place, { status }, again) {
  const field = el("input", { id: "token", type: "password", autocomplete: "off", required: true });
  const use = (event) => {
    event.preventDefault();
    remember("sessionStorage", TOKEN, field.value.trim());
    again();
  };
  const held = remembered("sessionStorage", TOKEN);
  const why =
    status === 403
      ? "This token may not read answers."
      : held
        ? "This token is not valid, or no longer."
        : "";
  place.replaceChildren(
    el(
      "form",
      { class: "notice", onsubmit: use },
      el(
        "p",
        {},
        `${why} This ledger answers only with a read token. Ask whoever looks after it for one. `,
        "It is kept in this tab only and forgotten when the tab is closed.",
      ),
      el("label", { for: "token" }, "Read token"),
      field,
      el("button", { type: "submit" }, "Use this token"),
    ),
  );
}

// While a token is kept there is a way to drop it.
function offerToForget() {
  if (!remembered("sessionStorage", TOKEN)) return;
  const forget = () => {
    sessionStorage.removeItem(TOKEN);
    location.reload();
  };
  const button = el("button", { type: "button", class: "quiet", onclick: forget }, "Forget the token");
  document
    .querySelector("footer")
    .append(el("p", { class: "screen" }, "A read token is kept in this tab. ", button));
}

offerToForget();
