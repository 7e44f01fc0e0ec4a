// What is worth its money, in words: the sentence, the order, the way to a wished gain, and what may not earn its price.

import { el } from "./dom.js";
import { addressNote, cautionBox, facts, section, table, unfold } from "./show.js";
import {
  between,
  count,
  date,
  grade,
  inHundred,
  inList,
  inPercent,
  inSentence,
  known,
  measureInWords,
  money,
  number,
  say,
  standard,
  typed,
  unit,
} from "./say.js";
import { approval, approvals, aside, countedIn, gainOf, inPlace, partLink, picture } from "./worth-shows.js";

// What to show: `first` stands in the live region, `then` below it.
export function answered({ answer, ...told }) {
  const inUnits = known(answer.baseline); // else only percent are known
  const whole = {
    ...told,
    answer,
    rows: Object.fromEntries(answer.parts.map((row) => [row.part, row])),
    level: inPercent(answer.level),
    unitName: inUnits ? unit(answer, told.asked.measure) : "%",
    suffix: inUnits ? "" : "_percent",
    reference: inUnits ? answer.baseline : 100,
    paid: (value) => money(value, answer.currency),
  };
  const lines = [gradeOfFirst(whole), measuredHere(whole), sureOfFirst(whole), afterwards(whole), boughtAtOnce(whole)];
  const first = el("div", { class: "answer" }, opening(whole), lines.filter(Boolean));
  if (!answer.parts.length) return { first, then: [cautionBox(answer), leftOut(answer)] };
  const sections = [
    picture(whole),
    order(whole),
    wish(whole),
    el("section", { id: "together" }),
    doubtful(whole),
  ];
  const last = [leftOut(answer), addressNote(), footnote(whole)];
  return { first, then: [cautionBox(answer), ...sections, ...last] };
}

/* The sentence */

const counted = (evidence) =>
  evidence.grade === "borrowed" ? `borrowed from ${countedIn(evidence)}` : countedIn(evidence);

const headline = (...words) => el("p", { class: "headline" }, words);

function opening(told) {
  const { answer, carName, paid, asked } = told;
  const steps = answer.best_order;
  const limit = answer.budget === null ? null : paid(answer.budget);
  if (!answer.parts.length) return headline(`Nothing can be said of parts on the ${carName} yet.`);
  if (!steps.length) return headline(...nothingToBuy(told, limit));
  const { typical } = gainOf(told, steps[0], "adds");
  const start = limit ? say`For up to ${el("strong", {}, limit)}, most` : ["Most"];
  const name = el("strong", { class: "name" }, inSentence(steps[0].name));
  const words = say`the ${name}, typically ${el("strong", {}, typical)} for ${paid(steps[0].cost)} fitted.`;
  return headline(...start, ` ${measureInWords(asked)} for the money on the ${carName}: `, ...words);
}

// What was said first is as sure as its own evidence.
function gradeOfFirst(told) {
  const first = told.answer.best_order[0];
  if (!first) return null;
  const { evidence } = told.rows[first.part];
  const [word, meaning] = grade(evidence.grade);
  const { range } = gainOf(told, first, "adds");
  const words = say`${el("strong", {}, word)}: ${meaning}. Between ${range} (${told.level}\u00a0% sure), ${counted(evidence)}; ${approval(told, first.part)}.`;
  return el("p", { class: `grade grade-${evidence.grade}` }, words);
}

function nothingToBuy({ answer, carName, paid }, limit) {
  if (answer.budget_range) {
    const cheapest = Math.min(...buyable(answer).map(({ fitted }) => fitted));
    return say`For up to ${limit} no part is known to gain on the ${carName}. The cheapest that is costs ${paid(cheapest)} fitted.`;
  }
  if (answer.parts.some(({ standing }) => standing === "gains"))
    return [
      `Parts gain on the ${carName}, but what they cost fitted is not recorded: enter price and hours of work.`,
    ];
  return [`No part is known to gain on the ${carName}: each interval includes nought, or lies below it.`];
}

const buyable = ({ parts }) =>
  parts.filter(
    ({ standing, fitted, against }) => standing === "gains" && known(fitted) && against === "without",
  );

// What several parts rest on is as weak as the weakest of them.
function weakest({ rows }, parts, name) {
  const names = parts
    .filter((part) => rows[part].evidence.grade === name)
    .map((part) => inSentence(rows[part].name));
  return say`The weakest evidence in it: ${el("strong", {}, name)} (${names.join(", ")}).`;
}

const slugs = (steps) => steps.map(({ part }) => part);

// What comes after the first, and what all of it gives.
function afterwards(told) {
  const { answer, rows, paid } = told;
  const [, next, ...more] = answer.best_order;
  if (!next) return null;
  const last = answer.best_order.at(-1);
  const added = gainOf(told, next, "adds");
  const name = el("strong", {}, inSentence(next.name));
  const follow = more.length ? ` Then ${number(more.length)} more, in the order below.` : "";
  const second = say`After it the ${name} for ${paid(next.cost)} (typically ${added.typical}, between ${added.range}; ${counted(rows[next.part].evidence)}; ${approval(told, next.part)}).${follow}`;
  const { typical, range } = gainOf(told, last, "gained");
  const all = more.length ? `All ${number(more.length + 2)}` : "Both";
  const together = say` ${all} together cost ${paid(last.spent)} and typically give ${typical}, between ${range} (${told.level}\u00a0% sure): gains do not simply add. `;
  return el("p", { id: "afterwards" }, second, together, weakest(told, slugs(answer.best_order), last.grade));
}

// Where the first place was not measured here: the best that was.
function measuredHere(told) {
  const { answer, rows, paid } = told;
  const best = rows[answer.best_measured_here];
  const first = answer.best_order[0];
  if (!best || !first || rows[first.part].evidence.cars) return null;
  const { typical, range } = gainOf(told, best, "typical");
  const name = el("strong", {}, inSentence(best.name));
  const words = say`Of what was measured with and without on this kind of car itself: the ${name} for ${paid(best.fitted)}`;
  return el("p", {}, words, say` (typically ${typical}, between ${range}; ${counted(best.evidence)}; ${approval(told, best.part)}).`);
}

function sureOfFirst({ answer }) {
  const [first, second] = answer.parts
    .filter((row) => row.chance_of_best)
    .sort((a, b) => b.chance_of_best - a.chance_of_best);
  if (!first) return null;
  const next = second
    ? `; that the ${inSentence(second.name)} does, ${inHundred(second.chance_of_best)}`
    : "";
  return el(
    "p",
    {},
    `How sure is the best buy? The chance that the ${inSentence(first.name)} gives most for its money is ${inHundred(first.chance_of_best)}${next}.`,
  );
}

// What one budget buys in one go may be other parts than what is fitted one after the other.
function boughtAtOnce(told) {
  const { answer, rows, paid } = told;
  const { best_within_budget: best, best_within_budget_gives: gives } = answer;
  const inOrder = answer.best_order.map(({ part }) => part);
  if (!gives || best.every((part) => inOrder.includes(part))) return null;
  const names = best.map((part) => inSentence(rows[part].name)).join(", ");
  const { typical, range } = gainOf(told, gives, "gained");
  const words = say`If all is bought in one go, most gain for up to ${paid(answer.budget)}: ${names}. It costs ${paid(gives.spent)} and typically gives ${typical}, between ${range} (${told.level}\u00a0% sure). `;
  return el("p", { id: "at-once" }, words, say`${weakest(told, best, gives.grade)} ${approvals(told, best)}`);
}

/* In which order, and the cheapest way */

function steps(told, caption, list) {
  const heads = ["part", "costs fitted", "adds", "spent so far", "gained so far"];
  const rows = list.map((step) => {
    const adds = gainOf(told, step, "adds");
    const gained = gainOf(told, step, "gained");
    const cells = [told.paid(step.cost), [adds.typical, aside(adds.inTable)], told.paid(step.spent)];
    const name = [partLink(told, step.part, step.name), aside(approval(told, step.part))];
    return [name, ...cells, [gained.typical, aside(gained.inTable)]];
  });
  return table(caption, heads, rows, undefined, true);
}

function order(told) {
  const list = told.answer.best_order;
  if (!list.length) return null;
  const words =
    "Each line is the part that then gives most for the money, beside what the car has and the lines above it. A part whose gain in that place is not established has no line.";
  return section(
    "In which order",
    { id: "order" },
    el("p", {}, words, " ", approvals(told, slugs(list))),
    steps(told, "In which order to fit", list),
  );
}

function wish(told) {
  const { answer, asked, unitName, paid } = told;
  const found = answer.cheapest_to_wish;
  const title = "The cheapest way to a wished gain";
  if (!found) {
    const words = asked.wished
      ? "Not known: how much such a car makes is not on record."
      : "Enter a wished gain above.";
    return section(title, { id: "wish", class: asked.wished ? null : "screen" }, el("p", {}, words));
  }
  const wished = `+${typed(Number(asked.wished))}\u00a0${unitName}`;
  if (!found.steps.length) {
    const most = gainOf(told, found, "most");
    const words = known(found.most)
      ? say`${wished} is out of reach: all whose interval lies above nought, and that can be priced, typically comes to ${most.typical} together, between ${most.range}.`
      : `${wished} is out of reach: no part that can be priced is known to gain here.`;
    return section(title, { id: "wish" }, el("p", {}, words));
  }
  const { typical, range } = gainOf(told, found.steps.at(-1), "gained");
  const parts = found.steps.map(({ name }) => inSentence(name)).join(", then ");
  const within = found.within_budget === false ? " That is beyond the budget." : "";
  const chosen = slugs(found.steps);
  return section(
    title,
    { id: "wish" },
    el(
      "p",
      { class: "lead" },
      say`To ${wished} for ${el("strong", {}, paid(found.spent))}: ${parts}. ${found.steps.length > 1 ? "Together typically" : "Typically"} ${typical}, between ${range}.${within}`,
    ),
    el("p", {}, `The chance that one more car gains as much is ${inHundred(found.chance)}.`),
    el("p", {}, say`${weakest(told, chosen, found.steps.at(-1).grade)} ${approvals(told, chosen)}`),
    found.steps.length > 1 ? steps(told, `The cheapest way to ${wished}`, found.steps) : null,
  );
}

/* What may not earn its price, and how many more tests would tell */

function doubtful(told) {
  const rows = told.answer.parts.filter(({ standing }) => standing !== "gains");
  const here = rows.filter(({ evidence }) => evidence.cars);
  const mixed = rows.filter(({ evidence }) => !evidence.cars && evidence.grade !== "borrowed");
  const away = rows.filter(({ evidence }) => evidence.grade === "borrowed");
  const sorted = (list) => list.sort((a, b) => a.chance_of_gain - b.chance_of_gain);
  const words = here.length
    ? "Measured with and without on this kind of car, and still not known to gain; the least likely first."
    : "Of every part measured with and without on this kind of car the interval lies above nought.";
  const hidden = away.length
    ? unfold(
        `${count(away.length, "part")} not measured on this kind of car, gain not established`,
        doubts(told, "Not measured here", sorted(away)),
      )
    : null;
  const shown = here.length ? doubts(told, "May not earn the price", sorted(here)) : null;
  const amongOthers = mixed.length
    ? [el("p", {}, TOGETHER_ONLY), doubts(told, "Only together with other changes", sorted(mixed))]
    : null;
  return section(
    "What may not earn its price",
    { id: "doubtful" },
    el("p", {}, words),
    shown,
    amongOthers,
    hidden,
    firmness(told),
  );
}

const TOGETHER_ONLY =
  "Measured on this kind of car only together with other changes: no car had it with and without, all else the same.";

function doubts(told, caption, list) {
  const heads = ["part", "costs fitted", "typical", "between", "chance to gain", "more cars until known"];
  const rows = list.map((row) => {
    const { typical, range } = gainOf(told, row, "typical");
    const notes = [row.standing === "loses" ? "known to lose" : null, inPlace(row.against)].filter(Boolean);
    const cost = known(row.fitted) ? told.paid(row.fitted) : "not known";
    const tests = number(row.cars_until_established);
    const cars =
      row.standing === "loses" ? "none" : known(row.cars_until_established) ? tests : "more than 100";
    return [
      [partLink(told, row.part, row.name), aside(notes.join(", "))],
      cost,
      typical,
      range,
      inHundred(row.chance_of_gain),
      cars,
    ];
  });
  return table(caption, heads, rows, undefined, true);
}

const PLANNED = `Cars still to be tested once with and once without the part, if its gain stays where it is now believed.
A plan, no promise: about every second time it takes more.`;

function firmness(told) {
  const list = told.answer.parts.filter(
    ({ standing, cars_until_half: cars }) => standing === "gains" && cars !== undefined,
  );
  if (!list.length) return null;
  const rows = list.map((row) => [
    partLink(told, row.part, row.name),
    gainOf(told, row, "typical").range,
    number(row.evidence.cars),
    known(row.cars_until_half) ? number(row.cars_until_half) : "more than 100",
  ]);
  const heads = ["part", "gain between", "cars measured", "more cars until twice as sure"];
  return unfold(
    "How many more tests until a gain is twice as sure?",
    el("p", {}, PLANNED),
    table("Tests still to be made", heads, rows, undefined, true),
  );
}

/* What is left out; on what it all rests */

function leftOut({ left_out_parts: parts }) {
  if (!parts.length) return null;
  const why = [...new Set(parts.map((part) => part.why))];
  const names = (reason) =>
    parts
      .filter((part) => part.why === reason)
      .map(({ name }) => name)
      .join(", ");
  return section("Left out", facts(why.map((reason) => [inList(reason), names(reason)])));
}

// Of which days the prices are, as far as that is recorded.
function dated({ parts }) {
  const days = [...new Set(parts.map((row) => row.price_date).filter(Boolean))].sort();
  if (days.length) return `Prices of ${date(days[0])}${days.length > 1 ? ` to ${date(days.at(-1))}` : ""}`;
  return parts.some(({ price }) => known(price)) ? "Day of the prices not recorded" : "No price is recorded";
}

function footnote({ answer, paid }) {
  const work = known(answer.labour_rate)
    ? `work at ${paid(answer.labour_rate)} an hour`
    : "labour rate not set";
  const base = known(answer.baseline)
    ? ` Gains on ${answer.baseline_is === "yours" ? "this car's own reading" : `a ${answer.baseline_is}`}.`
    : "";
  const words = `${dated(answer)}, ${work}; ask for today's.${base} Wheel figures corrected to ${standard(answer.standard)}.`;
  return el("p", { class: "footnote" }, `${words} As of ${date(answer.as_of)}.`);
}
