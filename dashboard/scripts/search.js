// Search as you type: what is called so, as links to the pages that answer.

import { answering, ask } from "./ask.js";
import { byId, el } from "./dom.js";
import { carLink, gainPage, link, spreadPage, worthPage } from "./links.js";
import { count, date, inList, inSentence, number } from "./say.js";
import { section } from "./show.js";

const PAUSE_MS = 180; // our choice: long enough for the next letter, short enough not to be noticed
const MOST = 8; // of each kind, our choice: what a tablet shows without scrolling far
const form = byId("question");
const box = form.elements.q;
const place = byId("found");
const results = byId("results");
const typed = () => box.value.trim();

const find = answering(place, results, async (signal) => {
  if (!typed()) return say("");
  if (byId("token")) return say("The ledger is locked: give the read token below, then search.");
  const found = await ask("/v1/search", { q: typed(), limit: MOST }, signal);
  const groups = grouped(found);
  place.replaceChildren(el("p", { class: "state" }, summary(found, groups)));
  return results.replaceChildren(...groups.map(([title, lines]) => section(title, list(lines))));
});

function say(words) {
  place.replaceChildren(...(words ? [el("p", { class: "state" }, words)] : []));
  results.replaceChildren();
}

function summary({ q, near, questions, too_many_cars: many }, groups) {
  const tags = many ? ` More than five cars' tags begin with “${q}”; type more of the tag to find one of them.` : "";
  if (!groups.length && many) return tags.trim();
  if (!groups.length)
    return `Nothing here is called “${q}”. Try fewer letters or another word for the part, or choose from the list below.`;
  const total = number(groups.reduce((sum, [, lines]) => sum + lines.length, 0));
  const cut = questions.length === MOST ? ` Of parts, the ${MOST} with the most cars; another word narrows it.` : "";
  return (near ? `Nothing is called “${q}”; ${total} are spelt nearly so.` : `${total} found for “${q}”.`) + cut + tags;
}

const list = (lines) => el("ul", { class: "links" }, lines);

function grouped({ questions, unmeasured, platforms, parts, cars }) {
  const apart = (row) => `${count(row.cars, "car")}, ${count(row.pairs, "pair")}, last ${date(row.last)}`;
  return [
    ["A part on a kind of car", questions.map((row) => line(asked(row), apart(row)))],
    [
      "Not measured on this kind of car",
      unmeasured.map((row) => line(asked(row), "its page says what is known from elsewhere")),
    ],
    ["A kind of car", platforms.map(kind)],
    [
      "Parts of which nothing was measured yet",
      parts.map(({ part, name }) => line(link(gainPage({ part }), inList(name)), "on any kind of car")),
    ],
    ["A car", cars.map(({ tag, platform_name: name }) => line(carLink(tag), name))],
  ].filter(([, lines]) => lines.length);
}

const line = (...parts) => el("li", {}, parts[0], ` ${parts[1]}`);

function asked({ platform, platform_name: car, part, part_name: name, against, against_name: rival }) {
  const instead = rival ? ` instead of ${inSentence(rival)}` : "";
  return link(gainPage({ platform, part, against }), `${inList(name)}${instead} on ${car}`);
}

function kind({ platform, name, stock_cars: cars }) {
  const differ = link(spreadPage({ platform }), `${name}: how its stock cars differ`);
  const worth = link(worthPage({ platform }), "what is worth its money on it", `${name}: what is worth its money on it`);
  return el("li", {}, differ, ` ${count(cars, "stock car")} `, worth);
}

/* Typing */

let waiting = null;

function search() {
  clearTimeout(waiting);
  history.replaceState(null, "", typed() ? `?${new URLSearchParams({ q: typed() })}` : location.pathname);
  return find();
}

box.addEventListener("input", () => {
  clearTimeout(waiting);
  waiting = setTimeout(search, PAUSE_MS);
});
form.addEventListener("submit", async (event) => {
  event.preventDefault();
  await search();
  const first = results.querySelector("a");
  if (results.querySelectorAll("li").length === 1) location.assign(first.href);
  else first?.focus();
});

box.value = new URLSearchParams(location.search).get("q") ?? "";
if (typed()) search();
