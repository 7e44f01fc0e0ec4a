// The form of one change: fields, a reason, what will change from what to what, then sent; refusals beside their field.

import { change } from "./ask.js";
import { el } from "./dom.js";
import { unfold } from "./show.js";
import { known } from "./say.js";

let made = 0; // forms on the page, so that every id is its own

/* Fields: { name, pointer, label, node, now, value(), words(value), hint } */

const field = (name, label, node, rest) => ({ name, pointer: `/${name}`, label, node, words: (value) => (known(value) && value !== "" ? String(value) : "not recorded"), ...rest });

// A text, kept as null when emptied; `as` turns what is shown into what is sent and back.
export function text(name, label, now, as = null) {
  const shown = as ? as.show(now) : (now ?? "");
  const node = el("input", { type: as?.type ?? "text", value: shown, autocomplete: "off", spellcheck: "false", step: as?.step });
  const value = () => (node.value === shown ? now : as ? as.read(node.value) : node.value.trim() || null);
  return field(name, label, node, { now: now ?? null, value });
}

export const moment = {
  type: "datetime-local",
  step: "1",
  show: (at) => (at ? new Date(at).toISOString().slice(0, 19) : ""),
  read: (typed) => (typed ? `${typed.length === 16 ? `${typed}:00` : typed}+00:00` : null),
};

// A car's own name, as the ledger writes it.
export const tag = { show: (now) => now ?? "", read: (typed) => typed.trim().toLowerCase() || null };

export function quantity(name, label, now, step = "any", pointer = `/${name}`) {
  const shown = known(now) ? String(Number(Number(now).toPrecision(5))) : "";
  const node = el("input", { type: "number", inputmode: "decimal", step, value: shown });
  const value = () => (node.value === shown ? now : node.value === "" ? null : Number(node.value));
  return field(name, label, node, { now: now ?? null, value, pointer });
}

export function choice(name, label, now, options, pointer = `/${name}`) {
  const node = el("select", {}, options.map(([value, words]) => el("option", { value, selected: value === now }, words)));
  const words = (value) => options.find(([one]) => one === (value ?? ""))?.[1] ?? String(value);
  return field(name, label, node, { now: now === "" ? null : now, value: () => node.value || null, words, pointer });
}

// The parts that are fitted, first those that are; a part that fills one of several slots keeps its slot.
export function partList(name, label, now, parts, words) {
  const slots = new Map(now.map((part) => [part.part ?? part, part]));
  const ordered = [...slots.keys(), ...parts.map(({ slug }) => slug).filter((slug) => !slots.has(slug))];
  const boxes = ordered.map((slug) => el("input", { type: "checkbox", value: slug, checked: slots.has(slug) }));
  const node = el("div", { class: "choices", role: "group" }, boxes.map((box) => el("label", {}, box, ` ${words(box.value)}`)));
  const value = () => boxes.filter((box) => box.checked).map((box) => slots.get(box.value) ?? box.value);
  return field(name, label, node, { now, value, words: (list) => list.map((part) => words(part.part ?? part)).join(", ") || "nothing" });
}

const same = (a, b) => JSON.stringify(a ?? null) === JSON.stringify(b ?? null);

export const hinted = (one, hint) => ({ ...one, hint });

/* The form */

// `record`: { id, etag, what }. `follows`: what the change brings with it, said before it is sent; `check(values)`: what the page itself refuses, as the ledger would;
// `shown(values)`: rows of what, from, to; `body(changed)`: what is sent beside the reason; `done(changed, answer)`: words after.
export function act(about, record, { title, path, method, note, follows, fields = [], reason = true, why: reasonLabel = "Reason (it stays on the record)", check, body = (changed) => changed, shown, sending = "Send this change", done }) {
  const id = `change-${(made += 1)}`;
  const why = el("input", { type: "text", maxlength: 500, required: reason, autocomplete: "off" });
  const asked = reason ? [...fields, field("reason", reasonLabel, why, { now: "", value: () => why.value.trim() })] : fields;
  const inputs = el("div", { class: "inputs" }, typeof note === "string" ? el("p", {}, note) : note, asked.map((one, i) => row(one, `${id}-${i}`)), el("button", { type: "submit" }, "Show what will change"));
  const review = el("div", { class: "review", hidden: true, tabindex: "-1", role: "group", "aria-label": "What will change" });
  const said = el("div", { role: "alert" });
  const form = el("form", { class: "change screen", onsubmit: look }, inputs, review, said);

  function turn(reviewing) {
    inputs.hidden = reviewing;
    review.hidden = !reviewing;
    (reviewing ? review : inputs.querySelector("input, select, button")).focus();
  }

  function look(event) {
    event.preventDefault();
    clear(form, said);
    const all = Object.fromEntries(fields.map((one) => [one.name, one.value()]));
    const changed = Object.fromEntries(fields.filter((one) => !same(one.value(), one.now)).map((one) => [one.name, one.value()]));
    if (fields.length && !Object.keys(changed).length) return said.replaceChildren(el("p", {}, "Nothing is different yet."));
    const errors = check?.(all) ?? [];
    if (errors.length) return refused({ status: 422, problem: { errors } }, asked, said);
    const rows = shown ? shown(all) : fields.filter(({ name }) => name in changed).map((one) => [one.label, one.words(one.now), one.words(changed[one.name])]);
    review.replaceChildren(...reviewed(rows, follows, reason && why.value.trim(), sending, { send: (event2) => send(event2.currentTarget, changed), back: () => turn(false) }));
    return turn(true);
  }

  async function send(button, changed) {
    button.disabled = true;
    clear(form, said);
    said.replaceChildren(el("p", { class: "state" }, "Sending …"));
    try {
      const sent = fields.length || reason ? { ...body(changed), ...(reason && { reason: why.value.trim() }) } : undefined;
      const answer = await change(method, path, sent, record.etag);
      await about.again(record.id, done ? done(changed, answer) : `Done: ${title.toLowerCase()}. Nothing was lost; 'who changed what' in the visit says so.`);
    } catch (fault) {
      button.disabled = false;
      turn(false);
      refused(fault, asked, said, () => about.again(record.id), record.what);
    }
  }

  return unfold(title, form);
}

function row(one, id) {
  const group = one.node.getAttribute("role") === "group";
  one.node.id = id;
  if (group) one.node.setAttribute("aria-labelledby", `${id}-label`);
  const label = group ? el("p", { id: `${id}-label`, class: "label" }, one.label) : el("label", { for: id }, one.label);
  const hint = one.hint && el("small", { id: `${id}-hint` }, one.hint);
  if (hint) one.node.setAttribute("aria-describedby", (one.node.dataset.hint = hint.id));
  return el("div", { class: "field", "data-pointer": one.pointer }, label, one.node, hint);
}

function reviewed(rows, follows, why, sending, { send, back }) {
  return [
    el("p", {}, el("strong", {}, "This will change:")),
    el("ul", {}, rows.map(([what, from, to]) => el("li", {}, `${what}: `, el("del", {}, from), " → ", el("ins", {}, to)))),
    follows && el("p", {}, follows),
    why && el("p", {}, `Reason: ${why}`),
    el("button", { type: "button", onclick: send }, sending),
    " ",
    el("button", { type: "button", class: "quiet", onclick: back }, "Back"),
  ].filter(Boolean);
}

/* Refusals */

function clear(form, said) {
  said.replaceChildren();
  for (const note of form.querySelectorAll(".refusal")) note.remove();
  for (const node of form.querySelectorAll("[aria-invalid]")) {
    node.removeAttribute("aria-invalid");
    if (node.dataset.hint) node.setAttribute("aria-describedby", node.dataset.hint);
    else node.removeAttribute("aria-describedby");
  }
}

const WORDS = {
  401: () => "The token is not valid any more; give another one below. Nothing was changed.",
  403: ({ message }) => `This token may not do that, nothing was changed: ${message}`,
  404: ({ message }) => `Nothing was changed: ${message}`,
  409: ({ message }) => `Nothing was changed: ${message}`,
  412: (_, what) => `Somebody else changed this ${what} after you opened it. Nothing of yours was written. Read it again, then decide.`,
  422: ({ message, problem }) => `Not accepted, nothing was changed${problem.errors?.length ? "" : `: ${message}`}.`,
  429: () => "The ledger has been asked too often. Wait a minute, then send it again.",
};

function refused(fault, fields, said, again, what = "visit") {
  const errors = fault.problem?.errors ?? [];
  const beside = (error) => fields.find(({ pointer }) => error.pointer === pointer) ?? fields.find(({ pointer }) => error.pointer?.startsWith(`${pointer}/`));
  for (const one of fields) mark(one, errors.filter((error) => beside(error) === one).map(({ detail }) => detail));
  const rest = errors.filter((error) => !beside(error) && (fault.status === 422 || error.detail !== fault.message)).map(({ detail }) => el("p", {}, detail));
  const words = !fault.status
    ? "The ledger did not answer, so whether it was changed is not known. Read it again."
    : fault.status >= 500 ? `The ledger failed; read the ${what} again to see whether it was changed.` : (WORDS[fault.status]?.(fault, what) ?? fault.message);
  const reread = [404, 409, 412].includes(fault.status) || !fault.status || fault.status >= 500;
  said.replaceChildren(...[el("p", {}, words), ...rest, reread && el("button", { type: "button", class: "quiet", onclick: again }, "Read it again")].filter(Boolean));
  said.closest("form").querySelector("[aria-invalid]")?.focus();
}

function mark({ node }, words) {
  if (!words.length) return;
  const id = `${node.id}-refused`;
  node.setAttribute("aria-invalid", "true");
  node.setAttribute("aria-describedby", [node.dataset.hint, id].filter(Boolean).join(" "));
  node.after(el("p", { class: "refusal", id }, words.join("; ")));
}
