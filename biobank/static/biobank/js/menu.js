// Small comforts that lose nothing without script.
// [data-menu]   a <details> that closes on Escape or a press elsewhere
// [data-print]  a button that prints the page (hidden until a script is there to serve it)
// [data-choose] a button that ticks all boxes of the named field in its form

document.addEventListener("keydown", (event) => {
  const open = document.querySelector("[data-menu][open]");
  if (event.key !== "Escape" || !open) return;
  open.open = false;
  open.querySelector("summary").focus();
});

document.addEventListener("click", (event) => {
  const open = document.querySelector("[data-menu][open]");
  if (open && !open.contains(event.target)) open.open = false;
  if (event.target.closest("[data-print]")) print();
  const all = event.target.closest("[data-choose]");
  if (all) choose(all.form ?? all.closest("form"), all.dataset.choose);
});

function choose(form, name) {
  const boxes = [...form.querySelectorAll(`input[type=checkbox][name="${CSS.escape(name)}"]`)];
  const every = boxes.every((box) => box.checked);
  for (const box of boxes) box.checked = !every;
}

for (const button of document.querySelectorAll("[data-print][hidden], [data-choose][hidden]")) {
  button.hidden = false;
}
