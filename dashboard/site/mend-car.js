// Mending a car itself, by those who may: two tags that are one car, taken apart again; and forgetting whose car it is.

import { accessSection, mayMend } from "./access.js";
import { FOLLOWS } from "./car-change.js";
import { act, tag, text } from "./change-form.js";
import { el } from "./dom.js";
import { carLink } from "./links.js";
import { count, date } from "./say.js";

const SCOPES = "post or admin";
const TELLS = `Striking and amending need a token of scope ${SCOPES}; merging two tags and forgetting a car need scope admin.`;

export function changeSection(about) {
  const { caller } = about;
  const mends = mayMend(caller) && !about.car.erased_at ? [...taken(about), merging(about), forgetting(about)] : [];
  const where = caller?.bay ? `what bay ${caller.bay} posted` : "every visit";
  const below = mends.length ? " The car itself can be changed below." : "";
  return accessSection(about, {
    able: Boolean(caller?.may_change),
    words: `${where}, as '${caller?.name}': open a visit above.${below}`,
    scope: SCOPES,
    tells: TELLS,
    mends,
  });
}

/* What was mended, said before everything else */

export function mendedNotice({ alias, car }) {
  if (car.erased_at) return notice(`Whose car this was, was forgotten on ${date(car.erased_at)}. What was measured on it stays.`);
  const others = (car.merged_from ?? []).filter((one) => one !== alias);
  const also = others.length ? ` It also stands for ${others.join(", ")}.` : "";
  if (alias) return notice(`${alias} and ${car.tag} are one car, recorded twice. This is the page of `, carLink(car.tag), `.${also}`);
  return others.length ? el("p", { class: "state" }, `Recorded as ${others.join(", ")} too: one car.`) : null;
}

const notice = (...words) => el("p", { class: "notice" }, words);

/* One car under two tags */

const listed = (...lines) => el("ul", {}, lines.map((line) => el("li", {}, line)));
const moved = ({ sessions, modifications }) => `${count(sessions.length, "visit")} and ${count(modifications, "entry", "entries")} of what was fitted and paid`;

function merging(about) {
  const own = about.tag;
  return act(about, { id: null, etag: about.etag, what: "car" }, {
    title: "This car has another tag too",
    path: `${about.path}/merge`,
    method: "POST",
    note: listed(
      `Everything measured on ${own}, and what was fitted and paid, will stand under the other tag.`,
      `${own} stays as a second name. Who asks for it, or posts under it, is led to the other tag.`,
      "It can be taken apart again.",
    ),
    fields: [text("into", "The other tag, which is kept", "", tag)],
    shown: ({ into }) => [[`everything of ${own}`, own, into]],
    follows: `Both are one car from then on: what was measured on the one is compared with what was measured on the other. ${FOLLOWS}`,
    done: ({ into }, answer) => `Done: ${own} and ${into} are one car. Moved to ${into}: ${moved(answer)}.`,
  });
}

function taken(about) {
  const own = about.tag;
  return (about.car.merged_from ?? []).map((other) =>
    act(about, { id: null, what: "car" }, {
      title: `Take ${other} and ${own} apart again`,
      path: `/v1/vehicles/${encodeURIComponent(other)}/unmerge`,
      method: "POST",
      note: listed(
        `They are two cars after all. What was moved from ${other} goes back to it, and nothing else does.`,
        `What was posted since the two became one, under either tag, stays with ${own}. Move such a visit by itself: 'This was another car'.`,
      ),
      shown: () => [[other, `a second name of ${own}`, "a car of its own"]],
      follows: FOLLOWS,
      done: (_, answer) => `Done: ${other} is a car of its own again. Moved back to it: ${moved(answer)}.${stayed(answer, own)}`,
    }),
  );
}

const stayed = ({ stayed: left }, own) => (left ? ` ${count(left, "visit")} stood elsewhere meanwhile and stayed with ${own}.` : "");

/* Forgetting */

function forgetting(about) {
  const own = about.tag;
  const said = (answer) => `${answer.says} ${count(answer.sessions, "visit")} of it stay${answer.sessions === 1 ? "s" : ""}.`;
  return act({ ...about, again: (_, words) => about.gone(words) }, { id: null, what: "car" }, {
    title: "Forget whose car this is",
    path: `${about.path}/erase`,
    method: "POST",
    note: el(
      "div",
      {},
      el("p", {}, el("strong", {}, "Nobody can undo this. "), "It is for an owner who asks to be forgotten."),
      fate("What goes for good", "the tag, and tags merged into it", "the VIN's code", "the distance driven", "operators, labels and notes", "prices paid", "what people wrote about the car, in the history too"),
      fate("What stays, under an invented tag", "what was measured, and when", "the parts that were fitted", "the kind of car and its model year", "every answer, as it is"),
      fate("What this does not reach", "backups of the ledger", "logs of the computers", "printed sheets", "exports made before", "the list of pages in a browser"),
      el("p", {}, "See to those yourself."),
    ),
    fields: [text("tag", `To show that you mean it, type the tag: ${own}`, "", tag)],
    why: "Reason (it stays on the record: name nobody)",
    check: (all) => (all.tag === own ? [] : [{ pointer: "/tag", detail: `is not ${own}: type the tag of the car that is to be forgotten` }]),
    body: () => ({ confirm: true }),
    shown: () => [["whose car this is", own, "forgotten for good"]],
    follows: "Nobody can undo this. What was measured stays and counts as before.",
    sending: "Forget it for good",
    done: (_, answer) => `Done: forgotten. ${said(answer)}`,
  });
}

const fate = (title, ...lines) => [el("p", { class: "label" }, `${title}:`), listed(...lines)];
