// The pairs a gain rests on: one row each, and each opened down to its pulls.

import { el } from "./dom.js";
import { link } from "./links.js";
import { openedPair } from "./records.js";
import { answers, section, table, unfold, unfoldLater } from "./show.js";
import { count, date, known, match, number, percent, signed, system, typed, allThatDiffers } from "./say.js";

const MOST_LISTED_PAIRS = 100; // our choice: the rest is written only when it is asked for

// "3 cars counted, of 42 comparisons"
export const counted = ({ cars: n, pairs: all }) =>
  `${count(n, "car")} counted, of ${count(all, "comparison")}`;

// Each car counts once, with its best pair; a doubted pull counts only once confirmed.
const counts = ({ used, usable }) =>
  used !== false ? "yes" : usable === false ? "no: doubts against a pull" : "no: this car counts once";

export function pairs(told) {
  const { answer, unitName, now } = told;
  const all = [...(answer.pairs ?? [])].sort((a, b) => (b.used !== false) - (a.used !== false));
  if (!all.length) return null;
  const gain = now ? `on this car, ${unitName}` : `gain, ${unitName}`;
  const heads = ["car", "measured", gain, "in %", "how alike", "conditions", "counted", "records"];
  const part = (from, to) => {
    const some = all.slice(from, to);
    const caption =
      all.length > MOST_LISTED_PAIRS
        ? `Comparisons ${number(from + 1)} to ${number(from + some.length)} of those listed`
        : "One before/after pair in each row";
    return el(
      "div",
      {},
      pairTable(caption, heads, some, told),
      unfoldLater("How do we know? Each of these down to its pulls", () =>
        el(
          "div",
          {},
          some.map((pair) => openedPair(pair, system(answer), `${pair.vehicle}, ${date(pair.at)}`)),
        ),
      ),
    );
  };
  const rest = all.length - MOST_LISTED_PAIRS;
  return section(
    "The pairs it rests on",
    { id: "pairs" },
    answers(told.said("pairs")),
    el("p", {}, listed(told, all)),
    unfold(
      "The pairs one by one, with their cars", // tags are not for a customer who reads along
      part(0, MOST_LISTED_PAIRS),
      rest > 0 ? unfoldLater(count(rest, "more comparison"), () => part(MOST_LISTED_PAIRS, all.length)) : null,
    ),
  );
}

function listed({ answer, unitName, now }, all) {
  const { evidence, baseline } = answer;
  const some =
    all.length < evidence.pairs ? ` Listed: ${number(all.length)}, the most alike of each car.` : "";
  const own = now
    ? ` Gains in ${unitName} are each car's percent of this car's ${typed(now)} ${unitName}.`
    : "";
  const stands =
    known(baseline) && !now
      ? `; its gain is its percent of ${number(baseline, 1)} ${unitName}, which the cars typically read without it`
      : "";
  const ratio = all.some(ratioOnly) ? ` A car marked \u201cratio only\u201d has no level of its own on record${stands}.` : "";
  return `${counted(evidence)}.${some}${own}${ratio}`;
}

const ratioOnly = (pair) => !known(pair.gain) && known(pair.percent);

function pairTable(caption, heads, some, told) {
  const record = (pair, which) => link(pair[which], which, `${which}, ${pair.vehicle}`);
  const conditions = (pair) =>
    pair.held
      ? "held"
      : allThatDiffers(pair.differs ?? [], system(told.answer)) || "not known";
  const gain = (pair) => (told.name === "%" ? pair.gain : told.of(pair));
  const row = (pair) => [
    pair.vehicle,
    pair.at ? date(pair.at) : "not known",
    el(
      "span",
      {},
      signed(gain(pair), 1),
      ratioOnly(pair) ? el("span", { class: "aside" }, "ratio only") : null,
    ),
    percent(pair.percent, 1, true),
    match(pair.match),
    conditions(pair),
    counts(pair),
    el("span", {}, record(pair, "before"), " ", record(pair, "after")),
  ];
  return table(caption, heads, some.map(row), [false, true, false, false, true, true, true, true], true);
}
