// The scan field: always ready. [data-scan] is the block around it; its form is sent without leaving
// the page, and the answer replaces the body. answer.js makes the sound.
// Without script the same form is an ordinary form: nothing here is needed for the data.
// A scanner types faster than a page loads: what arrives while one scan is under way waits its turn,
// and is listed, not sent, when the turn before it went wrong or led elsewhere.

const waiting = [];
let busy = false;

const field = () => document.querySelector("main [data-scan] input:not([type=hidden])");

function ready() {
  const input = field();
  if (!input || document.activeElement === input) return;
  input.focus({ preventScroll: true });
  input.select();
}

// Characters typed with nothing that takes text in focus belong to the scan field: a scanner does not look
// first, and its Enter must not press the button that was tapped last.
const TAKES_TEXT = "textarea, select, input:not([type=checkbox], [type=radio], [type=submit], [type=button])";
document.addEventListener("keydown", (event) => {
  const here = document.activeElement;
  if (event.key.length !== 1 || event.key === " " || event.ctrlKey || event.metaKey || event.altKey) return;
  if (!here?.matches(TAKES_TEXT)) ready();
});

// A form with a scan field, or marked data-stay, is sent without leaving the page.
document.addEventListener("submit", (event) => {
  const form = event.target;
  const input = form.querySelector("[data-scan] input:not([type=hidden])");
  const stays = input || "stay" in form.dataset;
  if (!stays || !field() || form.enctype === "multipart/form-data" || form.method !== "post") return;
  event.preventDefault();
  const scanned = input?.value ?? "";
  const pressed = event.submitter?.name ? event.submitter : null;
  if (input && !scanned.trim() && !pressed) return;
  const said = new FormData(form, event.submitter);
  if (input) input.value = "";
  const turn = { id: form.id, said, scanned: pressed ? pressed.textContent.trim() : scanned };
  if (busy) waiting.push(turn);
  else send(form, said, pressed ? "" : scanned);
}, { capture: true });

async function send(form, said, scanned) {
  busy = true;
  form.setAttribute("aria-busy", "true");
  const before = location.pathname;
  try {
    const answer = await fetch(form.action, { method: "POST", body: new URLSearchParams(said) });
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    if (!page.querySelector("main")) throw new Error("no page came back");
    show(page, answer.url, !scanned && matchMedia("(pointer: coarse)").matches);
    if (!answer.ok || location.pathname !== before) tellUnsent();
  } catch {
    // Nothing is known about the scan. The form keeps its key, so sending it again cannot count twice.
    if (field()) field().value = scanned;
    tell(scanned
      ? "No answer from the server. The scan is still in the field: press Enter to send it again."
      : "No answer from the server. Press the button again: it cannot count twice.");
    tellUnsent();
  }
  form.removeAttribute("aria-busy");
  busy = false;
  next();
}

// After a tap on a phone the field stays out of focus, or the keyboard would cover what was tapped.
function show(page, url, tapped) {
  const typed = field()?.value ?? "";
  document.body.replaceWith(document.adoptNode(page.body));
  document.title = page.title;
  if (url !== location.href) history.pushState(null, "", url);
  if (!tapped || typed) ready();
  const input = field();
  if (input && typed) {
    input.value = typed;
    input.setSelectionRange(typed.length, typed.length);
  }
  document.dispatchEvent(new Event("page:shown"));
}

function next() {
  const turn = waiting.shift();
  if (!turn) return;
  const form = turn.id ? document.getElementById(turn.id) : field()?.form;
  if (!form) {
    waiting.unshift(turn);
    return tellUnsent();
  }
  send(form, again(form, turn.said), turn.scanned);
}

// What was said a moment ago, with the key of the page as it is now: each key is one act. What the scan before
// it led to (data-fresh: the place that takes the next box) is that of the page as it is now, too.
function again(form, said) {
  const fresh = new FormData(form);
  const led = [...form.querySelectorAll("[data-fresh]")].map((one) => one.name);
  const kept = ["key", "csrfmiddlewaretoken", ...led].map((name) => [name, fresh.get(name)]);
  for (const [name, value] of kept) if (value !== null) said.set(name, value);
  return said;
}

function tellUnsent() {
  if (waiting.length) tell(`Not sent, scan again: ${waiting.splice(0).map((one) => one.scanned).join(", ")}`);
}

function tell(sentence) {
  const box = document.createElement("p");
  box.className = "refusal";
  box.setAttribute("role", "alert");
  box.dataset.result = "refused";
  box.textContent = sentence;
  document.querySelector("main").prepend(box);
  document.dispatchEvent(new Event("page:shown"));
}

addEventListener("popstate", () => location.reload());
ready();
