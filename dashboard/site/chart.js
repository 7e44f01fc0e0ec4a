// Pictures: the drawing program is fetched only once there is something to draw.

import { el, started } from "./dom.js";

// No style or evaluated code of its own (the pages forbid both); an empty data set is no fault, so errors only.
const EMBED = {
  logLevel: 1,
  ast: true,
  defaultStyle: false,
  actions: false,
  renderer: "svg",
  tooltip: { disableDefaultStyle: true },
};
const SAVED_WIDTH_PX = 900;
const TITLE_LINE = 110; // letters of a saved picture's title in one line, at that width

// A chart with its caption. `spoken` is read to those who do not see it, `file` names what is saved of it.
export function chart(name, unit, datasets, caption, { spoken, file = name } = {}) {
  const canvas = el("div", { class: "chart", "aria-busy": "true" });
  const figure = el("figure", {}, el("figcaption", {}, caption), canvas);
  const made = specification(name, unit, datasets, spoken);
  draw(canvas, made)
    .then(() => figure.append(savers(made, caption, file)))
    .catch((fault) => {
      console.warn(fault);
      canvas.replaceChildren(
        el("p", { class: "state" }, "The chart could not be drawn. The table has its numbers."),
      );
    })
    .finally(() => canvas.removeAttribute("aria-busy"));
  return figure;
}

async function specification(name, unit, datasets, spoken) {
  const spec = await (await fetch(`charts/${name}.json`)).json();
  spec.datasets = datasets;
  spec.params.find((parameter) => parameter.name === "unit").value = unit;
  if (spec.usermeta) spec.height = spec.usermeta.rowHeight * datasets.rows.length;
  spec.description = spoken ?? spec.description;
  return spec;
}

async function draw(canvas, made) {
  const [spec, { vegaEmbed }] = await Promise.all([made, import("./vendor/vega.js")]);
  const drawn = await vegaEmbed(canvas, structuredClone(spec), EMBED);
  if (sticksOut(canvas)) await drawn.view.resize().runAsync();
  // A layer that got no marks would be read out as a symbol without a name.
  canvas.querySelectorAll("[role='graphics-symbol']:empty").forEach((node) => node.setAttribute("aria-hidden", "true"));
  return drawn;
}

// The round number an axis ends in is found after its width: its label may lie beyond the place, and be cut off on paper.
function sticksOut(canvas) {
  const { right } = canvas.getBoundingClientRect();
  const written = [...canvas.querySelectorAll("svg text")].filter((node) => node.getAttribute("opacity") !== "0");
  return written.some((node) => node.getBoundingClientRect().right > right + 1);
}

const BARS = 16; // a dozen or so bars show a shape from twenty to many thousand cars (our choice)

// How many of many values lie where, in even steps of 1, 2 or 5: as many marks for ten thousand as for fifty.
export function binned(values) {
  const [low, high] = values.reduce(
    ([a, b], value) => [Math.min(a, value), Math.max(b, value)],
    [Infinity, -Infinity],
  );
  const rough = (high - low) / BARS || 1;
  const ten = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].find((one) => one * ten >= rough) * ten;
  const first = Math.floor(low / step);
  const counts = Array(Math.floor(high / step) - first + 1).fill(0);
  for (const value of values) counts[Math.floor(value / step) - first] += 1;
  return counts.map((cars, i) => ({ from: (first + i) * step, to: (first + i + 1) * step, cars }));
}

/* Saving */

function savers(made, caption, file) {
  const button = (kind, address) => {
    const save = async () => saveAs(await address(await redrawn(made, caption)), `${file}.${kind.toLowerCase()}`);
    const press = ({ currentTarget }) => started(currentTarget, "Not saved", save);
    return el("button", { type: "button", class: "quiet", onclick: press }, kind);
  };
  const svg = async (view) => URL.createObjectURL(new Blob([await view.toSVG()], { type: "image/svg+xml" }));
  const png = (view) => view.toImageURL("png", 2);
  return el(
    "details",
    { class: "screen" },
    el("summary", {}, "Save this picture"),
    button("PNG", png),
    " ",
    button("SVG", svg),
  );
}

// A picture that leaves the page carries its caption, and the light colours whatever the page wears.
async function redrawn(made, caption) {
  const [spec, colours] = await Promise.all([made, fetch("light.json")]);
  const light = await colours.json();
  const fixed = JSON.parse(JSON.stringify(spec).replace(/var\((--[a-z]+)\)/g, (_, name) => light[name]));
  Object.assign(fixed, {
    width: SAVED_WIDTH_PX,
    background: light["--paper"],
    padding: 20,
    title: { text: lines(caption), anchor: "start", fontWeight: "normal", color: light["--ink"] },
  });
  return (await draw(document.createElement("div"), fixed)).view;
}

function lines(text) {
  const made = [""];
  for (const word of text.split(" ")) {
    if (made.at(-1).length + word.length > TITLE_LINE) made.push("");
    made.push(`${made.pop()} ${word}`.trim());
  }
  return made;
}

export function saveAs(address, name) {
  el("a", { href: address, download: name }).click();
  if (address.startsWith("blob:")) setTimeout(() => URL.revokeObjectURL(address), 60000);
}
