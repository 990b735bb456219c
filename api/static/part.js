// The form of one part.

import { call, complain } from "./rest.js";

const form = document.getElementById("part");
const note = document.getElementById("trouble");
const known = form.dataset.number;
const at = (number) => `/parts/${encodeURIComponent(number)}`;

/** "H3 = AN3", one a line, as an object. */
function byHole(text, read = (value) => value) {
  const lines = text.split("\n").map((line) => line.trim()).filter(Boolean);
  return Object.fromEntries(lines.map((line) => {
    const [hole, value] = line.split("=").map((each) => each.trim());
    if (!hole || !value) throw new Error(`"${line}" does not read as a hole and its value. Write it as H3 = AN3.`);
    return [hole, read(value)];
  }));
}

function number(text) {
  const value = Number(text.replace(",", "."));
  if (!Number.isFinite(value)) throw new Error(`"${text}" is no number of diameters. Write it as 1.5.`);
  return value;
}

function said() {
  const text = (name) => form.elements[name].value.trim();
  const maybe = (name, read = (value) => value) => (text(name) ? read(text(name)) : null);
  const plain = ["name", "material", "thickness", "drawing", "revision", "notes"].map((name) => [name, text(name)]);
  const lengths = ["face_height", "burr_limit", "nick_limit", "least_corner_radius", "fastener"].map((name) => [name, maybe(name)]);
  return {
    ...Object.fromEntries([...plain, ...lengths]),
    number: text("number"),
    quantity: Number(text("quantity")),
    edge_rule: maybe("edge_rule", number),
    pitch_rule: maybe("pitch_rule", number),
    drill_sets: new FormData(form).getAll("drill_sets"),
    hole_fasteners: byHole(text("hole_fasteners")),
    hole_rules: byHole(text("hole_rules"), number),
  };
}

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  try {
    const part = await (known ? call("PATCH", at(known), said()) : call("POST", "/parts", said()));
    location.href = `/kit/parts/${encodeURIComponent(part.number)}?saved=1`;
  } catch (error) {
    note.hidden = false;
    complain(note, error);
  }
});

const sure = document.getElementById("sure");
document.getElementById("remove")?.addEventListener("click", () => sure.showModal());
sure?.querySelector("[data-close]").addEventListener("click", () => sure.close());
sure?.querySelector("form").addEventListener("submit", async (event) => {
  event.preventDefault();
  try {
    await call("DELETE", at(known));
    location.href = "/kit";
  } catch (error) {
    const trouble = sure.querySelector(".note");
    trouble.hidden = false;
    complain(trouble, error);
  }
});
