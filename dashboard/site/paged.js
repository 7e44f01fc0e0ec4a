// Long lists: a page at a time, the next one where somebody asks for it.

import { pageOf } from "./ask.js";
import { el, started } from "./dom.js";

// A button that asks for the next page and hands it, with the address of the one after, to `take`; it goes when there is no more.
export function moreButton(next, label, take) {
  if (!next) return null;
  let address = next;
  const button = el("button", { type: "button", class: "quiet", onclick: () => started(button, "Not shown", go) }, label);
  const place = el("p", { class: "screen" }, button);
  async function go() {
    const page = await pageOf(address, {});
    address = page.next;
    take(page.body, address);
    if (!address) place.remove();
  }
  return place;
}
