// How do we know? A pair or a setup opened down to its pulls: conditions side by side, every pull, every curve.

import { ask, later } from "./ask.js";
import { chart } from "./chart.js";
import { el } from "./dom.js";
import { carLink, link, setupOf, sheetPage } from "./links.js";
import { bays, called } from "./lists.js";
import { UNITS, conditionUnit, date, known, number, standard, allThatDiffers } from "./say.js";
import { table, unfoldLater } from "./show.js";

// `pair`: vehicle, before, after (addresses of setups); with `at`, `held` and `differs` where they are known.
export function openedPair(pair, units, title = `How do we know? ${pair.vehicle}, ${date(pair.at)}`) {
  const sides = { before: pair.before, after: pair.after };
  return unfoldLater(title, () =>
    waiting(sides, units, (read) => [held(pair, units), ...contents(read, units)]),
  );
}

export const openedSetup = (path, units, title = "Its pulls") =>
  unfoldLater(title, () => waiting({ setup: path }, units, (read) => contents(read, units)));

function waiting(sides, units, make) {
  const read = Object.entries(sides).map(([name, path]) => setup(name, path, units));
  return later(Promise.all(read).then(make), { class: "record" });
}

async function setup(side, path, units) {
  const { session: id, n } = setupOf(path);
  const [session, curve, rooms] = await Promise.all([
    ask(`/v1/sessions/${id}`, { units }),
    ask(`/v1/sessions/${id}/setups/${n}/curve`, { units, singles: "true" }),
    bays(),
  ]);
  return { side, session, curve, room: called(rooms, session.bay), ...session.setups.find((one) => one.n === n) };
}

function contents(read, units) {
  return [conditions(read, units), pulls(read, units), curves(read, units), ways(read, units)].flat();
}

function held({ held: same, differs }, units) {
  if (!differs) return null;
  if (same)
    return el(
      "p",
      {},
      "What was recorded of the conditions stayed inside the windows of a like-for-like test.",
    );
  const words = allThatDiffers(differs, units);
  const moved = differs.some(({ before, after }) => known(before) && known(after));
  if (moved) return el("p", {}, `Not the same on both sides: ${words}.`);
  return el("p", {}, `Too little was recorded to say the conditions held${words && `: ${words}`}.`);
}

/* Conditions */

const ofPulls = (read) => (one) => one.pulls.map(read);
const along = (name) => (one) => one.curve.curve?.[name] ?? [];
const highest = (name) => (one) => [Math.max(...along(name)(one).filter(known))].filter(Number.isFinite);
const share = (value) => (known(value) ? value * 100 : null);

// What, its unit or quantity, decimals, and where it stands: numbers are shown as what they lay between.
const CONDITIONS = [
  ["air temperature", "temperature", 1, ofPulls((pull) => pull.ambient.temperature)],
  ["air pressure", "pressure", 2, ofPulls((pull) => pull.ambient.pressure)],
  ["humidity", "%", 0, ofPulls((pull) => share(pull.ambient.humidity))],
  ["correction factor", "", 4, ofPulls((pull) => pull.factor)],
  ["coolant at start", "temperature", 0, ofPulls((pull) => pull.engine.coolant)],
  ["oil at start", "temperature", 0, ofPulls((pull) => pull.engine.oil)],
  ["inlet air at start", "temperature", 0, ofPulls((pull) => pull.engine.inlet)],
  ["inlet air at end", "temperature", 0, ofPulls((pull) => pull.engine.inlet_end)],
  ["lambda", "", 2, along("lambda")],
  ["highest manifold pressure", "pressure", 1, highest("map")],
  ["spark advance", "°", 1, (one) => [one.spark_advance, ...along("spark")(one)]],
  ["ethanol in the fuel", "%", 0, (one) => [share(one.fuel.ethanol)]],
  ["octane", "", 0, (one) => [one.fuel.octane]],
  ["ramp", "rpm/s", 0, ofPulls((pull) => pull.ramp)],
  ["tyre pressure", "tyre_pressure", 1, (one) => [one.session.tyre_pressure]],
  ["gear", "", 0, (one) => [one.session.gear]],
  ["overall ratio", "", 2, (one) => [one.session.ratio]],
];

const TEXTS = [
  [
    "fitted",
    (one) =>
      one.parts.map((part) => part.part ?? part).join(", ") ||
      (one.parts_known === "complete" ? "nothing" : "not known"),
  ],
  ["measured", (one) => `${date(one.session.started_at)}, ${one.room}`],
  ["tyres", (one) => one.session.tyre_size ?? "not recorded"],
  ["stands in", (one) => one.summary?.standing ?? standard(one.summary?.standard)],
];

function conditions(read, units) {
  const texts = TEXTS.map(([name, of]) => [name, ...read.map(of)]);
  const measured = CONDITIONS.map(([name, quantity, places, of]) => [
    name,
    ...read.map((one) => range(of(one).filter(known), places, conditionUnit(quantity, units))),
  ]);
  const heads = ["", ...read.map(({ side }) => side)];
  return table(
    "Conditions",
    heads,
    [...texts, ...measured],
    heads.map(() => true),
  );
}

function range(values, places, unit) {
  if (!values.length) return "not recorded";
  const ends = [Math.min(...values), Math.max(...values)].map((value) => number(value, places));
  return `${ends[0] === ends[1] ? ends[0] : ends.join(" to ")}${unit && `\u00a0${unit}`}`;
}

/* Pulls */

// What was read, times the factor; a figure of which only what was posted is known stands as it was posted.
const corrected = (pull, name) =>
  pull.observed && known(pull.factor)
    ? pull.observed[name] * pull.factor
    : (pull.observed ?? pull.as_posted)?.[name];

// Of two states side by side the pull says whose it is.
const pullName = (side, { n }) => (side === "setup" ? `pull ${n}` : `${side} ${n}`);

function pulls(read, units) {
  const { power, torque } = UNITS[units];
  const counts = ({ status, reason, struck }) =>
    struck ? `struck: ${struck}` : [status, reason].filter(Boolean).join(": ");
  const row = (side) => (pull) => [
    pullName(side, pull),
    counts(pull),
    number(corrected(pull, "peak_power"), 1),
    number((pull.observed ?? pull.as_posted)?.peak_power_rpm),
    number(corrected(pull, "peak_torque"), 1),
    link(`/v1/pulls/${pull.id}`, "record", `record of ${side === "setup" ? "" : "pull "}${pullName(side, pull)}`),
  ];
  const heads = ["pull", "counts as", `peak power, ${power}`, "at rpm", `peak torque, ${torque}`, "raw"];
  const rows = read.flatMap((one) => one.pulls.map(row(one.side)));
  const bare = read.flatMap((one) => one.pulls).map((pull) => pull.observed && !known(pull.factor));
  const how = bare.every(Boolean) ? "as measured" : bare.some(Boolean) ? "corrected where its air is known" : "corrected";
  return table(`Every pull, ${how}`, heads, rows, [false, true, false, false, false, true], true);
}

function curves(read, units) {
  const drawn = read.filter(({ curve }) => curve.curve);
  if (!drawn.length) return el("p", {}, "Peak figures only: no curve was kept.");
  const points = ({ side, curve }) => [
    ...line(curve.curve, side, "mean", curve.curve.power),
    ...(curve.singles ?? []).flatMap(({ n, status, struck, power }) =>
      line(curve.curve, side, status === "accepted" && !struck ? "single" : "rejected", power, n),
    ),
  ];
  const key = drawn.length > 1 ? " Solid: before. Dashed: after." : "";
  const rejected = drawn.some(({ pulls: all }) => all.some(({ status }) => status !== "accepted"))
    ? " Dotted: does not count."
    : "";
  const data = { curves: drawn.flatMap(points), ends: drawn.length > 1 ? drawn.map(end) : [] };
  const caption = `Power in ${UNITS[units].power} at the wheels over engine speed. Thick: mean of the pulls that count. Thin: each pull.${key}${rejected}`;
  return chart("pulls", UNITS[units].power, data, caption, { file: `pulls-${drawn[0].session.vehicle}` });
}

// "before" and "after" of a chart of one setup are the same solid line.
const line = ({ rpm: speeds }, side, kind, values, n = 0) =>
  speeds
    .map((speed, i) => ({
      rpm: speed,
      value: values[i],
      side: side === "after" ? side : "before",
      kind,
      line: `${side}-${kind}-${n}`,
    }))
    .filter(({ value }) => known(value));

function end({
  side,
  curve: {
    curve: { rpm: speeds, power },
  },
}) {
  const top = power.indexOf(Math.max(...power.filter(known)));
  return { rpm: speeds[top], value: power[top], label: side };
}

function ways([first, second], units) {
  const { session } = first;
  const [before, after] = [first, second ?? first].map(({ n }) => n);
  const same = !second || second.session.id === session.id;
  const sheet = same
    ? link(
        sheetPage({ session: session.id, before, after: second && after, units }),
        "the sheet of this test",
      )
    : "no sheet: the two sides were not measured in one strap-down";
  return el("p", {}, "More: ", carLink(session.vehicle), " · ", sheet, ".");
}
