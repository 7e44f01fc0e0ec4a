// A car's setups as pictures and tables: over time, and their curves over each other.

import { ask } from "./ask.js";
import { chart } from "./chart.js";
import { el } from "./dom.js";
import { called } from "./lists.js";
import { moreButton } from "./paged.js";
import { csvButton, section, table, unfold } from "./show.js";
import { UNITS, count, date, inSentence, known, number, percent, rpm, standard } from "./say.js";

const MOST_ROWS = 12; // up to so many setups a row each, more over time (our choice)
const MOST_CURVES = 6; // as many as the chart has dashes for
const LONGEST_WORDS = 36; // letters that fit above a row on a telephone
const MOST_TURNS = 6; // changes of state written into the picture

export const fittedWords = (slugs, named) => slugs.map((slug) => inSentence(called(named, slug))).join(", ");

export const stateWords = ({ parts, parts_known: sure }, named) =>
  parts.length ? fittedWords(parts, named) : sure === "complete" ? "stock" : "parts not known";

const short = (text, most) => (text.length > most ? `${text.slice(0, most - 1)}…` : text);

/* Over time */

export function overTime(about) {
  const { list, path, asked, tag } = about;
  const box = el("div");
  const draw = () => {
    const words = `${list.next ? "The newest " : "All "}${count(list.items.length, "setup")} as a table`;
    box.replaceChildren(picture(about), unfold(words, statesTable(about)));
  };
  const take = ({ items }, next) => {
    list.items.push(...items);
    list.next = next;
    draw();
  };
  draw();
  return section(
    "Every setup over time",
    { id: "readings" },
    box,
    moreButton(list.next, "Older setups", take),
    csvButton(`${path}/states`, { ...asked, limit: 500 }, `states-${tag}`),
  );
}

// Why a setup is not held against the others; null where it is.
function apart(state, own) {
  if (state.struck) return `struck: ${state.struck}`;
  if (state.doubts.length) return "doubted, not confirmed";
  if (!state.pulls) return "no pull counts";
  return state.standard === own.standard ? null : `within its visit only: not corrected to ${standard(own.standard)}`;
}

function picture({ list, own, named, name, tag, asked, rooms }) {
  const shown = list.items.filter(({ mean }) => known(mean)).reverse();
  if (!shown.length) return el("p", { class: "state" }, "No setup has a figure of this measure.");
  const bays = new Set(shown.map(({ bay }) => bay)).size;
  const levelled = bays > 1 && shown.every((state) => apart(state, own) || known(state.levelled));
  const value = (state) => (levelled && known(state.levelled) ? state.levelled : state.mean);
  const rows = shown.map((state, order) => ({ ...row(state, order, value(state), own, named), bay: called(rooms, state.bay) }));
  const at = levelled ? "what the bays differ by taken out (so a mark may lie beside the figure that was read)" : bays > 1 ? "as it read: the bays may differ" : "as it read";
  const spreads = shown.length <= MOST_ROWS && rows.some(({ low }) => known(low)) ? " The line is one standard deviation of its pulls to each side." : "";
  const hollow = rows.some(({ struck }) => struck) ? ` A hollow mark is not held against the others: struck, doubted, or not corrected to ${standard(own.standard)}.` : "";
  const caption = `What the car read in each setup, ${name}, ${at}. The shape says which bay.${hollow}${spreads}`;
  const spoken = `${count(rows.length, "setup")} of ${tag}, from ${number(Math.min(...rows.map((one) => one.value)), 1)} to ${number(Math.max(...rows.map((one) => one.value)), 1)} ${name}.`;
  const options = { spoken, file: `readings-${tag}-${asked.measure}` };
  if (rows.length <= MOST_ROWS) return chart("car-rows", name, { rows }, caption, options);
  const found = turns(shown, own);
  const marks = found.map(({ at: when, label }) => ({ at: when, label }));
  const numbered = found.length ? " Dashed and numbered: where what is fitted was changed." : "";
  return el("div", {}, chart("car-levels", name, { points: rows, turns: marks }, caption + numbered, options), turnsList(found, named));
}

function row(state, order, value, own, named) {
  const half = known(state.spread) && known(state.mean) ? (state.spread / state.mean) * value : null;
  const day = new Date(state.at).toISOString().slice(0, 10);
  return {
    order,
    at: state.at,
    label: day + " ".repeat(order), // rows of one day stay apart
    words: short(stateWords(state, named), LONGEST_WORDS),
    value,
    low: half && value - half,
    high: half && value + half,
    struck: apart(state, own) !== null,
    tip: apart(state, own) ?? "counts",
  };
}

// Changes of state, numbered in the picture and said below it: their words would run into each other there.
function turns(shown, own) {
  const changed = shown.filter((state) => !apart(state, own) && (state.fitted?.length || state.removed?.length));
  return changed.slice(-MOST_TURNS).map((state, k) => ({ state, at: state.at, label: String(k + 1) }));
}

const turnsList = (found, named) =>
  found.length ? el("ol", {}, found.map(({ state }) => el("li", {}, `${date(state.at)}: ${changes(state, named)}`))) : null;

function statesTable({ list, own, named, name, rooms }) {
  const aside = (words) => el("span", { class: "aside" }, words);
  const rows = list.items.map((state) => [
    [`${date(state.at)}, setup ${state.n}`, aside([state.label, called(rooms, state.bay)].filter(Boolean).join(", "))],
    stateWords(state, named),
    changes(state, named),
    `${number(state.pulls)} of ${number(state.pulls_posted)}`,
    [number(state.mean, 1), known(state.spread_percent) ? aside(`spread ${percent(state.spread_percent, 1)}`) : ""],
    known(state.best) ? number(state.best, 1) : "–",
    known(state.levelled) ? number(state.levelled, 1) : "not known",
    state.standing ?? "no pull counts",
    apart(state, own) ?? "counts",
  ]);
  const heads = ["setup", "fitted", "changed before it", "pulls counted", `mean, ${name}`, `best, ${name}`, `without its bay's offset, ${name}`, "corrected", "counts"];
  const words = heads.map((_, i) => ![3, 4, 5, 6].includes(i));
  return table("Every setup, newest first", heads, rows, words, true);
}

function changes({ fitted, removed }, named) {
  if (fitted === null) return "the first";
  const said = [fitted.length && `fitted ${fittedWords(fitted, named)}`, removed.length && `removed ${fittedWords(removed, named)}`];
  return said.filter(Boolean).join("; ") || "nothing";
}

/* Curves over each other */

export function curvesSection(about) {
  const { list, own } = about;
  const chosen = new Set(first(list.items));
  const box = el("div");
  const quantity = { now: own.question.measure.includes("torque") ? "torque" : "power" };
  const draw = () => overlay(about, [...chosen], quantity.now, box);
  draw();
  return section(
    "Curves over each other",
    { id: "curves" },
    el("p", { class: "screen" }, `Choose up to ${MOST_CURVES} setups.`),
    el("fieldset", { class: "choices screen" }, el("legend", {}, "Setups"), list.items.map((state) => choice(state, about, chosen, draw))),
    quantities(quantity, draw),
    box,
  );
}

// To begin with: the newest setup and the newest one in another state, else the two newest.
function first(items) {
  const good = items.filter(({ struck, mean }) => !struck && known(mean));
  const other = good.find(({ parts }) => String(parts) !== String(good[0].parts)) ?? good[1];
  return [good[0], other].filter(Boolean).map(({ setup }) => setup);
}

function choice(state, { named }, chosen, draw) {
  const pick = ({ currentTarget: box }) => {
    if (box.checked && chosen.size >= MOST_CURVES) {
      box.checked = false;
      box.setCustomValidity(`${MOST_CURVES} are chosen already; take one away first`);
      box.reportValidity();
      return box.setCustomValidity("");
    }
    box.checked ? chosen.add(state.setup) : chosen.delete(state.setup);
    return draw();
  };
  const box = el("input", { type: "checkbox", checked: chosen.has(state.setup), onchange: pick });
  return el("label", {}, box, ` ${date(state.at)}, setup ${state.n}: ${stateWords(state, named)}${state.struck ? " (struck)" : ""}`);
}

function quantities(quantity, draw) {
  const pick = ({ currentTarget }) => {
    quantity.now = currentTarget.value;
    draw();
  };
  const radio = (value, words) => el("label", {}, el("input", { type: "radio", name: "curve-of", value, checked: quantity.now === value, onchange: pick }), ` ${words}`);
  return el("fieldset", { class: "choices screen" }, el("legend", {}, "Draw"), radio("power", "power"), radio("torque", "torque"));
}

async function overlay({ list, own, named, tag, rooms }, chosen, quantity, box) {
  const turn = (box.turn = (box.turn ?? 0) + 1);
  box.setAttribute("aria-busy", "true");
  try {
    const states = list.items.filter(({ setup }) => chosen.includes(setup));
    const read = await Promise.all(states.map(({ setup }) => ask(`${setup}/curve`, { units: own.units, standard: own.standard })));
    if (turn === box.turn) box.replaceChildren(...lines(states, read, quantity, { own, named, tag, rooms }));
  } catch (fault) {
    if (turn === box.turn) box.replaceChildren(el("p", { role: "alert" }, `Not drawn: ${fault.message}`));
  } finally {
    if (turn === box.turn) box.removeAttribute("aria-busy");
  }
}

function lines(states, read, quantity, { own, named, tag, rooms }) {
  const name = UNITS[own.units][quantity];
  const curves = read.map(({ curve }) => (curve?.rpm ?? []).map((speed, i) => ({ rpm: speed, value: curve[quantity][i] })).filter(({ value }) => known(value)));
  if (!curves.some(({ length }) => length)) return [el("p", { class: "state" }, states.length ? "Peak figures only: no curve was kept." : "Choose a setup to draw its curve.")];
  const rows = curves.flatMap((points, k) => points.map((point) => ({ line: String(k + 1), ...point })));
  // The numbers stand apart along the speed axis, so that curves close to each other can still be told.
  const ends = curves.flatMap((points, k) => (points.length ? [{ line: String(k + 1), ...points[Math.floor(points.length * (0.3 + 0.11 * k))] }] : []));
  const caption = `${quantity === "power" ? "Power" : "Torque"} at the wheels over engine speed, ${name}: means of the pulls that count. The axis does not begin at nought.`;
  const legend = states.map((state, k) => el("li", {}, `${date(state.at)}, setup ${state.n}, ${called(rooms, state.bay)}: ${stateWords(state, named)}, ${standing(read[k])}${curves[k].length ? "" : " (no curve was kept)"}`));
  return [
    chart("car-curves", name, { curves: rows, ends }, caption, { file: `curves-${tag}`, spoken: `${count(curves.length, "curve")} over engine speed` }),
    el("ol", {}, legend),
    unfold("These curves as a table", curveTable(curves, name)),
    ...states.map((state, k) => csvButton(`${state.setup}/curve`, { units: own.units }, `curve-${tag}-${k + 1}`, `Save curve ${k + 1} (CSV)`)),
  ];
}

const standing = ({ standing: words }) => words ?? "no pull counts";

function curveTable(curves, name) {
  const at = curves.map((points) => new Map(points.map(({ rpm: speed, value }) => [speed, value])));
  const speeds = [...new Set(at.flatMap((values) => [...values.keys()]))].filter((speed) => speed % 250 === 0).sort((a, b) => a - b);
  const rows = speeds.map((speed) => [rpm(speed), ...at.map((values) => (values.has(speed) ? number(values.get(speed), 1) : "–"))]);
  return table(`Every 250 rpm, ${name}`, ["engine speed", ...curves.map((_, k) => `curve ${k + 1}`)], rows);
}
