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

// Characters typed with nothing in focus belong to the scan field: a scanner does not look first.
document.addEventListener("keydown", (event) => {
  const lost = document.activeElement === document.body || document.activeElement?.id === "main";
  if (lost && event.key.length === 1 && !event.ctrlKey && !event.metaKey && !event.altKey) ready();
});

document.addEventListener("submit", (event) => {
  const form = event.target;
  const input = form.querySelector("[data-scan] input:not([type=hidden])");
  if (!input || form.enctype === "multipart/form-data" || form.method !== "post") return;
  event.preventDefault();
  const scanned = input.value;
  if (!scanned.trim() && !event.submitter?.name) return;
  if (busy) {
    waiting.push(scanned);
    input.value = "";
    return;
  }
  const said = new FormData(form, event.submitter);
  input.value = "";
  send(form, said, scanned);
}, { capture: true });

async function send(form, said, scanned) {
  busy = true;
  form.setAttribute("aria-busy", "true");
  const before = location.pathname;
  try {
    const answer = await fetch(form.action, { method: "POST", body: new URLSearchParams(said) });
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    if (!page.querySelector("main")) throw new Error("no page came back");
    show(page, answer.url);
    if (!answer.ok || location.pathname !== before) tellUnsent();
  } catch {
    // Nothing is known about the scan. The form keeps its key, so sending it again cannot count twice.
    if (field()) field().value = scanned;
    tell("No answer from the server. The scan is still in the field: press Enter to send it again.");
    tellUnsent();
  }
  form.removeAttribute("aria-busy");
  busy = false;
  next();
}

function show(page, url) {
  const typed = field()?.value ?? "";
  document.body.replaceWith(document.adoptNode(page.body));
  document.title = page.title;
  if (url !== location.href) history.pushState(null, "", url);
  ready();
  const input = field();
  if (input && typed) {
    input.value = typed;
    input.setSelectionRange(typed.length, typed.length);
  }
  document.dispatchEvent(new Event("page:shown"));
}

function next() {
  const input = field();
  if (!waiting.length || !input) return;
  const typed = input.value;
  input.value = waiting.shift();
  input.form.requestSubmit();
  field().value = typed;
}

function tellUnsent() {
  if (waiting.length) tell(`Not sent, scan again: ${waiting.splice(0).join(", ")}`);
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
