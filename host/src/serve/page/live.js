// The present, sent by the server: connects again by itself, and says when it is not live.

/** Longer without a message, and what is shown is old. The server sends one a second. */
const QUIET_MS = 6000;
const AGAIN_MS = 2000;

export class Live {
  /** `onMessage(message)`; `onState(isLive, sinceMs, why)` whenever that changes. */
  constructor(onMessage, onState) {
    this.onMessage = onMessage;
    this.onState = onState;
    this.board = null;
    this.source = null;
    this.again = null;
    this.lastMs = Date.now();
    this.isLive = null;
    setInterval(() => this.check(), 1000);
    addEventListener("pagehide", () => this.source?.close());
    addEventListener("pageshow", (event) => event.persisted && this.connect());
  }

  /** Follows a board, or none, beside the list. */
  follow(board) {
    if (this.source && this.board === board) return;
    this.board = board;
    this.connect();
  }

  connect() {
    this.triedMs = Date.now();
    clearTimeout(this.again);
    this.source?.close();
    const source = new EventSource(this.board ? `/api/live?board=${this.board}` : "/api/live");
    this.source = source;
    source.onmessage = (event) => {
      this.lastMs = Date.now();
      const message = JSON.parse(event.data);
      this.onMessage(message);
      if (message.error) this.tell(false, message.good_us / 1000, message.error);
      else this.tell(true, this.lastMs, "");
    };
    source.onerror = () => {
      // A refused connection is given up by the browser; one that broke is not.
      if (source.readyState === EventSource.CLOSED) this.again = setTimeout(() => this.connect(), AGAIN_MS);
      this.tell(false, this.lastMs, "no connection to the server; trying again");
    };
  }

  check() {
    const quietMs = Date.now() - this.lastMs;
    if (quietMs < QUIET_MS) return;
    if (this.isLive !== false) this.tell(false, this.lastMs, "nothing comes from the server; trying again");
    if (Date.now() - this.triedMs > QUIET_MS) this.connect();
  }

  tell(isLive, sinceMs, why) {
    const state = `${isLive}${why}`;
    if (state === this.state) return;
    this.state = state;
    this.isLive = isLive;
    this.onState(isLive, sinceMs, why);
  }
}
