// The picture of a unit's temperature, to look into: drag to zoom, read a moment under the pointer, and every
// link to another stretch without leaving the page. Finds: [data-picture]. Without this file the same links
// lead to the same pages with a still picture; whatever fails here, the browser follows the link itself.
import { plot } from "./trace_plot.js";

const picture = document.querySelector("[data-picture]");
const SHORTEST = 10; // seconds; no picture is shorter than ten minutes anyway
let drawn = null;
let asked = 0;

if (picture) {
  picture.addEventListener("click", (event) => {
    const link = event.target.closest("a[data-zoom]");
    if (!link || event.button || event.ctrlKey || event.metaKey || event.shiftKey || event.altKey) return;
    event.preventDefault();
    go(link.href, link.dataset.zoom);
  });
  addEventListener("popstate", () => show(location.href));
  addEventListener("resize", later(() => chart()));
  chart();
}

// Another stretch: the same page at another address, of which only the picture and its words are taken.
async function go(address, name) {
  history.pushState(null, "", address);
  if (await show(address)) {
    const again = name && picture.querySelector(`a[data-zoom="${name}"]`);
    (again ?? picture.querySelector("[data-heading]")).focus({ preventScroll: true });
  }
}

async function show(address) {
  const mine = ++asked;
  picture.querySelector(".chart")?.setAttribute("aria-busy", "true");
  try {
    const answer = await fetch(address, { credentials: "same-origin" });
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const fresh = page.querySelector("[data-picture] [data-span]");
    if (mine !== asked) return false; // somebody pressed again meanwhile
    if (!fresh) throw new Error("no picture");
    drawn?.destroy();
    drawn = null;
    picture.replaceChildren(document.adoptNode(fresh));
    await chart();
    return true;
  } catch {
    location.assign(address);
    return false;
  }
}

async function chart() {
  const figure = picture.querySelector(".chart");
  if (!figure) return;
  const live = figure.querySelector("[data-live]");
  const width = Math.round(figure.clientWidth);
  try {
    const [uPlot, said] = await Promise.all([library(figure.dataset.library), numbers(figure.dataset.readings, width)]);
    if (!figure.isConnected || said.low === null) return;
    drawn?.destroy();
    live.hidden = false; // the chart must be seen to be measured
    drawn = plot(uPlot, live, said, width, { zoom, readout: figure.querySelector("[data-readout]") });
    figure.querySelector("[data-still]").hidden = true;
    figure.querySelector("[data-readout]").hidden = false;
    const bars = picture.querySelector("[data-bar-days]"); // a wider picture has more columns
    if (bars) bars.textContent = said.bar_days > 1 ? `${said.bar_days} days` : "each day";
    figure.dataset.drawn = "yes";
  } catch (no) {
    live.hidden = true; // the still picture stays
    figure.dataset.drawn = "no";
    console.warn(no);
  }
}

function zoom(from, to) {
  if (to - from < SHORTEST) return;
  const here = new URL(location.href);
  here.searchParams.set("from", written(from));
  here.searchParams.set("to", written(to));
  go(here.href);
}

const written = (seconds) => new Date(Math.round(seconds) * 1000).toISOString().replace(".000", "");

async function numbers(address, width) {
  const plain = new URL(address, location.href);
  plain.searchParams.set("width", width);
  const answer = await fetch(plain, { credentials: "same-origin" });
  if (!answer.ok) throw new Error(`readings: ${answer.status}`);
  return answer.json();
}

function library(address) {
  return new Promise((done, failed) => {
    if (globalThis.uPlot) return done(globalThis.uPlot);
    const script = document.createElement("script");
    script.src = address;
    script.onload = () => (globalThis.uPlot ? done(globalThis.uPlot) : failed(new Error("no chart library")));
    script.onerror = () => failed(new Error("no chart library"));
    document.head.append(script);
  });
}

function later(what) {
  let timer;
  return () => {
    clearTimeout(timer);
    timer = setTimeout(what, 200);
  };
}
