// The piece's page: photos can be set aside, and counted again.

import { call, say } from "./rest.js";

document.addEventListener("click", async (event) => {
  const button = event.target.closest("[data-aside]");
  if (!button) return;
  try {
    await call("PATCH", `/photos/${button.dataset.photo}`, { set_aside: button.dataset.aside === "true" });
    location.reload();
  } catch (error) {
    const note = document.createElement("p");
    note.className = "note bad";
    note.textContent = error.message;
    button.before(note);
    say(error.message);
  }
});
