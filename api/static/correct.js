// Corrections: dialogs that add to the record and overwrite nothing.

import { call, complain, who } from "./rest.js";

const photo = document.querySelector("[data-photo]").dataset.photo;

function open(button) {
  const kind = button.dataset.correct;
  const dialog = document.getElementById(`correct-${kind}`);
  const form = dialog.querySelector("form");
  form.reset();
  form.dataset.subject = button.dataset.subject ?? "";
  form.dataset.withdraws = button.dataset.withdraws ?? "";
  dialog.querySelector("[data-for-subject]").textContent = kind === "withdrawal" ? "" : button.dataset.subject || "the whole photo";
  form.elements.who.value = who.get();
  const note = form.querySelector(".note");
  note.hidden = true;
  dialog.showModal();
}

/** The first field that is empty but must not be, told in its own words. */
function missing(form) {
  const field = [...form.elements].find((each) => each.required && !each.value.trim());
  return field ? { field, name: form.querySelector(`label[for="${field.id}"]`).textContent } : null;
}

async function send(form) {
  const note = form.querySelector(".note");
  const gap = missing(form);
  if (gap) {
    note.hidden = false;
    note.className = "note bad";
    note.textContent = `Fill in: ${gap.name}.`;
    gap.field.setAttribute("aria-invalid", "true");
    gap.field.focus();
    return;
  }
  const said = Object.fromEntries([...new FormData(form)].filter(([, value]) => String(value).trim()));
  if (form.dataset.subject) said.subject = form.dataset.subject;
  if (form.dataset.withdraws) said.withdraws = Number(form.dataset.withdraws);
  who.set(said.who);
  try {
    await call("POST", `/photos/${photo}/corrections`, { kind: form.dataset.kind, ...said });
    form.closest("dialog").close();
    location.reload();
  } catch (error) {
    note.hidden = false;
    complain(note, error);
  }
}

document.addEventListener("click", (event) => {
  const opens = event.target.closest("[data-correct]");
  if (opens) open(opens);
  if (event.target.closest("[data-close]")) event.target.closest("dialog").close();
});
document.addEventListener("submit", (event) => {
  if (!event.target.dataset.kind) return;
  event.preventDefault();
  send(event.target);
});
document.addEventListener("input", (event) => event.target.removeAttribute("aria-invalid"));
