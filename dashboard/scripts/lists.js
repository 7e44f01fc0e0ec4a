// What the pickers offer, asked for once a page; and the picker of a kind of car, which most pages have.

import { askAll } from "./ask.js";
import { choose } from "./form.js";
import { inList } from "./say.js";

const held = new Map();

async function list(path, signal) {
  if (!held.has(path)) held.set(path, await askAll(path, {}, signal));
  return held.get(path);
}

export const platforms = (signal) => list("/v1/platforms", signal);
export const parts = (signal) => list("/v1/parts", signal);
export const slots = (signal) => list("/v1/slots", signal);
export const bays = (signal) => list("/v1/bays", signal);

export const called = (rows, slug) => rows.find((row) => row.slug === slug)?.name ?? slug;
export const option = ({ slug, name }) => ({ value: slug, label: inList(name ?? slug) });

// What a control filled from a list is to show: what it shows, else what the address asks.
export const wanted = (form, field) =>
  form.elements[field].value || new URLSearchParams(location.search).get(field) || "";

export async function pickPlatform(form, signal, prompt = "Choose a kind of car") {
  const rows = await platforms(signal);
  choose(form.elements.platform, [{ options: rows.map(option) }], wanted(form, "platform"), prompt);
  return rows;
}
