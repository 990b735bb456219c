// The page of a photo that is not measured yet: its progress, and then its result.

import { call, complain } from "./rest.js";
import { Job } from "./job.js";
import "./assign.js";

const list = document.getElementById("jobs");
if (["queued", "measuring"].includes(list.dataset.state)) {
  new Job(list, list.dataset.name).follow(list.dataset.photo, () => location.reload());
}

const again = document.getElementById("again");
again?.addEventListener("click", async () => {
  try {
    await call("POST", `/photos/${again.dataset.photo}/inspection`);
    location.reload();
  } catch (error) {
    const note = document.getElementById("again-trouble");
    note.hidden = false;
    complain(note, error);
  }
});
