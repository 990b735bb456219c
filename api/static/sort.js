// Tables whose headings sort: <th><button>Heading</button></th>, and data-sort on cells whose text does not sort as it reads.

const value = (row, column) => {
  const cell = row.cells[column];
  return cell.dataset.sort ?? cell.textContent.trim();
};

/** Numbers by size, anything else as text; what is empty comes last either way. */
function inOrder(a, b, sign) {
  if (a === "" || b === "") return (a === "") - (b === "");
  const [x, y] = [Number(a), Number(b)];
  const by = Number.isNaN(x) || Number.isNaN(y) ? a.localeCompare(b, undefined, { numeric: true }) : x - y;
  return sign * by;
}

function sortBy(heading) {
  const table = heading.closest("table");
  const sign = heading.getAttribute("aria-sort") === "ascending" ? -1 : 1;
  const body = table.tBodies[0];
  const rows = [...body.rows].sort((a, b) => inOrder(value(a, heading.cellIndex), value(b, heading.cellIndex), sign));
  body.append(...rows);
  for (const other of table.tHead.rows[0].cells) other.removeAttribute("aria-sort");
  heading.setAttribute("aria-sort", sign > 0 ? "ascending" : "descending");
}

export function makeSortable(table) {
  table.tHead.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (button) sortBy(button.closest("th"));
  });
}

document.querySelectorAll("table.sorts").forEach(makeSortable);
