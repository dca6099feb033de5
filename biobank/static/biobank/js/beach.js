// The page of a workup, made easier; nothing here is needed for the data.
// [data-since]    a clock: counts minutes on from the server's (data-now), changes its word at data-hurry and
//                 data-limit. A phone whose clock is wrong shows the right minutes all the same.
// [data-breaths]  a button to press at each breath; after a minute the count is in the field it names
// input[name=tube] ticks are kept when the page is drawn anew after a scan

const MINUTE = 60_000;
const ahead = new WeakMap();
const ticked = new Set();

function tick() {
  for (const clock of document.querySelectorAll("[data-since]")) {
    const { since, now, limit, hurry } = clock.dataset;
    if (!ahead.has(clock)) ahead.set(clock, Date.now() - now);
    const minutes = Math.max(0, Math.floor((Date.now() - ahead.get(clock) - since) / MINUTE));
    clock.querySelector("[data-minutes]").textContent = minutes;
    if (limit === undefined) continue;
    const word = minutes >= limit ? "over" : minutes >= hurry ? "hurry" : "in time";
    clock.dataset.state = word;
    for (const one of clock.querySelectorAll("[data-word]")) one.hidden = one.dataset.word !== word;
  }
}

document.addEventListener("change", ({ target }) => {
  if (target.matches?.("input[name=tube][type=checkbox]")) {
    ticked[target.checked ? "add" : "delete"](target.value);
  }
});

function shown() {
  tick();
  for (const box of document.querySelectorAll("input[name=tube][type=checkbox]")) {
    box.checked = ticked.has(box.value);
  }
  for (const button of document.querySelectorAll("[data-breaths]")) button.hidden = false;
}

let breaths = 0;
let ends = 0;

document.addEventListener("click", ({ target }) => {
  const button = target.closest?.("[data-breaths]");
  if (!button) return;
  if (Date.now() > ends) {
    breaths = 0;
    ends = Date.now() + MINUTE;
    setTimeout(counted, MINUTE, button.dataset.breaths);
  }
  breaths += 1;
  button.textContent = `${breaths} breaths, ${Math.ceil((ends - Date.now()) / 1000)} s left`;
});

function counted(id) {
  const field = document.getElementById(id);
  const button = document.querySelector("[data-breaths]");
  if (!field || !button) return;
  field.value = breaths;
  button.textContent = `${breaths} breaths in a minute. Count again`;
  navigator.vibrate?.(200);
}

document.addEventListener("page:shown", shown);
setInterval(tick, 5_000);
shown();
