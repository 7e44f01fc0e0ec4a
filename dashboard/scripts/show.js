// Shared by every page: asking the ledger, its states (waiting, slow, failed, locked), elements, tables, charts.

const SLOW_MS = 4000;
const GIVE_UP_MS = 30000;
const TOKEN = "bayledger-token";
const UNITS = "bayledger-units";
const MOST_PAGES = 20;
// No style or evaluated code of its own (the pages forbid both); an empty data set is no fault, so errors only.
const EMBED = {
  logLevel: 1,
  ast: true,
  defaultStyle: false,
  actions: false,
  renderer: "svg",
  tooltip: { disableDefaultStyle: true },
};

export function el(tag, attributes = {}, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else node.setAttribute(name, value === true ? "" : value);
  }
  node.append(...children.flat(Infinity).filter((child) => child !== null && child !== undefined));
  return node;
}

export const byId = (id) => document.getElementById(id);

// A browser may forbid storage; then nothing is remembered, and nothing breaks.
function remembered(store, name) {
  try {
    return window[store].getItem(name);
  } catch {
    return null;
  }
}

function remember(store, name, value) {
  try {
    window[store].setItem(name, value);
  } catch {
    /* not remembered */
  }
}

/* Asking */

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

/* The question: the form and the address say the same */

export function question(form) {
  const shown = new FormData(form);
  const asked = Object.fromEntries([...shown].filter(([, value]) => value !== ""));
  for (const name of hiddenFields(form, asked.measure)) delete asked[name];
  return asked;
}

const BANDS = { band: ["from", "to"], at: ["rpm"] };

function hiddenFields(form, measure) {
  const needed = measure.startsWith("band") ? "band" : measure.endsWith("_at") ? "at" : "none";
  for (const field of form.querySelectorAll("[data-for]")) field.hidden = field.dataset.for !== needed;
  return Object.entries(BANDS).flatMap(([name, fields]) => (name === needed ? [] : fields));
}

export function fill(form) {
  const address = new URLSearchParams(location.search);
  const units = form.elements.units;
  units.value = address.get("units") ?? remembered("localStorage", UNITS) ?? "";
  for (const name of ["measure", "from", "to", "rpm", "baseline", "value"]) {
    const control = form.elements[name];
    if (control)
      control.value = address.get(name) ?? control.defaultValue ?? control.options?.[0].value ?? "";
  }
  if (form.elements.measure.selectedIndex < 0) form.elements.measure.selectedIndex = 0;
  hiddenFields(form, form.elements.measure.value);
}

export function onQuestion(form, changed, refill) {
  const address = () => `?${new URLSearchParams(question(form))}`;
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    if (address() !== location.search) history.pushState(null, "", address());
    changed(null);
  });
  form.addEventListener("change", (event) => {
    if (!form.checkValidity() || event.target.id === "token") return;
    if (event.target.name === "units") remember("localStorage", UNITS, event.target.value);
    history.replaceState(null, "", address());
    changed(event.target.name);
  });
  window.addEventListener("popstate", refill);
}

export function choose(select, groups, wanted, prompt) {
  const option = ({ value, label }) => el("option", { value, selected: value === wanted }, label);
  const filled = groups.filter(({ options }) => options.length);
  const lists = filled.map(({ name, options }) =>
    name ? el("optgroup", { label: name }, options.map(option)) : options.map(option),
  );
  const known = groups.some(({ options }) => options.some(({ value }) => value === wanted));
  const unknown = wanted && !known ? [option({ value: wanted, label: `${wanted} (not in the ledger)` })] : [];
  select.replaceChildren(...[prompt ? el("option", { value: "" }, prompt) : [], unknown, lists].flat(3));
}

/* Parts of an answer */

export function section(title, ...children) {
  return el("section", {}, el("h2", {}, title), children);
}

// `stacked`: on a narrow screen each row becomes a block, each cell with its column's name; the roles keep it a table.
export function table(caption, heads, rows, words = heads.map(() => false), stacked = false) {
  const role = (name) => (stacked ? { role: name } : {});
  const cells = (row) =>
    row.map((cell, i) =>
      el(
        i ? "td" : "th",
        {
          scope: i ? null : "row",
          class: words[i] ? "words" : null,
          "data-head": stacked ? heads[i] : null,
          ...role(i ? "cell" : "rowheader"),
        },
        cell,
      ),
    );
  return el(
    "div",
    { class: "scroll", tabindex: "0", role: "region", "aria-label": caption },
    el(
      "table",
      { class: stacked ? "stacked" : null, ...role("table") },
      el("caption", {}, caption),
      el(
        "thead",
        role("rowgroup"),
        el(
          "tr",
          role("row"),
          heads.map((head, i) =>
            el("th", { scope: "col", class: words[i] ? "words" : null, ...role("columnheader") }, head),
          ),
        ),
      ),
      el(
        "tbody",
        role("rowgroup"),
        rows.map((row) => el("tr", role("row"), cells(row))),
      ),
    ),
  );
}

export function unfold(title, ...children) {
  return el("details", {}, el("summary", {}, title), children);
}

// As `unfold`, for what is long: made only once it is opened.
export function unfoldLater(title, make) {
  const node = unfold(title);
  node.addEventListener("toggle", () => node.append(make()), { once: true });
  return node;
}

export function facts(rows) {
  const known = rows.filter(([, value]) => value !== null && value !== undefined);
  return el(
    "dl",
    {},
    known.map(([term, value]) => el("div", {}, el("dt", {}, term), el("dd", {}, value))),
  );
}

const GENERAL = /^(Boosted engine|Diesel engine|The bays)/; // true of many answers, not of this one alone
const bare = (text) => text.toLowerCase().replace(/[^a-z0-9]+/g, " ").trim();

// What stands in the page's foot is not said twice; what is about this answer comes first.
export function cautionsHere(cautions) {
  const foot = bare(document.querySelector("footer").textContent);
  const here = (cautions ?? []).filter((words) => !foot.includes(bare(words)));
  return here.sort((a, b) => GENERAL.test(a) - GENERAL.test(b));
}

export function cautionBox(answer) {
  const cautions = cautionsHere(answer.cautions);
  if (!cautions.length) return null;
  return el(
    "section",
    { class: "cautions" },
    el("h2", {}, "Keep in mind"),
    el(
      "ul",
      {},
      cautions.map((words) => el("li", {}, words)),
    ),
  );
}

// On paper only: where this answer can be asked again.
export const addressNote = () =>
  el(
    "p",
    { class: "address" },
    `Asked at ${location.href} on ${new Date().toLocaleDateString("en-GB", { dateStyle: "long" })}.`,
  );

export function csvButton(path, parameters, name) {
  const save = async (event) => {
    const button = event.currentTarget;
    try {
      const content = await (await fetched(path, parameters, null, "text/csv")).blob();
      const link = el("a", { href: URL.createObjectURL(content), download: `${name}.csv` });
      link.click();
      setTimeout(() => URL.revokeObjectURL(link.href), 60000);
    } catch (fault) {
      button.after(el("span", { role: "alert" }, ` Not saved: ${fault.message}`));
    }
  };
  return el(
    "button",
    { type: "button", class: "quiet", onclick: save },
    "Save the numbers for a spreadsheet (CSV)",
  );
}

// A chart with its caption; the drawing program is fetched only now, after the words are on the page.
export function chart(name, unit, datasets, caption, spoken) {
  const canvas = el("div", { class: "chart", "aria-busy": "true" });
  draw(canvas, name, unit, datasets, spoken)
    .catch((fault) => {
      console.warn(fault);
      canvas.replaceChildren(
        el("p", { class: "state" }, "The chart could not be drawn. The table has its numbers."),
      );
    })
    .finally(() => canvas.removeAttribute("aria-busy"));
  return el("figure", {}, el("figcaption", {}, caption), canvas);
}

async function draw(canvas, name, unit, datasets, spoken) {
  const [file, { vegaEmbed }] = await Promise.all([fetch(`charts/${name}.json`), import("./vendor/vega.js")]);
  const spec = await file.json();
  spec.datasets = datasets;
  spec.params.find((parameter) => parameter.name === "unit").value = unit;
  if (spec.usermeta) spec.height = spec.usermeta.rowHeight * datasets.rows.length;
  spec.description = spoken ?? spec.description;
  await vegaEmbed(canvas, spec, EMBED);
}
