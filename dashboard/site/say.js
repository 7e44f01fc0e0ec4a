// Numbers and trade words as a tuner's customer would hear them.

export const UNITS = {
  si: { power: "kW", torque: "N·m" },
  us: { power: "hp", torque: "lbf·ft" },
  ps: { power: "PS", torque: "N·m" },
};

const MATCH = {
  "same-session-aba": "same strap-down, first state repeated last",
  "same-session": "same strap-down",
  "same-day": "same day, strapped down again",
  "other-day": "another day",
  "other-bay": "another bay",
  "peaks-only": "peak figures only",
};

const STANDARDS = {
  "sae-j1349": "SAE J1349",
  "iso-1585": "ISO 1585",
  "sae-j607": "SAE J607",
  "din-70020": "DIN 70020",
  "un-r85": "UN ECE R85",
  "jis-d1001": "JIS D 1001",
  none: "no standard (factor 1)",
};

const GRADES = {
  strong: ["Strong evidence", "eight or more cars of this kind were measured here"],
  fair: ["Fair evidence", "a handful of cars of this kind were measured here"],
  thin: [
    "Thin evidence",
    "few cars of this kind were measured here, or few of them like for like; take the number as a hint",
  ],
  borrowed: ["Borrowed", "no car of this kind shows it by itself; the number comes from other kinds of car"],
  none: ["No evidence", "nothing measured here answers this"],
};

export const known = (value) => value !== null && value !== undefined;

const FORMATS = new Map();

export function number(value, decimals = 0) {
  if (!known(value)) return "not known";
  if (!FORMATS.has(decimals)) {
    const digits = { minimumFractionDigits: decimals, maximumFractionDigits: decimals };
    FORMATS.set(decimals, new Intl.NumberFormat("en-GB", digits));
  }
  const text = FORMATS.get(decimals).format(value);
  return /[1-9]/.test(text) ? text.replace("-", "\u2212") : text.replace("-", "");
}

// A sign where the rounded figure has one: neither +0.0 nor -0.0.
export function signed(value, decimals) {
  const text = number(value, decimals);
  return value > 0 && /[1-9]/.test(text) ? `+${text}` : text;
}
export const percent = (value, places = 0, plus = false) =>
  `${(plus ? signed : number)(value, places)}\u00a0%`;
export const rpm = (value) => `${number(value)} rpm`;
export const kind = (measure) => (measure.includes("torque") ? "torque" : "power");
export const system = (answer) => answer.units ?? answer.question.units;
export const unit = (answer, measure) => UNITS[system(answer)]?.[kind(measure)] ?? system(answer);
export const match = (name) => MATCH[name] ?? name;
export const standard = (slug) => STANDARDS[slug] ?? slug ?? "a standard not named";
export const grade = (name) => GRADES[name] ?? [name, ""];
// A sentence of the ledger's own, its figures tied to their units, of which a percent sign may stand close.
export const tied = (words) => words.replace(/(\d)%/g, "$1 %").replace(/(\d) (%|°|kW|hp|PS|N·m|lbf·ft|kPa|inHg|hPa)/g, "$1\u00a0$2");
export const inList = (name) => name[0].toUpperCase() + name.slice(1);
// A name as it stands within a sentence; one with a comma is quoted, so that the sentence can be read aloud.
export function inSentence(name) {
  const lowered = /^[A-Z][a-z]/.test(name) ? name[0].toLowerCase() + name.slice(1) : name;
  return lowered.includes(",") ? `\u201c${lowered}\u201d` : lowered;
}
export const count = (n, one, many = `${one}s`) => `${number(n)} ${n === 1 ? one : many}`;
export const inPercent = (level) => Math.round((level ?? 0.9) * 100); // 0.9 where none was asked for
export const inHundred = (share) =>
  share > 0.99
    ? "more than 99 in 100"
    : share < 0.01
      ? "less than 1 in 100"
      : `${Math.round(share * 100)} in 100`;

export const month = (text) =>
  text
    ? new Date(text).toLocaleDateString("en-GB", { month: "long", year: "numeric", timeZone: "UTC" })
    : "date not recorded";

export function date(text) {
  const options = { day: "numeric", month: "long", year: "numeric", timeZone: "UTC" };
  return text ? new Date(text).toLocaleDateString("en-GB", options) : "not recorded";
}

// Whole units of money; smaller ones only below ten, and only where there are any (our choice).
export function money(value, currency) {
  if (!currency) return number(value, 2);
  const places = value < 10 && !Number.isInteger(value) ? 2 : 0;
  const digits = { minimumFractionDigits: places, maximumFractionDigits: places };
  const options = { style: "currency", currency, ...digits };
  return new Intl.NumberFormat("en-GB", options).format(value);
}

export function measureInWords({ measure, from, to, rpm: speed }) {
  if (measure.startsWith("band")) return `average ${kind(measure)} from ${number(from)} to ${rpm(to)}`;
  if (measure.endsWith("_at")) return `${kind(measure)} at ${rpm(speed)}`;
  return `peak ${kind(measure)}`;
}

// A figure somebody typed, with the digits they typed.
export const typed = (value) => value.toLocaleString("en-GB", { maximumFractionDigits: 2 });

const CONDITION_UNITS = {
  temperature: { si: "°C", us: "°F", ps: "°C" },
  pressure: { si: "kPa", us: "inHg", ps: "hPa" },
  tyre_pressure: { si: "kPa", us: "psi", ps: "bar" },
};
// The unit of a quantity in a system; what is no quantity is its own unit.
export const conditionUnit = (quantity, units) => CONDITION_UNITS[quantity]?.[units] ?? quantity ?? "";

const WHAT = {
  coolant: ["coolant", "temperature"],
  oil: ["oil", "temperature"],
  inlet: ["inlet air", "temperature"],
  map: ["manifold pressure", "pressure"],
  air_temperature: ["air", "temperature"],
  air_pressure: ["air pressure", "pressure"],
  ethanol: ["share of ethanol"],
  lambda: ["lambda"],
  spark_advance: ["spark advance"],
  tyre_pressure: ["tyre pressure", "tyre_pressure"],
  tyre_size: ["tyre size"],
  ramp: ["ramp"],
  gear: ["gear"],
  ratio: ["ratio"],
};

// What moved between two sides, then what was recorded on neither of them.
export function allThatDiffers(differs, units) {
  const neither = differs.filter(({ before, after }) => !known(before) && !known(after));
  const words = differs.filter((one) => !neither.includes(one)).map((one) => whatDiffers(one, units));
  const names = neither.map(({ what }) => nameOf(what)[0]).join(", ");
  return [...words, ...(names ? [`not recorded on both sides: ${names}`] : [])].join("; ");
}

const nameOf = (what) => WHAT[what] ?? [what.replaceAll("_", " ")];

// One condition that was not held: what, and both readings.
export function whatDiffers({ what, before, after }, units) {
  const [name, quantity] = nameOf(what);
  const unitIn = quantity ? ` ${conditionUnit(quantity, units)}` : "";
  const digits = { maximumFractionDigits: quantity ? 1 : 3 };
  const value = (reading, end) =>
    typeof reading === "number"
      ? reading.toLocaleString("en-GB", digits) + end
      : String(reading ?? "not recorded");
  const first = typeof after === "number" ? "" : unitIn; // once, after the last number
  return `${name} ${value(before, first)}, then ${value(after, unitIn)}`;
}

// Decimals worth saying: none once the interval is wider than one per cent either way (our choice).
export function decimals(interval, reference) {
  const half = interval ? Math.abs(interval[1] - interval[0]) / 2 : 0;
  return reference && half / Math.abs(reference) > 0.01 ? 0 : 1;
}

// A number inside a sentence, with the ledger's own unrounded value beside it.
export function figure(value, places, after = "", plus = false) {
  const node = document.createElement("data");
  node.value = String(value);
  node.textContent = (plus ? signed : number)(value, places) + (after ? `\u00a0${after}` : "");
  return node;
}

// say`text ${node} text` -> a list of texts and nodes.
export function say(texts, ...values) {
  return texts.flatMap((text, i) => (i < values.length ? [text, values[i]] : [text])).flat(Infinity);
}

export const between = ([low, high], places, name) =>
  say`${figure(low, places)} and ${figure(high, places, name)}`;
