// Keeps what the mat's check bars measure.

import { call, complain } from "./rest.js";

const form = document.getElementById("readings");
const note = form.querySelector(".note");

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const { page, along, across } = Object.fromEntries(new FormData(form));
  try {
    await call("PUT", `/mats/${page}/readings`, { along, across });
    location.hash = "mat";
    location.reload();
  } catch (error) {
    note.hidden = false;
    complain(note, error);
  }
});
