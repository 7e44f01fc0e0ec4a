// Parts of an answer: sections, tables, facts, cautions, and saving the numbers.

import { fetched } from "./ask.js";
import { saveAs } from "./chart.js";
import { el, started } from "./dom.js";
import { tied } from "./say.js";

// An object of attributes may stand before the children: its `id` is what other pages' links end in.
export function section(title, ...children) {
  const plain = children[0]?.constructor === Object;
  return el("section", plain ? children[0] : {}, el("h2", {}, title), plain ? children.slice(1) : children);
}

// The section a link asked for stands there only once the answer is shown.
let jumped = false;
export function jump() {
  const wanted = location.hash && document.getElementById(location.hash.slice(1));
  if (wanted && !jumped) wanted.scrollIntoView();
  jumped ||= Boolean(wanted);
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

// Sentences of the ledger's own, each behind the question it answers, unless that is the `title` already.
export const answers = (items, title) =>
  items.map(({ question, answer, rows }) => [
    el("p", {}, question === title ? null : [el("em", {}, question), " "], tied(answer.join(" "))),
    list(rows),
  ]);

const list = (rows) =>
  rows?.length
    ? el(
        "ul",
        {},
        rows.map((words) => el("li", {}, tied(words))),
      )
    : null;

// What else is asked at the counter, each question a fold; `see` holds links to what it leads to.
export function asides(items, ...rest) {
  if (!items.length) return null;
  const one = ({ question, answer, see = [] }) =>
    unfold(
      question,
      answer.map((line) => el("p", {}, tied(line))),
      see.map((address) => el("p", {}, address)),
    );
  return section("Asked at the counter", { id: "asked", class: "screen" }, items.map(one), rest);
}

const GENERAL = /^(Boosted engine|Diesel engine|The bays)/; // true of many answers, not of this one alone
const bare = (text) =>
  text
    .toLowerCase()
    .replace(/[^a-z0-9]+/g, " ")
    .trim();

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

export function csvButton(path, parameters, name, label = "Save the numbers for a spreadsheet (CSV)") {
  const save = async () => {
    const content = await (await fetched(path, parameters, null, "text/csv")).blob();
    saveAs(URL.createObjectURL(content), `${name}.csv`);
  };
  const press = ({ currentTarget }) => started(currentTarget, "Not saved", save);
  return el("button", { type: "button", class: "quiet", onclick: press }, label);
}
