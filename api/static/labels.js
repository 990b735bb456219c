// How many labels the sheet gets; without a script the form works as well.

const form = document.getElementById("labels");
const boxes = [...form.querySelectorAll("input[name=pieces]")];
const count = document.getElementById("count");

function tell() {
  const chosen = boxes.filter((box) => box.checked).length;
  count.textContent = chosen ? `${chosen} ${chosen === 1 ? "label" : "labels"}` : "Choose at least one piece.";
  return chosen;
}

form.addEventListener("click", (event) => {
  const all = event.target.closest("[data-all]")?.dataset.all;
  if (all) boxes.forEach((box) => { box.checked = all === "true"; });
  tell();
});
form.addEventListener("submit", (event) => {
  if (!tell()) event.preventDefault();
});
tell();
