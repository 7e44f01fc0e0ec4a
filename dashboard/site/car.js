// One car: what it reads now and read before, what was fitted when, every visit down to its pulls.

import { answering, ask, askAll, fetched, pageOf } from "./ask.js";
import { byId, el } from "./dom.js";
import { fill, onQuestion, question } from "./form.js";
import { bays, called, parts, platforms } from "./lists.js";
import { gainPage, link, oddPage, setupOf, sheetPage, spreadPage } from "./links.js";
import { addressNote, csvButton, jump, section, table, unfold } from "./show.js";
import {
  count, date, decimals, figure, inSentence, known, measureInWords, money, number, percent, say, signed, standard, tied, unit,
} from "./say.js";
import { curvesSection, fittedWords, overTime, stateWords } from "./car-states.js";
import { visitsSection } from "./car-visits.js";
import { whoMay } from "./access.js";
import { changeSection, mendedNotice } from "./mend-car.js";

const form = byId("question");
const place = byId("answer");
const more = byId("more");
const LEAST_LETTERS = 3; // before tags are suggested: nobody's cars are listed unasked (our choice)
const SUGGESTED = 8;
const held = { open: new URLSearchParams(location.search).get("session"), said: null };

const show = answering(place, more, async (signal) => {
  const { tag: typed, ...asked } = question(form);
  if (!typed) return invite();
  const asking = pathOf(typed);
  const [{ car, etag, alias }, own, page, kinds, named, rooms, caller] = await Promise.all([
    carOf(typed, signal),
    ask(`${asking}/own-readings`, asked, signal),
    pageOf(`${asking}/states`, asked, signal),
    platforms(signal),
    parts(signal),
    bays(signal),
    whoMay(),
  ]);
  const list = { items: page.body.items, next: page.next };
  const { tag } = car;
  const path = pathOf(tag);
  const receipts = await askAll(`${path}/modifications`, {}, signal).catch(() => null);
  const kind = called(kinds, car.platform);
  const about = { tag, alias, path, etag, asked, car, own, list, kind, named, rooms, caller, receipts, again, gone, name: unit(own, own.question.measure) };
  return present(about);
});

const pathOf = (tag) => `/v1/vehicles/${encodeURIComponent(tag)}`;

// The car that a tag stands for: another one where it was merged into that.
async function carOf(tag, signal, alias = null) {
  const response = await fetched(pathOf(tag), {}, signal);
  const car = await response.json();
  return car.merged_into ? carOf(car.merged_into, signal, tag) : { car, etag: response.headers.get("ETag"), alias };
}

// Show all again, with a visit opened and what was just done said first.
function again(opened = null, said = null) {
  Object.assign(held, { open: opened, said });
  return show();
}

// The car is not to be found by its tag any more: neither field nor address names it.
function gone(said) {
  form.elements.tag.value = "";
  byId("tags").replaceChildren();
  history.replaceState(null, "", location.pathname);
  return again(null, said);
}

function invite() {
  document.title = "What was measured on this car? · Bayledger";
  more.replaceChildren();
  const words = `Type the tag of a car to see what was measured on it. No car is listed before ${LEAST_LETTERS} letters are typed.`;
  return told(el("p", { class: "state" }, words));
}

// What was just done stands before the answer, and is read aloud first.
function told(...children) {
  const done = held.said && el("div", { class: "notice done", tabindex: "-1" }, el("p", {}, held.said));
  place.replaceChildren(...[done, ...children].filter(Boolean));
  Object.assign(held, { open: null, said: null });
  return done ? done.focus() : jump();
}

function present(about) {
  document.title = `${about.tag} · Bayledger`;
  const made = about.own.setups
    ? [
        overTime(about),
        curvesSection(about),
        fittedSection(about),
        visitsSection(about, held.open),
        saveSection(about),
      ]
    : [];
  more.replaceChildren(...[...made, changeSection(about), addressNote(), footnote(about)].filter(Boolean));
  return told(mendedNotice(about), el("div", { class: "answer" }, opening(about)));
}

/* The sentences */

function opening({ own, car, kind, named, rooms, asked, name, ...about }) {
  const year = car.model_year ? `, model year ${car.model_year}` : "";
  const km = known(car.odometer_km) ? `${number(car.odometer_km)} km when last written down` : "distance not recorded";
  const what = `${about.tag}: ${kind}${year}, ${km}.`;
  if (!own.newest) {
    return el("p", { class: "lead" }, what, own.setups ? " Everything measured on it was struck." : " It was never measured here.");
  }
  return [
    el("p", { class: "headline" }, reads(own, named, asked, name)),
    ...[inItsBay(own, rooms, name), own.says.first, newer(own), own.says.standing].filter(Boolean).map((words) => el("p", {}, tied(words))),
    el("p", { class: "lead" }, what, ` Measured here at ${count(own.sessions, "visit")}, last on ${date(own.newest.at)}. ${fittedNow(own.newest, named)}`),
    ...[own.says.since, own.says.returned].filter(Boolean).map((words) => el("p", {}, tied(words))),
    ways({ tag: about.tag, own, car }),
  ];
}

function reads(own, named, asked, name) {
  const state = own.now ?? own.newest;
  if (!known(state.mean)) return `No figure of ${measureInWords({ measure: "peak_power", ...asked })} was measured on it.`;
  const half = (state.mean * own.told_apart_percent) / 100 / Math.SQRT2; // what one of two visits cannot tell
  const places = decimals([state.mean - half, state.mean + half], state.mean);
  const fitted = stateWords(state, named);
  const measure = measureInWords({ measure: "peak_power", ...asked });
  const verb = state.setup === own.newest.setup ? "reads" : "read";
  const words = say`It ${verb} ${el("strong", {}, figure(state.mean, places, name))} of ${measure}, ${fitted === "stock" ? "stock" : fitted === "parts not known" ? fitted : `with ${fitted}`} (mean of ${count(state.pulls, "pull")}, ${date(state.at)})`;
  return [words, own.now ? "." : `, ${state.standing}. It can be held against its own strap-down only.`];
}

// The stock cars of its kind are held against each other at the common level of the bays.
function inItsBay({ now }, rooms, name) {
  if (!now || !known(now.levelled)) return null;
  const [read, common] = [now.mean, now.levelled].map((value) => number(value, 1));
  if (read === common) return null;
  return `That is ${read} ${name} in ${called(rooms, now.bay)}, ${common} ${name} at the common level of the bays.`;
}

function fittedNow({ parts: fitted, parts_known: sure, stock_checked: stock }, named) {
  const rest = { partial: " There may be more: the list is not complete.", unknown: " What else is fitted is not known." }[sure] ?? "";
  if (fitted.length) return `Fitted now: ${fittedWords(fitted, named)}.${rest}`;
  if (rest) return `Nothing is recorded as fitted.${rest}`;
  const checked = { verified: "the shop looked", declared: "by its owner's word", unknown: "not checked" }[stock];
  return `Nothing is fitted that is not stock (${checked}).`;
}

// The newest setup is not the one that the sentence is about: say so.
function newer(own) {
  if (!own.now || own.now.setup === own.newest.setup) return null;
  const why = own.newest.doubts.length ? "doubts stand against it" : own.newest.standing ?? "it has no figure of this measure";
  return `The newest setup, of ${date(own.newest.at)}, is not counted in this: ${why}.`;
}

function ways({ own, car, tag }) {
  const { measure, from, to, rpm } = own.question;
  const stock = own.now && !own.now.parts.length && own.now.parts_known === "complete";
  const spread = spreadPage({ platform: car.platform, measure, from, to, rpm, units: own.units, tag: stock ? tag : null });
  const { session } = setupOf(own.newest.setup);
  return el(
    "ul",
    { class: "links screen" },
    el("li", {}, link(sheetPage({ session, units: own.units }), "The sheet of the last visit")),
    el("li", {}, link(spread, stock ? "Where it stands among stock cars of its kind" : "How stock cars of its kind read")),
    el("li", {}, link(oddPage({ platform: car.platform }), "What is odd among cars of its kind", `What is odd among cars of its kind, for ${tag} too`)),
  );
}

/* What was fitted when */

function fittedSection({ own, named, receipts, car, name, caller }) {
  const steps = own.steps.map((step) => [
    date(step.later_at),
    stepWords(step, named),
    [
      `${signed(step.difference, 1)} ${name} (${percent(step.percent, 1, true)})`,
      el("span", { class: "aside" }, `${percent(step.interval_percent[0], 1, true)} to ${percent(step.interval_percent[1], 1, true)}`),
    ],
    step.clear ? "clear" : "may be nothing",
    step.fitted.length === 1 ? link(gainPage({ platform: car.platform, part: step.fitted[0] }), "on other cars", `what ${step.fitted[0]} gains on other cars`) : "",
  ]);
  const heads = ["measured on", "what was changed", "the car changed by", "is that clear?", "elsewhere"];
  const words = [true, true, false, true, true];
  return section(
    "What was fitted when, and what it did",
    { id: "fitted" },
    steps.length
      ? table("Each change of state, by this car's own readings, against the state before it only", heads, steps, words, true)
      : el("p", {}, "No change of state was measured on both sides, so what a part did to this very car is not known.", own.says.in_doubt && ` ${own.says.in_doubt}`),
    steps.length ? el("p", { class: "state" }, AGAINST_ONE, own.says.in_doubt && ` ${own.says.in_doubt}`) : null,
    receiptsTable(receipts, named, caller),
    el("p", { class: "state" }, "A service is recorded as a part of the kind 'service event', so whether it brought anything back stands here too. ",
      "The distance driven is kept once for a car, not at each visit: how its figures fade with distance cannot be told."),
  );
}

const AGAINST_ONE =
  "Where a part was taken off again afterwards, the pair on the page of what it gains is held against the state before and the state after: its figure may differ a little from the one here.";

function stepWords({ fitted, removed }, named) {
  const said = [fitted.length && `${fittedWords(fitted, named)} fitted`, removed.length && `${fittedWords(removed, named)} removed`];
  return said.filter(Boolean).join("; ");
}

// Notes are for those who work here: the screen may face a customer.
function receiptsTable(receipts, named, caller) {
  if (receipts === null) return el("p", {}, "What was paid and noted can be read with a read token only.");
  if (!receipts.length) return el("p", {}, "No price or date of fitting is recorded for this car.");
  const paid = ({ price_paid: price, currency }) => (known(price) ? money(price, currency) : "not recorded");
  const rows = receipts.map((row) => [
    date(row.fitted_on),
    called(named, row.part),
    row.removed_on ? date(row.removed_on) : "still fitted",
    paid(row),
    known(row.labour_hours) ? `${number(row.labour_hours, 1)} h` : "not recorded",
    ...(caller?.may_change ? [row.notes ?? "–"] : []),
  ]);
  const heads = ["fitted on", "part", "removed on", "paid", "labour", ...(caller?.may_change ? ["notes"] : [])];
  return unfold(`${count(rows.length, "entry", "entries")} with dates and prices`,
    table("Recorded when they were fitted", heads, rows, [true, true, true, false, false, true], true));
}

/* Saving, foot */

function saveSection({ path, asked, tag }) {
  const made = section(
    "Take the numbers with you",
    { id: "save" },
    el("p", {}, "All setups as one table here; each setup's mean curve beside the curves above; every pull as it was recorded in its visit."),
    csvButton(`${path}/states`, { ...asked, limit: 500 }, `states-${tag}`),
  );
  made.classList.add("screen");
  return made;
}

const footnote = ({ own }) =>
  el("p", { class: "footnote" }, `Wheel figures corrected to ${standard(own.standard)}. Intervals are ${number(own.level * 100)}\u00a0% sure, by this shop's noise of pulls, setups, strap-downs and bays. Left out: ${leftOut(own.left_out)}.`);

const leftOut = (reasons) =>
  Object.entries(reasons).map(([why, n]) => `${count(n, "setup")} (${inSentence(why)})`).join(", ") || "nothing";

/* The tag */

async function suggest() {
  const letters = form.elements.tag.value.trim().toLowerCase();
  if (letters.length < LEAST_LETTERS) return byId("tags").replaceChildren();
  const [found, kinds] = await Promise.all([ask("/v1/vehicles", { q: letters, limit: SUGGESTED }), platforms()]).catch(() => [{ items: [] }, []]);
  return byId("tags").replaceChildren(
    ...found.items.map((car) => el("option", { value: car.tag }, called(kinds, car.platform))),
  );
}

form.elements.tag.addEventListener("input", suggest);
form.addEventListener("change", ({ target }) => {
  if (target.name === "tag") target.value = target.value.trim().toLowerCase();
}, true);

const load = () => {
  fill(form);
  show();
};

onQuestion(form, show, load);
load();
