// Elements.

export function el(tag, attributes = {}, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else node.setAttribute(name, value === true ? "" : value);
  }
  node.append(...children.flat(Infinity).filter((child) => child !== null && child !== undefined));
  return node;
}

export const byId = (id) => document.getElementById(id);

// What a button starts, once at a time; beside it why it came to nothing, until it is tried again. It keeps the focus.
export async function started(button, refused, work) {
  if (button.hasAttribute("aria-busy")) return;
  if (button.nextElementSibling?.matches("[role='alert']")) button.nextElementSibling.remove();
  button.setAttribute("aria-busy", "true");
  try {
    await work();
  } catch (fault) {
    button.after(el("span", { role: "alert" }, ` ${refused}: ${fault.message}`));
  } finally {
    button.removeAttribute("aria-busy");
  }
}
