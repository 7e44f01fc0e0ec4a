// How stock cars of one kind differ, and where one car stands: a sentence first, then the picture and the numbers.

import { answering, ask } from "./ask.js";
import { binned, chart } from "./chart.js";
import { byId, el } from "./dom.js";
import { fill, onQuestion, question } from "./form.js";
import { baysPage, carLink, link, oddPage } from "./links.js";
import { called, pickPlatform, wanted } from "./lists.js";
import {
  addressNote,
  asides,
  cautionBox,
  csvButton,
  facts,
  jump,
  section,
  table,
  unfold,
  unfoldLater,
} from "./show.js";
import {
  between,
  count,
  decimals,
  figure,
  inList,
  inPercent,
  known,
  measureInWords,
  number,
  percent,
  say,
  standard,
  tied,
  typed,
  unit,
} from "./say.js";

const form = byId("question");
const place = byId("answer");
const more = byId("more");
const LEAST_FOR_SHAPE = 8; // below eight cars dots, no shape (our choice)
const MOST_LISTED = 40; // our choice: the rest is written only when it is asked for

const show = answering(place, more, async (signal) => {
  const asked = question(form);
  const platform = wanted(form, "platform");
  const path = `/v1/platforms/${encodeURIComponent(platform)}/stock-spread`;
  const { tag } = asked;
  delete asked.platform;
  delete asked.tag;
  const [kinds, answer] = await Promise.all([
    pickPlatform(form, signal),
    platform ? ask(path, asked, signal) : null,
  ]);
  if (!kinds.length)
    return empty("The ledger holds no kinds of car yet. Once a bay has posted pulls, answers appear here.");
  if (!platform) return empty("Choose a kind of car; the answer follows.");
  return present({ ...asked, tag, plain: asked, platform, path, carName: called(kinds, platform) }, answer);
});

function empty(words) {
  place.replaceChildren(el("p", { class: "state" }, words));
  more.replaceChildren();
}

function present(asked, answer) {
  if (!answer.cars) return noCars(asked.carName, answer.left_out ?? {});
  const told = {
    asked,
    answer,
    own: answer.values.find(({ vehicle }) => vehicle === asked.tag), // the car that another page asked about
    name: unit(answer, asked.measure),
    places: decimals(known(answer.sd) ? [0, answer.sd] : null, answer.mean),
  };
  place.replaceChildren(el("div", { class: "answer" }, opening(told), thisCar(told)));
  document.title = `Stock ${asked.carName} · Bayledger`;
  const parts = [
    cautionBox(answer),
    picture(told),
    numbers(told),
    leftOut(answer.left_out),
    values(told),
    asides(answer.questions ?? [], el("p", { class: "lone" }, link(baysPage({}), "Do the bays agree?"))),
  ];
  more.replaceChildren(...[...parts, addressNote(), footnote(answer)].filter(Boolean));
  jump();
  return null;
}

/* Nobody counts */

const STOCK = "Stock means: nothing fitted, and the maker's own calibration.";
const UNCHECKED = /^not checked/;

// Nothing measured, or measured and left out: the reasons are the ledger's own words.
function noCars(carName, why) {
  const setups = Object.values(why).reduce((sum, n) => sum + n, 0);
  if (!setups) return empty(`No stock ${carName} has been measured yet. ${STOCK}`);
  const all = `${count(setups, "setup")} of the ${carName} ${setups === 1 ? "was" : "were"} left out`;
  empty(`No stock ${carName} counts here yet: ${all}. ${STOCK}`);
  return more.replaceChildren(leftOut(why));
}

const WHAT_TO_DO = [
  "To have a setup counted, post it with ",
  "stock_checked",
  " as ",
  "declared",
  " (the owner says it is stock) or ",
  "verified",
  " (the shop looked). One already posted is amended on its car\u2019s page.",
];

function leftOut(why = {}) {
  const reasons = Object.entries(why);
  if (!reasons.length) return null;
  const unchecked = reasons.some(([reason]) => UNCHECKED.test(reason));
  return section(
    "Left out, and why",
    { id: "left-out" },
    facts(reasons.map(([reason, n]) => [inList(reason), count(n, "setup")])),
    unchecked
      ? el(
          "p",
          {},
          WHAT_TO_DO.map((part, i) => (i % 2 ? el("code", {}, part) : part)),
        )
      : null,
  );
}

/* Sentence and picture */

function opening({ asked, answer, places, name }) {
  const average = el("strong", {}, figure(answer.mean, places, name));
  const one = answer.cars === 1;
  const cars = one
    ? `The one stock ${asked.carName} measured here reads`
    : `The ${number(answer.cars)} stock ${asked.carName} cars measured here read`;
  const middle = ["0.25", "0.75"].map((share) => answer.quantiles?.[share]);
  const half = !one && middle.every(known) ? say` Half of them lie between ${between(middle, places, name)}.` : [];
  return el(
    "p",
    { class: "headline" },
    say`${cars} ${average} of ${measureInWords(asked)}${one ? "" : " on average"}.${half}`,
  );
}

// A car of the ledger: by all its stock setups, not by one reading.
function named({ asked, answer, own, name }) {
  if (!own) return el("p", {}, `${asked.tag} is not among the stock cars that are counted here.`);
  const level = answer.levelled ? ` at the common level of the bays, ${number(own.raw, 1)} as its bay reads` : " as its bay reads";
  const words = say`${carLink(asked.tag)} reads ${el("strong", {}, `${number(own.value, 1)}\u00a0${name}`)}${level}`;
  const ends = own.percentile_interval;
  if (!ends) return el("p", {}, words, ".");
  const sure = `${inPercent(answer.level)}\u00a0% sure`;
  return el("p", {}, words, `: it stands above ${number(ends[0])} to ${number(ends[1])} in 100 such cars (${sure}), ${own.group === "too close to call" ? "too close to the average to call" : `${own.group} the average`}.`);
}

function thisCar(told) {
  const { asked, answer, name } = told;
  if (asked.tag && !asked.value) return named(told);
  if (!asked.value)
    return el("p", {}, "Enter what this car reads, stock and measured here, to see where it stands.");
  const words = say`A car that reads ${el("strong", {}, `${typed(Number(asked.value))}\u00a0${name}`)}`;
  const said = answer.value?.reading && tied(answer.value.reading).replace(/\.$/, "");
  const sure =
    answer.value?.interval && !/% sure/.test(said) ? ` (${inPercent(answer.level)}\u00a0% sure)` : "";
  return el("p", {}, words, said ? `: ${said}${sure}.` : ".");
}

function picture({ asked, answer, own: listed, places, name }) {
  const cars = answer.values.filter(({ value }) => known(value));
  const few = cars.length < LEAST_FOR_SHAPE;
  const own = Number(asked.value || listed?.value);
  const marks = [
    { kind: "average", value: answer.mean, label: `average ${number(answer.mean, places)} ${name}` },
    ...(own ? [{ kind: "car", value: own, label: `this car ${typed(own)} ${name}` }] : []),
  ];
  const levelled = answer.levelled ? "at the common level of the bays" : "as the bays read";
  const what = few
    ? `Each dot one stock car, ${name}, ${levelled}. Too few cars for the shape of a distribution.`
    : `How many stock cars read what, ${name}, ${levelled}.`;
  const key = `${what} Solid line: average.${own ? " Dashed line: this car." : ""}`;
  const data = few ? { cars, marks } : { bins: binned(cars.map(({ value }) => value)), marks };
  const file = { file: `stock-${asked.platform}` };
  return section(
    "All of them",
    { id: "all" },
    chart(few ? "spread-dots" : "spread-histogram", name, data, key, file),
  );
}

/* Numbers */

const range = ([low, high], level) =>
  `, between ${number(low)} and ${number(high)} (${inPercent(level)}\u00a0% sure)`;

function numbers({ asked, answer, places, name }) {
  const { level, cars, groups, value, as_read: raw } = answer;
  const side = ({ share, interval: ends }) => {
    const sure = ends
      ? `; of all such cars between ${number(ends[0] * 100)} and ${percent(ends[1] * 100)}, ${inPercent(level)}\u00a0% sure`
      : "";
    return `${number(Math.round(share * cars))} of ${count(cars, "car")} (${percent(share * 100)}${sure})`;
  };
  const group = (n) => (groups ? count(n, "car") : null);
  const beside = answer.levelled && raw ? "Average as the bays read, not levelled" : null;
  const rows = [
    ["Average (mean)", say`${figure(answer.mean, places, name)}`],
    ["Middle car (median)", say`${figure(answer.median, places, name)}`],
    [
      "Spread (standard deviation)",
      known(answer.sd) ? say`${figure(answer.sd, 1, name)} (${percent(answer.sd_percent, 1)})` : null,
    ],
    [
      beside,
      beside &&
        say`${figure(raw.mean, places, name)}${known(raw.sd) ? `, spread ${percent(raw.sd_percent, 1)}` : ""}`,
    ],
    ["Above the average", answer.above_average ? side(answer.above_average) : null],
    ["Below the average", answer.below_average ? side(answer.below_average) : null],
    ["Clearly above it", group(groups?.clearly_above)],
    ["Clearly below it", group(groups?.clearly_below)],
    ["Too close to call", group(groups?.too_close_to_call)],
    [
      "This car",
      known(value?.percentile)
        ? `above ${number(value.percentile)} in 100${value.interval ? range(value.interval, level) : ""}`
        : null,
    ],
    ["Setups by how stock was checked", checked(answer)],
  ];
  const odd = link(
    oddPage({ platform: asked.platform, measure: asked.measure }),
    "Which of them are odd, and why?",
  );
  return section("In numbers", { id: "numbers" }, facts(rows), el("p", { class: "lone screen" }, odd));
}

// A car has one or more setups; how stock was checked is recorded with each of these.
function checked({ checked: setups = {} }) {
  const words = Object.entries(setups)
    .filter(([, n]) => n > 0)
    .map(([how, n]) => `${how} in ${count(n, "setup")}`);
  return words.length ? `${words.join(", ")} (a car may have several)` : null;
}

function values({ asked, answer, name }) {
  const sorted = [...answer.values].sort((a, b) => b.value - a.value);
  const of = (ends) => (ends ? ends.map((value) => number(value)).join(" to ") : "not given");
  const session = (row) =>
    row.session ? link(row.session, "session", `${row.vehicle}, session`) : "not known";
  const row = (car) => [
    carLink(car.vehicle),
    number(car.value, 1),
    number(car.raw, 1),
    known(car.percentile) ? number(car.percentile) : "not given",
    of(car.percentile_interval),
    car.group ?? "not given",
    session(car),
  ];
  const heads = [
    "car",
    `reads, ${name}`,
    "as the bay read",
    "above so many in 100",
    `between, ${inPercent(answer.level)} % sure`,
    "against the average",
    "record",
  ];
  const part = (from, to) =>
    table(
      `Stock cars, highest first, ${number(from + 1)} to ${number(Math.min(to, sorted.length))}`,
      heads,
      sorted.slice(from, to).map(row),
      [false, false, false, false, false, true, true],
      true,
    );
  const rest = sorted.length - MOST_LISTED;
  const made = section(
    "Car by car",
    { id: "cars", class: "screen" }, // other cars are no business of a printed page
    unfold(
      `The ${count(sorted.length, "car")} as a table`,
      part(0, MOST_LISTED),
      rest > 0 ? unfoldLater(count(rest, "more car"), () => part(MOST_LISTED, sorted.length)) : null,
    ),
    csvButton(asked.path, asked.plain, `stock-${asked.platform}`),
  );
  return made;
}

function footnote(answer) {
  const level = answer.levelled ? "at the common level of the bays" : "as the bays read";
  const words = `One value per car, from all its stock setups together, ${level}.`;
  return el(
    "p",
    { class: "footnote" },
    `${words} Wheel figures corrected to ${standard(answer.standard ?? answer.question?.standard)}.`,
  );
}

const load = () => {
  form.elements.platform.replaceChildren();
  fill(form);
  show();
};

// A typed figure, or another kind of car, is no longer about the car that was named.
form.addEventListener("change", ({ target }) => {
  if (["value", "platform"].includes(target.name)) form.elements.tag.value = "";
});
onQuestion(form, show, load);
load();
