// Striking, confirming and amending a visit, by those who may: asked for a reason, shown before it is sent, never overwriting.

import { may } from "./access.js";
import { el } from "./dom.js";
import { called } from "./lists.js";
import { carLink } from "./links.js";
import { unfoldLater } from "./show.js";
import { conditionUnit, inSentence } from "./say.js";
import { act, choice, moment, partList, quantity, tag, text } from "./change-form.js";
import { stateWords } from "./car-states.js";

/* One visit */

const unfolding = (title, make) => unfoldLater(title, () => el("div", {}, make().filter(Boolean)));

export function sessionControls(about, record) {
  if (!may(about.caller, record)) return null;
  const at = `/v1/sessions/${record.id}`;
  return unfolding("Strike or amend this visit", () => [
    striking(about, record, at, "this visit", record.struck),
    act(about, record, {
      title: "Amend this visit",
      path: at,
      method: "PATCH",
      fields: [
        text("started_at", "Strapped down at (UTC)", record.started_at, moment),
        quantity("gear", "Gear", record.gear, "1"),
        text("tyre_size", "Tyre size", record.tyre_size),
        quantity("tyre_pressure", `Tyre pressure, ${conditionUnit("tyre_pressure", record.units)}`, record.tyre_pressure),
        text("operator", "Operator (initials or a number)", record.operator),
      ],
      body: (changed) => ("tyre_pressure" in changed ? { ...changed, units: record.units } : changed),
    }),
    swapping(about, record, at),
    act(about, record, {
      title: "This was another car",
      path: at,
      method: "PATCH",
      note: `Moves the whole visit, every setup and pull of it, from ${record.vehicle} to the car whose tag you type. Both cars' answers change with it. Make sure which car stood there.`,
      fields: [text("vehicle", "Tag of the car that was really measured", "", tag)],
      shown: ({ vehicle }) => [["car", record.vehicle, vehicle]],
      done: ({ vehicle }) => ["Moved. The visit is now on ", carLink(vehicle), "."],
    }),
  ]);
}

function swapping(about, record, at) {
  if (record.setups.length < 2) return null;
  const options = record.setups.map((setup) => [String(setup.n), `setup ${setup.n}: ${wordsOf(setup, about)}`]);
  const said = (n) => wordsOf(record.setups.find((setup) => setup.n === Number(n)), about);
  return act(about, record, {
    title: "Two setups were taken for each other",
    path: `${at}/setups`,
    method: "PATCH",
    note: "Swaps the label, the parts and what is known of them between two setups. The pulls stay where they were measured. Both are changed together, or neither.",
    fields: [choice("a", "One setup", null, options, "/setups/0"), choice("b", "The other one", null, options.toReversed(), "/setups/1")],
    body: ({ a, b }) => ({ setups: [Number(a), Number(b)] }),
    shown: ({ a, b }) => [[`setup ${a}`, said(a), said(b)], [`setup ${b}`, said(b), said(a)]],
  });
}

const wordsOf = (setup, { named }) =>
  [setup.label, stateWords({ ...setup, parts: setup.parts.map((part) => part.part ?? part) }, named)].filter(Boolean).join(", ");

export const FOLLOWS = "Answers change with it, and a sheet already given out becomes superseded.";

function striking(about, record, at, what, struck) {
  if (struck) {
    return act(about, record, {
      title: "Take the strike back",
      follows: FOLLOWS,
      path: `${at}/unstrike`,
      method: "POST",
      reason: false,
      note: `It was struck: ${struck}. Taken back, it counts again.`,
      shown: () => [[what, "counts nowhere", "counts"]],
    });
  }
  return act(about, record, {
    title: `Strike ${what}`,
    follows: FOLLOWS,
    path: `${at}/strike`,
    method: "POST",
    note: "Struck, it counts nowhere, and can still be read and put back.",
    shown: () => [[what, "counts", "counts nowhere"]],
  });
}

/* One setup, one pull */

const KNOWN = [["complete", "complete: this is all"], ["partial", "partial: there may be more"], ["unknown", "unknown"]];
const STOCK = [["verified", "verified by the shop"], ["declared", "declared by the owner"], ["unknown", "not checked"]];
const METHODS = [["", "not recorded"], ["ron", "research (RON)"], ["mon", "motor (MON)"], ["aki", "mean of both (AKI)"]];
const FUEL = ["ethanol", "octane", "octane_method"];

export function setupControls(about, record, setup) {
  if (!may(about.caller, record)) return null;
  const at = `/v1/sessions/${record.id}/setups/${setup.n}`;
  return unfolding(`Strike or amend setup ${setup.n}`, () => [
    striking(about, record, at, `setup ${setup.n}`, setup.struck),
    act(about, record, {
      title: `Amend setup ${setup.n}`,
      path: at,
      method: "PATCH",
      fields: [
        text("label", "Label", setup.label),
        partList("parts", "Parts fitted that are not stock", setup.parts, about.named, (slug) => inSentence(called(about.named, slug))),
        choice("parts_known", "Is that list all there is?", setup.parts_known, KNOWN),
        choice("stock_checked", "Is the rest stock?", setup.stock_checked, STOCK),
        quantity("ethanol", "Ethanol in the fuel, 0 to 1", setup.fuel.ethanol, "any", "/fuel/ethanol"),
        quantity("octane", "Octane number", setup.fuel.octane, "any", "/fuel/octane"),
        choice("octane_method", "Octane by", setup.fuel.octane_method ?? "", METHODS, "/fuel/octane_method"),
      ],
      body: withFuel,
    }),
  ]);
}

function withFuel(changed) {
  const of = (wanted) => Object.fromEntries(Object.entries(changed).filter(([name]) => FUEL.includes(name) === wanted));
  return Object.keys(of(true)).length ? { ...of(false), fuel: of(true) } : changed;
}

const STATUSES = [["accepted", "counts"], ["settling", "before the readings had settled: counts nowhere"], ["rejected", "rejected: counts nowhere"]];

export function pullControls(about, record, setup, pull) {
  const at = `/v1/pulls/${pull.id}`;
  const against = record.checks.filter((check) => check.level === "doubtful" && isAgainst(check.pointer, setup, pull));
  const doubts = against.filter(({ cleared }) => !cleared);
  const settled = against.filter(({ cleared }) => cleared?.confirmed);
  return unfolding(`Strike, confirm or amend pull ${pull.n} of setup ${setup.n}`, () => [
    doubts.length
      ? act(about, record, {
          title: `Confirm pull ${pull.n}`,
          path: `${at}/confirm`,
          method: "POST",
          note: `Somebody who looked says the pull is good all the same. Against it stands: ${doubts.map(({ message }) => message).join("; ")}`,
          shown: () => [["doubts", "stand", "settled"]],
        })
      : null,
    settled.length
      ? act(about, record, {
          title: `Take back that pull ${pull.n} was confirmed`,
          path: `${at}/unconfirm`,
          method: "POST",
          note: `It was confirmed: ${[...new Set(settled.map(({ cleared }) => `${cleared.reason} (${cleared.by})`))].join("; ")}. Taken back, this stands against it again: ${settled.map(({ message }) => message).join("; ")}`,
          follows: FOLLOWS,
          shown: () => [["doubts", "settled", "stand"]],
          done: () => `Done: the doubts stand against pull ${pull.n} again.`,
        })
      : null,
    striking(about, record, at, `pull ${pull.n}`, pull.struck),
    act(about, record, {
      title: `Amend what pull ${pull.n} counts as`,
      path: at,
      method: "PATCH",
      fields: [choice("status", "Counts as", pull.status, STATUSES)],
    }),
  ]);
}

// A doubt against a pull, its setup or its visit is settled with the pull.
function isAgainst(pointer, setup, pull) {
  const [, s, , p] = /^\/setups\/(\d+)(\/pulls\/(\d+))?/.exec(pointer) ?? [];
  return (s === undefined || Number(s) === setup.n - 1) && (p === undefined || Number(p) === pull.n - 1);
}
