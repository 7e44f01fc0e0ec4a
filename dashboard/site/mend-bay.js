// What was found wrong with a bay's figures of a period: said to all, put right and taken back by those who may.

import { accessSection, mayMend } from "./access.js";
import { ask, pageOf } from "./ask.js";
import { act, choice, hinted, moment, quantity, text } from "./change-form.js";
import { el } from "./dom.js";
import { UNITS, remembered } from "./kept.js";
import { moreButton } from "./paged.js";
import { conditionUnit, count, date, inSentence, known, standard } from "./say.js";
import { section } from "./show.js";

const PAGE = 100;

// Each bay with its corrections, null where they cannot be read; and what its figures may have been corrected to.
export async function corrected(rows, caller, signal) {
  const units = remembered("localStorage", UNITS);
  const read = ({ slug }) => pageOf(`/v1/bays/${encodeURIComponent(slug)}/corrections`, { units, limit: PAGE }, signal).catch(() => null);
  const [lists, standards] = await Promise.all([Promise.all(rows.map(read)), mayMend(caller) ? ask("/v1/standards", {}, signal) : null]);
  return { bays: rows.map((bay, i) => ({ ...bay, list: lists[i] })), standards: standards?.items.map(({ slug }) => slug) };
}

export function correctionsSection(about) {
  const { bays } = about.corrected;
  if (!bays.length) return null;
  const none = !mayMend(about.caller) && bays.every(({ list }) => list && !list.body.items.length);
  return section(
    "What was found wrong with a bay's figures",
    { id: "corrections" },
    el("p", {}, "Where a bay posted wrong figures for a time, they are put right for that time. What it posted is kept, so this can be taken back."),
    none ? el("p", { class: "state" }, "Nothing was put right in any bay.") : bays.map((bay) => ofBay(bay, about)),
  );
}

export function changeSection(about) {
  return accessSection(about, {
    able: mayMend(about.caller),
    words: `what a bay posted, as '${about.caller?.name}': look under 'What was found wrong with a bay's figures'.`,
    scope: "admin",
    tells: "Putting right what a bay posted needs a token of scope admin.",
  });
}

/* What was put right */

function ofBay(bay, about) {
  const rows = el("ul", { class: "mended" });
  const take = ({ items }) => rows.append(...items.map((one) => el("li", {}, aCorrection(one, bay, about))));
  if (bay.list) take(bay.list.body);
  return el(
    "div",
    { class: "setup" },
    el("h3", {}, bay.name),
    bay.list && bay.list.body.items.length ? rows : el("p", { class: "state" }, bay.list ? "Nothing was put right." : "What was put right cannot be read with this token."),
    moreButton(bay.list?.next, "Those made later", take),
    mayMend(about.caller) && bay.list ? correcting(bay, about) : null,
  );
}

const exact = (value) => value.toLocaleString("en-GB", { maximumFractionDigits: 6 });
const at = (text) => `${date(text)}, ${new Date(text).toISOString().slice(11, 16)} UTC`;
const period = ({ from, to }) => `${from ? at(from) : "not given"} to ${to ? at(to) : "not given"}`;

function aCorrection(one, bay, about) {
  const held = !one.undone_at;
  const by = (who) => (about.caller?.may_change ? ` by ${who}` : ""); // the screen may face a customer
  return [
    el("p", {}, el("strong", {}, `${period(one)}: `), `${wrongs(one).map(([what, , to]) => `${what} ${to}`).join("; ")}.`),
    el("p", { class: "aside" }, `Put right${by(one.made_by)} on ${at(one.made_at)}. Reason: ${one.reason}`),
    held ? null : el("p", { class: "aside" }, `Taken back${by(one.undone_by)} on ${at(one.undone_at)}, so it does not count. Reason: ${one.undone_reason}`),
    held && mayMend(about.caller) ? takingBack(one, bay, about) : null,
  ].filter(Boolean);
}

// What was wrong, as what it is about, what was posted, and what it is instead.
function wrongs({ factor, temperature, pressure, basis, units }) {
  return [
    known(factor) && ["torque and power", "as posted", `times ${exact(factor)}`],
    known(temperature) && ["air temperature", "as posted", shifted(temperature, "temperature", units)],
    known(pressure) && ["air pressure", "as posted", shifted(pressure, "pressure", units)],
    known(basis) && ["figures", "as posted", basisWords(basis)],
  ].filter(Boolean);
}

const shifted = (value, quantity, units) => `${exact(Math.abs(value))}\u00a0${conditionUnit(quantity, units)} ${value < 0 ? "lower" : "higher"}`;

const REALLY = { observed: "as measured, not corrected", unknown: "corrected, to which standard is not known" };
const called = (slug) => REALLY[slug] ?? `corrected to ${standard(slug)}`;
const basisWords = (basis) => `really ${called(basis.standard ?? basis)}${known(basis.factor) ? ` by factor ${exact(basis.factor)}` : ""}`;

/* Putting right */

const FOLLOWS =
  "Every pull that began in that time is worked out anew, also one that is posted later. Answers change with it, and sheets already given out become superseded. " +
  "What was posted is kept, and this can be taken back. The bay's posts wait meanwhile: half a minute for a thousand visits.";

function correcting(bay, about) {
  const { units } = bay.list.body;
  const degrees = conditionUnit("temperature", units);
  const name = inSentence(bay.name);
  const bases = ["observed", ...about.corrected.standards, "unknown"].map((slug) => [slug, called(slug)]);
  return act(about, { id: null, what: "bay" }, {
    title: `Correct what ${name} posted`,
    path: `/v1/bays/${encodeURIComponent(bay.slug)}/corrections`,
    method: "POST",
    note: "Say from when to when it posted wrong figures, and what was wrong. Leave empty what was right.",
    fields: [
      hinted(text("from", "Wrong from (UTC)", null, moment), "a pull that began then, or later, is put right"),
      hinted(text("to", "Right again from (UTC)", null, moment), "a pull that began then, or later, is left alone"),
      hinted(quantity("factor", "Multiply torque and power by", null), "1.02 where the true ones are 2 % above the posted ones"),
      hinted(quantity("temperature", `Add to the air temperature, ${degrees}`, null), `-3 where the air was 3 ${degrees} colder than posted`),
      hinted(quantity("pressure", `Add to the air pressure, ${conditionUnit("pressure", units)}`, null), "with a minus where the pressure in the room was below the posted one"),
      hinted(choice("basis", "What the figures really were", "", [["", "as posted"], ...bases]), "where they were posted as something else"),
      hinted(quantity("basis_factor", "The factor in them", null, "any", "/basis/factor"), "only where they were corrected to a standard"),
    ],
    check: missed,
    body: (changed) => ({ ...sent(changed), units }),
    shown: (all) => [[`${name}, ${period(all)}`, "as posted", "put right"], ...wrongs({ ...sent(all), units })],
    follows: FOLLOWS,
    done: (_, answer) => `Done: put right. The figures of ${count(answer.pulls, "pull")} of ${name} rest on it now.`,
  });
}

// The two fields of a basis as one.
function sent({ basis, basis_factor: factor, ...rest }) {
  if (!known(basis)) return rest;
  return { ...rest, basis: basis === "observed" ? basis : { standard: basis, ...(known(factor) && { factor }) } };
}

// What the form's own division into fields makes possible, and the ledger could only refuse in names of its own.
function missed({ factor, temperature, pressure, basis, basis_factor: inThem }) {
  if (known(inThem) && !known(basis)) return [{ pointer: "/basis", detail: "missing: say to which standard they were corrected" }];
  if (known(inThem) && basis === "observed") return [{ pointer: "/basis/factor", detail: "figures as measured have no factor in them: leave it empty" }];
  return [factor, temperature, pressure, basis].some(known) ? [] : [{ pointer: "/factor", detail: "missing: say what was wrong, here or in a field below" }];
}

function takingBack(one, bay, about) {
  return act(about, { id: null, what: "bay" }, {
    title: `Take back what was put right from ${at(one.from)}`,
    path: `/v1/bays/${encodeURIComponent(bay.slug)}/corrections/${one.id}/undo`,
    method: "POST",
    note: "What the bay posted counts again as it was posted.",
    shown: () => wrongs(one).map(([what, from, to]) => [what, to, from]),
    follows: "Every pull of that time is worked out anew. Answers change with it, and sheets already given out become superseded.",
    done: (_, answer) => `Done: taken back. ${bay.name} counts again as it posted, ${period(answer)}.`,
  });
}
