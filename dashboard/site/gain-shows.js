// A gain in pictures and tables: over the revs, car by car, and the pairs it rests on.

import { chart } from "./chart.js";
import { el } from "./dom.js";
import { csvButton, section, table, unfold, unfoldLater } from "./show.js";
import { count, date, known, match, number, percent, rpm, signed, system, typed, whatDiffers } from "./say.js";

const LEAST_STRETCH_RPM = 150; // our choice: a shorter stretch is not put into words
const TABLE_STEP_RPM = 500;
const MOST_DRAWN_CARS = 40;
const MOST_LISTED_PAIRS = 100; // our choice: the rest is written only when it is asked for
const LEAST_NAMED_SHARE = 0.12; // our choice: of the rev range; in a shorter stretch the word would overprint
const LIKE = ["same-session-aba", "same-session"];

/* Where in the revs */

export function revs(told) {
  const { asked, answer, level, now } = told;
  const { name, suffix } = told.revs;
  const all = knotsOf(answer.curve ?? {}, suffix);
  const band = all.some(banded);
  const knots = band ? all.filter(banded) : all; // the ends, where too few cars reach, would mislead
  const title = "Where in the revs";
  if (!knots.length)
    return section(title, el("p", {}, "Not known over the rev range: only single figures are on record."));
  const parts = stretches(knots);
  const words = [
    band
      ? inWords(parts, name)
      : "Too few cars to say where it gains and where it loses; the line is these cars alone.",
    coverage(knots, band),
  ];
  const sure = band ? ` Band: where it lies, ${level} % sure, each speed by itself.` : "";
  const why = now ? " In percent, as this car's one reading says nothing of its other speeds." : "";
  const caption = `Gain in ${name} at each engine speed.${why} Line: the typical car.${sure}`;
  const rows = knots
    .filter((knot) => knot.rpm % TABLE_STEP_RPM === 0)
    .map((knot) => [
      number(knot.rpm),
      signed(knot.typical, 1),
      signed(knot.low, 1),
      signed(knot.high, 1),
      number(knot.cars),
    ]);
  return section(
    title,
    words.map((line) => el("p", {}, line)),
    chart("gain-curve", name, { knots, stretches: parts, nought: [{ value: 0 }] }, caption, { spoken: words.join(" ") }),
    unfold(
      "The curve as a table",
      table(`Gain in ${name} at each engine speed`, ["rpm", "typical", "from", "to", "cars"], rows),
    ),
    csvButton("/v1/typical-gain", plain(asked), `gain-${asked.platform}-${asked.part}`),
  );
}

const NAMES_ONLY = ["carName", "partName", "rivalName", "approval"];
const plain = (asked) =>
  Object.fromEntries(Object.entries(asked).filter(([key]) => !NAMES_ONLY.includes(key)));

function knotsOf(curve, suffix) {
  const column = (name) => curve[name + suffix] ?? [];
  const [typical, low, high] = ["typical", "low", "high"].map(column);
  const at = (list, i) => list?.[i] ?? null;
  const knot = (speed, i) => ({
    rpm: speed,
    typical: at(typical, i),
    low: at(low, i),
    high: at(high, i),
    cars: at(curve.cars, i),
  });
  return (curve.rpm ?? []).map(knot).filter((each) => known(each.typical));
}

// With a band, or without one where there are too few cars for it.
const banded = (knot) => known(knot.low) && known(knot.high);

// The parts of the rev range where the whole band lies above, or below, nought.
export function stretches(knots) {
  const found = [];
  for (const knot of knots) {
    const word = !banded(knot) ? "nothing" : knot.low > 0 ? "gains" : knot.high < 0 ? "loses" : "nothing";
    const last = found.at(-1);
    if (last?.word !== word) found.push({ word, from: knot.rpm, to: knot.rpm, most: knot });
    else
      Object.assign(last, {
        to: knot.rpm,
        most: Math.abs(knot.typical) > Math.abs(last.most.typical) ? knot : last.most,
      });
  }
  return found
    .filter(({ word, from, to }) => word !== "nothing" && to - from >= LEAST_STRETCH_RPM)
    .map((part) => ({ ...part, nought: 0, middle: (part.from + part.to) / 2, named: namable(part, knots) }));
}

const namable = ({ from, to }, knots) =>
  to - from >= LEAST_NAMED_SHARE * (knots.at(-1).rpm - knots[0].rpm);

function inWords(parts, name) {
  const tell =
    (verb) =>
    ({ from, to, most }) =>
      `It ${verb} between ${number(from)} and ${rpm(to)}, most at ${rpm(most.rpm)} (${signed(most.typical, 1)} ${name}).`;
  const gains = parts.filter(({ word }) => word === "gains").map(tell("gains"));
  const losses = parts.filter(({ word }) => word === "loses").map(tell("loses torque, and so power,"));
  if (!gains.length) gains.push("No gain was established at any speed.");
  if (!losses.length) losses.push("No loss of torque was established at any speed.");
  return [...gains, ...losses].join(" ");
}

function coverage(knots, band) {
  const meaning = band ? " Where the band includes nought, nothing is established." : "";
  return `Known from ${number(knots[0].rpm)} to ${rpm(knots.at(-1).rpm)}.${meaning}`;
}

/* Car by car */

const likeForLike = (pair) => LIKE.includes(pair.match) && pair.held;

export function cars(told) {
  const { answer, name, typical, interval, next, now } = told;
  const chosen = onePerCar(answer.pairs ?? [], told.of);
  if (!chosen.length) return null;
  const [low, high] = interval ?? [null, null];
  const dot = ({ pair, value }, i) => ({
    order: i,
    kind: likeForLike(pair) ? "like" : "other",
    label: pair.vehicle,
    value,
  });
  const rows = [
    { order: -2, kind: "typical", label: "typical car", value: typical, low, high },
    ...(next ? [{ order: -1, kind: "next", label: "one more car", low: next[0], high: next[1] }] : []),
    ...chosen.slice(0, MOST_DRAWN_CARS).map(dot),
  ];
  const cut =
    chosen.length > MOST_DRAWN_CARS ? ` Drawn: the ${MOST_DRAWN_CARS} highest of ${chosen.length}.` : "";
  const footing = now ? `, scaled to this car's ${typed(now)} ${name}` : "";
  const caption = `Gain in ${name}${footing}, one row for each car. Full dot: like for like (same strap-down, conditions held). Open dot: less alike.${cut} The pairs are listed below.`;
  const floor = name === "%" ? answer.noise_floor_percent : answer.noise_floor;
  const words = lower(
    chosen.map(({ pair }) => pair.percent),
    answer.noise_floor_percent ?? 0,
    known(floor) ? `${number(floor, 1)} ${name}` : null,
  );
  return section("Car by car", el("p", {}, words), chart("gain-cars", name, { rows, nought: [{ value: 0 }] }, caption));
}

// A fall, or a gain, within what one test can tell is neither: counted in percent, as noise is a share of a reading.
export function lower(percents, floor, floorInWords) {
  const [all, fell] = [percents.length, percents.filter((gain) => gain < -floor).length];
  const within = percents.filter((gain) => Math.abs(gain) <= floor).length;
  const first =
    all === 1
      ? `The one car ${fell ? "read" : "did not read"} lower with it`
      : `${fell ? number(fell) : "None"} of the ${number(all)} cars read lower with it`;
  if (!floorInWords) return `${first}.`;
  const few = all === 1 ? "it is" : `${count(within, "car")} ${within === 1 ? "is" : "are"}`;
  const rest = within ? `; ${few} within what a test can tell` : "";
  return `${first}${rest}. A test of one car cannot tell less than ${floorInWords}, up or down, from nothing.`;
}

// One dot a car: the pair the ledger used, the more alike of two.
function onePerCar(all, of) {
  const chosen = new Map();
  for (const pair of all) {
    if (!known(of(pair)) || pair.used === false) continue;
    const other = chosen.get(pair.vehicle);
    if (!other || (likeForLike(pair) && !likeForLike(other.pair)))
      chosen.set(pair.vehicle, { pair, value: of(pair) });
  }
  return [...chosen.values()].sort((a, b) => b.value - a.value);
}

/* The pairs */

// "3 cars counted, of 42 comparisons"
export const counted = ({ cars: n, pairs: all }) => `${count(n, "car")} counted, of ${count(all, "comparison")}`;

// Each car counts once, with its best pair; a doubted pull counts only once confirmed.
const counts = ({ used, usable }) =>
  used !== false ? "yes" : usable === false ? "no: doubts against a pull" : "no: this car counts once";

export function pairs(told) {
  const { answer, unitName, now } = told;
  const all = [...(answer.pairs ?? [])].sort((a, b) => (b.used !== false) - (a.used !== false));
  if (!all.length) return null;
  const heads = [
    "car",
    "measured",
    now ? `on this car, ${unitName}` : `gain, ${unitName}`,
    "in %",
    "how alike",
    "conditions",
    "counted",
    "records",
  ];
  const caption = (from, to) =>
    all.length > MOST_LISTED_PAIRS
      ? `Comparisons ${number(from + 1)} to ${number(to)} of those listed`
      : "One before/after pair in each row";
  const part = (from, to) =>
    pairTable(caption(from, Math.min(to, all.length)), heads, all.slice(from, to), told);
  const rest = all.length - MOST_LISTED_PAIRS;
  return section(
    "The pairs it rests on",
    el("p", {}, listed(told, all)),
    part(0, MOST_LISTED_PAIRS),
    rest > 0
      ? unfoldLater(`${count(rest, "more comparison")}`, () => part(MOST_LISTED_PAIRS, all.length))
      : null,
  );
}

function listed({ answer, unitName, now }, all) {
  const { evidence, baseline } = answer;
  const some =
    all.length < evidence.pairs ? ` Listed: ${number(all.length)}, the most alike of each car.` : "";
  const own = now ? ` Gains in ${unitName} are each car's percent of this car's ${typed(now)} ${unitName}.` : "";
  const stands =
    known(baseline) && !now
      ? `; its gain is its percent of ${number(baseline, 1)} ${unitName}, which the cars typically read without it`
      : "";
  const ratio = all.some(ratioOnly) ? ` Ratio only: that car's own level is not known${stands}.` : "";
  return `${counted(evidence)}.${some}${own}${ratio}`;
}

const ratioOnly = (pair) => !known(pair.gain) && known(pair.percent);

function pairTable(caption, heads, some, told) {
  const link = (pair, which) =>
    el("a", { href: pair[which], "aria-label": `${which}, ${pair.vehicle}` }, which);
  const conditions = (pair) =>
    pair.held
      ? "held"
      : (pair.differs ?? []).map((item) => whatDiffers(item, system(told.answer))).join("; ") || "not known";
  const gain = (pair) => (told.name === "%" ? pair.gain : told.of(pair));
  const row = (pair) => [
    pair.vehicle,
    pair.at ? date(pair.at) : "not known",
    el("span", {}, signed(gain(pair), 1), ratioOnly(pair) ? el("span", { class: "aside" }, "ratio only") : null),
    percent(pair.percent, 1, true),
    match(pair.match),
    conditions(pair),
    counts(pair),
    el("span", {}, link(pair, "before"), " ", link(pair, "after")),
  ];
  const words = [false, true, false, false, true, true, true, true];
  return table(caption, heads, some.map(row), words, true);
}
