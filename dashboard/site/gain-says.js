// A gain in a sentence, and how sure that is; for this car where its own reading was entered.

import { el } from "./dom.js";
import {
  between,
  count,
  decimals,
  figure,
  grade,
  known,
  measureInWords,
  number,
  percent,
  rpm,
  say,
  typed,
  unit,
} from "./say.js";

// In the asked unit; in percent where the level of the cars, and so the unit, is not known. With this car's own
// reading (`now`) every figure is the cars' percent of that reading; the revs stay in percent, as it reads one figure.
export function scale(asked, answer) {
  const inUnits = known(answer.typical);
  const own = (name) => answer[inUnits ? name : `${name}_percent`];
  const now = inUnits && asked.baseline && answer.baseline_is === "yours" ? Number(asked.baseline) : null;
  const unitName = unit(answer, asked.measure);
  const scaled = ({ percent: share }) => (known(share) ? (share / 100) * answer.baseline : null);
  const name = inUnits ? unitName : "%";
  return {
    name,
    unitName,
    typical: own("typical"),
    interval: own("typical_interval"),
    next: own("next_car_interval"),
    now,
    revs: now || !inUnits ? { name: "%", suffix: "_percent" } : { name, suffix: "" },
    of: (pair) => (inUnits ? (now ? scaled(pair) : (pair.gain ?? scaled(pair))) : pair.percent),
  };
}

const headline = (words) => el("p", { class: "headline" }, words);

export function unmeasured({ asked, answer }) {
  const { partName, carName } = asked;
  const words = outOfReach(answer)
    ? `The ${partName} on the ${carName}: ${elsewhereInTheRevs(asked, answer)}. No number is given.`
    : `The ${partName} has not been measured on the ${carName}. No number is given.`;
  return el("div", { class: "answer" }, headline(words));
}

// Cars were compared, but none where the question looks.
const outOfReach = ({ evidence }) => !evidence.cars && evidence.cars_compared > 0;

function elsewhereInTheRevs({ measure, from, to, rpm: at }, { evidence: { cars_compared: n } }) {
  const none = n === 1 ? "but not" : "none of them";
  const where = measure.startsWith("band")
    ? `from ${number(from)} to ${rpm(to)}`
    : measure.endsWith("_at")
      ? `at ${rpm(at)}`
      : `by its ${measureInWords({ measure })}`;
  return `measured on ${count(n, "car")}, ${none} ${where}`;
}

export function sentences(told) {
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
  const { cars: n, cars_with: withIt, grade: how } = answer.evidence;
  const doubtful = interval && interval[0] <= 0 && interval[1] >= 0;
  const end = doubtful ? ": not enough to tell from nothing." : ".";
  const would = (words) => say`${words} the typical one would see ${size(told, typical, places, true)}${end}`;
  if (outOfReach(answer))
    return would(
      `The ${asked.partName} on the ${asked.carName}: ${elsewhereInTheRevs(asked, answer)}. Going by other cars,`,
    );
  if (how === "borrowed" && !withIt)
    return would(
      `No ${asked.carName} has been measured with the ${asked.partName} yet. Going by other kinds of car,`,
    );
  const way = asked.rivalName
    ? `with the ${asked.rivalName} and with the ${asked.partName} in its place`
    : `with and without the ${asked.partName}`;
  if (!n)
    return would(
      `No ${asked.carName} has been measured ${way} and nothing else changed. Going by cars with more changed and by other kinds,`,
    );
  const head =
    n === 1
      ? `The one ${asked.carName} car measured ${way}`
      : `In ${count(n, `${asked.carName} car`)} measured ${way}, the typical car`;
  if (doubtful) return say`${head} changed by ${size(told, typical, places, true)}${end}`;
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

// Where an interval includes nought nothing is known to be gained.
const moves = ([low, high], gains, changes) => (low <= 0 && high >= 0 ? changes : gains);

function certainty({ interval, next, name, level }, places) {
  const first = interval
    ? say`We are ${level}\u00a0% sure the typical car ${moves(interval, "gains", "changes by")} between ${between(interval, places, name)}. `
    : [];
  const second = next
    ? say`One more car is expected to ${moves(next, "gain", "change by")} between ${between(next, places, name)} (${level}\u00a0% sure).`
    : [];
  return interval || next
    ? [...first, ...second]
    : "That is too few cars to say how sure it is, or what one more car would gain.";
}

function thisCar({ now, typical, next, name }, places) {
  const ends = next?.map((gain) => now + gain);
  const range = ends ? say`, between ${between(ends, places, name)}` : [];
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
