// What is worth its money on a kind of car: the pickers, the budget by number or by steps, and what to show when.

import { answering, ask } from "./ask.js";
import { byId, el } from "./dom.js";
import { fill, choose, onQuestion, question } from "./form.js";
import { called, option, parts, pickPlatform, slots, wanted } from "./lists.js";
import { jump } from "./show.js";
import { count, inList, inSentence, money } from "./say.js";
import { answered } from "./worth-says.js";
import { together } from "./worth-together.js";

const form = byId("question");
const place = byId("answer");
const more = byId("more");
const slide = byId("slide");
const budget = form.elements.budget;
const asksNow = (name) => (new URLSearchParams(location.search).get(name) ?? "").split(",").filter(Boolean);

const show = answering(place, more, async (signal) => {
  const [cars, all, places] = await Promise.all([pickPlatform(form, signal), parts(signal), slots(signal)]);
  choose(form.elements.slot, [{ options: places.map(option) }], wanted(form, "slot"), "Anywhere");
  offerFitted(all);
  const { platform, together: ticked, ...asked } = question(form);
  if (!cars.length)
    return say("The ledger holds no kinds of car yet. Once a bay has posted pulls, answers appear here.");
  if (!platform) return say("Choose a kind of car; the answer follows.");
  const path = `/v1/platforms/${encodeURIComponent(platform)}/part-choice`;
  const answer = await ask(path, asked, signal);
  const told = {
    asked,
    platform,
    path,
    answer,
    all,
    carName: called(cars, platform),
    ticked: asksNow("together"),
  };
  offerSteps(answer);
  const said = answered(told);
  document.title = `Worth its money on the ${told.carName} · Bayledger`;
  place.replaceChildren(said.first);
  more.replaceChildren(...said.then.filter(Boolean));
  more.onchange = ({ target }) => target.name === "together" && tickTogether(told);
  if (byId("together")) await together(byId("together"), told, signal);
  jump();
});

function say(words) {
  byId("by-steps").hidden = true;
  place.replaceChildren(el("p", { class: "state" }, words));
  more.replaceChildren();
}

// A tick beside a part changes the address and one section, nothing else: the row keeps the focus.
function tickTogether(told) {
  history.replaceState(null, "", `?${new URLSearchParams(question(form))}`);
  together(byId("together"), { ...told, ticked: asksNow("together") });
}

/* What is fitted */

function offerFitted(all) {
  const box = byId("fitted");
  if (!box.querySelector("input")) {
    const ticked = asksNow("fitted");
    const tick = ({ slug, name }) =>
      el(
        "label",
        { class: "tick" },
        el("input", { type: "checkbox", name: "fitted", value: slug, checked: ticked.includes(slug) }),
        inList(name),
      );
    const unknown = ticked.filter((slug) => !all.some((part) => part.slug === slug));
    const strange = unknown.map((slug) => ({ slug, name: `${slug} (not in the ledger)` }));
    box.append(...[...strange, ...[...all].sort((a, b) => a.name.localeCompare(b.name))].map(tick));
  }
  const names = [...box.querySelectorAll(":checked")].map(({ value }) => inSentence(called(all, value)));
  byId("fitted-said").textContent =
    names.length > 3 ? count(names.length, "part") : names.join(", ") || "nothing, a stock car";
}

/* The budget by steps: a second hand on the number, for the arrow keys and for a finger */

function offerSteps({ budget_range: range, currency }) {
  byId("by-steps").hidden = !range;
  budget.labels[0].textContent = `Budget, work included, ${currency}`;
  if (!range) return;
  Object.assign(slide, { min: range.least, max: range.most, step: range.step });
  slide.value = budget.value || range.most;
  byId("slide-hint").textContent =
    `${money(range.least, currency)} to ${money(range.most, currency)}, by ${money(range.step, currency)}`;
  slide.oninput = () => {
    budget.value = slide.value;
    slide.setAttribute("aria-valuetext", money(Number(slide.value), currency));
  };
  slide.setAttribute("aria-valuetext", money(Number(slide.value), currency));
}

function load() {
  for (const name of ["platform", "slot"]) form.elements[name].replaceChildren();
  byId("fitted")
    .querySelectorAll("label")
    .forEach((label) => label.remove());
  fill(form);
  show();
}

onQuestion(form, show, load);
load();
