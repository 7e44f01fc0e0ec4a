// Cost against gain: the picture, and its parts as a table.

import { chart } from "./chart.js";
import { el } from "./dom.js";
import { gainPage, link } from "./links.js";
import { csvButton, section, table } from "./show.js";
import { between, count, decimals, figure, inList, inSentence, known, number, say } from "./say.js";

const MOST_DRAWN = 40; // our choice: more points hide each other
const MOST_LISTED = 40;
const APART = 0.045; // our choice: of the picture's height; nearer names would overprint
const MOST_APART = 10; // our choice: times the lower cost per unit; an upper one further off says nothing
const ROOM_FROM = 0.3; // of the picture's width; left of points further left there is no room for a name

export function picture(told) {
  const gaining = told.answer.parts.filter(({ standing }) => standing === "gains");
  if (!gaining.length) return null;
  const drawn = points(told);
  const ahead = frontier(drawn);
  const drawing = drawn.length
    ? drawnAs(told, drawn, ahead)
    : el("p", {}, "No part has a price: there is no picture.");
  return section(
    "Cost against gain",
    { id: "picture" },
    drawing,
    listed(told, gaining, ahead),
    csvButton(told.path, told.asked, `worth-${told.platform}`),
  );
}

/* A gain of the ledger under a name: how it is shown, and between what */

export function gainOf({ suffix, reference, unitName }, row, name, plus = true) {
  const interval = row[`${name}_interval${suffix}`];
  // What is known to gain is not said to gain nothing, nor the other way round.
  const hidden = interval?.some((end) => Math.abs(end) < 0.5 && interval[0] * interval[1] > 0);
  const places = hidden ? 1 : decimals(interval, reference);
  return {
    typical: figure(row[name + suffix], places, unitName, plus),
    range: interval ? el("span", {}, between(interval, places, unitName)) : "not known",
    inTable: interval
      ? say`${figure(interval[0], places)} to ${figure(interval[1], places, unitName)}`
      : "not known",
  };
}

export function countedIn({ grade: name, cars, cars_with: mixed, cars_elsewhere: away }) {
  if (cars) return count(cars, "car");
  return name === "borrowed"
    ? `${count(away, "car")} of other kinds`
    : `${count(mixed, "car")} with other changes too`;
}

export const partLink = ({ asked, platform, rows }, part, name) =>
  link(
    gainPage({
      platform,
      part,
      against: rows[part]?.against ?? "without",
      measure: asked.measure,
      from: asked.from,
      to: asked.to,
      rpm: asked.rpm,
      units: asked.units,
    }),
    inList(name),
  );

/* The picture */

function points({ answer, suffix }) {
  const kind = ({ standing, evidence }) =>
    standing !== "gains" ? "unclear" : evidence.grade === "borrowed" ? "borrowed" : "shown";
  return answer.parts
    .filter(
      ({ fitted, standing, evidence }) =>
        known(fitted) && (standing === "gains" || evidence.grade !== "borrowed"),
    )
    .slice(0, MOST_DRAWN)
    .map((row) => {
      const [low, high] = row[`typical_interval${suffix}`];
      return {
        part: row.part,
        name: row.name,
        cost: row.fitted,
        gain: row[`typical${suffix}`],
        low,
        high,
        kind: kind(row),
        ahead: row.frontier,
      };
    });
}

// Numbered from the cheapest on; a name is written out where the one before is not near.
function frontier(drawn) {
  const tops = drawn.map(({ high }) => high);
  const height = Math.max(0, ...tops) - Math.min(0, ...drawn.map(({ low }) => low));
  const width = Math.max(1, ...drawn.map(({ cost }) => cost));
  let last = -Infinity;
  return drawn
    .filter(({ ahead }) => ahead)
    .sort((a, b) => a.cost - b.cost)
    .map((point, i) => {
      const named = point.cost / width > ROOM_FROM && point.gain - last > APART * height;
      last = point.gain;
      return { ...point, number: i + 1, named };
    });
}

function drawnAs(told, drawn, ahead) {
  const { answer, unitName, level, paid } = told;
  const limit =
    answer.budget && answer.budget < Math.max(...drawn.map(({ cost }) => cost)) ? answer.budget : null;
  const datasets = {
    parts: drawn,
    frontier: ahead,
    nought: [{ value: 0 }],
    budget: limit ? [{ value: limit, label: `budget ${paid(limit)}` }] : [],
  };
  const line = ahead.length ? " The stepped line: parts that no other beats, none gives more for less." : "";
  const caption = `Up: typical gain in ${unitName}; across: cost fitted, ${answer.currency}.${line} Upright lines: the range it lies in, ${level}\u00a0% sure. Dot: measured on this kind of car; diamond: borrowed from other kinds; cross: gain not established.`;
  const spoken = `On the line, from the cheapest: ${ahead.map(({ name, cost }) => `${name}, ${paid(cost)}`).join("; ")}.`;
  const names = ahead.map(({ part, name, cost }) =>
    el("li", {}, partLink(told, part, name), ` ${paid(cost)}`),
  );
  return [
    chart("worth", unitName, datasets, caption, { spoken, file: `worth-${told.platform}` }),
    ahead.length
      ? [el("p", {}, "On the line, from the cheapest:"), el("ol", { class: "onward" }, names)]
      : null,
  ];
}

/* The table */

function listed(told, gaining, ahead) {
  const { unitName, paid } = told;
  const heads = [
    "part",
    "together",
    "costs fitted",
    "typical gain",
    `costs per ${unitName}`,
    "evidence",
    "best buy, chance in 100",
  ];
  const rows = gaining.map((row) => {
    const { typical, inTable: range } = gainOf(told, row, "typical");
    const per = row.cost_per_unit_interval;
    return [
      [partLink(told, row.part, row.name), aside(placed(row, ahead)), aside(approval(told, row.part))],
      tick(told, row),
      known(row.fitted) ? paid(row.fitted) : "not known",
      [typical, aside(range)],
      [
        known(row.cost_per_unit) ? paid(row.cost_per_unit) : "not known",
        per ? aside(costBetween(per, paid)) : null,
      ],
      [row.evidence.grade, aside(countedIn(row.evidence))],
      known(row.chance_of_best) ? timesInHundred(row.chance_of_best) : "none",
    ];
  });
  const made = (list) =>
    table("Parts whose interval lies above nought, most gain for the money first", heads, list, undefined, true);
  const first = made(rows.slice(0, MOST_LISTED));
  const rest = rows.slice(MOST_LISTED);
  if (!rest.length) return first;
  const onward = ({ target }) => target.replaceWith(made(rest));
  return [
    first,
    el("button", { type: "button", class: "quiet", onclick: onward }, `${count(rest.length, "part")} more`),
  ];
}

function placed({ part, within_budget: within, against }, ahead) {
  const line = ahead.find((point) => point.part === part);
  const notes = [
    line ? `${number(line.number)} on the line` : null,
    within === false ? "beyond the budget" : null,
    inPlace(against),
  ].filter(Boolean);
  return notes.join(", ");
}

const timesInHundred = (share) => (share < 0.01 ? "under 1" : share > 0.99 ? "over 99" : number(share * 100));

export const inPlace = (against) => (against === "without" ? null : "in place of what is fitted");
export const aside = (...words) => (words[0] ? el("span", { class: "aside" }, words) : null);

export const costBetween = ([low, high], paid) =>
  high > MOST_APART * low
    ? `from ${paid(low)}, no upper limit worth saying`
    : `${paid(low)} to ${paid(high)}`;

function paperOf({ all }, part) {
  const paper = all.find(({ slug }) => slug === part)?.approval?.document;
  return paper && paper !== "unknown" ? paper : "no approval on record, ask";
}

export const approval = (told, part) => `for the road: ${paperOf(told, part)}`;

// What several parts are for the road, those with the same paper named together.
export function approvals(told, parts) {
  const papers = [...new Set(parts.map((part) => paperOf(told, part)))];
  const named = (paper) =>
    parts
      .filter((part) => paperOf(told, part) === paper)
      .map((part) => inSentence(told.rows[part].name))
      .join(", ");
  return `For the road: ${papers.map((paper) => `${paper} (${named(paper)})`).join("; ")}.`;
}

function tick({ ticked }, { part, name }) {
  const box = {
    type: "checkbox",
    name: "together",
    value: part,
    form: "question",
    checked: ticked.includes(part),
  };
  return el(
    "label",
    { class: "tick screen" },
    el("input", { ...box, "aria-label": `${inList(name)}, together with others` }),
  );
}
