// A gain in words: the sentence first, then how sure, for how much, whether lawful, and where else it was measured.

import { el } from "./dom.js";
import { addressNote, cautionBox, facts, section } from "./show.js";
import {
  between,
  count,
  date,
  decimals,
  figure,
  grade,
  inHundred,
  inPercent,
  known,
  measureInWords,
  money,
  number,
  percent,
  place,
  rpm,
  say,
  signed,
  standard,
  typed,
  unit,
} from "./say.js";
import { cars, counted, pairs, revs } from "./gain-shows.js";

// What to show: `first` stands in the live region, `then` below it.
export function answered(asked, answer) {
  const told = { asked, answer, level: inPercent(answer.level), ...scale(asked, answer) };
  const shared = [cost(told), lawful(asked)];
  const last = [addressNote(), footnote(told)];
  if (!known(told.typical)) {
    const words = `The ${asked.partName} has not been measured on the ${asked.carName}. No number is given.`;
    return {
      first: el("div", { class: "answer" }, headline(words)),
      then: [cautionBox(answer), ...shared, ...last],
    };
  }
  const sections = [cautionBox(answer), revs(told), cars(told), sure(told), ...shared, pairs(told), ...last];
  return { first: sentences(told), then: sections };
}

// In the asked unit; in percent where the level of the cars, and so the unit, is not known. With this car's own
// reading (`now`) every figure is the cars' percent of that reading; the revs stay in percent, as it reads one figure.
function scale(asked, answer) {
  if (known(answer.typical)) {
    const { typical, typical_interval: interval, next_car_interval: next } = answer;
    const now = asked.baseline && answer.baseline_is === "yours" ? Number(asked.baseline) : null;
    const name = unit(answer, asked.measure);
    const scaled = (pair) => (known(pair.percent) ? (pair.percent / 100) * answer.baseline : null);
    return {
      name,
      unitName: name,
      typical,
      interval,
      next,
      now,
      revs: now ? { name: "%", suffix: "_percent" } : { name, suffix: "" },
      of: (pair) => (now ? scaled(pair) : (pair.gain ?? scaled(pair))),
    };
  }
  const {
    typical_percent: typical,
    typical_interval_percent: interval,
    next_car_interval_percent: next,
  } = answer;
  return {
    name: "%",
    unitName: unit(answer, asked.measure),
    typical,
    interval,
    next,
    now: null,
    revs: { name: "%", suffix: "_percent" },
    of: (pair) => pair.percent,
  };
}

const headline = (words) => el("p", { class: "headline" }, words);

/* The sentence */

function sentences(told) {
  const { answer, typical, interval, name } = told;
  const base = name === "%" ? 100 : answer.typical_percent ? (typical / answer.typical_percent) * 100 : null;
  const places = decimals(interval, base);
  const [first, second] = told.now ? [ofTheCars(told), onThisCar(told, places)] : [told, null];
  const lines = [certainty(told, places), told.now ? thisCar(told, places) : null].filter(Boolean);
  return el(
    "div",
    { class: "answer" },
    headline(say`${opening(first, told.now ? decimals(first.interval, 100) : places)}${second ?? ""}`),
    lines.map((line) => el("p", {}, line)),
    gradeLine(answer),
  );
}

// What the cars did, in percent: the only figure measured on them that holds beside this car's own reading.
const ofTheCars = ({ asked, answer }) => ({
  asked,
  answer,
  name: "%",
  typical: answer.typical_percent,
  interval: answer.typical_interval_percent,
});

function onThisCar({ typical, name, now }, places) {
  const size = el("strong", {}, figure(Math.abs(typical), places, name));
  return say` On this car, which reads ${typed(now)}\u00a0${name}, that would be about ${size}${typical < 0 ? " less" : ""}.`;
}

function opening(told, places) {
  const { asked, answer, typical, interval } = told;
  if (answer.evidence.grade === "borrowed" && !answer.evidence.cars_with) {
    const nobody = `No ${asked.carName} has been measured with the ${asked.partName} yet. Going by other kinds of car,`;
    return say`${nobody} the typical one would see ${size(told, typical, places, true)}.`;
  }
  const way = asked.rivalName
    ? `with the ${asked.rivalName} and with the ${asked.partName} in its place`
    : `with and without the ${asked.partName}`;
  const n = answer.evidence.cars;
  if (!n) {
    const mixed = `No ${asked.carName} has been measured ${way} and nothing else changed. Going by cars with more changed and by other kinds,`;
    return say`${mixed} the typical one would see ${size(told, typical, places, true)}.`;
  }
  const head = `In ${count(n, `${asked.carName} car`)} measured ${way}, ${n === 1 ? "it" : "the typical car"}`;
  const doubtful = interval && interval[0] <= 0 && interval[1] >= 0;
  if (doubtful)
    return say`${head} changed by ${size(told, typical, places, true)}: not enough to tell from nothing.`;
  return say`${head} ${typical > 0 ? "gained" : "lost"} ${size(told, Math.abs(typical), places)}.`;
}

// "11.8 hp of peak power (5.1 %)"; percent alone where that is all there is.
function size({ asked, answer, name, typical }, shown, places, plus = false) {
  const strong = el("strong", {}, figure(shown, places, name, plus));
  const share = plus ? answer.typical_percent : Math.abs(answer.typical_percent);
  const beside =
    name === "%" || !known(answer.typical_percent) ? "" : ` (${percent(share, places, plus && typical > 0)})`;
  return say`${strong} of ${measureInWords(asked)}${beside}`;
}

function certainty({ interval, next, name, level }, places) {
  const first = interval
    ? say`We are ${level}\u00a0% sure the typical car gains between ${between(interval, places, name)}. `
    : [];
  const second = next
    ? say`One more car should gain between ${between(next, places, name)} (${level}\u00a0% sure).`
    : [];
  return interval || next
    ? [...first, ...second]
    : "That is too few cars to say how sure it is, or what one more car would gain.";
}

function thisCar({ now, typical, next, name }, places) {
  const range = next
    ? say`, between ${between(
        next.map((gain) => now + gain),
        places,
        name,
      )}`
    : [];
  const footing = `All figures in ${name} on this page are scaled to this car's ${typed(now)}\u00a0${name}; the revs are in percent.`;
  return say`With it this car should read about ${figure(now + typical, places, name)}${range}. ${footing}`;
}

function gradeLine({ evidence }) {
  const [word, meaning] = grade(evidence.grade);
  return el(
    "p",
    { class: `grade grade-${evidence.grade}` },
    el("strong", {}, word),
    meaning ? `: ${meaning}.` : ".",
  );
}

/* How sure, cost, law */

function sure({ answer, level }) {
  const { evidence, pairs_only: alone, peak_shift_rpm: shift, chance_of_gain: chance } = answer;
  const range = (interval) =>
    interval ? `, between ${number(interval[0], 1)} and ${percent(interval[1], 1)}` : "";
  const alike = `${number(evidence.like_for_like)} of them like for like`;
  return section(
    "How sure is this?",
    facts([
      [
        "Cars and comparisons",
        `${counted(evidence)}, ${alike}, in ${count(evidence.bays, "bay")}`,
      ],
      [
        "Every range on this page",
        known(answer.typical_interval_percent) ? `${level}\u00a0% sure, each by itself` : null,
      ],
      ["Measured", evidence.first ? `${date(evidence.first)} to ${date(evidence.last)}` : null],
      ["Chance that one more car gains", chance === null || chance === undefined ? null : inHundred(chance)],
      [
        "Borrowed from other kinds of car and like parts",
        evidence.borrowed_share ? `${percent(evidence.borrowed_share * 100)} of this answer` : null,
      ],
      [
        "Cars differ in their gain by",
        evidence.spread_percent
          ? `${percent(evidence.spread_percent, 1)} of their reading (standard deviation)`
          : null,
      ],
      [
        "The peak moved by",
        shift?.interval
          ? `${signed(shift.typical, 0)} rpm, between ${signed(shift.interval[0], 0)} and ${signed(shift.interval[1], 0)} rpm`
          : null,
      ],
      [
        "From the pairs alone",
        alone?.typical_percent != null
          ? `${percent(alone.typical_percent, 1, true)}${range(alone.interval_percent)}`
          : null,
      ],
    ]),
  );
}

function cost({ answer: { cost: paid }, unitName, now }) {
  const title = "What it costs";
  if (!known(paid?.fitted)) return section(title, el("p", {}, "No price is recorded for this part."));
  const amount = (value) => money(value, paid.currency);
  const work = known(paid.labour_hours)
    ? `${number(paid.labour_hours, 1)} hours of work`
    : "hours of work not recorded";
  const rate = known(paid.labour_rate) ? ` at ${amount(paid.labour_rate)}` : ", labour rate not set";
  const fitted = say`Fitted: ${el("strong", {}, amount(paid.fitted))} (part ${amount(paid.price)}, ${work}${rate}). `;
  if (!known(paid.per_unit))
    return section(title, el("p", {}, fitted, `Gain not established, so there is no price per ${unitName}.`));
  const range = paid.per_unit_interval ? `, between ${paid.per_unit_interval.map(amount).join(" and ")}` : "";
  const dated = paid.price_date ? ` Price of ${date(paid.price_date)}.` : "";
  return section(
    title,
    el("p", {}, fitted, `About ${amount(paid.per_unit)} per ${unitName}${now ? " on this car" : ""}${range}.${dated}`),
  );
}

function lawful({ approval }) {
  const text = typeof approval === "string" ? approval : approval?.document;
  const where = approval?.place ? `; place: ${approval.place}` : "";
  const words =
    text && text !== "unknown"
      ? `On record: ${text}${where}. Whether that allows this car on the road, local law and inspection decide.`
      : "Unknown: no approval document is on record. Ask the inspection authority before it is used on a public road.";
  return section("Is it lawful on the road?", el("p", {}, words));
}

function footnote({ answer }) {
  const context = {
    alone: "The part with nothing else fitted. ",
    "as-usually-fitted": "The part beside what is usually fitted with it. ",
  };
  const when = answer.as_of ? ` As of ${date(answer.as_of)}.` : "";
  return el(
    "p",
    { class: "footnote" },
    `${context[answer.context] ?? ""}Wheel figures corrected to ${standard(answer.question.standard)}.${when}`,
  );
}

/* Elsewhere */

export function links(rows, label) {
  const item = (row) =>
    el(
      "li",
      {},
      el("a", { href: place(row) }, label(row)),
      ` ${count(row.cars, "car")}, ${count(row.pairs, "pair")}`,
    );
  return el("ul", { class: "links" }, rows.map(item));
}

export function elsewhereSection(partName, rows, label) {
  const words = rows.length
    ? `The ${partName} was measured here on:`
    : "It has not been measured here on any other kind of car, or against another part, either.";
  return section("Measured elsewhere", el("p", {}, words), rows.length ? links(rows, label) : null);
}
