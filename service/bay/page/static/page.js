// How the bay stands, looked at again and again, and + and − without a new page. Everything works without this too.

const LOOK_EVERY_MS = 2000;
const byId = (id) => document.getElementById(id);

function say(id, words) {
  const node = byId(id);
  node.hidden = !words;
  if (node.textContent !== (words ?? "")) node.textContent = words ?? "";
}

function show(stands) {
  byId("unsent").textContent = stands.unsent;
  byId("refused").hidden = !stands.refused;
  byId("refused").querySelector("strong").textContent = stands.refused;
  byId("line").textContent = stands.answers ? "ledger answers" : "ledger does not answer";
  say("clock", stands.clock);
  say("trouble", stands.trouble);
  if (byId("files")) byId("files").textContent = stands.files;
  const newer = byId("newer");
  if (newer) newer.hidden = Number(newer.dataset.files) === stands.files;
}

async function look() {
  try {
    const answer = await fetch("/state", { headers: { Accept: "application/json" }, redirect: "manual" });
    if (answer.ok) show(await answer.json());
    if (answer.type === "opaqueredirect") say("trouble", "The PIN is asked for again: open this page anew.");
  } catch {
    say("trouble", "The bay’s program does not answer: is `bayledger bay page` running? What was taken is on its disk.");
  }
}

document.addEventListener("click", (event) => {
  const button = event.target.closest("button[data-step]");
  const input = button?.parentElement.querySelector("input");
  const figure = Number(input?.value.replace(",", ".") || NaN);
  if (!Number.isFinite(figure)) return; // empty or no number: the bay's program knows what to do
  event.preventDefault();
  input.value = String(Number((figure + Number(button.dataset.step)).toFixed(4)));
});

byId("summary")?.focus();
if (byId("unsent")) setInterval(look, LOOK_EVERY_MS);
