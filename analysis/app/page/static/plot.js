// A small line plot in SVG: linear or logarithmic axis, points, lines, bars of uncertainty, a band.
import { draw } from "/static/dom.js";
const FIELD = 264, LEFT = 62, RIGHT = 14, BOTTOM = 44, LINE = 16;
const COLOURS = ["#56b4e9", "#e69f00", "#2fc79a", "#e39bc4"], DASHES = ["", "7 4", "2 4", "9 3 2 3"];

function ticks(low, high) {
  const step = 10 ** Math.floor(Math.log10((high - low) / 4));
  const size = [1, 2, 5, 10].map((n) => n * step).find((s) => (high - low) / s <= 6);
  const out = [];
  for (let t = Math.ceil(low / size) * size; t <= high + size * 1e-9; t += size) out.push(Number(t.toPrecision(10)));
  return out;
}
const decades = (low, high) => {
  const out = [];
  for (let p = Math.floor(Math.log10(low)); p <= Math.log10(high); p++) for (const n of [1, 2, 5]) if (n * 10 ** p >= low && n * 10 ** p <= high) out.push(n * 10 ** p);
  return out;
};
const short = (t) => (Math.abs(t) >= 1000 ? `${t / 1000}k` : String(t));

export function linePlot({ series, across, up, logarithmic = false, label, width = 860 }) {
  const named = series.filter((s) => s.name), TOP = 12 + LINE * named.length, HEIGHT = TOP + FIELD + BOTTOM;  // names stand above the field
  const WIDTH = Math.max(320, Math.min(width, 1100));  // drawn to its place, so that words keep their size on a phone
  const all = series.flatMap((s) => [...(s.points ?? []), ...(s.line ?? [])]), band = series.flatMap((s) => s.band ?? []);
  const xs = [...all, ...band].map((p) => p[0]);
  const ys = [...all.flatMap((p) => (p[2] ? [p[1] - 2 * p[2], p[1] + 2 * p[2]] : [p[1]])), ...band.flatMap((p) => [p[1], p[2]])];
  let [x0, x1, y0, y1] = [Math.min(...xs), Math.max(...xs), Math.min(...ys), Math.max(...ys)];
  if (x0 === x1) { x0 *= .9; x1 *= 1.1; }
  const margin = (y1 - y0) * .08 || 1; y0 -= margin; y1 += margin;
  const f = logarithmic ? Math.log10 : (v) => v;
  const X = (x) => LEFT + ((f(x) - f(x0)) / (f(x1) - f(x0))) * (WIDTH - LEFT - RIGHT);
  const Y = (y) => HEIGHT - BOTTOM - ((y - y0) / (y1 - y0)) * (HEIGHT - TOP - BOTTOM);
  const svg = draw("svg", { viewBox: `0 0 ${WIDTH} ${HEIGHT}`, role: "img", "aria-label": label });
  for (const t of logarithmic ? decades(x0, x1).filter((t) => WIDTH > 600 || /^1/.test(t)) : ticks(x0, x1)) {
    svg.append(draw("line", { x1: X(t), x2: X(t), y1: TOP, y2: HEIGHT - BOTTOM, stroke: "#3a342d" }), draw("text", { x: X(t), y: HEIGHT - BOTTOM + 17, "text-anchor": "middle" }, short(t)));
  }
  for (const t of ticks(y0, y1)) {
    svg.append(draw("line", { x1: LEFT, x2: WIDTH - RIGHT, y1: Y(t), y2: Y(t), stroke: "#3a342d" }), draw("text", { x: LEFT - 8, y: Y(t) + 4, "text-anchor": "end" }, short(t)));
  }
  svg.append(draw("text", { x: (LEFT + WIDTH) / 2, y: HEIGHT - 6, "text-anchor": "middle" }, across), draw("text", { x: 14, y: TOP - 8 }, up));
  [...series].sort((a, b) => Boolean(b.band) - Boolean(a.band)).forEach((s) => {
    const index = series.indexOf(s);
    const colour = COLOURS[index % COLOURS.length];
    if (s.band) svg.append(draw("polygon", { points: [...s.band.map((p) => `${X(p[0])},${Y(p[2])}`), ...s.band.toReversed().map((p) => `${X(p[0])},${Y(p[1])}`)].join(" "), fill: "#8a8175", opacity: .35 }));
    if (s.line) svg.append(draw("polyline", { points: s.line.map((p) => `${X(p[0])},${Y(p[1])}`).join(" "), fill: "none", stroke: colour, "stroke-width": 2, "stroke-dasharray": DASHES[index % DASHES.length] }));
    for (const p of s.points ?? []) {
      if (p[2]) svg.append(draw("line", { x1: X(p[0]), x2: X(p[0]), y1: Y(p[1] - 2 * p[2]), y2: Y(p[1] + 2 * p[2]), stroke: colour, "stroke-width": 2 }));
      svg.append(draw("circle", { cx: X(p[0]), cy: Y(p[1]), r: s.small ? 1.6 : 4, fill: colour }));
    }
    if (s.name) svg.append(draw("text", { x: WIDTH - RIGHT - 6, y: LINE * (named.indexOf(s) + 1) - 4, "text-anchor": "end" }, draw("tspan", s.band ? {} : { fill: colour }, s.band ? "▒" : !s.line ? "●" : index ? "- -" : "—"), ` ${s.name}`));
  });
  return svg;
}
