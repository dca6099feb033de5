// Typing a sheet: Enter goes on to the next field instead of sending the form, the arrows go up and down
// in a column. Finds: form.paper .line. Without script, Enter presses the first button, which saves nothing.

const fields = () => [...document.querySelectorAll("form.paper .typed input:not([type=hidden])")];

document.addEventListener("keydown", (event) => {
  const here = event.target;
  if (!(here instanceof HTMLInputElement) || !here.closest("form.paper")) return;
  if (event.key === "Enter") {
    event.preventDefault();
    const all = fields();
    go(all[all.indexOf(here) + 1]);
  }
  const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
  const line = here.closest(".line");
  if (!step || !line || here.type === "radio") return;
  event.preventDefault(); // a number field would count instead
  const column = here.name.split("_")[0];
  const same = [...document.querySelectorAll(`.line input[name^="${column}_"]`)];
  go(same[same.indexOf(here) + step]);
});

function go(input) {
  if (!input) return;
  input.focus();
  if (input.type !== "checkbox") input.select();
}
