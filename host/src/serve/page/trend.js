// Findings of the trend: seen, how sure, check first, caution.
import { ask, byId, h, utc } from "./format.js";

const SIGNS = { warning: "■ warning", unknown: "▲ not known", notice: "○ notice", fine: "· fine" };
const AGAIN_MS = 2000;
const NEXT_MS = 300_000;

let turn = 0;

/** Shows the findings of a board, and those of later. */
export async function showTrend(board) {
  turn += 1;
  const own = turn;
  const box = byId("trend");
  box.replaceChildren(h("p", { class: "quiet" }, "Working out what the record says …"));
  while (own === turn) {
    let wait = NEXT_MS;
    try {
      const answer = await ask(`/api/boards/${board}/trend`);
      if (own !== turn) return;
      if (answer.working) wait = AGAIN_MS;
      else box.replaceChildren(...draw(answer));
    } catch (fault) {
      if (own !== turn) return;
      box.replaceChildren(h("p", { class: "wrong" }, `The findings could not be fetched: ${fault.message}`));
      wait = 30_000;
    }
    await new Promise((done) => setTimeout(done, wait));
  }
}

function draw(answer) {
  const about = `From ${answer.days} days, ${answer.measured_days} of them measured; worked out ${utc(answer.at_us, false)}.`;
  const limits = answer.limits_are_defaults ? " No settings of this board are stored: limits are the defaults." : "";
  return [h("p", { class: "quiet" }, about + limits), ...answer.findings.map(finding)];
}

function finding(one) {
  const pairs = [["Seen", one.seen], ["How sure", one.sure], ["Check first", one.check_first], ["Caution", one.caution]];
  return h(
    "div",
    { class: `finding ${one.weight}` },
    h("h4", {}, `${SIGNS[one.weight] ?? one.weight}: ${one.heading}`),
    h("dl", {}, ...pairs.filter(([, text]) => text).flatMap(([name, text]) => [h("dt", {}, name), h("dd", {}, text)])),
  );
}
