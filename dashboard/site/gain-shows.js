// A gain in pictures and tables: over the revs, car by car, how sure, and for how much.

import { binned, chart } from "./chart.js";
import { el } from "./dom.js";
import { gainPage, link, worthPage } from "./links.js";
import { counted } from "./gain-pairs.js";
import { answers, asides, csvButton, facts, section, table, unfold } from "./show.js";
import {
  count,
  date,
  inHundred,
  known,
  money,
  month,
  number,
  percent,
  rpm,
  signed,
  standard,
  typed,
} from "./say.js";

const TABLE_STEP_RPM = 500;
const MOST_DRAWN_CARS = 40; // our choice: more are counted in bars
const LEAST_NAMED_SHARE = 0.12; // our choice: of the rev range; in a shorter stretch the word would overprint
const LIKE = ["same-session-aba", "same-session"];
const SIDES = ["typical", "low", "high", "band_low", "band_high", "next_low", "next_high"];

/* Where in the revs */

export function revs(told) {
  const { asked, answer, level, now } = told;
  const { name, suffix } = told.revs;
  const all = knotsOf(answer.curve ?? {}, suffix);
  const band = all.some(banded);
  const knots = band ? all.filter(banded) : all; // the ends, where too few cars reach, would mislead
  const title = "Where in the revs?";
  const id = { id: "revs" };
  if (!knots.length)
    return section(
      title,
      id,
      el("p", {}, "Not known over the rev range: only single figures are on record."),
    );
  const words = band
    ? answers(told.said("revs"), title)
    : el("p", {}, "Too few cars to say where it gains and where it loses; the line is these cars alone.");
  const sure = band
    ? ` Band: where it lies, ${level} % sure, each speed by itself; broken line: all speeds at once; dotted: one more car.`
    : "";
  const why = now ? " In percent, as this car's one reading says nothing of its other speeds." : "";
  const established = answer.curve.established ?? [];
  const caption = `Gain in ${name} at each engine speed, from ${number(knots[0].rpm)} to ${rpm(knots.at(-1).rpm)}.${why} Line: the typical car${most(knots, established, name)}.${sure} ${marked(established)}`;
  const data = { knots, stretches: stretches(established, knots), nought: [{ value: 0 }] };
  const rows = knots
    .filter((knot) => knot.rpm % TABLE_STEP_RPM === 0)
    .map((knot) => [
      number(knot.rpm),
      ...["typical", "low", "high", "next_low", "next_high"].map((side) => signed(knot[side], 1)),
      number(knot.cars),
    ]);
  const heads = ["rpm", "typical", "from", "to", "one more car from", "to", "cars"];
  return section(
    title,
    id,
    words,
    chart("gain-curve", name, data, caption, {
      spoken:
        told
          .said("revs")
          .flatMap(({ answer: lines }) => lines)
          .join(" ") || undefined,
      file: `gain-${asked.platform}-${asked.part}`,
    }),
    unfold("The curve as a table", table(`Gain in ${name} at each engine speed`, heads, rows)),
    csvButton("/v1/typical-gain", asked.plain, `gain-${asked.platform}-${asked.part}`),
  );
}

function knotsOf(curve, suffix) {
  const at = (name, i) => curve[name + suffix]?.[i] ?? null;
  const knot = (speed, i) => ({
    rpm: speed,
    ...Object.fromEntries(SIDES.map((name) => [name, at(name, i)])),
    cars: curve.cars?.[i] ?? null,
  });
  return (curve.rpm ?? []).map(knot).filter((each) => known(each.typical));
}

// The most in percent, which the words beside it say, is at another speed than the most in a unit.
function most(knots, established, name) {
  const gaining = knots.filter((knot) => established.some((one) => one.is === "gain" && one.from_rpm <= knot.rpm && knot.rpm <= one.to_rpm));
  if (name === "%" || !gaining.length) return "";
  const top = gaining.reduce((best, knot) => (knot.typical > best.typical ? knot : best));
  return `, most at ${rpm(top.rpm)} (${signed(top.typical, 1)} ${name})`;
}

// What the thick strokes on nought say, where there are any.
function marked(established) {
  if (!established.length) return "Where the band includes nought, nothing is established.";
  const [gain, loss] = ["gain", "loss"].map((is) => established.some((one) => one.is === is));
  const strokes = gain ? `thick, a gain is established${loss ? "; thick and broken, a loss" : ""}` : "thick and broken, a loss is established";
  return `Where nought is drawn ${strokes}. Where the band includes it, nothing is.`;
}

// With a band, or without one where there are too few cars for it.
const banded = (knot) => known(knot.low) && known(knot.high);

// What the ledger calls established, for the picture: a word stands over a stretch only where there is room for it.
function stretches(established, knots) {
  const least = LEAST_NAMED_SHARE * (knots.at(-1).rpm - knots[0].rpm);
  return established.map(({ from_rpm: from, to_rpm: to, is }) => ({
    from,
    to,
    middle: (from + to) / 2,
    nought: 0,
    word: is === "gain" ? "gains" : "loses",
    named: to - from >= least,
  }));
}

/* Car by car */

const likeForLike = (pair) => LIKE.includes(pair.match) && pair.held;

export function cars(told) {
  const { asked, answer, name, typical, interval, next, now } = told;
  const chosen = (answer.pairs ?? [])
    .filter((pair) => pair.used !== false && known(told.of(pair)))
    .map((pair) => ({ pair, value: told.of(pair) }))
    .sort((a, b) => b.value - a.value);
  if (!chosen.length) return null;
  const [low, high] = interval ?? [null, null];
  const rows = [
    { order: -2, kind: "typical", label: "typical car", value: typical, low, high },
    ...(next ? [{ order: -1, kind: "next", label: "one more car", low: next[0], high: next[1] }] : []),
  ];
  const nought = [{ value: 0 }];
  const footing = now ? `, scaled to this car's ${typed(now)} ${name}` : "";
  const file = { file: `cars-${asked.platform}-${asked.part}` };
  const dot = ({ pair, value }, i) => ({
    order: i,
    kind: likeForLike(pair) ? "like" : "other",
    label: `car ${i + 1}, ${month(pair.at)}`, // no tag: a customer may read along
    value,
  });
  const drawn =
    chosen.length > MOST_DRAWN_CARS
      ? chart(
          "gain-density",
          name,
          { rows, nought, bins: binned(chosen.map(({ value }) => value)) },
          `Gain in ${name}${footing}: how many of the ${number(chosen.length)} cars gained what. Above: the typical car, and one more car (broken line). The pairs are listed below.`,
          file,
        )
      : chart(
          "gain-cars",
          name,
          { rows: [...rows, ...chosen.map(dot)], nought },
          `Gain in ${name}${footing}, one row for each car. Full dot: like for like (same strap-down, conditions held). Open dot: less alike, or not known to be alike. The pairs are listed below.`,
          file,
        );
  return section("Car by car", { id: "cars" }, answers(told.said("cars")), drawn);
}

/* How sure, cost, law */

export function sure(told) {
  const { answer, level } = told;
  const { evidence, pairs_only: alone, peak_shift_rpm: shift, chance_of_gain: chance } = answer;
  const range = (ends) => (ends ? `, between ${number(ends[0], 1)} and ${percent(ends[1], 1)}` : "");
  const when = (value, words) => (value ? words(value) : null);
  const beside = {
    alone: " (cars otherwise stock)",
    "as-usually-fitted": " (beside what is usually fitted)",
  };
  const rows = [
    [
      "Cars and comparisons",
      `${counted(evidence)}, ${number(evidence.like_for_like)} of them like for like, in ${count(evidence.bays, "bay")}`,
    ],
    [
      "Measured with it, whatever else was fitted",
      when(evidence.cars_with, (n) => count(n, "car of this kind", "cars of this kind")),
    ],
    [
      "Measured with it elsewhere",
      when(evidence.cars_elsewhere, (n) => count(n, "car of another kind", "cars of other kinds")),
    ],
    [
      "Every range on this page",
      known(answer.typical_interval_percent) ? `${level}\u00a0% sure, each by itself` : null,
    ],
    ["Measured", when(evidence.first, () => `${date(evidence.first)} to ${date(evidence.last)}`)],
    ["Chance that one more car gains", known(chance) ? inHundred(chance) : null],
    [
      "Borrowed from other kinds of car and like parts",
      when(evidence.borrowed_share, (share) => `${percent(share * 100)} of this answer`),
    ],
    [
      "Cars differ in their gain by",
      when(evidence.spread_percent, (sd) => `${percent(sd, 1)} of their reading (standard deviation)`),
    ],
    [
      "Cannot be told apart here from",
      when(evidence.inseparable_from?.length, () => evidence.inseparable_from.join(", ")),
    ],
    [
      "The peak moved by",
      when(
        shift?.interval,
        (ends) =>
          `${signed(shift.typical, 0)} rpm, between ${signed(ends[0], 0)} and ${signed(ends[1], 0)} rpm`,
      ),
    ],
    [
      "From the pairs alone",
      known(alone?.typical_percent)
        ? `${percent(alone.typical_percent, 1, true)}${range(alone.interval_percent)}${beside[alone.context] ?? ""}`
        : null,
    ],
  ];
  return section("How sure is this?", { id: "sure" }, answers(told.said("sure")), facts(rows));
}

export function cost(told) {
  const { asked, answer, unitName, now } = told;
  const { cost: paid } = answer;
  const [title, id] = ["What it costs", { id: "cost" }];
  const rest = [
    answers(told.said("cost")),
    el(
      "p",
      { class: "screen" },
      link(
        worthPage({ platform: asked.platform, measure: asked.measure, units: asked.units }),
        "Is it worth its price against the other parts?",
      ),
    ),
  ];
  if (!known(paid?.price))
    return section(title, id, el("p", {}, "No price is recorded for this part."), rest);
  const amount = (value) => money(value, paid.currency);
  const work = known(paid.labour_hours)
    ? `${number(paid.labour_hours, 1)} hours of work`
    : "hours of work not recorded";
  const rate = known(paid.labour_rate) ? ` at ${amount(paid.labour_rate)}` : ", labour rate not set";
  const range = paid.per_unit_interval ? `, between ${paid.per_unit_interval.map(amount).join(" and ")}` : "";
  const per = known(paid.per_unit)
    ? `About ${amount(paid.per_unit)} per ${unitName}${now ? " on this car" : ""}${range}.`
    : `Gain not established, so there is no price per ${unitName}.`;
  const dated = paid.price_date ? ` Price of ${date(paid.price_date)}.` : "";
  if (!known(paid.fitted)) {
    const why = `the shop has no hourly rate in ${paid.currency}, so what it costs fitted is not known.`;
    return section(title, id, el("p", {}, `Part ${amount(paid.price)}, ${work}; ${why}${dated}`), rest);
  }
  const fitted = el("strong", {}, amount(paid.fitted));
  return section(
    title,
    id,
    el("p", {}, "Fitted: ", fitted, ` (part ${amount(paid.price)}, ${work}${rate}). ${per}${dated}`),
    rest,
  );
}

export function lawful(told) {
  const items = told.said("lawful");
  const title = items[0]?.question ?? "Is it lawful on the road?";
  return section(title, { id: "lawful" }, answers(items, title));
}

/* What else is asked */

export function asked(told) {
  const to = ({ part, against, words }) =>
    link(gainPage({ ...told.asked.plain, baseline: null, part, against }), words);
  return asides(told.said("asked").map((item) => ({ ...item, see: item.see.map(to) })));
}

export function footnote({ answer }) {
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
