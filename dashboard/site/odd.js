// What lies apart from the rest: how much of how much first, then each against its ordinary range, then one by one.

import { answering, ask, later, pageOf } from "./ask.js";
import { chart } from "./chart.js";
import { byId, el } from "./dom.js";
import { choose, fill, onQuestion, question } from "./form.js";
import { baysPage, carPage, gainPage, link, setupOf, spreadPage } from "./links.js";
import { bays, called, option, pickPlatform, wanted } from "./lists.js";
import { moreButton } from "./paged.js";
import { openedPair, openedSetup } from "./records.js";
import { UNITS, date, inList, known, measureInWords, number, percent, signed, standard, system, tied, unit } from "./say.js";
import { addressNote, cautionBox, csvButton, jump, section, table, unfold, unfoldLater } from "./show.js";

const form = byId("question");
const place = byId("answer");
const more = byId("more");
const PAGE = 20;
const MOST_DRAWN = 40; // rows of a picture that can still be told apart (our choice)
const PATH = "/v1/outliers";
const KIND = { cars: "car", gains: "car's gain", setups: "setup", pulls: "single pull", bays: "bay" };

const show = answering(place, more, async (signal) => {
  const [kinds, rows] = await Promise.all([pickPlatform(form, signal, "All kinds of car"), bays(signal)]);
  choose(form.elements.bay, [{ options: rows.map(option) }], wanted(form, "bay"), "All bays");
  const asked = question(form);
  const page = await pageOf(PATH, { ...asked, limit: PAGE }, signal);
  present({ asked, names: { kinds, bays: rows }, ...page });
});

function present({ asked, names, body, next }) {
  const beside = body.said_beside && el("p", { class: "lead" }, tied(body.said_beside));
  place.replaceChildren(el("div", { class: "answer" }, el("p", { class: "headline" }, tied(body.said)), beside));
  document.title = "What is odd? · Bayledger";
  const shown = [cautionBox(body), ...(body.items.length ? lists(asked, names, body, next) : [way(asked)])];
  more.replaceChildren(...[...shown, addressNote(), footnote(asked, body)].filter(Boolean));
  jump();
}

// What to do next where nothing lies apart.
function way(asked) {
  const narrowed = asked.platform || asked.bay || asked.since;
  const all = link("odd.html", "Look at all kinds of cars, all bays, all time");
  const spread = link(spreadPage({ platform: asked.platform }), "How do stock cars of a kind differ?");
  return el("ul", { class: "links" }, narrowed ? el("li", {}, all) : null, el("li", {}, spread));
}

function lists(asked, names, answer, next) {
  const seen = [];
  const picture = el("div");
  const each = el("div");
  const take = ({ items }) => {
    const first = seen.length + 1;
    seen.push(...items);
    each.append(...items.map((item, i) => opened(item, first + i, answer, names)));
    picture.replaceChildren(strips(seen), unfold(`These ${seen.length} as a table`, numbers(seen, answer, names)));
  };
  take(answer);
  const found = Object.values(answer.found).reduce((sum, n) => sum + n, 0);
  return [
    section(
      "Against what is ordinary",
      { id: "apart" },
      picture,
      csvButton(PATH, { ...asked, limit: 500 }, "odd-ones"),
    ),
    section("One by one, most surprising first", { id: "each" }, each, moreButton(next, `More of the ${number(found)}`, take)),
  ];
}

/* All of them */

const among = ({ kind, pull }) => (kind === "pull" ? (known(pull) ? "pulls" : "setups") : `${kind}s`);
const inBay = (item, names) => (known(item.bay) ? called(names.bays, item.bay) : "several bays");

function strips(items, rows = items.slice(0, MOST_DRAWN)) {
  const data = rows.map((item, i) => ({
    order: i,
    label: `${i + 1}  ${item.vehicle ?? `${item.bay} (bay)`}`,
    low: item.ordinary_percent[0],
    high: item.ordinary_percent[1],
    deviation: item.deviation_percent,
  }));
  const left = items.length > rows.length ? ` Only the ${MOST_DRAWN} most surprising are drawn.` : "";
  const caption = `How far each lies from what is expected of it, in percent. Band: where 19 of 20 ordinary ones lie. Triangle: this one, pointing to its side.${left}`;
  const spoken = `${caption} ${data.map(({ label, deviation }) => `${label}: ${percent(deviation, 1, true)}`).join("; ")}.`;
  return chart("odd-strips", "%", { rows: data, nought: [{ value: 0 }] }, caption, { spoken, file: "odd-ones" });
}

function numbers(items, answer, names) {
  const bare = (item, value) => (item.unit === "percent" ? signed(value, 1) : number(value, 1));
  const shown = (item, value) => `${bare(item, value)}\u00a0${item.unit === "percent" ? "%" : unit(answer, item.measure)}`;
  const line = (item, i) => [
    `${i + 1}  ${item.vehicle ?? inBay(item, names)}`,
    KIND[among(item)],
    shown(item, item.value),
    shown(item, item.expected),
    item.ordinary ? `${bare(item, item.ordinary[0])} to ${shown(item, item.ordinary[1])}` : "not known",
    percent(item.deviation_percent, 1, true),
    date(item.at),
    inBay(item, names),
  ];
  const heads = ["which", "kind", "reads", "expected", "ordinary", "apart by", "measured", "bay"];
  return table("What lies apart, most surprising first", heads, items.map(line), heads.map((_, i) => i === 1 || i > 5), true);
}

/* One of them */

function opened(item, rank, answer, names) {
  return unfoldLater(tied(`${rank}. ${item.said}`), () =>
    el("div", { class: "record" }, facts(item, names), checks(item), reasons(item), ...pictures(item, answer), ways(item, answer)),
  );
}

function facts(item, names) {
  const what = item.kind === "bay" ? "" : ` Kind of car: ${called(names.kinds, item.platform)}.`;
  return el("p", {}, `${inList(KIND[among(item)])}. Last measured ${date(item.at)}, ${inBay(item, names)}.${what}`);
}

function checks({ checks: list }) {
  const line = ({ area, ask: words, recorded }) =>
    el("li", {}, el("strong", {}, `${inList(area)}: `), words, recorded ? el("span", { class: "aside" }, tied(`Recorded: ${recorded}`)) : null);
  return [el("h3", {}, "What to look at, in this order"), el("ol", { class: "looks" }, list.map(line))];
}

function reasons({ reasons: list }) {
  const [left, recorded] = [true, false].map((wanted) => list.filter(({ code }) => (code === "unexplained") === wanted));
  return [
    el("h3", {}, "What was recorded that goes the same way"),
    recorded.length ? el("ul", {}, recorded.map(({ message }) => el("li", {}, tied(inList(message))))) : el("p", {}, "Nothing."),
    left.map(({ message, explains_percent: share }) => el("p", { class: "left" }, `${recorded.length ? "What remains" : "So"}: ${percent(share, 1, true)} ${message}.`)),
  ];
}

function pictures(item, answer) {
  if (!item.record) return [];
  const units = system(answer);
  const pair = { vehicle: item.vehicle, before: item.beside, after: item.record, at: item.at };
  const records = item.beside
    ? openedPair(pair, units, item.kind === "gain" ? "Without and with the part, side by side" : "Beside the car's nearest other setup")
    : openedSetup(item.record, units, "Its pulls and conditions");
  return [item.stock ? besideStock(item, units) : null, records].filter(Boolean);
}

function besideStock(item, units) {
  const both = [`/v1/platforms/${item.platform}/stock-curve`, `${item.record}/curve`].map((path) => ask(path, { units }));
  const drawn = Promise.all(both).then(([stock, own]) => curves(item, stock.curve, own.curve, units));
  return later(drawn, { words: "Asking for the curves …" });
}

function curves(item, stock, own, units) {
  if (!stock || !own) return el("p", {}, "No curve to draw: peak figures only.");
  const line = (curve, side) =>
    curve.rpm.map((rpm, i) => ({ rpm, value: curve.power[i], side, kind: "mean", line: side })).filter(({ value }) => known(value));
  const end = (points, label) => ({ ...points.reduce((top, point) => (point.value > top.value ? point : top)), label });
  const [usual, its] = [line(stock, "before"), line(own, "after")];
  const name = UNITS[units].power;
  const caption = `Power in ${name} over engine speed. Solid: the typical stock car of this kind, at the mean of the bays. Dashed: ${item.vehicle}, stock, as its bay reads.`;
  const ends = [end(usual, "typical stock"), end(its, item.vehicle)];
  return chart("pulls", name, { curves: [...usual, ...its], ends }, caption, { file: `odd-${item.vehicle}` });
}

function ways(item, answer) {
  const { session } = setupOf(item.record) ?? {};
  const day = item.bay_day && `${baysPage({ bay: item.bay_day.bay, day: item.bay_day.day })}#today`;
  const units = system(answer);
  const list = [
    item.vehicle && link(carPage({ tag: item.vehicle, session }), `All of ${item.vehicle}`),
    item.part && link(gainPage({ platform: item.platform, part: item.part, units }), "What the part does on other cars"),
    item.kind === "car" && link(spreadPage({ platform: item.platform, tag: item.stock ? item.vehicle : null, measure: item.measure, units }), item.stock ? "Where it stands among stock cars" : "How stock cars of its kind read"),
    day && link(day, "That day in that bay"),
    item.kind === "bay" && link(baysPage({ bay: item.bay }), "How the bays agree"),
  ];
  return el("ul", { class: "links" }, list.filter(Boolean).map((one) => el("li", {}, one)));
}

function footnote(asked, answer) {
  const measure = measureInWords({ ...asked, measure: answer.measure });
  return el("p", { class: "footnote" }, `Cars by ${measure}. Wheel figures corrected to ${standard(answer.standard)}, every bay brought to the mean of the bays.`);
}

const load = () => {
  for (const name of ["platform", "bay"]) form.elements[name].replaceChildren();
  fill(form);
  show();
};

onQuestion(form, show, load);
load();
