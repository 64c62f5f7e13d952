// The list of boards, worst first.
import { URGENCY, byId, h, setText } from "./format.js";

/** More lines than this nobody reads; the rest is found by typing. */
const SHOWN_MOST = 150;
const FIND_FROM = 8;

export class Boards {
  constructor() {
    this.rows = new Map();
    this.items = new Map();
    this.chosen = null;
    this.worst = null;
    byId("find").addEventListener("input", () => this.draw());
  }

  /** Takes a message in; false when boards are missing from what is known, so that all must be sent again. */
  take(message) {
    if (message.whole) this.rows.clear();
    for (const row of message.boards) this.rows.set(row.board, row);
    if (message.boards.length > 0 || message.whole) this.draw();
    return this.rows.size === message.count;
  }

  sorted() {
    return [...this.rows.values()].sort((a, b) => b.rank - a.rank || a.board.localeCompare(b.board));
  }

  choose(board) {
    this.chosen = board;
    this.draw();
  }

  draw() {
    const wanted = byId("find").value.trim().toLowerCase();
    const all = this.sorted();
    const fitting = all.filter((row) => !wanted || `${row.board} ${row.words} ${row.state}`.toLowerCase().includes(wanted));
    const shown = fitting.slice(0, SHOWN_MOST);
    const list = byId("boards");
    const kept = new Set(shown.map((row) => row.board));
    for (const [board, item] of this.items) {
      if (!kept.has(board)) {
        item.remove();
        this.items.delete(board);
      }
    }
    shown.forEach((row, place) => {
      let item = this.items.get(row.board);
      if (!item) {
        item = h("li", {}, h("a", { href: `#${row.board}` }, h("span", { class: "urgency" }), h("span", { class: "id" }), h("small")));
        this.items.set(row.board, item);
      }
      this.fill(item.firstChild, row);
      // Moving an element takes the focus from it: only where it must.
      if (list.children[place] !== item) {
        const hadFocus = item.contains(document.activeElement);
        list.insertBefore(item, list.children[place] ?? null);
        if (hadFocus) item.firstChild.focus({ preventScroll: true });
      }
    });
    byId("find-line").hidden = all.length < FIND_FROM;
    setText(byId("boards-more"), fitting.length > shown.length ? `and ${fitting.length - shown.length} more: type to find one` : "");
    const counts = ["danger", "look at it", "waiting", "watching"].map((word) => [word, all.filter((row) => row.urgency === word).length]);
    const parts = counts.filter(([, count]) => count > 0).map(([word, count]) => `${URGENCY[word][0]} ${count} ${word}`);
    setText(byId("boards-sum"), all.length === 0 ? "Nothing has been recorded yet." : parts.join("   "));
    this.announce(all);
  }

  fill(link, row) {
    const [sign, style] = URGENCY[row.urgency];
    link.className = style;
    if (row.board === this.chosen) link.setAttribute("aria-current", "true");
    else link.removeAttribute("aria-current");
    const [urgency, id, words] = link.children;
    urgency.className = `urgency ${style}`;
    setText(urgency, `${sign} ${row.urgency} `);
    setText(id, row.board);
    setText(words, row.words);
  }

  /** Said aloud only when the worst of all boards becomes another. */
  announce(all) {
    const worst = all[0];
    const now = worst ? `${worst.rank} ${worst.rank > 1 ? worst.board : ""}` : null;
    if (now === this.worst) return;
    const isFirst = this.worst === null;
    this.worst = now;
    if (worst && !(isFirst && worst.rank < 2)) {
      setText(byId("worst"), worst.rank > 1 ? `Board ${worst.board}, ${worst.urgency}: ${worst.words}` : "No board needs to be looked at now.");
    }
  }
}
