// What happened: a list that follows the time shown, and marks above the charts.
import { ask, byId, h, setText, utc } from "./format.js";

/** Every morning and evening is stored; these are out of the ordinary. */
const NOTABLE = [
  "tripped", "failed-to-open", "opened-late", "failed-to-close", "reset", "reset-refused", "insulation-warning", "insulation-recovered",
  "surge", "sensor-lost", "sensor-back", "settings-applied", "events-lost", "sudden-unwatched", "sudden-watched", "zero-drifted", "locked-out",
  "fault-side", "fuse-strained", "fault-placed", "self-test-failed", "memory-failed", "memory-works",
];
const WRONG = ["failed-to-open", "opened-late", "locked-out", "self-test-failed", "sensor-lost", "memory-failed", "fuse-strained"];
const LIST_MOST = 300;
/** A mark is hit within so many pixels. */
const NEAR_PX = 8;

export class Events {
  /** `onMarks(marks)` for the charts; `onOpen(event)` when a waveform is asked for. */
  constructor(onMarks, onOpen) {
    this.onMarks = onMarks;
    this.onOpen = onOpen;
    this.notable = [];
    const kind = byId("kind");
    kind.append(h("option", { value: "notable" }, "out of the ordinary"), h("option", { value: "all" }, "everything"));
    kind.addEventListener("change", () => this.fetch());
  }

  /** Nothing of another board. */
  clear() {
    this.asking?.abort();
    this.notable = [];
    byId("events").replaceChildren();
    setText(byId("events-of"), "fetching …");
  }

  show(board, fromUs, toUs) {
    [this.board, this.fromUs, this.toUs] = [board, fromUs, toUs];
    return this.fetch();
  }

  async fetch() {
    this.asking?.abort();
    this.asking = new AbortController();
    const { signal } = this.asking;
    const base = `/api/boards/${this.board}/events?from=${this.fromUs}&to=${this.toUs + 1}`;
    const notable = `${base}&limit=2000${NOTABLE.map((kind) => `&kind=${kind}`).join("")}`;
    const chosen = byId("kind").value;
    try {
      const answer = await ask(notable, signal);
      this.kinds(answer.kinds);
      this.notable = answer.events;
      this.onMarks(this.notable.map((event) => ({ x: event.t_us / 1e6, isTrip: event.kind === "tripped", colour: event.kind === "tripped" || WRONG.includes(event.kind) ? "danger" : "look" })));
      const list = chosen === "notable" ? answer : await ask(chosen === "all" ? `${base}&limit=${LIST_MOST}` : `${base}&limit=${LIST_MOST}&kind=${chosen}`, signal);
      this.list(list);
    } catch (fault) {
      if (fault.name === "AbortError") return;
      byId("events").replaceChildren(h("p", { class: "wrong" }, `The events could not be fetched: ${fault.message}`));
    }
  }

  kinds(all) {
    const kind = byId("kind");
    if (kind.options.length > 2) return;
    kind.append(...all.map((word) => h("option", { value: word }, `only: ${word}`)));
  }

  list(answer) {
    const shown = answer.events.slice(0, LIST_MOST);
    const isCut = answer.older_left_out || shown.length < answer.events.length;
    const unread = answer.unreadable > 0 ? `; ${answer.unreadable} more are of kinds that only a newer version can read: update` : "";
    setText(byId("events-of"), `${shown.length === 0 ? "none" : shown.length} in the time shown above${isCut ? ": the newest of them, zoom in for the rest" : ""}${unread}`);
    if (shown.length === 0) {
      byId("events").replaceChildren();
      return;
    }
    const rows = shown.map((event) =>
      h(
        "tr",
        {},
        h("td", { class: "number" }, utc(event.t_us)),
        h("td", {}, event.words),
        h("td", {}, h("span", { class: "id" }, event.id)),
        h("td", {}, event.waveform ? h("button", { type: "button", "aria-label": `Waveform of event ${event.id}`, onclick: () => this.onOpen(event.id) }, "Waveform") : ""),
      ),
    );
    const heads = ["When", "What", "Number", "Captured"].map((head) => h("th", { scope: "col" }, head));
    byId("events").replaceChildren(h("table", {}, h("thead", {}, h("tr", {}, ...heads)), h("tbody", {}, ...rows)));
  }

  /** The notable event nearest to a moment that was clicked, if one is near. */
  near(us, perPixelUs) {
    const within = NEAR_PX * perPixelUs;
    const near = this.notable.filter((event) => Math.abs(event.t_us - us) <= within);
    near.sort((a, b) => Number(b.waveform) - Number(a.waveform) || Math.abs(a.t_us - us) - Math.abs(b.t_us - us));
    return near[0] ?? null;
  }
}
