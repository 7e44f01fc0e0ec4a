// Is it the car or the bay? One day of a bay in words, its cars, and the days before it.

import { pageOf } from "./ask.js";
import { el } from "./dom.js";
import { baysPage, carPage, link, setupOf } from "./links.js";
import { moreButton } from "./paged.js";
import { count, date, known, number, percent, tied } from "./say.js";
import { csvButton, section, table, unfold } from "./show.js";

const PAGE = 20;
const STATE = { inside: "ordinary", outside: "outside: look at the bay", "too-few": "too few cars to tell" };

export async function days(bay, day, signal) {
  const path = `/v1/bays/${encodeURIComponent(bay)}/days`;
  const [one, list] = await Promise.all([pageOf(path, { day, limit: 1 }, signal), pageOf(path, { limit: PAGE }, signal)]);
  const shown = one.body.items[0];
  return section(
    "Is it the car or your dyno today?",
    { id: "today" },
    shown ? aDay(shown, one.body) : nobody(one.body, day),
    list.body.items.length ? unfold(`Every day of ${list.body.name}, newest first`, earlier(list, bay)) : null,
    list.body.items.length ? csvButton(path, { limit: 100 }, `days-${bay}`) : null,
  );
}

function nobody({ name }, day) {
  const when = day ? ` on ${date(day)}` : " yet";
  return el("p", { class: "state" }, `Nothing was measured in ${name}${when}. Choose another day: those with measurements stand in the list below.`);
}

function aDay(one, { name, false_alarm_rate: rate }) {
  const wide = one.reach_days ? ` The day alone has too few cars, so ${count(one.reach_days, "day")} before and after it are taken in.` : "";
  return [
    el("p", { class: "lead" }, el("strong", {}, `${name}, ${date(one.day)}. `), tied(one.said)),
    el("p", {}, `The limit is such that about ${number(rate * 100)} ordinary day in 100 lies beyond it.${wide}`),
    one.readings.length ? readings(one) : null,
  ];
}

function readings(one) {
  const line = (car) => [
    car.vehicle,
    date(car.at),
    percent(car.deviation_percent, 1, true),
    percent(car.error_percent, 1),
    car.check_car ? "its own readings (check car)" : car.seen_before ? "its own earlier visits" : "other cars of its kind",
    link(carPage({ tag: car.vehicle, session: setupOf(car.session).session }), "visit", `${car.vehicle}, this visit`),
  ];
  const heads = ["car", "measured", "apart from expected", "give or take", "expected by", "record"];
  return table("The cars behind it", heads, one.readings.map(line), [true, true, false, false, true, true], true);
}

function earlier({ body, next }, bay) {
  const box = el("div");
  const seen = [];
  const line = (one) => [
    link(`${baysPage({ bay, day: one.day })}#today`, date(one.day), `${date(one.day)}, this day`),
    number(one.cars),
    one.reach_days ? `${count(one.reach_days, "day")} either side` : "that day",
    known(one.deviation_percent) ? percent(one.deviation_percent, 1, true) : "not known",
    known(one.limit_percent) ? percent(one.limit_percent, 1) : "not known",
    STATE[one.state],
  ];
  const heads = ["day", "cars", "measured within", "in the middle", "limit", "reading"];
  const take = ({ items }) => {
    seen.push(...items);
    box.replaceChildren(table("Day by day", heads, seen.map(line), [true, false, true, false, false, true], true));
  };
  take(body);
  return el("div", {}, box, moreButton(next, "Earlier days", take));
}
