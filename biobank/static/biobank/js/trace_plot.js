// Draws what readings.json says with uPlot. Everything that is not a reading (gaps, limits, excursions, acts) is
// painted here in ink; the same is in the words below the picture. Moments are seconds, temperatures hundredths.
import { FONT, HAIR, INK, SIGNAL, SOFT, clip, dots, hatch, level, line } from "./trace_ink.js";

const HEIGHT = 340;
const STRIP = 24;

export function plot(uPlot, place, said, width, { zoom, readout }) {
  const start = said.start / 1000;
  const data = [said.t.map((t) => start + t), said.c.map((c) => (c === null ? null : c / 100))];
  if (!data[0].length) data[0].push(start), data[1].push(null);
  place.replaceChildren();
  return new uPlot(options(uPlot, said, start, width, zoom, readout), data, place);
}

function options(uPlot, said, start, width, zoom, readout) {
  const ratio = () => uPlot.pxRatio;
  return {
    width,
    height: HEIGHT,
    padding: [26, 26, 0, 0],
    legend: { show: false },
    cursor: { drag: { x: true, y: false, setScale: false }, points: { size: 9, fill: INK }, y: false },
    select: { show: true },
    scales: {
      x: { time: false, range: () => [start, said.end / 1000] },
      y: { range: () => [said.low / 100, said.high / 100] },
    },
    axes: [
      {
        font: FONT, stroke: INK, gap: 4 + STRIP, size: 30 + STRIP,
        grid: { show: false }, ticks: { stroke: SOFT, size: 6 },
        splits: () => near(said.x, width, said).map(([t]) => start + t),
        values: () => near(said.x, width, said).map(([, words]) => words),
      },
      {
        font: FONT, stroke: INK, size: 56, label: "", grid: { stroke: HAIR, width: 1 }, ticks: { show: false },
        splits: () => said.y.map(([c]) => c / 100),
        values: () => said.y.map(([, words], k) => (k === said.y.length - 1 ? `${words} °C` : words)),
      },
    ],
    series: [
      {},
      {
        stroke: INK, width: 2, points: { show: false }, spanGaps: false,
        ...(said.step ? { paths: uPlot.paths.stepped({ align: 1 }) } : {}),
      },
    ],
    hooks: {
      drawClear: [(u) => under(u, said, start, ratio())],
      draw: [(u) => over(u, said, start, ratio())],
      setSelect: [
        (u) => {
          if (u.select.width < 4) return;
          zoom(u.posToVal(u.select.left, "x"), u.posToVal(u.select.left + u.select.width, "x"));
          u.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false);
        },
      ],
      setCursor: [(u) => tell(u, said, readout)],
    },
  };
}

// On a narrow screen every second or third label, so that none stands on another.
function near(labels, width, said) {
  const room = Math.max(1, Math.floor((width - 82) / 72));
  const step = Math.ceil(labels.length / room);
  return labels.filter((_, k) => k % step === 0);
}

function under(u, said, start, px) {
  const { ctx, bbox } = u;
  ctx.save();
  clip(ctx, bbox);
  const x = (t) => u.valToPos(start + t, "x", true);
  const y = (c) => u.valToPos(c / 100, "y", true);
  ctx.fillStyle = SIGNAL;
  for (const [a, b, limit, peak] of said.beyond) {
    const [top, foot] = [y(Math.max(limit, peak)), y(Math.min(limit, peak))];
    const width = Math.max((said.bars.length ? 8 : 2) * px, x(b) - x(a)); // seen on both sides of a bar
    ctx.fillRect((x(a) + x(b) - width) / 2, top, width, Math.max(2 * px, foot - top));
  }
  for (const [a, b] of said.gaps) hatch(ctx, x(a), bbox.top, x(b) - x(a), bbox.height, px);
  for (const [a, b] of said.exclusions) dots(ctx, x(a), bbox.top, x(b) - x(a), bbox.height, px);
  ctx.strokeStyle = INK;
  ctx.lineWidth = 1.5 * px;
  for (const [a, b] of said.events) ctx.strokeRect(x(a), bbox.top + px, Math.max(2 * px, x(b) - x(a)), bbox.height - 2 * px);
  ctx.restore();
}

function over(u, said, start, px) {
  const { ctx, bbox } = u;
  const x = (t) => u.valToPos(start + t, "x", true);
  const y = (c) => u.valToPos(c / 100, "y", true);
  ctx.save();
  clip(ctx, bbox);
  ctx.fillStyle = INK;
  for (const [a, b, low, high] of said.bars) {
    const [left, right] = [Math.floor(x(a)), Math.ceil(x(b))]; // whole pixels: no seams between two days
    ctx.fillRect(left, y(high), Math.max(px, right - left), Math.max(1.5 * px, y(low) - y(high)));
  }
  for (const [a, b, centi] of said.limits) level(ctx, x(a), x(b), y(centi), [7 * px, 5 * px], 1.5 * px);
  for (const [a, b, centi] of said.assumed) level(ctx, x(a), x(b), y(centi), [12 * px, 6 * px], 3 * px);
  for (const [times, centi] of said.others) line(ctx, times.map(x), centi.map((c) => (c === null ? null : y(c))), px);
  ctx.fillStyle = INK;
  ctx.font = FONT.replace("13px", `${13 * px}px`);
  ctx.textAlign = "center";
  let free = -Infinity;
  for (const [t, c, n] of said.numbers) {
    if (x(t) < free) continue;
    ctx.fillText(String(n), x(t), Math.max(bbox.top + 12 * px, y(c) - 6 * px));
    free = x(t) + 22 * px;
  }
  lone(ctx, said, x, y, px);
  signs(ctx, said, x, bbox, px);
  ctx.restore();
  named(ctx, said, x, bbox, px);
  doors(ctx, said, x, bbox, px);
}

// T1, T2… thermal events and X1, X2… readings that do not count, as in the words below.
function signs(ctx, said, x, bbox, px) {
  ctx.save();
  ctx.textAlign = "left";
  ctx.strokeStyle = "#ffffff";
  ctx.lineWidth = 4 * px;
  for (const [letter, spans] of [["T", said.events], ["X", said.exclusions]]) {
    spans.forEach(([a], k) => {
      const place = [Math.max(bbox.left, x(a)) + 3 * px, bbox.top + bbox.height - 6 * px];
      ctx.strokeText(`${letter}${k + 1}`, ...place);
      ctx.fillText(`${letter}${k + 1}`, ...place);
    });
  }
  ctx.restore();
}

// Above the plot: which logger counted from there on.
function named(ctx, said, x, bbox, px) {
  ctx.save();
  ctx.fillStyle = INK;
  ctx.font = FONT.replace("13px", `${13 * px}px`);
  ctx.textAlign = "left";
  let free = -Infinity;
  for (const [t, words] of said.names) {
    if (x(t) < free) continue;
    ctx.fillText(words, x(t), bbox.top - 9 * px);
    free = x(t) + ctx.measureText(words).width + 10 * px;
  }
  ctx.restore();
}

// A reading between two gaps has no line; without a dot it would not be seen.
function lone(ctx, said, x, y, px) {
  said.c.forEach((c, k) => {
    if (c === null || (said.c[k - 1] ?? null) !== null || (said.c[k + 1] ?? null) !== null) return;
    ctx.beginPath();
    ctx.arc(x(said.t[k]), y(c), 3 * px, 0, 7);
    ctx.fill();
  });
}

function doors(ctx, said, x, bbox, px) {
  const most = Math.max(1, ...said.doors.map(([, n]) => n));
  ctx.strokeStyle = INK;
  ctx.lineWidth = 2 * px;
  for (const [t, n] of said.doors) {
    const top = bbox.top + bbox.height + 8 * px;
    ctx.beginPath();
    ctx.moveTo(x(t), top);
    ctx.lineTo(x(t), top + (most > 1 ? 5 + (11 * n) / most : 10) * px);
    ctx.stroke();
  }
}

// What is under the pointer, in words and in the programme's zone.
function tell(u, said, readout) {
  const words = said.bars.length ? day(u, said) : moment(u, said);
  if (words) readout.textContent = words;
}

function moment(u, said) {
  const k = u.cursor.idx ?? -1;
  const value = u.data[1][k] ?? null;
  if (value === null) return "";
  const at = new Date(u.data[0][k] * 1000);
  const words = at.toLocaleString("en-GB", { timeZone: said.tz, dateStyle: "medium", timeStyle: "short" });
  return `${words}: ${celsius(value)}`;
}

function day(u, said) {
  const t = u.posToVal(u.cursor.left, "x") - said.start / 1000;
  const bar = said.bars.find(([a, b]) => a <= t && t < b);
  if (!bar) return "";
  const at = new Date(said.start + bar[0] * 1000 + 1000);
  const words = at.toLocaleDateString("en-GB", { timeZone: "UTC", dateStyle: "medium" });
  return `${words}${said.bar_days > 1 ? ` (${said.bar_days} days)` : ""} (UTC): ${celsius(bar[2] / 100)} to ${celsius(bar[3] / 100)}`;
}

const celsius = (value) => `${value.toFixed(2).replace("-", "−").replace(/0$/, "")} °C`;
