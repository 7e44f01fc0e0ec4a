// The sheet itself: laid out here, worded and judged by the ledger.

import { chart } from "./chart.js";
import { el } from "./dom.js";
import { csvButton, table, unfoldLater } from "./show.js";
import { UNITS, date, known, number, tied } from "./say.js";

export function sheet(answer, { path, ...asked }) {
  const made = el(
    "article",
    { class: "sheet", "aria-label": `Sheet ${answer.number}` },
    superseded(answer),
    head(answer),
    el("p", { class: "headline" }, tied(answer.headline)),
    pictures(answer),
    el("p", { class: "legend" }, legend(answer)),
    el("div", { class: "points" }, answer.points.map((point) => points(point, answer))),
    foot(answer),
  );
  made.className = `sheet ${size(made.textContent)}`;
  made.append(
    el("p", { class: "screen" }, csvButton(path, asked, `sheet-${answer.number}`)),
    ...(answer.curves ? [unfoldLater("The curves as a table", () => curveTable(answer))] : []),
  );
  return made;
}

function head({ title, number: code, version, changed_at: changed, b }) {
  return el(
    "div",
    { class: "sheet-head" },
    el("h2", {}, title),
    el(
      "p",
      {},
      el("strong", {}, `Sheet ${code}`),
      `, version ${version}${version > 1 ? ` of ${date(changed)}` : ""}. Tested ${date(b.date)}, printed ${today()}.`,
    ),
    el("p", { class: "by-hand" }, "Customer: ", el("span", { class: "line" }), " Signed for the shop: ", el("span", { class: "line" })),
  );
}

export const today = () => new Date().toLocaleDateString("en-GB", { dateStyle: "long" });

function superseded({ superseded: old, number: code }) {
  if (!old) return null;
  return el(
    "div",
    { class: "notice superseded", role: "alert" },
    el("p", {}, el("strong", {}, `Version ${old.version} of sheet ${code} is superseded by version ${old.by}.`)),
    el("p", {}, "Do not rely on the printed figures any more. Since then:"),
    el("ul", {}, old.changes.map(change)),
    el("p", {}, `Below stands version ${old.by}, as the ledger has it now.`),
  );
}

// Never who or why, even where the ledger told this token: a shown sheet leaves the house.
function change({ at, action, what, from, to }) {
  const moved = known(from) || known(to) ? ` from ${from ?? "nothing"} to ${to ?? "nothing"}` : "";
  return el("li", {}, `${date(at)}: ${what} ${action}${moved}.`);
}

/* Pictures */

function pictures({ curves, units, number: code }) {
  if (!curves) return el("p", { class: "state" }, "No curve: peak figures only.");
  const drawn = ["power", "torque"].map((kind) => {
    const unit = UNITS[units][kind];
    const caption = `${kind === "power" ? "Power" : "Torque"} at the wheels, ${unit}`;
    return chart("sheet-curve", unit, lines(curves, kind), caption, { file: `${kind}-${code}` });
  });
  if (curves.gain) drawn.push(gain(curves.gain, UNITS[units].power, code));
  return el("div", { class: "pictures" }, drawn);
}

function gain(found, unit, code) {
  const knots = found.rpm.map((rpm, i) => ({ rpm, gain: found.gain[i], low: found.low[i], high: found.high[i] }));
  const caption = `Gain of power, ${unit}, with interval; own axis`;
  return chart("sheet-gain", unit, { knots, nought: [{ value: 0 }] }, caption, { file: `gain-${code}` });
}

function lines(curves, kind) {
  const of = (letter) => curves[`${kind}_${letter}`];
  const letters = ["a", "b"].filter((letter) => of(letter));
  const states = letters.flatMap((letter) =>
    curves.rpm
      .map((rpm, i) => ({ rpm, value: of(letter)[i], state: letter.toUpperCase() }))
      .filter(({ value }) => known(value)),
  );
  return { states, letters: letters.length < 2 ? [] : marks(curves.rpm, of("a"), of("b")) };
}

// Each letter where the two lie furthest apart: above the higher line, below the lower one.
function marks(rpm, a, b) {
  const apart = rpm.map((_, i) => (known(a[i]) && known(b[i]) ? Math.abs(b[i] - a[i]) : -1));
  const inner = apart.map((value, i) => (i > rpm.length * 0.25 && i < rpm.length * 0.85 ? value : -1));
  const at = inner.indexOf(Math.max(...inner));
  if (inner[at] < 0) return [];
  const mark = (values, others, word) => ({ rpm: rpm[at], value: values[at], word, over: values[at] > others[at] });
  return [mark(a, b, "A"), { ...mark(b, a, "B"), over: b[at] >= a[at] }];
}

function legend({ a, b, curves }) {
  const named = (state) => state.label ?? (state.not_stock.map(({ name }) => name).join(", ") || "nothing fitted");
  const [first, second] = curves ? [" solid line", " dashed line"] : ["", ""];
  return a
    ? [el("strong", {}, "A"), `${first}: ${named(a)}. `, el("strong", {}, "B"), `${second}: ${named(b)}.`]
    : `One state: ${named(b)}.`;
}

/* The ten points */

// The more there is to say, the smaller it is set on paper, so that it stays one page.
const ROOM = [3150, 3700, 4300, 5300];
const SIZES = ["roomy", "", "crowded", "crowded2", "crowded3"];
const size = (text) => SIZES[ROOM.filter((room) => text.length > room).length];

function points({ point, title, rows }, { a }) {
  const split = a && rows.some((row) => !known(row.both));
  const cells = (row) =>
    known(row.both)
      ? el("td", { colspan: split ? 2 : null }, tied(row.both))
      : [row.a, row.b].map((words) => el("td", {}, tied(words)));
  return el(
    "section",
    { id: `point-${point}` },
    el("h3", {}, `${point} ${title}`),
    el(
      "table",
      {},
      split ? el("thead", {}, el("tr", {}, el("td", {}), ["A", "B"].map((one) => el("th", { scope: "col" }, one)))) : null,
      el(
        "tbody",
        {},
        rows.map((row) => el("tr", {}, el("th", { scope: "row" }, row.label), cells(row))),
      ),
    ),
  );
}

function foot({ notices }) {
  const { relates_only: only, no_guarantee: none, legality, safety, correction } = notices;
  return el(
    "div",
    { class: "sheet-foot" },
    [only, none, legality, safety, correction].map((line, i) => el("p", {}, i ? line : el("strong", {}, line))),
  );
}

function curveTable({ curves, units, a }) {
  const every = curves.rpm.map((rpm, i) => [rpm, i]).filter(([rpm]) => rpm % 250 === 0);
  const letters = a ? ["a", "b"] : ["b"];
  const kinds = ["power", "torque"].flatMap((kind) => letters.map((letter) => [kind, letter]));
  const heads = kinds.map(([kind, letter]) => `${a ? `${letter.toUpperCase()}, ` : ""}${kind}, ${UNITS[units][kind]}`);
  const rows = every.map(([rpm, i]) => [
    number(rpm),
    ...kinds.map(([kind, letter]) => {
      const value = curves[`${kind}_${letter}`]?.[i];
      return known(value) ? number(value, 1) : "not reached";
    }),
  ]);
  return table("Every 250 rpm", ["rpm", ...heads], rows);
}
