// A gain in pictures and tables: over the revs, car by car, and the pairs it rests on.

import { chart, csvButton, el, section, table, unfold } from "./show.js";
import { count, date, known, match, number, percent, rpm, signed, system, whatDiffers } from "./say.js";

const LEAST_STRETCH_RPM = 150; // our choice: a shorter stretch is not put into words
const TABLE_STEP_RPM = 500;
const MOST_DRAWN_CARS = 40;
const LIKE = ["same-session-aba", "same-session"];

/* Where in the revs */

export function revs(told) {
  const { asked, answer, name, level, suffix } = told;
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
  const caption = `Gain in ${name} at each engine speed. Line: the typical car.${sure}`;
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
    chart("gain-curve", name, { knots, stretches: parts, nought: [{ value: 0 }] }, caption, words.join(" ")),
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
    .map((part) => ({ ...part, nought: 0, middle: (part.from + part.to) / 2 }));
}

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
  const { answer, name, typical, interval, next } = told;
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
  const caption = `Gain in ${name}, one row for each car. Full dot: like for like (same strap-down, conditions held). Open dot: less alike.${cut} The pairs are listed below.`;
  const words = el(
    "p",
    {},
    lowest(
      chosen.map(({ value }) => value),
      name === "%" ? answer.noise_floor_percent : answer.noise_floor,
      name,
    ),
  );
  return section("Car by car", words, chart("gain-cars", name, { rows, nought: [{ value: 0 }] }, caption));
}

function lowest(gains, floor, name) {
  const first = readLower(gains.length, gains.filter((gain) => gain < 0).length);
  if (!known(floor)) return first;
  const small = gains.filter((gain) => gain < floor).length;
  const under = small ? `${count(small, "car")} stayed below that` : "no car stayed below that";
  return `${first} A test of one car cannot tell less than ${number(floor, 1)} ${name} from nothing; ${under}.`;
}

function readLower(cars, lower) {
  if (cars === 1) return lower ? "It read lower with it." : "It did not read lower with it.";
  return lower
    ? `${number(lower)} of ${number(cars)} cars read lower with it.`
    : `None of the ${number(cars)} cars read lower with it.`;
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

// Each car counts once, with its best pair; a doubted pull counts only once confirmed.
const counted = ({ used, usable }) =>
  used !== false ? "yes" : usable === false ? "no: doubts against a pull" : "no: this car counts once";

export function pairs({ answer, unitName }) {
  const all = answer.pairs ?? [];
  if (!all.length) return null;
  const link = (pair, which) =>
    el("a", { href: pair[which], "aria-label": `${which}, ${pair.vehicle}` }, which);
  const conditions = (pair) =>
    pair.held
      ? "held"
      : (pair.differs ?? []).map((item) => whatDiffers(item, system(answer))).join("; ") || "not known";
  const row = (pair) => [
    pair.vehicle,
    pair.at ? date(pair.at) : "not known",
    signed(pair.gain, 1),
    percent(pair.percent, 1, true),
    match(pair.match),
    conditions(pair),
    counted(pair),
    [link(pair, "before"), link(pair, "after")],
  ];
  const heads = [
    "car",
    "measured",
    `gain, ${unitName}`,
    "in %",
    "how alike",
    "conditions",
    "counted",
    "records",
  ];
  const words = [false, true, false, false, true, true, true, false];
  return section(
    "The pairs it rests on",
    table("One before/after pair in each row", heads, all.map(row), words),
  );
}
