// The question: the form and the address say the same.

import { el } from "./dom.js";
import { UNITS, remember, remembered } from "./kept.js";

export function question(form) {
  const shown = new FormData(form);
  const given = [...new Set(shown.keys())].map((name) => [name, shown.getAll(name).join(",")]); // ticks of one name
  const asked = Object.fromEntries(given.filter(([, value]) => value !== ""));
  for (const name of hiddenFields(form, asked.measure)) delete asked[name];
  return asked;
}

const BANDS = { band: ["from", "to"], at: ["rpm"] };

function hiddenFields(form, measure = "") {
  const needed = measure.startsWith("band") ? "band" : measure.endsWith("_at") ? "at" : "none";
  for (const field of form.querySelectorAll("[data-for]")) field.hidden = field.dataset.for !== needed;
  return Object.entries(BANDS).flatMap(([name, fields]) => (name === needed ? [] : fields));
}

// Every control from the address, the units else as last chosen; `data-picked` controls wait for their lists.
// What the address asks for and a control cannot show is said, not silently answered as another question.
export function fill(form) {
  const address = new URLSearchParams(location.search);
  const unknown = [];
  for (const control of form.elements) {
    const { name } = control;
    if (!name || "picked" in control.dataset) continue;
    const asked = address.get(name) ?? (name === "units" ? remembered("localStorage", UNITS) : null);
    if (control.type === "checkbox") control.checked = asked === control.value;
    else control.value = asked ?? control.defaultValue ?? "";
    if (control.selectedIndex < 0) control.selectedIndex = 0;
    if (address.get(name) && !shows(control, address.get(name))) unknown.push(control);
  }
  tell(form, unknown.map((control) => notKnown(control, address.get(control.name))));
  hiddenFields(form, form.elements.measure?.value);
}

const shows = ({ type, value }, asked) => asked.trim() === value.trim() || (type === "checkbox" && asked.split(",").includes(value));

function notKnown({ name, type, value, selectedOptions }, asked) {
  const shown = type === "checkbox" ? "" : (selectedOptions?.[0]?.textContent ?? value);
  const instead = shown ? `shown is ${shown}` : "it is left out";
  return `The address asks for ${name} '${asked}', which this page does not know; ${instead}.`;
}

function tell(form, lines) {
  const fold = form.closest("details") ?? form;
  const before = fold.nextElementSibling;
  const place = before?.classList.contains("told") ? before : el("div", { class: "told screen", role: "status" });
  if (place !== before) fold.insertAdjacentElement("afterend", place); // a field named `after` hides form.after
  place.replaceChildren(...lines.map((line) => el("p", { class: "notice" }, line)));
}

// On a narrow screen the answer to a question that comes with the address stands first, its fields folded above it.
function foldWhereNarrow(form) {
  const fold = form.closest("details");
  if (!fold) return;
  const narrow = matchMedia("(max-width: 44rem)");
  const answered = () => location.search || "unasked" in fold.dataset;
  const place = () => { fold.open = !(narrow.matches && answered()); };
  narrow.addEventListener("change", place);
  place();
}

export function onQuestion(form, changed, refill) {
  foldWhereNarrow(form);
  const address = () => `?${new URLSearchParams(question(form))}`;
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    tell(form, []);
    if (address() !== location.search) history.pushState(null, "", address());
    changed(null);
  });
  form.addEventListener("change", (event) => {
    tell(form, []);
    if (!form.checkValidity() || event.target.id === "token") return;
    if (event.target.name === "units") remember("localStorage", UNITS, event.target.value);
    history.replaceState(null, "", address());
    changed(event.target.name);
  });
  window.addEventListener("popstate", refill);
}

export function choose(select, groups, wanted, prompt) {
  const option = ({ value, label }) => el("option", { value, selected: value === wanted }, label);
  const filled = groups.filter(({ options }) => options.length);
  const lists = filled.map(({ name, options }) =>
    name ? el("optgroup", { label: name }, options.map(option)) : options.map(option),
  );
  const known = groups.some(({ options }) => options.some(({ value }) => value === wanted));
  const unknown = wanted && !known ? [option({ value: wanted, label: `${wanted} (not in the ledger)` })] : [];
  select.replaceChildren(...[prompt ? el("option", { value: "" }, prompt) : [], unknown, lists].flat(3));
}
