// The customer's sheet: which test and which states, or the number of a printed one.

import { answering, ask, askAll } from "./ask.js";
import { byId, el } from "./dom.js";
import { choose, fill, onQuestion, question } from "./form.js";
import { carPage, link, setupOf } from "./links.js";
import { bays, called } from "./lists.js";
import { count, date } from "./say.js";
import { sheet, today } from "./sheet-shows.js";

const form = byId("question");
const place = byId("answer");
const more = byId("more");
const { tag, session, before, after, number, version } = form.elements;
const held = { tag: null, tests: [] };

const show = answering(place, more, async (signal) => {
  const { units } = question(form);
  if (number.value) {
    const path = `/v1/sheets/${encodeURIComponent(number.value.trim())}`;
    return present(await ask(path, { units, version: version.value }, signal), signal);
  }
  if (!session.value && !tag.value)
    return say("Type a car's tag and choose a test, or type the number of a printed sheet.");
  if (!session.value) return offer(signal);
  const asked = { before: before.value, after: after.value, units };
  return present(await ask(`/v1/sessions/${session.value}/sheet`, asked, signal), signal);
});

// The sheet first, then what the pickers offer.
async function present(answer, signal) {
  const { session: id } = setupOf(answer.b.setup);
  document.title = `Sheet ${answer.number}, version ${answer.version} · Bayledger`;
  const print = el("button", { type: "button", onclick: () => window.print() }, "Print this sheet");
  place.replaceChildren(...standing(answer), el("p", { class: "screen lead" }, answer.headline), el("p", {}, print));
  const asked = { before: stateA(answer), after: setupOf(answer.b.setup).n, units: answer.units };
  more.replaceChildren(sheet(answer, { path: `/v1/sessions/${id}/sheet`, ...asked }));
  const [kept] = await Promise.all([ask(`/v1/sessions/${id}`, {}, signal), lists(answer.tested.vehicle, id, signal)]);
  states(kept, answer);
}

// Who looks a printed sheet up asks first whether it still stands.
function standing({ superseded: old, version: newest }) {
  if (!number.value) return [];
  if (old) {
    const words = `Version ${old.version} is superseded by version ${old.by} (looked up ${today()}). Do not rely on the printed figures any more.`;
    return [el("p", { class: "notice" }, el("strong", {}, words))];
  }
  const words = version.value
    ? `Version ${newest} still stands (looked up ${today()}).`
    : `The newest version is ${newest} (looked up ${today()}); a printed sheet stands if it says version ${newest}.`;
  return [el("p", { class: "lead" }, el("strong", {}, words))];
}

// State A as it is asked for: a number in the same test, else its whole path.
function stateA({ a, b }) {
  if (!a) return "";
  const { session: id, n } = setupOf(a.setup);
  return id === setupOf(b.setup).session ? String(n) : a.setup;
}

function say(words, ...then) {
  place.replaceChildren(el("p", { class: "state" }, words));
  more.replaceChildren(...then);
}

async function offer(signal) {
  await lists(tag.value.trim(), "", signal);
  if (held.tests.length === 1) {
    session.value = held.tests[0].id;
    return present(await ask(`/v1/sessions/${session.value}/sheet`, { units: question(form).units }, signal), signal);
  }
  if (held.tests.length) return say("Choose one of its tests.");
  return say(
    `Nothing was measured on ${tag.value.trim()} yet, or the tag is another.`,
    el("p", {}, link(carPage({ tag: tag.value.trim() }), "Look for the car")),
  );
}

/* Pickers */

async function lists(car, id, signal) {
  if (held.tag !== car) {
    held.tests = await askAll("/v1/sessions", { vehicle: car }, signal);
    held.tag = car;
  }
  const rooms = await bays(signal);
  const options = held.tests.map((test) => ({ value: test.id, label: `${date(test.started_at)}, ${called(rooms, test.bay)}` }));
  choose(session, [{ options }], id, "Choose a test");
  tag.value = car;
}

function states({ setups }, answer) {
  const options = setups.map(({ n, label, parts, struck }) => ({
    value: String(n),
    label: `${n}: ${label ?? (parts.length ? count(parts.length, "part") : "nothing fitted")}${struck ? " (struck)" : ""}`,
  }));
  const own = stateA(answer);
  const other = own.includes("/") ? [{ value: own, label: `${date(answer.a.date)}, setup ${setupOf(own).n}` }] : [];
  choose(before, [{ options }, { name: "Another test", options: other }], own, "nothing: one state");
  choose(after, [{ options }], String(setupOf(answer.b.setup).n), "");
}

function load() {
  for (const field of [session, before, after]) field.replaceChildren();
  fill(form);
  const address = new URLSearchParams(location.search);
  for (const field of [session, before, after]) {
    const wanted = address.get(field.name);
    if (wanted) field.append(el("option", { value: wanted, selected: true }, wanted));
  }
  show();
}

// What was asked about another car, test or number does not hold for this one.
const RESETS = { tag: [session, before, after, number, version], session: [before, after, number, version] };

form.addEventListener("change", ({ target }) => {
  const states = ["before", "after"].includes(target.name) ? [number, version] : [];
  for (const field of RESETS[target.name] ?? states) {
    if (field.options) field.replaceChildren();
    else field.value = "";
  }
});
onQuestion(form, show, load);
load();
