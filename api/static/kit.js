// Import of the kit list: a preview first, which names bad rows and what the good ones would do.

import { call, complain, say } from "./rest.js";
import "./sort.js";

const form = document.getElementById("import");
const preview = document.getElementById("preview");
let csv = null;

const element = (tag, text = "", attributes = {}) => Object.assign(document.createElement(tag), { textContent: text }, attributes);
const parts = (count) => `${count} ${count === 1 ? "part" : "parts"}`;

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const [file] = form.elements.csv.files;
  if (!file) {
    preview.replaceChildren(element("p", "Choose a CSV file first.", { className: "note bad" }));
    form.elements.csv.focus();
    return;
  }
  csv = file;
  await run(true);
});

async function run(isDry) {
  const body = new FormData();
  body.append("file", csv, csv.name);
  try {
    show(await call("POST", `/parts/import?dry_run=${isDry}`, body));
  } catch (error) {
    const note = element("p");
    preview.replaceChildren(note);
    complain(note, error);
  }
}

function show(result) {
  const good = result.added.length + result.changed.length;
  const shapes = [element("h3", result.dry_run ? "Preview: nothing is written yet" : "Imported")];
  for (const [what, names] of [["New", result.added], ["Changed", result.changed], ["As they are", result.same]]) {
    if (names.length) shapes.push(element("p", `${what}: ${names.join(", ")}`));
  }
  if (result.ignored_columns.length) shapes.push(element("p", `Columns that are not read: ${result.ignored_columns.join(", ")}`, { className: "note doubt" }));
  if (result.bad.length) shapes.push(badRows(result.bad));
  if (result.dry_run && good) {
    const button = element("button", `Import ${parts(good)}${result.bad.length ? " and leave the bad rows out" : ""}`, { type: "button", className: "main" });
    button.onclick = () => run(false);
    shapes.push(button);
  } else if (result.dry_run) shapes.push(element("p", "There is nothing to import.", { className: "note" }));
  else shapes.push(element("a", "Show the kit list", { href: "/kit", className: "button main" }));
  preview.replaceChildren(...shapes);
  preview.focus();
  say(`${parts(good)} ${result.dry_run ? "to import" : "imported"}, ${result.bad.length} bad ${result.bad.length === 1 ? "row" : "rows"}.`);
}

function badRows(bad) {
  const table = document.createElement("table");
  table.append(element("caption", `${bad.length} ${bad.length === 1 ? "row" : "rows"} that cannot be read. Mend them in the file and import it again: the good rows stay as they are.`));
  const head = table.createTHead().insertRow();
  for (const name of ["Row", "Number", "What is wrong"]) head.append(element("th", name, { scope: "col" }));
  const body = table.createTBody();
  for (const { row, number, problems } of bad) {
    const line = body.insertRow();
    line.className = "bad-row";
    line.append(element("th", row, { scope: "row" }), element("td", number), element("td", problems.join(" ")));
  }
  return table;
}
