// What a part gains on a kind of car: the pickers, and what to show when.

import { answering, ask, askAll } from "./ask.js";
import { byId, el } from "./dom.js";
import { choose, fill, onQuestion, question } from "./form.js";
import { asked as questions, cars, cost, footnote, lawful, revs, sure } from "./gain-shows.js";
import { pairs } from "./gain-pairs.js";
import { scale, sentences, unmeasured } from "./gain-says.js";
import { gainPage, link } from "./links.js";
import { called, option, parts, pickPlatform, platforms, wanted } from "./lists.js";
import { count, inList, inPercent, inSentence, known } from "./say.js";
import { addressNote, cautionBox, jump, section } from "./show.js";

const form = byId("question");
const place = byId("answer");
const more = byId("more");
const UNANSWERED = ["none", "borrowed"];
const evidence = new Map();

const show = answering(place, more, async (signal) => {
  const first = form.elements.platform.options.length ? null : fromAddress();
  const early = first && asking(first, signal); // while the lists are on their way
  const [kinds, all] = await lists(signal);
  const asked = question(form);
  if (!kinds.length)
    return say("The ledger holds no kinds of car yet. Once a bay has posted pulls, answers appear here.");
  if (!asked.platform || !asked.part) return invite(asked.platform, all);
  const begun = early && alike(first, asked) ? early : asking(asked, signal);
  const answer = await begun.answer();
  const told = telling(subject(asked, kinds, all), answer);
  document.title = `${told.asked.partName} on ${told.asked.carName} · Bayledger`;
  place.replaceChildren(known(told.typical) ? sentences(told) : unmeasured(told));
  const other = UNANSWERED.includes(answer.evidence.grade) ? await elsewhere(asked, signal) : null;
  const said = await begun.said();
  return present(told, said.items ?? [], other && elsewhereSection(other, answer.evidence, kinds, all, asked));
});

// What the address asks, before there are lists to show it in.
function fromAddress() {
  const picked = ["platform", "part", "against"].map((name) => [name, wanted(form, name)]);
  return {
    ...question(form),
    against: "without",
    ...Object.fromEntries(picked.filter(([, value]) => value)),
  };
}

const alike = (one, other) =>
  [one, other].every((asked) => Object.keys(asked).every((name) => one[name] === other[name]));

// Both questions on their way at once; each answer, or its failure, is taken when it is needed.
function asking(asked, signal) {
  if (!asked.platform || !asked.part) return null;
  const begin = (path) => {
    const begun = ask(path, asked, signal).then(
      (value) => () => value,
      (fault) => () => {
        throw fault;
      },
    );
    return async () => (await begun)();
  };
  return { answer: begin("/v1/typical-gain"), said: begin("/v1/typical-gain/questions") };
}

const subject = (asked, kinds, all) => ({
  ...asked,
  plain: asked,
  carName: called(kinds, asked.platform),
  partName: inSentence(called(all, asked.part)),
  rivalName: asked.against === "without" ? null : inSentence(called(all, asked.against)),
});

const telling = (asked, answer) => ({
  asked,
  answer,
  level: inPercent(answer.level),
  ...scale(asked, answer),
});

// The sentence stands already; this is what follows it.
function present(measured, items, other) {
  const told = { ...measured, said: (where) => items.filter(({ about }) => about === where) };
  const shown = known(told.typical)
    ? [revs, cars, sure, cost, lawful, pairs, questions]
    : [cost, lawful, questions];
  const sections = shown.map((make) => make(told));
  more.replaceChildren(
    ...[other, cautionBox(told.answer), ...sections, addressNote(), footnote(told)].filter(Boolean),
  );
  jump();
}

async function elsewhere(asked, signal) {
  const rows = await askAll("/v1/evidence", { part: asked.part }, signal);
  return rows.filter(({ platform, against }) => platform !== asked.platform || against !== asked.against);
}

function elsewhereSection(rows, { cars_elsewhere: together }, kinds, all, asked) {
  const partName = inSentence(called(all, asked.part));
  const where = ({ platform, against }) =>
    called(kinds, platform) +
    (against === "without" ? "" : `, in place of the ${inSentence(called(all, against))}`);
  const words = rows.length
    ? `The ${partName} was measured here on:`
    : together
      ? `On other kinds of car it was measured only together with other changes: ${count(together, "car")}.`
      : "It has not been measured here on any other kind of car, or against another part, either.";
  return section("Measured elsewhere", el("p", {}, words), rows.length ? links(rows, where) : null);
}

function links(rows, label) {
  const item = (row) =>
    el(
      "li",
      {},
      link(gainPage({ platform: row.platform, part: row.part, against: row.against }), label(row)),
      ` ${count(row.cars, "car")}, ${count(row.pairs, "pair")}`,
    );
  return el("ul", { class: "links" }, rows.map(item));
}

/* Pickers */

async function lists(signal) {
  const platform = wanted(form, "platform");
  const rows = (slug) => askAll("/v1/evidence", { platform: slug }, signal);
  const some = platform && !evidence.has(platform) ? rows(platform) : null;
  const [kinds, all, here] = await Promise.all([platforms(signal), parts(signal), some]);
  if (here) evidence.set(platform, here);
  await pickPlatform(form, signal);
  pickPart(platform, wanted(form, "part"), all);
  pickRival(wanted(form, "part"), wanted(form, "against"), all);
  return [kinds, all];
}

function pickPart(platform, part, all) {
  const measured = new Map();
  for (const row of evidence.get(platform) ?? [])
    measured.set(row.part, Math.max(row.cars, measured.get(row.part) ?? 0));
  const here = all
    .filter(({ slug }) => measured.has(slug))
    .sort((a, b) => measured.get(b.slug) - measured.get(a.slug));
  const counted = (row) => ({
    value: row.slug,
    label: `${option(row).label} (${count(measured.get(row.slug), "car")})`,
  });
  const others = all.filter(({ slug }) => !measured.has(slug)).map(option);
  const groups = [
    { name: "Measured on this kind of car", options: here.map(counted) },
    { name: platform ? "Not measured on it" : "", options: others },
  ];
  choose(form.elements.part, groups, part, "Choose a part");
}

function pickRival(part, against, all) {
  const slots = all.find(({ slug }) => slug === part)?.slots ?? [];
  const shares = (other) => other.slug !== part && other.slots?.some((slot) => slots.includes(slot));
  const rivals = all.filter(shares).map(option);
  const groups = [
    { options: [{ value: "without", label: "the same car without it" }] },
    { name: "Another part in its place", options: rivals },
  ];
  choose(form.elements.against, groups, rivals.some(({ value }) => value === against) ? against : "without");
}

/* Nothing asked yet */

function say(words) {
  place.replaceChildren(el("p", { class: "state" }, words));
  more.replaceChildren();
}

function invite(platform, all) {
  const rows = evidence.get(platform) ?? [];
  if (!platform) return say("Choose a kind of car and a part; the answer follows.");
  if (!rows.length)
    return say(
      "No part has been measured on this kind of car yet. Choose one to see where else it was measured.",
    );
  say("Choose a part. Measured on this kind of car:");
  return more.replaceChildren(links(rows, (row) => inList(called(all, row.part))));
}

function load() {
  for (const field of ["platform", "part", "against"]) form.elements[field].replaceChildren();
  fill(form);
  show();
}

onQuestion(form, show, load);
load();
