// How stock cars of one kind differ, and where one car stands: a sentence first, then the picture and the numbers.

import { answering, ask, askAll } from "./ask.js";
import { chart } from "./chart.js";
import { byId, el } from "./dom.js";
import { choose, fill, onQuestion, question } from "./form.js";
import { addressNote, cautionBox, csvButton, facts, section, table, unfold } from "./show.js";
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
  typed,
  unit,
} from "./say.js";

const form = byId("question");
const place = byId("answer");
const more = byId("more");
const LEAST_FOR_SHAPE = 8; // below eight cars dots, no shape (our choice)
const held = { platforms: null };

const show = answering(place, more, async (signal) => {
  held.platforms ??= await askAll("/v1/platforms", {}, signal);
  const wanted = form.elements.platform.value || new URLSearchParams(location.search).get("platform") || "";
  choose(
    form.elements.platform,
    [{ options: held.platforms.map(({ slug, name }) => ({ value: slug, label: name ?? slug })) }],
    wanted,
    "Choose a kind of car",
  );
  const { platform, ...asked } = question(form);
  if (!held.platforms.length)
    return empty("The ledger holds no kinds of car yet. Once a bay has posted pulls, answers appear here.");
  if (!platform) return empty("Choose a kind of car; the answer follows.");
  const path = `/v1/platforms/${encodeURIComponent(platform)}/stock-spread`;
  return present(
    {
      ...asked,
      platform,
      path,
      carName: held.platforms.find(({ slug }) => slug === platform)?.name ?? platform,
    },
    await ask(path, asked, signal),
  );
});

function empty(words) {
  place.replaceChildren(el("p", { class: "state" }, words));
  more.replaceChildren();
}

function present(asked, answer) {
  if (!answer.cars) return noCars(asked.carName, Object.entries(answer.left_out ?? {}));
  const name = unit(answer, asked.measure);
  const places = decimals(answer.sd === null || answer.sd === undefined ? null : [0, answer.sd], answer.mean);
  place.replaceChildren(
    el(
      "div",
      { class: "answer" },
      opening(asked, answer, places, name),
      thisCar(asked, answer, places, name),
    ),
  );
  document.title = `Stock ${asked.carName} · Bayledger`;
  const parts = [
    cautionBox(answer),
    picture(asked, answer, places, name),
    numbers(answer, places, name),
    values(asked, answer, name),
  ];
  more.replaceChildren(...[...parts, addressNote(), footnote(answer)].filter(Boolean));
  return null;
}

const STOCK = "Stock means: nothing fitted, and the maker's own calibration.";
const UNCHECKED = /^not checked/;

// Nothing measured, or measured and left out: the reasons are the ledger's own words.
function noCars(carName, leftOut) {
  if (!leftOut.length) return empty(`No stock ${carName} has been measured yet. ${STOCK}`);
  const setups = leftOut.reduce((sum, [, n]) => sum + n, 0);
  const all = `${count(setups, "setup")} of the ${carName} ${setups === 1 ? "was" : "were"} left out`;
  const unchecked = leftOut.some(([reason]) => UNCHECKED.test(reason));
  empty(`No stock ${carName} counts here yet: ${all}. ${STOCK}`);
  more.replaceChildren(
    section(
      "Why they were left out",
      facts(leftOut.map(([reason, n]) => [inList(reason), count(n, "setup")])),
      unchecked ? el("p", {}, WHAT_TO_DO.map((part, i) => (i % 2 ? el("code", {}, part) : part))) : null,
    ),
  );
}

const WHAT_TO_DO = [
  "To have a setup counted, post it with ",
  "stock_checked",
  " as ",
  "declared",
  " (the owner says it is stock) or ",
  "verified",
  " (the shop looked). One already posted can be corrected the same way.",
];

function opening(asked, answer, places, name) {
  const average = el("strong", {}, figure(answer.mean, places, name));
  const cars =
    answer.cars === 1
      ? `The one stock ${asked.carName} measured here reads`
      : `The ${number(answer.cars)} stock ${asked.carName} cars measured here read`;
  const middle = [0.25, 0.75].map((share) => quantile(answer.quantiles, share));
  const half = middle.every((value) => value !== null)
    ? say` Half of them lie between ${between(middle, places, name)}.`
    : [];
  return el(
    "p",
    { class: "headline" },
    say`${cars} ${average} of ${measureInWords(asked)}${answer.cars === 1 ? "" : " on average"}.${half}`,
  );
}

const quantile = (quantiles, share) => quantiles?.[String(share)] ?? null;

function thisCar(asked, answer, places, name) {
  if (!asked.value)
    return el("p", {}, "Enter what this car reads, stock and measured here, to see where it stands.");
  const words = say`A car that reads ${el("strong", {}, `${typed(Number(asked.value))}\u00a0${name}`)}`;
  const said = answer.value?.reading?.replace(/\.$/, "");
  const sure = answer.value?.interval && !/% sure/.test(said) ? ` (${inPercent(answer.level)}\u00a0% sure)` : "";
  const reading = said ? `: ${said}${sure}.` : ".";
  return el("p", {}, words, reading);
}

function position({ value: placed, level }) {
  if (!known(placed?.percentile)) return null;
  const range = placed.interval
    ? `, between ${number(placed.interval[0])} and ${number(placed.interval[1])} (${inPercent(level)}\u00a0% sure)`
    : "";
  return `above ${number(placed.percentile)} in 100${range}`;
}

function checked({ checked: setups = {} }) {
  const words = Object.entries(setups)
    .filter(([, n]) => n > 0)
    .map(([how, n]) => `${how} in ${count(n, "setup")}`);
  return words.length ? words.join(", ") : null;
}

function picture(asked, answer, places, name) {
  const cars = answer.values.filter(({ value }) => value !== null);
  const marks = [
    { kind: "average", value: answer.mean, label: `average ${number(answer.mean, places)} ${name}` },
  ];
  if (asked.value)
    marks.push({
      kind: "car",
      value: Number(asked.value),
      label: `this car ${typed(Number(asked.value))} ${name}`,
    });
  const few = cars.length < LEAST_FOR_SHAPE;
  const caption = few
    ? `Each dot one stock car, ${name}. Too few cars for the shape of a distribution.`
    : `How many stock cars read what, ${name}.`;
  const key = `${caption} Solid line: average.${asked.value ? " Dashed line: this car." : ""}`;
  return section("All of them", chart(few ? "spread-dots" : "spread-histogram", name, { cars, marks }, key));
}

function numbers(answer, places, name) {
  const side = ({ share, interval }) => {
    const range = interval
      ? `; of all such cars between ${number(interval[0] * 100)} and ${percent(interval[1] * 100)}, ${inPercent(answer.level)}\u00a0% sure`
      : "";
    return `${number(Math.round(share * answer.cars))} of ${count(answer.cars, "car")} (${percent(share * 100)}${range})`;
  };
  const rows = [
    ["Average (mean)", say`${figure(answer.mean, places, name)}`],
    ["Middle car (median)", say`${figure(answer.median, places, name)}`],
    [
      "Spread (standard deviation)",
      answer.sd == null
        ? null
        : say`${figure(answer.sd, 1, name)} (${percent((answer.sd / answer.mean) * 100, 1)})`,
    ],
    ["Above the average", answer.above_average ? side(answer.above_average) : null],
    ["Below the average", answer.below_average ? side(answer.below_average) : null],
  ];
  rows.push(["This car", position(answer)], ["Stock state", checked(answer)]);
  return section("In numbers", facts(rows));
}

function values(asked, answer, name) {
  const sorted = [...answer.values].sort((a, b) => b.value - a.value);
  const record = ({ session, vehicle }) =>
    session
      ? el(
          "a",
          {
            href: String(session).startsWith("/") ? session : `/v1/sessions/${session}`,
            "aria-label": `${vehicle}, session`,
          },
          "session",
        )
      : "not known";
  const rows = sorted.map((row) => [row.vehicle, number(row.value, 1), number(row.percentile), record(row)]);
  const made = section(
    "Car by car",
    unfold(
      `The ${count(sorted.length, "car")} as a table`,
      table("Stock cars, highest first", ["car", `reads, ${name}`, "above so many in 100", "record"], rows),
    ),
    csvButton(asked.path, plain(asked), `stock-${asked.platform}`),
  );
  made.classList.add("screen"); // other cars are no business of a printed page
  return made;
}

const NAMES_ONLY = ["platform", "path", "carName"];
const plain = (asked) =>
  Object.fromEntries(Object.entries(asked).filter(([key]) => !NAMES_ONLY.includes(key)));

function footnote(answer) {
  const bays = "One value per car, from all its stock setups together, at the common level of the bays.";
  return el(
    "p",
    { class: "footnote" },
    `${bays} Wheel figures corrected to ${standard(answer.standard ?? answer.question?.standard)}.`,
  );
}

const load = () => {
  form.elements.platform.replaceChildren();
  fill(form);
  show();
};

onQuestion(form, show, load);
load();
