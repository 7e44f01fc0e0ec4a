// Long lists: a page at a time, the next one where somebody asks for it.

import { fetched } from "./ask.js";
import { el } from "./dom.js";

// One page of a list: what it holds, and the address of the next one.
export async function pageOf(path, parameters, signal) {
  const response = await fetched(path, parameters, signal);
  const link = /<([^>]+)>\s*;[^,]*rel="?next"?/.exec(response.headers.get("Link") ?? "");
  const next = link && new URL(link[1], location.origin);
  return { body: await response.json(), next: next && next.pathname + next.search };
}

// A button that asks for the next page and hands it to `take`; it goes when there is no more.
export function moreButton(next, label, take) {
  const place = el("p", { class: "screen" });
  let address = next;
  const button = el("button", { type: "button", class: "quiet", onclick: go }, label);
  async function go() {
    button.disabled = true;
    try {
      const page = await pageOf(address, {});
      address = page.next;
      take(page.body);
      place.replaceChildren(...(address ? [button] : []));
    } catch (fault) {
      place.append(el("span", { role: "alert" }, ` Not shown: ${fault.message}`));
    } finally {
      button.disabled = false;
    }
  }
  if (address) place.append(button);
  return place;
}
