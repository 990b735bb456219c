// On every page: the queue's line stays true while the page is in view.

const EVERY_MS = 5000;
const line = document.getElementById("queue");

async function refresh() {
  if (document.hidden) return;
  try {
    const answer = await fetch("/api/v1/queue");
    if (answer.ok) line.textContent = (await answer.json()).sentence;
  } catch {
    line.textContent = "The bench does not answer.";
  }
}

setInterval(refresh, EVERY_MS);
document.addEventListener("visibilitychange", refresh);
