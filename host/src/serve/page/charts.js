// The three charts over time: one range for all, finer data as one zooms in, the newest when the end is shown.
import { Chart } from "./chart.js";
import { ask, byId, h, setText, si, span, utc } from "./format.js";

const SPANS = [["Hour", 3600], ["Day", 86400], ["Week", 7 * 86400], ["Month", 30 * 86400], ["Year", 365 * 86400]];
const YEAR_S = 366 * 86400;
const WAIT_MS = 150;
/** Nothing is told of less than this. */
const LEAST_S = 2;
const SHADE_FROM = 0.9;
const FROM = "set on the board";

const linear = (least) => (min, max, limits) => {
  const levels = limits.flatMap((limit) => (limit.both ? [limit.level, -limit.level] : [limit.level]));
  const low = Math.min(0, min ?? 0, ...levels);
  const high = Math.max(least, max ?? least, ...levels);
  const room = (high - low) * 0.06;
  return [low === 0 ? 0 : low - room, high + room];
};

const decades = (min, max, limits) => {
  const values = [min, max, ...limits.map((limit) => limit.level)].filter((value) => value > 0);
  if (values.length === 0) return [1e3, 1e7];
  return [10 ** Math.floor(Math.log10(Math.min(...values))), 10 ** Math.ceil(Math.log10(Math.max(...values)) + 1e-9)];
};

export class Charts {
  /** `onShown(fromUs, toUs)` when another time is shown; `onPick(us, perPixelUs)` on a click. */
  constructor(onShown, onPick) {
    this.onShown = onShown;
    const common = {
      x: "time",
      sync: "time",
      hint: "keys",
      at: (s) => utc(s * 1e6, this.toS - this.fromS < 3 * 86400),
      onRange: (min, max) => this.go(min, max),
      onPick: (s, perPixel) => onPick(s * 1e6, perPixel * 1e6),
    };
    this.current = new Chart({ ...common, title: "Bond current", canFit: true, unit: (a) => si(a, "A"), range: linear(1e-4), series: [
      { name: "RMS", colour: "one", band: true },
      { name: "DC", colour: "two", band: true, dash: [6, 3] },
    ] });
    this.insulation = new Chart({ ...common, title: "Insulation resistance", unit: (r) => si(r, "Ω"), log: true, range: decades, series: [
      { name: "whole array", colour: "one", band: true },
      { name: "at least (no value can be told)", colour: "two", dash: [2, 4] },
    ] });
    this.poles = new Chart({ ...common, title: "Poles to earth", unit: (v) => si(v, "V"), range: (min, max) => linear(1)(min, max, []), series: [
      { name: "positive", colour: "one", band: true },
      { name: "negative", colour: "two", band: true, dash: [6, 3] },
    ] });
    this.all = [this.current, this.insulation, this.poles];
    byId("charts").append(
      h("p", { id: "keys", class: "quiet" }, "Drag to move, Ctrl and wheel or pinch to zoom. With a chart chosen: + − ← →, Home for everything, the wheel alone. Triangles and squares above are events: click one."),
      ...this.all.map((chart) => chart.element),
    );
    this.buttons = SPANS.map(([name, length]) => [h("button", { type: "button", "aria-pressed": "false", onclick: () => this.last(length) }, name), length]);
    const button = (name, label, does) => h("button", { type: "button", "aria-label": label, onclick: does }, name);
    byId("spans").append(
      ...this.buttons.map(([element]) => element),
      h("button", { type: "button", onclick: () => this.go(-Infinity, Infinity) }, "All"),
      button("←", "Earlier", () => this.current.uplot && this.current.pan(-0.5)),
      button("→", "Later", () => this.current.uplot && this.current.pan(0.5)),
      button("+", "Zoom in", () => this.current.uplot && this.current.zoom(0.5)),
      button("−", "Zoom out", () => this.current.uplot && this.current.zoom(2)),
    );
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.all.forEach((chart) => chart.data && chart.build()));
    this.board = null;
  }

  /** Another board: the last year of it, or what there is. */
  open(board, fromUs, toUs, settings) {
    this.board = board;
    // What another board showed must not stand below this one's number, whatever comes of the question.
    for (const chart of this.all) chart.clear();
    [this.firstS, this.lastS] = [fromUs / 1e6, toUs / 1e6];
    const limits = (one) => one.filter((limit) => limit.level > 0);
    this.current.limits = settings ? limits([
      { name: "trip, RMS", level: settings.current.continuous.above_a, colour: "danger", from: FROM },
      { name: "trip, DC", level: settings.current.ground_fault.above_a, both: true, colour: "danger", dash: [6, 3], from: FROM },
    ]) : [];
    this.insulation.limits = settings ? limits([
      { name: "trip", level: settings.insulation.trip_below_ohm, colour: "danger", from: FROM },
      { name: "warning", level: settings.insulation.warn_below_ohm, colour: "look", dash: [6, 3], from: FROM },
    ]) : [];
    const beginS = Math.max(this.firstS, this.lastS - YEAR_S);
    this.show(beginS, Math.max(this.lastS, beginS + LEAST_S));
    return this.fetch();
  }

  /** A newer reading has come. */
  newest(us) {
    const s = us / 1e6;
    if (!this.board || s <= this.lastS) return;
    const follows = this.toS >= this.lastS - 1;
    this.lastS = s;
    if (!follows) return;
    const width = this.toS - this.fromS;
    // Not more often than it would move the picture.
    if (s - this.toS < Math.max(1, width / 600) || this.asking) return;
    this.show(s - width < this.firstS ? this.firstS : s - width, s);
    this.fetch();
  }

  last(length) {
    this.go(this.lastS - length, this.lastS);
  }

  /** Where a person goes: kept within what there is, with some room. */
  go(min, max) {
    if (!this.board) return;
    const [first, last] = [this.firstS, Math.max(this.lastS, this.firstS + LEAST_S)];
    if (min === -Infinity) [min, max] = [first, last];
    const width = Math.min(Math.max(max - min, LEAST_S), (last - first) * 1.1 || LEAST_S);
    const middle = Math.min(Math.max((min + max) / 2, first), last);
    this.show(middle - width / 2, middle + width / 2);
    clearTimeout(this.soon);
    this.soon = setTimeout(() => this.fetch(), WAIT_MS);
  }

  show(min, max) {
    [this.fromS, this.toS] = [min, max];
    for (const chart of this.all) chart.show(min, max);
    for (const [element, length] of this.buttons) {
      const is = Math.abs(max - min - length) < length * 0.01 && max >= this.lastS - length * 0.01;
      element.setAttribute("aria-pressed", String(is));
    }
  }

  async fetch() {
    clearTimeout(this.soon);
    this.asking?.abort();
    const asking = new AbortController();
    this.asking = asking;
    byId("charts").classList.add("loading");
    const { board, fromS, toS } = this;
    // A little more than is shown, so that moving does not show an empty edge at once.
    const room = (toS - fromS) * 0.25;
    // Of what is asked for a third lies outside the picture; day and night are seen for two months on a phone, too.
    const points = Math.min(2000, Math.max(1200, Math.round(this.current.width * 2.2)));
    try {
      const path = `/api/boards/${board}/readings?from=${Math.floor((fromS - room) * 1e6)}&to=${Math.ceil((toS + room) * 1e6)}&points=${points}`;
      const columns = await ask(path, asking.signal);
      if (this.board !== board) return;
      this.fill(columns);
      setText(byId("charts-of"), this.about(columns));
      byId("charts-of").classList.remove("wrong");
      performance.mark("charts-drawn");
      this.onShown(Math.floor(fromS * 1e6), Math.ceil(toS * 1e6));
    } catch (fault) {
      if (fault.name === "AbortError") return;
      setText(byId("charts-of"), `The charts could not be fetched: ${fault.message}`);
      byId("charts-of").classList.add("wrong");
    } finally {
      if (this.asking === asking) {
        this.asking = null;
        byId("charts").classList.remove("loading");
      }
    }
  }

  about(columns) {
    const width = `${utc(this.fromS * 1e6, false)} to ${utc(this.toS * 1e6, false)}`;
    const of = columns.step_us > 0 ? `each point is ${span(columns.step_us)}` : columns.made_of === "readings" ? "every reading" : "the extremes of the readings";
    return `${width}: ${columns.t_us.length === 0 ? "no readings" : of}`;
  }

  fill(columns) {
    const x = columns.t_us.map((us) => us / 1e6);
    const empty = x.map(() => null);
    const banded = (column) => (column.value ? [empty, empty, column.value] : [column.min ?? empty, column.max ?? empty, column.median ?? empty]);
    const half = columns.step_us / 2e6;
    const words = half < 43200 ? "line: median; band: least to most" : "line: median of a day, its night included; band: least to most";
    for (const chart of this.all) chart.bandWords = words;
    this.insulation.bandWords = half < 43200 ? words : "line: median of a day's measurements; band: least to most";
    const at = [this.fromS, this.toS];
    this.current.shades = stretches(x, columns.i_not_measured_share, half);
    this.insulation.shades = stretches(x, columns.r_iso_not_measured_share, half);
    // A logarithm has no place for what is not above zero.
    const positive = (list) => list.map((value) => (value > 0 ? value : null));
    this.current.set([x, ...banded(columns.i_rms_a), ...banded(columns.i_dc_a)], ...at);
    this.insulation.set([x, ...banded(columns.r_iso_ohm).map(positive), positive(columns.r_iso_at_least_ohm ?? empty)], ...at);
    this.poles.set([x, ...banded(columns.v_pos_v), ...banded(columns.v_neg_v)], ...at);
    for (const chart of this.all) chart.drawKey();
  }

  /** Events above the charts. */
  mark(marks) {
    for (const chart of this.all) {
      chart.marks = marks;
      chart.redraw();
    }
  }
}

/** Where a share is high, as stretches of x. Points without a share are gaps, and stay empty. */
function stretches(x, shares, half) {
  const found = [];
  let from = null;
  x.forEach((at, k) => {
    const is = shares[k] !== null && shares[k] >= SHADE_FROM;
    const left = half > 0 ? at - half : at;
    if (is && from === null) from = left;
    if (!is && from !== null) {
      found.push([from, half > 0 ? x[k - 1] + half : at]);
      from = null;
    }
  });
  if (from !== null) found.push([from, x.at(-1) + half]);
  return found;
}
