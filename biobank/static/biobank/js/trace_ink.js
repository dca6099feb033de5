// Strokes on a canvas, in device pixels (px: how many of them make one of the page). Colour is never the only sign.
export const INK = "#111210";
export const SOFT = "#43463f";
export const HAIR = "#d3d1c7";
export const SIGNAL = "#ff7a00";
export const FONT = '600 13px ui-sans-serif, system-ui, "Segoe UI", Roboto, "Noto Sans", sans-serif';

export function clip(ctx, { left, top, width, height }) {
  ctx.beginPath();
  ctx.rect(left, top, width, height);
  ctx.clip();
}

export function level(ctx, a, b, y, dash, width) {
  ctx.strokeStyle = INK;
  ctx.lineWidth = width;
  ctx.setLineDash(dash);
  ctx.beginPath();
  ctx.moveTo(a, y);
  ctx.lineTo(b, y);
  ctx.stroke();
  ctx.setLineDash([]);
}

export function line(ctx, xs, ys, px) {
  ctx.strokeStyle = INK;
  ctx.lineWidth = px;
  ctx.setLineDash([2 * px, 2 * px]);
  ctx.beginPath();
  let on = false;
  xs.forEach((x, k) => {
    if (ys[k] === null) on = false;
    else if (on) ctx.lineTo(x, ys[k]);
    else ctx.moveTo(x, ys[k]), (on = true);
  });
  ctx.stroke();
  ctx.setLineDash([]);
}

export function hatch(ctx, x, y, width, height, px) {
  ctx.save();
  clip(ctx, { left: x, top: y, width, height });
  ctx.strokeStyle = SOFT;
  ctx.lineWidth = 1.2 * px;
  ctx.beginPath();
  for (let k = -height; k < width; k += 8 * px) {
    ctx.moveTo(x + k, y + height);
    ctx.lineTo(x + k + height, y);
  }
  ctx.stroke();
  ctx.restore();
}

export function dots(ctx, x, y, width, height, px) {
  ctx.fillStyle = SOFT;
  for (let a = 3 * px; a < width; a += 7 * px) {
    for (let b = 3 * px; b < height; b += 7 * px) ctx.fillRect(x + a, y + b, 2 * px, 2 * px);
  }
}
