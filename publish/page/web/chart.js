// Draws the charts: lowest and highest reading of each column, gaps as gaps, the band, the limits, open doors
// and marks. The figures come from the board, thinned to the width of this screen; times are told in the
// kitchen's zone, whatever zone and clock this device has.
/* global uPlot */

// Lines differ by their dashes too, not by colour alone.
const dashes = [[], [8, 4], [2, 3], [10, 3, 2, 3], [5, 5], [1, 2], [12, 3], [3, 6]];
const again = 15000;

function colour(name) {
  return getComputedStyle(document.documentElement).getPropertyValue(name).trim();
}

// lineColours are of the scheme that holds.
function lineColours() {
  return Array.from({ length: 8 }, (_, i) => colour("--line-" + (i + 1)));
}

// aligned makes uPlot's columns: for each of ours the lowest, the highest, and a break where a reading is missing.
function aligned(d) {
  const x = [], series = d.probes.map(() => []);
  const after = new Set(d.after), missed = d.probes.map((p) => new Set(p.missed));
  const push = (at, value) => {
    x.push(at);
    d.probes.forEach((_, i) => series[i].push(value(i)));
  };
  d.at.forEach((at, n) => {
    if (after.has(n)) push(at - d.width * 0.1, () => null);
    const tenth = (v) => (v === null ? null : v / 10);
    push(at, (i) => tenth(d.probes[i].low[n]));
    push(at + d.width * 0.5, (i) => tenth(d.probes[i].high[n]));
    if (d.probes.some((_, i) => missed[i].has(n))) push(at + d.width * 0.8, (i) => (missed[i].has(n) ? null : undefined));
  });
  return [x, ...series];
}

// clockAt writes a time of day in the kitchen's zone, or how long after the loading that is.
function clockAt(d, at) {
  if (d.since) {
    const h = Math.floor(at / 3600), min = Math.round((at % 3600) / 60);
    return min === 0 ? h + " h" : (h === 0 ? "" : h + " h ") + min + " min";
  }
  const s = (((d.from + d.offset + at) % 86400) + 86400) % 86400;
  const two = (n) => String(Math.floor(n)).padStart(2, "0");
  return two(s / 3600) + ":" + two((s % 3600) / 60);
}

function splitsOf(d, width) {
  const steps = [300, 600, 900, 1800, 3600, 7200, 10800, 14400, 21600];
  const step = steps.find((s) => (d.span / s) * 70 <= width) || 43200;
  const first = Math.ceil((d.from + d.offset) / step) * step - d.from - d.offset;
  const all = [];
  for (let at = first; at <= d.span; at += step) all.push(at);
  return all;
}

// bounds of the temperatures: of the readings, and of what else is drawn.
function bounds(d) {
  let low = Infinity, high = -Infinity;
  const take = (v) => {
    if (v === null || v === undefined) return;
    low = Math.min(low, v / 10);
    high = Math.max(high, v / 10);
  };
  for (const p of d.probes) {
    p.low.forEach(take);
    p.high.forEach(take);
  }
  if (low === Infinity) return [0, 100];
  for (const v of [d.hot, d.cold, d.low, d.high]) {
    // A limit far away would press the readings flat.
    if (v !== null && v / 10 > low - 40 && v / 10 < high + 40) take(v);
  }
  const room = Math.max(1, (high - low) * 0.06);
  return [low - room, high + room];
}

// under draws what lies beneath the lines.
function under(d, words) {
  return (u) => {
    const c = u.ctx, { left, top, width, height } = u.bbox;
    const y = (v) => Math.round(u.valToPos(v / 10, "y", true)), x = (at) => Math.round(u.valToPos(at, "x", true));
    c.save();
    c.beginPath();
    c.rect(left, top, width, height);
    c.clip();
    if (d.low !== null) {
      c.fillStyle = colour("--band");
      c.fillRect(left, y(d.high), width, y(d.low) - y(d.high));
    }
    for (const [from, to] of d.doors) {
      c.fillStyle = colour("--door");
      const w = Math.max(2, x(to) - x(from));
      c.fillRect(x(from), top, w, height);
      c.strokeStyle = colour("--ink");
      c.lineWidth = devicePixelRatio;
      c.beginPath();
      // Hatched at the top, so that it is no matter of colour.
      for (let i = 0; i <= w; i += 6 * devicePixelRatio) {
        c.moveTo(x(from) + i, top);
        c.lineTo(x(from) + i, top + 10 * devicePixelRatio);
      }
      c.stroke();
    }
    c.lineWidth = 1.5 * devicePixelRatio;
    for (const [v, dash] of levels(d, words)) {
      c.strokeStyle = colour("--ink");
      c.setLineDash(dash.map((n) => n * devicePixelRatio));
      c.beginPath();
      c.moveTo(left, y(v));
      c.lineTo(left + width, y(v));
      c.stroke();
    }
    c.restore();
  };
}

// levels are the temperatures that are drawn across: each with its dashes and its name.
function levels(d, words) {
  return [[d.hot, [9, 4], words.hot], [d.cold, [9, 4], words.cold], [d.set, [2, 5], words.setpoint]].filter(([v]) => v !== null && v !== undefined);
}

// over draws the names of the levels, and the marks: a tick at the bottom, a small sign on top of it.
function over(d, words) {
  return (u) => {
    const c = u.ctx, { left, top, height } = u.bbox, r = devicePixelRatio;
    c.save();
    c.font = 14 * r + "px system-ui, sans-serif";
    c.textAlign = "left";
    c.textBaseline = "alphabetic";
    c.lineJoin = "round";
    for (const [v, , word] of levels(d, words)) {
      const y = Math.round(u.valToPos(v / 10, "y", true)) - 5 * r, text = word + " " + v / 10 + " " + d.unit;
      if (y < top || y > top + height) continue;
      // Paper around it, or it could not be read where lines cross it.
      c.strokeStyle = colour("--paper");
      c.lineWidth = 5 * r;
      c.strokeText(text, left + 6 * r, y);
      c.fillStyle = colour("--ink");
      c.fillText(text, left + 6 * r, y);
    }
    c.fillStyle = c.strokeStyle = colour("--ink");
    c.lineWidth = 1.5 * r;
    for (const m of d.marks) {
      const x = Math.round(u.valToPos(m.at, "x", true)), y = top + height;
      c.beginPath();
      c.moveTo(x, y);
      c.lineTo(x, y - 12 * r);
      c.stroke();
      c.beginPath();
      c.moveTo(x - 5 * r, y - 20 * r);
      c.lineTo(x + 5 * r, y - 20 * r);
      c.lineTo(x, y - 11 * r);
      c.fill();
    }
    c.restore();
  };
}

class Chart {
  constructor(figure) {
    this.figure = figure;
    this.place = figure.querySelector(".canvas");
    this.caption = figure.querySelector(".drawn");
    this.words = figure.dataset;
    this.plot = null;
    this.fetching = false;
  }

  async refresh() {
    if (this.fetching || document.hidden) return;
    this.fetching = true;
    try {
      const columns = Math.max(60, Math.min(2000, Math.round(this.place.clientWidth)));
      const answer = await fetch(this.words.chart + "&columns=" + columns, { signal: AbortSignal.timeout(20000) });
      if (!answer.ok) throw new Error(answer.status);
      this.draw(await answer.json());
    } catch {
      this.caption.textContent = this.words.fails;
    } finally {
      this.fetching = false;
    }
  }

  draw(d) {
    const width = this.place.clientWidth, height = Math.max(220, Math.min(460, Math.round(width * 0.42)));
    this.last = d;
    if (this.plot) this.plot.destroy();
    this.place.replaceChildren();
    this.plot = null;
    this.figure.querySelector(".key").replaceChildren();
    if (d.at.length === 0) {
      this.caption.textContent = this.words.none;
      return;
    }
    const colours = lineColours(), axis = { stroke: colour("--ink"), grid: { stroke: colour("--grid"), width: 1 }, ticks: { stroke: colour("--grid"), width: 1 }, font: "15px system-ui, sans-serif" };
    this.plot = new uPlot({
      width, height, legend: { show: false }, cursor: { show: false }, pxAlign: 0,
      scales: { x: { time: false, range: [0, d.span] }, y: { range: bounds(d) } },
      axes: [
        { ...axis, splits: () => splitsOf(d, width), values: (_, all) => all.map((at) => clockAt(d, at)) },
        { ...axis, size: 60, values: (_, all) => all.map((v) => v + "°") },
      ],
      series: [{}, ...d.probes.map((p, i) => ({ label: p.name, stroke: colours[i % 8], dash: dashes[i % 8], width: p.role === "food" ? 2.5 : 1.75, points: { show: false }, spanGaps: false }))],
      hooks: { drawAxes: [under(d, this.words)], draw: [over(d, this.words)] },
    }, aligned(d), this.place);
    this.describe(d, colours);
    // Milliseconds since the page was asked for, for whoever measures it.
    this.figure.dataset.drawn = this.figure.dataset.drawn || Math.round(performance.now());
  }

  // describe says in words what is drawn, for who does not see it, and which line is whose.
  describe(d, colours) {
    const parts = [];
    d.probes.forEach((p, i) => {
      const low = p.low.filter((v) => v !== null), high = p.high.filter((v) => v !== null);
      if (low.length === 0) return;
      const least = low.reduce((a, b) => Math.min(a, b)), most = high.reduce((a, b) => Math.max(a, b));
      // Where times are told from the loading, a lot that ended earlier has no gap at its end.
      const part = d.since ? p.low.slice(p.low.findIndex((v) => v !== null), p.low.findLastIndex((v) => v !== null) + 1) : p.low;
      const gaps = p.missed.length > 0 || part.includes(null) || d.after.length > 0;
      parts.push(`${p.name}: ${least / 10} to ${most / 10} ${d.unit}${gaps ? ", " + this.words.gap : ""}`);
      const item = document.createElement("li"), line = document.createElementNS("http://www.w3.org/2000/svg", "svg");
      line.setAttribute("viewBox", "0 0 40 10");
      const path = document.createElementNS("http://www.w3.org/2000/svg", "path");
      path.setAttribute("d", "M0 5h40");
      path.setAttribute("stroke", colours[i % 8]);
      path.setAttribute("stroke-width", "3");
      path.setAttribute("stroke-dasharray", dashes[i % 8].join(" "));
      line.append(path);
      item.append(line, " " + p.name);
      this.figure.querySelector(".key").append(item);
    });
    if (d.doors.length > 0) parts.push(`${this.words.door}: ${d.doors.map(([from]) => clockAt(d, from)).join(", ")}`);
    this.caption.textContent = parts.join(". ") + ".";
    const marked = this.figure.parentElement.querySelector(".marked");
    if (!marked) return;
    const list = marked.querySelector("ul");
    marked.hidden = d.marks.length === 0;
    list.replaceChildren(...d.marks.map((m) => {
      const item = document.createElement("li");
      item.textContent = m.when + " " + m.text;
      return item;
    }));
  }
}

const all = [...document.querySelectorAll("figure[data-chart]")].map((f) => new Chart(f));
const refresh = () => all.forEach((c) => c.refresh());
const redraw = () => all.forEach((c) => c.last && c.draw(c.last));
let resizing = 0;
new ResizeObserver(() => {
  clearTimeout(resizing);
  resizing = setTimeout(redraw, 200);
}).observe(document.documentElement);
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", redraw);
document.addEventListener("visibilitychange", refresh);
setInterval(refresh, again);
refresh();
