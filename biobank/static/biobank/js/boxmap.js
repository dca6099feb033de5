// The map of a box by keyboard: one stop for the tab key, the arrow keys go from slot to slot, Home and End
// along the row. The slot looked at is brought into sight. Without script every slot is a link of its own.

const STEPS = { ArrowLeft: [0, -1], ArrowRight: [0, 1], ArrowUp: [-1, 0], ArrowDown: [1, 0] };

for (const map of document.querySelectorAll("table.boxmap")) {
  const rows = [...map.tBodies[0].rows].map((row) => [...row.querySelectorAll("td")].map((slot) => slot.querySelector("a")));
  const links = rows.flat().filter(Boolean);
  if (!links.length) continue;
  const first = links.find((link) => link.getAttribute("aria-current")) ?? links[0];
  stop(links, first);
  if (first.getAttribute("aria-current")) show(map, first);
  map.addEventListener("keydown", (event) => {
    if (event.altKey || event.ctrlKey || event.metaKey || event.shiftKey) return;
    const next = after(rows, event.target.closest("a"), event.key);
    if (!next) return;
    event.preventDefault(); // the page or the map would scroll instead
    next.focus();
  });
  map.addEventListener("focusin", (event) => stop(links, event.target.closest("a") ?? first));
}
for (const hint of document.querySelectorAll("[data-arrows]")) hint.hidden = false;

function stop(links, here) {
  for (const link of links) link.tabIndex = link === here ? 0 : -1;
}

// only sideways: the page itself stays where it is
function show(map, link) {
  const region = map.closest(".scroll");
  const middle = link.getBoundingClientRect().left - region.getBoundingClientRect().left;
  region.scrollLeft += middle - region.clientWidth / 2;
}

// The next slot that is a link, in this direction.
function after(rows, link, key) {
  const row = rows.findIndex((line) => line.includes(link));
  if (!link || row < 0) return null;
  if (key === "Home" || key === "End") {
    const line = rows[row].filter(Boolean);
    return key === "Home" ? line[0] : line[line.length - 1];
  }
  const step = STEPS[key];
  if (!step) return null;
  let [y, x] = [row + step[0], rows[row].indexOf(link) + step[1]];
  for (; rows[y] && x >= 0 && x < rows[y].length; y += step[0], x += step[1]) if (rows[y][x]) return rows[y][x];
  return null;
}
