// The chosen board now: what to know first, gauges against limits.
import { URGENCY, byId, h, setText, span, utc } from "./format.js";

const VERDICTS = {
  within: "within its limit",
  "no-limit": "no limit set",
  unknown: "▲ not known, which is not good",
  warned: "▲ past its warning level",
  beyond: "■ past its trip level",
};

/** `board`: JSON of one board, as /api/boards/{board} gives it. */
export function showBoard(board, nowUs) {
  setText(byId("board-head"), `Board ${board.board}`);
  document.title = `${URGENCY[board.urgency]?.[0] ?? ""} ${board.board} · Ohmward`;
  const about = [];
  if (board.state) about.push(`state: ${board.state}`);
  if (board.firmware) about.push(`firmware ${board.firmware}, start ${board.boot}`);
  if (board.bond_open) about.push("bond open");
  setText(byId("board-about"), about.join(" · "));
  byId("board-body").hidden = false;
  showConcerns(board.concerns);
  showGauges(board, nowUs);
}

function showConcerns(concerns) {
  const list = byId("concerns");
  const lines = concerns.map((concern) => {
    const [sign, style] = URGENCY[concern.urgency];
    const since = concern.since_us ? ` (since ${utc(concern.since_us)})` : "";
    return [style, `${sign} ${concern.urgency}: ${concern.words}${since}`];
  });
  const key = JSON.stringify(lines);
  if (list.dataset.key === key) return;
  list.dataset.key = key;
  list.replaceChildren(...lines.map(([style, text]) => h("li", { class: style }, text)));
}

function showGauges(board, nowUs) {
  const box = byId("gauges");
  const age = board.t_us === null ? null : Math.max(0, nowUs - board.t_us);
  byId("board-body").classList.toggle("silent", board.silent);
  setText(
    byId("gauges-of"),
    age === null ? "No reading yet." : board.silent ? `NOT NOW: as of ${utc(board.t_us)}, ${span(age)} ago.` : `As of ${utc(board.t_us)}.`,
  );
  const measured = board.measurement_age_us;
  const limited = board.gauges.some((gauge) => gauge.trip !== null);
  setText(
    byId("gauges-from"),
    [
      measured === null ? "" : `Insulation was measured ${span(measured)} before that reading.`,
      limited ? "Limits: from the settings last heard from the board. A bar is full at the trip level." : "No settings of this board are stored: limits are not known.",
    ].join(" "),
  );
  if (box.children.length !== board.gauges.length || box.dataset.board !== board.board) {
    box.dataset.board = board.board;
    box.replaceChildren(...board.gauges.map(newGauge));
  }
  board.gauges.forEach((gauge, place) => fillGauge(box.children[place], gauge));
}

function newGauge() {
  return h(
    "div",
    { class: "gauge" },
    h("p", {}, h("strong")),
    h("p", { class: "value values" }),
    h("div", { class: "bar values", "aria-hidden": "true" }, h("div", { class: "fill" })),
    h("p", { class: "quiet" }),
  );
}

function fillGauge(element, gauge) {
  element.className = `gauge ${gauge.verdict}`;
  const [name, value, bar, verdict] = element.children;
  setText(name.firstChild, gauge.name);
  setText(value, gauge.words);
  bar.hidden = gauge.used === null || gauge.trip === null;
  bar.firstChild.style.width = `${Math.min(100, 100 * (gauge.used ?? 0))}%`;
  const limits = [];
  if (gauge.trip_words) limits.push(`trip ${gauge.trip_words}`);
  if (gauge.warn_words) limits.push(`warning ${gauge.warn_words}`);
  const used = gauge.used !== null && gauge.trip !== null && gauge.verdict === "within" ? ` (${percent(gauge.used)} of the way)` : "";
  setText(verdict, gauge.trip === null ? VERDICTS[gauge.verdict] : `${VERDICTS[gauge.verdict]}${used}; ${limits.join(", ")}`);
}

const percent = (share) => (share < 0.01 ? "under 1 %" : `${Math.round(100 * share)} %`);
