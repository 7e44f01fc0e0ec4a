// Parts that were ticked: side by side, and together.

import { ask } from "./ask.js";
import { el } from "./dom.js";
import { table } from "./show.js";
import { costBetween } from "./worth-shows.js";
import {
  count,
  decimals,
  figure,
  between,
  inList,
  inPercent,
  inSentence,
  known,
  money,
  number,
  percent,
  say,
  unit,
} from "./say.js";

const INVITE =
  "Tick two or more parts in the table above: they stand here side by side, and what they do together.";

const RIVALS = "These fill the same place on the car, so they are not fitted together.";

export async function together(place, told, signal) {
  const title = el("h2", {}, "Side by side, and together");
  const chosen = told.ticked
    .map((slug) => told.answer.parts.find(({ part }) => part === slug))
    .filter(Boolean);
  if (chosen.length < 2) return place.replaceChildren(title, el("p", { class: "screen" }, INVITE));
  const slots = chosen.flatMap((row) => row.slots);
  if (new Set(slots).size < slots.length)
    return place.replaceChildren(title, el("p", {}, RIVALS), sideBySide(told, chosen, []));
  const { platform, asked } = told;
  const { budget, wished, slot, fitted, baseline, ...rest } = asked;
  const parts = told.ticked.join(",");
  const asks = { ...rest, platform, parts, baseline: fitted ? null : baseline };
  const found = await ask("/v1/build-estimate", asks, signal).catch((fault) => fault);
  const said = found.parts ? inWords(told, found) : [el("p", {}, `Not together: ${found.message}.`)];
  return place.replaceChildren(title, ...said, sideBySide(told, chosen, found.parts ?? []));
}

function inWords(told, found) {
  const names = found.parts.map(({ name }) => inSentence(name));
  const level = inPercent(found.level);
  const inUnits = known(found.typical);
  const name = inUnits ? unit(found, told.asked.measure) : "%";
  const suffix = inUnits ? "" : "_percent";
  const interval = found[`typical_interval${suffix}`];
  if (!interval) return [el("p", {}, "Not all of these were measured anywhere. No number is given.")];
  const places = decimals(interval, inUnits ? found.baseline : 100);
  const stock = told.asked.fitted ? " on an otherwise stock car" : "";
  const sum = el("strong", {}, figure(found[`typical${suffix}`], places, name, true));
  const all = `${names.slice(0, -1).join(", ")} and ${names.at(-1)}`;
  const alone = `What each does alone would come to ${percent(found.alone_percent, 1, true)}; together it is ${percent(found.typical_percent, 1, true)}.`;
  return [
    el(
      "p",
      { class: "lead" },
      say`Together${stock} the ${all} typically give ${sum}, between ${between(interval, places, name)} (${level}\u00a0% sure).${cost(found, name)}`,
    ),
    el("p", {}, tested(told, found)),
    el("p", {}, alone),
    el(
      "ul",
      {},
      found.together.map((pair) => el("li", {}, beyond(told, pair, level))),
    ),
  ];
}

function cost({ cost: paid }, name) {
  if (!known(paid.fitted)) return " What they cost fitted is not known.";
  const amount = (value) => money(value, paid.currency);
  const per = paid.per_unit_interval
    ? `: about ${amount(paid.per_unit)} per ${name} (${costBetween(paid.per_unit_interval, amount)})`
    : "";
  return ` Fitted they cost ${amount(paid.fitted)}${per}.`;
}

function tested({ carName }, { evidence, parts }) {
  const cars = evidence.cars_with_all;
  const all = parts.length === 2 ? "both" : "all of them";
  return cars
    ? `${count(cars, `${carName} car`)} ${cars === 1 ? "was" : "were"} measured here with ${all} fitted at once; that is in the figure.`
    : `Never tested together here: no ${carName} was measured with ${all} fitted at once. The figure rests on each alone and on what is usual between such places of a car.`;
}

function beyond({ answer }, { parts, percent: more, interval_percent: interval, cars }, level) {
  const names = parts
    .map((slug) => inSentence(answer.parts.find(({ part }) => part === slug)?.name ?? slug))
    .join(" with the ");
  const range = interval
    ? `, between ${number(interval[0], 1)} and ${percent(interval[1], 1)} (${level}\u00a0% sure; ${count(cars, "car")} of any kind show it)`
    : `; ${count(cars, "car")} of any kind show it, too few to say how sure`;
  return `The ${names}: ${percent(more, 1, true)} beyond their sum${range}.`;
}

function sideBySide(told, chosen, built) {
  const paid = (value) => (known(value) ? money(value, told.answer.currency) : "not known");
  const name = unit(told.answer, told.asked.measure);
  const rows = chosen.map((row) => {
    const per = row.cost_per_unit_interval;
    const share = built.find(({ part }) => part === row.part)?.contributes_percent;
    return [
      inList(row.name),
      paid(row.fitted),
      percent(row.typical_percent, 1, true),
      per ? `${paid(row.cost_per_unit)} (${costBetween(per, paid)})` : "not known",
      known(share) ? percent(share, 1, true) : "not known",
    ];
  });
  const heads = ["part", "costs fitted", "gains alone", `costs per ${name}`, "its share together"];
  return table("Side by side", heads, rows, undefined, true);
}
