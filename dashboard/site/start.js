// The first page: every question that has evidence, as a link; the search above it is search.js.

import "./search.js";
import { answering, askAll } from "./ask.js";
import { byId, el } from "./dom.js";
import { jump, section, unfold } from "./show.js";
import { gainPage, link, spreadPage } from "./links.js";
import { called, parts as partsOf, platforms as kindsOf } from "./lists.js";
import { count, date, inList, inSentence, known } from "./say.js";

const answer = byId("answer");
const more = byId("more");
const SHOWN_AT_ONCE = 6; // our choice: the rest unfolds

const show = answering(answer, more, async (signal) => {
  const all = (path) => askAll(path, {}, signal);
  const [rows, platforms, parts, stock] = await Promise.all([all("/v1/evidence"), kindsOf(signal), partsOf(signal), all("/v1/stock-evidence")]);
  if (!rows.length) return nothing(stock);
  const kinds = [...new Set(rows.map(({ platform }) => platform))];
  const words = `${count(rows.length, "question")} about ${count(kinds.length, "kind")} of car can be answered from what was measured here.`;
  answer.replaceChildren(el("p", {}, words));
  const about = (platform) => rows.filter((row) => row.platform === platform);
  const sections = kinds.map((platform) => kind(platform, about(platform), platforms, parts, stock));
  more.replaceChildren(...sections, stockCars(stock));
  return jump();
});

function nothing(stock) {
  const words =
    "Nothing has been measured before and after yet. Once a bay has posted pulls of one car in two states, the answers are listed here.";
  answer.replaceChildren(el("p", { class: "state" }, words));
  more.replaceChildren(...(stock.length ? [stockCars(stock)] : []));
}

function kind(platform, rows, platforms, parts, stock) {
  const { stock_cars: cars } = stock.find((row) => row.platform === platform) ?? {};
  return section(
    called(platforms, platform),
    el("ul", { class: "links" }, el("li", {}, link(spreadPage({ platform }), "How its stock cars differ"), known(cars) ? ` ${count(cars, "stock car")}` : "")),
    firstFew(
      rows.map((row) => line(row, parts)),
      (left) => `${count(left, "more question")}, from fewer cars`,
    ),
  );
}

function firstFew(lines, wordsFor) {
  const list = (some) => el("ul", { class: "links" }, some);
  const rest = lines.slice(SHOWN_AT_ONCE);
  return [list(lines.slice(0, SHOWN_AT_ONCE)), rest.length ? unfold(wordsFor(rest.length), list(rest)) : null];
}

// What a shop that wants to know its cars measures next.
function stockCars(rows) {
  const lines = rows.map(({ platform, name, stock_cars: cars, last }) =>
    el("li", {}, link(spreadPage({ platform }), name), ` ${count(cars, "stock car")}${known(last) ? `, last ${date(last)}` : ""}`),
  );
  return section(
    "Stock cars of each kind, the fewest first",
    { id: "stock" },
    firstFew(lines, (left) => `${count(left, "more kind")} of car`),
  );
}

function line(row, parts) {
  const { platform, part, against } = row;
  const rival = against === "without" ? "" : ` instead of ${inSentence(called(parts, against))}`;
  const words = ` ${count(row.cars, "car")}, ${count(row.pairs, "pair")}, last ${date(row.last)}`;
  return el("li", {}, link(gainPage({ platform, part, against }), `${inList(called(parts, part))}${rival}`), words);
}

show();
