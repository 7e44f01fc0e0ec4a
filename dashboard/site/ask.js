// Asking the ledger, and its states: waiting, slow, failed, locked.

import { byId, el } from "./dom.js";
import { CHANGE, TOKEN, forget, remember, remembered } from "./kept.js";

const SLOW_MS = 4000;
const GIVE_UP_MS = 30000;
const MOST_PAGES = 20;

class Trouble extends Error {
  constructor(status, problem = {}) {
    super(problem.detail ?? problem.title ?? (status ? `status ${status}` : "the ledger did not answer"));
    this.status = status;
    this.problem = problem;
  }
}

export async function fetched(path, parameters, signal, accept = "application/json") {
  const address = new URL(path, location.origin);
  for (const [name, value] of Object.entries(parameters)) if (value) address.searchParams.set(name, value);
  const token = remembered("sessionStorage", TOKEN);
  const headers = { Accept: accept, ...(token && { Authorization: `Bearer ${token}` }) };
  return answerTo(fetch(address, { headers, signal }));
}

// No answer, or half of one, is a Trouble too, of status 0: whatever else goes wrong is a fault of the page's own.
function lost(fault) {
  throw fault instanceof TypeError ? new Trouble(0) : fault;
}

async function answerTo(request) {
  const response = await request.catch(lost);
  if (response.ok) return response;
  throw new Trouble(response.status, await response.json().catch(() => ({})));
}

const read = (response) => response.json().catch(lost);

export const ask = async (path, parameters, signal) => read(await fetched(path, parameters, signal));

// One page of a list: what it holds, and the address of the next one.
export async function pageOf(path, parameters, signal) {
  const response = await fetched(path, parameters, signal);
  const link = /<([^>]+)>\s*;[^,]*rel="?next"?/.exec(response.headers.get("Link") ?? "");
  const next = link && new URL(link[1], location.origin);
  return { body: await read(response), next: next && next.pathname + next.search };
}

export async function askAll(path, parameters, signal) {
  const items = [];
  let [next, asked] = [path, { limit: 500, ...parameters }];
  for (let page = 0; next && page < MOST_PAGES; page += 1) {
    const found = await pageOf(next, asked, signal);
    items.push(...found.body.items);
    [next, asked] = [found.next, {}];
  }
  return items;
}

// A change, or a question of the one who changes, with the token for changes (else the read token).
// Refusals come as Trouble; 412 = somebody else was faster.
export async function change(method, path, body, etag) {
  const token = remembered("sessionStorage", CHANGE) ?? remembered("sessionStorage", TOKEN);
  const request = fetch(new URL(path, location.origin), {
    method,
    headers: {
      Accept: "application/json",
      ...(token && { Authorization: `Bearer ${token}` }),
      ...(body && { "Content-Type": "application/json" }),
      ...(etag && { "If-Match": etag }),
      ...(method === "POST" && { "Idempotency-Key": newKey() }),
    },
    body: body && JSON.stringify(body),
  });
  return read(await answerTo(request));
}

const newKey = () => [...crypto.getRandomValues(new Uint32Array(4))].map((n) => n.toString(36)).join("-");

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

// What comes into an answer by itself: words until `work` brings it, or why it does not.
export function later(work, { words = "Asking the ledger …", ...attributes } = {}) {
  const place = el("div", { ...attributes, "aria-busy": "true" }, el("p", { class: "state" }, words));
  work
    .then((made) => place.replaceChildren(...[made].flat(Infinity).filter(Boolean)))
    .catch((fault) => place.replaceChildren(el("p", { role: "alert" }, `Not shown: ${fault.message}`)))
    .finally(() => place.removeAttribute("aria-busy"));
  return place;
}

const againButton = (again, label = "Ask again") => el("button", { type: "button", onclick: again }, label);

function showSlow(place, again) {
  const words = "Still asking. The ledger is slow to answer; it may be busy, or the network weak.";
  place.replaceChildren(
    el("div", { class: "state" }, el("p", {}, words), againButton(again, "Stop and ask again")),
  );
}

function showTrouble(place, more, fault, again) {
  more.replaceChildren();
  if (fault.status === 401 || fault.status === 403) return showLocked(place, fault, again);
  if (!(fault instanceof Trouble) && fault !== "too long") console.error(fault);
  return place.replaceChildren(
    el(
      "div",
      { class: "notice trouble" },
      whatWentWrong(fault).map((line) => el("p", {}, line)),
      againButton(again),
    ),
  );
}

function whatWentWrong(fault) {
  if (fault === "too long" || fault.status === 0)
    return ["The ledger did not answer. It may be switched off, or the network down."];
  return fault instanceof Trouble
    ? refusal(fault)
    : ["This page failed to show the answer; your question is not at fault. The browser's console says why."];
}

function refusal({ status, problem, message }) {
  if (status >= 500) {
    const number = problem.instance ? ` Tell whoever looks after it this number: ${problem.instance}` : "";
    return [`The ledger failed while answering; your question is not at fault.${number}`];
  }
  if (status === 429) return ["The ledger has been asked too often. Wait a minute, then ask again."];
  const faults = problem.errors ?? [];
  const once = faults.some(({ detail }) => detail === message) ? "" : message;
  const why = status === 404 ? "Not in the ledger" : "The ledger cannot answer this";
  const [first, ...rest] = [...(once ? [once] : []), ...new Set(faults.map(atField))];
  return [`${why}: ${first ?? message}`, ...rest];
}

// A fault behind the label of the field that it is about.
function atField({ parameter, detail }) {
  const label = parameter && byId("question")?.elements[parameter]?.labels?.[0]?.textContent;
  return label ? `${label}: ${detail}` : detail;
}

function showLocked(place, { status }, again) {
  const field = el("input", { id: "token", type: "password", autocomplete: "off", required: true });
  const use = (event) => {
    event.preventDefault();
    remember("sessionStorage", TOKEN, field.value.trim());
    offerToForget();
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
        `${why} This ledger answers only with a read token. Whoever runs the ledger makes one: `,
        el("code", {}, "bayledger token create --scope read --name counter"),
        ". It is kept in this tab only and forgotten when the tab is closed.",
      ),
      el("label", { for: "token" }, "Read token"),
      field,
      el("button", { type: "submit" }, "Use this token"),
    ),
  );
}

// While a token is kept there is a way to drop it, once on the page.
function offerToForget() {
  if (byId("kept-token") || !remembered("sessionStorage", TOKEN)) return;
  const drop = () => {
    forget("sessionStorage", TOKEN);
    location.reload();
  };
  const button = el("button", { type: "button", class: "quiet", onclick: drop }, "Forget the token");
  document
    .querySelector("footer")
    .append(el("p", { id: "kept-token", class: "screen" }, "A read token is kept in this tab. ", button));
}

offerToForget();
