// What a part gains on a kind of car: the pickers, and what to show when.

import { answering, ask, askAll } from "./ask.js";
import { byId, el } from "./dom.js";
import { choose, fill, onQuestion, question } from "./form.js";
import { count, inList, inSentence } from "./say.js";
import { answered, elsewhereSection, links } from "./gain-says.js";

const form = byId("question");
const place = byId("answer");
const more = byId("more");
const UNANSWERED = ["none", "borrowed"];
const held = { platforms: null, parts: null, evidence: new Map() };

const show = answering(place, more, async (signal) => {
  await lists(signal);
  const asked = question(form);
  if (!held.platforms.length)
    return say("The ledger holds no kinds of car yet. Once a bay has posted pulls, answers appear here.");
  if (!asked.platform || !asked.part) return invite(asked.platform);
  const answer = await ask("/v1/typical-gain", asked, signal);
  return present(subject(asked), answer, await elsewhere(asked, answer, signal));
});

const name = (rows, slug) => rows.find((row) => row.slug === slug)?.name ?? slug;

function subject(asked) {
  return {
    ...asked,
    carName: name(held.platforms, asked.platform),
    partName: inSentence(name(held.parts, asked.part)),
    rivalName: asked.against === "without" ? null : inSentence(name(held.parts, asked.against)),
    approval: held.parts.find(({ slug }) => slug === asked.part)?.approval,
  };
}

function present(asked, answer, rows) {
  const said = answered(asked, answer);
  const other = UNANSWERED.includes(answer.evidence.grade)
    ? elsewhereSection(asked.partName, rows, where)
    : null;
  document.title = `${asked.partName} on ${asked.carName} · Bayledger`;
  place.replaceChildren(said.first);
  more.replaceChildren(...[other, ...said.then].filter(Boolean));
}

function where({ platform, against }) {
  const rival = against === "without" ? "" : `, in place of the ${inSentence(name(held.parts, against))}`;
  return name(held.platforms, platform) + rival;
}

async function elsewhere(asked, answer, signal) {
  if (!UNANSWERED.includes(answer.evidence.grade)) return [];
  const rows = await askAll("/v1/evidence", { part: asked.part }, signal);
  return rows.filter(({ platform, against }) => platform !== asked.platform || against !== asked.against);
}

/* Pickers */

async function lists(signal) {
  held.platforms ??= await askAll("/v1/platforms", {}, signal);
  held.parts ??= await askAll("/v1/parts", {}, signal);
  const address = new URLSearchParams(location.search);
  const wanted = (field) => form.elements[field].value || address.get(field) || "";
  const platform = wanted("platform");
  if (platform && !held.evidence.has(platform)) {
    held.evidence.set(platform, await askAll("/v1/evidence", { platform }, signal));
  }
  choose(form.elements.platform, [{ options: held.platforms.map(option) }], platform, "Choose a kind of car");
  pickPart(platform, wanted("part"));
  pickRival(wanted("part"), wanted("against"));
}

const option = ({ slug, name: label }) => ({ value: slug, label: inList(label ?? slug) });

function pickPart(platform, part) {
  const cars = new Map();
  for (const row of held.evidence.get(platform) ?? [])
    cars.set(row.part, Math.max(row.cars, cars.get(row.part) ?? 0));
  const here = held.parts
    .filter(({ slug }) => cars.has(slug))
    .sort((a, b) => cars.get(b.slug) - cars.get(a.slug));
  const counted = (row) => ({
    value: row.slug,
    label: `${option(row).label} (${count(cars.get(row.slug), "car")})`,
  });
  const others = held.parts.filter(({ slug }) => !cars.has(slug)).map(option);
  choose(
    form.elements.part,
    [
      { name: "Measured on this kind of car", options: here.map(counted) },
      { name: platform ? "Not measured on it" : "", options: others },
    ],
    part,
    "Choose a part",
  );
}

function pickRival(part, against) {
  const slots = held.parts.find(({ slug }) => slug === part)?.slots ?? [];
  const shares = (other) => other.slug !== part && other.slots?.some((slot) => slots.includes(slot));
  const rivals = held.parts.filter(shares).map(option);
  choose(
    form.elements.against,
    [
      { options: [{ value: "without", label: "the same car without it" }] },
      { name: "Another part in its place", options: rivals },
    ],
    rivals.some(({ value }) => value === against) ? against : "without",
  );
}

/* Nothing asked yet */

function say(words) {
  place.replaceChildren(el("p", { class: "state" }, words));
  more.replaceChildren();
}

function invite(platform) {
  const rows = held.evidence.get(platform) ?? [];
  if (!platform) return say("Choose a kind of car and a part; the answer follows.");
  if (!rows.length)
    return say(
      "No part has been measured on this kind of car yet. Choose one to see where else it was measured.",
    );
  say("Choose a part. Measured on this kind of car:");
  return more.replaceChildren(links(rows, (row) => inList(name(held.parts, row.part))));
}

function load() {
  for (const field of ["platform", "part", "against"]) form.elements[field].replaceChildren();
  fill(form);
  show();
}

onQuestion(form, show, load);
load();
