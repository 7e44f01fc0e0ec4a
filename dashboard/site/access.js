// Who may change something here, and where the token for it is typed.

import { change } from "./ask.js";
import { el } from "./dom.js";
import { CHANGE, forget, remember, remembered } from "./kept.js";
import { section, unfold } from "./show.js";

export async function whoMay() {
  try {
    return await change("GET", "/v1/caller");
  } catch {
    return null;
  }
}

// A bay's token changes what its own bay posted.
export const may = (caller, record) => Boolean(caller?.may_change && (!caller.bay || caller.bay === record.bay));

// Cars, and what bays posted over a time, are put right by those who look after the ledger.
export const mayMend = (caller) => caller?.scope === "admin";

// `able`: whether something may be changed on this page; `words`: what, and where; `scope`: what a token needs for it;
// `tells`: what a token is asked for; `mends`: the forms that stand here.
export function accessSection({ caller, again }, { able, words, scope, tells, mends = [] }) {
  const token = remembered("sessionStorage", CHANGE);
  const drop = () => {
    forget("sessionStorage", CHANGE);
    again();
  };
  const dropping = token && el("button", { type: "button", class: "quiet", onclick: drop }, "Forget the token for changes");
  if (able) {
    return changing(el("p", {}, `You may change ${words} ${token ? "The token is kept in this tab only." : ""}`), mends, dropping);
  }
  const refused = token && refusal(caller, scope);
  const asking = unfold("Change something? Give a token", entry(again, tells));
  asking.open = Boolean(refused);
  return changing(refused && el("p", { role: "alert" }, refused), asking, dropping);
}

function refusal(caller, scope) {
  const ask = `Ask whoever looks after the ledger for one of scope ${scope}.`;
  if (!caller) return `This token is not valid, or no longer. ${ask}`;
  const what = caller.may_change ? "this page needs another" : "it may not change anything";
  return `The token '${caller.name}' has scope ${caller.scope}: ${what}. ${ask}`;
}

const changing = (...children) => {
  const made = section("Changing something", { id: "change" }, children.flat().filter(Boolean));
  made.classList.add("screen");
  return made;
};

function entry(again, tells) {
  const field = el("input", { id: "change-token", type: "password", autocomplete: "off", required: true });
  const use = (event) => {
    event.preventDefault();
    remember("sessionStorage", CHANGE, field.value.trim());
    again();
  };
  return el(
    "form",
    { class: "notice", onsubmit: use },
    el("p", {}, `${tells} It is kept in this tab only, is used for changes alone, and is forgotten when the tab is closed.`),
    el("label", { for: "change-token" }, "Token for changes"),
    field,
    el("button", { type: "submit" }, "Use this token"),
  );
}
