// The result page: the photo, the table and the panel of one hole show the same choice.

import { say } from "./rest.js";
import { Viewer } from "./viewer.js";
import "./sort.js";
import "./correct.js";

const stage = document.getElementById("stage");
const panel = document.getElementById("panel");
const table = document.getElementById("holes");
const photo = stage.querySelector("svg").dataset.photo;
const rims = [...stage.querySelectorAll(".rim-link")];
let chosen = new URLSearchParams(location.search).get("hole");
let asked = 0;

const rimOf = (key) => rims.find((rim) => rim.dataset.key === key);
const viewer = new Viewer(stage, (key, finding) => (key ? choose(key) : show(finding)));
viewer.obey(document.querySelector(".tools"));

/** Marks the hole everywhere and brings its figures. */
async function choose(key, { focus = false } = {}) {
  const rim = rimOf(key);
  if (!rim) return;
  chosen = key;
  mark(key);
  peek(key);
  viewer.showRim(rim);
  viewer.apply();
  history.replaceState(null, "", `?hole=${encodeURIComponent(key)}`);
  if (await bring(key)) say(rim.getAttribute("aria-label"));
  if (focus) document.getElementById("figures").focus();
}

/** One line under the photo, so that a tap answers at once also where the panel is out of view. */
function peek(key) {
  const cells = [...table.tBodies[0].rows].find((row) => row.dataset.hole === key).cells;
  const text = (label) => [...cells].find((cell) => cell.dataset.label === label).textContent.trim();
  const told = `${cells[1].textContent.trim().replace(/\s+/g, " ")}. Diameter ${text("Diameter")}${text("Edge distance") ? `, edge ${text("Edge distance")}` : ""}. `;
  const line = document.getElementById("peek");
  const name = Object.assign(document.createElement("strong"), { textContent: `${key} ` });
  line.replaceChildren(name, told, Object.assign(document.createElement("a"), { href: "#figures", textContent: "All its figures" }));
  line.hidden = false;
}

function mark(key) {
  for (const rim of rims) {
    const is = rim.dataset.key === key;
    rim.classList.toggle("chosen", is);
    rim.setAttribute("aria-pressed", String(is));
    rim.tabIndex = is ? 0 : -1;
  }
  for (const spot of viewer.spots) spot.classList.remove("chosen");
  for (const row of table.tBodies[0].rows) row.classList.toggle("chosen", row.dataset.hole === key);
}

/** The panel as the server writes it; false where a later choice overtook it. */
async function bring(key) {
  const turn = ++asked;
  try {
    const answer = await fetch(`/photos/${photo}/holes/${encodeURIComponent(key)}`);
    if (!answer.ok) throw new Error(`The server answered ${answer.status}.`);
    const html = await answer.text();
    if (turn !== asked) return false;
    panel.innerHTML = html;
    return true;
  } catch (error) {
    if (turn === asked) panel.textContent = `The figures of ${key} did not come: ${error.message} The table below has them too.`;
    return false;
  }
}

function show(anchor) {
  const spot = viewer.spots.find((each) => each.dataset.finding === anchor);
  if (!spot) return;
  for (const each of viewer.spots) each.classList.toggle("chosen", each === spot);
  for (const rim of rims) rim.classList.remove("chosen");
  viewer.showRim(spot);
  viewer.apply();
  const item = document.getElementById(anchor);
  say(item.textContent.replace(/\s+/g, " ").trim());
}

function step(by) {
  if (!rims.length) return;
  const at = rims.findIndex((rim) => rim.dataset.key === chosen);
  const next = rims[(at + by + rims.length) % rims.length] ?? rims[0];
  choose(next.dataset.key);
  return next;
}

document.querySelector(".tools").addEventListener("click", (event) => {
  const by = event.target.closest("[data-step]")?.dataset.step;
  if (by) step(Number(by));
});

stage.addEventListener("keydown", (event) => {
  if (!event.target.closest(".rim-link") || event.altKey || event.ctrlKey || event.metaKey) return;
  const by = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[event.key];
  if (event.key === " ") choose(event.target.closest(".rim-link").dataset.key);
  else if (by) step(by)?.focus();
  else return;
  event.preventDefault();
});

document.addEventListener("click", (event) => {
  const link = event.target.closest("a[data-choose]");
  const row = event.target.closest("tr[data-hole]");
  const finding = event.target.closest("[data-finding]")?.dataset.finding;
  if (link && !event.ctrlKey && !event.metaKey && !event.shiftKey) {
    event.preventDefault();
    choose(link.dataset.choose, { focus: true });
  } else if (row && !link && !getSelection().toString()) choose(row.dataset.hole);
  else if (finding && !event.target.closest(".stage")) {
    show(finding);
    stage.scrollIntoView({ block: "center" });
  }
});

table.addEventListener("pointerover", (event) => {
  const key = event.target.closest("tr[data-hole]")?.dataset.hole;
  for (const rim of rims) rim.classList.toggle("near", rim.dataset.key === key);
});
table.addEventListener("pointerleave", () => rims.forEach((rim) => rim.classList.remove("near")));
