// One event's captured waveform, in a window of its own.
import { Chart } from "./chart.js";
import { ask, byId, h, si, utc } from "./format.js";

const COLOURS = { tripped: "danger", "picked up": "look", "contactor did not open": "danger" };
const LEAST_MS = 1;

export async function openWaveform(board, event) {
  const dialog = byId("waveform");
  const close = h("button", { type: "button", onclick: () => dialog.close() }, "Close");
  const body = h("div", {}, h("p", {}, "fetching …"));
  dialog.replaceChildren(h("h2", { id: "waveform-head" }, `Waveform of event ${event}`), close, body);
  if (!dialog.open) dialog.showModal();
  try {
    fill(body, await ask(`/api/boards/${board}/events/${event}/waveform`));
  } catch (fault) {
    body.replaceChildren(h("p", { class: "wrong" }, `The waveform could not be fetched: ${fault.message}`));
  }
}

function fill(body, wave) {
  const { t_ms: ms } = wave;
  const [first, last] = [ms[0], ms.at(-1)];
  const charts = [];
  const go = (min, max) => {
    const width = Math.min(Math.max(min === -Infinity ? last - first : max - min, LEAST_MS), last - first);
    const left = min === -Infinity ? first : Math.min(Math.max((min + max - width) / 2, first), last - width);
    for (const chart of charts) chart.show(left, left + width);
  };
  const common = { x: "ms", sync: "waveform", hint: "waveform-keys", at: (t) => `${t.toFixed(2)} ms`, onRange: go, height: 230 };
  const open = (min, max, levels) => {
    const low = Math.min(0, min ?? 0, ...levels);
    const high = Math.max(0, max ?? 0, ...levels);
    const room = (high - low || 1) * 0.08;
    // Names of the marks stand on top.
    return [low - room, high + 3 * room];
  };
  // A limit far above a capture is told in words, or the picture would be a flat line.
  const most = Math.max(0, ...wave.i_bond_a.map((a) => Math.abs(a ?? 0)));
  const near = wave.limits.filter((limit) => limit.level_a > 0 && limit.level_a < 4 * most);
  const far = wave.limits.filter((limit) => !near.includes(limit));
  const current = new Chart({ ...common, title: "Bond current", unit: (a) => si(a, "A"), range: (min, max, limits) => open(min, max, limits.map((limit) => limit.level)), series: [{ name: "bond current", colour: "one" }] });
  current.limits = near.map((limit) => ({ name: `trip, ${limit.what} (${limit.hold_ms} ms)`, level: limit.level_a, both: limit.what.endsWith("DC"), colour: "danger", dash: limit.what.endsWith("DC") ? [6, 3] : undefined, from: "set on the board" }));
  const poles = new Chart({ ...common, title: "Poles to earth", unit: (v) => si(v, "V"), range: (min, max) => open(min, max, []), series: [{ name: "positive", colour: "one" }, { name: "negative", colour: "two", dash: [6, 3] }] });
  charts.push(current, poles);
  const marks = wave.marks.map((mark) => ({ x: mark.t_ms, label: mark.what, colour: COLOURS[mark.what] ?? "accent" }));
  for (const chart of charts) chart.marks = marks;
  const told = [
    `${wave.sample_rate_hz} samples a second, 0 ms is what set the capture off.`,
    wave.missing_samples > 0 ? `${wave.missing_samples} samples never arrived: gaps.` : "",
    wave.contactor_unknown ? `How the contactor stood cannot be told: ${wave.contactor_unknown}.` : contactor(wave),
    far.length > 0 ? `Out of the picture: ${far.map((limit) => `${limit.what} ${si(limit.level_a, "A")}`).join(", ")}.` : "",
  ];
  const table = h("ul", {}, ...wave.marks.map((mark) => h("li", {}, `${mark.t_ms.toFixed(2)} ms: ${mark.what}`)));
  body.replaceChildren(
    h("p", {}, `${utc(wave.event.t_us)}: ${wave.event.words}`),
    h("p", { class: "quiet" }, told.filter(Boolean).join(" ")),
    h("p", { id: "waveform-keys", class: "quiet" }, "Drag to move, Ctrl and wheel or pinch to zoom; with a chart chosen + − ← →, Home for all."),
    table,
    ...charts.map((chart) => chart.element),
    h("p", { class: "caution" }, "An open contactor is no proof of isolation: PV conductors stay live in daylight."),
  );
  current.set([ms, wave.i_bond_a], first, last);
  poles.set([ms, wave.v_pos_v, wave.v_neg_v], first, last);
}

function contactor(wave) {
  const closed = wave.contactor_closed;
  if (!closed || closed.length === 0) return "";
  const word = (is) => (is ? "closed" : "open");
  const change = closed.findIndex((is, k) => k > 0 && is !== closed[k - 1]);
  if (change < 0) return `The contactor was ${word(closed[0])} throughout.`;
  return `The contactor was ${word(closed[0])} until ${wave.t_ms[change].toFixed(2)} ms, then confirmed ${word(closed[change])}.`;
}
