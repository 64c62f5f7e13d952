// What is chosen (#BOARD), and who is told of what.
import { showBoard } from "./board.js";
import { Boards } from "./boards.js";
import { Charts } from "./charts.js";
import { Events } from "./events.js";
import { ask, byId, setText, utc } from "./format.js";
import { Live } from "./live.js";
import { showTrend } from "./trend.js";
import { openWaveform } from "./waveform.js";

let chosen = null;
let newestEvent = null;

const boards = new Boards();
const events = new Events((marks) => charts.mark(marks), (event) => openWaveform(chosen, event));
const charts = new Charts(
  (fromUs, toUs) => events.show(chosen, fromUs, toUs),
  (us, perPixelUs) => {
    const event = events.near(us, perPixelUs);
    if (event?.waveform) openWaveform(chosen, event.id);
    else if (event) charts.go(event.t_us / 1e6 - 60, event.t_us / 1e6 + 60);
  },
);
const live = new Live(take, (isLive, sinceMs, why) => {
  document.body.classList.toggle("stale", !isLive);
  if (!isLive) setText(byId("recording"), "whether a recorder is writing is not known");
  const since = sinceMs > 0 ? ` since ${utc(sinceMs * 1000)}` : " yet";
  setText(byId("link"), isLive ? "● live" : `▲ not live${since}: ${why}`);
});

function take(message) {
  // Nothing has been looked at yet.
  if (message.n === 0) return setText(byId("boards-sum"), message.error);
  const isWhole = boards.take(message);
  setText(byId("recording"), message.recording ? "a recorder is writing to this store" : "no recorder is writing to this store");
  if (!isWhole) live.connect();
  choose();
  if (message.board && message.board.board === chosen) {
    showBoard(message.board, message.now_us);
    if (message.board.t_us !== null) charts.newest(message.board.t_us);
    const newest = message.board.events[0]?.id ?? null;
    if (newestEvent !== null && newest !== newestEvent) charts.fetch();
    newestEvent = newest;
  }
}

/** The board in the address, else the worst there is. */
function choose() {
  const asked = location.hash.slice(1);
  const board = boards.rows.has(asked) ? asked : (chosen ?? boards.sorted()[0]?.board ?? null);
  if (board === null || board === chosen) return;
  chosen = board;
  newestEvent = null;
  boards.choose(board);
  live.follow(board);
  open(board);
}

async function open(board) {
  events.clear();
  try {
    const about = await ask(`/api/boards/${board}`);
    if (board !== chosen) return;
    showBoard(about, about.now_us);
    showTrend(board);
    // Of a board that has said nothing yet, the time from now on.
    await charts.open(board, about.from_us ?? about.now_us, about.to_us ?? about.now_us, about.settings);
  } catch (fault) {
    if (board !== chosen) return;
    byId("board-body").hidden = true;
    setText(byId("board-head"), `Board ${board}`);
    setText(byId("board-about"), `It could not be fetched: ${fault.message}`);
  }
}

addEventListener("hashchange", () => {
  choose();
  // Beside the list the board is in sight; below it, on a phone, it is gone to.
  byId("board").focus({ preventScroll: matchMedia("(min-width: 46rem)").matches });
});
byId("skip").addEventListener("click", (event) => {
  event.preventDefault();
  byId("board").focus();
});

live.follow(null);
