// From one page to another: addresses hold the question.

import { el } from "./dom.js";

const page = (name) => (question) => {
  const given = Object.entries(question).filter(([, value]) => value !== null && value !== undefined && value !== "");
  return `${name}.html?${new URLSearchParams(given)}`;
};

export const gainPage = page("gain"); // platform, part, against, measure, units, baseline
export const spreadPage = page("spread"); // platform, measure, units, value or tag
export const worthPage = page("worth"); // platform, fitted, budget
export const oddPage = page("odd"); // platform, bay, since
export const baysPage = page("bays");
export const carPage = page("car"); // tag, session
export const sheetPage = page("sheet"); // session, before, after, units

export const link = (address, words, spoken) => el("a", { href: address, "aria-label": spoken ?? null }, words);
export const carLink = (tag) => link(carPage({ tag }), tag, `${tag}, this car's page`);

// "/v1/sessions/{id}/setups/{n}" -> { session, n }
export function setupOf(path) {
  const [, session, n] = /\/v1\/sessions\/([^/]+)(?:\/setups\/(\d+))?/.exec(path ?? "") ?? [];
  return session ? { session, n: n ? Number(n) : null } : null;
}
