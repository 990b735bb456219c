// The photo page: photos go off at once, several side by side; what the server has is safe, what it has not stays in the list.

import { Problem, say } from "./rest.js";
import { Job } from "./job.js";

const AT_ONCE = 3; // uploads side by side
const RETRY_S = 5; // when a full queue does not say how long
const form = document.getElementById("upload");
const jobs = document.getElementById("jobs");
const drop = document.getElementById("drop");
const piece = form.elements.piece;
const waiting = [];
let sending = 0;

/** Takes files as they are: the piece and the side that are chosen now hold for them. */
function take(files) {
  document.getElementById("none").hidden = true;
  const [for_piece, side] = [piece.value, form.elements.side.value];
  for (const file of files) {
    const job = new Job(jobs, file.name);
    waiting.push({ file, job, piece: for_piece, side });
    job.word("queued", "waiting");
    job.tell("Goes off in a moment.");
  }
  if (files.length) document.getElementById("jobs-title").scrollIntoView({ block: "nearest" });
  if (files.length) say(`${files.length} ${files.length === 1 ? "photo" : "photos"} taken in.`);
  next();
}

function next() {
  while (sending < AT_ONCE && waiting.length) {
    sending += 1;
    const one = waiting.shift();
    send(one).then(
      (photo) => { one.sent = true; remember(photo.id, one.file.name); one.job.follow(photo.id); },
      (error) => hold(one, error),
    ).finally(() => { sending -= 1; next(); });
  }
}

/** A full queue is waited for; anything else is told, and the photo can be sent again. */
function hold(one, error) {
  const again = () => { waiting.push(one); next(); };
  if (error.status !== 503) return one.job.held(error.message, again);
  const seconds = error.retryAfter ?? RETRY_S;
  one.job.word("queued", "waiting");
  one.job.tell(`The queue is full. Sent again in ${seconds} s; you need do nothing.`);
  setTimeout(again, 1000 * seconds);
}

/** XMLHttpRequest, because fetch does not tell how much has been sent. */
function send({ file, job, piece: to, side }) {
  const body = new FormData();
  body.append("file", file, file.name);
  if (to) body.append("piece", to);
  if (side) body.append("side", side);
  return new Promise((done, failed) => {
    const request = new XMLHttpRequest();
    request.open("POST", "/api/v1/photos");
    request.responseType = "json";
    request.upload.onprogress = (event) => event.lengthComputable && job.sending(event.loaded / event.total);
    request.onload = () => (request.status < 300 ? done(request.response) : failed(refusal(request)));
    request.onerror = () => failed(new Problem({ title: "The photo did not get through", detail: "It is still here. Check the network, then send it again." }, 0));
    job.sending(0);
    request.send(body);
  });
}

function refusal(request) {
  return new Problem(request.response ?? {}, request.status, Number(request.getResponseHeader("Retry-After")) || null);
}

/** Photos sent in this tab are followed again when the page comes back. */
function remember(id, name) {
  const known = JSON.parse(sessionStorage.getItem("photos") ?? "[]").filter((each) => each.id !== id);
  sessionStorage.setItem("photos", JSON.stringify([...known, { id, name }].slice(-12)));
}

for (const { id, name } of JSON.parse(sessionStorage.getItem("photos") ?? "[]")) {
  document.getElementById("none").hidden = true;
  new Job(jobs, name).follow(id);
}

for (const input of [document.getElementById("camera"), document.getElementById("files")]) {
  input.addEventListener("change", () => { take([...input.files]); input.value = ""; });
}
drop.addEventListener("dragover", (event) => { event.preventDefault(); drop.classList.add("over"); });
drop.addEventListener("dragleave", () => drop.classList.remove("over"));
drop.addEventListener("drop", (event) => {
  event.preventDefault();
  drop.classList.remove("over");
  take([...event.dataTransfer.files]);
});
addEventListener("beforeunload", (event) => { if (sending || waiting.length) event.preventDefault(); });

const find = document.getElementById("find");
const options = [...piece.options];
find?.addEventListener("input", () => {
  const words = find.value.toLowerCase().split(/\s+/);
  const fits = options.filter((each) => !each.value || words.every((word) => each.text.toLowerCase().includes(word)));
  piece.replaceChildren(...fits);
  if (fits.length === 2) fits[1].selected = true;
});
piece.addEventListener("change", () => { document.getElementById("drawing").textContent = ""; });
