// The form that says which piece and side a photo shows.

import { call, complain } from "./rest.js";

const form = document.getElementById("assign");
form?.addEventListener("submit", async (event) => {
  event.preventDefault();
  const note = form.querySelector(".note");
  const [piece, side] = [form.elements.piece.value, form.elements.side.value];
  try {
    await call("PATCH", `/photos/${form.dataset.photo}`, { ...(piece && { piece: Number(piece) }), ...(side && { side }) });
    location.reload();
  } catch (error) {
    note.hidden = false;
    complain(note, error);
  }
});
