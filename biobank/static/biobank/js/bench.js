// The page of scans by key alone. scan.js sends the scans, answer.js sounds; nothing here is needed for the data.
// [data-mode]  a link that Alt and its number follow

document.addEventListener("keydown", (event) => {
  const digit = /^(?:Digit|Numpad)([1-9])$/.exec(event.code)?.[1];
  if (!digit || !event.altKey || event.ctrlKey || event.metaKey) return;
  const link = document.querySelector(`[data-mode="${digit}"]`);
  if (!link) return;
  event.preventDefault();
  link.click();
});
