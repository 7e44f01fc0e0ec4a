// How far the bays agree: a sentence, the offsets, the car or the bay, the check cars, repeats, what happened, shared cars.

import { whoMay } from "./access.js";
import { answering, ask } from "./ask.js";
import { days } from "./bays-days.js";
import { chart } from "./chart.js";
import { byId, el } from "./dom.js";
import { choose, fill, onQuestion, question } from "./form.js";
import { carPage, link, oddPage, setupOf } from "./links.js";
import { bays, option, wanted } from "./lists.js";
import { changeSection, corrected, correctionsSection } from "./mend-bay.js";
import { count, date, inList, inPercent, known, number, percent, tied } from "./say.js";
import { addressNote, cautionBox, csvButton, facts, jump, section, table, unfold, unfoldLater } from "./show.js";

const form = byId("question");
const place = byId("answer");
const more = byId("more");
const DAY_MS = 86400000;
const held = { said: null };
const TALLEST = 3; // times a bay's own repeatability: what is drawn of an interval (our choice)

const show = answering(place, more, async (signal) => {
  const [rows, answer, caller] = await Promise.all([bays(signal), ask("/v1/bay-agreement", {}, signal), whoMay()]);
  choose(form.elements.bay, [{ options: rows.map(option) }], wanted(form, "bay"), "The one used last");
  const asked = question(form);
  const bay = asked.bay || newest(answer.items)?.bay;
  const [today, found] = await Promise.all([bay ? days(bay, asked.day, signal) : null, corrected(rows, caller, signal)]);
  present(answer, today, { caller, corrected: found, again });
});

// Show all again, with what was just done said first.
function again(_, said = null) {
  held.said = said;
  return show();
}

// The bay that was posted to last.
const newest = (items) =>
  items.reduce((last, one) => (one.last_post && (!last || one.last_post > last.last_post) ? one : last), null);

function present(answer, today, about) {
  const done = held.said && el("div", { class: "notice done", tabindex: "-1" }, el("p", {}, held.said));
  held.said = null;
  place.replaceChildren(...[done, el("div", { class: "answer" }, el("p", { class: "headline" }, tied(answer.said)))].filter(Boolean));
  document.title = "Do the bays agree? · Bayledger";
  const parts = answer.items.length
    ? [cautionBox(answer), agreement(answer), today, checked(answer), repeats(answer), happened(answer), correctionsSection(about), shared(answer), footnote(answer)]
    : [cautionBox(answer), correctionsSection(about)];
  more.replaceChildren(...[...parts, changeSection(about), addressNote()].filter(Boolean));
  if (done) return done.focus();
  return jump();
}

/* Agreement */

const sure = (answer) => `${inPercent(answer.level)}\u00a0% sure`;
const range = (interval, places, plus = true) => (interval ? interval.map((end) => percent(end, places, plus)).join(" to ") : null);
const withRange = (value, interval, places, plus) => (known(value) ? `${percent(value, places, plus)} (${range(interval, places, plus)})` : null);

function ago(text, answer) {
  if (!text) return "never";
  const gone = Math.floor((new Date(answer.as_of) - new Date(text)) / DAY_MS);
  return `${date(text)}, ${gone < 1 ? "today" : `${count(gone, "day")} ago`}`;
}

function agreement(answer) {
  const rows = answer.items.map(({ name, offset_percent: value, interval }, order) => ({
    order,
    label: name,
    value,
    low: interval?.[0],
    high: interval?.[1],
    nought: 0,
    word: "not comparable",
  }));
  const caption = `How much each bay reads now over the mean of the bays over all their time, in percent. Bar: ${sure(answer)}. Upright line: that mean; a bay that was adjusted has left it, so the bars need not balance about it.`;
  const said = rows.map(({ label, value }) => `${label}: ${known(value) ? percent(value, 1, true) : "not comparable"}`).join("; ");
  const line = (bay) => [
    bay.name,
    bay.state_words,
    ago(bay.last_post, answer),
    withRange(bay.offset_percent, bay.interval, 1, true) ?? "not comparable",
    withRange(bay.drift_percent_per_year, bay.drift_interval, 1, true) ?? "not known",
    withRange(bay.repeatability_percent, bay.repeatability_interval, 2, false) ?? "not known",
    `${number(bay.cars_shared)} of ${number(bay.cars)}`,
    link(oddPage({ bay: bay.bay }), "odd ones", `odd ones in ${bay.name}`),
  ];
  const heads = ["bay", "by its check car", "last post", "reads over the mean", "drift a year", "scatter of one pull", "cars since then, also in another bay", "what is odd"];
  return section(
    "How far they agree",
    { id: "offsets" },
    chart("bays-offsets", "%", { rows, nought: [{ value: 0 }] }, caption, { spoken: `${caption} ${said}.` }),
    table(`Each bay since anything was last recorded about it (intervals: ${sure(answer)})`, heads, answer.items.map(line), heads.map(() => true), true),
    csvButton("/v1/bay-agreement", {}, "bays"),
    answer.shop ? unfold("The whole shop, in the terms of ISO 5725", precision(answer)) : null,
  );
}

function precision({ shop, check_cars_alone: alone }) {
  const pull = (name) => `${percent(shop[`${name}_percent`], 2)}${known(shop[`${name}_limit_percent`]) ? `; two pulls keep within ${percent(shop[`${name}_limit_percent`], 1)} 95 times in 100` : ""}`;
  return facts([
    ["One pull after the other (repeatability)", pull("repeatability")],
    ["Strapped down again (intermediate)", pull("intermediate")],
    ["In another bay, as it reads (reproducibility)", pull("reproducibility")],
    ["In another bay, the bays' means allowed for", pull("reproducibility_levelled")],
    ["By the check cars alone, means of setups", alone ? `${percent(alone.repeatability_percent, 2)} in one bay, ${percent(alone.reproducibility_percent, 2)} across the bays` : null],
  ]);
}

/* Check cars */

function checked(answer) {
  const one = (bay) => [
    el("p", {}, el("strong", {}, `${bay.name}. `), tied(bay.said)),
    bay.check_car ? unfoldLater(`${bay.name}: ${count(bay.check_car.readings.length, "reading")} of ${bay.check_car.vehicle}`, () => el("div", {}, checkChart(bay), checkTable(bay))) : null,
  ];
  return section("What the check cars say", { id: "checks" }, answer.items.map(one));
}

const STATE = { first: "first reading", inside: "inside", warning: "warning", outside: "outside: stop publishing" };

function checkChart({ bay, name, check_car: { vehicle, readings } }) {
  const rows = readings.map((one) => ({ at: one.at, value: one.deviation_percent, warning: one.warning_percent, limit: one.limit_percent, state: one.state, word: STATE[one.state] }));
  const last = rows.at(-1);
  const ends = [["warning", last.warning], ["limit", last.limit]].map(([word, value]) => ({ at: last.at, value, word }));
  const caption = `${vehicle} in ${name}: each reading against those before it since anything was recorded about the bay, in percent. Dashed: warning. Solid: limit. Diamond: beyond the warning line. Cross: beyond the limit.`;
  return chart("bays-checks", "%", { readings: rows, ends, nought: [{ value: 0 }] }, caption, { file: `check-car-${bay}` });
}

function checkTable({ name, check_car: { vehicle, readings } }) {
  const line = (one) => [
    date(one.at),
    percent(one.deviation_percent, 1, true),
    percent(one.warning_percent, 1),
    percent(one.limit_percent, 1),
    STATE[one.state],
    link(carPage({ tag: vehicle, session: setupOf(one.setup).session }), "visit", `visit of ${date(one.at)}`),
  ];
  return table(`${vehicle} in ${name}, newest first`, ["measured", "reads", "warning at", "limit", "state", "record"], readings.map(line).reverse(), [false, false, false, false, true, true], true);
}

/* Repeats */

function repeats(answer) {
  const one = (bay) => [
    el("p", {}, el("strong", {}, `${bay.name}. `), tied(bay.repeatability_said)),
    bay.repeatability_by_quarter.length ? unfoldLater(`${bay.name}, quarter by quarter`, () => el("div", {}, ...quarters(bay, answer))) : null,
  ];
  return section("How well each bay repeats", { id: "repeats" }, answer.items.map(one));
}

function quarters({ bay, name, repeatability_percent: whole, repeatability_by_quarter: list }, answer) {
  const drawn = (value) => Math.min(value, TALLEST * whole); // a quarter of three pulls says next to nothing
  const rows = list.map((one) => ({ at: one.from, value: drawn(one.repeatability_percent), low: one.interval[0], high: drawn(one.interval[1]), pulls: one.pulls }));
  const caption = `${name}: how far one pull lies from its setup's mean, by quarter, in percent. Upright lines: ${sure(answer)}, cut at three times the usual. Dashed: over all time.`;
  const line = (one) => [one.quarter.replace("-", " "), percent(one.repeatability_percent, 2), range(one.interval, 2, false), number(one.pulls), number(one.setups)];
  return [
    chart("bays-repeats", "%", { quarters: rows, whole: [{ value: whole }] }, caption, { file: `repeatability-${bay}` }),
    unfold("As a table", table(`${name}: scatter of one pull, by quarter`, ["quarter", "scatter of one pull", sure(answer), "pulls", "setups"], list.map(line).reverse(), undefined, true)),
  ];
}

/* What happened when */

function happened(answer) {
  const words = (kind) => (kind === "other" ? "other work" : kind.replaceAll("-", " "));
  const of = ({ name, steps, events, last_post: last }) => [
    ...events.map(({ at, kind }) => ({ label: name, at, kind: "event", word: `Recorded: ${inList(words(kind))}`, short: words(kind) })),
    ...steps.map(({ at, percent: size }) => ({ label: name, at, kind: "step", word: `Step of ${percent(size, 1, true)} with nothing recorded`, short: `step ${percent(size, 1, true)}` })),
    ...(last ? [{ label: name, at: last, kind: "last", word: "Last post", short: "" }] : []),
  ];
  const marks = answer.items.flatMap(of);
  if (!marks.length) return null;
  const start = ({ repeatability_by_quarter: list, last_post: last }) => list[0]?.from ?? last;
  const rows = answer.items.map((bay, order) => ({ label: bay.name, order, first: start(bay), last: bay.last_post }));
  const caption = "When each bay was used, and what happened to it. Diamond: recorded. Triangle: a step with nothing recorded. Open circle: last post.";
  const sorted = [...marks].sort((a, b) => (a.at < b.at ? 1 : -1));
  return section(
    "What happened when",
    { id: "time" },
    chart("bays-time", "", { rows, marks }, caption),
    unfold("As a table", table("What happened, newest first", ["when", "bay", "what"], sorted.map(({ at, label, word }) => [date(at), label, word]), [true, true, true], true)),
  );
}

/* Shared cars */

function shared(answer) {
  if (!answer.shared_cars.length) return null;
  const line = ({ names, said, vehicles }) => [names.join(" and "), said, vehicles.length ? vehicles.flatMap((tag, i) => [i ? ", " : "", el("span", { class: "tag" }, tag)]) : "none"];
  return section(
    "Which bays share cars",
    { id: "shared" },
    el("p", {}, "Only a car measured in two bays tells them apart. Where none was, no number is given. Cars of all time, before a bay was adjusted too."),
    table("Every two bays", ["bays", "what they share", "cars"], answer.shared_cars.map(line), [true, true, true], true),
  );
}

const footnote = () => el("p", { class: "footnote" }, "By peak power at the wheels, from the whole history: all cars, parts and conditions allowed for.");

const load = () => {
  form.elements.bay.replaceChildren();
  fill(form);
  show();
};

onQuestion(form, show, load);
load();
