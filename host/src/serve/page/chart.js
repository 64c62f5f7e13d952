// One chart over time or over a waveform: uPlot with pan, zoom, shading, limit lines and marks, by pointer, wheel, fingers and keys.
import { h } from "./format.js";

const AXIS_PX = 72;
/** Of the width, for one key press. */
const STEP = 0.2;
const WHEEL = 1.2;
const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

/** A colour of the style sheet. */
export const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();

/** Ticks of a time axis, UTC: a day is written so that no country reads it as another. */
function dates(_, ticks, __, ___, step) {
  let before = null;
  return ticks.map((tick) => {
    const [date, time] = new Date(tick * 1000).toISOString().split("T");
    const [year, month, day] = date.split("-");
    const isNew = before === null || before.slice(0, step >= 86400 ? 4 : 10) !== date.slice(0, step >= 86400 ? 4 : 10);
    before = date;
    const name = MONTHS[Number(month) - 1];
    if (step >= 28 * 86400) return isNew ? `${name}\n${year}` : name;
    if (step >= 86400) return isNew ? `${Number(day)} ${name}\n${year}` : `${Number(day)} ${name}`;
    const clock = time.slice(0, step >= 60 ? 5 : 8);
    return isNew ? `${clock}\n${Number(day)} ${name}` : clock;
  });
}

export class Chart {
  /**
   * `options`: title, label (of the axis), unit(value) → text, series [{name, colour, dash, band, at}], log, range(min, max), x
   * ("time" or "ms"), sync, hint (id of an element that describes the keys), `onRange(min, max)` when a person moves, `onPick(x)`.
   */
  constructor(options) {
    this.options = options;
    this.data = null;
    this.limits = [];
    this.bandWords = "";
    this.shades = [];
    this.marks = [];
    this.plot = h("div", { class: "plot", tabindex: "0", role: "group", "aria-label": `${options.title}, chart`, "aria-describedby": options.hint });
    this.key = h("ul", { class: "key" });
    this.readout = h("p", { class: "readout", "aria-hidden": "true" });
    this.table = h("details", {}, h("summary", {}, `Values as a table: ${options.title}`), h("div", { class: "wide", tabindex: "0", role: "region", "aria-label": `${options.title}, values` }));
    this.table.addEventListener("toggle", () => this.fillTable());
    this.element = h("div", { class: "chart" }, h("h4", {}, ...[options.title, " ", this.fitButton()].filter(Boolean)), this.key, this.plot, this.readout, this.table);
    this.listen();
  }

  /** Limits far above the values make them a flat line: the axis may leave them out. */
  fitButton() {
    if (!this.options.canFit) return null;
    const button = h("button", { type: "button", "aria-pressed": "false", onclick: () => {
      this.fits = !this.fits;
      button.setAttribute("aria-pressed", String(this.fits));
      if (this.data) this.set(this.data, this.uplot.scales.x.min, this.uplot.scales.x.max);
    } }, "Nearer: fit the values");
    return button;
  }

  get width() {
    return Math.max(240, this.plot.clientWidth);
  }

  build() {
    this.uplot?.destroy();
    const { options } = this;
    const ink = colour("ink");
    const axis = { stroke: ink, grid: { stroke: colour("grid"), width: 1 }, ticks: { stroke: colour("grid"), width: 1 }, font: "12px system-ui, sans-serif" };
    const isTime = options.x === "time";
    const series = [{}];
    const bands = [];
    for (const line of options.series) {
      if (line.band) {
        series.push({ stroke: "transparent", points: { show: false } }, { stroke: "transparent", points: { show: false } });
        bands.push({ series: [series.length - 1, series.length - 2], fill: colour(`${line.colour}-band`) });
      }
      series.push({ stroke: colour(line.colour), width: 1.5, dash: line.dash, points: { show: line.points ?? undefined, size: 4, fill: colour(line.colour) }, paths: line.step ? uPlot.paths.stepped({ align: 1 }) : undefined });
    }
    this.uplot = new uPlot(
      {
        width: this.width,
        height: options.height ?? 210,
        padding: [12, 26, 0, 0],
        tzDate: (s) => uPlot.tzDate(new Date(s * 1e3), "Etc/UTC"),
        cursor: { drag: { x: false, y: false, setScale: false }, sync: options.sync ? { key: options.sync, setSeries: false } : undefined, y: false, points: { size: 6 } },
        legend: { show: false },
        scales: {
          x: { time: isTime, range: (_, min, max) => [min, max] },
          y: { distr: options.log ? 3 : 1, range: (_, min, max) => this.options.range(min, max, this.fits ? [] : this.limits) },
        },
        axes: [
          { ...axis, space: isTime ? 80 : 60, values: isTime ? dates : (_, ticks) => ticks.map((tick) => `${tick} ms`.replace("-", "−")) },
          { ...axis, size: AXIS_PX, values: (_, ticks) => ticks.map((tick) => (tick === null ? "" : options.unit(tick))) },
        ],
        series,
        bands,
        hooks: {
          drawClear: [(u) => this.drawShades(u)],
          draw: [(u) => this.drawOver(u)],
          setCursor: [(u) => this.tell(u)],
        },
      },
      this.data,
      this.plot,
    );
    this.uplot.over.addEventListener("click", (event) => {
      if (this.moved) return;
      options.onPick?.(this.uplot.posToVal(event.offsetX, "x"), this.perPixel());
    });
    this.drawKey();
  }

  perPixel() {
    const { min, max } = this.uplot.scales.x;
    return (max - min) / Math.max(1, this.uplot.over.clientWidth);
  }

  /** `data` as uPlot takes it: x, then of each series (low, high,) value. */
  set(data, min, max) {
    this.data = data;
    if (!this.uplot) this.build();
    this.uplot.batch(() => {
      this.uplot.setData(data, false);
      this.uplot.setScale("x", { min, max });
    });
    this.fillTable();
  }

  /** Whether bands have anything in them. */
  get isBanded() {
    return this.options.series[0].band && (this.data?.[1].some((value) => value !== null) ?? false);
  }

  /** Nothing is shown of what was. */
  clear() {
    [this.shades, this.marks] = [[], []];
    if (this.data) this.set(this.data.map(() => []), this.uplot.scales.x.min, this.uplot.scales.x.max);
  }

  show(min, max) {
    this.uplot?.setScale("x", { min, max });
  }

  resize() {
    if (this.uplot && this.uplot.width !== this.width) this.uplot.setSize({ width: this.width, height: this.uplot.height });
  }

  redraw() {
    this.uplot?.redraw(false, true);
  }

  drawKey() {
    const line = (name, dash) => {
      const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
      svg.setAttribute("viewBox", "0 0 26 10");
      svg.setAttribute("aria-hidden", "true");
      const path = document.createElementNS(svg.namespaceURI, "path");
      path.setAttribute("d", "M0 5h26");
      path.setAttribute("stroke", colour(name));
      path.setAttribute("stroke-width", "3");
      if (dash) path.setAttribute("stroke-dasharray", dash.join(" "));
      svg.append(path);
      return svg;
    };
    const lines = this.options.series.map((one) => h("li", {}, line(one.colour, one.dash), one.name));
    if (this.isBanded) lines.push(h("li", {}, this.bandWords));
    const limits = this.limits.map((limit) => h("li", {}, line(limit.colour, limit.dash), `${limit.name}: ${this.options.unit(limit.level)}, ${limit.from}`));
    const hatch = this.shades.length > 0 ? [h("li", {}, "▨ hatched: not measured")] : [];
    this.key.replaceChildren(...lines, ...limits, ...hatch);
  }

  drawShades(u) {
    const { ctx, bbox } = u;
    ctx.save();
    ctx.beginPath();
    ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
    ctx.clip();
    ctx.strokeStyle = colour("hatch");
    ctx.lineWidth = 2 * devicePixelRatio;
    const step = 8 * devicePixelRatio;
    ctx.beginPath();
    for (const [from, to] of this.shades) {
      const left = Math.max(bbox.left, u.valToPos(from, "x", true));
      const right = Math.min(bbox.left + bbox.width, u.valToPos(to, "x", true));
      // On one grid for all, so that neighbours join.
      for (let x = Math.floor((left - bbox.height) / step) * step; x < right; x += step) {
        const from = Math.max(x, left);
        const to = Math.min(x + bbox.height, right);
        if (to <= from) continue;
        ctx.moveTo(from, bbox.top + bbox.height - (from - x));
        ctx.lineTo(to, bbox.top + bbox.height - (to - x));
      }
    }
    ctx.stroke();
    ctx.restore();
  }

  drawOver(u) {
    const { ctx, bbox } = u;
    ctx.save();
    ctx.beginPath();
    ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
    ctx.clip();
    const px = devicePixelRatio;
    for (const limit of this.limits) {
      for (const level of limit.both ? [limit.level, -limit.level] : [limit.level]) {
        const y = Math.round(u.valToPos(level, "y", true));
        ctx.strokeStyle = colour(limit.colour);
        ctx.lineWidth = 1.5 * px;
        ctx.setLineDash((limit.dash ?? []).map((d) => d * px));
        ctx.beginPath();
        ctx.moveTo(bbox.left, y);
        ctx.lineTo(bbox.left + bbox.width, y);
        ctx.stroke();
      }
    }
    ctx.setLineDash([]);
    ctx.font = `${12 * px}px system-ui, sans-serif`;
    [ctx.textAlign, ctx.textBaseline] = ["left", "alphabetic"];
    let row = 0;
    let before = -Infinity;
    for (const mark of this.marks) {
      const x = Math.round(u.valToPos(mark.x, "x", true));
      ctx.strokeStyle = ctx.fillStyle = colour(mark.colour);
      ctx.lineWidth = (mark.label ? 1.2 : 1) * px;
      if (mark.label) {
        ctx.beginPath();
        ctx.moveTo(x, bbox.top);
        ctx.lineTo(x, bbox.top + bbox.height);
        ctx.stroke();
        row = x - before < 110 * px ? row + 1 : 0;
        before = x;
        const width = ctx.measureText(mark.label).width;
        const left = x + width + 5 * px > bbox.left + bbox.width ? x - width - 4 * px : x + 4 * px;
        const top = bbox.top + (14 + 14 * row) * px;
        // Legible over whatever lies behind it.
        ctx.save();
        [ctx.strokeStyle, ctx.lineWidth] = [colour("card"), 4 * px];
        ctx.strokeText(mark.label, left, top);
        ctx.restore();
        ctx.fillText(mark.label, left, top);
      } else {
        const size = 5 * px;
        ctx.beginPath();
        if (mark.isTrip) ctx.rect(x - size, bbox.top, 2 * size, 2 * size);
        else {
          ctx.moveTo(x - size, bbox.top);
          ctx.lineTo(x + size, bbox.top);
          ctx.lineTo(x, bbox.top + 2 * size);
        }
        ctx.fill();
      }
    }
    ctx.restore();
  }

  tell(u) {
    const { idx } = u.cursor;
    if (idx === null || idx === undefined || u.data[0][idx] === undefined) {
      this.readout.textContent = "";
      return;
    }
    const parts = [this.options.at(u.data[0][idx])];
    let place = 1;
    for (const line of this.options.series) {
      const [low, high] = line.band ? [u.data[place][idx], u.data[place + 1][idx]] : [null, null];
      if (line.band) place += 2;
      const value = u.data[place][idx];
      place += 1;
      if (value === null || value === undefined) continue;
      const spread = low !== null && low !== undefined && low !== high ? ` (${this.options.unit(low)} to ${this.options.unit(high)})` : "";
      parts.push(`${line.name} ${this.options.unit(value)}${spread}`);
    }
    if (parts.length === 1) parts.push("no value");
    this.readout.textContent = parts.join(" · ");
  }

  fillTable() {
    const box = this.table.lastChild;
    if (!this.table.open || !this.data) {
      box.replaceChildren();
      return;
    }
    const heads = [this.options.x === "time" ? "Time" : "From the trigger"];
    const columns = [];
    let place = 1;
    for (const line of this.options.series) {
      const isSpread = line.band && this.isBanded;
      if (isSpread) {
        heads.push(`${line.name}, least`, "most", "median");
        columns.push(place, place + 1, place + 2);
      } else {
        heads.push(line.name);
        columns.push(line.band ? place + 2 : place);
      }
      place += line.band ? 3 : 1;
    }
    const rows = this.data[0].map((x, k) =>
      h("tr", {}, h("td", { class: "number" }, this.options.at(x)), ...columns.map((column) => h("td", { class: "number" }, this.options.unit(this.data[column][k])))),
    );
    box.replaceChildren(h("table", {}, h("thead", {}, h("tr", {}, ...heads.map((head) => h("th", { scope: "col" }, head)))), h("tbody", {}, ...rows)));
  }

  move(min, max) {
    this.options.onRange(min, max);
  }

  zoom(factor, around = 0.5) {
    const { min, max } = this.uplot.scales.x;
    const fixed = min + (max - min) * around;
    this.move(fixed - (fixed - min) * factor, fixed + (max - fixed) * factor);
  }

  pan(share) {
    const { min, max } = this.uplot.scales.x;
    this.move(min + (max - min) * share, max + (max - min) * share);
  }

  listen() {
    const { plot } = this;
    const place = (event) => {
      const box = this.uplot.over.getBoundingClientRect();
      return (event.clientX - box.left) / box.width;
    };
    plot.addEventListener("keydown", (event) => {
      if (!this.uplot || event.ctrlKey || event.metaKey || event.altKey) return;
      const does = {
        "+": () => this.zoom(1 - STEP * 2),
        "=": () => this.zoom(1 - STEP * 2),
        "-": () => this.zoom(1 / (1 - STEP * 2)),
        ArrowLeft: () => this.pan(-STEP),
        ArrowRight: () => this.pan(STEP),
        Home: () => this.move(-Infinity, Infinity),
      }[event.key];
      if (!does) return;
      event.preventDefault();
      does();
    });
    // A wheel over a page scrolls it: it zooms only with Ctrl (as a pinch on a touchpad comes) or where the chart has been clicked.
    plot.addEventListener(
      "wheel",
      (event) => {
        if (!this.uplot) return;
        const isSideways = Math.abs(event.deltaX) > Math.abs(event.deltaY);
        if (!isSideways && !event.ctrlKey && document.activeElement !== plot) return;
        event.preventDefault();
        if (isSideways) this.pan(event.deltaX / this.width);
        else this.zoom(event.deltaY > 0 ? WHEEL : 1 / WHEEL, place(event));
      },
      { passive: false },
    );
    const fingers = new Map();
    let begin = null;
    const start = () => {
      const { min, max } = this.uplot.scales.x;
      begin = { min, max, places: [...fingers.values()] };
    };
    plot.addEventListener("pointerdown", (event) => {
      if (!this.uplot || event.button !== 0) return;
      fingers.set(event.pointerId, place(event));
      this.moved = false;
      start();
    });
    plot.addEventListener("pointermove", (event) => {
      if (!fingers.has(event.pointerId)) return;
      fingers.set(event.pointerId, place(event));
      const now = [...fingers.values()];
      const width = begin.max - begin.min;
      if (now.length >= 2 && begin.places.length >= 2) {
        const [a, b] = [begin.places, now].map(([x, y]) => [Math.min(x, y), Math.max(x, y)]);
        const factor = (a[1] - a[0]) / Math.max(0.02, b[1] - b[0]);
        const left = begin.min + width * a[0] - width * factor * b[0];
        this.moved = true;
        this.move(left, left + width * factor);
      } else if (this.moved || Math.abs(now[0] - begin.places[0]) * this.width > 4) {
        if (!this.moved) plot.setPointerCapture(event.pointerId);
        this.moved = true;
        plot.classList.add("dragging");
        const shift = (begin.places[0] - now[0]) * width;
        this.move(begin.min + shift, begin.max + shift);
      }
    });
    for (const name of ["pointerup", "pointercancel", "lostpointercapture"]) {
      plot.addEventListener(name, (event) => {
        if (!fingers.delete(event.pointerId)) return;
        plot.classList.remove("dragging");
        if (fingers.size > 0) start();
      });
    }
    new ResizeObserver(() => this.resize()).observe(plot);
  }
}
