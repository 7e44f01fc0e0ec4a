// A car's visits: each opens to its setups, what the checks said, its pulls, who changed what, and what may be changed.

import { ask, fetched, later } from "./ask.js";
import { el } from "./dom.js";
import { link, setupOf, sheetPage } from "./links.js";
import { called } from "./lists.js";
import { openedSetup } from "./records.js";
import { csvButton, facts, section, table, unfold, unfoldLater } from "./show.js";
import { conditionUnit, count, date, known, number, tied } from "./say.js";
import { may } from "./access.js";
import { pullControls, sessionControls, setupControls } from "./car-change.js";
import { stateWords } from "./car-states.js";

export function visitsSection(about, open) {
  const box = el("div");
  const draw = () => box.replaceChildren(...visits(about.list.items).map((visit) => opened(visit, about, visit.id === open)));
  draw();
  const older = about.list.next ? "Older visits are listed once their setups are shown above. " : "";
  return section(
    "Visit by visit",
    { id: "pulls" },
    el("p", {}, `${older}One visit is one strap-down in one bay. Nothing is ever deleted: what is struck or amended keeps its record, and who did it stands beside it.`),
    box,
  );
}

function visits(items) {
  const found = new Map();
  for (const state of items) {
    const { session: id } = setupOf(state.setup);
    found.set(id, [...(found.get(id) ?? []), state]);
  }
  return [...found].map(([id, states]) => ({ id, states, at: states[0].at, bay: states[0].bay }));
}

function opened({ id, states, at, bay }, about, open) {
  const struck = states.every((state) => state.struck) ? ", struck" : "";
  const title = `${date(at)}, ${called(about.rooms, bay)}: ${[...states].reverse().map((state) => stateWords(state, about.named)).join("; ")}${struck}`;
  const node = unfoldLater(title, () => later(read(id, about), { class: "record" }));
  node.dataset.session = id;
  node.open = open;
  return node;
}

async function read(id, about) {
  const { units } = about.own;
  const response = await fetched(`/v1/sessions/${id}`, { units });
  const record = { ...(await response.json()), etag: response.headers.get("ETag") };
  return [
    record.struck && el("p", { class: "notice" }, `This visit is struck and counts nowhere: ${record.struck}`),
    aboutVisit(record, about),
    found(record),
    record.setups.map((setup) => setupPart(record, setup, about)),
    el("p", { class: "screen" }, link(sheetPage({ session: id, units }), "The sheet of this visit", `The sheet of this visit, of ${date(record.started_at)}`)),
    sessionControls(about, record),
    unfoldLater("Who changed what, when and why", () => history(record)),
  ];
}

const written = (value, unit = "") => (known(value) ? `${value}${unit && `\u00a0${unit}`}` : "not recorded");

const aboutVisit = (record, { caller }) =>
  facts([
    ["Strapped down", `${date(record.started_at)}, ${record.started_at.slice(11, 16)} UTC`],
    ["Gear", written(record.gear)],
    ["Tyres", written(record.tyre_size)],
    ["Tyre pressure", written(known(record.tyre_pressure) ? number(record.tyre_pressure, record.units === "ps" ? 2 : 0) : null, conditionUnit("tyre_pressure", record.units))],
    ["Operator", caller?.may_change ? written(record.operator) : null],
  ]);

/* What the checks said */

function found({ checks, started_at: at }) {
  if (!checks.length) return el("p", {}, "The checks at the door had nothing to say about this visit.");
  const doubts = checks.filter(({ level, cleared }) => level === "doubtful" && !cleared);
  const title = doubts.length ? `${count(doubts.length, "doubt")} against this visit` : "What the checks noticed";
  const rows = checks.map(({ level, message, pointer, cleared }) => [
    where(pointer),
    level === "doubtful" ? "doubt" : "note",
    tied(message),
    cleared ? settled(cleared) : level === "doubtful" ? "stands" : "counts all the same",
  ]);
  const made = unfold(title, table(`Findings of ${date(at)}, with figures in kW, N·m, °C and kPa`, ["about", "level", "what was noticed", "now"], rows, [true, true, true, true], true));
  made.open = doubts.length > 0;
  return made;
}

function where(pointer) {
  const [, setup, , pull] = /^\/setups\/(\d+)(\/pulls\/(\d+))?/.exec(pointer) ?? [];
  if (setup === undefined) return "the visit";
  return pull === undefined ? `setup ${Number(setup) + 1}` : `setup ${Number(setup) + 1}, pull ${Number(pull) + 1}`;
}

/* A setup and its pulls */

function setupPart(record, setup, about) {
  const parts = setup.parts.map((part) => part.part ?? part);
  const title = `Setup ${setup.n}: ${setup.label ?? stateWords({ ...setup, parts }, about.named)}`;
  return el(
    "div",
    { class: "setup" },
    el("h3", {}, title),
    el("p", {}, `Fitted: ${stateWords({ ...setup, parts }, about.named)}. ${SURE[setup.parts_known]} ${CHECKED[setup.stock_checked]}`),
    setup.struck && el("p", { class: "notice" }, `This setup is struck and counts nowhere: ${setup.struck}`),
    openedSetup(`/v1/sessions/${record.id}/setups/${setup.n}`, record.units, `Conditions and curves of setup ${setup.n}`),
    unfold(`The ${count(setup.pulls.length, "pull")} of setup ${setup.n}, one by one`, setup.pulls.map((pull) => pullPart(record, setup, pull, about))),
    setupControls(about, record, setup),
  );
}

const SURE = {
  complete: "The list is complete.",
  partial: "There may be more: the list is not complete.",
  unknown: "What is fitted is not known for sure.",
};
const CHECKED = {
  verified: "The shop checked that the rest is stock.",
  declared: "By its owner's word the rest is stock.",
  unknown: "Whether the rest is stock was not checked.",
};
// A person's word, or what the ledger closed by itself after somebody's change.
const settled = ({ by, at, reason, confirmed }) => `${confirmed ? "settled" : "closed after a change"} by ${by}, ${date(at)}: ${reason}`;

const COUNTS = { accepted: "counts", settling: "before the readings had settled, counts nowhere", rejected: "rejected, counts nowhere" };

function pullPart(record, setup, pull, about) {
  const why = pull.struck ? `struck: ${pull.struck}` : [COUNTS[pull.status], pull.reason].filter(Boolean).join(": ");
  const name = `pull ${pull.n} of setup ${setup.n}`;
  return el(
    "div",
    { class: "pull", "data-pull": pull.id },
    el("p", {}, el("strong", {}, `Pull ${pull.n}`), `: ${why}. ${observed(pull, about)}`),
    pull.rpm_from ? csvButton(`/v1/pulls/${pull.id}`, { units: record.units }, `pull-${record.vehicle}-${pull.id}`, `Save ${name} as recorded (CSV)`) : el("p", { class: "state" }, "Peak figures only: no curve was recorded."),
    may(about.caller, record) ? pullControls(about, record, setup, pull) : null,
  );
}

function observed(pull, { name, own }) {
  const what = own.question.measure.includes("torque") ? "peak_torque" : "peak_power";
  const value = (pull.observed ?? pull.as_posted)?.[what];
  const which = what === "peak_torque" ? "torque" : "power";
  if (!known(value)) return `Peak ${which} not recorded.`;
  const factor = pull.observed && known(pull.factor) ? `, ${number(value * pull.factor, 1)} ${name} corrected (factor ${number(pull.factor, 3)})` : "";
  return `Peak ${which} ${number(value, 1)} ${name} ${pull.observed ? "as measured" : "as it was posted"}${factor}.`;
}

/* History */

const history = ({ id, started_at: at }) =>
  later(ask("/v1/history", { about: `sessions/${id}`, limit: 100 }).then(({ items }) => historyTable(items, at)));

const WHAT = { amended: "amended", struck: "struck", unstruck: "strike taken back", confirmed: "doubt confirmed as good", unconfirmed: "confirmation taken back" };

function historyTable(items, at) {
  if (!items.length) return el("p", {}, "Nothing was changed since it was posted.");
  const rows = items.map(({ at: when, who, about, action, before, after, reason }) => [
    `${date(when)}, ${when.slice(11, 16)} UTC`,
    who,
    place(about),
    WHAT[action] ?? action,
    differences(before, after),
    reason ?? "–",
  ]);
  return table(`Changes of the visit of ${date(at)}, newest first`, ["when", "who", "of what", "what", "from what to what", "why"], rows, [true, true, true, true, true, true], true);
}

function place(about) {
  const [, setup, pull] = /\/setups\/(\d+)(?:\/pulls\/(\d+))?/.exec(about) ?? [];
  if (!setup) return "the visit";
  return pull ? `a pull of setup ${setup} (record ${pull})` : `setup ${setup}`;
}

const plain = (value) => (Array.isArray(value) ? value.map((one) => one.part ?? one).join(", ") || "nothing" : (value ?? "not recorded"));

function differences(before, after) {
  const names = Object.keys(after ?? before ?? {});
  const said = names.filter((name) => !after || plain(before?.[name]) !== plain(after[name]));
  return said.map((name) => `${name.replaceAll("_", " ")}: ${plain(before?.[name])}${after ? ` → ${plain(after[name])}` : ""}`).join("; ") || "–";
}
