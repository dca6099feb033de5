// The countdown board looks again by itself; without script the page does so by a refresh.
// What somebody has opened or focused stays: the list is not swapped under the hand.

const EVERY = 30_000;

async function again() {
  const old = document.getElementById("board");
  const stale = document.getElementById("board-stale");
  if (document.hidden || old.querySelector("details[open]") || old.contains(document.activeElement)) return;
  try {
    const answer = await fetch(location.href, { credentials: "same-origin", cache: "no-store" });
    if (!answer.ok || answer.redirected) throw new Error("no board");
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    old.replaceWith(document.adoptNode(page.getElementById("board")));
    stale.hidden = true;
  } catch {
    stale.hidden = false;
  }
}

setInterval(again, EVERY);
document.addEventListener("visibilitychange", again);
