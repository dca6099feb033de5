// A form is sent once. The hidden key makes a second press harmless; this makes it visible.
// Finds: every form with method post. Opt out with data-again.

document.addEventListener("submit", (event) => {
  const form = event.target;
  if (event.defaultPrevented || form.method !== "post" || "again" in form.dataset) return;
  if (form.dataset.sent) {
    event.preventDefault();
    return;
  }
  form.dataset.sent = "yes";
  for (const button of form.querySelectorAll("button:not([type=button])")) {
    button.setAttribute("aria-busy", "true");
  }
  // A file to download leaves the page standing: let the form be used again.
  setTimeout(() => release(form), 8000);
});

// Back to a page from the browser's memory: it must be usable.
addEventListener("pageshow", (event) => {
  if (event.persisted) document.querySelectorAll("form[data-sent]").forEach(release);
});

function release(form) {
  delete form.dataset.sent;
  form.querySelectorAll("[aria-busy]").forEach((button) => button.removeAttribute("aria-busy"));
}
